"""Spectra as instruments write them, and the lamps of the CIE, by way of colour-science.

That library takes half a second to load, at the first call: none belongs on the way of a plain
match or reading.
"""

from __future__ import annotations

import importlib
import warnings
from collections.abc import Sequence
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np

from calibration.colour.spectra import WAVELENGTHS_NM
from calibration.colour.tables import Table, read_tables, wavelength
from calibration.errors import BadFile, WrongUsage
from calibration.files import read_bytes

_WIDEST_NM = 20.0  # most steps at most: coarser tables miss the slopes of inks
_MOST_REFLECTANCE = 1.2  # only what fluoresces exceeds 1
_LEAST_COLUMNS = 8  # of wavelengths, for a table with a spectrum in each row
_WHY = "a colour is worked out from how much light there is at each wavelength"
_EXPORT = (
    "export it again as .spdx (IES TM-27), as .csv with the wavelength in nm before its values, "
    "or as .txt with columns nm400, nm410 and so on"
)


def colour_science() -> ModuleType:
    """The library; its import warns that plotting is unavailable, which is not wanted here."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return importlib.import_module("colour")


def lamp_weights(lamp: Any) -> np.ndarray:
    """(31, 3) weights for 400 .. 700 nm of a lamp (the library's spectral distribution) and
    the CIE 1931 2 degree observer, Y = 1 for the perfect diffuser: ASTM E2022, with what lies
    beyond 400 to 700 nm added to the outer weights, as ASTM E308 has it."""
    colour = colour_science()
    factors = colour.colorimetry.tristimulus_weighting_factors_ASTME2022
    fine, coarse = colour.SpectralShape(360, 780, 1), colour.SpectralShape(360, 780, 10)
    observer = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(fine)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of uneven steps, as tables of lines have
        # Lamps between their values in straight lines, as the CIE has it (CIE 15, from memory).
        lamp = lamp.copy().align(fine, interpolator=colour.LinearInterpolator)
    whole = np.array(factors(observer, lamp, coarse), dtype=float)
    weights = whole[4:35].copy()
    weights[0] += whole[:4].sum(axis=0)
    weights[-1] += whole[35:].sum(axis=0)
    weights /= weights[:, 1].sum()
    return weights


def lamp(said: str) -> tuple[str, np.ndarray]:
    """What a lamp is called and its weights: an illuminant of the CIE by its name (any case),
    or a file with the lamp's spectrum. Raises ``WrongUsage`` and ``BadFile``."""
    cie = colour_science().SDS_ILLUMINANTS
    by_name = {name.casefold(): name for name in cie}
    if (name := by_name.get(said.strip().casefold())) is not None:
        return name, lamp_weights(cie[name])
    path = Path(said)
    if "\0" in said or not path.exists():
        raise WrongUsage(
            f'`lamps` "{said}" is neither a lamp of the CIE nor a file',
            "the lamp's spectrum has to be known",
            "name one such as A, D65, FL2, FL11, LED-B1 or LED-V1, or give a spectral file of it",
        )
    found = read_spectra(path)
    if len(found) > 1:
        raise BadFile(f"{path} holds {len(found)} spectra ({', '.join(found)})",
                      "one lamp has one", "leave the one you mean in the file")  # fmt: skip
    ((_, spectrum),) = found.items()
    nm, light = spectrum.wavelengths, spectrum.values
    if light.min() < 0 or light[(nm >= 400) & (nm <= 700)].sum() <= 0:
        raise BadFile(f"the spectrum in {path} goes below 0 or is dark", _WHY, _EXPORT)
    return path.name, lamp_weights(spectrum)


def read_reflectances(path: Path) -> dict[str, np.ndarray]:
    """Name -> (31,) reflectance 0..1 at 400 .. 700 nm of each sample in a file; one whose
    largest value is above 2 holds percent. Raises ``BadFile``."""
    shape = colour_science().SpectralShape(400, 700, 10)
    found = read_spectra(path)
    values = np.array([s.copy().align(shape).values for s in found.values()])
    return dict(zip(found, _fractions(values, list(found), path), strict=True))


def _fractions(values: np.ndarray, names: Sequence[str], path: str | Path) -> np.ndarray:
    """Reflectances (n, 31) as fractions of 1. Raises ``BadFile`` for what is none."""
    values = values / (100 if values.max() > 2 else 1)
    for name, row in zip(names, values, strict=True):
        if row.min() < -0.01 or row.max() > _MOST_REFLECTANCE:
            raise BadFile(
                f'"{name}" in {path} goes from {row.min():.3g} to {row.max():.3g}',
                "a reflectance lies between 0 and 1, or 0 and 100 %",
                "export reflectances, against a white calibrated just before",
            )
    return np.clip(values, 0.0, None)


def reflectances_in(table: Table, path: str | Path) -> np.ndarray | None:
    """(n, 31) the same of each row of a table; None for a table without spectra. Raises
    ``BadFile``."""
    rows = _rows_of(table, path)
    if rows is None:
        return None
    nm, values, names = rows
    at = np.searchsorted(nm, WAVELENGTHS_NM)
    if not np.array_equal(nm[np.minimum(at, nm.size - 1)], WAVELENGTHS_NM):  # between its values
        colour, shape = colour_science(), colour_science().SpectralShape(400, 700, 10)
        whole = [colour.SpectralDistribution(row, nm).align(shape).values for row in values]
        return _fractions(np.array(whole), names, path)
    return _fractions(values[:, at], names, path)


def _rows_of(
    table: Table, path: str | Path
) -> tuple[np.ndarray, np.ndarray, tuple[str, ...]] | None:
    """Wavelengths (w,), values (n, w) and names of a table that has a spectrum in each row."""
    columns = {at: name for name in table.columns if (at := wavelength(name)) is not None}
    if len(columns) < _LEAST_COLUMNS:
        return None
    nm = np.array(sorted(columns))
    values = table.numbers(*(columns[one] for one in nm))
    named = table.columns.get("SAMPLE_NAME") or table.columns.get("SAMPLE_ID")
    names = named or tuple(str(k + 1) for k in range(len(values)))
    for name, row in zip(names, values, strict=True):
        _check(nm, row, name, path)
    return nm, values, names


def read_spectra(path: Path) -> dict[str, Any]:
    """Name -> the library's spectral distribution, of each spectrum in a file. Raises
    ``BadFile`` for a file that is none, and for spectra that do not reach from 400 to 700 nm."""
    text = read_bytes(path, "a spectral file", 5_000_000).decode("utf-8-sig", "replace")
    kind, colour = path.suffix.lower(), colour_science()
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            if kind == ".spdx":
                found = {path.stem: colour.SpectralDistribution_IESTM2714(str(path)).read()}
            elif (rows := _in_rows(path, kind)) is not None:
                nm, values, names = rows
                pairs = zip(names, values, strict=True)
                found = {n: colour.SpectralDistribution(row, nm) for n, row in pairs}
            elif kind == ".csv":
                found = colour.read_sds_from_csv_file(str(path), **_header(text))
            else:
                raise BadFile(f"{path} is no spectral file known here", _WHY, _EXPORT)
        for name, spectrum in found.items():
            _check(np.asarray(spectrum.wavelengths), np.asarray(spectrum.values), name, path)
    except BadFile:
        raise
    except Exception as error:  # the library's readers raise whatever the text led them to
        why = str(error).strip().partition("\n")[0][:100]
        raise BadFile(f"no spectrum could be read from {path} ({why})", _WHY, _EXPORT) from None
    if not found:
        raise BadFile(f"{path} holds no spectrum", _WHY, _EXPORT)
    return dict(found)


def _in_rows(path: Path, kind: str) -> tuple[np.ndarray, np.ndarray, tuple[str, ...]] | None:
    """The first table of a text that has a spectrum in each row, if there is one."""
    try:
        tables = read_tables(path) if kind in (".csv", ".txt") else ()
    except BadFile:
        if kind == ".txt":
            raise
        return None  # a table of columns may have no heading
    return next((rows for t in tables if (rows := _rows_of(t, path)) is not None), None)


def _header(text: str) -> dict[str, list[str]]:
    """Names of the columns where a table begins with its numbers at once."""
    cells = next(iter(text.splitlines()), "").split(",")
    try:
        float(cells[0])
    except ValueError:
        return {}
    return {"names": ["wavelength", *(str(k) for k in range(1, len(cells)))]}


def _check(nm: np.ndarray, values: np.ndarray, name: str, path: str | Path) -> None:
    if nm.size < 2 or not (np.isfinite(nm).all() and np.isfinite(values).all()):
        raise BadFile(f'"{name}" in {path} holds something that is not a number', _WHY, _EXPORT)
    if np.unique(nm).size < nm.size:
        raise BadFile(f'"{name}" in {path} has a wavelength twice', _WHY, _EXPORT)
    if nm.min() > WAVELENGTHS_NM[0] or nm.max() < WAVELENGTHS_NM[-1]:
        raise BadFile(
            f'"{name}" in {path} goes from {nm.min():g} to {nm.max():g} nm',
            "what lies beyond would be a guess",
            "measure from 400 to 700 nm at least",
        )
    if (step := float(np.median(np.diff(nm)))) > _WIDEST_NM:
        raise BadFile(
            f'"{name}" in {path} has values {step:g} nm apart',
            "too much would be lost between them",
            "measure at least every 20 nm",
        )
