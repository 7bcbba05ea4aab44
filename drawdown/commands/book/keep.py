"""``drawdown book keep``: a strip becomes a kept original."""

from __future__ import annotations

from typing import Annotated

from calibration.errors import WrongUsage
from drawdown.book.originals import check_free, find_original, keep_original
from drawdown.book.shapes import clean_date, clean_grams, clean_name, clean_text
from drawdown.commands.book import frame
from drawdown.commands.support import book_options as opt
from drawdown.commands.support import options as shared
from drawdown.report.text.book import UNDO


def keep(  # long: one parameter a line
    photo: opt.PhotoOfStrip,
    name: Annotated[str, shared.option("NAME", "What the colour is called.")],
    strip: shared.Strip = "1",
    mix: shared.MixParts = None,
    tin: opt.TinMarks = None,
    grams: opt.MixGrams = None,
    date: opt.OnDate = None,
    paper: Annotated[str, shared.option("TEXT", "The paper it is on.")] = "",
    wet: Annotated[bool, shared.flag("The strip was still wet.", "--wet")] = False,
    edition: Annotated[
        str,
        shared.option(
            "TEXT", "The print or edition that the colour belongs to.", complete=opt.editions
        ),
    ] = "",
    note: opt.Note = "",
    card: shared.CardFile = None,
    card_corners: shared.CardCorners = None,
    unknown_inks: opt.UnknownInks = False,
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
    parts, weighed = frame.read_mix(mix, tin, shelf, unknown_inks)
    grams = weighed if grams is None else grams
    if grams is not None and not parts:
        raise WrongUsage(
            "--grams was given without --mix",
            "the weight is that of the mix",
            'say what is in it, as in --mix "white 97, PB15:3 3"',
        )
    with frame.opened(book, create=True) as opened:
        check_free(opened, "original", name)  # told before the measuring, not after
        kept_strip = frame.strip_to_keep(opened, photo, strip, card, card_corners)
        with opened.change(f'kept "{name}"') as change:
            keep_original(
                opened, change, name=name, reading=kept_strip.note(change), date=day,
                state="wet" if wet else "dry", mix=parts, grams=grams, **texts,
            )  # fmt: skip
        kept = find_original(opened, name)
        count = len(kept_strip.seen.strips)
        return frame.tell_original(
            json, opened, kept, (kept.recipe,) if kept.recipe else (),
            f"Strip {kept_strip.colour.strip.number} of {count} in the photo was kept."
            if count > 1
            else "",
            "" if parts else "No mix was given: nobody can mix a colour again from its look alone.",
            f"Kept in {opened.folder}. {UNDO}",
        )  # fmt: skip
