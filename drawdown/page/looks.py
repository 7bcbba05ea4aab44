"""Looks: one pair in one photo or several, what was asked of it and what the answer was, as files.

``page/looks/ID/`` holds ``asked.json``, the photos (``1.new`` as it came, then ``1.jpg`` without
places and whatever else is not needed), ``answer.json`` and ``answer.jpg``. Every name is our own.
"""

from __future__ import annotations

import json
import re
import shutil
import time
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import asdict, dataclass, fields, replace
from pathlib import Path
from typing import Any

from calibration.errors import DrawdownError, WrongUsage
from calibration.files import private_folder, write_atomically
from drawdown.defaults import TOLERANCE_DE00
from drawdown.ink.mix_notation import Amounts, number_of, read_amounts, read_inks
from drawdown.ink.shelf import Shelf
from drawdown.page.inks import MOST_TYPED, amounts_given, as_text
from drawdown.page.studio import Studio
from drawdown.pipeline.options import Corners, Options

MOST_LOOKS, MOST_PHOTOS = 400, 6
MOST_DAYS = 30.0
MOST_HELD_BYTES = 4_000_000_000  # of all photos that are held
_ID = re.compile(r"[0-9a-f]{32}")


@dataclass(frozen=True)
class Asked:
    """What is asked of a look, as it was typed and tapped. ``revision`` counts the changes;
    ``phone`` sent it; ``taps`` are (x, y) or (x, y, w, h) of the original's strip, then the
    batch's, in px of the upright photo. The rest goes into ``pipeline.options.Options``."""

    phone: str = ""
    when: float = 0.0
    revision: int = 1
    photos: int = 1
    original: int | None = None
    batch: int | None = None
    taps: tuple[tuple[float, ...], ...] = ()
    corners: Corners = ()
    rough: bool = False  # without a card, by bare paper
    papers: tuple[tuple[float, ...], ...] = ()  # like ``taps``
    mix: str = ""
    original_mix: str = ""
    inks: str = ""
    grams: str = ""
    tolerance: str = ""
    wet: tuple[str, ...] = ()
    pulled_alike: bool = False
    wedge: bool = False
    other_inks: bool = False
    follows: str = ""  # a batch in the book
    kept: str = ""  # an original in the book
    apart: bool = False  # the photo does not show it

    @property
    def said(self) -> Amounts | None:
        """The mix as it was typed. Raises ``WrongUsage``."""
        return _amounts(self.mix, "mix")

    def options(self, studio: Studio) -> Options:
        """Raises ``WrongUsage``."""
        said, of_original = self.said, _amounts(self.original_mix, "original_mix")
        grams = _number(self.grams, "batch_grams")
        tolerance = _number(self.tolerance, "tolerance")
        return Options(
            original=self.original,
            batch=self.batch,
            card=studio.card,
            card_corners=(self.corners,) if self.corners else (),
            shelf=studio.shelf,
            mix=None if said is None else said.amounts,
            original_mix=None if of_original is None else of_original.amounts,
            inks=read_inks(self.inks) if self.inks else (),
            batch_grams=grams if grams is not None or said is None else said.grams,
            tolerance=TOLERANCE_DE00 if tolerance is None else tolerance,
            wet=self.wet,
            pulled_alike=self.pulled_alike,
            wedge=self.wedge,
            other_inks=self.other_inks,
        )


def _amounts(text: str, parameter: str) -> Amounts | None:
    return read_amounts(text, parameter) if text.strip() else None


def _number(text: str, parameter: str) -> float | None:
    if not text.strip():
        return None
    try:
        return number_of(text)
    except ValueError:
        raise WrongUsage(
            f'`{parameter}` "{text[:30]}" is not a number',
            "amounts are worked out with it",
            "type for example 12.5 or 12,5",
        ) from None


def from_form(form: Mapping[str, Any], asked: Asked, shelf: Shelf) -> Asked:
    """What the form of a look's batch says, taken into ``asked``; what it leaves out is off. Inks
    go by the ``shelf``'s names. Raises ``WrongUsage``."""

    def text(name: str, most: int) -> str:
        return str(form.get(name, "")).strip()[:most]

    mix = amounts_given(form, "mix", shelf)
    of_original = _amounts(text("original_mix", MOST_TYPED), "original_mix")
    if of_original is not None:
        shelf.by_name(of_original.amounts)
    grams = text("grams", 20)
    if mix is not None and mix.grams is not None:
        grams, mix = grams or f"{mix.grams:.6g}", replace(mix, unit="parts")
    return replace(
        asked,
        mix=as_text(mix),
        original_mix=text("original_mix", MOST_TYPED),
        inks=text("inks", MOST_TYPED),
        follows=" ".join(text("follows", 200).split()),
        kept=" ".join(text("kept", 200).split()),
        grams=grams,
        tolerance=text("tolerance", 20),
        wet=tuple(role for role in ("original", "batch") if form.get(f"wet_{role}")),
        apart=bool(form.get("apart")),
        pulled_alike=bool(form.get("pulled_alike")),
        wedge=bool(form.get("wedge")),
        other_inks=bool(form.get("other_inks")),
    )


