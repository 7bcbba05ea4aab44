"""What the Python interface hands over: small records that pickle, print in a line, and show their
swatches in a notebook."""

from __future__ import annotations

import copy
import html
import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from calibration.colour.spaces import lab_to_xyz, xyz_d50_to_srgb
from calibration.signs import visible

if TYPE_CHECKING:
    from calibration.flags import Flag
    from drawdown.matching.advise import Advice
    from drawdown.matching.compare import Comparison
    from drawdown.pipeline.read import Judgement
    from drawdown.pipeline.rough import RoughLook
    from drawdown.reading.by_paper import ByPaper
    from drawdown.reading.colour import Colour, StripReading
    from drawdown.reading.instrument import InstrumentReading


@dataclass(frozen=True, eq=False, repr=False)
class Reading:
    """The strips of one photo.

    Attributes
    ----------
    photo : str
        The path or name of the photo, or of the table of readings.
    card : str
        Name of the reference card that was found; empty for a table, and for a rough look without
        a card.
    held_out_de00 : float
        Median CIEDE2000 by which patches of the card are missed that took no part in the fit; NaN
        without a card.
    strips : tuple of StripReading, of InstrumentReading, or of ByPaper without a card
        From left to right with the card upright, or as the table lists them; each is a colour with
        its uncertainty.
    flags : tuple of Flag
        Every remark about photo, card and strips, those that forbid a verdict first.
    """

    photo: str
    card: str
    held_out_de00: float
    strips: tuple[StripReading | InstrumentReading, ...] | tuple[ByPaper, ...]
    flags: tuple[Flag, ...]
    _document: dict[str, Any]

    def to_dict(self) -> dict[str, Any]:
        """What ``--json`` prints, as plain data (schema: drawdown/report/json/README.md)."""
        return copy.deepcopy(self._document)

    def __repr__(self) -> str:
        count = len(self.strips)
        return f"<{type(self).__name__} {self.photo}: {count} strip{'s' * (count != 1)}>"

    def _repr_html_(self) -> str:
        return _swatches((f"strip {s.number}", s) for s in self.strips)


@dataclass(frozen=True, eq=False, repr=False)
class Match(Reading):
    """Original against batch, and what to add.

    Attributes
    ----------
    comparison : Comparison
        The difference, batch minus original, with its interval and the verdict.
    advice : Advice or None
        What to add; None when nothing can be said.
    """

    comparison: Comparison
    advice: Advice | None

    @property
    def verdict(self) -> str | None:
        """ "match", "no match", "too close to call"; None when a remark forbids a verdict."""
        return self.comparison.verdict

    @property
    def de00(self) -> float:
        """Best estimate of CIEDE2000 between the two strips."""
        return self.comparison.de00

    @property
    def de00_interval(self) -> tuple[float, float]:
        """Its 95 % interval."""
        return self.comparison.de00_low95, self.comparison.de00_high95

    def __repr__(self) -> str:
        low, high = self.de00_interval
        return (
            f"<Match {self.photo}: {self.verdict or 'no verdict'}, "
            f"Delta E {self.de00:.2f} [{low:.2f} {high:.2f}]>"
        )

    def _repr_html_(self) -> str:
        return f"<p>{html.escape(visible(repr(self)[7:-1]))}</p>{super()._repr_html_()}"


def reading_of(judgement: Judgement) -> Reading:
    from drawdown.report.json.match import read_data

    return Reading(**_common(judgement), _document=read_data(judgement))


def match_of(judgement: Judgement) -> Match:
    from drawdown.report.json.match import match_data

    assert judgement.comparison is not None
    return Match(
        **_common(judgement),
        _document=match_data(judgement),
        comparison=judgement.comparison,
        advice=judgement.advice,
    )


def rough_match_of(look: RoughLook) -> Match:
    from drawdown.report.json.match import rough_data

    return Match(
        photo=str(look.photo.path),
        card="",
        held_out_de00=math.nan,
        strips=look.strips,
        flags=look.flags,
        _document=rough_data(look),
        comparison=look.comparison,
        advice=None,
    )


def _common(judgement: Judgement) -> dict[str, Any]:
    patches = judgement.correction
    return {
        "photo": judgement.path,
        "card": "" if judgement.view is None else judgement.view.card.name,
        "held_out_de00": math.nan if patches is None else float(patches.held_out_median),
        "strips": judgement.strips,
        "flags": judgement.all_flags,
    }


def _swatches(strips: Iterable[tuple[str, Colour]]) -> str:
    """Fields of colour on neutral grey, as HTML."""
    cells = []
    for name, strip in strips:
        red, green, blue = (
            round(255 * float(v)) for v in xyz_d50_to_srgb(lab_to_xyz(strip.lab_d50))
        )
        lab = ", ".join(f"{value:.1f}" for value in strip.lab_d50)
        cells.append(
            f'<td style="padding:0 1em 1em 0"><div style="width:6em;height:4em;background:'
            f'rgb({red},{green},{blue})"></div>{html.escape(visible(name))}<br>L*a*b* {lab}</td>'
        )
    return f'<table style="background:#777;color:#fff"><tr>{"".join(cells)}</tr></table>'
