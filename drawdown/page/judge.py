"""Judge: a photo comes in, is judged, and has its answer; and is asked otherwise."""

from __future__ import annotations

import hashlib
import re
import secrets
import time
from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData, UploadFile
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, RedirectResponse, Response
from starlette.routing import Route

from calibration.errors import BadFile, WrongUsage
from drawdown.book.shapes import name_key
from drawdown.page import judging
from drawdown.page.batch import looking as batches
from drawdown.page.guard import phone_of
from drawdown.page.inks import MOST_FIELDS
from drawdown.page.looks import MOST_PHOTOS, Asked, Look, NoLook, from_form
from drawdown.page.rooms import house_of, page, refuse_read_only, work
from drawdown.page.workers import Job
from drawdown.studio.shelf_file import shelf_in_use

RECENT, WAIT_S = 12, 20.0
GOES_ON_S = 12 * 3600  # so long the next photo is taken for one of the same batch
NAV = ("/", "Judge")


async def home(request: Request) -> Response:
    """The large button, and this phone's photos."""
    looks = house_of(request).looks
    recent = await run_in_threadpool(looks.of_phone, phone_of(request.scope), RECENT)
    rows = [_row(look, asked) for look, asked in recent]
    last = recent[0][1] if recent else Asked()
    studio, query = house_of(request).studio, request.query_params
    known = await run_in_threadpool(batches.to_choose, studio)
    new = bool(query.get("new") or query.get("kept"))
    begun = next((b for b in known["batches"] if name_key(b) == name_key(last.follows)), "")
    last = replace(last, follows=begun or last.follows)
    goes_on = bool(begun) and not new and time.time() - last.when < GOES_ON_S
    asked = afresh(last, goes_on) if begun or new else replace(last, wet=())
    if kept := query.get("kept"):
        asked = replace(asked, kept=kept[:200])
    if asked.mix:
        known = await run_in_threadpool(batches.to_choose, studio, asked.mix)
    return page(request, "judge.html", rows=rows, asked=asked, known=known, goes_on=goes_on)


def afresh(last: Asked, goes_on: bool) -> Asked:
    """What is asked of the photo after one that was in a batch; of the same batch, or not."""
    follows, kept = (last.follows, last.kept) if goes_on else ("", "")
    original_mix = last.original_mix if goes_on else ""
    return replace(
        last, wet=(), mix="", grams="", follows=follows, kept=kept, original_mix=original_mix,
        apart=last.apart and goes_on,
    )  # fmt: skip


def _row(look: Look, asked: Asked) -> dict[str, Any]:
    answer = look.answer or {"symbol": "…", "words": ["NOT JUDGED YET"]}
    when = datetime.fromtimestamp(asked.when).strftime("%H:%M")
    return {
        "name": look.name,
        "when": when,
        "symbol": answer["symbol"],
        "words": " ".join(answer["words"]).capitalize(),
        "swatches": answer.get("swatches", []),
        "batch": asked.follows,
    }


# Photos come in --------------------------------------------------------------------------


async def send(request: Request) -> Response:
    """A new look. Sent again with the same ``token``, it is the same look."""
    async with request.form(max_files=MOST_PHOTOS, max_fields=MOST_FIELDS) as form:
        photos = _photos(form)
        token = str(form.get("token") or secrets.token_hex(16))
        phone = phone_of(request.scope)
        name = hashlib.sha256(f"{phone} {token}".encode()).hexdigest()[:32]
        asked = Asked(phone=phone, when=time.time(), photos=len(photos))
        asked = await run_in_threadpool(_filled_in, request, form, asked)
        await run_in_threadpool(_begin, request, name, photos, asked)
    return RedirectResponse(f"/look/{name}", 303)


async def another(request: Request) -> Response:
    """One more photo of the same pair."""
    look = house_of(request).looks.find(request.path_params["name"])
    async with request.form(max_files=1, max_fields=4) as form:
        (photo, *_) = _photos(form)
        asked = look.asked
        if asked.photos >= MOST_PHOTOS:
            raise WrongUsage(
                f"{MOST_PHOTOS} photos of this pair were sent",
                "more would hardly narrow the interval",
                "begin anew with fresh strips",
            )
        number = asked.photos + 1
        await run_in_threadpool(_write, look, number, photo)
    # What was tapped speaks of one photo.
    look.ask(replace(asked, photos=number, revision=asked.revision + 1, taps=(), corners=()))
    return RedirectResponse(f"/look/{look.name}", 303)


def _photos(form: FormData) -> list[UploadFile]:
    found = [f for f in form.getlist("photo") if isinstance(f, UploadFile) and f.size]
    if not found:
        raise BadFile("no photo was sent", "there is nothing to judge", "take or choose one")
    return found


def _filled_in(request: Request, form: Mapping[str, Any], asked: Asked) -> Asked:
    """What a form asks; what makes no sense is refused before anything is judged."""
    studio = house_of(request).studio
    asked = from_form(form, asked, shelf_in_use(studio.shelf).shelf)
    if asked.follows:
        refuse_read_only(request)
    asked.options(studio)
    return asked


