"""``drawdown book store`` and ``use``: packets of leftover ink."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from calibration.errors import WrongUsage
from drawdown.book.batches import find_batch, left_of, log_taken
from drawdown.book.columns import Packet
from drawdown.book.originals import check_free, find_original
from drawdown.book.packets import find_packet, packet_by_id, put_by, take_from
from drawdown.book.shapes import clean_date, clean_grams, clean_name, clean_text
from drawdown.commands.book import frame
from drawdown.commands.support import book_options as opt
from drawdown.commands.support import options as shared
from drawdown.report.text.book import UNDO, colour_words, paragraph
from drawdown.report.text.terminal import Screen
from drawdown.wording.book import mix_words
from drawdown.wording.figures import noted_grams


def store(  # long: one parameter a line
    name: Annotated[str, shared.argument("NAME", "What stands on the packet.")],
    grams: Annotated[float, shared.number("G", "What the ink in it weighs.")],
    where: Annotated[str, shared.option("TEXT", "Where the packet is kept.")] = "",
    kept: Annotated[
        str | None,
        shared.option(
            "ORIGINAL",
            "The kept original it was made for: its mix and its colour.",
            complete=opt.originals,
        ),
    ] = None,
    batch: Annotated[
        str | None,
        shared.option("BATCH", "The batch it is left over from.", complete=opt.batches),
    ] = None,
    mix: shared.MixParts = None,
    tin: opt.TinMarks = None,
    photo: Annotated[Path | None, shared.option("PHOTO", "A photo of a strip of this ink.")] = None,
    strip: shared.Strip = "1",
    date: opt.OnDate = None,
    note: opt.Note = "",
    card: shared.CardFile = None,
    card_corners: shared.CardCorners = None,
    unknown_inks: opt.UnknownInks = False,
    shelf: shared.ShelfOfNames = None,
    book: opt.BookFolder = None,
    json: shared.AsJson = False,
) -> int:
    """Note a packet of leftover ink, to find it when you want its colour."""
    name = clean_name(name, "NAME")
    clean_grams(grams, "--grams")
    day, place = clean_date(date, "--date"), clean_text(where, "--where")
    note = clean_text(note, "--note")
    said, _ = frame.read_mix(mix, tin, shelf, unknown_inks)
    if not (photo or kept or batch):
        raise WrongUsage(
            "the packet has no colour: neither --photo nor --kept nor --batch was given",
            "it could never be found by its colour",
            "say what it is left of, or give a photo of a strip of it",
        )
    with frame.opened(book, create=photo is not None, write=True) as opened:
        check_free(opened, "packet", name)
        original = find_original(opened, kept) if kept else None
        source = find_batch(opened, batch) if batch else None
        inside, reading = left_of(opened, source)
        of_original = original.recipe.mix if original and original.recipe else ()
        parts = said or inside or of_original
        seen = None
        if photo is not None:
            seen = frame.strip_to_keep(opened, photo, strip, card, card_corners)
        with opened.change(f'stored "{name}"') as change:
            if seen is not None:
                reading = seen.note(change)
            if source is not None:
                log_taken(opened, change, source, grams, f'stored as "{name}"')
            put_by(
                opened, change, name=name, grams=grams, date=day, place=place, mix=parts,
                original=original.id if original else source.original if source else None,
                batch=source.id if source else None, reading=reading, note=note,
            )  # fmt: skip
        packet = find_packet(opened, name)
        no_colour = "It has no colour yet, so drawdown book find cannot find it."
        return frame.tell_packet(
            json, opened, packet, lambda screen: _stored_screen(packet, screen),
            no_colour if packet.reading is None else "", f"Stored. {UNDO}",
        )  # fmt: skip


def _stored_screen(packet: Packet, screen: Screen) -> str:
    place = f", {packet.place}" if packet.place else ""
    lines = [
        f" {packet.name}: {noted_grams(packet.grams)}{place}",
        f" {colour_words(packet.reading)}",
    ]
    return "\n".join([*lines, *(paragraph(mix_words(packet.mix), screen) if packet.mix else [])])


def use(
    name: Annotated[str, shared.argument("NAME", "The packet.", complete=opt.packets)],
    grams: Annotated[
        float | None, shared.number("G", "What was taken out; else all of it.")
    ] = None,
    book: opt.BookFolder = None,
    json: shared.AsJson = False,
) -> int:
    """Note that ink was taken out of a packet."""
    clean_grams(grams, "--grams")
    with frame.opened(book, write=True) as opened:
        name = find_packet(opened, name).name
        with opened.change(f'took ink from "{name}"') as change:
            packet = find_packet(opened, name)  # as it is now that nobody else writes
            left = take_from(change, packet, grams)
        after = packet_by_id(opened, packet.id)
        assert after is not None
        rest = f"{noted_grams(left)} left" if left else "used up"
        return frame.tell_packet(json, opened, after, lambda _: f' "{name}": {rest}.', UNDO)
