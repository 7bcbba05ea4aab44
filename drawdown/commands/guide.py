"""``drawdown guide``: the pages of the guide, as a terminal shows them."""

from __future__ import annotations

import re
from typing import Annotated

from drawdown.commands.support import options as opt
from drawdown.guide.pages import page_text, pages, title

_PICTURE, _LINK = re.compile(r"!\[[^]]*\]\([^)]*\)\n"), re.compile(r"\[([^]]+)\]\([^)]+\)")
_BLANK = re.compile(r"\n{3,}")


def _topics() -> list[str]:
    return sorted(pages())


def guide(
    topic: Annotated[
        str | None, opt.argument("[TOPIC]", "A page's name, or a remark's.", complete=_topics)
    ] = None,
) -> None:
    """Show a page of the guide; without TOPIC, list the pages."""
    from drawdown.report.text.terminal import write_result

    if topic is None:
        wide = max(map(len, pages()))
        write_result("\n".join(f"{name:<{wide}}  {title(name)}" for name in pages()))
        return
    write_result(_plain(page_text(topic)))


def _plain(text: str) -> str:
    """A page as a terminal shows it: no pictures, link targets or bold."""
    text = _PICTURE.sub("", text)
    return _BLANK.sub("\n\n", _LINK.sub(r"\1", text).replace("**", "")).strip()
