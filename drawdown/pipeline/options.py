"""What a person asks of a photo: one record for command line, page, Python and tests.

It checks itself when it is made; a wrong value raises ``WrongUsage`` with what to write instead.
"""

from __future__ import annotations

import filecmp
import math
import re
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from calibration.errors import WrongUsage
from drawdown.defaults import LOOSEST_TOLERANCE_DE00, SCALE_STEP_G, TOLERANCE_DE00

if TYPE_CHECKING:
    from calibration.card.definition import CardDefinition
    from calibration.photo.open import Photo
    from drawdown.ink.prior import Knowledge
    from drawdown.ink.shelf import Shelf
    from drawdown.matching.batch_history import Followed
    from drawdown.matching.kept_original import Kept

Progress = Callable[[str, float], None]
Corners = tuple[tuple[float, float], ...]

LEAST_SIDE_PX = 20.0
MOST_INSTRUMENT_U95 = 10.0  # Delta E: what is off by more is no instrument
RIGHTMOST = -1  # the number that stands for the last strip, however many there are
CORNERS_EXAMPLE = (
    'write for example `card_corners` "310,205 1710,220 1695,840 300,815": x,y of each corner in '
    "pixels of the upright photo, clockwise from the upper left of the upright card"
)
CORNERS_WHY = "the four outer corners say where the card lies"
_NUMBER = r"\s*-?\d+(?:\.\d+)?\s*"
_PLACE = re.compile(rf"{_NUMBER},{_NUMBER},{_NUMBER},{_NUMBER}(?:mm|px)?\s*")

_SELF = "a strip compared with itself always matches"


@dataclass(frozen=True)
class WhichStrips:
    """Numbers of the two strips. ``assumed`` names the role ("original" or "batch") whose
    number is only the other one of two: with more strips in the photo it must be given."""

    original: int
    batch: int
    assumed: str | None = None


@dataclass(frozen=True)
class Options:
    """What is asked of a photo.

    ``original`` and ``batch`` are numbers of strips, counted from the left with the card
    upright (``which`` completes them); ``original_photo`` is another photo that shows the kept
    original. ``card`` is a definition or its file, None for ours; ``card_corners`` holds the
    card's four corners in px of the upright photo, then those in ``original_photo``. ``strips``
    are places by hand, "x,y,w,h" in card mm or, with "px" at the end, in photo px; ``crossing``
    says that one of them lies across the other. ``shelf`` is a shelf or its file, None for the
    studio's own; ``mix`` and ``original_mix`` are what the batch and the original were mixed
    from, in parts by ink; ``inks`` are those of a mix whose amounts nobody knows. ``followed`` is
    a batch that goes on or begins, ``knowledge`` what other batches taught of the shelf's inks.
    ``wet`` holds "original" or "batch" where that strip is still wet; ``lamps`` are those of the
    CIE by name, or spectral files, under which the pair is wanted too; ``kept`` is an original out
    of the book. ``wedge`` says that the batch's strip runs from thick to thin on purpose.
    ``without_card`` asks for a rough look by bare paper beside the two strips, which are then in
    photo px; ``papers`` says where that paper is, like ``strips``.
    ``readings`` is a table of an instrument's readings in a photo's place; ``instrument_off_de``
    is what that may be off, Delta E 2000 (95 %).
    """

    original: int | None = None
    batch: int | None = None
    original_photo: Path | Photo | None = None
    card: Path | CardDefinition | None = None
    card_corners: tuple[Corners, ...] = ()
    strips: tuple[str, ...] = ()
    crossing: bool = False
    shelf: Path | Shelf | None = None
    mix: Mapping[str, float] | None = None
    original_mix: Mapping[str, float] | None = None
    inks: Collection[str] = ()
    batch_grams: float | None = None
    scale_step: float | None = None
    followed: Followed | None = None
    knowledge: Knowledge | None = None
    tolerance: float = TOLERANCE_DE00
    other_inks: bool = False
    pulled_alike: bool = False
    wedge: bool = False
    wet: Collection[str] = ()
    lamps: Collection[str] = ()
    kept: Kept | None = None
    without_card: bool = False
    papers: tuple[str, ...] = ()
    readings: Path | None = None
    instrument_off_de: float | None = None

    def __post_init__(self) -> None:
        self._check_readings()
        check_strip_numbers(original=self.original, batch=self.batch)
        check_tolerance(self.tolerance)
        check_inks(self.inks, self.mix)
        check_batch_grams(self.batch_grams)
        _check_scale_step(self.scale_step, self.batch_grams)
        object.__setattr__(self, "strips", check_strips(self.strips))
        object.__setattr__(self, "papers", check_strips(self.papers, "papers"))
        object.__setattr__(self, "wet", _check_wet(self.wet))
        for corners in self.card_corners:
            check_corners(corners)

    def _check_readings(self) -> None:
        """Raises ``WrongUsage`` for what speaks of a photo where a table was given, and for an
        instrument without one."""
        u95 = self.instrument_off_de
        if u95 is not None and not 0 < u95 <= MOST_INSTRUMENT_U95:
            raise WrongUsage(
                f"`instrument_off_de` is {u95:g}, and must lie above 0 and not above "
                f"{MOST_INSTRUMENT_U95:g}",
                "it is what the instrument may be off, Delta E 2000, with 95 % probability",
                "its certificate says it; 1 is usual for a handheld",
            )
        if u95 is not None and self.readings is None:
            raise WrongUsage(
                "`instrument_off_de` was given without `readings`",
                "it says how good an instrument is, and none was used",
                "give the table of its readings with `readings`",
            )
        said = {
            "card": self.card is not None,
            "card_corners": bool(self.card_corners),
            "strips": bool(self.strips),
            "original_photo": self.original_photo is not None,
            "without_card": self.without_card,
            "wedge": self.wedge,
        }
        for name in (name for name, given in said.items() if given and self.readings):
            raise WrongUsage(
                f"`{name}` was given with `readings`" + (" as a place" if name == "strips" else ""),
                "it speaks of a photo, and the strips come from a table",
                "leave it out" if name != "strips" else "name the strips by their numbers",
            )

    @property
    def which(self) -> WhichStrips:
        """Which strip is the original and which the batch, as far as it was said."""
        lone = self.kept is not None and (
            bool(self.kept.apart) or (self.original is None and len(self.strips) == 1)
        )
        return which_strips(self.original, self.batch, self.original_photo is not None or lone)

    def strips_to_compare(self) -> WhichStrips:
        """``which``, with places by hand for both if there are any; raises ``WrongUsage``."""
        which = self.which
        refuse_too_few(
            self.strips, 1 if self.original_photo is not None else which.original, which.batch
        )
        return which

    @property
    def scale_step_g(self) -> float:
        return SCALE_STEP_G if self.scale_step is None else self.scale_step


