"""The shelf: inks with their absorption K and scattering S over wavelength.

``starter_shelf`` is what we bring; ``read_shelf`` reads a printmaker's own (TOML);
``shelf_writing`` writes one. Films are counted so that an ordinary strip is 1.
"""

from __future__ import annotations

import functools
import math
import os
import re
import tomllib
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from calibration.errors import WrongUsage
from calibration.files import read_bytes
from drawdown.ink.hazards import pigment_caution
from drawdown.ink.tables import bad, doubts, numbers, plain, read_table

Table = dict[tuple[str, str], np.ndarray]
FORMAT = "drawdown.shelf/1"
KINDS = ("colour", "white", "base", "black")
_KEYS = {
    "name", "colour_index", "generic_name", "kind", "k", "s", "file", "starter", "strength",
    "k_sd", "s_sd", "doubt", "source", "caution",
}  # fmt: skip
TEXTS = ("name", "colour_index", "generic_name", "kind", "source")
_AS_PARTS = 'give parts by weight, as in "white 80, phthalo-blue 20"'
# An amount amid what should be one ink: a comma was forgotten.
_AMOUNT_WITHIN = re.compile(r"(\s\d+(?:[.,]\d+)?(?:\s?(?:g|%))?)\s+(?=[^\W\d])")
# What is assumed of an ink's strength when a shelf does not say: our own judgement.
DEFAULT_K_SD, DEFAULT_S_SD = 0.25, 0.30


@dataclass(frozen=True, eq=False)
class Ink:
    """One ink.

    ``k`` and ``s`` (31,) are absorption and scattering per ordinary film at
    ``WAVELENGTHS_NM``; ``k_sd`` and ``s_sd`` the relative standard uncertainties of their
    strength; ``kind`` is "colour", "white", "base" (transparent) or "black".

    ``doubt`` (r, 62), of an ink fitted from strips, is what they left open: each row is one
    independent standard deviation of ln K (31) and ln S (31). None: only the two sd say.
    """

    name: str
    colour_index: str
    generic_name: str
    kind: str
    k: np.ndarray
    s: np.ndarray
    source: str
    k_sd: float = DEFAULT_K_SD
    s_sd: float = DEFAULT_S_SD
    caution: str = ""
    starter: str = ""  # the starter ink whose figures these are, ``strength`` times, if any
    strength: float = 1.0
    doubt: np.ndarray | None = None

    @property
    def known_from(self) -> str:
        """What the figures rest on: "starter", "fitted" or "own figures"."""
        if self.starter:
            return "starter"
        return "own figures" if self.doubt is None else "fitted"

    @property
    def title(self) -> str:
        """For people: "phthalo-blue (PB15:3)"."""
        return f"{self.name} ({self.colour_index})" if self.colour_index else self.name


@dataclass(frozen=True, eq=False)
class InkMix:
    """Some inks and their ``parts`` (n,) by weight, of any sum."""

    inks: tuple[Ink, ...]
    parts: np.ndarray

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(ink.name for ink in self.inks)


