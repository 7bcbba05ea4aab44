"""``drawdown book story``: a batch from its beginning to now; ``added``: what was stirred in."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from drawdown.book.batches import (
    GRAMS,
    PER_100,
    find_batch,
    log_added,
    mix_with_added,
    story_of,
)
from drawdown.book.columns import Mix
from drawdown.book.originals import original_by_id
from drawdown.book.shapes import clean_name, clean_text
from drawdown.commands.book import frame
from drawdown.commands.book import options as opt
from drawdown.commands.support import options as shared
from drawdown.commands.support.output import say_saved
from drawdown.commands.support.parse import read_amounts
from drawdown.report.json.book import batch_data, entry_data, mix_data
from drawdown.report.text.book import UNDO, mix_words, paragraph, story_screen
from drawdown.wording.weights import noted_grams

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
    with frame.opened(book) as opened:
        found = find_batch(opened, batch)
        entries = story_of(opened, found.id)
        original = original_by_id(opened, found.original) if found.original else None
        inside = mix_with_added(found, entries)
        if picture is not None:
            from drawdown.report.pictures.batch_path import save_path

            save_path(picture, found, original, entries)
        data = {
            "batch": batch_data(found, {original.id: original.name} if original else {}),
            "entries": [entry_data(entry, opened) for entry in entries],
            **_now(inside),
        }
    name = original.name if original else None
    frame.tell(json, "story", data, lambda s: story_screen(found, name, entries, inside, s))
    if picture is not None and not json:
        say_saved(picture)
    return 0


def _now(inside: tuple[Mix, float | None] | None) -> dict[str, Any]:
    """What is in a batch now, as JSON."""
    return {
        "mix_now": None if inside is None else mix_data(inside[0]),
        "grams_now": None if inside is None else inside[1],
    }


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
    note: opt.Note = "",
    shelf: shared.ShelfOfNames = None,
    book: opt.BookFolder = None,
    json: shared.AsJson = False,
) -> int:  # fmt: skip
    """Note what was stirred into a batch, in grams."""
    remark = clean_text(note, "--note")
    said = read_amounts(
        "--ink",
        ink,
        "an ink, an equals sign and an amount",
        "the amounts say what is in the batch now",
        "write for example: --ink phthalo-blue=1.2",
    )
    pairs = tuple((clean_name(name, "--ink"), g) for name, g in frame.by_shelf(said, shelf).items())
    with frame.opened(book, write=True) as opened:
        found = find_batch(opened, batch)
        with opened.change(f'added to batch "{found.name}"') as change:
            log_added(change, found.id, pairs, PER_100 if per_100 else GRAMS, remark)
        inside = mix_with_added(found, story_of(opened, found.id))
    if inside is None:
        text = "What is in the batch is not known: its mix or its weight was not noted at first."
    else:
        weight = f", {noted_grams(inside[1])}" if inside[1] else ""
        text = f'In "{found.name}" now: {mix_words(inside[0])} (parts per 100){weight}.'
    return frame.tell(
        json, "added", {"batch": batch_data(found, {}), **_now(inside)},
        lambda screen: "\n".join(paragraph(text, screen)),
        lambda: frame.strange([name for name, _ in pairs], shelf), UNDO,
    )  # fmt: skip
