"""``drawdown book edit``: put right what was noted of a kept original or a packet, read its colour
anew, or note a better recipe."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from calibration.errors import WrongUsage
from drawdown.book.batches import came_to_be, find_batch, mix_with_added, story_of
from drawdown.book.columns import Mix
from drawdown.book.originals import (
    add_recipe,
    called,
    check_free,
    original_by_id,
    recipes_of,
)
from drawdown.book.packets import packet_by_id
from drawdown.book.shapes import clean_date, clean_grams, clean_name, clean_text, name_key
from drawdown.book.store import Book
from drawdown.commands.book import frame
from drawdown.commands.support import book_options as opt
from drawdown.commands.support import options as shared
from drawdown.report.json.book import original_names
from drawdown.report.text.book import UNDO, packets_screen


def _names(ctx: typer.Context, incomplete: str) -> list[str]:
    return [*opt.originals(ctx, incomplete), *opt.packets(ctx, incomplete)]


# Long by its options, one parameter each.
def edit(  # long: one parameter a line
    name: Annotated[str, shared.argument("NAME", "A kept original or packet.", complete=_names)],
    kind: opt.Kind = None,
    new_name: Annotated[
        str | None, shared.option("NEW", "What it is called from now on.", "--name")
    ] = None,
    mix: shared.MixParts = None,
    tin: opt.TinMarks = None,
    batch: Annotated[
        str | None,
        shared.option(
            "NAME", "Take the recipe from what is in this batch now.", complete=opt.batches
        ),
    ] = None,
    grams: opt.MixGrams = None,
    why: Annotated[str, shared.option("TEXT", "Why the recipe is better.")] = "",
    date: Annotated[str | None, shared.option("DAY", "As 2030-12-31.")] = None,
    paper: Annotated[str | None, shared.option("TEXT", "The paper it is on.")] = None,
    edition: Annotated[
        str | None, shared.option("TEXT", "The print or edition.", complete=opt.editions)
    ] = None,
    of: Annotated[str | None, shared.option("PERSON", "Whose colour it is.")] = None,
    where: Annotated[str | None, shared.option("TEXT", "Where the packet is kept.")] = None,
    note: Annotated[str | None, shared.option("TEXT", "Anything else.")] = None,
    wet: Annotated[bool, shared.flag("The strip was still wet.", "--wet")] = False,
    dry: Annotated[bool, shared.flag("The strip was dry.", "--dry")] = False,
    photo: Annotated[
        Path | None,
        shared.option("PHOTO", "Read its colour again, for instance once it has dried."),
    ] = None,
    strip: shared.Strip = "1",
    card: shared.CardFile = None,
    card_corners: shared.CardCorners = None,
    unknown_inks: opt.UnknownInks = False,
    shelf: shared.ShelfOfNames = None,
    book: opt.BookFolder = None,
    json: shared.AsJson = False,
) -> int:
    """Correct an entry, note a better recipe, or read a colour again."""
    clean_grams(grams, "--grams")
    reason = clean_text(why, "--why")
    better, weighed = frame.read_mix(mix, tin, shelf, unknown_inks)
    with frame.opened(book, write=True) as opened:
        table, row, whole = frame.find_anything(opened, name, kind, ("original", "packet"))
        packet = table == "packet"
        values = _values(packet, new_name, date, paper, edition, of, where, note, wet, dry)
        _check(values, photo, packet, better, batch)
        if batch is not None:
            better, weighed, reason = _from_batch(opened, batch, reason)
        seen = None
        if photo is not None:
            seen = frame.strip_to_keep(opened, photo, strip, card, card_corners)
        what = f'the recipe of "{whole}"' if better else f'the {table} "{whole}"'
        with opened.change(f"edited {what}") as change:
            if values.get("name_key") not in (None, name_key(whole)):
                check_free(opened, table, values["name"])
            if values:
                change.update(table, row, values)
            if better:
                grams = weighed if grams is None else grams
                add_recipe(change, row, better, grams, reason or "corrected by hand")
            if seen is not None:
                from drawdown.book.readings import set_reading

                set_reading(opened, change, table, row, seen.note(change))
        return _tell(opened, table, row, json)


def _check(
    values: dict[str, Any], photo: Path | None, packet: bool, better: Mix, batch: str | None
) -> None:
    """Whether anything was said, and only what goes together; raises ``WrongUsage``."""
    recipe = bool(better) or batch is not None
    if not values and photo is None and not recipe:
        raise WrongUsage(
            "no change was given",
            "what is not named stays as it is",
            "see what can be changed with: drawdown book edit --help",
        )
    if better and batch is not None:
        raise WrongUsage(
            "--mix and --batch were both given",
            "one of the two says what the better recipe is",
            "leave one of them out",
        )
    _refuse(packet, {"--mix": better, "--batch": batch}, "packet")


def _from_batch(opened: Book, batch: str, reason: str) -> tuple[Mix, float | None, str]:
    """What is in a batch now: its mix, its weight, and why that is a recipe."""
    source = find_batch(opened, batch)
    inside = mix_with_added(source, story_of(opened, source.id))
    if inside is None:
        raise WrongUsage(
            f'what is in the batch "{source.name}" is not known',
            "its mix or its weight was not noted",
            "give the recipe with --mix",
        )
    return *inside, reason or came_to_be(source)


def _values(
    packet: bool, new_name: str | None, date: str | None, paper: str | None, edition: str | None,
    of: str | None, where: str | None, note: str | None, wet: bool, dry: bool,
) -> dict[str, Any]:  # fmt: skip
    """The columns that are to be put right."""
    if wet and dry:
        raise WrongUsage(
            "--wet and --dry were both given",
            "a strip is the one or the other",
            "leave one of the two out",
        )
    of_original = {"--paper": paper, "--edition": edition, "--of": of, "--wet": wet, "--dry": dry}
    _refuse(packet, of_original, "packet")
    _refuse(not packet, {"--where": where}, "kept original")
    values: dict[str, Any] = {}
    if new_name is not None:
        values |= called(clean_name(new_name, "--name"))
    if date is not None:
        values["date"] = clean_date(date, "--date")
    for column, option, text in (
        ("paper", "--paper", paper), ("edition", "--edition", edition), ("owner", "--of", of),
        ("place", "--where", where), ("note", "--note", note),
    ):  # fmt: skip
        if text is not None:
            values[column] = clean_text(text, option)
    if wet or dry:
        values["state"] = "wet" if wet else "dry"
    return values


def _refuse(wrong: bool, options: dict[str, Any], what: str) -> None:
    said = [option for option, value in options.items() if value]
    if wrong and said:
        raise WrongUsage(
            f"{said[0]} was given, and a {what} has none",
            "nothing was changed",
            "leave it out",
        )


def _tell(opened: Book, table: str, row: int, json: bool) -> int:
    if table == "packet":
        packet, names = packet_by_id(opened, row), original_names(opened)
        assert packet is not None
        return frame.tell_packet(
            json, opened, packet, lambda screen: packets_screen([packet], names, 1, screen), UNDO
        )
    original = original_by_id(opened, row)
    assert original is not None
    return frame.tell_original(json, opened, original, recipes_of(opened, row), UNDO)
