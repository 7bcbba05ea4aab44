"""From spectra to colour: fixed weights, so that nothing heavy is loaded.

Spectra are reflectances 0..1 at 400, 410 .. 700 nm along the last axis.
"""

from __future__ import annotations

import numpy as np

from calibration.colour.spaces import WHITE_D50, lab_to_xyz

WAVELENGTHS_NM = np.arange(400, 701, 10)

# CIE 1931 2 degree colour-matching functions times CIE D50, as 10 nm weights of the kind
# that ASTM E308 tabulates, computed by the method of ASTM E2022 (Lagrange interpolation to
# 1 nm) from the CIE tables that colour-science carries. What lies beyond 400..700 nm is
# added to the two end weights, as E308 has it, and the columns are scaled to sum to the
# ICC white, so that a reflectance of 1 everywhere is exactly L* 100, a* 0, b* 0.
XYZ_D50_WEIGHTS = np.array(
    [
        (0.0007587, 0.0000211, 0.0035888),  # 400
        (0.0023322, 0.0000622, 0.0110999),  # 410
        (0.0077466, 0.0002283, 0.0372074),  # 420
        (0.0161849, 0.0006636, 0.0789911),  # 430
        (0.0245118, 0.0016226, 0.1229744),  # 440
        (0.0277172, 0.0031273, 0.1461437),  # 450
        (0.0249825, 0.0051403, 0.1433418),  # 460
        (0.0171782, 0.0079843, 0.1130048),  # 470
        (0.0086006, 0.0123837, 0.0729963),  # 480
        (0.0028314, 0.0184103, 0.0413073),  # 490
        (0.0003993, 0.0294731, 0.0246504),  # 500
        (0.0008831, 0.0463249, 0.0144615),  # 510
        (0.0059364, 0.0659098, 0.0073677),  # 520
        (0.0158883, 0.0830161, 0.0040046),  # 530
        (0.0280009, 0.0919935, 0.0019643),  # 540
        (0.0420400, 0.0964505, 0.0008467),  # 550
        (0.0565706, 0.0947176, 0.0003678),  # 560
        (0.0713469, 0.0890541, 0.0001967),  # 570
        (0.0853274, 0.0810512, 0.0001491),  # 580
        (0.0926886, 0.0683880, 0.0001042),  # 590
        (0.0983290, 0.0583673, 0.0000734),  # 600
        (0.0946395, 0.0475113, 0.0000354),  # 610
        (0.0800595, 0.0357184, 0.0000159),  # 620
        (0.0593187, 0.0244575, 0.0000050),  # 630
        (0.0416819, 0.0162819, 0.0000016),  # 640
        (0.0261118, 0.0098506, 0.0000002),  # 650
        (0.0154134, 0.0056998, 0.0000000),  # 660
        (0.0085364, 0.0031243, 0.0000000),  # 670
        (0.0043322, 0.0015745, 0.0000000),  # 680
        (0.0019436, 0.0007028, 0.0000000),  # 690
        (0.0019084, 0.0006891, 0.0000000),  # 700
    ]
)  # fmt: skip
XYZ_D50_WEIGHTS *= WHITE_D50 / XYZ_D50_WEIGHTS.sum(axis=0)


def spectrum_to_xyz_d50(reflectance: np.ndarray) -> np.ndarray:
    """XYZ D50, Y = 1 (..., 3), of reflectances (..., 31)."""
    return np.asarray(reflectance, dtype=float) @ XYZ_D50_WEIGHTS


def smooth_spectrum(lab_d50: np.ndarray) -> np.ndarray:
    """(31,) a smooth reflectance that has this Lab D50 (3,), or comes as near as it can.

    One of endlessly many such spectra: a logistic curve of a parabola over wavelength,
    fitted by Newton steps. Right for papers and other weakly coloured sheets, not for inks.
    """
    target = lab_to_xyz(np.asarray(lab_d50, dtype=float))
    u = np.linspace(-1, 1, WAVELENGTHS_NM.size)
    basis = np.stack([np.ones_like(u), u, u * u])
    y = float(np.clip(target[1], 0.01, 0.98))
    c = np.array([np.log(y / (1 - y)), 0.0, 0.0])
    for _ in range(12):
        r = 1 / (1 + np.exp(-np.clip(c @ basis, -12, 12)))
        slope = ((r * (1 - r)) * basis) @ XYZ_D50_WEIGHTS
        # A touch of ridge keeps the step finite for colours no such curve can have.
        step = np.linalg.solve(
            slope @ slope.T + 1e-9 * np.eye(3), slope @ (target - r @ XYZ_D50_WEIGHTS)
        )
        c = c + np.clip(step, -2, 2)
    return 1 / (1 + np.exp(-np.clip(c @ basis, -12, 12)))
