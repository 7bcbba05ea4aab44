"""Strips as an instrument read them: rows of a table as colours with what is known of their error.

A row's name says what was read: a strip's own name, `paper` or `black` for a bare ground, a
strip's name and `over black` (or `over bar`) for the same film there, a strip's name and `thicker`
or `thinner` for another place of its pull. Rows of one name are one reading.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.colour.difference import delta_e_2000, local_metric
from calibration.colour.samples import Sample, Samples
from calibration.colour.spaces import lab_to_xyz
from calibration.errors import BadFile
from calibration.uncertainty.intervals import CHI2_95, K95
from calibration.uncertainty.streams import stream
from drawdown import flags as fl
from drawdown.reading.budget import INSTRUMENT_U95, PLACED_SD, evenness_u95
from drawdown.reading.colour import MEMBERS, Colour
from drawdown.reading.over_bar import OverBar

_GROUNDS = {"paper": "paper", "black": "black", "bar": "black"}
_PLACE = re.compile(r"(.*?)[\s,:-]*\b(over black|over bar|over paper|thinner|thicker)\s*", re.I)


@dataclass(frozen=True, eq=False, repr=False, kw_only=True)
class InstrumentReading(Colour):
    """The colour of one strip in a table of readings: its ``number``, counted in the table's order
    without the bare grounds, and its ``name``. ``trail_lab_d50`` (k, 3) are readings of the same
    strip where it is thicker or thinner; ``over_bar`` the same film over paper and over black."""

    number: int
    name: str
    trail_lab_d50: np.ndarray
    over_bar: OverBar | None = None

    def __repr__(self) -> str:
        return f"{super().__repr__()[:-1]}, {self.name}>"


@dataclass(frozen=True, eq=False)
class InstrumentTable:
    """What a table of readings holds: the ``strips``, the bare ``paper`` and ``black`` if they were
    read, for which light and observer its values hold, what the instrument may be off, and remarks
    on the whole."""

    path: str
    illuminant: str
    observer: int
    u95_de00: float
    strips: tuple[InstrumentReading, ...]
    paper: Colour | None
    black: Colour | None
    flags: tuple[fl.Flag, ...]


def strips_of(samples: Samples, u95_de00: float | None = None) -> InstrumentTable:
    """The strips in a table; ``u95_de00`` is what the instrument may be off, Delta E 2000 (95 %).
    Raises ``BadFile`` for a table without a strip."""
    off = INSTRUMENT_U95 if u95_de00 is None else u95_de00
    rows: dict[tuple[str, str], list[Sample]] = {}
    for row in samples.rows:
        rows.setdefault(_what(row.name), []).append(row)
    sd = float(np.hypot(off / np.sqrt(CHI2_95[3]), samples.converted_sd_de))
    flags = (fl.BY_INSTRUMENT(f"{off:g}"),)
    read = {
        what: _colour(some, sd, number, flags) for number, (what, some) in enumerate(rows.items())
    }
    paper, black = (read.get(("", ground)) for ground in ("paper", "black"))
    names = list(dict.fromkeys(name for name, place in read if place not in ("paper", "black")))
    if not any((name, "") in read for name in names):
        raise BadFile(
            f"{samples.path} holds no reading of a strip over paper",
            "strips are compared by their colours",
            "write one row for each strip, named as you call it, and `paper` for the bare paper",
        )
    strips = []
    for number, name in enumerate((n for n in names if (n, "") in read), start=1):
        trail = [s.lab_d50 for w in ("thicker", "", "thinner") for s in rows.get((name, w), ())]
        own, on_black = read[name, ""], read.get((name, "over black"))
        whole = None
        if on_black is not None and paper is not None and black is not None:
            whole = _over_bar(number, (own, on_black, paper, black))
        strips.append(
            InstrumentReading(
                number=number, name=name, over_bar=whole,
                trail_lab_d50=np.array(trail if len(trail) > len(rows[name, ""]) else []
                                       ).reshape(-1, 3), **vars(own),
            )
        )  # fmt: skip
    remarks: tuple[fl.Flag, ...] = () if samples.stated else (fl.LIGHT_ASSUMED(),)
    if samples.converted_sd_de:
        said = f"{samples.illuminant} and {samples.observer} degrees"
        remarks += (fl.LIGHT_CONVERTED(said),)
    light = samples.illuminant, samples.observer
    return InstrumentTable(samples.path, *light, off, tuple(strips), paper, black, remarks)


def _what(name: str) -> tuple[str, str]:
    """A row's strip ("" for a bare ground) and place ("" over paper)."""
    plain = " ".join(name.replace("_", " ").split())
    if (ground := _GROUNDS.get(plain.casefold())) is not None:
        return "", ground
    found = _PLACE.fullmatch(plain)
    if found is None:
        return plain, ""
    place = found[2].lower().replace("over bar", "over black").replace("over paper", "")
    return found[1] or "strip", place


def _colour(rows: Sequence[Sample], sd: float, number: int, flags: tuple[fl.Flag, ...]) -> Colour:
    """The mean of the readings at one place; ``sd`` is what they may be off together, Delta E per
    axis."""
    labs = np.array([row.lab_d50 for row in rows])
    lab, n = labs.mean(axis=0), len(labs)
    to_lab = np.linalg.inv(local_metric(lab))
    evenness = half = None
    own = PLACED_SD
    if n > 1:
        evenness = float(np.sqrt((delta_e_2000(lab, labs) ** 2).sum() / (n - 1)))
        half = evenness_u95(evenness, 3 * n)
        own = float(np.hypot(PLACED_SD, evenness / np.sqrt(3)) / np.sqrt(n))
    normal = stream("an instrument's readings", number).standard_normal((MEMBERS, 3))
    samples = lab + own * normal @ to_lab.T
    u95 = K95 * np.hypot(sd, own) * np.linalg.norm(to_lab, axis=1)
    spectra = [row.spectrum for row in rows if row.spectrum is not None]
    return Colour(
        lab_d50=lab, lab_samples=samples, lab_u95=u95, light_sd=0.0, evenness_de00=evenness,
        evenness_u95=half, flags=flags,
        spectrum=np.mean(spectra, axis=0) if len(spectra) == n else None,
    )  # fmt: skip


def _over_bar(number: int, four: tuple[Colour, Colour, Colour, Colour]) -> OverBar:
    """The same film over paper and over black, and both grounds."""
    xyz = lab_to_xyz(np.stack([colour.members() for colour in four], axis=1))
    return OverBar(number, *four, xyz, 0.0, 0.0, ())