class NoLook(DrawdownError):
    """There is no such look."""

    def __init__(self) -> None:
        super().__init__(
            "this photo is not here, or no longer",
            f"photos are held for {MOST_DAYS:.0f} days, the newest {MOST_LOOKS} of them",
            "take it again",
        )

    def __reduce__(self) -> Any:
        return NoLook, ()


class Look:
    """One look, by its folder."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    @property
    def name(self) -> str:
        return self.folder.name

    @property
    def asked(self) -> Asked:
        """Raises ``NoLook``."""
        try:
            row = json.loads((self.folder / "asked.json").read_text(encoding="utf-8"))
        except (OSError, ValueError):
            raise NoLook from None
        row = {field.name: row[field.name] for field in fields(Asked) if field.name in row}
        for name in ("taps", "corners", "papers"):
            row[name] = tuple(tuple(point) for point in row.get(name, ()))
        return Asked(**{**row, "wet": tuple(row.get("wet", ()))})

    def ask(self, asked: Asked) -> None:
        """Note what is asked. Raises ``BadFile``."""
        data = json.dumps(asdict(asked)).encode()
        write_atomically(self.folder / "asked.json", data, 0o600)

    @property
    def answer(self) -> dict[str, Any] | None:
        """The answer to what is asked now; None where it must be worked out."""
        try:
            found = json.loads((self.folder / "answer.json").read_text(encoding="utf-8"))
        except (OSError, ValueError):
            return None
        return dict(found) if found.get("revision") == self.asked.revision else None

    def keep_answer(self, answer: dict[str, Any]) -> None:
        data = json.dumps(answer, allow_nan=False).encode()
        write_atomically(self.folder / "answer.json", data, 0o600)

    def new_photo(self, number: int) -> Path:
        """Where a photo is put as it comes in."""
        return self.folder / f"{number}.new"

    def photos(self) -> list[Path]:
        """The photos in order, each as it is now."""
        found = (p for p in self.folder.iterdir() if re.fullmatch(r"\d+\.[a-z]{3,4}", p.name))
        return sorted(found, key=lambda p: int(p.stem))


class Looks:
    """All looks that the page holds."""

    def __init__(self, studio: Studio) -> None:
        self.folder = private_folder(studio.folder / "looks")

    def find(self, name: str) -> Look:
        """Raises ``NoLook``."""
        look = Look(self.folder / name)
        if not _ID.fullmatch(name) or not (look.folder / "asked.json").is_file():
            raise NoLook
        return look

    def begin(self, name: str) -> Look:
        """The folder of a new look, or what is there of it; it counts once ``ask`` was called."""
        assert _ID.fullmatch(name)
        return Look(private_folder(self.folder / name))

    def of_phone(self, phone: str, most: int) -> list[tuple[Look, Asked]]:
        """The newest looks of one phone."""
        found = []
        for look in self._all():
            with suppress(NoLook):
                if (asked := look.asked).phone == phone:
                    found.append((look, asked))
                    if len(found) == most:
                        break
        return found

    def prune(self) -> None:
        """Let go of what is oldest: too many, too much, or too long ago. What only half came in
        goes after a day."""
        held = 0
        for place, look in enumerate(self._all()):
            old = time.time() - _moment(look.folder)
            half = not (look.folder / "asked.json").exists()
            held += _size(look.folder)
            over = place >= MOST_LOOKS or held > MOST_HELD_BYTES
            if over or old > MOST_DAYS * 86_400 or (half and old > 86_400):
                shutil.rmtree(look.folder, ignore_errors=True)

    def _all(self) -> list[Look]:
        """Newest first."""
        folders = [p for p in self.folder.iterdir() if _ID.fullmatch(p.name)]
        return [Look(p) for p in sorted(folders, key=_moment, reverse=True)]


def _size(folder: Path) -> int:
    """Bytes in a folder; another process may rename or remove its files meanwhile."""
    size = 0
    with suppress(OSError):
        for path in folder.iterdir():
            with suppress(OSError):
                size += path.stat().st_size
    return size


def _moment(folder: Path) -> float:
    with suppress(OSError):
        return folder.stat().st_mtime
    return 0.0
