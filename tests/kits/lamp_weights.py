"""Rows of calibration/colour/illuminants.csv for a lamp that colour-science carries.

python tests/kits/lamp_weights.py "tungsten" A >> calibration/colour/illuminants.csv
"""

from __future__ import annotations

import sys

import numpy as np


def lamp_weights(illuminant: str) -> np.ndarray:
    """(31, 3) weights for 400 .. 700 nm of a CIE illuminant and the 1931 2 degree observer,
    Y = 1 for the perfect diffuser: colour-science's own ASTM E2022, with what lies beyond 400
    to 700 nm added to the outer weights, as ASTM E308 has it."""
    import colour

    fine, coarse = colour.SpectralShape(360, 780, 1), colour.SpectralShape(360, 780, 10)
    observer = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(fine)
    lamp = colour.SDS_ILLUMINANTS[illuminant].copy().align(fine)
    whole = np.array(
        colour.colorimetry.tristimulus_weighting_factors_ASTME2022(observer, lamp, coarse)
    )
    weights = whole[4:35].copy()
    weights[0] += whole[:4].sum(axis=0)
    weights[-1] += whole[35:].sum(axis=0)
    return weights / weights[:, 1].sum()


if __name__ == "__main__":
    for channel, row in zip("XYZ", lamp_weights(sys.argv[2]).T, strict=True):
        sys.stdout.write(f"{sys.argv[1]},{channel},{','.join(f'{w:.6f}' for w in row)}\n")
