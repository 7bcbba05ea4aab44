"""What the book hands over: frozen records, and how rows become them. No numpy is loaded
until a colour's ensemble is asked for."""

from __future__ import annotations

import json
import math
import sqlite3
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date as Day
from typing import TYPE_CHECKING, Any

from calibration.errors import WrongUsage

if TYPE_CHECKING:
    import numpy as np

    from drawdown.reading.colour import StripReading

Lab = tuple[float, float, float]


@dataclass(frozen=True)
class MixPart:
    """One ink of a mix: its name, its parts by weight, and the batch on its tin (may be
    empty)."""

    ink: str
    parts: float
    ink_batch: str = ""


Mix = tuple[MixPart, ...]


@dataclass(frozen=True)
class Reading:
    """One strip as it was read from a photo.

    ``lab_d50`` CIELAB D50, 2 degree; ``lab_u95`` half width of the 95 % interval of the
    colour itself, or None when not known; ``samples`` the ensemble (m, 3) as little-endian
    float32 less ``lab_d50``, or None; ``card`` "nominal", "measured" or None (no photo);
    ``flags`` pairs of code and detail; ``photo`` and ``crop`` are ids in the photo store
    (whole photo; the strip alone in corrected colours, PNG)."""

    id: int
    lab_d50: Lab
    lab_u95: Lab | None
    photo: int | None
    crop: int | None
    strip_number: int | None
    corners_px: tuple[tuple[float, float], ...]
    card: str | None
    shaded: bool
    evenness_de00: float | None
    light_sd: float | None
    munsell_value: float | None
    flags: tuple[tuple[str, str], ...]
    captured: str | None
    read_at: str
    samples: bytes | None = field(default=None, repr=False)

    def lab_samples(self) -> np.ndarray:
        """(m, 3) Lab: the ensemble; without one, 96 draws made from ``lab_u95``."""
        import numpy as np

        lab = np.array(self.lab_d50)
        if self.samples is not None:
            return lab + np.frombuffer(self.samples, dtype="<f4").reshape(-1, 3).astype(float)
        sd = np.array(self.lab_u95 or (0.0, 0.0, 0.0)) / 1.96
        return lab + sd * np.random.default_rng(self.id).standard_normal((96, 3))

    def strip_colour(self, number: int = 1) -> StripReading:
        """As the comparison takes it; nothing of the photo itself (no mask, no paper)."""
        import numpy as np

        from drawdown.flags import kind_of
        from drawdown.reading.colour import StripReading
        from drawdown.strips.find import Strip

        nothing = np.zeros((1, 1), dtype=bool)
        flags = tuple(kind(detail) for code, detail in self.flags if (kind := kind_of(code)))
        strip = Strip(
            number, np.zeros((4, 2)), nothing, nothing, np.array([0.0, 1.0]), 0.0, 0.0, 0.0, 0.0, ()
        )
        return StripReading(
            strip=strip,
            lab_d50=np.array(self.lab_d50),
            lab_samples=self.lab_samples(),
            lab_u95=np.array(self.lab_u95 or (math.nan,) * 3),
            evenness_de00=self.evenness_de00 or 0.0,
            trail_lab_d50=np.array([self.lab_d50]),
            light_sd=self.light_sd or 0.0,
            rim=None,
            flags=flags,
        )


@dataclass(frozen=True)
class Recipe:
    """A mix that gives an original's colour; the newest of an original counts. ``grams`` is
    what the whole came to, or None."""

    id: int
    original: int
    made_at: str
    mix: Mix
    grams: float | None
    reason: str


@dataclass(frozen=True)
class Original:
    """A kept original. ``recipe`` as last corrected, None without a mix; ``removed`` is the
    time when it was struck out, or None."""

    id: int
    name: str
    date: str
    paper: str
    state: str
    edition: str
    note: str
    removed: str | None
    reading: Reading | None
    recipe: Recipe | None


@dataclass(frozen=True)
class Batch:
    """Ink mixed towards an original. ``mix`` is what it was begun with."""

    id: int
    name: str
    original: int | None
    date: str
    mix: Mix
    grams: float | None
    note: str
    removed: str | None


@dataclass(frozen=True)
class Entry:
    """One line of a batch's story: ``kind`` "read" (a match that was logged) or "added".
    ``advised`` is the advice as in JSON of ``match``; ``added`` pairs of ink and grams (or
    parts per 100, see ``added_unit``)."""

    id: int
    batch: int
    at: str
    kind: str
    reading: Reading | None
    original_reading: Reading | None
    across_photos: bool
    de00: float | None
    de00_low95: float | None
    de00_high95: float | None
    tolerance: float | None
    p_within: float | None
    verdict: str | None
    words: str | None
    advised: dict[str, Any] | None
    added: tuple[tuple[str, float], ...]
    added_unit: str | None
    note: str


@dataclass(frozen=True)
class Packet:
    """Ink put by. ``grams`` is what is left; 0 when it is used up. ``reading`` is its own
    colour, or that of the kept original it was made for (``own_reading`` False)."""

    id: int
    name: str
    original: int | None
    batch: int | None
    mix: Mix
    grams: float
    date: str
    place: str
    note: str
    removed: str | None
    reading: Reading | None
    own_reading: bool


