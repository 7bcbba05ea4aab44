"""A rough look at two strips in a photo without a card: by bare paper beside each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from calibration.errors import PhotoUnfit, WrongUsage
from calibration.photo.open import Photo, open_photo
from drawdown import flags as fl
from drawdown.matching.compare import (
    NO_MATCH,
    SURE,
    TOO_CLOSE,
    Comparison,
    Settle,
    compare,
)
from drawdown.pipeline.options import Options, Progress
from drawdown.reading import by_paper
from drawdown.reading.budget import DIFFERENT_SEEN, UNEVEN_DE
from drawdown.reading.by_paper import Box, ByPaper, Seen
from drawdown.reading.strip import MIXED_DE

LEAST_PLACE_PX = 12  # of a strip's place; of the paper's, half of it
GREY_LEVELS, GREY_SHARE = 2 / 255, 0.995  # a photo whose channels agree so nearly has no colours
MOST_PIXELS = 40_000
BURNT_SHARE = 0.5


@dataclass(frozen=True, eq=False)
class RoughLook:
    """Original and batch (``strips``) by the paper beside each. ``comparison`` never says "match",
    and "no match" only where ``least_de00``, what the strongest processing of a phone would leave
    of the difference, is beyond the tolerance too."""

    photo: Photo
    strips: tuple[ByPaper, ...]
    comparison: Comparison
    least_de00: float
    flags: tuple[fl.Flag, ...]


def rough_look(photos: Sequence[Path | Photo], options: Options, progress: Progress) -> RoughLook:
    """Compare two strips, placed by hand in px of the one photo, by bare paper alone.

    Raises ``WrongUsage`` for options that speak of a card, ``PhotoUnfit`` where no paper shows."""
    _refuse_what_needs_a_card(options, len(photos))
    progress("reading the photo", 0.1)
    photo = open_photo(photos[0]) if isinstance(photos[0], Path) else photos[0]
    _refuse_grey(photo)
    inks = [_box(text, photo, "strips", LEAST_PLACE_PX) for text in options.strips]
    papers = [_box(text, photo, "papers", LEAST_PLACE_PX // 2) for text in options.papers]
    if len(papers) == 1:
        papers = papers * 2
    _refuse_overlap(options.strips, inks)
    progress("looking at the paper", 0.5)
    seen, flags = [], list(photo.flags)
    for number, place in enumerate(inks, 1):
        paper = papers[number - 1] if papers else None
        one, lost = _seen(photo, number, place, paper, inks)
        seen.append(one)
        flags += [fl.STRIP_CLIPPED(f"{100 * lost:.0f}")] if lost > BURNT_SHARE else []
    progress("comparing", 0.9)
    to_xyz = photo.profile.to_xyz_d50
    original, batch = by_paper.colours(seen, inks, to_xyz)
    flags += [flag for strip in (original, batch) for flag in _uneven(strip)]
    step = float(np.log(seen[1].paper_rgb / seen[0].paper_rgb).mean())
    if abs(step) > DIFFERENT_SEEN:
        percent = 100 * (1 - np.exp(-abs(step)))
        strip = 2 if step < 0 else 1
        flags.append(fl.DIFFERENT_LIGHT(fl.PAPER_DARKER, strip=strip, percent=percent))
    comparison = compare(
        original, batch, tolerance=options.tolerance, other_inks=options.other_inks,
        hard=any(flag.hard for flag in flags),
    )  # fmt: skip
    best, low, high, p = by_paper.distance(original, batch, options.tolerance)
    comparison = replace(
        comparison, original=1, batch=2, de00=best, de00_low95=low, de00_high95=high, p_within=p
    )
    least = by_paper.least_de00(*seen, to_xyz)
    progress("done", 1.0)
    return RoughLook(photo, (original, batch), _held_back(comparison, least), least, tuple(flags))


def _uneven(strip: ByPaper) -> list[fl.Flag]:
    """A place by hand may hold more than one even strip."""
    evenness = strip.evenness_de00 or 0.0
    if evenness > MIXED_DE:
        return [fl.STRIP_MIXED(f"{evenness:.0f}")]
    return [fl.STRIP_UNEVEN(f"{evenness:.1f}")] if evenness > UNEVEN_DE else []


def _held_back(c: Comparison, least_de00: float) -> Comparison:
    """The comparison with a verdict that bare paper bears."""
    if c.verdict is None:
        return c
    beyond = min(c.de00_low95, least_de00) > c.tolerance and c.p_within <= 1 - SURE
    settle = None if beyond else Settle("use-card")
    return replace(c, verdict=NO_MATCH if beyond else TOO_CLOSE, settle=settle)


def _refuse_what_needs_a_card(options: Options, photos: int) -> None:
    said = {
        "photo": photos != 1,
        "card": options.card is not None,
        "card_corners": bool(options.card_corners),
        "original_photo": options.original_photo is not None,
        "kept": options.kept is not None,
        "batch": options.followed is not None,
    }
    for name in (name for name, given in said.items() if given):
        raise WrongUsage(
            f"{'several photos were' if name == 'photo' else f'`{name}` was'} given with "
            "`without_card`",
            "a rough look rests on bare paper beside two strips of one photo, and on nothing else",
            f"{'give one' if name == 'photo' else f'leave `{name}` out'}, or put the card in the "
            "shot",
        )
    if len(options.strips) != 2:
        count = len(options.strips)
        raise WrongUsage(
            f"`strips` was given {count} time{'s' * (count != 1)} with `without_card`",
            "without a card no strips are looked for: say where the two are",
            "give `strips` twice, the original first, as x,y,width,height in photo pixels: "
            "`strips` 300,200,240,600px",
        )
    if len(options.papers) > 2:
        raise WrongUsage(
            f"`papers` was given {len(options.papers)} times",
            "there is bare paper beside each of two strips",
            "give it twice, once for both, or leave it out",
        )


def _refuse_grey(photo: Photo) -> None:
    step = max(1, int(np.sqrt(photo.width_px * photo.height_px / MOST_PIXELS)))
    some = photo.rgb_encoded[::step, ::step].reshape(-1, 3).astype(float)
    span = np.ptp(some, axis=1) / np.iinfo(photo.rgb_encoded.dtype).max
    if (span <= GREY_LEVELS).mean() > GREY_SHARE:
        raise PhotoUnfit(
            "the photo has no colours",
            "a black-and-white filter has thrown away what is to be compared",
            "switch the filter off and shoot again",
        )


def _box(text: str, photo: Photo, parameter: str, least: int) -> Box:
    """A place as pixels of the photo; what lies beyond its edge is cut off."""
    if not text.endswith("px"):
        raise WrongUsage(
            f"`{parameter}` {text} is in mm",
            "without a card nothing says how large a millimetre is in the photo",
            f"give pixels of the photo: `{parameter}` 300,200,240,600px",
        )
    x, y, w, h = (float(part) for part in text.removesuffix("px").split(","))
    x0, y0 = max(0, round(x)), max(0, round(y))
    x1, y1 = min(photo.width_px, round(x + w)), min(photo.height_px, round(y + h))
    if x1 - x0 < least or y1 - y0 < least:
        raise WrongUsage(
            f"`{parameter}` {text} shows {max(0, x1 - x0)} x {max(0, y1 - y0)} pixels of the photo",
            f"fewer than {least} each way show no colour; the photo is {photo.width_px} x "
            f"{photo.height_px} pixels",
            "place it well inside, in pixels of the upright photo at its full size",
        )
    return x0, y0, x1, y1


def _refuse_overlap(said: tuple[str, ...], places: list[Box]) -> None:
    (ax0, ay0, ax1, ay1), (bx0, by0, bx1, by1) = places
    if min(ax1, bx1) > max(ax0, bx0) and min(ay1, by1) > max(ay0, by0):
        raise WrongUsage(
            f"`strips` {said[0]} and `strips` {said[1]} overlap",
            "ink that belongs to both would be compared with itself",
            "give each strip a place of its own",
        )


def _seen(
    photo: Photo, number: int, ink: Box, paper: Box | None, inks: list[Box]
) -> tuple[Seen, float]:
    """A strip and the paper beside it, and the share of the strip that is burnt out."""
    x0, y0, x1, y1 = ink
    rgb = photo.rgb_linear(x0, y0, x1, y1)
    level = photo.rgb_encoded[y0:y1, x0:x1]
    lost = float((level >= photo.clip_high).any(axis=2).mean())
    side = max(by_paper.LEAST_CELL_PX, min(x1 - x0, y1 - y0) // by_paper.CELLS_INSIDE)
    cells = by_paper.cells_of(rgb, side)[0].reshape(-1, 3)
    if paper is not None:
        seen = photo.rgb_linear(*paper).reshape(-1, 3)
        found = (np.median(seen, axis=0), (paper,))
        if float(found[0].max()) >= by_paper.BURNT_OUT:
            found = None
    else:
        reach = round(by_paper.REACH_SIDES * min(x1 - x0, y1 - y0))
        a, b = max(0, x0 - reach), max(0, y0 - reach)
        around = photo.rgb_linear(a, b, x1 + reach, y1 + reach)
        found = by_paper.paper_beside(around, (a, b), ink, inks)
    if found is None:
        raise PhotoUnfit(
            f"no bare paper shows beside strip {number}",
            "without a card the paper is all that tells the light; where it is burnt out, "
            "or too little of it lies in the photo, nothing does",
            "leave bare paper round each strip, tap it so that the photo gets darker, or say where "
            "it is with `papers`",
        )
    return Seen(np.median(rgb.reshape(-1, 3), axis=0), found[0], cells, found[1]), lost
