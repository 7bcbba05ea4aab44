"""``drawdown book batch``: a batch from its beginning to now, and what went into it."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

from calibration.errors import WrongUsage
from drawdown.book.batches import (
    add_to,
    find_batch,
    mix_with_added,
    story_of,
    unit_said,
)
from drawdown.book.columns import Mix
from drawdown.book.originals import original_by_id
from drawdown.book.shapes import clean_name, clean_text
from drawdown.commands.book import frame
from drawdown.commands.support import book_options as opt
from drawdown.commands.support import options as shared
from drawdown.commands.support import parse
from drawdown.commands.support.output import save_report, say_saved
from drawdown.report.json.book import batch_data, entry_data, mix_data
from drawdown.report.text.book import UNDO, paragraph, story_screen
from drawdown.wording.book import mix_words
from drawdown.wording.figures import noted_grams


def batch(
    name: Annotated[str, shared.argument("NAME", "A batch in the book.", complete=opt.batches)],
    added: Annotated[
        list[str] | None,
        shared.option(
            "MIX",
            'Note what went in, as "PB15:3 1.2 g"; in parts: to 100 parts of the batch.',
            complete=shared.inks,
        ),
    ] = None,
    note: opt.Note = "",
    picture: Annotated[
        Path | None,
        shared.option("OUT.png", "Also draw how its colour approached the original."),
    ] = None,
    report: shared.ReportFile = None,
    replace: shared.Replace = False,
    unknown_inks: opt.UnknownInks = False,
    shelf: shared.ShelfOfNames = None,
    book: opt.BookFolder = None,
    json: shared.AsJson = False,
) -> int:
    """Show a batch's story; or note what went into it with --added."""
    if added:
        for option, out in (("--picture", picture), ("--report", report)):
            if out is not None:
                raise WrongUsage(
                    f"{option} was given with --added",
                    "it shows a batch's story",
                    "leave one of the two out",
                )
        return _add(name, added, note, unknown_inks, shelf, book, json)
    if note:
        raise WrongUsage(
            "--note was given without --added", "it is a remark on what went in", "add --added"
        )
    shared.check_outputs(picture, report, replace)
    with frame.opened(book) as opened:
        found = find_batch(opened, name)
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
    towards = original.name if original else None
    frame.tell(json, "story", data, lambda s: story_screen(found, towards, entries, inside, s))
    if picture is not None and not json:
        say_saved(picture)
    if report is not None:
        from drawdown.report.html.book import batch_report

        save_report(report, batch_report(found, original, entries, inside))
    return 0


def _now(inside: tuple[Mix, float | None] | None) -> dict[str, Any]:
    """What is in a batch now, as JSON."""
    return {
        "mix_now": None if inside is None else mix_data(inside[0]),
        "grams_now": None if inside is None else inside[1],
    }


def _add(
    name: str,
    added: list[str],
    note: str,
    unknown_inks: bool,
    shelf: Path | None,
    book: Path | None,
    json: bool,
) -> int:
    """What went into the batch, in its story."""
    remark = clean_text(note, "--note")
    said = parse.read_mix(added, "added")
    assert said is not None
    from drawdown.studio.shelf_file import by_shelf

    by_name = by_shelf(said.amounts, shelf, unknown_inks)
    pairs = tuple((clean_name(ink, "--added"), amount) for ink, amount in by_name.items())
    with frame.opened(book, write=True) as opened:
        found = find_batch(opened, name)
        add_to(opened, found, pairs, unit_said(said.unit, found), note=remark)
        inside = mix_with_added(found, story_of(opened, found.id))
    if inside is None:
        text = "What is in the batch is not known: its mix or its weight was not noted at first."
    else:
        weight = f", {noted_grams(inside[1])}" if inside[1] else ""
        text = f'In "{found.name}" now: {mix_words(inside[0])} (parts per 100){weight}.'
    return frame.tell(
        json, "added", {"batch": batch_data(found, {}), **_now(inside)},
        lambda screen: "\n".join(paragraph(text, screen)), UNDO,
    )  # fmt: skip
