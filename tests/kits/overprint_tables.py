"""Printed tables of solids and overprints, and the simple predictions to be beaten."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from calibration.colour.difference import delta_e_2000
from calibration.colour.spaces import xyz_to_lab
from calibration.colour.spectra import XYZ_D50_WEIGHTS
from calibration.uncertainty.streams import stream
from drawdown.ink.film import measured_from_internal, reflectance
from drawdown.ink.shelf import starter_shelf
from drawdown.printing import overprint

TABLES = Path(__file__).parents[1] / "data" / "overprints" / "tables.csv"
CHROMATIC = ("CM", "CY", "MY", "CMY")
WITH_BLACK = ("CK", "MK", "YK", "CMK", "CYK", "MYK", "CMYK")
OVERPRINTS = CHROMATIC + WITH_BLACK
# Usual in offset: black, cyan, magenta, yellow (ISO 12647-2 as remembered).
ORDER = "KCMY"
# What a black solid itself returns, the rest of its light being the surface's: 0.01 and a
# tenth of what it reads, and the standard uncertainty of its logarithm. Our own judgement.
BLACK_OWN_Y, BLACK_OWN_SHARE, BLACK_OWN_SD = 0.010, 0.1, 0.9


def read_tables() -> dict[str, dict[str, np.ndarray]]:
    """{table: {"paper", "C", ... "CMYK": XYZ (3,), Y = 1}}, repeated readings averaged."""
    found: dict[str, dict[str, list]] = {}
    with TABLES.open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            xyz = [float(row[axis]) / 100 for axis in "xyz"]
            found.setdefault(row["table"], {}).setdefault(row["inks"], []).append(xyz)
    return {
        name: {inks: np.mean(rows, axis=0) for inks, rows in table.items()}
        for name, table in found.items()
    }


@dataclass(frozen=True, eq=False)
class Solids:
    """The layers of one table, from its paper and solids alone."""

    on: overprint.Sheet
    layers: dict[str, overprint.Layer]


def surface_from_darkest(y: float) -> tuple[float, np.ndarray]:
    """The surface, and possible values (m,), from the luminous reflectance of a black solid."""
    own = BLACK_OWN_Y + BLACK_OWN_SHARE * y
    normal = stream("black's own light").standard_normal(overprint.LAYER_SAMPLES)
    return max(0.0, y - own), np.maximum(y - own * np.exp(BLACK_OWN_SD * normal), 0.0)


def solids(table: dict[str, np.ndarray]) -> Solids:
    """Layers from paper, C, M, Y and K. Nothing of an overprint is looked at."""
    surface, possible = surface_from_darkest(float(table["K"][1]))
    on = overprint.sheet(xyz_to_lab(table["paper"]), surface, possible, wet=True)
    shelf = starter_shelf()
    layers = {
        ink: overprint.layer_from_colour(
            ink, xyz_to_lab(table[ink]), on, shelf, opaque=False, place=place
        )
        for place, ink in enumerate("CMYK")
    }
    return Solids(on, layers)


def predicted(found: Solids, inks: str) -> overprint.Predicted:
    return overprint.over([found.layers[ink] for ink in ORDER if ink in inks], found.on)


def errors(table: dict[str, np.ndarray], found: Solids) -> np.ndarray:
    """(11,) CIEDE2000 of our prediction, in the order of ``OVERPRINTS``."""
    ours = np.array([predicted(found, inks).lab_d50 for inks in OVERPRINTS])
    return delta_e_2000(ours, truth(table))


def truth(table: dict[str, np.ndarray]) -> np.ndarray:
    return xyz_to_lab(np.array([table[inks] for inks in OVERPRINTS]))


def product_of_xyz(table: dict[str, np.ndarray]) -> np.ndarray:
    """(11,) CIEDE2000 of paper times the inks' XYZ relative to the paper, band by band."""
    paper = table["paper"]
    xyz = [paper * np.prod([table[i] / paper for i in inks], axis=0) for inks in OVERPRINTS]
    return delta_e_2000(xyz_to_lab(np.array(xyz)), truth(table))


def product_of_spectra(table: dict[str, np.ndarray]) -> np.ndarray:
    """(11,) the same product at each wavelength, on the very spectra our own prediction has
    for the solids (found without a surface, as this rule knows none), averaged likewise."""
    on = overprint.sheet(xyz_to_lab(table["paper"]))
    shelf = starter_shelf()
    paper = measured_from_internal(on.ground)
    ratio = {}
    for place, ink in enumerate("CMYK"):
        layer = overprint.layer_from_colour(
            ink, xyz_to_lab(table[ink]), on, shelf, opaque=False, place=place
        )
        film = reflectance(layer.kx_samples, layer.sx_samples, 1.0, on.ground)
        ratio[ink] = measured_from_internal(film) / paper
    labs = [
        xyz_to_lab((paper * np.prod([ratio[i] for i in inks], axis=0)) @ XYZ_D50_WEIGHTS)
        for inks in OVERPRINTS
    ]
    return delta_e_2000(np.array([lab.mean(axis=0) for lab in labs]), truth(table))