@dataclass(frozen=True, eq=False)
class Shelf:
    """The inks one owns, in their order on the shelf."""

    inks: tuple[Ink, ...]
    title: str = ""

    def __len__(self) -> int:
        return len(self.inks)

    def __iter__(self) -> Iterator[Ink]:
        return iter(self.inks)

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(ink.name for ink in self.inks)

    @property
    def k(self) -> np.ndarray:
        """(n, 31) absorption of all inks."""
        return np.array([ink.k for ink in self.inks])

    @property
    def s(self) -> np.ndarray:
        """(n, 31) scattering of all inks."""
        return np.array([ink.s for ink in self.inks])

    def find(self, text: str) -> Ink:
        """The ink called ``text``: its name, generic name, Colour Index name, or "white",
        "base" or "black" when the shelf has one of the kind.

        Raises ``WrongUsage``, with near misses, when there is none or more than one.
        """
        wanted = plain(text)
        labels: tuple[Callable[[Ink], str], ...] = (
            lambda ink: ink.name,
            lambda ink: ink.generic_name,
            lambda ink: ink.colour_index,
            lambda ink: ink.kind if ink.kind != "colour" else "",
            # PB15 for a shelf with one of PB15:1, PB15:3.
            lambda ink: ink.colour_index.split(":")[0],
        )
        for label in labels:
            found = [ink for ink in self.inks if wanted and plain(label(ink)) == wanted]
            if len(found) == 1:
                return found[0]
            if found:
                raise WrongUsage(
                    f'"{text}" could be any of {_list(i.title for i in found)}',
                    "the advice depends on which of them is in the mix",
                    "give the full name",
                )
        parted = _AMOUNT_WITHIN.sub(r"\1, ", text)
        if parted != text:
            problem = WrongUsage(
                f'"{text}" reads as one ink, and none on the shelf is called that',
                "a comma parts one ink from the next",
                "put a comma after each amount",
            )
            problem.instead = (text, parted)
            raise problem
        problem = WrongUsage(
            f'there is no ink called "{text}" on the shelf',
            "only inks on the shelf have known properties",
            self._hint(wanted),
        )
        if near := _near(wanted, self._labels(), 1, 0.8):
            problem.instead = (text, self._labels()[near[0]].split(" (")[0])
        raise problem

    def mix(self, parts: dict[str, float]) -> InkMix:
        """The inks of a mix by any names the shelf finds; raises ``WrongUsage``."""
        inks = tuple(self.find(name) for name in parts)
        return InkMix(inks, np.array(list(parts.values()), dtype=float))

    def _hint(self, wanted: str) -> str:
        labels = self._labels()
        if near := _near(wanted, labels, 1, 0.8):
            return f"did you mean {labels[near[0]]}?"
        near = _near(wanted, labels, 3)
        near += [key for key in labels if len(wanted) > 2 and wanted in key and key not in near]
        if titles := list(dict.fromkeys(labels[key] for key in near))[:4]:
            return f"perhaps you meant {_list(titles, 'or')}"
        return f"use one of {_list(self.names, 'or')}"

    def _labels(self) -> dict[str, str]:
        """What an ink may be called, as it is compared -> how to say it."""
        labels = {i.kind: i.kind for i in self.inks if i.kind != "colour"}
        for of in ("name", "generic_name", "colour_index"):
            labels |= {plain(getattr(i, of)): i.title for i in self.inks if getattr(i, of)}
        return labels

    def known(self, text: str) -> Ink | None:
        """The same; None where ``find`` refuses."""
        try:
            return self.find(text)
        except WrongUsage:
            return None

    def by_name(self, amounts: Mapping[str, float]) -> dict[str, float]:
        """Amounts under the shelf's own names; an ink that goes by two names is added up. Raises
        ``WrongUsage`` for an unknown ink."""
        total: dict[str, float] = {}
        for text, amount in amounts.items():
            name = self.find(text).name
            total[name] = total.get(name, 0.0) + amount
        return total

    def named_mix(self, parts: dict[str, float]) -> dict[str, float]:
        """The parts under the shelf's own names, scaled to sum to 100.

        Raises ``WrongUsage`` for an unknown ink or parts that are no positive numbers.
        """
        total: dict[str, float] = {}
        for text, value in parts.items():
            ink = self.find(text)
            if not (isinstance(value, int | float) and math.isfinite(value) and value >= 0):
                raise WrongUsage(
                    f'the parts of "{text}" are {value}',
                    "parts are amounts, so they must be numbers from 0 up",
                    _AS_PARTS,
                )
            total[ink.name] = total.get(ink.name, 0.0) + float(value)
        whole = sum(total.values())
        if not whole > 0:
            raise WrongUsage(
                "the mix has no ink in it",
                "a mix needs at least one ink above 0 parts",
                _AS_PARTS,
            )
        return {name: 100 * value / whole for name, value in total.items()}


def _near(text: str, known: Iterable[str], count: int, cutoff: float = 0.6) -> list[str]:
    import difflib

    return difflib.get_close_matches(text, known, n=count, cutoff=cutoff)


def _list(items: Iterable[str], word: str = "and") -> str:
    items = list(items)
    return items[0] if len(items) == 1 else f"{', '.join(items[:-1])} {word} {items[-1]}"


def _ink(entry: dict[str, Any], where: str, open_table: Callable[[str, str], Table]) -> Ink:
    """One ``[[inks]]`` entry as an ink. ``open_table`` reads a spectra table by file name."""
    if not isinstance(entry, dict):
        raise bad(where, "an ink is not a table", "begin each ink with [[inks]]")
    called = entry.get("name") or entry.get("starter") or ""
    where = f'{where} at the ink "{called}"' if called else where
    _check_entry(entry, called, where)
    ink = _figures(entry, called, where, open_table)
    ink = replace(
        ink,
        **{key: entry[key] for key in TEXTS if key in entry},
        k_sd=float(entry.get("k_sd", ink.k_sd)),
        s_sd=float(entry.get("s_sd", ink.s_sd)),
        doubt=doubts(entry.get("doubt"), where),
    )
    if ink.kind not in KINDS:
        raise bad(where, f'kind is "{ink.kind}"', f"use {_list(KINDS, 'or')}")
    if ink.k.max() + ink.s.max() <= 0:
        raise bad(where, "it neither absorbs nor scatters", "give k and s of the real ink")
    return replace(ink, caution=entry.get("caution", pigment_caution(ink.colour_index)))


