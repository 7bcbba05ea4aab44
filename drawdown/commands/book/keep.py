"""``drawdown book keep``: a strip becomes a kept original."""

from __future__ import annotations

import os
import shlex
from collections.abc import Callable
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
from drawdown.commands.support.progress import ProgressLine
from drawdown.report.json.book import original_data
from drawdown.report.text.book import UNDO, paragraph


def keep(  # long: one parameter a line
    photo: Annotated[
        Path, shared.argument("PHOTO", "Photo of the strip and card, or a folder of photos.")
    ],
    name: Annotated[
        str | None,
        shared.option("NAME", "What the colour is called; of a folder: the files' names."),
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

    def keep_one(opened: Book, photo: Path, name: str) -> tuple[Original, frame.Strip]:
        check_free(opened, "original", name)  # told before the measuring, not after
        found = frame.strip_to_keep(opened, photo, strip, card, card_corners)
        with opened.change(f'kept "{name}"') as change:
            keep_original(
                opened, change, name=name, reading=found.note(change), date=day,
                state="wet" if wet else "dry", mix=parts, grams=grams, **texts,
            )  # fmt: skip
        return find_original(opened, name), found

    if os.path.isdir(photo):
        if name is not None:
            raise WrongUsage(
                "--name was given with a folder",
                "each photo's file name is the name of its colour",
                "leave it out, or keep one photo",
            )
        return _keep_folder(photo, book, json, keep_one)
    if name is None:
        raise WrongUsage(
            "--name was not given",
            "the book finds a colour by its name",
            f'write: drawdown book keep {shlex.quote(str(photo))} --name "{_name_of(photo)}"',
        )
    name = clean_name(name, "--name")
    with frame.opened(book, create=True) as opened:
        kept, found = keep_one(opened, photo, name)
        count = len(found.seen.strips)
        return frame.tell_original(
            json, opened, kept, (kept.recipe,) if kept.recipe else (),
            f"Strip {found.colour.strip.number} of {count} in the photo was kept."
            if count > 1
            else "",
            "" if parts else "No mix was given: nobody can mix a colour again from its look alone.",
            f"Kept in {opened.folder}. {UNDO}",
        )  # fmt: skip


def _name_of(photo: Path) -> str:
    return " ".join(photo.stem.replace("_", " ").split())


def _keep_folder(
    folder: Path,
    book: Path | None,
    json: bool,
    keep_one: Callable[[Book, Path, str], tuple[Original, frame.Strip]],
) -> int:
    """Every photo of a folder under its file's name; what cannot be kept is listed, the others
    are. Returns the highest exit code."""
    from drawdown.pipeline.folder import photos_in

    kept: list[Original] = []
    refused: list[tuple[Path, DrawdownError]] = []
    photos = photos_in(folder)
    with frame.opened(book, create=True) as opened, ProgressLine() as progress:
        for k, photo in enumerate(photos):
            progress(f"keeping {photo.name}", k / len(photos))
            try:
                kept.append(keep_one(opened, photo, clean_name(_name_of(photo), "the name"))[0])
            except (WrongUsage, PhotoUnfit, BadFile) as problem:
                refused.append((photo, problem))
    lines = [f"{len(kept)} of {len(photos)} photos kept.", *(f"  {one.name}" for one in kept)]
    lines += [f"Not kept: {photo.name}. {problem.paragraph()}" for photo, problem in refused]
    data = {
        "kept": [original_data(one) for one in kept],
        "refused": [{"photo": str(p), "why": problem.paragraph()} for p, problem in refused],
    }
    frame.tell(
        json, "kept", data,
        lambda screen: "\n".join(row for line in lines for row in paragraph(line, screen)),
        UNDO if kept else "",
    )  # fmt: skip
    return max((problem.exit_code for _, problem in refused), default=0)
