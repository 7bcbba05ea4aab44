"""``drawdown book amend``: put right what was noted of an original or a packet."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from calibration.errors import WrongUsage
from drawdown.commands.book import options as opt
from drawdown.commands.support import options as shared

if TYPE_CHECKING:
    from drawdown.book import Book


def _names(ctx: typer.Context, incomplete: str) -> list[str]:
    return [*opt.originals(ctx, incomplete), *opt.packets(ctx, incomplete)]


def amend(
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
    from drawdown.book.shapes import clean_date, clean_name, clean_text, name_key

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
        values["name"] = clean_name(new_name)
        values["name_key"] = name_key(values["name"])
    if date is not None:
        values["date"] = clean_date(date)
    for column, option, text in (
        ("paper", "--paper", paper), ("edition", "--edition", edition),
        ("place", "--where", where), ("note", "--note", note),
    ):  # fmt: skip
        if text is not None:
            values[column] = clean_text(text, option)
    if wet or dry:
        values["state"] = "wet" if wet else "dry"
    if not values and photo is None:
        raise WrongUsage(
            "nothing was said to put right",
            "what is not named stays as it is",
            "see drawdown book amend --help for what can be changed; recipes with "
            "drawdown book correct",
        )
    from drawdown.book import open_book
    from drawdown.book.originals import check_free, find_by_name
    from drawdown.book.readings import insert_reading, set_reading

    table = "packet" if packet else "original"
    with open_book(opt.folder_of(book), write=True) as opened:
        row = find_by_name(opened, table, name)
        seen = None
        if photo is not None:
            from drawdown.commands.book.options import read_strip

            seen, colour = read_strip(photo, strip_number, card, card_corners, keep=True)
            stored, crop = opt.store(opened, photo, seen, colour)
        known = opened.rows(f'SELECT name FROM "{table}" WHERE id = ?', (row,))[0][0]
        with opened.change(f'amended the {table} "{known}"') as change:
            if values.get("name_key") not in (None, _key(opened, table, row)):
                check_free(opened, table, values["name"])
            if values:
                change.update(table, row, values)
            if seen is not None:
                reading = insert_reading(change, seen, colour, stored, crop)
                set_reading(opened, change, table, row, reading)
        _tell(opened, table, row, json)
    return 0


def _refuse(wrong: bool, options: dict[str, Any], what: str) -> None:
    said = [option for option, value in options.items() if value]
    if wrong and said:
        raise WrongUsage(
            f"{said[0]} was given, and a {what} has none",
            "nothing was changed",
            "leave it out" if what == "packet" else "say --packet when NAME is a packet",
        )


def _key(opened: Book, table: str, row: int) -> str:
    return opened.rows(f'SELECT name_key FROM "{table}" WHERE id = ?', (row,))[0][0]


def _tell(opened: Book, table: str, row: int, json: bool) -> None:
    from drawdown.book.originals import original_by_id, recipes_of
    from drawdown.book.packets import packet_by_id
    from drawdown.report.json.book import (
        dump_book,
        original_data,
        original_names,
        packet_data,
        photo_path,
    )
    from drawdown.report.text import book as words
    from drawdown.report.text import terminal

    if table == "packet":
        packet = packet_by_id(opened, row)
        assert packet is not None
        names = original_names(opened)
        data = packet_data(packet, names, opened)
        text = words.packets_screen([packet], names, 1, terminal.screen(sys.stdout))
    else:
        original = original_by_id(opened, row)
        assert original is not None
        recipes = recipes_of(opened, row)
        data = original_data(original, opened, recipes)
        path = photo_path(opened, original.reading.photo) if original.reading else None
        text = words.original_screen(original, recipes, path, terminal.screen(sys.stdout))
    terminal.write_result(dump_book(table, data) if json else text)
    if not json:
        terminal.write_aside(words.UNDO)
