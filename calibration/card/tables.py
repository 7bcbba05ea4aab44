"""A card's colour values out of a table: its patches by their names, CIELAB for D50 and 2 degrees
or XYZ with Y = 100 (ISO 13655)."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from calibration.colour.samples import NAMES, labs_in, light_of
from calibration.colour.tables import LAB, XYZ, read_tables
from calibration.errors import BadFile

_WHY = "one wrong reference value spoils every colour read with the card"
_D50 = "export them for D50 and the 2 degree observer"


def reference_lab_d50(path: str | Path, names: tuple[str, ...]) -> np.ndarray:
    """(n, 3) CIELAB D50, 2 degree, of the named patches, one line each. Raises ``BadFile`` as
    ``read_readings`` does, and for a patch that is there twice."""
    found = read_readings(path, names)
    if len(found) > 1:
        twice = [name for name, row in zip(names, found[1], strict=True) if np.isfinite(row).all()]
        raise BadFile(f"{path} holds more than one sample called {_some_of(twice)}", _WHY,
                      "keep one line for each patch, the mean if you measured it more than once"
                      )  # fmt: skip
    return np.asarray(found[0])


def read_readings(path: str | Path, names: tuple[str, ...]) -> np.ndarray:
    """(r, n, 3) Lab D50 of the named patches, NaN where a patch was read fewer than r times.

    ``names`` are matched with SAMPLE_NAME or SAMPLE_ID, whichever holds them. LAB_L, LAB_A,
    LAB_B are taken as they stand; failing those, XYZ_X, XYZ_Y, XYZ_Z on the scale 0..100.

    Raises
    ------
    BadFile
        No such table, a patch without a value, a cell that is not a number, or values for
        another light or observer.
    """
    tables = read_tables(path)
    table = next((t for t in tables if any(set(v) <= set(t.columns) for v in (LAB, XYZ))), None)
    if table is None:
        seen = ", ".join(tables[0].columns)[:200]
        raise BadFile(
            f"{path} has no table with columns L, a, b or X, Y, Z (its columns: {seen})", _WHY,
            "export the table with the names of the patches and CIELAB values",
        )  # fmt: skip
    # Of several columns that could hold the names, the one that does.
    labels = [table.columns[name] for name in NAMES if name in table.columns]
    if not labels:
        raise BadFile(f"{path} has no column with the patches' names", _WHY,
                      "write a heading line such as: patch,L,a,b")  # fmt: skip
    column = max(labels, key=lambda label: len(set(label) & set(names)))
    illuminant, observer = light_of(table, path)
    if illuminant != "D50":
        raise BadFile(f"the values in {path} hold for illuminant {illuminant}, not D50", _WHY, _D50)
    if observer != 2:
        raise BadFile(f"the values in {path} hold for the {observer} degree observer", _WHY, _D50)
    labs = labs_in(table, path)
    if missing := [name for name in names if name not in column]:
        raise BadFile(
            f"{path} holds no values for {_some_of(missing)}",
            _WHY,
            "measure every patch, and name the lines as the patches are named in the definition",
        )
    read: dict[str, list[np.ndarray]] = {name: [] for name in names}
    for name, lab in zip(column, labs, strict=True):
        if name in read:
            read[name].append(lab)
    values = np.full((max(map(len, read.values())), len(names), 3), np.nan)
    for i, name in enumerate(names):
        values[: len(read[name]), i] = read[name]
    return values


def _some_of(names: list[str]) -> str:
    """Up to five names, and how many more."""
    shown = ", ".join(f'"{name}"' for name in names[:5])
    return shown + (f" and {len(names) - 5} more" if len(names) > 5 else "")
