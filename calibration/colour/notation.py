"""Full notation, hue value/chroma (ASTM D1535), by colour-science's renotation data.

Half a second for the library and a second for each colour: only for who asks for it.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import numpy as np

from calibration.colour.spaces import WHITE_D50, adaptation, lab_to_xyz, munsell_value
from calibration.colour.spectral_files import colour_science

FAMILIES = ("R", "YR", "Y", "GY", "G", "BG", "B", "PB", "P", "RP")
_SEVENTH_IS_R = 7  # the library counts the families from B = 1 backwards


@dataclass(frozen=True)
class Notation:
    """What a colour is called; pairs are the ends of 95 % intervals. ``value`` is 0..10 under
    illuminant C. Hues are steps 0..100 round the circle from the end of RP through R, YR and so
    on (``hue_name``); ``hue`` is None where it is not known, and ``why`` says why. ``chroma`` is
    None where the renotation ends."""

    value: float
    hue: float | None = None
    hue_95: tuple[float, float] | None = None
    chroma: float | None = None
    chroma_95: tuple[float, float] | None = None
    why: str = ""

    @property
    def text(self) -> str:
        """As 7.6R 4.9/6.7, with - for what is not known; N 7.8 for a neutral."""
        if self.chroma is None:
            return f"- {self.value:.1f}/-"
        if self.chroma < 0.05:
            return f"N {self.value:.1f}"
        hue = "-" if self.hue is None else hue_name(self.hue)
        return f"{hue} {self.value:.1f}/{self.chroma:.1f}"


def hue_name(steps: float) -> str:
    """ "7.6R" of a hue in steps: 0 to 10 are R, 10 to 20 YR and so on; 10R is 0YR."""
    tenths = round(steps * 10) % 1000 or 1000
    family, step = divmod(tenths - 1, 100)
    return f"{(step + 1) / 10:.1f}{FAMILIES[family]}"


def notation(lab_d50: np.ndarray, u95: np.ndarray) -> Notation:
    """The notation of a colour (3,) with half widths ``u95`` (3,) of its 95 % intervals.

    Chroma and hue are carried on as a point in the plane, its spread linearly from L*, a* and
    b* each moved by its half width and back, taken as independent."""
    lab, u95 = np.asarray(lab_d50, dtype=float), np.asarray(u95, dtype=float)
    middle = _place(lab)
    steps = [] if middle is None else [_moved(lab, k, float(u95[k]), middle) for k in range(3)]
    moved = [step for step in steps if step is not None]
    if middle is None or len(moved) < 3:
        value = munsell_value(float(lab_to_xyz(lab)[1]))
        return Notation(value, why="beyond the colours that the notation covers")
    spread = np.sum([np.outer(step, step) for step in moved], axis=0)  # of x, y
    value, plane = float(middle[0]), middle[1:]
    chroma = float(np.hypot(*plane))
    out = plane / chroma if chroma > 1e-9 else np.array([1.0, 0.0])
    round_ = np.array([-out[1], out[0]])
    along, across = (float(np.sqrt(d @ spread @ d)) for d in (out, round_))
    chroma_95 = (max(0.0, chroma - along), chroma + along)
    if across >= chroma:
        return Notation(value, None, None, chroma, chroma_95, "so near to grey that it may be any")
    hue = float(np.arctan2(plane[1], plane[0])) * 50 / np.pi % 100
    half = float(np.arcsin(across / chroma)) * 50 / np.pi
    return Notation(value, hue, ((hue - half) % 100, (hue + half) % 100), chroma, chroma_95)


def _moved(lab: np.ndarray, axis: int, by: float, middle: np.ndarray) -> np.ndarray | None:
    """(2,) how far the point in the plane goes with one coordinate's half width; one-sided
    where the renotation ends, None where it does on both."""
    ends = [_place(lab + sign * by * np.eye(3)[axis]) for sign in (1, -1)]
    inside = [end for end in ends if end is not None]
    if len(inside) == 2:
        return np.asarray((inside[0] - inside[1])[1:] / 2)
    return np.asarray((inside[0] - middle)[1:]) if inside else None


def _place(lab: np.ndarray) -> np.ndarray | None:
    """(3,) value and the point (x, y) whose length is the chroma and whose angle the hue; None
    where the library's renotation data end."""
    colour = colour_science()
    white_c = colour.xy_to_XYZ(colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["C"])
    xyz = adaptation(WHITE_D50, np.asarray(white_c)) @ lab_to_xyz(lab)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            found = colour.notation.munsell.xyY_to_munsell_specification(colour.XYZ_to_xyY(xyz))
    except (ValueError, AssertionError, RuntimeError):  # as the library says it
        return None
    hue, value, chroma, family = (float(v) for v in found)
    if np.isnan(chroma):
        return np.array([value, 0.0, 0.0])
    angle = ((_SEVENTH_IS_R - family) % 10 * 10 + hue) * np.pi / 50
    return np.array([value, chroma * np.cos(angle), chroma * np.sin(angle)])
