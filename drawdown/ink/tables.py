"""Figures of inks as files hold them: checked numbers, tables of spectra, doubts."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from calibration.colour.spectra import WAVELENGTHS_NM
from calibration.colour.spectral_files import read_reflectances
from calibration.errors import BadFile
from drawdown.ink.film import (
    film_from_two_grounds,
    internal_from_measured,
    k_over_s,
    over_ideal_black,
)

# What a file of an ink's spectra holds: the grounds, and one film over both.
SPECTRA = ("paper", "black", "over paper", "over black")
LEAST_CONTRAST = 0.2  # of reflectance, between paper and black
HIDDEN = 1e-3  # T squared: a film that lets 3 % through looks like one that hides
MOST_HIDDEN = 6  # wavelengths: with 14 the tints of the strongest inks come 13 Delta E off
NOISE = 0.01  # of reflectance: what goes further against the physics is a slip
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
        raise bad(
            where, f"{what} holds something that is not a number", "use plain numbers"
        ) from None
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


def figures_of_spectra(path: Path) -> tuple[np.ndarray, np.ndarray]:
    """K and S (31,) of a film as it was measured, from reflectances of ``SPECTRA`` in one file,
    without the mirror reflection (45:0, or specular excluded). Raises ``BadFile``."""
    found = {plain(name): values for name, values in read_reflectances(path).items()}
    if missing := [name for name in SPECTRA if plain(name) not in found]:
        raise bad(
            str(path),
            f"there is no spectrum called {' and none called '.join(missing)}",
            f"name the four samples {', '.join(SPECTRA)}",
        )
    inside = (internal_from_measured(found[plain(name)]) for name in SPECTRA)
    white, dark, on_white, on_dark = (np.clip(v, 0.0, 0.99) for v in inside)
    if np.any(white - dark < LEAST_CONTRAST):
        raise bad(str(path), "paper and black are too much alike", "pull over white and over black")
    alone = np.clip(over_ideal_black(on_dark, on_white, dark, white), 1e-5, None)
    hidden = on_white < alone + HIDDEN * white / (1 - alone * white)
    if hidden.sum() > MOST_HIDDEN:
        raise bad(
            str(path),
            f"the film hides the ground at {hidden.sum()} of {WAVELENGTHS_NM.size} wavelengths",
            "pull it thinner, so that the black shows through",
        )
    k, s = film_from_two_grounds(alone, on_white, white)
    through = np.sqrt(np.maximum((on_white - alone) * (1 - white * alone) / white, 0.0))
    clear = (
        np.isnan(k) & (alone + through < 1 + NOISE) & ~hidden
    )  # absorbs less than can be measured
    k[clear], s[clear] = 0.0, alone[clear] / (1 - alone[clear])
    # Where nothing shows through, only K/S is known; S goes on smoothly from where it is known.
    s[hidden] = np.interp(WAVELENGTHS_NM[hidden], WAVELENGTHS_NM[~hidden], s[~hidden])
    k[hidden] = s[hidden] * k_over_s(np.minimum(alone[hidden], 1.0))
    k[on_white < alone - NOISE] = np.nan  # lighter over black
    if not np.isfinite(k + s).all():
        at = ", ".join(f"{nm:g}" for nm in WAVELENGTHS_NM[~np.isfinite(k + s)][:3])
        raise bad(
            str(path),
            f"no film can look like this over both grounds (at {at} nm)",
            "measure paper, black and the one even film over both again",
        )
    return k, s


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
