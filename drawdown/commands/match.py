"""``drawdown match``: does the batch match the kept original, and which ink to add."""

from __future__ import annotations

import os
import shlex
import sys
from collections.abc import Sequence
from dataclasses import replace as changed
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from calibration.errors import BadFile, WrongUsage
from drawdown.commands.support import book_options as book_opt
from drawdown.commands.support import options as opt
from drawdown.commands.support.exit_codes import OF_VERDICT, ExitCode
from drawdown.commands.support.output import save_report, say_saved, unfit_in_json
from drawdown.commands.support.parse import read_all_corners, read_mix, read_strips
from drawdown.commands.support.story import put_in_story, tell
from drawdown.defaults import TOLERANCE_DE00
from drawdown.ink.mix_notation import read_inks
from drawdown.pipeline.options import Options
from drawdown.report.text import terminal

if TYPE_CHECKING:
    from drawdown.book.memory.from_book import FromBook
    from drawdown.pipeline.read import Judgement
    from drawdown.pipeline.rough import RoughLook
    from drawdown.report.html.sheet import Part


# Long by its options, one parameter each.
def match(
    photos: Annotated[
        list[Path] | None,
        opt.argument(
            "[PHOTO...]",
            "Photo of both strips and the card; several of one pair are one reading. Where each "
            "of two shows one strip, the first shows the kept original.",
        ),
    ] = None,
    readings: opt.Readings = None,
    instrument: opt.Instrument = None,
    strip: Annotated[
        list[str] | None,
        opt.option(
            "STRIP",
            "Given once, the batch's strip; given twice, the original's, then the batch's: 2 "
            "(counted from the left), left, right, or its place X,Y,W,H (mm from the card's "
            "upper left corner; with px: photo pixels).",
        ),
    ] = None,
    kept: Annotated[
        str | None,
        opt.option(
            "NAME",
            "The kept original's name in the book: its mix, and its colour where the photo does "
            "not show it.",
            complete=book_opt.originals,
        ),
    ] = None,
    apart: Annotated[
        bool,
        opt.flag(
            "The batch's photo does not show the kept original: the first of two photos does, or "
            "the book knows it (--kept).",
            "--apart",
        ),
    ] = False,
    batch: Annotated[
        str | None,
        opt.option(
            "NAME",
            "Follow this batch in the book and learn from it: begin it with --mix or --kept, go "
            "on with --added.",
            complete=book_opt.batches,
        ),
    ] = None,
    mix: opt.MixParts = None,
    original_mix: opt.OriginalMix = None,
    inks: opt.Inks = None,
    added: Annotated[
        list[str] | None,
        opt.option(
            "MIX",
            'What went into the batch since its last photo, as "PB15:3 1.2 g"; without g, grams '
            "too, or parts per 100 if the batch's weight is not known.",
            complete=opt.inks,
        ),
    ] = None,
    grams: opt.Grams = None,
    scale: opt.Scale = None,
    tolerance: Annotated[
        float, opt.number("T", "Largest Delta E 2000 that still counts as a match.")
    ] = TOLERANCE_DE00,
    other_inks: Annotated[
        bool, opt.flag("The batch comes from different tubes than the original.", "--other-inks")
    ] = False,
    wet: Annotated[
        list[str] | None,
        opt.option(
            "STRIP",
            "batch or original: that strip was still wet; else both were dry. Repeat for both.",
        ),
    ] = None,
    pulled_alike: Annotated[
        bool,
        opt.flag(
            "Both strips were pulled with care as thick as each other: blame the ink, not "
            "the film.",
            "--pulled-alike",
        ),
    ] = False,
    wedge: Annotated[
        bool,
        opt.flag(
            "You pulled the batch from thick to thin on purpose: compare it where it comes nearest "
            "the original.",
            "--wedge",
        ),
    ] = False,
    lamp: Annotated[
        list[str] | None,
        opt.option(
            "LAMP",
            "How the pair looks under this lamp, too: a CIE name such as FL11 or LED-B1, or a "
            "spectral file of it; repeat for each.",
        ),
    ] = None,
    without_card: Annotated[
        bool,
        opt.flag(
            "A rough look, with no card in the photo: by bare paper beside two strips whose places "
            "--strip gives in px. Never a match.",
            "--without-card",
        ),
    ] = False,
    paper: Annotated[
        list[str] | None,
        opt.option(
            "PLACE",
            "Without a card: where bare paper is, as X,Y,W,Hpx; once for both strips or once for "
            "each. Else it is looked for beside them.",
        ),
    ] = None,
    card: opt.CardFile = None,
    card_corners: Annotated[
        list[str] | None,
        opt.option(
            "POINTS",
            'The card\'s four corners by hand, as "x,y x,y x,y x,y": pixels of the upright photo, '
            "clockwise from the card's upper left; once for each photo.",
        ),
    ] = None,
    shelf: opt.ShelfInUse = None,
    book: book_opt.BookFolder = None,
    picture: opt.AnswerPicture = None,
    report: opt.ReportFile = None,
    replace: opt.Replace = False,
    full: opt.Full = False,
    json: opt.AsJson = False,
) -> ExitCode:
    """Does the batch match the kept original? If not, what to add."""
    photos = photos or []
    photos = [opt.one_source(photos[0] if photos else None, readings), *photos[1:]]
    _refuse_folders(photos)
    photo = photos[-1] if apart else photos[0]
    original_photo = photos[0] if apart and len(photos) == 2 else None
    corners = read_all_corners(card_corners or [], len(photos))
    numbers, places = read_strips(strip)
    if len(places) > 1 and original_photo is not None:
        raise WrongUsage(
            "two places were given for strips in two photos",
            "a place is looked for in the batch's photo; the original's strip is found by itself",
            "give --strip once, for the batch",
        )
    if len(numbers) > 2:
        raise WrongUsage(
            f"--strip is given {len(numbers)} times",
            "two strips are compared",
            "give it twice, first for the original, then for the batch: --strip 1 --strip 2",
        )
    check_kept(kept, apart, batch, len(numbers) > 1, len(photos))
    said, went_in = read_mix(mix), read_mix(added, "added")
    original_said = read_mix(original_mix, "original_mix")
    opt.check_outputs(picture, report, replace, photo)
    if added and batch is None:
        raise WrongUsage(
            "--added was given without --batch",
            "what was added only says something of a batch whose earlier photos are known",
            "name the batch with --batch, or give its whole mix as it is now with --mix",
        )
    from drawdown.studio.scale import scale_step

    options = Options(
        original=numbers[0] if len(numbers) > 1 else None,
        batch=numbers[-1] if numbers else None,
        original_photo=original_photo,
        card=card,
        card_corners=corners if original_photo is None else corners[::-1],
        strips=places,
        shelf=shelf,
        mix=None if said is None else said.amounts,
        original_mix=None if original_said is None else original_said.amounts,
        inks=read_inks(", ".join(inks)) if inks else (),
        batch_grams=grams if grams is not None or said is None else said.grams,
        scale_step=scale_step() if scale is None else scale,
        tolerance=tolerance,
        other_inks=other_inks,
        pulled_alike=pulled_alike,
        wedge=wedge,
        wet=wet or (),
        lamps=tuple(lamp or ()),
        without_card=without_card,
        papers=tuple(paper or ()),
        readings=readings,
        instrument_off_de=instrument,
    )
    scale_step(scale)  # remembered, now that it makes sense
    if without_card:
        refuse_book_without_card(kept, batch)
        return _rough(photos, options, json, picture, report)
    if kept is None and batch is None:
        options.strips_to_compare()
    folder, remarks = book_opt.folder_of(book), ()
    source = None
    if kept is not None or batch is not None:
        from drawdown.book.memory.from_book import from_book

        source = from_book(
            folder, kept, batch, photo=photos[-1] if len(photos) == 2 else photo, said=said,
            added=went_in, grams=options.batch_grams, apart=_from_book(apart, options),
            batch_number=options.batch, shelf=shelf,
        )  # fmt: skip
        options = source.asked(options)
        tell(source.told)
    else:
        from drawdown.book.memory import knowledge_at
        from drawdown.studio.shelf_file import shelf_in_use

        knowledge, remarks, told = knowledge_at(folder, shelf_in_use(shelf))
        options = changed(options, knowledge=knowledge)
        tell([told] if told else ())
    from drawdown.commands.support.progress import ProgressLine
    from drawdown.pipeline.match import match_photo

    with unfit_in_json("match", photo, json, None, picture, report), ProgressLine() as progress:
        judgement = match_photo(photo if apart or not photos[1:] else photos, options, progress)
    if remarks:
        judgement = changed(judgement, flags=(*judgement.flags, *remarks))
    code = deliver(judgement, as_json=json, picture=picture)
    if judgement.earlier is not None and len(photos) == 2:
        photo = photos[1]
        if not json:
            _say_order(photos)
    if source is not None and source.batch_name is not None:
        put_in_story(folder, source, photo, judgement)
    if report is not None:
        _report(report, folder, source, judgement)
    return code