@dataclass(frozen=True)
class Pull:
    """A pulled print of an edition, read at one ``spot``; ``good`` marks the first good pull
    that the run is held to; ``beside`` is that first good pull as read in the same photo, or
    None."""

    id: int
    edition: str
    number: int
    date: str
    spot: str
    good: bool
    note: str
    removed: str | None
    reading: Reading
    beside: Reading | None = None


# Rows and records ------------------------------------------------------------------------

READING_COLUMNS = (
    "id", "photo", "crop", "strip_number", "corners_px", "lab_l", "lab_a", "lab_b", "u95_l",
    "u95_a", "u95_b", "samples", "card", "shaded", "evenness_de00", "light_sd",
    "munsell_value", "flags", "captured", "read_at",
)  # fmt: skip


def reading_columns(alias: str, prefix: str, *, samples: bool = True) -> str:
    """SQL for a reading's columns out of a join, each named with a prefix; without
    ``samples`` the bulky ensemble is left out."""
    return ", ".join(
        f"{'NULL' if name == 'samples' and not samples else f'{alias}.{name}'} AS {prefix}{name}"
        for name in READING_COLUMNS
    )


def reading_of(row: sqlite3.Row, prefix: str = "") -> Reading | None:
    """The reading in a row, or None when the join found none."""
    get = {name: row[prefix + name] for name in READING_COLUMNS}
    if get["id"] is None:
        return None
    u95 = (get["u95_l"], get["u95_a"], get["u95_b"])
    return Reading(
        id=get["id"],
        lab_d50=(get["lab_l"], get["lab_a"], get["lab_b"]),
        lab_u95=None if None in u95 else u95,
        photo=get["photo"],
        crop=get["crop"],
        strip_number=get["strip_number"],
        corners_px=tuple(tuple(c) for c in json.loads(get["corners_px"] or "[]")),
        card=get["card"],
        shaded=bool(get["shaded"]),
        evenness_de00=get["evenness_de00"],
        light_sd=get["light_sd"],
        munsell_value=get["munsell_value"],
        flags=tuple((code, detail) for code, detail in json.loads(get["flags"])),
        captured=get["captured"],
        read_at=get["read_at"],
        samples=get["samples"],
    )


def mix_text(mix: Iterable[MixPart]) -> str:
    """A mix as the tables hold it."""
    return json.dumps(
        [{"ink": p.ink, "parts": p.parts, "ink_batch": p.ink_batch} for p in mix],
        ensure_ascii=False,
    )


def mix_of(text: str) -> Mix:
    """The inverse of ``mix_text``."""
    return tuple(
        MixPart(p["ink"], float(p["parts"]), p.get("ink_batch") or "") for p in json.loads(text)
    )


# What people type ------------------------------------------------------------------------

MOST_LETTERS = 200


def name_key(name: str) -> str:
    """A name as compared: capitals and runs of spaces do not count."""
    return " ".join(name.casefold().split())


def clean_name(text: str, option: str = "--name") -> str:
    """A name as kept: one line, no needless spaces. Raises ``WrongUsage`` for none."""
    name = " ".join(text.split())
    if not name or not all(c.isprintable() for c in name) or len(name) > MOST_LETTERS:
        raise WrongUsage(
            f"{option} {text[:40]!r} is not a name",
            f"a name has between 1 and {MOST_LETTERS} letters, signs or spaces, on one line",
            "give a name by which anyone in the studio will know it",
        )
    return name


def clean_text(text: str | None, option: str) -> str:
    """A remark as kept; may be empty. Raises ``WrongUsage`` for one that is too long or that
    holds signs which are no text."""
    kept = " ".join((text or "").split())
    if len(kept) > 10 * MOST_LETTERS or not all(c.isprintable() for c in kept):
        raise WrongUsage(
            f"{option} is too long or holds signs that are no text",
            f"a remark has at most {10 * MOST_LETTERS} letters",
            "write it shorter, in plain text",
        )
    return kept


def clean_date(text: str | None, option: str = "--date") -> str:
    """A day as YYYY-MM-DD; today when none is given. Raises ``WrongUsage``."""
    if text is None:
        return Day.today().isoformat()
    try:
        day = Day.fromisoformat(text.strip())
        if len(text.strip()) != 10:
            raise ValueError
    except ValueError:
        raise WrongUsage(
            f"{option} {text} is not a day of the calendar",
            "the book puts things in order by their day",
            "write year, month and day, as in 2030-12-31",
        ) from None
    return day.isoformat()


def clean_grams(grams: float | None, option: str = "--grams") -> float | None:
    """A weight above 0, or None. Raises ``WrongUsage``."""
    if grams is not None and not (0 < grams < 1e7 and math.isfinite(grams)):
        raise WrongUsage(
            f"{option} is {grams:g}, and must be a weight above 0",
            "the book adds up what is there in grams",
            "weigh the ink, less its tin or paper, and give the grams",
        )
    return grams
