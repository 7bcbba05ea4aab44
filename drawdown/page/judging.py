"""What is done with a photo in a process of its own: read, judged, drawn.

A process keeps the photos it read last as they were before any strip was looked for, so that a
strip moved by a finger costs only its own measuring.
"""

from __future__ import annotations

import hashlib
import io
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from calibration.errors import BadFile, DrawdownError, PhotoUnfit
from calibration.files import read_bytes, write_atomically
from calibration.photo.open import Photo, photo_from_bytes
from calibration.photo.privacy import kept_copy
from drawdown.book.memory.from_book import FromBook
from drawdown.page import answer as answers
from drawdown.page import following
from drawdown.page.looks import Asked, Look
from drawdown.page.studio import Studio
from drawdown.pipeline.match import match_photo
from drawdown.pipeline.options import Corners, Options
from drawdown.pipeline.read import Judgement, Prepared, Unread, prepare
from drawdown.pipeline.rough import RoughLook, rough_look
from drawdown.reading.colour import StripReading
from drawdown.report.pictures.answer import small_srgb
from drawdown.report.pictures.overlay import mark_photo, mark_rough
from drawdown.strips.find import place_tapped
from drawdown.studio.scale import scale_step

MOST_KEPT = 3  # photos in the memory of one process
HELD_SHARE = 0.85  # of a strip's reach each way: a box of that size holds the strip
SIDE_TAPPED = 0.04  # of the photo's shorter side: what a tap takes in, where no card tells mm
SHOWN_PX = 1600  # longer side of a photo on the page
_PHOTO_BYTES = 200_000_000


class Bench:
    """What one process keeps: for each look its photos as far as they were prepared, and the last
    judgement."""

    def __init__(self, studio: Studio) -> None:
        self.studio = studio
        self.say: Callable[[str, float], None] = lambda step, share: None
        self.answer: Callable[[Any], None] = lambda result: None
        self._kept: OrderedDict[str, Held] = OrderedDict()

    @property
    def topics(self) -> tuple[str, ...]:
        return tuple(self._kept)

    def held(self, look: Look) -> Held:
        """What is kept of a look; the one used longest ago makes room."""
        found = self._kept.setdefault(look.name, Held())
        self._kept.move_to_end(look.name)
        while len(self._kept) > MOST_KEPT:
            self._kept.popitem(last=False)
        return found

    def forget(self) -> None:
        self._kept.clear()


class Held:
    """The photos of one look in memory."""

    def __init__(self) -> None:
        self.photos: dict[int, Photo] = {}
        self.marks: dict[bytes, Photo] = {}  # by the hash of its bytes
        self.prepared: dict[tuple[int, Corners], Prepared] = {}
        self.judgement: Judgement | None = None
        self.from_book: FromBook | None = None  # what the book gave to it
        self.strips: tuple[StripReading, ...] = ()  # that the finder found
        self.shown: tuple[Photo, np.ndarray, float] | None = None  # a photo as the page shows it
        self.revision = 0


def judge(bench: Bench, folder: Path) -> None:
    """Judge a look and keep its answer beside it: the words first, then the picture."""
    look = Look(folder)
    asked = look.asked
    held = bench.held(look)
    try:
        if asked.follows:
            kept_photo(look, 1)
            following.take_back(bench.studio, look, asked.follows)
            held.judgement = None  # it is judged by the story as it is now
        seen = judgement(bench, look, asked, held)
        told = answers.of_rough if isinstance(seen, RoughLook) else answers.of_judgement
        answer = {"revision": asked.revision, **told(seen)}
        if isinstance(seen, Judgement):
            answer |= _in_story(bench, look, seen, held.from_book, answer["document"])
        look.keep_answer(answer)
        bench.answer(None)
        _keep_picture(look, held, seen.photo, seen)
    except DrawdownError as problem:
        found = problem.found if isinstance(problem, PhotoUnfit) else None
        photo = held.photos.get(1)
        told = answers.of_problem(problem, found, photo)
        look.keep_answer({"revision": asked.revision, **told})
        bench.answer(None)
        if photo is not None:
            _keep_picture(look, held, photo, found)


def _in_story(
    bench: Bench, look: Look, seen: Judgement, source: FromBook | None, document: dict[str, Any]
) -> dict[str, Any]:
    """The judged look put into its batch's story, if it follows one. Where the book can't be
    written, the answer stands and says so."""
    if source is None or source.batch_name is None:
        return {}
    try:
        return following.put_in(bench.studio, look, seen, source, document)
    except DrawdownError as problem:
        return {"entry": None, "told": [problem.paragraph()]}


def judgement(
    bench: Bench, look: Look, asked: Asked, held: Held | None = None
) -> Judgement | RoughLook:
    """The look's judgement, out of memory where it is there. Raises ``DrawdownError``."""
    held = bench.held(look) if held is None else held
    if held.judgement is not None and held.revision == asked.revision:
        return held.judgement
    bench.say("opening the photo", 0.02)
    options = asked.options(bench.studio)
    if asked.rough:
        held.photos.setdefault(1, _opened(look, 1, held))
        return _rough(bench, asked, held.photos[1], options)
    sources: list[Prepared | Unread] = []
    for number in range(1, asked.photos + 1):
        try:
            if number not in held.photos:
                held.photos[number] = _opened(look, number, held)
            sources.append(_prepared(bench, held, number, options))
        except (PhotoUnfit, BadFile) as problem:
            if asked.photos == 1:
                raise
            sources.append(Unread(_called(number), problem))  # left out, for that reason
    source = sources if len(sources) > 1 else sources[0]
    if asked.taps and isinstance(source, Prepared):
        options = _tapped(options, asked, source, held)
    held.from_book = following.of_book(bench.studio, look, asked, options)
    held.judgement = match_photo(source, _known(bench, options, held.from_book), bench.say)
    held.revision = asked.revision
    if not asked.taps:
        held.strips = held.judgement.strips
    return held.judgement


