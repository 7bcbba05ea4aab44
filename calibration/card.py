"""What a reference card is: geometry in millimetres, markers, patches, reference colours.

A card is data. ``read_card`` reads a TOML definition (format: DEVELOPERS.md, "A card of
your own"), ``write_card`` writes one, ``builtin_cards`` gives the two shapes of our own.

Coordinates are millimetres on the upright card: origin at its upper left corner, x to the
right, y down. Reference colours are CIELAB, D50, 2 degree observer (ISO 13655 practice).
"""

from __future__ import annotations

import functools
import importlib.resources
import tomllib
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from calibration.errors import BadFile

FORMAT = "drawdown.card/1"
ROLES = ("white", "grey", "black", "colour")


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
        """(4, 2): upper left, upper right, lower right, lower left (OpenCV's order)."""
        x, y, w, h = self.rect_mm
        return np.array([(x, y), (x + w, y), (x + w, y + h), (x, y + h)], dtype=float)


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

    @property
    def lab_d50(self) -> np.ndarray:
        """(n, 3) reference colours."""
        return np.array([p.lab_d50 for p in self.patches], dtype=float)

    @property
    def u_lab(self) -> np.ndarray:
        """(n, 3) standard uncertainties of the reference colours."""
        return np.array([p.u_lab for p in self.patches], dtype=float)

    @property
    def rects_mm(self) -> np.ndarray:
        """(n, 4) patch rectangles."""
        return np.array([p.rect_mm for p in self.patches], dtype=float)

    def with_role(self, *roles: str) -> np.ndarray:
        """(n,) True where a patch has one of the roles."""
        return np.array([p.role in roles for p in self.patches])


def card_from_dict(data: dict, where: str = "card definition") -> CardDefinition:
    """Build a definition from parsed TOML; raise ``BadFile`` that names what is wrong."""
    if data.get("format") != FORMAT:
        raise BadFile(
            f'{where} does not begin with format = "{FORMAT}"',
            "a card must be described exactly or every colour would be wrong",
            "write a fresh one with: drawdown card --definition OUT.toml, and edit that",
        )
    patches = tuple(
        Patch(
            name=p["name"],
            rect_mm=tuple(p["rect_mm"]),
            lab_d50=tuple(p["lab_d50"]),
            u_lab=tuple(p["u_lab"]),
            role=p["role"],
            srgb=tuple(p["srgb"]) if "srgb" in p else None,
        )
        for p in data["patches"]
    )
    markers = tuple(Marker(m["id"], tuple(m["rect_mm"])) for m in data.get("markers", ()))
    return CardDefinition(
        name=data["name"],
        title=data.get("title", data["name"]),
        size_mm=tuple(data["size_mm"]),
        dictionary=data.get("dictionary", "DICT_4X4_50"),
        markers=markers,
        patches=patches,
        provenance=data["provenance"],
        source=data.get("source", ""),
        window_mm=tuple(data["window_mm"]) if "window_mm" in data else None,
        scale_mm=tuple(data["scale_mm"]) if "scale_mm" in data else None,
        text_mm=tuple(data["text_mm"]) if "text_mm" in data else None,
    )


def card_to_dict(card: CardDefinition) -> dict:
    """The definition as plain data, ready for TOML."""
    data: dict = {
        "format": FORMAT,
        "name": card.name,
        "title": card.title,
        "provenance": card.provenance,
        "source": card.source,
        "size_mm": list(card.size_mm),
        "dictionary": card.dictionary,
    }
    for key in ("window_mm", "scale_mm", "text_mm"):
        if getattr(card, key) is not None:
            data[key] = list(getattr(card, key))
    data["markers"] = [{"id": m.id, "rect_mm": list(m.rect_mm)} for m in card.markers]
    data["patches"] = []
    for p in card.patches:
        row = {"name": p.name, "role": p.role, "rect_mm": list(p.rect_mm)}
        if p.srgb is not None:
            row["srgb"] = list(p.srgb)
        data["patches"].append(row | {"lab_d50": list(p.lab_d50), "u_lab": list(p.u_lab)})
    return data


def read_card(path: Path) -> CardDefinition:
    """Read a card definition (TOML); raise ``BadFile`` when it is not one."""
    return card_from_dict(tomllib.loads(Path(path).read_text(encoding="utf-8")), str(path))


@functools.cache
def builtin_cards() -> tuple[CardDefinition, ...]:
    """The two shapes of our own card: the slip and the frame."""
    folder = importlib.resources.files("calibration") / "cards"
    return tuple(
        card_from_dict(tomllib.loads((folder / name).read_text(encoding="utf-8")), name)
        for name in ("slip.toml", "frame.toml")
    )
