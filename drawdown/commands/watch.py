"""``drawdown watch``: judges each photo that comes into a folder."""

from __future__ import annotations

import json as json_module
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from calibration.errors import BadFile, DrawdownError, PhotoUnfit, WrongUsage
from calibration.files import sha256_of
from drawdown.commands.support import book_options as book_opt
from drawdown.commands.support import options as opt
from drawdown.commands.support.exit_codes import OF_VERDICT
from drawdown.commands.support.parse import read_mix
from drawdown.commands.support.story import put_in_story, tell
from drawdown.defaults import TOLERANCE_DE00
from drawdown.pipeline.folder import ENDINGS
from drawdown.pipeline.options import Options
from drawdown.report.text import terminal
from drawdown.report.text.lines import Lines
from drawdown.studio import watched

if TYPE_CHECKING:
    from calibration.photo.open import Photo
    from drawdown.book.memory.from_book import FromBook
    from drawdown.ink.mix_notation import Amounts
    from drawdown.pipeline.read import Judgement
    from drawdown.studio.watched import Mark, WatchedFolder

EVERY_S = 0.5


@dataclass
class _Batch:
    """A batch in the book that each photo is one of; what was ``said`` of it goes with the first
    one."""

    book: Path
    name: str
    kept: str | None
    said: Amounts | None
    grams: float | None
    shelf: Path | None

    def source(self, photo: Path) -> FromBook:
        """What the book gives to a photo. Raises ``WrongUsage`` and ``BadFile``."""
        from drawdown.book.memory.from_book import from_book

        return from_book(
            self.book, self.kept, self.name, photo=photo, said=self.said, added=None,
            grams=self.grams, apart=None, batch_number=None, shelf=self.shelf,
        )  # fmt: skip

    def put_in(self, source: FromBook, photo: Path, seen: Judgement) -> None:
        put_in_story(self.book, source, photo, seen)
        self.said = self.grams = None


@dataclass(frozen=True)
class _Asked:
    """What is asked of every photo."""

    options: Options
    batch: _Batch | None
    as_json: bool


# Long by its options, one parameter each.
def watch(
    folder: Annotated[Path, opt.argument("FOLDER", "Where your phone's photos arrive.")],
    batch: Annotated[
        str | None,
        opt.option(
            "NAME",
            "Each photo is one of this batch in the book: begin it with --mix or --kept, note what "
            "goes in with: drawdown book batch NAME --added.",
            complete=book_opt.batches,
        ),
    ] = None,
    kept: Annotated[
        str | None,
        opt.option(
            "NAME", "With --batch: the kept original in the book.", complete=book_opt.originals
        ),
    ] = None,
    mix: opt.MixParts = None,
    grams: opt.Grams = None,
    scale: opt.Scale = None,
    tolerance: Annotated[
        float, opt.number("T", "Largest Delta E 2000 that still counts as a match.")
    ] = TOLERANCE_DE00,
    every: Annotated[bool, opt.flag("The photos that are there already, too.", "--all")] = False,
    once: Annotated[bool, opt.flag("Judge what is new now, then stop.", "--once")] = False,
    card: opt.CardFile = None,
    shelf: opt.ShelfInUse = None,
    book: book_opt.BookFolder = None,
    full: opt.Full = False,
    json: Annotated[bool, opt.flag("A line of JSON for each photo.", "--json")] = False,
) -> int:
    """Judge each new photo in a folder, and lay its picture beside it."""
    from drawdown.book.memory import knowledge_at
    from drawdown.studio.scale import scale_step
    from drawdown.studio.shelf_file import shelf_in_use

    said = read_mix(mix)
    folder_of_book = book_opt.folder_of(book)
    knowledge, _, told = knowledge_at(folder_of_book, shelf_in_use(shelf))
    options = Options(
        card=card,
        shelf=shelf,
        mix=None if said is None else said.amounts,
        batch_grams=grams if grams is not None or said is None else said.grams,
        scale_step=scale_step() if scale is None else scale,
        tolerance=tolerance,
        knowledge=knowledge,
    )
    scale_step(scale)  # remembered, now that it makes sense
    if card is not None:
        from calibration.card.toml import read_card

        read_card(card)  # a bad one is said now, not for every photo
    if kept is not None and batch is None:
        raise WrongUsage(
            "--kept was given without --batch",
            "photos that come by themselves show the original beside the batch",
            'leave --kept out, or name the batch too: --batch "NAME"',
        )
    followed = None
    if batch is not None:
        followed = _Batch(folder_of_book, batch, kept, said, options.batch_grams, shelf)
        tell(followed.source(folder).told)  # a batch that cannot be followed is said now
    elif told:
        terminal.write_aside(told)
    asked = _Asked(options, followed, json)
    here = watched.WatchedFolder(folder, ENDINGS, watched.Done(watched.own_list()), every=every)
    _begin(here)
    while True:
        for path, mark in here.complete():
            _judge(here, path, mark, asked)
            sys.stdout.flush()
        if once and not here.waits():
            return 0
        time.sleep(EVERY_S)


