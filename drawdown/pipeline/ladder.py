"""What each strip of a ladder is, as typed, and its readings from a photo."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from calibration.errors import PhotoUnfit, WrongUsage
from calibration.uncertainty.intervals import common_sd
from drawdown.ink.ladder_model import GroundSpectra, Rung
from drawdown.pipeline.opacity import over_bar_of
from drawdown.pipeline.read import Judgement, numbered
from drawdown.reading.budget import card_sd
from drawdown.reading.colour import StripReading
from drawdown.reading.over_bar import OverBar
from drawdown.reading.strip import measure
from drawdown.strips.find import strips_by_hand

_FORM = re.compile(
    r"\s*(\d+|[^=]*,[^=]*)\s*=\s*([A-Za-z-]+)\s*(?::\s*([0-9.]+)\s*(?:\+\s*([0-9.]+)\s*)?)?"
)
WORDS = {
    "alone": "the ink as it comes, on bare paper",
    "bar": "the ink as it comes, pulled right across the black bar",
    "white": "the ink in white: white:10 for 10 parts in 100 of the mixture, or white:1.5+13.5 "
    "for 1.5 g of ink and 13.5 g of white",
    "base": "the ink in transparent base, written like white",
    "bare-base": "transparent base without ink",
}
_HOW = (
    "write N=WHAT with the strip's number and what it is, for example `steps` 1=alone "
    "`steps` 2=bar `steps` 3=white:10 `steps` 4=base:20 `steps` 5=bare-base"
)
# How alike the card's error is for two colours: over so many units of Lab it fades.
ALIKE_LAB = 40.0
# So many times less sure is a colour beyond the card's, and one with a channel at the end of
# the photo's range (tests/benchmarks/ladder_photo.py --readings).
LESS_SURE = {"beyond-card": 3.0, "too-vivid": 3.0}
READING_FLOOR = 0.15  # Lab: what no ensemble knows of


@dataclass(frozen=True)
class Step:
    """One strip of a ladder: its number in the photo, ``what`` (a key of ``WORDS``) and the
    ``parts`` by weight of the ink itself, white and base, of sum 1. A strip that the search
    does not find, as bare base often, has a ``place`` by hand, and number 0 until it is read.
    """

    number: int
    what: str
    parts: tuple[float, float, float]
    place: str = ""


def read_step(text: str) -> Step:
    """``"3=white:10"`` as a ``Step``; raises ``WrongUsage``."""
    found = _FORM.fullmatch(text)
    if found is None or found[2].lower() not in WORDS:
        raise _wrong(text, "is not a strip's number and what it is")
    place = found[1] if "," in found[1] else ""
    number, what = 0 if place else int(found[1]), found[2].lower()
    if number < 1 and not place:
        raise _wrong(text, "has no strip's number: they count from 1")
    if what in ("white", "base"):
        share = _share(text, found[3], found[4])
        rest = 1 - share
        parts = (share, rest, 0.0) if what == "white" else (share, 0.0, rest)
        return Step(number, what, parts, place)
    if found[3] is not None:
        raise _wrong(text, f"gives a number with {what}, which is pulled unmixed")
    parts = (0.0, 0.0, 1.0) if what == "bare-base" else (1.0, 0.0, 0.0)
    return Step(number, what, parts, place)


def _share(text: str, first: str | None, second: str | None) -> float:
    try:
        ink = float(first or "")
        other = 100 - ink if second is None else float(second)
    except ValueError:
        raise _wrong(text, "does not say how much ink is in the mixture") from None
    if not (ink > 0 and other > 0 and math.isfinite(ink + other)):
        raise _wrong(text, "leaves no ink, or nothing but ink")
    return ink / (ink + other)


def _wrong(text: str, what: str) -> WrongUsage:
    return WrongUsage(f'`steps` "{text}" {what}', "the fit must know what each strip is", _HOW)


def read_steps(texts: Sequence[str], kind: str) -> tuple[Step, ...]:
    """All ``--step`` of a ladder for an ink of this kind; raises ``WrongUsage``."""
    steps = tuple(read_step(text) for text in texts)
    numbers = [s.number for s in steps if not s.place]
    twice = next((n for n in numbers if numbers.count(n) > 1), None)
    if twice is not None:
        raise WrongUsage(
            f"strip {twice} is named by two `steps`", "a strip is one thing only", _HOW
        )
    if not any(s.parts[0] > 0 for s in steps):
        raise WrongUsage(
            "no `steps` says which strips hold the ink" if not steps else "no step holds the ink",
            "an ink is fitted from strips that were pulled with it",
            _HOW,
        )
    if kind in ("white", "base"):
        clash = [s for s in steps if s.what == kind or (kind == "base" and s.what == "bare-base")]
        if clash:
            word = "alone" if clash[0].what == "bare-base" else clash[0].what
            raise WrongUsage(
                f"a {kind} cannot be fitted from itself in {kind}",
                "the mixture would be the same ink",
                f"call a strip of the {kind} itself alone, as in `steps` {clash[0].number}=alone"
                if word == "alone"
                else "leave that strip out, or give `kind` colour",
            )
    return steps


@dataclass(frozen=True, eq=False)
class Readings:
    """A ladder as read off a photo: its ``steps``, all numbered; ``rungs`` with their
    ``covariance`` (3n, 3n) of Lab D50, the bare grounds, and whether the card's colours are
    only as drawn. ``bare`` are the grounds' spectra, where every reading has one."""

    steps: tuple[Step, ...]
    rungs: tuple[Rung, ...]
    covariance: np.ndarray
    paper_lab: np.ndarray
    bar_lab: np.ndarray | None
    nominal: bool
    bare: GroundSpectra | None = None


