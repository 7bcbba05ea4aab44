"""Card definitions as TOML: read and checked key by key, written, and the two of our own."""

from __future__ import annotations

import functools
import math
import re
import tomllib
from pathlib import Path
from typing import NoReturn

import numpy as np

from calibration.card.definition import (
    DICTIONARIES,
    PROVENANCES,
    ROLES,
    TOUCH_MM,
    CardDefinition,
    Marker,
    Patch,
    overlapping,
)
from calibration.card.tables import reference_lab_d50
from calibration.errors import BadFile
from calibration.files import read_bytes, write_atomically

FORMAT = "drawdown.card/1"
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

LEAST_PATCHES, MOST_PATCHES = 6, 500
LIGHTNESS, CHROMA = (0.0, 110.0), 150.0  # paper with optical brightener can pass L* 100
LEAST_MM, MOST_MM, MOST_U = 1.0, 2000.0, 50.0
_WHY = "a card must be described exactly or every colour would be wrong"
_KEYS = {
    "format", "name", "title", "provenance", "source", "size_mm", "dictionary", "window_mm",
    "scale_mm", "text_mm", "markers", "patches", "reference_file", "reference_u_lab",
    "paper_lab_d50",
}  # fmt: skip
_PATCH_KEYS = {"name", "role", "rect_mm", "srgb", "lab_d50", "u_lab"}
_RECT = "[x, y, width, height] in mm"


Three = tuple[float, float, float]


class _Table:
    """One TOML table and how to speak of it ("slip.toml: patch "A1"")."""

    def __init__(self, data: object, of: str, known: set[str]) -> None:
        self.of = of
        if not isinstance(data, dict):
            self.bad("is not a table of keys and values", "write it as the other ones are")
        self.data = data
        for key in data:
            if key not in known:
                self.bad(
                    f'has a key "{key}" that means nothing here',
                    "take it out, or correct its spelling; the keys are "
                    + ", ".join(sorted(known)),
                )

    def bad(self, seen: str, todo: str) -> NoReturn:
        raise BadFile(f"{self.of} {seen}", _WHY, todo)

    def get(self, key: str, hint: str) -> object:
        if key not in self.data:
            self.bad(f'has no "{key}"', f"add {key} = {hint}")
        return self.data[key]

    def text(self, key: str, hint: str, most: int = 60, default: str | None = None) -> str:
        value = self.get(key, hint) if default is None else self.data.get(key, default)
        if not isinstance(value, str):
            self.bad(f'has a "{key}" that is not text', f"write {key} = {hint}")
        if default is None and not value.strip():
            self.bad(f'has an empty "{key}"', f"write {key} = {hint}")
        if len(value) > most or not all(c.isprintable() for c in value):
            self.bad(
                f'has a "{key}" that is longer than {most} characters or breaks the line',
                "shorten it to one plain line",
            )
        return value

    def one_of(self, key: str, allowed: tuple[str, ...]) -> str:
        hint = " or ".join(f'"{word}"' for word in allowed)
        value = self.get(key, hint)
        if value not in allowed:
            self.bad(f'has {key} = "{value}", which is unknown', f"write {hint}")
        return value

    def numbers(self, key: str, count: int, hint: str) -> tuple[float, ...]:
        value = self.get(key, hint)
        if not isinstance(value, list) or len(value) != count:
            self.bad(f'has a "{key}" that is not a list of {count} numbers', f"write {hint}")
        for number in value:
            plain = isinstance(number, int | float) and not isinstance(number, bool)
            if not plain or not -1e6 < number < 1e6:  # the comparison also fails for nan
                self.bad(
                    f'has "{number}" in "{key}", which is not an ordinary number',
                    f"write {hint}",
                )
        return tuple(float(number) for number in value)

    def three(self, key: str, hint: str) -> Three:
        one, two, three = self.numbers(key, 3, hint)
        return one, two, three

    def rect(self, key: str, size_mm: tuple[float, float]) -> tuple[float, float, float, float]:
        """A rectangle that lies on the card."""
        x, y, width, height = self.numbers(key, 4, _RECT)
        if width < LEAST_MM or height < LEAST_MM:
            self.bad(
                f"is only {width:g} x {height:g} mm large", f"give {key} at least {LEAST_MM:g} mm"
            )
        beyond = max(-x, -y, x + width - size_mm[0], y + height - size_mm[1])
        if beyond > TOUCH_MM:
            self.bad(
                f"has a {key} that reaches {beyond:.3g} mm beyond the card "
                f"({size_mm[0]:g} x {size_mm[1]:g} mm)",
                f"correct {key} or size_mm",
            )
        return x, y, width, height

    def tables(self, key: str, required: bool) -> list:
        todo = f"describe each of them in a table that begins with [[{key}]]"
        if required and key not in self.data:
            self.bad(f"has no {key}", todo)
        value = self.data.get(key, [])
        if not isinstance(value, list):
            self.bad(f'has "{key}" that is not a list of tables', todo)
        return value


