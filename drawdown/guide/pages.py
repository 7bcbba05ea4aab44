"""The pages of the guide, which travel with the program, and the names that lead to them."""

from __future__ import annotations

import difflib
import re
from functools import cache
from importlib.resources import files

from calibration.errors import WrongUsage

_ALSO = re.compile(r"^<!-- also: (.*?) -->\n")
_COMMENT = re.compile(r"<!--.*?-->\n?", re.DOTALL)


@cache
def pages() -> dict[str, str]:
    """Name -> text of each page."""
    found = (p for p in files("drawdown.guide").iterdir() if p.name.endswith(".md"))
    return {
        page.name.removesuffix(".md"): page.read_text(encoding="utf-8")
        for page in sorted(found, key=lambda page: page.name)
        if page.name != "README.md"
    }


def title(name: str) -> str:
    """Of the page of that name."""
    lines = pages()[name].splitlines()
    return next((line.lstrip("# ") for line in lines if line.startswith("# ")), "")


@cache
def page_names() -> dict[str, str]:
    """Every name of a page -> the page's own; a remark's name is one of the page that explains
    it."""
    names = {also: name for name, text in pages().items() for also in _also(text)}
    return names | {name: name for name in pages()}


def page_text(topic: str) -> str:
    """The page of that name, without comments; a remark's own point comes first. Raises
    ``WrongUsage``."""
    wanted, names = "-".join(topic.casefold().split()), page_names()
    if wanted not in names:
        near = next(iter(difflib.get_close_matches(wanted, names, n=1, cutoff=0.5)), None)
        raise WrongUsage(
            f'the guide has no page "{topic}"',
            f"did you mean {near}?" if near else "a page has a short name, as in the list",
            f"write: drawdown guide {near}" if near else "list the pages with: drawdown guide",
        )
    text = pages()[names[wanted]]
    point = re.search(rf"^- \*\*{re.escape(wanted)}\*\*.*?\n(?=\S)", text, re.DOTALL | re.MULTILINE)
    return _COMMENT.sub("", f"{point[0] if point else ''}\n{text}")


def _also(text: str) -> list[str]:
    """Other names of a page: the remarks that it explains."""
    found = _ALSO.match(text)
    return [] if found is None else [name.strip() for name in found[1].split(",")]
