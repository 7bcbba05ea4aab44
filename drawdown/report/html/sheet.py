"""A report to send or to print: parts from top to bottom, as one HTML file that needs no other.

No script runs in it and nothing is fetched, which its own policy says too. Every text passes
``visible`` and the template's escaping: what people wrote is shown and never obeyed.
"""

from __future__ import annotations

import base64
import io
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar

from calibration.files import write_atomically
from calibration.naming import named
from calibration.signs import visible
from drawdown.report.text.terminal import swatch_rgb
from drawdown.wording.verdict import Headline

if TYPE_CHECKING:
    from jinja2 import Environment
    from PIL import Image

TEMPLATE = "sheet.html"
PHOTO_PX, JPEG_QUALITY = 1400, 88
ENDINGS = (".html", ".htm")


class Part:
    """What stands in a report; the template draws each kind its own way."""

    kind: ClassVar[str]


@dataclass(frozen=True)
class Banner(Part):
    """The verdict: a sign, words and a colour that repeats them."""

    kind: ClassVar[str] = "banner"
    head: Headline


@dataclass(frozen=True)
class Say(Part):
    """Paragraphs; ``strong`` ones are read first."""

    kind: ClassVar[str] = "say"
    texts: Sequence[str]
    title: str = ""
    strong: bool = False


@dataclass(frozen=True)
class Swatch:
    """A field of colour (Lab D50) under its name, with lines of words below."""

    name: str
    lab_d50: Sequence[float] | None
    lines: Sequence[str] = ()


@dataclass(frozen=True)
class Swatches(Part):
    """Fields edge to edge, or as a ``wall`` of many."""

    kind: ClassVar[str] = "swatches"
    fields: Sequence[Swatch]
    wall: bool = False
    title: str = ""


@dataclass(frozen=True)
class Table(Part):
    kind: ClassVar[str] = "table"
    head: Sequence[str]
    rows: Sequence[Sequence[str]]
    title: str = ""


@dataclass(frozen=True)
class Points(Part):
    """A list; nothing where it is empty."""

    kind: ClassVar[str] = "points"
    title: str
    texts: Sequence[str]


@dataclass(frozen=True)
class Picture(Part):
    """A photo or a plot: ``source`` as a data: address."""

    kind: ClassVar[str] = "picture"
    source: str
    alt: str
    title: str = ""
    caption: str = ""


@dataclass(frozen=True)
class Report:
    """A whole report under its ``title``; ``about`` are small lines below it."""

    title: str
    parts: Sequence[Part]
    about: Sequence[str] = field(default_factory=tuple)

    def html(self) -> str:
        return _environment().get_template(TEMPLATE).render(report=self)

    def save(self, path: Path) -> None:
        """Whole or not at all. Raises ``BadFile``."""
        write_atomically(path, self.html().encode("utf-8"))


def photo(picture: Image.Image, alt: str, title: str = "", caption: str = "") -> Picture:
    """A photo inside the file; anew from its pixels, so that nothing it said of itself (a place,
    a name) goes along."""
    out = io.BytesIO()
    picture.convert("RGB").save(out, "JPEG", quality=JPEG_QUALITY)
    return Picture(_data("image/jpeg", out.getvalue()), alt, title, caption)


def drawing(svg: str, alt: str, title: str = "", caption: str = "") -> Picture:
    return Picture(_data("image/svg+xml", svg.encode("utf-8")), alt, title, caption)


def css_colour(lab_d50: Sequence[float]) -> str:
    """Declarations of a field's colour, the one a browser knows best last: sRGB, then CIELAB, whose
    white is D50 there too (CSS Color 4, 9.3)."""
    red, green, blue = swatch_rgb(lab_d50)
    light, a, b = (round(float(value), 2) for value in lab_d50)
    return (
        f"background-color:rgb({red},{green},{blue});"
        f"background-color:lab({max(light, 0.0):g}% {a:g} {b:g})"
    )


def _data(kind: str, content: bytes) -> str:
    return f"data:{kind};base64,{base64.b64encode(content).decode('ascii')}"


@cache
def _environment() -> Environment:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    made = Environment(
        loader=PackageLoader("drawdown.report.html", ""),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_shown,
    )
    made.filters["colour"] = css_colour
    return made


def _shown(value: Any) -> Any:
    """A text as it may leave: parameters as they are called here, steering signs made visible."""
    return visible(named(value)) if type(value) is str else value