def card_from_dict(
    data: dict, where: str = "card definition", folder: Path | None = None
) -> CardDefinition:
    """Build a definition from parsed TOML.

    A card without markers is accepted: its corners then have to be given by hand for each
    photo. ``reference_file`` (a CGATS.17 text file, relative to ``folder``) replaces the
    ``lab_d50`` of all patches, and ``reference_u_lab`` their ``u_lab``. Raises ``BadFile`` that
    names the key or patch that is wrong, and what to do.
    """
    if not isinstance(data, dict) or data.get("format") != FORMAT:
        raise BadFile(
            f'{where} does not begin with format = "{FORMAT}"',
            _WHY,
            "write a fresh one with: `write_card`, and edit that",
        )
    top = _Table(data, where, _KEYS)
    name = top.text("name", '"a short name"')
    width, height = top.numbers("size_mm", 2, "[width, height] in mm")
    size = (width, height)
    if not all(10.0 <= side <= MOST_MM for side in size):
        top.bad(f"has a size_mm of {size[0]:g} x {size[1]:g} mm",
                f"give width and height in mm, between 10 and {MOST_MM:g}")  # fmt: skip
    dictionary = data.get("dictionary", "DICT_4X4_50")
    if not isinstance(dictionary, str) or dictionary not in DICTIONARIES:
        top.bad(f'has dictionary = "{dictionary}", which is unknown',
                "write one of " + ", ".join(DICTIONARIES))  # fmt: skip
    window, words = (
        top.rect(key, size) if key in data else None for key in ("window_mm", "text_mm")
    )
    markers = _markers(top, where, size, dictionary)
    patches = _patches(top, where, size, folder or Path())
    _check_apart(top, markers, patches, window)
    return CardDefinition(
        name=name,
        title=top.text("title", '"a title"', default=name),
        size_mm=size,
        dictionary=dictionary,
        markers=markers,
        patches=patches,
        provenance=top.one_of("provenance", PROVENANCES),
        source=top.text("source", '"where the colours come from"', most=1000, default=""),
        window_mm=window,
        scale_mm=_scale(top, size) if "scale_mm" in data else None,
        text_mm=words,
        paper_lab_d50=_paper(top) if "paper_lab_d50" in data else None,
    )


def _paper(top: _Table) -> Three:
    lab = top.three("paper_lab_d50", "[L*, a*, b*] of the bare paper")
    if not 50.0 <= lab[0] <= LIGHTNESS[1] or math.hypot(lab[1], lab[2]) > 40.0:
        top.bad("has a paper_lab_d50 that no white paper has",
                "write the paper's L*, a*, b*, for instance [95.0, 0.5, -2.0]")  # fmt: skip
    return lab


def _scale(top: _Table, size: tuple[float, float]) -> Three:
    x, y, length = top.three("scale_mm", "[x, y, length] in mm")
    if length < 10 or min(x, y) < 0 or x + length > size[0] or y > size[1]:
        top.bad("has a scale_mm that is shorter than 10 mm or leaves the card",
                "write scale_mm = [x, y, length] so that it lies on the card")  # fmt: skip
    return x, y, length


def _markers(
    top: _Table, where: str, size: tuple[float, float], dictionary: str
) -> tuple[Marker, ...]:
    markers: list[Marker] = []
    for number, row in enumerate(top.tables("markers", required=False), start=1):
        table = _Table(row, f"{where}: marker {number}", {"id", "rect_mm"})
        id_ = table.get("id", "a whole number")
        if isinstance(id_, bool) or not isinstance(id_, int):
            table.bad(f'has id = "{id_}", which is not a whole number', "write the marker's id")
        count = DICTIONARIES[dictionary]
        if not 0 <= id_ < count:
            table.bad(f"has id {id_}, but {dictionary} holds only 0 to {count - 1}",
                      "correct the id or the dictionary")  # fmt: skip
        if any(marker.id == id_ for marker in markers):
            table.bad(f"has id {id_}, which another marker has too",
                      "give every marker an id of its own")  # fmt: skip
        rect = table.rect("rect_mm", size)
        if abs(rect[2] - rect[3]) > 0.01 * rect[2]:
            table.bad("is not square", "give it the same width and height")
        markers.append(Marker(id_, rect))
    return tuple(markers)


