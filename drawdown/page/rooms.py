"""What every room of the page works with: the studio, the looks, the workers, the templates."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from calibration.errors import WrongUsage
from drawdown.page.guard import phone_of
from drawdown.page.looks import Looks
from drawdown.page.studio import Studio, linked
from drawdown.page.workers import Job, Work, Workers


@dataclass(frozen=True)
class House:
    """What every room works with: ``request.app.state.house``."""

    studio: Studio
    looks: Looks
    workers: Workers
    links: tuple[tuple[str, str], ...]
    jobs: dict[str, Job] = field(default_factory=dict)  # look -> its judging, while it lasts


def house_of(request: Request) -> House:
    found: House = request.app.state.house
    return found


def work(request: Request, topic: str, what: Work, *arguments: Any) -> Job:
    """Something for a process to do, in turn with the other phones. Raises ``Busy``."""
    return house_of(request).workers.submit(phone_of(request.scope), topic, what, *arguments)


def refuse_read_only(request: Request) -> None:
    """Before anything in the book is changed. Raises ``WrongUsage``."""
    if house_of(request).studio.read_only:
        raise WrongUsage(
            "this page was started to be looked at only",
            "nothing in the book can be changed from here",
            "ask whoever runs it, or start it without `read_only`",
        )


# Pages -----------------------------------------------------------------------------------

_TEMPLATES = Environment(
    loader=PackageLoader("drawdown.page"),
    autoescape=True,
    undefined=StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
)
_SAFE = _TEMPLATES.filters["safe"]
_TEMPLATES.filters["linked"] = lambda text: _SAFE(linked(text))


def attachment(content: bytes, name: str, kind: str) -> Response:
    """To be saved, or looked at in its own window; ``name`` is ours."""
    headers = {"content-disposition": f'attachment; filename="{name}"'}
    return Response(content, media_type=kind, headers=headers)


def page(request: Request, template: str, status: int = 200, **shown: Any) -> Response:
    """A page: ``templates/TEMPLATE`` with what it shows."""
    house = house_of(request)
    text = _TEMPLATES.get_template(template).render(
        here=request.url.path, links=house.links, read_only=house.studio.read_only, **shown
    )
    return HTMLResponse(text, status)
