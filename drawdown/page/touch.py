"""Correct by touch: where the strips and the card are, told by a finger; and a rough look where
there is no card."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from calibration.errors import WrongUsage
from drawdown.page.looks import Asked, Look
from drawdown.page.rooms import house_of, page
from drawdown.pipeline.options import Corners, check_corners

_NUMBER = r"-?\d{1,6}(?:\.\d{1,3})?"
_POINT = re.compile(rf"{_NUMBER},{_NUMBER}(?:,{_NUMBER},{_NUMBER})?")
_ROLES = ("original", "batch")


async def touch(request: Request) -> Response:
    """The photo, to be tapped."""
    look = house_of(request).looks.find(request.path_params["name"])
    answer = look.answer
    if answer is None or not answer["size_px"]:
        return RedirectResponse(f"/look/{look.name}", 303)
    asked = look.asked
    if asked.photos > 1:
        raise WrongUsage(
            "this answer rests on several photos",
            "a tap says where a strip lies in one photo",
            "send the photo by itself, and tap there",
        )
    corners = asked.corners or answer["card_px"] or _quarter(answer["size_px"])
    return page(
        request, "touch.html", name=look.name, asked=asked, answer=answer, corners=corners,
        numbers=[strip["number"] for strip in answer["strips"]],
        roles={strip["role"]: strip["number"] for strip in answer["strips"] if strip["role"]},
    )  # fmt: skip


def _quarter(size_px: list[int]) -> list[list[float]]:
    """Where the corners wait when no card was found: round the middle of the photo."""
    wide, high = size_px
    return [
        [wide * x, high * y] for x, y in ((0.25, 0.25), (0.75, 0.25), (0.75, 0.75), (0.25, 0.75))
    ]


async def touched(request: Request) -> Response:
    """What was tapped; the same photo is judged anew."""
    look = house_of(request).looks.find(request.path_params["name"])
    async with request.form(max_files=0, max_fields=20) as form:
        said = {name: str(form.get(name, "")) for name in form}
    asked = look.asked
    plain = replace(
        asked, revision=asked.revision + 1, taps=(), papers=(), original=None, batch=None,
        corners=(), rough=False,
    )  # fmt: skip
    look.ask(plain if said.get("afresh") else _from_taps(said, plain, look))
    return RedirectResponse(f"/look/{look.name}", 303)


def _from_taps(said: dict[str, str], plain: Asked, look: Look) -> Asked:
    """Raises ``WrongUsage``."""
    taps = [_points(said.get(f"{role}_at", "")) for role in _ROLES]
    corners: Corners = tuple((x, y) for x, y, *_ in _points(said.get("corners", "")))
    if corners:
        check_corners(corners)
    asked = replace(plain, corners=corners, rough=bool(said.get("rough")))
    if asked.rough:
        papers = [_points(said.get(f"{role}_paper_at", "")) for role in _ROLES]
        _refuse_missing(taps, "tap the original’s strip and the batch’s")
        return replace(
            asked, corners=(), taps=tuple(tap[0] for tap in taps),
            papers=tuple(paper[0] for paper in papers if paper),
        )  # fmt: skip
    if any(taps):
        taps = [tap or _middle(look, role) for tap, role in zip(taps, _ROLES, strict=True)]
        _refuse_missing(taps, "tap the other strip too")
        return replace(asked, taps=tuple(tap[0] for tap in taps))
    original, batch = (said.get(f"{role}_number", "") for role in _ROLES)
    if original.isdecimal() and batch.isdecimal() and not corners:
        return replace(asked, original=int(original[:4]), batch=int(batch[:4]))
    return asked


def _points(text: str) -> list[tuple[float, ...]]:
    return [tuple(map(float, found[0].split(","))) for found in _POINT.finditer(text[:200])]


def _middle(look: Look, role: str) -> list[tuple[float, ...]]:
    """The strip that has the role now, as if its middle was tapped."""
    answer: dict[str, Any] = look.answer or {}
    for strip in answer.get("strips", []):
        if strip["role"] == role:
            xs, ys = zip(*strip["corners_px"], strict=True)
            return [(sum(xs) / 4, sum(ys) / 4)]
    return []


def _refuse_missing(taps: list[list[tuple[float, ...]]], todo: str) -> None:
    if not all(taps):
        raise WrongUsage("only one of the two strips is known", "two strips are compared", todo)


ROUTES = [
    Route("/look/{name:str}/touch", touch),
    Route("/look/{name:str}/touch", touched, methods=["POST"]),
]