def _patches(top: _Table, where: str, size: tuple[float, float], folder: Path) -> tuple[Patch, ...]:
    rows = top.tables("patches", required=True)
    if not LEAST_PATCHES <= len(rows) <= MOST_PATCHES:
        top.bad(
            f"has {len(rows)} patches",
            f"a card needs {LEAST_PATCHES} to {MOST_PATCHES}; more than ten, with several "
            "greys and a white, work well",
        )
    tables, names = [], []
    for number, row in enumerate(rows, start=1):
        table = _Table(row, f"{where}: patch number {number}", _PATCH_KEYS)
        name = table.text("name", '"a short name"', most=40)
        table.of = f'{where}: patch "{name}"'
        if name in names:
            table.bad("is there twice", "give every patch a name of its own")
        tables.append(table)
        names.append(name)
    labs = u_all = None
    if "reference_file" in top.data:
        file = top.text("reference_file", '"values.txt"', most=1000)
        labs = reference_lab_d50(folder / file, tuple(names))
    if "reference_u_lab" in top.data:
        if labs is None:
            top.bad("has reference_u_lab without a reference_file",
                    "add the reference_file, or take reference_u_lab out")  # fmt: skip
        u_all = _u_lab(top, "reference_u_lab")
    patches = []
    for i, table in enumerate(tables):
        if labs is None:
            lab = table.three("lab_d50", "[L*, a*, b*]")
        else:
            lab = (float(labs[i, 0]), float(labs[i, 1]), float(labs[i, 2]))
        if not LIGHTNESS[0] <= lab[0] <= LIGHTNESS[1] or max(map(abs, lab[1:])) > CHROMA:
            table.bad(
                f"has the colour L* {lab[0]:g}, a* {lab[1]:g}, b* {lab[2]:g}, "
                "which no paper or ink has",
                f"write lab_d50 = [L*, a*, b*] with L* from {LIGHTNESS[0]:g} to {LIGHTNESS[1]:g} "
                f"and a*, b* from -{CHROMA:g} to {CHROMA:g}",
            )
        patches.append(
            Patch(
                name=names[i],
                rect_mm=table.rect("rect_mm", size),
                lab_d50=lab,
                u_lab=u_all or _u_lab(table, "u_lab"),
                role=table.one_of("role", ROLES),
                srgb=_srgb(table) if "srgb" in table.data else None,
            )
        )
    return tuple(patches)


def _u_lab(table: _Table, key: str) -> Three:
    u_lab = table.three(key, "[u of L*, u of a*, u of b*]")
    if not all(0.0 < u <= MOST_U for u in u_lab):
        table.bad(
            f"has {key} = {list(u_lab)}; an uncertainty is above 0 and at most {MOST_U:g}",
            "write the standard uncertainty of each of L*, a*, b*; the maker of the values "
            "or the instrument's handbook gives it",
        )
    return u_lab


def _srgb(table: _Table) -> tuple[int, int, int]:
    hint = "srgb = [red, green, blue], whole numbers from 0 to 255"
    value = table.three("srgb", hint)
    if not all(v == int(v) and 0 <= v <= 255 for v in value):
        table.bad(f"has srgb = {table.data['srgb']}", f"write {hint}")
    return int(value[0]), int(value[1]), int(value[2])


def _check_apart(
    top: _Table,
    markers: tuple[Marker, ...],
    patches: tuple[Patch, ...],
    window_mm: tuple[float, float, float, float] | None,
) -> None:
    """No patch, marker or window lies on another."""
    names = [f'patch "{patch.name}"' for patch in patches]
    names += [f"marker {marker.id}" for marker in markers]
    rects = [patch.rect_mm for patch in patches] + [marker.rect_mm for marker in markers]
    if window_mm is not None:
        names.append("the window")
        rects.append(window_mm)
    two = overlapping(np.array(rects))
    if two is not None:
        one, other = (names[k] for k in two)
        top.bad(f"has {one} and {other} on top of each other", "correct the rect_mm of one of them")


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
    data["patches"] = [
        {"name": p.name, "role": p.role, "rect_mm": list(p.rect_mm)}
        | ({} if p.srgb is None else {"srgb": list(p.srgb)})
        | {"lab_d50": list(p.lab_d50), "u_lab": list(p.u_lab)}
        for p in card.patches
    ]
    return data


def read_card(path: str | Path) -> CardDefinition:
    """Read a card definition (TOML); raise ``BadFile`` when it is not one."""
    raw = read_bytes(path, "a card definition", 5_000_000)
    try:
        data = tomllib.loads(raw.decode("utf-8-sig").replace("\r\n", "\n"))
    except UnicodeDecodeError as error:
        raise BadFile(
            f"{path} is not UTF-8 text",
            _WHY,
            "give the card's TOML definition, saved as UTF-8, not a picture of the card",
        ) from error
    except (ValueError, RecursionError) as error:  # TOMLDecodeError names line and column
        raise BadFile(
            f"{path} is not valid TOML: {error}", _WHY, "correct that line, then try again"
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
