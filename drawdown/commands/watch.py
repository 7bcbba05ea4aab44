"""``drawdown watch``: judges each photo that comes into a folder."""

from __future__ import annotations

import json as json_module
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from calibration.errors import BadFile, DrawdownError, PhotoUnfit
from calibration.files import sha256_of
from drawdown.commands.support import book_options as book_opt
from drawdown.commands.support import options as opt
from drawdown.commands.support.exit_codes import OF_VERDICT
from drawdown.commands.support.parse import read_mix
from drawdown.defaults import TOLERANCE_DE00
from drawdown.pipeline.folder import ENDINGS
from drawdown.pipeline.options import Options
from drawdown.report.text import terminal
from drawdown.report.text.lines import Lines
from drawdown.studio import watched

if TYPE_CHECKING:
    from calibration.photo.open import Photo
    from drawdown.studio.watched import Mark, WatchedFolder

EVERY_S = 0.5


# Long by its options, one parameter each.
def watch(
    folder: Annotated[Path, opt.argument("FOLDER", "Where your phone's photos arrive.")],
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
    knowledge, _, told = knowledge_at(book_opt.folder_of(book), shelf_in_use(shelf))
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
    if told:
        terminal.write_aside(told)
    here = watched.WatchedFolder(folder, ENDINGS, watched.Done(watched.own_list()), every=every)
    _begin(here)
    while True:
        for path, mark in here.complete():
            _judge(here, path, mark, options, json)
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


def _judge(here: WatchedFolder, path: Path, mark: Mark, options: Options, as_json: bool) -> None:
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
            state = _opened(here, path, mark, options, as_json)
        except KeyboardInterrupt:
            _note(lambda: done.note_photo(mark, "stalled", sha256, path.name))
            raise
    _note(lambda: done.note_photo(mark, state, sha256, path.name))


def _opened(here: WatchedFolder, path: Path, mark: Mark, options: Options, as_json: bool) -> str:
    """What becomes of a photo: "done", or "stalled" when it may still be on its way."""
    from calibration.photo.open import open_photo

    try:
        photo = open_photo(path)
    except BadFile as problem:
        if here.stall(path, mark):
            return "stalled"
        _tell(path, problem.paragraph(), as_json, error=problem)
    else:
        _answer(path, photo, options, as_json)
    return "done"


def _answer(path: Path, photo: Photo, options: Options, as_json: bool) -> None:
    from drawdown.pipeline.match import match_photo
    from drawdown.report.json.match import match_data
    from drawdown.report.pictures.answer import save_picture, save_refusal
    from drawdown.report.text.match import match_screen

    out = watched.answer_beside(path)
    try:
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
