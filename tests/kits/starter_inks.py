"""Stand-ins of the starter shelf that are worked out from other data than the pigment database:
their K and S (31,) per ordinary film, from the sources named beside each.

    python tests/kits/starter_inks.py    prints the lines of drawdown/ink/data/starter_ks.csv
"""

from __future__ import annotations

import csv
import sys
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "kits")]

from overprint_tables import read_tables  # noqa: E402

from calibration.colour.spaces import xyz_to_lab  # noqa: E402
from calibration.colour.spectra import WAVELENGTHS_NM  # noqa: E402
from drawdown.ink.film import internal_from_measured, k_over_s  # noqa: E402
from drawdown.ink.shelf import Shelf, starter_shelf  # noqa: E402
from drawdown.printing.overprint import layer_from_colour, sheet  # noqa: E402

WHITE_S = 4.0  # of the shelf's white: all strengths are counted against it
# Light that the paints' dull surfaces scatter back into the instrument. With it the black comes
# out at L* 15.8; ISO 12647-2 has 16 (from memory).
SURFACE = 0.01
PARTS = {"carbon-black": (14, 25), "red-oxide": (20, 35), "yellow-oxide": (29, 59)}
PAPERS = ("FOGRA28L", "FOGRA39L", "TR003", "TR005", "TR006")  # the coated ones
PROCESS = {"process-cyan": "C", "process-magenta": "M", "process-yellow": "Y"}
PHTHALOS = ("phthalo-blue", "phthalo-blue-red-shade")


@cache
def spectra() -> dict[str, np.ndarray]:
    """{name: reflectance (31,)} of tests/data/paints."""
    with (ROOT / "tests" / "data" / "paints" / "spectra.csv").open(encoding="utf-8") as file:
        _, *rows = csv.reader(file)
    return {name: np.array(values, dtype=float) for name, *values in rows}


def of_paint(name: str) -> tuple[np.ndarray, np.ndarray]:
    """From a masstone and a tint in white: K/S of either is known, and mixing is Duncan's sum
    (Proc. Phys. Soc. 52 (1940) 390; page from memory), so two equations give K and S."""
    paint, white = PARTS[name]
    alone, tint, pure_white = (
        k_over_s(np.clip(internal_from_measured(spectra()[row] - SURFACE), 1e-4, 1.0))
        for row in (name, f"{name} in white", "white")
    )
    s = white * WHITE_S * (tint - pure_white) / (paint * (alone - tint))
    k = alone * s
    # The instrument's lamp is weak below 410 nm, and its figures there are made up.
    k[:2], s[:2] = k[2], s[2]
    return k, s


def prussian_blue() -> tuple[np.ndarray, np.ndarray]:
    """Two bands, at 14,100 and 25,000 cm-1 (M. B. Robin, Inorg. Chem. 1 (1962) 337, from memory).
    Their widths and the height of the second follow the transmittances of films of a watercolour
    (NTU WPSM data set, 2019; not copied here). Half as strong in tints as phthalocyanine blue, and
    transparent (common knowledge of handbooks, from memory)."""
    wave = 1e7 / WAVELENGTHS_NM
    first, second = (
        np.exp(-(((wave - at) / width) ** 2) / 2) for at, width in ((14100, 2600), (25000, 1560))
    )
    return 11.0 * (first + 0.092 * second), np.full(wave.size, 0.3)


def burnt_umber() -> tuple[np.ndarray, np.ndarray]:
    """An earth of iron and manganese oxides, made of the two iron oxides and black: no open
    measurement of one is known to us."""
    parts = {"red-oxide": 0.25, "yellow-oxide": 0.60, "carbon-black": 0.15}
    k, s = sum(share * np.array(of_paint(name)) for name, share in parts.items())
    return k, s


def process(name: str) -> tuple[np.ndarray, np.ndarray]:
    """A clear film that has the mean colour of a process ink's solids in the open tables of
    coated papers (tests/data/overprints). Its absorption is the mean of all that give the colour,
    from any pigment of the database: of many likely spectra it errs least. Process cyan is a
    phthalocyanine (common knowledge), so it is made from those two."""
    tables = read_tables()
    paper, solid = (
        np.mean([xyz_to_lab(tables[t][i]) for t in PAPERS], axis=0)
        for i in ("paper", PROCESS[name])
    )
    inks = [ink for ink in starter_shelf() if ink.kind == "colour" and "Database" in ink.source]
    if name == "process-cyan":
        inks = [ink for ink in inks if ink.name in PHTHALOS]
    for _ in range(2):  # the mean is not quite of that colour: bent once more
        layer = layer_from_colour(name, solid, sheet(paper), Shelf(tuple(inks)), opaque=False)
        k, s = (np.exp(np.log(v).mean(axis=0)) for v in (layer.kx_samples, layer.sx_samples))
        inks = [replace(inks[0], k=k, s=s)]
    return layer.kx, layer.sx


def worked_out() -> dict[str, tuple[np.ndarray, np.ndarray]]:
    """{ink: K and S}."""
    found = {name: of_paint(name) for name in PARTS} | {name: process(name) for name in PROCESS}
    return found | {"prussian-blue": prussian_blue(), "burnt-umber": burnt_umber()}


def main() -> None:
    for name, figures in worked_out().items():
        for quantity, values in zip("ks", figures, strict=True):
            sys.stdout.write(",".join([name, quantity, *(f"{v:.4g}" for v in values)]) + "\n")


if __name__ == "__main__":
    main()
