"""Samples as an instrument measured them, out of a table: each with its name, CIELAB for D50 and 2
degrees, and its spectrum where there is one.

Lab and XYZ for another light or observer are led over to D50 and 2 degrees by Bradford's step
(ICC.1:2022, Annex E); what that leaves open is known (``CONVERTED_SD_DE``). Spectra need no such
step.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from calibration.colour.spaces import WHITE_D50, WHITE_D65, adaptation, lab_to_xyz, xyz_to_lab
from calibration.colour.spectra import XYZ_D50_WEIGHTS
from calibration.colour.tables import LAB, XYZ, Table, read_tables, wavelength
from calibration.errors import BadFile

NAMES = ("SAMPLE_NAME", "SAMPLE_ID")
_WHY = "a colour is only known with the light and the observer that it was worked out for"
_NAME_IT = 'say it in the file, as in "# illuminant D65, observer 10", or export spectra'
# What a value led over to D50 and 2 degrees is off by, Delta E 2000 per axis: daylights and C;
# tungsten; any other lamp; and the 10 degree observer beside that. Root mean squares over 72
# pigment mixtures in white and 24 chart colours (BabelColor's, in colour-science).
CONVERTED_SD_DE = {"daylight": 0.5, "A": 1.5, "other": 2.7, "observer": 2.1}


@dataclass(frozen=True, eq=False)
class Sample:
    """One row of a table: Lab D50, 2 degree (3,), and reflectance 0..1 at 400, 410 .. 700 nm (31,)
    where it was measured as a spectrum."""

    name: str
    lab_d50: np.ndarray
    spectrum: np.ndarray | None = None


@dataclass(frozen=True, eq=False)
class Samples:
    """The rows of a table in order; for which light and observer its values hold, whether that is
    ``stated`` in the file, and what leading them over leaves open, Delta E per axis
    (``converted_sd_de``)."""

    path: str
    rows: tuple[Sample, ...]
    illuminant: str = "D50"
    observer: int = 2
    stated: bool = True
    converted_sd_de: float = 0.0


def read_samples(path: str | Path) -> Samples:
    """Every sample in a CGATS.17 or CSV table, or in a file of spectra (.spdx; .csv with a column
    of wavelengths). Raises ``BadFile``."""
    from calibration.colour.spectral_files import read_reflectances, reflectances_in

    where = str(path)
    if Path(path).suffix.lower() != ".spdx":
        tables = read_tables(path)
        for table in tables:
            if (spectra := reflectances_in(table, where)) is not None:
                return Samples(where, tuple(
                    Sample(name, xyz_to_lab(one @ XYZ_D50_WEIGHTS), one)
                    for name, one in zip(_names(table), spectra, strict=True)
                ))  # fmt: skip
        for table in tables:
            if any(set(values) <= set(table.columns) for values in (LAB, XYZ)):
                return _of_values(table, where)
        first = next(iter(tables[0].columns))
        if first not in ("NM", "WAVELENGTH") and wavelength(first) is None:
            raise BadFile(
                f"{path} has no columns L, a, b or X, Y, Z and no spectra (its columns: "
                f"{', '.join(tables[0].columns)[:200]})",
                "one row holds the colour of one strip",
                "write a heading line such as name,L,a,b or name,400,410 (and so on to 700)",
            )
    found = read_reflectances(Path(path))
    return Samples(where, tuple(
        Sample(name, xyz_to_lab(one @ XYZ_D50_WEIGHTS), one) for name, one in found.items()
    ))  # fmt: skip


def _names(table: Table) -> tuple[str, ...]:
    """What the rows are called: by name, by id, or by their number."""
    for column in NAMES:
        if any(table.columns.get(column, ())):
            return table.columns[column]
    return tuple(str(k + 1) for k in range(len(next(iter(table.columns.values())))))


def _of_values(table: Table, where: str) -> Samples:
    illuminant, observer = light_of(table, where)
    white = white_of(illuminant, observer, where)
    lab, names = labs_in(table, where, white), _names(table)
    for name, row in zip(names, lab, strict=True):
        if not (-1 <= row[0] <= 110 and np.abs(row).max() <= 200):
            told = ", ".join(f"{a}* {v:.1f}" for a, v in zip("Lab", row, strict=True))
            raise BadFile(f'"{name}" in {where} has {told}', "no surface has such a colour",
                          "check that line, and the order of the columns")  # fmt: skip
    sd = 0.0
    if (illuminant, observer) != ("D50", 2):
        lab = xyz_to_lab(lab_to_xyz(lab, white) @ adaptation(white, WHITE_D50).T)
        kind = "daylight" if illuminant in ("C", *_DAYLIGHTS) else illuminant
        sd = 0.0 if kind == "D50" else CONVERTED_SD_DE.get(kind, CONVERTED_SD_DE["other"])
        sd = float(np.hypot(sd, CONVERTED_SD_DE["observer"] * (observer == 10)))
    rows = tuple(Sample(name, row) for name, row in zip(names, lab, strict=True))
    stated = any(_ILLUMINANT.search(f"{n} {v}".upper()) for n, v in table.keywords)
    return Samples(where, rows, illuminant, observer, stated, sd)


def labs_in(table: Table, where: str | Path, white: np.ndarray = WHITE_D50) -> np.ndarray:
    """(n, 3) the table's Lab, or Lab of its XYZ, under their own ``white``. Raises ``BadFile`` for
    what is not a number, or stands on another scale."""
    if set(LAB) <= set(table.columns):
        lab = table.numbers(*LAB)
        if lab[:, 0].max() <= 1.5 and len(lab) > 1:
            raise BadFile(f"L* in {where} never goes beyond {lab[:, 0].max():g}",
                          "L* of white is 100, so these would all be black",
                          "write L*, a*, b* as CIELAB has them, not as fractions")  # fmt: skip
        return lab
    xyz = table.numbers(*XYZ)
    if xyz.max() <= 1.5:
        raise BadFile(f"the XYZ values in {where} all lie below 1.5",
                      "on the scale where white has Y = 100 these would all be black",
                      "write XYZ on the scale where white has Y = 100")  # fmt: skip
    return xyz_to_lab(xyz / 100.0, white)


_ILLUMINANT = re.compile(r"ILLUMINANT(?:_NAME)?[\s,;:=]+([A-Z]+[-\w]*)")
_OBSERVER = re.compile(r"OBSERVER(?:_?ANGLE)?[\s,;:=]+(?:CIE\s*)?(\d+)")
_OBSERVERS = {2: 2, 10: 10, 1931: 2, 1964: 10}
_DAYLIGHTS = ("D55", "D65", "D75")


def light_of(table: Table, where: str | Path) -> tuple[str, int]:
    """For which illuminant and observer (2 or 10 degrees) the values hold, D50 and 2 where the
    table does not say. Raises ``BadFile`` where it says two things, or names no such observer."""
    lines = [f"{name} {value}".upper() for name, value in table.keywords]
    lights = {m[1] for line in lines if (m := _ILLUMINANT.search(line))}
    angles = {m[1] for line in lines if (m := _OBSERVER.search(line))}
    for what, said in (("illuminant", lights), ("observer", angles)):
        if len(said) > 1:
            raise BadFile(f"{where} names more than one {what}: {', '.join(sorted(said))}", _WHY,
                          "give each its own file")  # fmt: skip
    angle = int(next(iter(angles), "2"))
    if angle not in _OBSERVERS:
        raise BadFile(f"{where} names the observer {angle}", _WHY, "there are those of 2 and of 10 "
                      f"degrees: {_NAME_IT}")  # fmt: skip
    return next(iter(lights), "D50"), _OBSERVERS[angle]


def white_of(illuminant: str, observer: int, where: str | Path) -> np.ndarray:
    """(3,) XYZ of an illuminant of the CIE, Y = 1. Raises ``BadFile`` for another."""
    if observer == 2 and illuminant in ("D50", "D65"):
        return WHITE_D50 if illuminant == "D50" else WHITE_D65
    from calibration.colour.spectral_files import colour_science  # slow to load

    table = colour_science().CCS_ILLUMINANTS[
        "CIE 1931 2 Degree Standard Observer" if observer == 2
        else "CIE 1964 10 Degree Standard Observer"
    ]  # fmt: skip
    name = re.sub(r"^F(\d)", r"FL\1", illuminant)
    if name not in table:
        raise BadFile(
            f'the values in {where} hold for "{illuminant}", an illuminant that is not known here',
            _WHY,
            f"D50, D65, A, C, FL2 and FL11 are: {_NAME_IT}",
        )
    x, y = table[name]
    return np.array([x / y, 1.0, (1 - x - y) / y])
