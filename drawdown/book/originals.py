"""Kept originals and their recipes: keeping, finding by name, listing, correcting."""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from calibration.errors import WrongUsage
from drawdown.book.columns import ORIGINAL, RECIPE, Mix, Original, Recipe, mix_text
from drawdown.book.shapes import name_key
from drawdown.book.store import Book, Change, Row, now


def _select(*, samples: bool = True) -> str:
    """Originals, each with its newest recipe."""
    return ORIGINAL.select(
        samples=samples,
        also="".join(f', c.{name} AS "recipe.{name}"' for name in RECIPE.columns),
        join="LEFT JOIN recipe c ON c.id = "
        "(SELECT id FROM recipe WHERE original = t.id ORDER BY id DESC LIMIT 1)",
    )


def _original(row: sqlite3.Row) -> Original:
    known = row["recipe.id"] is not None
    return ORIGINAL.record(row, recipe=RECIPE.record(row, "recipe.") if known else None)


def keep_original(  # its parameters are what is noted of an original
    book: Book,
    change: Change,
    *,
    name: str,
    reading: int | None,
    date: str,
    paper: str = "",
    state: str = "dry",
    edition: str = "",
    note: str = "",
    owner: str = "",
    mix: Mix = (),
    grams: float | None = None,
) -> int:
    """Add an original; ``reading`` is the id of a row that is in the book. Raises
    ``WrongUsage`` when the name is taken. Returns its id."""
    check_free(book, "original", name)
    original = change.insert("original", {
        **called(name), "date": date, "paper": paper, "state": state, "edition": edition,
        "note": note, "owner": owner or None, "reading": reading, **colour_at_hand(book, reading),
    })  # fmt: skip
    if mix:
        add_recipe(change, original, mix, grams, "as kept")
    return original


def called(name: str) -> Row:
    """The columns of a name."""
    return {"name": name, "name_key": name_key(name)}


def colour_at_hand(book: Book, reading: int | None) -> dict[str, float]:
    """The columns by which ``find`` finds it; {} without a reading."""
    rows = book.rows("SELECT lab_l, lab_a, lab_b FROM reading WHERE id = ?", (reading,))
    return dict(rows[0]) if rows else {}


def add_recipe(change: Change, original: int, mix: Mix, grams: float | None, reason: str) -> int:
    """A newer recipe for an original; the older ones stay in the book."""
    return change.insert("recipe", {
        "original": original, "made_at": now(), "mix": mix_text(mix), "grams": grams,
        "reason": reason,
    })  # fmt: skip


def check_free(book: Book, table: str, name: str) -> None:
    """Raise ``WrongUsage`` when something of that kind already has the name. Asked within a
    change, so that no other program can take the name in between."""
    what = {"original": "a kept original", "batch": "a batch", "packet": "a packet"}[table]
    taken = book.rows(
        f'SELECT name FROM "{table}" WHERE name_key = ? AND removed IS NULL', (name_key(name),)
    )
    if taken:
        raise WrongUsage(
            f'there is already {what} called "{taken[0]["name"]}" in the book',
            "nothing in the book is ever overwritten",
            "choose another name (a year or a number behind it will do), or strike the old "
            "one out with `remove_from_book`",
        )


def original_by_id(book: Book, original: int) -> Original | None:
    """An original by its id, removed or not."""
    found = book.rows(_select() + "WHERE t.id = ?", (original,))
    return _original(found[0]) if found else None


def find_original(book: Book, name: str) -> Original:
    """The kept original of that name (capitals do not count; the beginning is enough when
    only one begins so). Raises ``WrongUsage`` with near misses."""
    row = find_by_name(book, "original", name)
    found = original_by_id(book, row)
    assert found is not None
    return found


def find_by_name(book: Book, table: str, name: str) -> int:
    """The id of what is called ``name`` in one table. Raises ``WrongUsage``."""
    what, lists = {
        "original": ("kept original", "list_book"), "batch": ("batch", "list_batches"),
        "packet": ("packet", "list_packets"),
    }[table]  # fmt: skip
    live = f'SELECT name, id FROM "{table}" WHERE removed IS NULL'
    rows = book.rows(f"{live} AND name_key = ?", (name_key(name),))
    known = {row["name"]: int(row["id"]) for row in rows or book.rows(f"{live} ORDER BY name_key")}
    return known[the_name(name, list(known), what, f"see what there is with: `{lists}`")]


