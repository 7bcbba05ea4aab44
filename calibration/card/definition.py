"""What a reference card is: geometry in millimetres from its upper left corner (x right, y
down), markers, patches, and reference colours as CIELAB, D50, 2 degree observer.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.colour.spaces import WHITE_D50, lab_to_xyz, xyz_to_lab

ROLES = ("white", "grey", "black", "colour")
PROVENANCES = ("nominal", "measured")
TOUCH_MM = 1e-6  # fields may touch; rounding must not count as overlap
# OpenCV's predefined ArUco dictionaries and how many markers each holds (a test compares
# this with OpenCV; it is written out so that reading a card need not load OpenCV).
DICTIONARIES = {
    f"DICT_{n}X{n}_{count}": count for n in (4, 5, 6, 7) for count in (50, 100, 250, 1000)
} | {
    "DICT_ARUCO_ORIGINAL": 1024,
    "DICT_ARUCO_MIP_36h12": 250,
    "DICT_APRILTAG_16h5": 30,
    "DICT_APRILTAG_25h9": 35,
    "DICT_APRILTAG_36h10": 2320,
    "DICT_APRILTAG_36h11": 587,
}


def corners_of(rect_mm: tuple[float, float, float, float]) -> np.ndarray:
    """(4, 2) of (x, y, width, height): upper left, upper right, lower right, lower left."""
    x, y, w, h = rect_mm
    return np.array([(x, y), (x + w, y), (x + w, y + h), (x, y + h)], dtype=float)


def overlapping(rects_mm: np.ndarray) -> tuple[int, int] | None:
    """The first two of rectangles (n, 4) that lie on each other; they may touch, to rounding."""
    low, high = rects_mm[:, :2], rects_mm[:, :2] + rects_mm[:, 2:]
    shared = np.minimum(high[:, None], high[None]) - np.maximum(low[:, None], low[None])
    pairs = np.argwhere(np.triu(np.all(shared > TOUCH_MM, axis=-1), k=1))
    return (int(pairs[0, 0]), int(pairs[0, 1])) if len(pairs) else None


@dataclass(frozen=True)
class Patch:
    """One colour field: ``rect_mm`` is (x, y, width, height); ``u_lab`` is the standard
    uncertainty of each of L*, a*, b*; ``srgb`` the 8-bit colour it is drawn in, or None."""

    name: str
    rect_mm: tuple[float, float, float, float]
    lab_d50: tuple[float, float, float]
    u_lab: tuple[float, float, float]
    role: str
    srgb: tuple[int, int, int] | None = None


@dataclass(frozen=True)
class Marker:
    """One ArUco marker: ``rect_mm`` (x, y, width, height) of its black square."""

    id: int
    rect_mm: tuple[float, float, float, float]

    @property
    def corners_mm(self) -> np.ndarray:
        """(4, 2), in OpenCV's order."""
        return corners_of(self.rect_mm)


@dataclass(frozen=True)
class CardDefinition:
    """A reference card. ``provenance`` is "nominal" (as drawn) or "measured";
    ``window_mm`` is the hole (x, y, width, height) of a card that is laid over the strips."""

    name: str
    title: str
    size_mm: tuple[float, float]
    dictionary: str
    markers: tuple[Marker, ...]
    patches: tuple[Patch, ...]
    provenance: str
    source: str
    window_mm: tuple[float, float, float, float] | None = None
    scale_mm: tuple[float, float, float] | None = None  # x, y, length of the printed ruler
    text_mm: tuple[float, float, float, float] | None = None  # box for the instructions
    paper_lab_d50: tuple[float, float, float] | None = None  # what "as drawn" is printed on

    @property
    def lab_d50(self) -> np.ndarray:
        """(n, 3) reference colours as the definition states them."""
        return np.array([p.lab_d50 for p in self.patches], dtype=float)

    @property
    def expected_lab_d50(self) -> np.ndarray:
        """(n, 3) colours to expect on the card: colours as drawn are relative to the paper
        (media-relative, ISO 15076-1), so where the definition names a paper their XYZ are
        scaled by its white."""
        if self.paper_lab_d50 is None or self.provenance != "nominal":
            return self.lab_d50
        paper = lab_to_xyz(np.array(self.paper_lab_d50)) / WHITE_D50
        return xyz_to_lab(lab_to_xyz(self.lab_d50) * paper)

    @property
    def u_lab(self) -> np.ndarray:
        """(n, 3) standard uncertainties of the reference colours."""
        return np.array([p.u_lab for p in self.patches], dtype=float)

    @property
    def rects_mm(self) -> np.ndarray:
        """(n, 4) patch rectangles."""
        return np.array([p.rect_mm for p in self.patches], dtype=float)

    @property
    def centres_mm(self) -> np.ndarray:
        """(n, 2) middles of the patches."""
        return self.rects_mm[:, :2] + self.rects_mm[:, 2:] / 2

    @property
    def side_mm(self) -> float:
        """The shorter side of a usual patch."""
        return float(np.median(self.rects_mm[:, 2:].min(axis=1)))

    @property
    def corners_mm(self) -> np.ndarray:
        """(4, 2) of the whole card."""
        return corners_of((0.0, 0.0, *self.size_mm))

    def with_role(self, *roles: str) -> np.ndarray:
        """(n,) True where a patch has one of the roles."""
        return np.array([p.role in roles for p in self.patches])