def read_ladder(seen: Judgement, steps: Sequence[Step]) -> Readings:
    """The readings of a photo's strips for these steps, over paper and, where a strip crosses
    a black bar, over that too.

    Raises ``WrongUsage`` for a strip that is not there or crosses no bar, and ``PhotoUnfit``
    for one that cannot be used.
    """
    found = len(seen.strips)
    seen, steps = _placed(seen, steps)
    rungs, samples, common, less_sure, pairs = [], [], [], [], []
    for step in steps:
        strip = _strip_of(step, seen, found)
        over = _over_bar(step, strip, seen)
        colours = [("paper", strip if over is None else over.ink_on_paper)]
        if over is not None:
            colours.append(("bar", over.ink_on_bar))
            pairs.append(over)
        far = max([LESS_SURE.get(f.code, 1.0) for f in strip.flags], default=1.0)
        for ground, colour in colours:
            rungs.append(Rung(step.parts, step.number, ground, colour.lab_d50, colour.spectrum))
            samples.append(colour.lab_samples)
            common.append(common_sd(colour.widest_u95, colour.members()))
            less_sure.append(far)
    labs = np.array([r.lab_d50 for r in rungs])
    nominal = seen.nominal
    covariance = np.cov(np.hstack(samples), rowvar=False)
    covariance += READING_FLOOR**2 * np.eye(len(covariance))
    sds = card_sd(labs, nominal=nominal) if seen.table is None else np.array(common)
    covariance += card_covariance(labs, sds, np.array(less_sure))
    bar = np.median([over.bar.lab_d50 for over in pairs], axis=0) if pairs else None
    paper, bare = _bare_paper(seen, pairs), _bare_spectra(seen, rungs)
    return Readings(steps, tuple(rungs), covariance, paper, bar, nominal, bare)


