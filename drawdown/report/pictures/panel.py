"""The words and numbers of the picture, in the order of the short answer: the verdict, both colours
side by side, how far apart they are, what to do, what to doubt, what is known of each colour."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from PIL import Image

from calibration.colour.spaces import lab_to_xyz, xyz_d50_to_srgb
from calibration.errors import PhotoUnfit, sentence
from drawdown.matching.compare import Comparison
from drawdown.pipeline.read import Judgement
from drawdown.pipeline.rough import RoughLook
from drawdown.reading.colour import Colour
from drawdown.report.pictures.canvas import QUIET, Page, on_top
from drawdown.wording import advice as advising
from drawdown.wording import verdict as wording
from drawdown.wording.cautions import brief, pigment_cautions
from drawdown.wording.doubts import doubt, how_known, well_known
from drawdown.wording.figures import lab_parts, munsell, number
from drawdown.wording.flags import concerned, general_flags, remarks, strip_flags

_MOST_SWATCHES, _IN_A_ROW = 6, 4
_BAR = 16.0  # of the verdict
Pairs = Sequence[tuple[str, "Colour"]]


def draw_panel(judgement: Judgement, width: int) -> Image.Image:
    """The panel at a width in pixels; as tall as it needs to be."""
    page, c, advice = Page(width), judgement.comparison, judgement.advice
    pairs = _shown(judgement)
    flags = [*general_flags(judgement), *(f for s in judgement.strips for f in strip_flags(s))]
    judged = not any(flag.hard for flag in flags)
    if c is None and pairs and judged:
        return _readings_alone(page, judgement)
    _verdict(page, wording.headline(judgement))
    if c is not None and c.verdict is not None:
        page.line(wording.in_a_sentence(judgement), 4.2, x=4, room=92)
        page.y += 1
        _swatches(page, pairs)
        _distance(page, c)
        for place, text in enumerate(advising.action(judgement)):
            page.line(text, 4.0 if place else 4.6, x=4, room=92, bold=0.0 if place else 0.1)
            page.y += 0.5
        page.line(doubt(judgement), 3.6, x=4, room=92)
        if advice is not None and advice.additions:
            page.y += 0.5
            page.line(brief(pigment_cautions(advice)), 3.2, x=4, room=92)
    else:
        for text in remarks(judgement, hard=True):
            page.line(text, 4.2, x=4, room=92)
            page.y += 1
        _swatches(page, pairs)
    page.y += 1.5
    if pairs and all(well_known(judgement, strip) for _, strip in pairs):
        _readings(page, pairs)
    elif pairs:
        page.line(how_known(judgement), 3.2, x=4, room=92, fill=QUIET)
    _footer(page, pairs, judged)
    return page.cut()


def draw_rough(look: RoughLook, width: int) -> Image.Image:
    """The panel of a rough look without a card."""
    page = Page(width)
    page.y = 1.5
    page.line(wording.ROUGH, 4.2, x=4, room=92, bold=0.1)
    page.y += 1.5
    _verdict(page, wording.headline(look))
    page.line(wording.in_a_sentence(look), 4.2, x=4, room=92)
    page.y += 1
    _swatches(page, list(zip(("original", "batch"), look.strips, strict=True)))
    if look.comparison.verdict is None:
        said = [flag.text for flag in look.flags if flag.hard]
    else:
        _distance(page, look.comparison)
        said = [wording.rough_action(look)]
    for text in (*said, wording.ROUGH_LIMITS):
        page.line(text, 3.6, x=4, room=92)
        page.y += 0.5
    return page.cut()


def draw_refusal(unfit: PhotoUnfit, width: int) -> Image.Image:
    """The panel for a photo that can't be judged: what was seen, why it matters, what to do."""
    page = Page(width)
    _verdict(page, wording.HEADLINES[None])
    for text, size in ((unfit.seen, 4.6), (unfit.why, 4.0), (unfit.todo, 4.6)):
        page.line(sentence(text), size, x=4, room=92, bold=0.1 if text is unfit.todo else 0.0)
        page.y += 1
    return page.cut()