def _begin(here: WatchedFolder) -> None:
    """Photos that were there before the folder was first watched are left alone."""
    name, done = str(here.folder.resolve()), here.done
    if name not in done.folders:
        _note(lambda: done.note(folder=name))
        there = here.look()
        for path, mark in there:
            _note(lambda p=path, m=mark: done.note_photo(m, "there", None, p.name))
        if there and not here.every:
            count = f"{len(there)} photo{'s' * (len(there) > 1)}"
            terminal.write_aside(f"Left alone: {count} there before. --all judges them, too.")
    terminal.write_aside(f"Watching {here.folder}. Stop with Ctrl-C.")


def _note(step: Callable[[], None]) -> None:
    """Says what can't be remembered; the watch goes on."""
    try:
        step()
    except BadFile as problem:
        terminal.write_aside(problem.paragraph())


def _judge(here: WatchedFolder, path: Path, mark: Mark, asked: _Asked) -> None:
    """One photo, whatever comes of it; nothing that one does ends the watch."""
    done = here.done
    try:
        sha256 = sha256_of(path)
    except OSError:
        return  # gone again, or not to be read yet
    if sha256 in done.hashes:  # renamed, copied or brought back
        done.marks.add(mark)
        return
    if done.begun.get(sha256, 0) >= watched.MOST_BEGUN:
        terminal.write_aside(f"{path.name} is left alone: the watch ended over it before.")
        state = "done"
    else:
        _note(lambda: done.note_photo(mark, "begun", sha256, path.name))
        try:
            state = _opened(here, path, mark, asked)
        except KeyboardInterrupt:
            _note(lambda: done.note_photo(mark, "stalled", sha256, path.name))
            raise
    _note(lambda: done.note_photo(mark, state, sha256, path.name))


def _opened(here: WatchedFolder, path: Path, mark: Mark, asked: _Asked) -> str:
    """What becomes of a photo: "done", or "stalled" when it may still be on its way."""
    from calibration.photo.open import open_photo

    try:
        photo = open_photo(path)
    except BadFile as problem:
        if here.stall(path, mark):
            return "stalled"
        _tell(path, problem.paragraph(), asked.as_json, error=problem)
    else:
        _answer(path, photo, asked)
    return "done"


def _answer(path: Path, photo: Photo, asked: _Asked) -> None:
    from drawdown.pipeline.match import match_photo
    from drawdown.report.json.match import match_data
    from drawdown.report.pictures.answer import save_picture, save_refusal
    from drawdown.report.text.match import match_screen

    out, as_json = watched.answer_beside(path), asked.as_json
    options, batch, source = asked.options, asked.batch, None
    try:
        if batch is not None:
            source = batch.source(path)
            options = source.asked(options)
        seen = match_photo(photo, options, lambda *_: None)
    except DrawdownError as problem:
        _tell(path, problem.paragraph(), as_json, error=problem)
        if isinstance(problem, PhotoUnfit):
            unfit = problem
            _note(lambda: save_refusal(unfit, path, out))
    except Exception as fault:  # a fault with one photo is no reason to stop
        what = f"drawdown failed with this photo ({type(fault).__name__}: {fault})"
        _tell(path, what, as_json, error=DrawdownError(what, "", ""))
    else:
        text = "" if as_json else match_screen(seen, terminal.screen(sys.stdout))
        _tell(path, text, as_json, data=match_data(seen) if as_json else None)
        _note(lambda: save_picture(seen, out))
        if batch is not None and source is not None:
            _note(lambda: batch.put_in(source, path, seen))


def _tell(
    path: Path,
    text: str,
    as_json: bool,
    *,
    data: dict[str, Any] | None = None,
    error: DrawdownError | None = None,
) -> None:
    """The answer under the photo's name; as JSON in one line, with its exit code."""
    if not as_json:
        lines = Lines(terminal.screen(sys.stdout))
        lines.add(f" {path.name}", "1")
        lines.say(text) if error is not None else lines.add(text)
        terminal.write_result(f"{lines}\n")
        return
    verdict = ((data or {}).get("comparison") or {}).get("verdict")
    code = int(OF_VERDICT[verdict]) if error is None else error.exit_code
    line = {"photo": str(path), "exit_code": code, "match": data, "error": error and text}
    terminal.write_result(json_module.dumps(line, allow_nan=False))