def _report(report: Path, folder: Path, source: FromBook | None, judgement: Judgement) -> None:
    """With the story of the batch, this photo included."""
    from drawdown.report.html.match import match_report

    story: Sequence[Part] = ()
    if source is not None and source.batch_name is not None:
        from drawdown.book import open_book
        from drawdown.book.batches import find_batch, story_of
        from drawdown.report.html.book import story_parts

        with open_book(folder) as book:
            batch = find_batch(book, source.batch_name)
            story = story_parts(batch, story_of(book, batch.id))
    save_report(report, match_report(judgement, story))


def refuse_book_without_card(kept: str | None, batch: str | None) -> None:
    """Raises ``WrongUsage``."""
    for name, given in (("--kept", kept), ("--batch", batch)):
        if given is not None:
            raise WrongUsage(
                f"{name} was given with --without-card",
                "a rough look is too unsure to be kept, or to be held against what was",
                f"leave {name} out, or put the card in the shot",
            )


def _rough(
    photos: list[Path], options: Options, as_json: bool, picture: Path | None, report: Path | None
) -> ExitCode:
    """A rough look without a card, told and drawn."""
    from drawdown.commands.support.progress import ProgressLine
    from drawdown.pipeline.rough import rough_look

    with (
        unfit_in_json("match", photos[0], as_json, None, picture, report),
        ProgressLine() as progress,
    ):
        look = rough_look(photos, options, progress)
    code = deliver(look, as_json=as_json, picture=picture)
    if report is not None:
        from drawdown.report.html.match import rough_report

        save_report(report, rough_report(look))
    return code