def _strip_of(step: Step, seen: Judgement, found: int) -> StripReading:
    """The reading of a step's strip; ``found`` strips were seen without being placed by hand."""
    strip = next((s for s in seen.strips if s.number == step.number), None)
    if strip is None and seen.table is not None:
        raise WrongUsage(
            f"there is no strip {step.number}: {found} are in {seen.path}", numbered(seen),
            "count the strips without the bare grounds and without what lies over black",
        )  # fmt: skip
    if strip is None:
        raise WrongUsage(
            f"there is no strip {step.number}: {found} were found in the photo",
            "strips are numbered from left to right with the card upright, row by row; a "
            "strip of bare base may be too pale to be found",
            f"see which is which with: drawdown read {seen.photo.path}; a strip's place "
            "can stand for its number: `steps` X,Y,W,H=bare-base, in mm from the card's "
            "upper left corner",
        )
    hard = next((flag for flag in strip.flags if flag.hard), None)
    if hard is not None:
        raise hard.unfit(f"strip {step.number}: ")
    return strip


def _over_bar(step: Step, strip: StripReading, seen: Judgement) -> OverBar | None:
    over = over_bar_of(seen, strip)
    if over is None and step.what == "bar":
        raise WrongUsage(
            f"strip {step.number} is said to cross the black bar, and no bar is seen under it",
            "how an ink covers is read where it lies on black, with some bare black beside it",
            f"pull it right across the bar of the test sheet (`write_sheet`), or write "
            f"`steps` {step.number}=alone"
            if seen.table is None
            else f'read it over black too, and name that row "{strip.name} over black"',
        )
    return over


def _bare_paper(seen: Judgement, pairs: Sequence[OverBar]) -> np.ndarray:
    if pairs:
        return np.asarray(np.median([over.paper.lab_d50 for over in pairs], axis=0))
    if seen.paper_lab_d50 is None and seen.table is not None:
        raise WrongUsage(
            f'{seen.path} has no row called "paper"',
            "an ink is known by how it changes the paper",
            "read the bare paper too",
        )
    if seen.paper_lab_d50 is None:
        raise PhotoUnfit(
            "no bare paper shows beside the strips",
            "an ink is known by how it changes the paper",
            "leave bare paper around the strips, and shoot again",
        )
    return seen.paper_lab_d50


def _bare_spectra(seen: Judgement, rungs: Sequence[Rung]) -> GroundSpectra | None:
    if seen.table is None or any(rung.spectrum is None for rung in rungs):
        return None
    paper, black = seen.table.paper, seen.table.black
    if paper is None or paper.spectrum is None:
        return None
    return GroundSpectra(paper.spectrum, None if black is None else black.spectrum)


def card_covariance(labs: np.ndarray, sds: np.ndarray, less_sure: np.ndarray) -> np.ndarray:
    """(3n, 3n) what card and camera leave open in colours (n, 3): their standard
    uncertainties (n, 3), times ``less_sure`` (n,). Like colours share the error."""
    sd = less_sure[:, None] * sds
    apart = np.linalg.norm(labs[:, None] - labs[None], axis=-1)
    alike = np.exp(-0.5 * (apart / ALIKE_LAB) ** 2)
    full = np.einsum("ia,ja,ij,ab->iajb", sd, sd, alike, np.eye(3))
    return full.reshape(3 * len(labs), 3 * len(labs))


def _placed(seen: Judgement, steps: Sequence[Step]) -> tuple[Judgement, tuple[Step, ...]]:
    """The steps with a number each; strips placed by hand are measured and join the others."""
    out, strips = [], list(seen.strips)
    for step in steps:
        if step.place and seen.table is not None:
            raise WrongUsage(
                f"`steps` {step.place} is a place", "the strips come from a table, not a photo",
                "give the strip's number in the table",
            )  # fmt: skip
        if step.place:
            step = replace(step, number=max((s.number for s in strips), default=0) + 1)
            (strip,) = strips_by_hand(seen.sheet, seen.view, [step.place], parameter="steps")
            strips.append(measure(
                replace(strip, number=step.number), seen.sheet, seen.correction, seen.view.card,
                jpeg_quality=seen.photo.jpeg_quality,
            ))  # fmt: skip
        out.append(step)
    return replace(seen, strips=tuple(strips)), tuple(out)
