"""What the short answer says of its own limits: the one doubt that matters most, how well a single
colour is known, and how to swap original and batch."""

from __future__ import annotations

from typing import TYPE_CHECKING

from calibration.flags import HDR_GAIN_MAP, NO_PROFILE, NOMINAL_CARD
from calibration.naming import named
from drawdown import flags as fl
from drawdown.wording import figures
from drawdown.wording.advice import asks_for_inks, guessed_mix, went_in
from drawdown.wording.flags import concerned, general_flags, strip_flags

if TYPE_CHECKING:
    from drawdown.pipeline.read import Judgement
    from drawdown.reading.colour import Colour

# Remarks that say little of this answer, or that another line already says.
_QUIET = (NOMINAL_CARD, NO_PROFILE, HDR_GAIN_MAP, fl.STRIP_BY_HAND, fl.FILM_DIFFERS,
          fl.BY_INSTRUMENT)  # fmt: skip


def _nominal(judgement: Judgement) -> bool:
    return any(flag.kind == NOMINAL_CARD for flag in general_flags(judgement))


def well_known(judgement: Judgement, colour: Colour) -> bool:
    """Whether a single colour may be shown as a reading."""
    return figures.well_known(colour.lab_u95, _nominal(judgement))


def how_known(judgement: Judgement) -> str:
    """Why no single colour is shown."""
    return f"L*a*b* {figures.not_known(_nominal(judgement))}"


def doubt(judgement: Judgement) -> str:
    """The one that matters most, and what to do about it; empty where there is none."""
    advice = judgement.advice
    found = [*general_flags(judgement), *(f for s in concerned(judgement) for f in strip_flags(s))]
    soft = [flag for flag in found if not flag.hard and flag.kind not in _QUIET]
    loud = [flag for flag in soft if flag.kind != fl.STAND_IN_INKS]
    loud.sort(key=lambda flag: flag.kind != fl.PAIR_CHOSEN)  # the wrong two make all wrong
    if loud:
        return f"Doubt: {loud[0].brief}"
    if advice is not None and asks_for_inks(advice):
        return f"Doubt: {guessed_mix(advice)}"
    if advice is not None and advice.additions and advice.basis.surprising:
        return f"Doubt: such a difference does not come from these inks. {went_in(advice.basis)}"
    return f"Doubt: {soft[0].brief}" if soft else ""


def other_way_round(judgement: Judgement) -> str:
    """Which two were compared where there were more, and how to swap them where they may be the
    wrong way round: two strips of one photo, in the order in which they lie."""
    c, seen = judgement.comparison, len(judgement.strips)
    if (
        c is None
        or c.verdict is None
        or judgement.earlier is not None
        or judgement.kept is not None
    ):
        return ""
    chosen = any(flag.kind == fl.PAIR_CHOSEN for flag in general_flags(judgement))  # says so
    several = seen > 2 and not chosen
    said = f"Compared: strips {c.original} and {c.batch} of {seen}. " if several else ""
    if c.verdict != "match" and (c.original or 0) < (c.batch or 0):
        said += f"Swapped? `strips`\u00a0{c.batch}\u00a0`strips`\u00a0{c.original}."
    return named(said)
