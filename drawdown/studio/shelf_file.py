"""The shelf in use, and changing a shelf's file: one change at a time, each can be undone.

A change locks the file, reads it afresh, keeps the version before it beside it
(``shelf.before.toml``) and replaces it whole. Entries that are not changed keep their text,
with the comments of whoever wrote them.
"""

from __future__ import annotations

import contextlib
import os
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from calibration.errors import BadFile, WrongUsage
from calibration.files import locked, read_bytes, write_atomically
from drawdown.ink.shelf import (
    FORMAT,
    KINDS,
    Ink,
    Shelf,
    read_shelf,
    shelf_from_text,
    starter_shelf,
)
from drawdown.ink.shelf_writing import shelf_to_dict
from drawdown.ink.tables import plain
from drawdown.studio import last_change
from drawdown.studio.locations import own_shelf

SHELF_LOCK = ("the shelf", "choose a folder of your own for it, with `shelf`")
_ENTRY = re.compile(r"(?m)^[ \t]*\[\[\s*inks\s*\]\]")
_HEAD = f"""\
# The inks of the studio; the order is yours. What an entry may hold stands at the head of the
# file that `drawdown ink list` writes.

format = "{FORMAT}"
title = "The studio's own inks"
"""


@dataclass(frozen=True)
class ShelfInUse:
    """A shelf and where it came from: ``origin`` is "given" (by an option), "own" (the
    studio's own file) or "starter" (what comes with the program; ``path`` is then None)."""

    shelf: Shelf
    origin: str
    path: Path | None


def shelf_in_use(given: Path | Shelf | None = None) -> ShelfInUse:
    """The shelf to work with: the one given, or its file, else the studio's own if there is one,
    else the starter inks. Raises ``BadFile``."""
    if isinstance(given, Shelf):
        return ShelfInUse(given, "given", None)
    if given is not None:
        return ShelfInUse(read_shelf(given), "given", given)
    own = own_shelf()
    if os.path.lexists(own):
        return ShelfInUse(read_shelf(own), "own", own)
    return ShelfInUse(starter_shelf(), "starter", None)


def shelf_to_change(given: Path | None = None) -> Path:
    """The file that a change goes into: the one given, else the studio's own."""
    return own_shelf() if given is None else given


def put_inks(path: Path, inks: Sequence[Ink], *, over: bool = False, alone: bool = False) -> Shelf:
    """Add inks, or with ``over`` put each in the place of the one of its name; returns the shelf
    as it then is. A shelf that is not there yet begins with the starter inks as stand-ins, or
    ``alone`` with those for white and base, as no mix gets far without them. A stand-in leaves
    when an ink of its pigment comes, or one of its kind if that is not a colour.

    Raises ``WrongUsage`` when a name is taken and ``over`` is False, and ``BadFile``.
    """
    return edit_shelf(path, lambda shelf: _with(shelf, inks, over, alone))


def _with(shelf: Shelf | None, new: Sequence[Ink], over: bool, alone: bool) -> Shelf:
    inks = list(starter_shelf() if shelf is None else shelf)
    if shelf is None:  # whatever is added comes in place of its stand-in
        names = {plain(ink.name) for ink in new}
        inks = [ink for ink in inks if plain(ink.name) not in names]
        if alone:
            inks = [ink for ink in inks if ink.kind in ("white", "base")]
    own = [ink for ink in new if shelf is None or ink.known_from != "starter"]
    inks = [ink for ink in inks if not any(_stands_in(ink, one) for one in own)]
    for ink in new:
        names = [plain(i.name) for i in inks]
        if plain(ink.name) not in names:
            inks.append(ink)
        elif over:
            inks[names.index(plain(ink.name))] = ink
        else:
            raise _taken(ink.name)
    return Shelf(tuple(inks), "" if shelf is None else shelf.title)


def _stands_in(ink: Ink, own: Ink) -> bool:
    """Whether ``ink`` is the starter's stand-in for what ``own`` is."""
    if ink.known_from != "starter" or plain(ink.name) != plain(ink.starter):
        return False
    if own.kind != "colour":
        return ink.kind == own.kind
    return bool(own.colour_index) and ink.colour_index == own.colour_index


