"""Writes slip.toml and frame.toml, our own cards (design: calibration/card/README.md). Run
``python tests/kits/make_cards.py`` after a change; a test compares the files with what it writes.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))
from calibration.card.definition import CardDefinition, Marker, Patch
from calibration.card.toml import card_text
from calibration.colour.spaces import (
    SRGB_TO_XYZ_D50,
    lab_to_xyz,
    srgb_decode,
    xyz_d50_to_srgb,
    xyz_to_lab,
)

CARDS = Path(__file__).parents[2] / "calibration" / "card" / "cards"
GREYS_L = (88, 78, 68, 58, 49, 41, 34, 27, 21, 14)
GREY_ORDER = (0, 7, 3, 9, 1, 5, 8, 2, 6, 4)
# Lightness, largest chroma and hue offset of the three rings. The vivid ring has for each
# hue the lightness at which pigments and printers are strongest.
VIVID_L = (47, 53, 66, 82, 74, 58, 58, 56, 50, 42, 36, 42)
DEEP, TINT = (28.0, 40.0), (78.0, 34.0)
VIVID_C = 76.0
GAMUT_SHARE = 0.94
# Standard uncertainties that cover the prints of forty simulated home printers.
U_NOMINAL = {"white": (2.5, 1.5, 2.5), "grey": (4.0, 3.5, 4.0), "black": (5.0, 4.5, 4.0)}
U_COLOUR = (5.5, 5.5, 7.0)
# A usual uncoated white paper (common practice, no source); its uncertainty is that of the
# white patches.
PAPER = (95.0, 0.5, -2.0)
SOURCE = (
    "nominal: CIELAB D50 of the sRGB colour as drawn (IEC 61966-2-1, Bradford-adapted), "
    "relative to the paper; "
    "the uncertainty for an unmeasured home print is an estimate, no source"
)


def _in_srgb(lab: np.ndarray) -> bool:
    rgb = xyz_d50_to_srgb(lab_to_xyz(lab), clip=False)
    return bool(np.all(rgb >= 0.0) and np.all(rgb <= 1.0))


def _colour(lightness: float, chroma: float, hue: float) -> tuple[int, int, int]:
    angle = np.radians(hue)
    while chroma > 1:
        edge = chroma / GAMUT_SHARE
        if _in_srgb(np.array([lightness, edge * np.cos(angle), edge * np.sin(angle)])):
            break
        chroma -= 1
    lab = np.array([lightness, chroma * np.cos(angle), chroma * np.sin(angle)])
    rgb = np.round(255 * xyz_d50_to_srgb(lab_to_xyz(lab)))
    return tuple(int(v) for v in rgb)


def _palette(count: int) -> list[tuple[int, int, int]]:
    """``count`` colours, the rings interleaved so that neighbours differ."""
    ring = []
    for step, lightness in enumerate(VIVID_L):
        ring.append(_colour(*DEEP, 30 * step))
        ring.append(_colour(lightness, VIVID_C, 30 * step + 10))
        ring.append(_colour(*TINT, 30 * step + 20))
    keep = np.round(np.linspace(0, len(ring) - 1, count)).astype(int)
    order = np.random.default_rng(29).permutation(count)
    return [ring[keep[i]] for i in order]


def _grey(lightness: float) -> tuple[int, int, int]:
    level = round(float(255 * xyz_d50_to_srgb(lab_to_xyz(np.array([lightness, 0.0, 0.0])))[1]))
    return (level, level, level)


def _patch(name: str, role: str, srgb: tuple[int, int, int], xy: tuple[float, float]) -> Patch:
    lab = xyz_to_lab(srgb_decode(np.array(srgb) / 255.0) @ SRGB_TO_XYZ_D50.T)
    return Patch(
        name=name,
        rect_mm=(xy[0], xy[1], 9.0, 9.0),
        lab_d50=tuple(round(float(v), 2) + 0.0 for v in lab),
        u_lab=U_NOMINAL.get(role, U_COLOUR),
        role=role,
        srgb=srgb,
    )


def _fill(cells: list[tuple[str, float, float]], whites: set[str], greys: list[str]) -> tuple:
    palette = iter(_palette(len(cells) - len(whites) - len(greys)))
    patches = []
    for name, x, y in cells:
        if name in whites:
            patches.append(_patch(name, "white", (255, 255, 255), (x, y)))
        elif name in greys:
            lightness = GREYS_L[GREY_ORDER[greys.index(name)]]
            role = "black" if lightness == min(GREYS_L) else "grey"
            patches.append(_patch(name, role, _grey(lightness), (x, y)))
        else:
            patches.append(_patch(name, "colour", next(palette), (x, y)))
    return tuple(patches)


def slip() -> CardDefinition:
    """A slip to lay beside the strips."""
    cells = [(f"A{i + 1}", 18.0 + 10.5 * i, 5.5) for i in range(11)]
    for letter, y in (("B", 18.0), ("C", 28.5), ("D", 39.0)):
        cells += [(f"{letter}{i + 1}", 7.5 + 10.5 * i, y) for i in range(13)]
    whites = {"A1", "A6", "A11", "B1", "B13", "C7", "D1", "D13"}
    greys = ["C2", "C3", "C4", "C5", "C6", "C8", "C9", "C10", "C11", "C12"]
    corners = ((5.0, 5.0), (135.0, 5.0), (135.0, 50.0), (5.0, 50.0))
    return CardDefinition(
        name="slip",
        title="drawdown reference slip",
        size_mm=(150.0, 65.0),
        dictionary="DICT_4X4_50",
        markers=tuple(
            Marker(i, (x, y, 10.0, 10.0))
            for i, (x, y) in zip((6, 25, 31, 43), corners, strict=True)
        ),
        patches=_fill(cells, whites, greys),
        provenance="nominal",
        source=SOURCE,
        paper_lab_d50=PAPER,
        scale_mm=(25.0, 54.0, 100.0),
        text_mm=(20.0, 56.5, 110.0, 7.0),
    )


def frame() -> CardDefinition:
    """A frame with a window, to lay over the strips."""
    cells = [(f"A{i + 1}", 18.5 + 10.3 * i, 5.5) for i in range(14)]
    for i in range(8):
        cells.append((f"L{i + 1}", 5.5, 18.0 + 10.6 * i))
        cells.append((f"R{i + 1}", 165.5, 18.0 + 10.6 * i))
    cells += [(f"B{i + 1}", 18.5 + 10.3 * i, 105.5) for i in range(14)]
    whites = {"A1", "A8", "A14", "L4", "R5", "B1", "B7", "B14"}
    greys = ["A3", "L2", "R2", "A12", "B4", "L7", "R7", "B11", "A6", "B9"]
    corners = ((5.0, 5.0), (165.0, 5.0), (165.0, 105.0), (5.0, 105.0))
    return CardDefinition(
        name="frame",
        title="drawdown reference frame",
        size_mm=(180.0, 132.0),
        dictionary="DICT_4X4_50",
        markers=tuple(
            Marker(i, (x, y, 10.0, 10.0))
            for i, (x, y) in zip((14, 27, 39, 47), corners, strict=True)
        ),
        patches=_fill(cells, whites, greys),
        provenance="nominal",
        source=SOURCE,
        paper_lab_d50=PAPER,
        window_mm=(18.0, 18.0, 144.0, 84.0),
        scale_mm=(40.0, 121.0, 100.0),
        text_mm=(20.0, 124.0, 140.0, 7.0),
    )


if __name__ == "__main__":
    for definition in (slip(), frame()):
        target = CARDS / f"{definition.name}.toml"
        target.write_text(card_text(definition), encoding="utf-8")
