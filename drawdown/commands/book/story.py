"""``drawdown book story``: a batch from its beginning to now; ``added``: what was stirred in."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from drawdown.commands.book import options as opt
from drawdown.commands.support import options as shared
from drawdown.commands.support.output import say_saved
from drawdown.commands.support.parse import read_amounts

Batch = Annotated[
    str, typer.Argument(metavar="BATCH", help="A logged batch.", autocompletion=opt.batches)
]


def story(
    batch: Batch,
    picture: Annotated[
        Path | None,
        typer.Option(metavar="OUT.png", help="Also draw its way through Lab to the original."),
    ] = None,
    book: opt.BookFolder = None,
    json: shared.AsJson = False,
) -> int:
    """Tell a batch's story: what was read, advised and added."""
    shared.check_picture(picture)
    from drawdown.book import open_book
    from drawdown.book.batches import find_batch, mix_with_added, story_of
    from drawdown.book.originals import original_by_id
    from drawdown.report.json.book import batch_data, dump_book, entry_data, mix_data
    from drawdown.report.text import terminal
    from drawdown.report.text.book import story_screen

    with open_book(opt.folder_of(book)) as opened:
        found = find_batch(opened, batch)
        entries = story_of(opened, found.id)
        original = original_by_id(opened, found.original) if found.original else None
        inside = mix_with_added(found, entries)
        if picture is not None:
            from drawdown.report.pictures.batch_path import save_path

            save_path(picture, found, original, entries)
        if json:
            names = {original.id: original.name} if original else {}
            data = {
                "batch": batch_data(found, names),
                "entries": [entry_data(entry, opened) for entry in entries],
                "mix_now": None if inside is None else mix_data(inside[0]),
                "grams_now": None if inside is None else inside[1],
            }
            terminal.write_result(dump_book("story", data))
            return 0
    name = original.name if original else None
    screen = terminal.screen(sys.stdout)
    terminal.write_result(story_screen(found, name, entries, inside, screen))
    if picture is not None:
        say_saved(picture)
    return 0


def added(
    batch: Batch,
    ink: Annotated[
        list[str],
        typer.Option(
            metavar="INK=AMOUNT", autocompletion=shared.inks,
            help="What was stirred in; repeat for each ink.",
        ),
    ],
    per_100: Annotated[
        bool,
        typer.Option("--per-100", help="AMOUNT is parts to 100 parts of the batch, not grams."),
    ] = False,
    note: Annotated[str, typer.Option(metavar="TEXT", help="Anything else.")] = "",
    shelf: shared.ShelfOfNames = None,
    book: opt.BookFolder = None,
    json: shared.AsJson = False,
) -> int:  # fmt: skip
    """Note what was stirred into a batch, in grams."""
    from drawdown.book.shapes import clean_name, clean_text

    remark = clean_text(note, "--note")
    said = read_amounts(
        "--ink",
        ink,
        "an ink, an equals sign and an amount",
        "the amounts say what is in the batch now",
        "write for example: --ink phthalo-blue=1.2",
    )
    pairs = tuple((clean_name(name, "--ink"), g) for name, g in opt.by_shelf(said, shelf).items())
    from drawdown.book import open_book
    from drawdown.book.batches import (
        GRAMS,
        PER_100,
        find_batch,
        log_added,
        mix_with_added,
        story_of,
    )
    from drawdown.report.json.book import batch_data, dump_book, mix_data
    from drawdown.report.text import terminal
    from drawdown.report.text.book import UNDO, mix_words, paragraph
    from drawdown.wording.weights import noted_grams

    with open_book(opt.folder_of(book), write=True) as opened:
        found = find_batch(opened, batch)
        with opened.change(f'added to batch "{found.name}"') as change:
            log_added(change, found.id, pairs, PER_100 if per_100 else GRAMS, remark)
        inside = mix_with_added(found, story_of(opened, found.id))
    if json:
        data = {
            "batch": batch_data(found, {}),
            "mix_now": None if inside is None else mix_data(inside[0]),
            "grams_now": None if inside is None else inside[1],
        }
        terminal.write_result(dump_book("added", data))
        return 0
    if inside is None:
        text = "What is in the batch is not known: its mix or its weight was not noted at first."
    else:
        weight = f", {noted_grams(inside[1])}" if inside[1] else ""
        text = f'In "{found.name}" now: {mix_words(inside[0])} (parts per 100){weight}.'
    screen = terminal.screen(sys.stdout)
    terminal.write_result("\n".join(paragraph(text, screen)))
    opt.tell_strange([name for name, _ in pairs], shelf)
    terminal.write_aside(UNDO)
    return 0