def partner(shelf: Shelf, kind: str, name: str = "") -> Ink:
    """The white or base that inks are thinned with: the shelf's ink called ``name``, else the
    first of the kind, else the starter's. Raises ``WrongUsage`` for an unknown name."""
    if name and name != kind:
        return shelf.find(name)
    found = [ink for ink in shelf if ink.kind == kind]
    return found[0] if found else starter_shelf().find(kind)


def refuse_taken(shelf: Shelf, name: str) -> None:
    """Raise ``WrongUsage`` when an ink of that name is on the shelf."""
    if plain(name) in {plain(ink.name) for ink in shelf}:
        raise _taken(name)


def checked_name(name: str) -> str:
    """A name for an ink; raises ``WrongUsage`` for one that could not be typed again."""
    name = name.strip()
    if not plain(name) or "=" in name or not name.isprintable() or len(name) > 60:
        raise WrongUsage(
            f'"{name}" cannot be the name of an ink',
            'names are typed in mixes, as in `mix` "NAME 3"',
            "use up to 60 letters, figures and hyphens",
        )
    return name


def checked_kind(kind: str) -> str:
    """One of colour, white, base, black; raises ``WrongUsage``."""
    kind = kind.strip().casefold()
    if kind not in KINDS:
        raise WrongUsage(
            f'`kind` is "{kind}"',
            "the kind says what an ink does in a mix",
            f"use one of {', '.join(KINDS)}",
        )
    return kind


def remove_ink(path: Path, name: str) -> Ink:
    """Take an ink (any name the shelf finds) off the shelf and return it.

    Raises ``WrongUsage`` when there is none of that name or it is the last, and ``BadFile``.
    """
    gone: list[Ink] = []

    def change(shelf: Shelf | None) -> Shelf:
        if shelf is None:
            raise WrongUsage(
                f"there is no shelf {path} yet",
                "the starter inks belong to the program and stay as they are",
                "make a shelf of your own first: drawdown ink add",
            )
        gone[:] = [shelf.find(name)]
        if len(shelf) == 1:
            raise WrongUsage(
                f"{gone[0].title} is the only ink on the shelf",
                "a shelf needs at least one ink",
                f"to go back to the starter inks, move the file {path} away",
            )
        return replace(shelf, inks=tuple(i for i in shelf if i is not gone[0]))

    edit_shelf(path, change)
    return gone[0]


def edit_shelf(path: Path, change: Callable[[Shelf | None], Shelf]) -> Shelf:
    """Change a shelf's file under its lock. ``change`` gets the shelf as it is now (None when
    there is no file) and returns it as it should be, keeping the unchanged ``Ink`` objects.

    Raises what ``change`` raises (the file is then as it was), and ``BadFile``.
    """
    path = _real(path)
    with locked(path, *SHELF_LOCK):
        there = os.path.lexists(path)
        text, shelf = (_text(path), read_shelf(path)) if there else ("", None)
        wanted = change(shelf)
        new_text = _new_text(text, shelf, wanted, path)
        last_change.keep_before(path, text.encode())
        write_atomically(path, new_text.encode())
    return wanted


def step_shelf(path: Path, *, redo: bool = False) -> str:
    """Take the last change of the shelf back, or make it again; what that was, in words. Raises
    ``BadFile``."""
    path = _real(path)
    with locked(path, *SHELF_LOCK):
        earlier = last_change.beside(path, "undone" if redo else "before").read_bytes()
        there = read_shelf(path) if os.path.lexists(path) else None
        then = shelf_from_text(earlier.decode("utf-8-sig"), path) if earlier else None
        last_change.step(path, redo=redo)
    was, now = (() if shelf is None else shelf.names for shelf in (there, then))
    changed = [name for name in (*was, *now) if (name in was) != (name in now)]
    return f"{', '.join(changed) or 'a change of an ink'} on the shelf {path}"


def _real(path: Path) -> Path:
    """The file itself when ``path`` is a link; raises ``BadFile`` for an impossible name."""
    try:
        real = Path(os.path.realpath(path))
    except ValueError as problem:  # a NUL in the name
        raise BadFile(
            f"{path!r} is not a file name", "nothing was changed", "check it"
        ) from problem
    if real.exists() and not real.is_file():
        raise BadFile(
            f"{path} is a folder or a device, not a shelf of inks",
            "nothing was changed",
            "give the file of the shelf",
        )
    return real


