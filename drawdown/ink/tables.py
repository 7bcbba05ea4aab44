"""Figures of inks as files hold them: checked numbers, tables of spectra, doubts."""

from __future__ import annotations

import numpy as np

from calibration.colour.spectra import WAVELENGTHS_NM
from calibration.errors import BadFile

# Rows of a doubt: enough for what strips can leave open.
MOST_DOUBTS = 24


def plain(text: str) -> str:
    """A name as compared: case, spaces, hyphens and underscores do not count."""
    return "".join(c for c in text.casefold() if c not in " -_")


def bad(where: str, seen: str, todo: str) -> BadFile:
    return BadFile(
        f"in {where}, {seen}",
        "a shelf must be described exactly or the advice would be wrong",
        todo,
    )


def numbers(values: object, where: str, what: str) -> np.ndarray:
    """(31,) non-negative finite numbers, or ``BadFile``."""
    if isinstance(values, int | float) and not isinstance(values, bool):
        values = [values] * WAVELENGTHS_NM.size
    try:
        array = np.array(values, dtype=float)
    except (TypeError, ValueError):
        raise bad(where, f"{what} holds something that is no number", "use plain numbers") from None
    if array.shape != WAVELENGTHS_NM.shape:
        raise bad(
            where,
            f"{what} has {array.size} numbers",
            f"give {WAVELENGTHS_NM.size}, for 400, 410 .. 700 nm",
        )
    if not np.isfinite(array).all() or array.min() < 0 or array.max() > 1e6:
        raise bad(where, f"{what} goes below 0 or is not finite", "use numbers from 0 to 1e6")
    return array


def read_table(text: str, where: str) -> dict[tuple[str, str], np.ndarray]:
    """A table ``ink,quantity,400,410,...`` -> {(ink, "k" or "s"): values at 400..700 nm}."""
    lines = [line for line in text.splitlines() if line.strip() and not line.startswith("#")]
    shape = "the first line is ink,quantity,400,410,... and each other one ink,k|s,numbers"
    if not lines or [c.strip() for c in lines[0].split(",")[:2]] != ["ink", "quantity"]:
        raise bad(where, "the first line does not begin with ink,quantity", shape)
    try:
        nm = np.array(lines[0].split(",")[2:], dtype=float)
    except ValueError:
        raise bad(where, "the first line holds something that is no wavelength", shape) from None
    if nm.size < 2 or np.any(np.diff(nm) <= 0) or nm[0] > 400 or nm[-1] < 700:
        raise bad(
            where,
            "the wavelengths do not rise or do not reach from 400 to 700 nm",
            "give values over the whole of 400 to 700 nm",
        )
    same = np.array_equal(nm, WAVELENGTHS_NM)
    table = {}
    for line in lines[1:]:
        cells = line.split(",")
        name, quantity = cells[0].strip(), cells[1].strip() if len(cells) > 1 else ""
        try:
            values = np.array(cells[2:], dtype=float)
        except ValueError:
            values = np.empty(0)
        if quantity not in ("k", "s") or values.size != nm.size:
            raise bad(where, f'the line of "{name}" is not as the first line says', shape)
        table[plain(name), quantity] = values if same else np.interp(WAVELENGTHS_NM, nm, values)
    return table


def doubts(values: object, where: str) -> np.ndarray | None:
    """(r, 62) rows of an ink's ``doubt``, or None for none; raises ``BadFile``."""
    if values is None:
        return None
    wanted = f"give at most {MOST_DOUBTS} rows of 62 numbers: ln K at 400 .. 700 nm, then ln S"
    try:
        array = np.array(values, dtype=float)
    except (TypeError, ValueError):
        raise bad(where, "doubt is not a table of plain numbers", wanted) from None
    size = 2 * WAVELENGTHS_NM.size
    if array.ndim != 2 or array.shape[1] != size or not 1 <= len(array) <= MOST_DOUBTS:
        raise bad(where, f"doubt has the shape {array.shape}", wanted)
    if not np.isfinite(array).all() or np.abs(array).max() > 20:
        raise bad(where, "doubt holds a number that is not finite or beyond 20", wanted)
    return array
