"""``drawdown book put-by`` and ``take``: packets of leftover ink."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from calibration.errors import WrongUsage
from drawdown.commands.book import options as opt
from drawdown.commands.support import options as shared


def put_by(
    name: Annotated[str, typer.Argument(metavar="NAME", help="What stands on the packet.")],
    grams: Annotated[float, typer.Option(metavar="G", help="What the ink in it weighs.")],
    where: Annotated[str, typer.Option(metavar="TEXT", help="Where the packet is kept.")] = "",
    kept: Annotated[
        str | None,
        typer.Option(
            metavar="ORIGINAL", autocompletion=opt.originals,
            help="The kept original it was made for: its mix and its colour.",
        ),
    ] = None,
    batch: Annotated[
        str | None,
        typer.Option(
            metavar="BATCH", autocompletion=opt.batches, help="The logged batch it is left of."
        ),
    ] = None,
    mix: shared.MixParts = None,
    tin: opt.TinMarks = None,
    photo: Annotated[
        Path | None, typer.Option(metavar="PHOTO", help="A photo of a strip of this very ink.")
    ] = None,
    strip_number: shared.StripNumber = 1,
    date: opt.OnDate = None,
    note: Annotated[str, typer.Option(metavar="TEXT", help="Anything else.")] = "",
    card: shared.CardFile = None,
    card_corners: shared.CardCorners = None,
    shelf: shared.ShelfOfNames = None,
    book: opt.BookFolder = None,
    json: shared.AsJson = False,
) -> int:  # fmt: skip
    """Note a packet of leftover ink, so that it is found when its colour is wanted."""
    from drawdown.book.shapes import clean_date, clean_grams, clean_name, clean_text

    name = clean_name(name, "NAME")
    clean_grams(grams)
    day, place = clean_date(date), clean_text(where, "--where")
    note = clean_text(note, "--note")
    parts = opt.read_parts(mix, tin, shelf)
    if not (photo or kept or batch):
        raise WrongUsage(
            "the packet has no colour: neither --photo nor --kept nor --batch was given",
            "it could never be found by its colour",
            "say what it is left of, or give a photo of a strip of it",
        )
    from drawdown.book import open_book
    from drawdown.book.batches import find_batch, log_taken, mix_with_added, story_of
    from drawdown.book.originals import check_free, find_original
    from drawdown.book.packets import find_packet
    from drawdown.book.packets import put_by as put_packet_by
    from drawdown.book.readings import insert_reading
    from drawdown.report.json.book import dump_book, original_names, packet_data
    from drawdown.report.text import terminal
    from drawdown.report.text.book import UNDO, lab_words, mix_words
    from drawdown.wording.weights import noted_grams

    folder = opt.folder_of(book)
    with open_book(folder, create=photo is not None, write=True) as opened:
        check_free(opened, "packet", name)
        original = find_original(opened, kept) if kept else None
        source = find_batch(opened, batch) if batch else None
        reading = None
        if source is not None:
            story = story_of(opened, source.id)
            inside = mix_with_added(source, story)
            parts = parts or (inside[0] if inside else ())
            reads = [entry.reading for entry in story if entry.reading is not None]
            reading = reads[-1].id if reads else None
        if original is not None and original.recipe is not None:
            parts = parts or original.recipe.mix
        original_id = original.id if original else source.original if source else None
        seen = None
        if photo is not None:
            from drawdown.commands.book.options import read_strip

            seen, colour = read_strip(photo, strip_number, card, card_corners, keep=True)
            stored, crop = opt.store(opened, photo, seen, colour)
        with opened.change(f'put "{name}" by') as change:
            if seen is not None:
                reading = insert_reading(change, seen, colour, stored, crop)
            if source is not None:
                log_taken(opened, change, source, grams, f'put by as "{name}"')
            put_packet_by(
                opened, change, name=name, grams=grams, date=day, place=place, mix=parts,
                original=original_id, batch=source.id if source else None, reading=reading,
                note=note,
            )  # fmt: skip
        packet = find_packet(opened, name)
        names = original_names(opened)
        if json:
            terminal.write_result(dump_book("packet", packet_data(packet, names, opened)))
            return 0
    lines = [f" {packet.name}: {noted_grams(packet.grams)}" + (f", {place}" if place else "")]
    lines.append(f" {lab_words(packet.reading)}")
    if parts:
        lines += terminal.wrap(mix_words(parts), terminal.width(sys.stdout) - 1, " ")
    terminal.write_result("\n".join(lines))
    opt.tell_strange([part.ink for part in parts] if mix else [], shelf)
    if packet.reading is None:
        terminal.write_aside("It has no colour yet, so drawdown book find cannot find it.")
    terminal.write_aside(f"Noted. {UNDO}")
    return 0


def take(
    name: Annotated[
        str, typer.Argument(metavar="NAME", help="The packet.", autocompletion=opt.packets)
    ],
    grams: Annotated[
        float | None, typer.Option(metavar="G", help="What was taken out; else all of it.")
    ] = None,
    book: opt.BookFolder = None,
    json: shared.AsJson = False,
) -> int:
    """Note that ink was taken out of a packet."""
    from drawdown.book.shapes import clean_grams

    clean_grams(grams)
    from drawdown.book import open_book
    from drawdown.book.packets import find_packet, take_from
    from drawdown.report.json.book import dump_book, original_names, packet_data
    from drawdown.report.text import terminal
    from drawdown.report.text.book import UNDO
    from drawdown.wording.weights import noted_grams

    with open_book(opt.folder_of(book), write=True) as opened:
        name = find_packet(opened, name).name
        with opened.change(f'took ink from "{name}"') as change:
            packet = find_packet(opened, name)  # as it is now that nobody else writes
            left = take_from(change, packet, grams)
        if json:
            from drawdown.book.packets import packet_by_id

            after = packet_by_id(opened, packet.id)
            assert after is not None
            data = packet_data(after, original_names(opened), opened)
            terminal.write_result(dump_book("packet", data))
            return 0
    rest = f"{noted_grams(left)} left" if left else "used up"
    terminal.write_result(f' "{name}": {rest}.')
    terminal.write_aside(UNDO)
    return 0
