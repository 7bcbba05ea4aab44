"""The colours that a surface can have at all: the solid of optimal colours (MacAdam 1935, J. Opt.
Soc. Am. 25, 249; 25, 361)."""

from __future__ import annotations

from functools import cache

import numpy as np

from calibration.colour.illuminants import HERE, LAMPS


@cache
def _faces() -> tuple[np.ndarray, np.ndarray]:
    """Normals (k, 3) of the solid's faces, and how far each lies from the middle of the solid.

    Reflectances of 0..1 in 31 bands make a zonotope in XYZ, symmetric about half the white; each
    face is spanned by two bands, and touches what is reflected on one side of that plane."""
    bands = LAMPS[HERE]
    one, two = np.triu_indices(len(bands), 1)
    normals = np.cross(bands[one], bands[two])
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    return normals, np.abs(bands @ normals.T).sum(axis=0) / 2


def within_optimal(xyz_d50: np.ndarray) -> np.ndarray:
    """Colours (..., 3), XYZ D50 with Y = 1 for the perfect diffuser, moved straight towards mid
    grey as far as it takes for a surface to have them; those that a surface can have, unmoved."""
    normals, reach = _faces()
    middle = LAMPS[HERE].sum(axis=0) / 2
    from_middle = np.asarray(xyz_d50, dtype=float) - middle
    share = (np.abs(from_middle @ normals.T) / reach).max(axis=-1)
    return np.asarray(middle + from_middle / np.maximum(share, 1.0)[..., None])