def _begin(request: Request, name: str, photos: list[UploadFile], asked: Asked) -> None:
    looks = house_of(request).looks
    look = looks.begin(name)
    if (look.folder / "asked.json").exists():  # sent twice: the first time counts
        return
    for number, photo in enumerate(photos, 1):
        _write(look, number, photo)
    look.ask(asked)
    looks.prune()


def _write(look: Look, number: int, photo: UploadFile) -> None:
    from shutil import copyfileobj

    from calibration.files import writing_atomically

    photo.file.seek(0)
    with writing_atomically(look.new_photo(number), 0o600) as stream:
        copyfileobj(photo.file, stream)


# The answer ------------------------------------------------------------------------------


def judging_of(request: Request, look: Look) -> Job | None:
    """The job that judges a look; None once its answer is there."""
    jobs = house_of(request).jobs
    job = jobs.get(look.name)
    if job is not None and not job.done:
        return job
    jobs.pop(look.name, None)
    if look.answer is not None:
        return None
    if job is not None and job.problem is not None:
        _keep_problem(look, job)
        return None
    job = jobs[look.name] = work(request, look.name, judging.judge, look.folder)
    return job


def _keep_problem(look: Look, job: Job) -> None:
    """What became of a look whose process died or took too long."""
    from drawdown.page.answer import of_problem

    assert job.problem is not None
    look.keep_answer({"revision": look.asked.revision, **of_problem(job.problem, None, None)})


async def look(request: Request) -> Response:
    """A look: its answer, or how far it is."""
    found = house_of(request).looks.find(request.path_params["name"])
    job = judging_of(request, found)
    answer = found.answer if job is None else None
    if job is None and answer is None:  # asked otherwise since
        job = judging_of(request, found)
    studio = house_of(request).studio
    shown: dict[str, Any] = {"batch": None, "known": None}
    if answer is not None:
        batch = await run_in_threadpool(batches.of_look, studio, found.asked, answer)
        known = await run_in_threadpool(batches.to_choose, studio, found.asked.mix)
        shown = {"batch": batch, "known": known}
    part = bool(request.query_params.get("part"))
    template = "answer.html" if part and answer is not None else "look.html"
    status = 409 if part and answer is None else 200  # the script then loads the page anew
    return page(
        request, template, status, name=found.name, asked=found.asked, answer=answer,
        most_photos=MOST_PHOTOS, progress=None if job is None else _progress(request, job), **shown,
    )  # fmt: skip


def _progress(request: Request, job: Job) -> dict[str, Any]:
    place = house_of(request).workers.place(job)
    step = job.step or "beginning"
    if place:
        step = "next in the queue" if place == 1 else f"waiting: number {place} in the queue"
    return {"version": job.version, "place": place, "step": step, "share": job.share}


async def state(request: Request) -> Response:
    """How far a look is, once that is more than the asker knew."""
    found = house_of(request).looks.find(request.path_params["name"])
    job = judging_of(request, found)
    if job is not None:
        seen = request.query_params.get("after", "")
        await job.changed(int(seen) if re.fullmatch(r"\d{1,6}", seen) else -1, WAIT_S)
        if not job.done:
            return JSONResponse({"done": False, **_progress(request, job)})
        judging_of(request, found)
    return JSONResponse({"done": True})


async def picture(request: Request) -> Response:
    """The photo, with what was measured outlined (``answer``) or as it is (``plain``)."""
    found = house_of(request).looks.find(request.path_params["name"])
    which = request.path_params["which"]
    if which not in ("answer", "plain"):
        raise NoLook
    file = found.folder / f"{which}.jpg"
    if not file.is_file():
        # Behind the judging, in the process that has the photo.
        await work(request, found.name, judging.draw, found.folder).outcome()
    if not file.is_file():
        raise NoLook
    return FileResponse(file, media_type="image/jpeg")


async def ask(request: Request) -> Response:
    """The same photo, asked otherwise: of another mix, wet strips, the other way round."""
    found = house_of(request).looks.find(request.path_params["name"])
    async with request.form(max_files=0, max_fields=MOST_FIELDS) as form:
        asked = found.asked
        if form.get("swap"):
            changed = _swapped(found, asked)
        else:
            changed = await run_in_threadpool(_filled_in, request, form, asked)
    await run_in_threadpool(found.ask, replace(changed, revision=asked.revision + 1))
    return RedirectResponse(f"/look/{found.name}", 303)


def _swapped(found: Look, asked: Asked) -> Asked:
    """Original and batch the other way round."""
    if asked.taps:
        return replace(asked, taps=asked.taps[::-1])
    answer = found.answer or {}
    by_role = {strip["role"]: strip["number"] for strip in answer.get("strips", [])}
    if not {"original", "batch"} <= set(by_role):
        raise WrongUsage(
            "there are no two strips to swap",
            "original and batch are the strips that were compared",
            "tap the two strips first",
        )
    return replace(asked, original=by_role["batch"], batch=by_role["original"])


_NAME = "/look/{name:str}"
ROUTES = [
    Route("/", home),
    Route("/look", send, methods=["POST"]),
    Route(_NAME, look),
    Route(f"{_NAME}/photo", another, methods=["POST"]),
    Route(f"{_NAME}/state", state),
    Route(f"{_NAME}/ask", ask, methods=["POST"]),
    Route(_NAME + "/{which:str}.jpg", picture),
]
