"""Which remarks are made about a photo, its strips and their comparison, each once and the hard
ones first; their words are those of the flags themselves."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING

from calibration.errors import sentence
from calibration.flags import Flag
from drawdown.wording.figures import UNCERTAINTY, UNCERTAINTY_READ

if TYPE_CHECKING:
    from drawdown.pipeline.read import Judgement
    from drawdown.reading.colour import Colour, StripReading


def general_flags(judgement: Judgement) -> list[Flag]:
    """Remarks about the photo, the card, the comparison and the advice."""
    found: list[Flag] = [
        *judgement.flags,
        *(judgement.photo.flags if judgement.photo else ()),
        *(judgement.view.flags if judgement.view else ()),
        *(judgement.correction.flags if judgement.correction else ()),
        *(judgement.comparison.flags if judgement.comparison else ()),
        *(judgement.advice.flags if judgement.advice else ()),
    ]
    on_strips = {flag for strip in judgement.strips for flag in strip_flags(strip)}
    return once(flag for flag in found if flag not in on_strips)


def meaning(judgement: Judgement) -> str:
    """What the uncertainties hold."""
    return UNCERTAINTY if judgement.table is None else UNCERTAINTY_READ


def strip_flags(colour: Colour) -> list[Flag]:
    """Remarks about one colour: how its strip lies and how it reads."""
    strip = getattr(colour, "strip", None)  # none out of the book
    return once((*(strip.flags if strip else ()), *colour.flags))


def once(flags: Iterable[Flag]) -> list[Flag]:
    """Each remark once, hard ones first."""
    return sorted(dict.fromkeys(flags), key=lambda flag: not flag.hard)


def remarks_on(
    judgement: Judgement, flags_of: Callable[[StripReading], Iterable[Flag]] | None = None
) -> list[tuple[Flag, str]]:
    """Each flag, and in words which strip it is of ("" for the whole photo)."""
    found = [(flag, "") for flag in general_flags(judgement)]
    for strip in judgement.strips:
        flags = (flags_of or strip_flags)(strip)
        found += [(flag, f"Strip {strip.number}: ") for flag in flags]
    return found


def compared(judgement: Judgement) -> tuple[tuple[str, Colour], ...]:
    """The original and the batch, with their role and place in words."""
    c, kept, earlier = judgement.comparison, judgement.kept, judgement.earlier
    if c is None:
        return ()
    pair: list[tuple[str, Colour]] = []
    shown = [("original", c.original, earlier or judgement), ("batch", c.batch, judgement)]
    if kept is not None and kept.apart:
        pair.append((f'original ("{kept.name}" in the book)', kept.colour))
        shown = shown[1:]
    for role, number, where in shown:
        place = "" if where is judgement else f" of {where.path.rpartition('/')[2]}"
        name = f"{role} (strip {number}{place})"
        for strip in (s for s in where.strips if s.number == number):
            if where.table is not None:
                name = role if strip.name.casefold() == role else f"{role} ({strip.name})"
            pair.append((name, strip))
    return tuple(pair)


def concerned(judgement: Judgement) -> tuple[Colour, ...]:
    """The colours that the answer rests on: the two compared, or all strips."""
    if judgement.comparison is None:
        return judgement.strips
    return tuple(colour for _, colour in compared(judgement))


def remarks(judgement: Judgement, *, hard: bool, brief: bool = False) -> list[str]:
    """The remarks on all that the answer rests on: those that forbid a verdict, or the others; what
    several strips share once. ``brief``: without the reasons."""
    on_strips = [
        (getattr(colour, "number", None), flag)  # no number: out of the book
        for colour in concerned(judgement)
        for flag in strip_flags(colour)
    ]
    found = [("", flag) for flag in general_flags(judgement)] + shared(on_strips)
    return [
        whose + (sentence(flag.brief) if brief else flag.text)
        for whose, flag in found
        if flag.hard is hard
    ]


def shared(on_strips: Iterable[tuple[int | None, Flag]]) -> list[tuple[str, Flag]]:
    """Remarks on strips by their numbers (None: the original out of the book), each kind once with
    whose it is, in words."""
    by_code: dict[str, tuple[Flag, dict[int | None, None]]] = {}
    for number, flag in on_strips:
        by_code.setdefault(flag.code, (flag, {}))[1][number] = None
    return [(f"{_whose(list(numbers))}: ", flag) for flag, numbers in by_code.values()]


def _whose(numbers: list[int | None]) -> str:
    if None in numbers:
        return " and ".join("Original" if n is None else f"strip {n}" for n in numbers)
    return f"Strip{'s' * (len(numbers) > 1)} {' and '.join(map(str, numbers))}"