def check_strip_numbers(**numbers: int | None) -> None:
    """Refuse numbers of strips (by parameter) that none can have; raises ``WrongUsage``."""
    for name, number in numbers.items():
        if number is not None and number < 1 and number != RIGHTMOST:
            raise WrongUsage(
                f"`{name}` is {number}, and strips are numbered from 1",
                "the number says which strip is meant",
                "count the strips from left to right with the card upright",
            )


def check_inks(inks: Collection[str], mix: Mapping[str, float] | None) -> None:
    """Raises ``WrongUsage`` for inks named beside a whole mix."""
    if inks and mix:
        raise WrongUsage(
            "both `mix` and `inks` are given",
            "a mix names its inks already",
            "leave `inks` out; or leave `mix` out if you are not sure of the amounts",
        )


def check_tolerance(tolerance: float) -> None:
    """Raises ``WrongUsage`` for a tolerance that makes no sense."""
    if not 0 < tolerance <= LOOSEST_TOLERANCE_DE00:  # also refuses nan
        raise WrongUsage(
            f"`tolerance` is {tolerance:g}, and must lie above 0 and not above "
            f"{LOOSEST_TOLERANCE_DE00:g}",
            "it is the largest Delta E 2000 that still counts as a match",
            "2 is usual, 1 is strict, 3.5 is loose",
        )


def check_batch_grams(grams: float | None, weighed_out: str = "ink") -> None:
    """Raises ``WrongUsage`` for a weight that makes no sense."""
    if grams is not None and not (grams > 0 and math.isfinite(grams)):
        raise WrongUsage(
            f"`batch_grams` is {grams:g}, and must be above 0",
            f"the {weighed_out} to add is weighed out against it",
            "weigh the batch on the slab, or in its tin minus the tin",
        )


def _check_scale_step(step: float | None, grams: float | None) -> None:
    if step is None:
        return
    from drawdown.studio.scale import check_step

    check_step(step)
    if grams is not None and step > grams:
        raise WrongUsage(
            f"`scale_step` is {step:g} g, more than the batch weighs ({grams:g} g)",
            "no ink could be weighed out for it on such a scale",
            "give the smallest step the scale shows, in grams, such as 0.1",
        )


def check_strips(strips: Collection[str], parameter: str = "strips") -> tuple[str, ...]:
    """Places by hand in one spelling; raises ``WrongUsage`` for what is no place."""
    for text in strips:
        sides = re.split(r",|mm|px", text)[2:4] if _PLACE.fullmatch(text) else ()
        if not sides or any(float(side) <= 0 for side in sides):
            raise WrongUsage(
                f"`{parameter}` {text} is not x,y,width,height",
                "these four numbers place a strip by hand",
                f"write for example `{parameter}` 10,-60,20,50 (mm from the card's upper left "
                "corner; x to the right, y down, so what lies above the card is negative) or "
                f"`{parameter}` 300,200,240,600px (pixels of the photo)",
            )
    return tuple("".join(text.split()).removesuffix("mm") for text in strips)


def refuse_too_few(strips: Collection[str], *numbers: int) -> None:
    """Raise ``WrongUsage`` when fewer strips are placed than the highest of these numbers."""
    if strips and len(strips) < max(numbers):
        raise WrongUsage(
            f"`strips` was given {len(strips)} time{'s' if len(strips) > 1 else ''}, and strip "
            f"{max(numbers)} is to be compared",
            "when strips are placed by hand, no others are looked for",
            "give `strips` once for each, in order: the first is strip 1",
        )


