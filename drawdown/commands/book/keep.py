"""``drawdown book keep``: a strip becomes a kept original; ``amend``: put right what was noted."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from calibration.errors import WrongUsage
from drawdown.book.originals import (
    called,
    check_free,
    find_by_name,
    find_original,
    keep_original,
    original_by_id,
    recipes_of,
)
from drawdown.book.packets import packet_by_id
from drawdown.book.shapes import clean_date, clean_grams, clean_name, clean_text
from drawdown.book.store import Book
from drawdown.commands.book import frame
from drawdown.commands.book import options as opt
from drawdown.commands.support import options as shared
from drawdown.report.json.book import original_names
from drawdown.report.text.book import UNDO, packets_screen


def keep(  # long: one parameter a line
    photo: opt.PhotoOfStrip,
    name: Annotated[str, typer.Option(metavar="NAME", help="What the colour is called.")],
    strip_number: shared.StripNumber = 1,
    mix: shared.MixParts = None,
    tin: opt.TinMarks = None,
    grams: opt.MixGrams = None,
    date: opt.OnDate = None,
    paper: Annotated[str, typer.Option(metavar="TEXT", help="The paper it is on.")] = "",
    wet: Annotated[bool, typer.Option("--wet", help="The strip was still wet.")] = False,
    edition: Annotated[
        str,
        typer.Option(
            metavar="TEXT",
            autocompletion=opt.editions,
            help="The print or edition that the colour belongs to.",
        ),
    ] = "",
    note: opt.Note = "",
    card: shared.CardFile = None,
    card_corners: shared.CardCorners = None,
    shelf: shared.ShelfOfNames = None,
    book: opt.BookFolder = None,
    json: shared.AsJson = False,
) -> int:
    """Keep a strip as an original: its colour, its mix, its photo."""
    name = clean_name(name, "--name")
    day = clean_date(date, "--date")
    clean_grams(grams, "--grams")
    texts = {
        key: clean_text(text, f"--{key}")
        for key, text in (("paper", paper), ("edition", edition), ("note", note))
    }
    parts = frame.read_parts(mix, tin, shelf)
    if grams is not None and not parts:
        raise WrongUsage(
            "--grams was given without --mix",
            "the weight is that of the mix",
            "say what is in it: --mix INK=PARTS, once for each ink",
        )
    with frame.opened(book, create=True) as opened:
        check_free(opened, "original", name)  # told before the measuring, not after
        strip = frame.strip_to_keep(opened, photo, strip_number, card, card_corners)
        with opened.change(f'kept "{name}"') as change:
            keep_original(
                opened, change, name=name, reading=strip.note(change), date=day,
                state="wet" if wet else "dry", mix=parts, grams=grams, **texts,
            )  # fmt: skip
        kept = find_original(opened, name)
        count = len(strip.seen.strips)
        return frame.tell_original(
            json, opened, kept, (kept.recipe,) if kept.recipe else (),
            f"Strip {strip_number} of {count} in the photo was kept." if count > 1 else "",
            "" if parts else "No mix was given: nobody can remake a colour from its look alone.",
            lambda: frame.strange([part.ink for part in parts], shelf),
            f"Kept in {opened.folder}. {UNDO}",
        )  # fmt: skip


def _names(ctx: typer.Context, incomplete: str) -> list[str]:
    return [*opt.originals(ctx, incomplete), *opt.packets(ctx, incomplete)]


def amend(  # long: one parameter a line
    name: Annotated[
        str,
        typer.Argument(metavar="NAME", help="A kept original or packet.", autocompletion=_names),
    ],
    packet: Annotated[bool, typer.Option("--packet", help="NAME is a packet.")] = False,
    new_name: Annotated[
        str | None, typer.Option("--name", metavar="NEW", help="What it is called from now on.")
    ] = None,
    date: Annotated[str | None, typer.Option(metavar="DAY", help="As 2030-12-31.")] = None,
    paper: Annotated[str | None, typer.Option(metavar="TEXT", help="The paper it is on.")] = None,
    edition: Annotated[
        str | None,
        typer.Option(metavar="TEXT", autocompletion=opt.editions, help="The print or edition."),
    ] = None,
    where: Annotated[
        str | None, typer.Option(metavar="TEXT", help="Where the packet is kept.")
    ] = None,
    note: Annotated[str | None, typer.Option(metavar="TEXT", help="Anything else.")] = None,
    wet: Annotated[bool, typer.Option("--wet", help="The strip was still wet.")] = False,
    dry: Annotated[bool, typer.Option("--dry", help="The strip was dry.")] = False,
    photo: Annotated[
        Path | None,
        typer.Option(metavar="PHOTO", help="Read its colour anew, as when it has dried."),
    ] = None,
    strip_number: shared.StripNumber = 1,
    card: shared.CardFile = None,
    card_corners: shared.CardCorners = None,
    book: opt.BookFolder = None,
    json: shared.AsJson = False,
) -> int:
    """Put right what was noted of a kept original or a packet, or read its colour anew."""
    values = _values(packet, new_name, date, paper, edition, where, note, wet, dry)
    if not values and photo is None:
        raise WrongUsage(
            "nothing was said to put right",
            "what is not named stays as it is",
            "see drawdown book amend --help for what can be changed; recipes with "
            "drawdown book correct",
        )
    table = "packet" if packet else "original"
    with frame.opened(book, write=True) as opened:
        row = find_by_name(opened, table, name)
        strip = None
        if photo is not None:
            strip = frame.strip_to_keep(opened, photo, strip_number, card, card_corners)
        known = opened.rows(f"SELECT name, name_key FROM {table} WHERE id = ?", (row,))[0]
        with opened.change(f'amended the {table} "{known["name"]}"') as change:
            if values.get("name_key") not in (None, known["name_key"]):
                check_free(opened, table, values["name"])
            if values:
                change.update(table, row, values)
            if strip is not None:
                from drawdown.book.readings import set_reading

                set_reading(opened, change, table, row, strip.note(change))
        return _tell(opened, table, row, json)


def _values(
    packet: bool, new_name: str | None, date: str | None, paper: str | None, edition: str | None,
    where: str | None, note: str | None, wet: bool, dry: bool,
) -> dict[str, Any]:  # fmt: skip
    """The columns that are to be put right."""
    if wet and dry:
        raise WrongUsage(
            "--wet and --dry were both given",
            "a strip is the one or the other",
            "leave one of the two out",
        )
    _refuse(packet, {"--paper": paper, "--edition": edition, "--wet": wet, "--dry": dry}, "packet")
    _refuse(not packet, {"--where": where}, "kept original")
    values: dict[str, Any] = {}
    if new_name is not None:
        values |= called(clean_name(new_name, "--name"))
    if date is not None:
        values["date"] = clean_date(date, "--date")
    for column, option, text in (
        ("paper", "--paper", paper), ("edition", "--edition", edition),
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
            "leave it out" if what == "packet" else "say --packet when NAME is a packet",
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