def _check_entry(entry: dict[str, Any], called: str, where: str) -> None:
    """Keys, types and the name, as far as they can be checked before figures are read."""
    for key in sorted(entry.keys() - _KEYS):
        near = _near(key, _KEYS, 1)
        todo = f"perhaps you meant {near[0]}" if near else f"use {_list(sorted(_KEYS), 'or')}"
        raise bad(where, f'"{key}" is not known', todo)
    for key in _KEYS - {"k", "s", "strength", "k_sd", "s_sd", "doubt"}:
        if not isinstance(entry.get(key, ""), str):
            raise bad(where, f"{key} is not text", f'write {key} = "..."')
    for key in ("strength", "k_sd", "s_sd"):
        value = entry.get(key, 1)
        if isinstance(value, bool) or not isinstance(value, int | float) or not 0 < value <= 100:
            raise bad(where, f"{key} is not a number above 0", f"write for example {key} = 0.25")
    if not called.strip():
        raise bad(where, "an ink has no name", 'write name = "...", as you will type it')
    # "=" would break INK=PARTS on the command line.
    if "=" in called or not called.isprintable():
        raise bad(where, "the name holds = or a control character", "use letters and hyphens")
    given = [key for key in ("starter", "file", "k") if key in entry]
    if len(given) != 1 or ("s" in entry) != ("k" in entry):
        raise bad(
            where,
            "it must have exactly one of: starter, file, or k and s",
            'the shortest way is starter = "phthalo-blue" (list them with: drawdown ink list)',
        )


def _figures(
    entry: dict[str, Any], called: str, where: str, open_table: Callable[[str, str], Table]
) -> Ink:
    """The ink with the K and S that its entry gives, names or brings from a file."""
    strength = float(entry.get("strength", 1))
    if "starter" in entry:
        try:
            ink = starter_shelf().find(entry["starter"])
        except WrongUsage as problem:
            raise bad(
                where, problem.seen.replace("the shelf", "the starter shelf"), problem.todo
            ) from None
        return replace(ink, k=ink.k * strength, s=ink.s * strength, strength=strength)
    k, s = entry.get("k"), entry.get("s")
    if "file" in entry:
        table = open_table(entry["file"], where)
        try:
            k, s = (table[plain(called), quantity] for quantity in "ks")
        except KeyError:
            raise bad(
                where,
                f"{entry['file']} has no lines k and s for it",
                "name the ink alike in both files",
            ) from None
    k, s = numbers(k, where, "k") * strength, numbers(s, where, "s") * strength
    return Ink(called, "", "", entry.get("kind", "colour"), k, s, "not stated")


def _shelf(text: str, where: str, open_text: Callable[[str, str], str]) -> Shelf:
    try:
        data = tomllib.loads(text)
    except (ValueError, RecursionError) as problem:  # TOMLDecodeError is one of the former
        raise bad(where, f"it is not valid TOML: {problem}", "mend that line") from None
    if data.get("format") != FORMAT:
        raise bad(
            where,
            f'it does not begin with format = "{FORMAT}"',
            "write a fresh one with: `write_shelf`, and edit that",
        )
    entries = data.get("inks")
    if not isinstance(entries, list) or not entries:
        raise bad(where, "it lists no inks", "add one [[inks]] entry for each ink you own")
    tables: dict[str, Table] = {}

    def open_table(name: str, ink_where: str) -> Table:
        if name not in tables:
            tables[name] = read_table(open_text(name, ink_where), name)
        return tables[name]

    inks = [_ink(entry, where, open_table) for entry in entries]
    names = [plain(ink.name) for ink in inks]
    for ink in inks:
        if names.count(plain(ink.name)) > 1:
            raise bad(where, f'two inks are called "{ink.name}"', "give each its own name")
    return Shelf(tuple(inks), str(data.get("title", "")))


@functools.cache
def starter_shelf() -> Shelf:
    """The stand-in inks that come with the program (source: data/starter.toml)."""
    folder = Path(__file__).with_name("data")

    def read(name: str, _where: str = "") -> str:
        return (folder / name).read_text(encoding="utf-8")

    shelf = _shelf(read("starter.toml"), "starter.toml", read)
    return replace(shelf, inks=tuple(replace(ink, starter=ink.name) for ink in shelf))


def starter_ink(text: str) -> Ink:
    """The starter ink that ``find`` gives. Raises ``WrongUsage`` that speaks of starter
    pigments, not of the printmaker's own shelf."""
    try:
        return starter_shelf().find(text)
    except WrongUsage as wrong:
        if not wrong.seen.startswith("there is no ink"):
            raise
        raise WrongUsage(
            f'no starter pigment is called "{text}"',
            "only these come with figures that can stand in for your ink's own",
            f"{wrong.todo}; fit any other ink from a photo of its strips, "
            "with drawdown ink fit and no `pigment`",
        ) from None


def read_shelf(path: str | os.PathLike[str]) -> Shelf:
    """Read a printmaker's own shelf (TOML); raise ``BadFile`` that says what to mend."""
    return shelf_from_text(_read_text(Path(path), ""), path)


def shelf_from_text(text: str, path: str | os.PathLike[str]) -> Shelf:
    """A shelf from the text of the file ``path``, from whose folder further files are read."""
    folder = Path(path).parent
    return _shelf(text, str(path), lambda name, where: _read_text(folder / name, where))


def _read_text(path: Path, where: str) -> str:
    try:
        what = "a shelf of inks" if not where else f"ink figures for {where}"
        return read_bytes(path, what, 10_000_000).decode("utf-8-sig")
    except UnicodeDecodeError:
        name = path.name if where else str(path)
        raise bad(name, "it is not UTF-8 text", "save it again as UTF-8 text") from None