def _readings_alone(page: Page, judgement: Judgement) -> Image.Image:
    """A panel without a verdict: every strip's colour, a few beside each other."""
    pairs = [(f"strip {strip.number}", strip) for strip in judgement.strips]
    rows = -(-len(pairs) // _IN_A_ROW)
    count = -(-len(pairs) // rows)
    known = all(well_known(judgement, strip) for _, strip in pairs)
    for first in range(0, len(pairs), count):
        some = pairs[first : first + count]
        _swatches(page, some)
        if known:
            _readings(page, some)
    if not known:
        page.line(how_known(judgement), 3.2, x=4, room=92, fill=QUIET)
    _footer(page, pairs, judged=True)
    return page.cut()


def _verdict(page: Page, head: wording.Headline) -> None:
    top = page.y
    page.box((0, top, 100, top + _BAR), head.ground_rgb)
    _symbol(page, head.symbol, (4, top + 3.5, 13, top + 12.5))
    text = " ".join(head.lines)
    page.put(text, 10.5, 18, top + _BAR / 2, "white", 0.2, "lm", room=78)
    page.y = top + _BAR + 1.5


def _symbol(page: Page, symbol: str, box: tuple[float, float, float, float]) -> None:
    """The verdict's sign, drawn, since the font lacks some; ``box`` in units."""
    left, top, right, bottom = box
    side = right - left

    def stroke(x0: float, y0: float, x1: float, y1: float) -> None:
        ends = [(left + x0 * side, top + y0 * side), (left + x1 * side, top + y1 * side)]
        page.stroke(ends, 0.17 * side, "white")

    if symbol in "=≠":
        stroke(0, 0.32, 1, 0.32)
        stroke(0, 0.68, 1, 0.68)
    if symbol == "≠":
        stroke(0.72, 0, 0.28, 1)
    if symbol == "×":
        stroke(0.1, 0.1, 0.9, 0.9)
        stroke(0.9, 0.1, 0.1, 0.9)
    if symbol == "?":
        middle = (left + right) / 2, (top + bottom) / 2
        page.put("?", 1.25 * side, *middle, "white", 0.03 * side, "mm")


def _shown(judgement: Judgement) -> Pairs:
    """Original and batch; every strip when nothing was compared."""
    if judgement.comparison is None:
        return [(f"strip {strip.number}", strip) for strip in judgement.strips[:_MOST_SWATCHES]]
    return list(zip(("original", "batch"), concerned(judgement), strict=True))


def _swatches(page: Page, pairs: Pairs) -> None:
    """The colours edge to edge, each with its name on it: a difference shows best where nothing
    lies between."""
    if not pairs:
        return
    edges = np.linspace(0, 100, len(pairs) + 1)
    bottom = page.y + 20
    for (name, strip), left, right in zip(pairs, edges[:-1], edges[1:], strict=True):
        last = right - (1 / page.unit if right < 100 else 0)
        page.field((float(left), page.y, float(last), bottom), strip.lab_d50)
        size = min(4.6, 0.14 * float(right - left))
        page.put(name, size, left + 1.5, bottom - 1.4 * size, on_top(strip.lab_d50), 0.08)
    page.y = bottom + 1.5


def _readings(page: Page, pairs: Pairs) -> None:
    top, column = page.y, 100 / len(pairs)
    small = min(3.4, 3.4 * column / 33)
    for index, (_, strip) in enumerate(pairs):
        page.y, x = top, index * column + min(4, column / 10)
        for axis, reading in zip("Lab", lab_parts(strip), strict=True):
            page.put(f"{axis}*", small, x, page.y, QUIET)
            page.put(reading, small, x + 1.8 * small, page.y)
            page.y += small * 1.3
        room = column - min(4, column / 10) - 1
        page.put(f"value {munsell(strip)}", small, x, page.y, QUIET, room=room)
        page.y += small * 1.3
    page.y += 1.5


def _distance(page: Page, c: Comparison) -> None:
    page.put(f"Delta E {number(c.de00, 2)}", 6.5, 4, page.y, bold=0.14)
    page.put(f"95 %: {wording.interval(c)}", 3.6, 52, page.y + 0.2)
    page.put(f"tolerance {number(c.tolerance)}", 3.6, 52, page.y + 4.4)
    page.y += 10


def _footer(page: Page, pairs: Pairs, judged: bool) -> None:
    text = "± and the interval: 95 % probability. Thin line: the part that was measured."
    if pairs and not judged:
        text = f"{wording.NOT_TO_BE_USED} {text}"
    elif any(_beyond_screen(strip.lab_d50) for _, strip in pairs):
        text += " A colour is stronger than a screen can show; the numbers are right."
    page.line(text, 2.8, x=4, room=92, fill=QUIET)


def _beyond_screen(lab_d50: np.ndarray) -> bool:
    rgb = xyz_d50_to_srgb(lab_to_xyz(lab_d50), clip=False)
    return bool((rgb < -0.01).any() or (rgb > 1.01).any())