def the_name(name: str, known: list[str], what: str, todo: str) -> str:
    """Which of the known names is meant: that very one (capitals do not count), or the only one
    that begins so. Raises ``WrongUsage`` with near misses, or with what to do."""
    import difflib

    wanted = name_key(name)
    keys = {name_key(one): one for one in known}
    begun = [key for key in keys if wanted and key.startswith(wanted)]
    if wanted in keys or len(begun) == 1:
        return keys[wanted if wanted in keys else begun[0]]
    if begun:
        names = ", ".join(f'"{keys[key]}"' for key in begun[:5])
        raise WrongUsage(
            f'"{name}" could be any of {len(begun)}: {names}',
            f"it is not clear which {what} is meant",
            "give the whole name",
        )
    near = difflib.get_close_matches(wanted, keys, n=3, cutoff=0.5)
    near += [key for key in keys if len(wanted) > 2 and wanted in key and key not in near][:3]
    raise WrongUsage(
        f'there is no {what} called "{name}" in the book',
        "the name must be one that is in the book",
        "perhaps you meant " + " or ".join(f'"{keys[key]}"' for key in near) if near else todo,
    )


def recipes_of(book: Book, original: int) -> tuple[Recipe, ...]:
    """An original's recipes, oldest first."""
    rows = book.rows("SELECT * FROM recipe WHERE original = ? ORDER BY id", (original,))
    return tuple(map(RECIPE.record, rows))


# Lists -----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Wanted:
    """What a list shows; None and "" leave that open. Texts are looked for anywhere, capitals do
    not count; ``ink`` in the mix; ``original`` is an id; days are inclusive; ``used_up`` shows
    empty packets too."""

    text: str = ""
    edition: str = ""
    paper: str = ""
    place: str = ""
    ink: str = ""
    owner: str = ""
    state: str | None = None
    original: int | None = None
    since: str | None = None
    until: str | None = None
    used_up: bool = False
    removed: bool = False

    def fits(self, record: Any) -> bool:
        """True for an original, a batch or a packet that is wanted."""
        said = vars(record)
        mix = said["recipe"].mix if said.get("recipe") else said.get("mix", ())
        inks = [part.ink for part in mix]
        fields = ("name", "note", "edition", "paper", "place")
        return (
            has(self.text, *(said.get(field, "") for field in fields), *inks)
            and all(has(getattr(self, one), said.get(one, "")) for one in fields[2:])
            and has(self.ink, *inks)
            and (not self.owner or name_key(self.owner) == name_key(said.get("owner") or ""))
            and self.state in (None, said.get("state"))
            and self.original in (None, said.get("original"))
            and (self.since or "") <= record.date <= (self.until or "9999")
        )

    def rows(self, book: Book, select: str) -> list[sqlite3.Row]:
        """The rows ``t`` of a table that are, or are not, removed."""
        return book.rows(f"{select} WHERE t.removed IS {'NOT ' if self.removed else ''}NULL")


def chroma(original: Original) -> float:
    r = original.reading
    return math.inf if r is None else math.hypot(r.lab_d50[1], r.lab_d50[2])


def hue(original: Original) -> float:
    """CIELAB hue angle in degrees, 0 to 360."""
    r = original.reading
    return math.inf if r is None else math.degrees(math.atan2(r.lab_d50[2], r.lab_d50[1])) % 360


# The orders of a list; which of them a kind has is its own matter.
SORTS: dict[str, Callable[[Any], Any]] = {
    "name": lambda one: name_key(one.name),
    "date": lambda one: (one.date, one.id),
    "grams": lambda one: one.grams or 0.0,
    "place": lambda packet: (name_key(packet.place), name_key(packet.name)),
    "edition": lambda o: (name_key(o.edition), name_key(o.name)),
    "paper": lambda o: (name_key(o.paper), name_key(o.name)),
    "lightness": lambda o: math.inf if o.reading is None else o.reading.lab_d50[0],
    "chroma": chroma,
    "hue": hue,
}


def newest_names(book: Book, table: str, most: int) -> dict[str, int]:
    """Names and ids of what was added last to "original", "batch" or "packet"."""
    rows = book.rows(
        f'SELECT id, name FROM "{table}" WHERE removed IS NULL ORDER BY id DESC LIMIT ?', (most,)
    )
    return {row["name"]: row["id"] for row in rows}


def list_originals(
    book: Book, wanted: Wanted | None = None, sort: str = "name", reverse: bool = False
) -> list[Original]:
    """The kept originals that are wanted, in order; without their ensembles."""
    wanted = wanted or Wanted()
    rows = map(_original, wanted.rows(book, _select(samples=False)))
    return sorted(filter(wanted.fits, rows), key=SORTS[sort], reverse=reverse)


def has(wanted: str, *texts: str) -> bool:
    """True when one of the texts holds ``wanted``."""
    key = name_key(wanted)
    return not key or any(key in name_key(text) for text in texts)