def _from_book(apart: bool, options: Options) -> bool | None:
    """Whether the book's reading of the original is compared, as far as that was said."""
    if apart and options.original_photo is None:
        return True
    return False if options.original is not None else None


def _refuse_folders(photos: list[Path]) -> None:
    for photo in photos:
        if os.path.isdir(photo):  # unlike Path.is_dir, no error for an impossible name
            raise BadFile(
                f"{photo} is a folder",
                "original and batch are compared in a photo",
                f"to read every photo in it, write: drawdown read {shlex.quote(str(photo))}",
            )


def _say_order(photos: list[Path]) -> None:
    """Which of two photos was taken as which."""
    old, new = (shlex.quote(str(photo)) for photo in photos)
    terminal.write_aside(
        f"{photos[0]} was taken as the kept original, {photos[1]} as the batch. The other way "
        f"round: drawdown {new} {old}"
    )


def check_kept(
    kept: str | None, apart: bool, batch: str | None, original: bool, photos: int
) -> None:
    """Refuse options of the book that contradict each other; raises ``WrongUsage``."""
    if not apart:
        return
    if kept is None and batch is None and photos != 2:
        raise WrongUsage(
            f"--apart was given with {photos} photo{'s' if photos > 1 else ''} and without --kept",
            "it is not clear which kept original is meant",
            "give its photo first, then the batch's; or add --kept NAME",
        )
    if original and photos == 1:
        raise WrongUsage(
            "--apart was given with two strips",
            "either the book's reading of the original is compared, or a strip of a photo",
            "leave one of the two out",
        )


def deliver(answer: Judgement | RoughLook, *, as_json: bool, picture: Path | None) -> ExitCode:
    """Print the answer, save the picture if wanted, return the exit code.

    In this order, so that a picture which cannot be saved never costs the answer."""
    if as_json:  # each way loads only what it needs: this command must be quick
        from drawdown.report.json.match import match_json

        terminal.write_result(match_json(answer))
    else:
        from drawdown.report.text.match import match_screen

        terminal.write_result(match_screen(answer, terminal.screen(sys.stdout)))
    if picture is not None:
        from drawdown.report.pictures.answer import save_picture

        save_picture(answer, picture)
        say_saved(picture)
    return OF_VERDICT[answer.comparison.verdict if answer.comparison is not None else None]