def _check_wet(roles: Collection[str]) -> frozenset[str]:
    found = {role.strip().lower(): role for role in roles}
    for known, given in found.items():
        if known not in ("batch", "original"):
            raise WrongUsage(
                f'`wet` "{given}" is neither batch nor original',
                "it says which of the two strips is still wet",
                "write `wet` batch, or `wet` original, or both",
            )
    return frozenset(found)


def check_corners(points: Corners) -> None:
    """Whether four points, in px, can be the corners of a card, named in turn; raises
    ``WrongUsage``. Whether they lie in the photo is seen when it is open; whether they begin at
    the right corner, by the colours of the patches."""
    if len(points) != 4:
        count = "one point" if len(points) == 1 else f"{len(points)} points"
        raise WrongUsage(
            f"`card_corners` names {count} instead of four", CORNERS_WHY, CORNERS_EXAMPLE
        )
    sides = [math.dist(points[k], points[k - 1]) for k in range(4)]
    if min(sides) < LEAST_SIDE_PX:
        raise WrongUsage(
            f"`card_corners` names corners only {min(sides):.0f} pixels apart",
            "colour patches so small cannot be read",
            "give the corners of the whole card, in pixels of the photo at its full size",
        )
    turns = [_turn(points[k - 2], points[k - 1], points[k]) for k in range(4)]
    if not (all(t > 0 for t in turns) or all(t < 0 for t in turns)):
        raise WrongUsage(
            "`card_corners` names points whose connecting lines cross or bend inwards",
            "a flat card has four corners that all point outwards",
            f"name them in the order in which they follow around the card; {CORNERS_EXAMPLE}",
        )
    # Sine of the least bend: three points in one line make no card.
    if min(abs(t) / (sides[k] * sides[k - 1]) for k, t in enumerate(turns)) < 0.05:
        raise WrongUsage(
            "`card_corners` names three corners in one line",
            "a card seen so flat, or a corner named wrongly, shows no patches",
            CORNERS_EXAMPLE,
        )


def _turn(a: tuple[float, float], b: tuple[float, float], c: tuple[float, float]) -> float:
    """Twice the area of the triangle, positive for a turn to the right (y down)."""
    return (b[0] - a[0]) * (c[1] - b[1]) - (b[1] - a[1]) * (c[0] - b[0])


def which_strips(original: int | None, batch: int | None, apart: bool) -> WhichStrips:
    """What was given, completed: 1 against 2, or 1 against 1 when the strips are in two
    photos (``apart``). Raises ``WrongUsage`` for one strip named twice."""
    if apart:
        return WhichStrips(1 if original is None else original, 1 if batch is None else batch)
    if original is not None and original == batch:
        raise WrongUsage(
            f"strip {original} was named as original and as batch",
            _SELF,
            "name two different strips",
        )
    if batch is None and original == 2:
        return WhichStrips(2, 1, "batch")
    if original is None and batch == 1:
        return WhichStrips(2, 1, "original")
    return WhichStrips(1 if original is None else original, 2 if batch is None else batch)


def refuse_assumed(assumed: str | None, count: int) -> None:
    """Raise ``WrongUsage`` when "the other strip" is one of several (``count`` were found)."""
    if assumed is None or count < 3:
        return
    given = "original" if assumed == "batch" else "batch"
    raise WrongUsage(
        f"only the strip of the {given} was named, and there are {count} strips",
        f"only with two strips is the other one sure to be the {assumed}",
        "name both, the original first",
    )


def same_photo(one: Path | Photo, other: Path | Photo) -> bool:
    """Whether two names lead to one file, or to two copies of it; of opened photos, whether they
    are one."""
    if not (isinstance(one, Path) and isinstance(other, Path)):
        return one is other
    try:
        return one.samefile(other) or filecmp.cmp(one, other, shallow=False)
    except (OSError, ValueError):  # opening them will say what is wrong
        return False


def refuse_itself(photo: Path | Photo, original_photo: Path | Photo, which: WhichStrips) -> None:
    """Raise ``WrongUsage`` when both photos are the same and so are the strips."""
    if which.original == which.batch and same_photo(photo, original_photo):
        raise WrongUsage(
            f"one photo was given as that of the original and that of the batch, with strip "
            f"{which.batch} as both",
            _SELF,
            "give the photo that shows the kept original; or, if this one shows both strips, "
            "give it once",
        )


def refuse_with_several(options: Options) -> None:
    """Raise ``WrongUsage`` for what speaks of one photo where several are given."""
    said = {
        "original_photo": options.original_photo is not None,
        "strips": bool(options.strips),
        "kept": options.kept is not None and bool(options.kept.apart),
    }
    for name in (name for name, given in said.items() if given):
        raise WrongUsage(
            f"`{name}` was given with several photos",
            "several photos are one reading only where each shows both strips",
            f"leave `{name}` out, or give one photo",
        )
