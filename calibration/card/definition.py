"""What a reference card is: geometry in millimetres, markers, patches, reference colours.

A card is data. ``read_card`` reads a TOML definition (format: DEVELOPERS.md, "A card of
your own"), ``write_card`` writes one, ``builtin_cards`` gives the two shapes of our own.
What a definition must hold is checked in calibration/card/toml.py.

Coordinates are millimetres on the upright card: origin at its upper left corner, x to the
right, y down. Reference colours are CIELAB, D50, 2 degree observer (ISO 13655 practice).
"""

from __future__ import annotations

import functools
import re
import tomllib
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from calibration.colour.spaces import WHITE_D50, lab_to_xyz, xyz_to_lab
from calibration.errors import BadFile
from calibration.files import read_bytes, write_atomically

FORMAT = "drawdown.card/1"
ROLES = ("white", "grey", "black", "colour")
PROVENANCES = ("nominal", "measured")
_MOST_BYTES = 5_000_000
HEADER = """\
# A reference card. All places and sizes are millimetres on the upright card: origin at
# its upper left corner, x to the right, y down; a rectangle is [x, y, width, height].
#
# provenance   "nominal" (colours as drawn) or "measured" (colours read from your print)
# source       where the colours come from, in your words
# dictionary   the ArUco dictionary of the markers; markers may be left out altogether,
#              then the card's corners have to be given by hand for each photo
# window_mm    the hole, if the card is a frame that is laid over the strips
# scale_mm     [x, y, length] of the printed ruler; text_mm: the box for the words
# paper_lab_d50  the white of the paper that colours as drawn are printed on: they are
#              relative to it. Leave it out when the patches are measured
# patches      name, role ("white", "grey", "black" or "colour"), rect_mm,
#              srgb (the colour it is drawn in; may be left out),
#              lab_d50 (L*, a*, b* for D50 and the 2 degree observer) and
#              u_lab (the standard uncertainty of each of the three)
#
# After having your print measured, change lab_d50 and u_lab and set provenance, or keep
# the instrument's CGATS.17 text file (ISO 28178) beside this one and add above the markers
#   reference_file = "values.txt"        SAMPLE_ID or SAMPLE_NAME as the patches are named
#   reference_u_lab = [0.5, 0.5, 0.5]    and the uncertainty of those values
# Paper and ink fade: measure again when the card has seen much light.
"""


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

    def with_role(self, *roles: str) -> np.ndarray:
        """(n,) True where a patch has one of the roles."""
        return np.array([p.role in roles for p in self.patches])


def card_from_dict(
    data: dict, where: str = "card definition", folder: Path | None = None
) -> CardDefinition:
    """Build a definition from parsed TOML.

    A card without markers is accepted: its corners then have to be given by hand for each
    photo. ``reference_file`` (a CGATS.17 text file, relative to ``folder``) replaces the
    ``lab_d50`` of all patches, and ``reference_u_lab`` their ``u_lab``.

    Raises
    ------
    BadFile
        Names the key or patch that is wrong, and what to do.
    """
    from calibration.card.toml import checked  # it needs the classes above

    return checked(data, where, folder or Path())


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
    for key in ("window_mm", "scale_mm", "text_mm", "paper_lab_d50"):
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


def read_card(path: str | Path) -> CardDefinition:
    """Read a card definition (TOML); raise ``BadFile`` when it is not one."""
    why = "a card must be described exactly or every colour would be wrong"
    raw = read_bytes(path, "a card definition", _MOST_BYTES)
    try:
        data = tomllib.loads(raw.decode("utf-8-sig").replace("\r\n", "\n"))
    except UnicodeDecodeError as error:
        raise BadFile(
            f"{path} is not UTF-8 text",
            why,
            "give the card's TOML definition, saved as UTF-8, not a picture of the card",
        ) from error
    except (ValueError, RecursionError) as error:  # TOMLDecodeError names line and column
        raise BadFile(
            f"{path} is not valid TOML: {error}", why, "mend that line, then try again"
        ) from error
    return card_from_dict(data, str(path), Path(path).parent)


def card_text(card: CardDefinition) -> str:
    """The TOML text of a definition, with a comment that explains the fields."""
    import tomli_w

    text = tomli_w.dumps(card_to_dict(card))
    # One row of numbers on one line reads better than the writer's one number a line.
    text = re.sub(
        r"= \[\n((?:    [-+.\deE]+,\n)+)\]",
        lambda match: "= [" + ", ".join(match[1].replace(",", "").split()) + "]",
        text,
    )
    return HEADER + "\n" + text


def write_card(path: str | Path, card: CardDefinition) -> None:
    """Write a definition (TOML), whole or not at all; raise ``BadFile`` when that fails."""
    write_atomically(path, card_text(card).encode("utf-8"))


@functools.cache
def builtin_cards() -> tuple[CardDefinition, ...]:
    """The two shapes of our own card: the slip and the frame."""
    folder = Path(__file__).with_name("cards")
    return tuple(
        card_from_dict(tomllib.loads((folder / name).read_text(encoding="utf-8")), name)
        for name in ("slip.toml", "frame.toml")
    )
