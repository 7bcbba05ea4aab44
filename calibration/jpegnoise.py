"""What JPEG leaves open in the mean colour of an even area, from its quality.

An even area has the same rounding in every block, so it does not average out. The mean of a
block is kept in steps of DC / 8 levels (ISO/IEC 10918-1, A.3: the transform's first
coefficient is eight times the mean), and decoders round Y, Cb and Cr to whole levels.
"""

from __future__ import annotations

import numpy as np

# DC steps of the example tables K.1 and K.2 of ISO/IEC 10918-1, at quality 50.
DC_LUMA, DC_CHROMA = 16, 17
# Delta E 2000 per axis for one level of error in each of Y, Cb, Cr, on colours of all kinds
# (experiment with an independent encoder: tests/test_jpegnoise.py).
DE_PER_LEVEL = 0.45


def jpeg_sd_de(quality: int | None) -> float:
    """Standard uncertainty, Delta E 2000 per axis, of an even area's colour in a JPEG of this
    quality (1..100, scaled as the free reference encoder does); 0 for None, no JPEG. Two
    areas are independent: their difference has the square root of two of it."""
    if quality is None:
        return 0.0
    q = min(max(int(quality), 1), 100)
    scale = 5000 / q if q < 50 else 200 - 2 * q
    steps = np.maximum(1.0, np.floor(np.array([DC_LUMA, DC_CHROMA]) * scale / 100 + 0.5))
    variance = (1 + (steps / 8) ** 2) / 12
    return DE_PER_LEVEL * float(np.sqrt(variance.mean()))
