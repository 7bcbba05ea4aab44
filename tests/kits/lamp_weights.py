"""Rows of calibration/colour/illuminants.csv for a lamp that colour-science carries.

python tests/kits/lamp_weights.py "tungsten" A >> calibration/colour/illuminants.csv
"""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))
from calibration.colour.spectral_files import lamp

if __name__ == "__main__":
    for channel, row in zip("XYZ", lamp(sys.argv[2])[1].T, strict=True):
        sys.stdout.write(f"{sys.argv[1]},{channel},{','.join(f'{w:.6f}' for w in row)}\n")