def _text(path: Path) -> str:
    try:
        return read_bytes(path, "a shelf of inks", 10_000_000).decode("utf-8-sig")
    except UnicodeDecodeError:
        raise BadFile(
            f"{path} is not UTF-8 text", "nothing was changed", "save it again as UTF-8 text"
        ) from None


def _taken(name: str) -> WrongUsage:
    return WrongUsage(
        f'there is an ink called "{name}" on the shelf already',
        "two inks of one name look the same in a mix",
        "give this one another name with `name`, or say `replace` to put it in the other's place",
    )


# Text ------------------------------------------------------------------------------------


def ink_text(ink: Ink) -> str:
    """One ``[[inks]]`` entry of a shelf's file, its numbers in rows."""
    import tomli_w

    row = shelf_to_dict(Shelf((ink,)))["inks"][0]
    lists = {key: row.pop(key) for key in ("k", "s", "doubt") if key in row}
    row = {key: value for key, value in row.items() if value != ""}
    lines = ["[[inks]]", tomli_w.dumps(row).rstrip()]
    for key, values in lists.items():
        if key == "doubt":
            lines += ["doubt = [", *(f"    [{_numbers(v)}]," for v in values), "]"]
        else:
            lines.append(f"{key} = [{_numbers(values)}]")
    return "\n".join(lines) + "\n"


def _numbers(values) -> str:
    return ", ".join(f"{float(v):g}" if float(v) != 0 else "0.0" for v in values).replace("e+", "e")


def _new_text(text: str, old: Shelf | None, wanted: Shelf, path: Path) -> str:
    """The file's text after a change; entries that stay keep theirs word for word."""
    head, blocks = _blocks(text) if old is not None else (_HEAD, [])
    if old is not None and len(blocks) == len(old):
        kept = {id(ink): block for ink, block in zip(old, blocks, strict=True)}
        entries = [kept.get(id(ink), "\n" + ink_text(ink)) for ink in wanted]
        new = head.rstrip("\n") + "\n" + "".join(f"\n{e.strip(chr(10))}\n" for e in entries)
        with contextlib.suppress(BadFile):
            if shelf_from_text(new, path).names == wanted.names:
                return new
    title = wanted.title.replace("\\", "\\\\").replace('"', '\\"')
    head = _HEAD if old is None else f'format = "{FORMAT}"\ntitle = "{title}"\n'
    new = head + "".join(f"\n{ink_text(ink)}" for ink in wanted)
    shelf_from_text(new, path)  # never leave behind what cannot be read again
    return new


def _blocks(text: str) -> tuple[str, list[str]]:
    """The head and the entries of a shelf's text; comments above an entry belong to it."""
    starts = [found.start() for found in _ENTRY.finditer(text)]
    pieces = [text[a:b] for a, b in zip([0, *starts], [*starts, len(text)], strict=True)]
    for i in range(1, len(pieces)):
        lines = pieces[i - 1].splitlines(keepends=True)
        at = len(lines)
        # What stands apart from the first entry by an empty line is about the whole shelf.
        while at > 0 and (
            lines[at - 1].lstrip().startswith("#") or (i > 1 and not lines[at - 1].strip())
        ):
            at -= 1
        pieces[i - 1], pieces[i] = "".join(lines[:at]), "".join(lines[at:]) + pieces[i]
    return pieces[0], pieces[1:]


def by_shelf(
    amounts: dict[str, float], shelf: Path | None, unknown_inks: bool = True
) -> dict[str, float]:
    """The amounts under the shelf's names; those of one ink under two names are added up. An ink
    that the shelf in use does not know keeps its name, or is refused (``WrongUsage``)."""
    if not amounts:
        return {}
    known = shelf_in_use(shelf).shelf
    total: dict[str, float] = {}
    for ink, amount in amounts.items():
        try:
            name = known.find(ink).name
        except WrongUsage as strange:
            if not unknown_inks:
                todo = f"{strange.todo}; to note it as it is all the same, add `unknown_inks`"
                raise WrongUsage(strange.seen, strange.why, todo) from None
            name = " ".join(ink.split())
        total[name] = total.get(name, 0.0) + amount
    return total
