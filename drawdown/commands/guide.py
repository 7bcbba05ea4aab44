"""``drawdown guide``: the pages of the guide, which travel with the program."""

from __future__ import annotations

import difflib
import re
from importlib.resources import files
from typing import Annotated

from calibration.errors import WrongUsage
from drawdown.commands.support import options as opt

_ALSO = re.compile(r"^<!-- also: (.*?) -->\n")
_PICTURE, _LINK = re.compile(r"!\[[^]]*\]\([^)]*\)\n"), re.compile(r"\[([^]]+)\]\([^)]+\)")
_BLANK = re.compile(r"\n{3,}")
_COMMENT = re.compile(r"<!--.*?-->\n?", re.DOTALL)


def _topics() -> list[str]:
    return sorted(_pages())


def guide(
    topic: Annotated[
        str | None, opt.argument("[TOPIC]", "A page's name, or a remark's.", complete=_topics)
    ] = None,
) -> None:
    """Show a page of the guide; without TOPIC, list the pages."""
    from drawdown.report.text.terminal import write_result

    pages = _pages()
    if topic is None:
        wide = max(map(len, pages))
        write_result("\n".join(f"{name:<{wide}}  {_title(text)}" for name, text in pages.items()))
        return
    wanted = "-".join(topic.casefold().split())
    names = {also: name for name, text in pages.items() for also in _also(text)}
    names |= {name: name for name in pages}
    if wanted not in names:
        near = next(iter(difflib.get_close_matches(wanted, names, n=1, cutoff=0.5)), None)
        raise WrongUsage(
            f'the guide has no page "{topic}"',
            f"did you mean {near}?" if near else "a page has a short name, as in the list",
            f"write: drawdown guide {near}" if near else "list the pages with: drawdown guide",
        )
    text = pages[names[wanted]]
    point = re.search(rf"^- \*\*{re.escape(wanted)}\*\*.*?\n(?=\S)", text, re.DOTALL | re.MULTILINE)
    write_result(_plain(f"{point[0] if point else ''}\n{text}"))


def _plain(text: str) -> str:
    """A page as a terminal shows it: no comments, pictures, link targets or bold."""
    text = _PICTURE.sub("", _COMMENT.sub("", text))
    return _BLANK.sub("\n\n", _LINK.sub(r"\1", text).replace("**", "")).strip()


def _pages() -> dict[str, str]:
    """Name -> text of each page."""
    found = (p for p in files("drawdown.guide").iterdir() if p.name.endswith(".md"))
    return {
        page.name.removesuffix(".md"): page.read_text(encoding="utf-8")
        for page in sorted(found, key=lambda page: page.name)
        if page.name != "README.md"
    }


def _title(text: str) -> str:
    return next((line.lstrip("# ") for line in text.splitlines() if line.startswith("# ")), "")


def _also(text: str) -> list[str]:
    """Other names of a page: the remarks that it explains."""
    found = _ALSO.match(text)
    return [] if found is None else [name.strip() for name in found[1].split(",")]
