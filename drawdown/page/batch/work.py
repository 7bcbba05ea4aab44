"""A batch begins with a photo that was judged already: in the process that has the photo."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from calibration.errors import BadFile
from drawdown.book import open_book
from drawdown.book.batches import add_to, find_batch, unit_said
from drawdown.book.opening import is_there
from drawdown.book.originals import check_free
from drawdown.page.following import in_story, of_book, put_in
from drawdown.page.judging import Bench, judgement
from drawdown.page.looks import Look
from drawdown.pipeline.rough import RoughLook


@dataclass(frozen=True)
class WentIn:
    """What was worked into a batch: inks and amounts, their ``unit`` as ``unit_said`` takes it, and
    the ``portion`` of the batch that they went into."""

    inks: tuple[tuple[str, float], ...]
    unit: str
    portion: float = 1.0


def begin(bench: Bench, folder: Path, name: str, went_in: WentIn) -> None:
    """The look's photo is the first of a new batch, and then something went in. Raises
    ``WrongUsage``, ``BadFile``, and ``StoryWentOn`` where it has begun already."""
    look, studio = Look(folder), bench.studio
    asked = replace(look.asked, follows=name)
    after, answer = 0, look.answer
    if is_there(studio.book):
        with open_book(studio.book) as book:
            known = in_story(book, name, look.photos()[0])
            if not known and name != look.asked.follows:
                check_free(book, "batch", name)
    else:
        known = []
    if known:
        look_in = {"entry": known[-1].id, "told": []}
    else:
        seen = judgement(bench, look, look.asked)
        source = of_book(studio, look, asked, asked.options(studio))
        if isinstance(seen, RoughLook) or source is None or answer is None:
            raise BadFile(
                "this photo cannot begin a batch", "it has no advice", "take another with the card"
            )
        look_in = put_in(studio, look, seen, source, answer["document"])
        after = look_in["entry"]
    look.ask(asked)
    if answer is not None:
        look.keep_answer({**answer, **look_in})
    with open_book(studio.book, write=True) as book:
        batch = find_batch(book, name)
        unit = unit_said(went_in.unit, batch)
        add_to(book, batch, went_in.inks, unit, portion=went_in.portion, after=after)