def _opened(look: Look, number: int, held: Held) -> Photo:
    """A photo of the look; one that was sent twice is one."""
    data = kept_photo(look, number)
    mark = hashlib.sha256(data).digest()
    if mark not in held.marks:
        held.marks[mark] = photo_from_bytes(data, _called(number))
    return held.marks[mark]


def _called(number: int) -> str:
    """What a sentence calls a photo of the look."""
    return "your photo" if number == 1 else f"no. {number}"


def _prepared(bench: Bench, held: Held, number: int, options: Options) -> Prepared:
    photo = held.photos[number]
    corners = options.card_corners[0] if options.card_corners else ()
    key = (id(photo), corners)
    if key not in held.prepared:
        for other in [k for k in held.prepared if k[0] == key[0]]:
            del held.prepared[other]
        held.prepared[key] = prepare(photo, options, bench.say)
    return held.prepared[key]


# Taps ------------------------------------------------------------------------------------


def _tapped(options: Options, asked: Asked, photo: Prepared, held: Held) -> Options:
    """The two strips that were touched: by number where the finder found both, else by place.
    Raises ``WrongUsage``."""
    numbers = [_touched(held.strips, photo, tap) for tap in asked.taps]
    if len(numbers) == 2 and all(numbers) and numbers[0] != numbers[1]:
        return replace(options, original=numbers[0], batch=numbers[1])
    places = tuple(place_tapped(photo.flat, photo.view, tap) for tap in asked.taps)
    return replace(options, strips=places, original=1, batch=2)


def _touched(
    strips: tuple[StripReading, ...], photo: Prepared, tap: tuple[float, ...]
) -> int | None:
    """The number of the strip that was found where a point lies, or a box that holds it all."""
    x, y, *size = tap
    wide, tall = size or (0.0, 0.0)
    for strip in strips:
        corners = photo.view.to_px(strip.corners_mm).astype(np.float32)
        inside = cv2.pointPolygonTest(corners, (x + wide / 2, y + tall / 2), False) >= 0
        most = HELD_SHARE * np.ptp(corners, axis=0)
        if inside and (not size or (wide >= most[0] and tall >= most[1])):
            return strip.number
    return None


def _rough(bench: Bench, asked: Asked, photo: Photo, options: Options) -> RoughLook:
    """A look by bare paper; a tap is a box about it."""
    side = SIDE_TAPPED * min(photo.width_px, photo.height_px)

    def box(tap: tuple[float, ...]) -> str:
        x, y, *size = tap
        wide, tall = size or (side, side)
        left, top = (x, y) if size else (x - side / 2, y - side / 2)
        return f"{left:.0f},{top:.0f},{wide:.0f},{tall:.0f}px"

    without = replace(
        options, without_card=True, card=None, card_corners=(),
        strips=tuple(map(box, asked.taps)), papers=tuple(map(box, asked.papers)),
    )  # fmt: skip
    return rough_look([photo], without, bench.say)


def _known(bench: Bench, options: Options, source: FromBook | None) -> Options:
    """With what the book knows: the batch and its original, or what its batches taught of the
    inks."""
    from drawdown.book.memory import knowledge_at
    from drawdown.studio.shelf_file import shelf_in_use

    options = replace(options, scale_step=scale_step())
    if source is not None:
        return source.asked(options)
    knowledge = knowledge_at(bench.studio.book, shelf_in_use(options.shelf))[0]
    return replace(options, knowledge=knowledge)


def kept_photo(look: Look, number: int) -> bytes:
    """The bytes of a photo. One that has just come in is first made anew from what reading it
    needs: where it was taken, and by what, is gone before it is kept. Raises ``BadFile``."""
    came = look.new_photo(number)
    if came.is_file():
        data = read_bytes(came, "a photo", _PHOTO_BYTES)
        try:
            data, ending = kept_copy(data, _called(number))
        except DrawdownError:
            came.unlink()
            raise
        write_atomically(came.with_suffix(ending), data, 0o600)
        came.unlink()
        return data
    for place in look.photos():
        if place.stem == str(number):
            return read_bytes(place, "a photo", _PHOTO_BYTES)
    raise BadFile(
        "what was sent is not held here",
        "it was no photo that can be read, or it did not arrive whole",
        "send the photo again",
    )


# Pictures --------------------------------------------------------------------------------


def draw(bench: Bench, folder: Path) -> None:
    """The pictures of a look, where judging it has not drawn them already."""
    look = Look(folder)
    if not (look.folder / "answer.jpg").exists():
        judge(bench, folder)


def _keep_picture(look: Look, held: Held, photo: Photo, seen: Judgement | RoughLook | None) -> None:
    """The photo with what was measured outlined, and as it is."""
    from PIL import Image

    if held.shown is None or held.shown[0] is not photo:
        held.shown = (photo, *small_srgb(photo, SHOWN_PX, SHOWN_PX))
    _, small, scale = held.shown
    if seen is None:
        marked = Image.fromarray(small)
    else:
        mark = mark_rough if isinstance(seen, RoughLook) else mark_photo
        marked = mark(small, scale, seen)
    write_atomically(look.folder / "answer.jpg", _jpeg(marked), 0o600)
    if not (plain := look.folder / "plain.jpg").exists():
        write_atomically(plain, _jpeg(Image.fromarray(small)), 0o600)


def _jpeg(picture: Any) -> bytes:
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=88)
    return out.getvalue()
