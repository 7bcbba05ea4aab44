"""``drawdown book keep``: a strip becomes a kept original."""

from __future__ import annotations

import os
import shlex
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Annotated

from calibration.errors import BadFile, DrawdownError, PhotoUnfit, WrongUsage
from drawdown.book import Book
from drawdown.book.columns import Original
from drawdown.book.originals import check_free, find_original, keep_original
from drawdown.book.shapes import clean_date, clean_grams, clean_name, clean_text
from drawdown.commands.book import frame
from drawdown.commands.support import book_options as opt
from drawdown.commands.support import options as shared
from drawdown.commands.support.output import photo_options, read_photo
from drawdown.commands.support.progress import ProgressLine
from drawdown.report.json.book import original_data
from drawdown.report.text.book import UNDO, paragraph


def keep(  # long: one parameter a line
    photo: Annotated[
        Path | None,
        shared.argument("[PHOTO]", "Photo of the strip and card, or a folder of photos."),
    ] = None,
    readings: shared.Readings = None,
    instrument: shared.Instrument = None,
    name: Annotated[
        str | None,
        shared.option(
            "NAME",
            "What the colour is called; else a folder's files or a table's rows have their own.",
        ),
    ] = None,
    of: Annotated[str, shared.option("PERSON", "Whose colour it is.")] = "",
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
    source = shared.one_source(photo, readings)
    day = clean_date(date, "--date")
    clean_grams(grams, "--grams")
    texts = {
        key: clean_text(text, f"--{option}")
        for key, option, text in (
            ("paper", "paper", paper), ("edition", "edition", edition), ("note", "note", note),
            ("owner", "of", of),
        )
    }  # fmt: skip
    parts, weighed = frame.read_mix(mix, tin, shelf, unknown_inks)
    grams = weighed if grams is None else grams
    if grams is not None and not parts:
        raise WrongUsage(
            "--grams was given without --mix",
            "the weight is that of the mix",
            'say what is in it, as in --mix "white 97, PB15:3 3"',
        )

    def keep_one(
        opened: Book, photo: Path, name: str, strip: str = strip
    ) -> tuple[Original, frame.Strip]:
        check_free(opened, "original", name)  # told before the measuring, not after
        found = frame.strip_to_keep(opened, photo, strip, card, card_corners, readings, instrument)
        with opened.change(f'kept "{name}"') as change:
            keep_original(
                opened, change, name=name, reading=found.note(change), date=day,
                state="wet" if wet else "dry", mix=parts, grams=grams, **texts,
            )  # fmt: skip
        return find_original(opened, name), found

    if readings is not None and name is None:
        rows = read_photo(source, photo_options(readings=readings, instrument=instrument)).strips
        each = [(readings, row.name, str(row.number)) for row in rows]
        return _keep_each(each, "rows", book, json, keep_one)
    if os.path.isdir(source):
        if name is not None:
            raise WrongUsage(
                "--name was given with a folder",
                "each photo's file name is the name of its colour",
                "leave it out, or keep one photo",
            )
        from drawdown.pipeline.folder import photos_in

        each = [(photo, _name_of(photo), strip) for photo in photos_in(source)]
        return _keep_each(each, "photos", book, json, keep_one)
    if name is None:
        raise WrongUsage(
            "--name was not given",
            "the book finds a colour by its name",
            f'write: drawdown book keep {shlex.quote(str(source))} --name "{_name_of(source)}"',
        )
    name = clean_name(name, "--name")
    with frame.opened(book, create=True) as opened:
        kept, found = keep_one(opened, source, name)
        count = len(found.seen.strips)
        return frame.tell_original(
            json, opened, kept, (kept.recipe,) if kept.recipe else (),
            f"Strip {found.colour.number} of {count} in {source.name} was kept."
            if count > 1
            else "",
            "" if parts else "No mix was given: nobody can mix a colour again from its look alone.",
            f"Kept in {opened.folder}. {UNDO}",
        )  # fmt: skip


def _name_of(photo: Path) -> str:
    return " ".join(photo.stem.replace("_", " ").split())


def _keep_each(
    each: Sequence[tuple[Path, str, str]],
    what: str,
    book: Path | None,
    json: bool,
    keep_one: Callable[[Book, Path, str, str], tuple[Original, frame.Strip]],
) -> int:
    """Every photo of a folder or row of a table (``what``) under its own name, as (file, name,
    strip); what cannot be kept is listed, the others are. Returns the highest exit code."""
    kept: list[Original] = []
    refused: list[tuple[Path, str, DrawdownError]] = []
    with frame.opened(book, create=True) as opened, ProgressLine() as progress:
        for k, (photo, name, strip) in enumerate(each):
            called = photo.name if what == "photos" else name
            progress(f"keeping {called}", k / len(each))
            try:
                kept.append(keep_one(opened, photo, clean_name(name, "the name"), strip)[0])
            except (WrongUsage, PhotoUnfit, BadFile) as problem:
                refused.append((photo, called, problem))
    lines = [f"{len(kept)} of {len(each)} {what} kept.", *(f"  {one.name}" for one in kept)]
    lines += [f"Not kept: {called}. {problem.paragraph()}" for _, called, problem in refused]
    data = {
        "kept": [original_data(one) for one in kept],
        "refused": [{"photo": str(p), "why": problem.paragraph()} for p, _, problem in refused],
    }
    frame.tell(
        json, "kept", data,
        lambda screen: "\n".join(row for line in lines for row in paragraph(line, screen)),
        UNDO if kept else "",
    )  # fmt: skip
    return max((problem.exit_code for *_, problem in refused), default=0)
