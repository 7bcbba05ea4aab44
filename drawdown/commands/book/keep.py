"""``drawdown book keep``: a strip becomes a kept original."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from calibration.errors import WrongUsage
from drawdown.commands.book import options as opt
from drawdown.commands.support import options as shared


def keep(
    photo: Annotated[Path, typer.Argument(metavar="PHOTO", help="Photo of the strip and card.")],
    name: Annotated[str, typer.Option(metavar="NAME", help="What the colour is called.")],
    strip_number: shared.StripNumber = 1,
    mix: shared.MixParts = None,
    tin: opt.TinMarks = None,
    grams: Annotated[
        float | None, typer.Option(metavar="G", help="What the whole mix weighed.")
    ] = None,
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
    note: Annotated[str, typer.Option(metavar="TEXT", help="Anything else.")] = "",
    card: shared.CardFile = None,
    card_corners: shared.CardCorners = None,
    shelf: shared.ShelfOfNames = None,
    book: opt.BookFolder = None,
    json: shared.AsJson = False,
) -> int:
    """Keep a strip as an original: its colour, its mix, its photo."""
    from drawdown.book.shapes import clean_date, clean_grams, clean_name, clean_text

    name = clean_name(name)
    day = clean_date(date)
    clean_grams(grams)
    texts = {
        "paper": clean_text(paper, "--paper"),
        "edition": clean_text(edition, "--edition"),
        "note": clean_text(note, "--note"),
    }
    parts = opt.read_parts(mix, tin, shelf)
    if grams is not None and not parts:
        raise WrongUsage(
            "--grams was given without --mix",
            "the weight is that of the mix",
            "say what is in it: --mix INK=PARTS, once for each ink",
        )
    from drawdown.book import open_book
    from drawdown.book.originals import check_free, find_original, keep_original
    from drawdown.book.readings import insert_reading
    from drawdown.commands.book.options import read_strip
    from drawdown.report.json.book import dump_book, original_data, photo_path
    from drawdown.report.text import terminal
    from drawdown.report.text.book import UNDO, original_screen

    folder = opt.folder_of(book)
    with open_book(folder, create=True) as opened:
        check_free(opened, "original", name)  # told before the measuring, not after
        seen, colour = read_strip(photo, strip_number, card, card_corners, keep=True)
        stored, crop = opt.store(opened, photo, seen, colour)
        with opened.change(f'kept "{name}"') as change:
            reading = insert_reading(change, seen, colour, stored, crop)
            keep_original(
                opened, change, name=name, reading=reading, date=day,
                state="wet" if wet else "dry", mix=parts, grams=grams, **texts,
            )  # fmt: skip
        kept = find_original(opened, name)
        recipes = (kept.recipe,) if kept.recipe else ()
        if json:
            terminal.write_result(dump_book("original", original_data(kept, opened, recipes)))
            return 0
        path = photo_path(opened, kept.reading.photo) if kept.reading else None
        terminal.write_result(original_screen(kept, recipes, path, terminal.screen(sys.stdout)))
    if len(seen.strips) > 1:
        terminal.write_aside(f"Strip {strip_number} of {len(seen.strips)} in the photo was kept.")
    if not parts:
        terminal.write_aside("No mix was given: nobody can remake a colour from its look alone.")
    opt.tell_strange([part.ink for part in parts], shelf)
    terminal.write_aside(f"Kept in {folder}. {UNDO}")
    return 0
