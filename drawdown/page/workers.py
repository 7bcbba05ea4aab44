"""Processes that judge photos, and the queue before them.

A process keeps the photos it read last, so a correction goes back to the one that has the photo.
Who waits is served in turn, phone by phone. A process that takes too long, or dies over a photo,
is replaced; only that photo has no answer then.
"""

from __future__ import annotations

import asyncio
import itertools
import multiprocessing
import os
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from calibration.errors import DrawdownError
from drawdown.page.studio import Busy, Studio
from drawdown.pipeline.folder import PHOTO_MEMORY_BYTES, interrupts_held, most_workers

PHOTO_S = 60.0  # for one photo, once its turn has come
START_S = 120.0  # for a process to load what it needs, which is no photo's fault
MOST_WAITING, MOST_OF_ONE = 120, 24
_SLOW = DrawdownError(
    f"this photo took longer than {PHOTO_S:.0f} seconds, so its reading was stopped",
    "others wait for their turn, and no photo should take so long",
    "copy the photo again from the phone or camera, or export it as JPEG, and send that",
)
_DIED = DrawdownError(
    "reading this photo needed more memory than one photo may have, or its decoder failed",
    "the photo may be too large, or damaged",
    "copy the photo again from the phone or camera, or export it as JPEG, and send that",
)
_CLOSED = DrawdownError(
    "the page is being stopped",
    "this photo was not read yet; it is not lost",
    "start the page again and open the photo from its list",
)

# What a process does: it is given what it keeps, somebody to tell of progress, and its arguments.
Work = Callable[..., Any]


@dataclass(eq=False)
class Job:
    """One piece of work, as whoever waits for it sees it. ``topic`` names the photo it is about:
    its work goes to the process that has it. ``result`` counts once ``done``; a ``problem`` is what
    became of it instead."""

    client: str
    topic: str
    work: Work
    arguments: tuple[Any, ...]
    order: int
    step: str = ""
    share: float = 0.0
    version: int = 0
    done: bool = False
    result: Any = None
    problem: DrawdownError | None = None
    _watchers: list[Callable[[], None]] = field(default_factory=list)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def tell(self, **changes: Any) -> None:
        """Change what is known, and wake who waits for that."""
        with self._lock:
            for name, value in changes.items():
                setattr(self, name, value)
            self.version += 1
            watchers, self._watchers = self._watchers, []
        for wake in watchers:
            with suppress(RuntimeError):  # its loop has ended
                wake()

    async def changed(self, version: int, patience_s: float) -> None:
        """Until there is more to tell than at that version, or patience ends."""
        loop, event = asyncio.get_running_loop(), asyncio.Event()
        with self._lock:
            if self.version != version or self.done:
                return
            self._watchers.append(lambda: loop.call_soon_threadsafe(event.set))
        with suppress(TimeoutError):
            await asyncio.wait_for(event.wait(), patience_s)

    async def outcome(self) -> Any:
        """The result; raises the problem."""
        while not self.done:
            await self.changed(self.version, PHOTO_S)
        if self.problem is not None:
            raise self.problem
        return self.result


class Workers:
    """As many processes as there are cores and memory for, each with a thread that feeds it."""

    def __init__(
        self, studio: Studio, count: int | None = None, patience_s: float = PHOTO_S
    ) -> None:
        self._studio, self._patience_s = studio, patience_s
        self._waiting: list[Job] = []
        self._order = itertools.count()
        self._last_served: dict[str, int] = {}
        self._served = itertools.count()
        self._keeps: dict[str, int] = {}  # topic -> worker
        self._free = threading.Condition()
        self._closed = False
        self._threads = [
            threading.Thread(target=self._feed, args=(number,), daemon=True, name=f"feed-{number}")
            for number in range(most_workers() if count is None else count)
        ]
        for thread in self._threads:
            thread.start()

    def submit(self, client: str, topic: str, work: Work, *arguments: Any) -> Job:
        """Put work into the queue. Raises ``Busy`` where too much waits."""
        with self._free:
            own = sum(job.client == client for job in self._waiting)
            if len(self._waiting) >= MOST_WAITING or own >= MOST_OF_ONE:
                raise Busy(
                    f"{len(self._waiting)} photos wait already",
                    "more would only wait longer",
                    "send yours again in a minute",
                )
            job = Job(client, topic, work, arguments, next(self._order))
            self._waiting.append(job)
            self._free.notify_all()
        return job

    def place(self, job: Job) -> int:
        """How many go before it, itself counted; 0 once its turn has come."""
        with self._free:
            if job not in self._waiting:
                return 0
            return 1 + self._in_turn(self._waiting).index(job)

    def close(self) -> None:
        """Stop at once; what waits learns why."""
        with self._free:
            self._closed = True
            left, self._waiting = self._waiting, []
            self._free.notify_all()
        for job in left:
            job.tell(done=True, problem=_CLOSED)
        for thread in self._threads:
            thread.join(5.0)

    # The queue ---------------------------------------------------------------------------

    def _in_turn(self, jobs: list[Job]) -> list[Job]:
        """In the order of their turns: the phone that was served longest ago first, each phone's
        own in the order they came."""
        rounds: dict[str, itertools.count[int]] = {}
        keyed = []
        for job in sorted(jobs, key=lambda job: job.order):
            lap = next(rounds.setdefault(job.client, itertools.count()))
            keyed.append(((lap, self._last_served.get(job.client, -1), job.order), job))
        return [job for _, job in sorted(keyed, key=lambda pair: pair[0])]

    def _next(self, worker: int) -> Job | None:
        """Waits for work that this process is to do; None at the end."""
        with self._free:
            while not self._closed:
                mine = [j for j in self._waiting if self._keeps.get(j.topic) == worker]
                free = [j for j in self._waiting if j.topic not in self._keeps]
                if mine or free:
                    job = min(mine, key=lambda j: j.order) if mine else self._in_turn(free)[0]
                    self._waiting.remove(job)
                    self._last_served[job.client] = next(self._served)
                    if len(self._last_served) > 10 * MOST_WAITING:
                        del self._last_served[next(iter(self._last_served))]
                    self._keeps[job.topic] = worker
                    return job
                self._free.wait()
        return None

    def _forget(self, worker: int, kept: tuple[str, ...] = ()) -> None:
        """Which topics a process still keeps."""
        with self._free:
            for topic in [t for t, w in self._keeps.items() if w == worker and t not in kept]:
                del self._keeps[topic]
            self._free.notify_all()

    # A process ---------------------------------------------------------------------------

    def _feed(self, worker: int) -> None:
        process: Process | None = Process(self._studio)  # which loads what it needs meanwhile
        while (job := self._next(worker)) is not None:
            if process is None or not process.alive:
                process = Process(self._studio)
            try:
                kept = process.carry_out(job, self._patience_s, lambda: self._closed)
            except DrawdownError as problem:
                process.end()
                process = None
                job.tell(done=True, problem=problem)
                kept = ()
            self._forget(worker, kept)
        if process is not None:
            process.end()


class Process:
    """One process and the pipe to it."""

    def __init__(self, studio: Studio) -> None:
        context = multiprocessing.get_context("spawn")  # OpenCV's threads do not survive a fork
        self._pipe, theirs = context.Pipe()
        self._process = context.Process(
            target=serve_work, args=(theirs, studio, PHOTO_MEMORY_BYTES), daemon=True
        )
        with interrupts_held():
            self._process.start()
        theirs.close()
        self._started = False

    @property
    def alive(self) -> bool:
        return self._process.is_alive()

    def carry_out(
        self, job: Job, patience_s: float, stopped: Callable[[], bool]
    ) -> tuple[str, ...]:
        """Do one job and tell what becomes of it; returns the topics that the process keeps. Raises
        ``DrawdownError`` where the process took too long or died."""
        end = time.monotonic() + (patience_s if self._started else START_S)
        try:
            self._pipe.send((job.topic, job.work, job.arguments))
            while True:
                if not self._pipe.poll(0.25):
                    if time.monotonic() > end:
                        raise _again(_SLOW)
                    if stopped():
                        raise _again(_CLOSED)
                    continue
                kind, value = self._pipe.recv()
                if kind == "started":
                    self._started, end = True, time.monotonic() + patience_s
                elif kind == "step":
                    job.tell(step=value[0], share=value[1])
                elif kind == "result":
                    job.tell(done=True, result=value)
                elif kind == "problem":
                    job.tell(done=True, problem=value)
                elif kind == "kept":
                    return tuple(value)
        except (EOFError, OSError):
            raise _again(_DIED) from None

    def end(self) -> None:
        self._pipe.close()
        self._process.kill()
        self._process.join(5.0)


def _again(problem: DrawdownError) -> DrawdownError:
    """An error of its own for each job."""
    return type(problem)(*problem.args)


# In the process --------------------------------------------------------------------------


def serve_work(pipe: Any, studio: Studio, memory_bytes: int) -> None:
    """What a process does: work until the pipe closes."""
    from calibration.naming import speak
    from drawdown.page.studio import spoken
    from drawdown.pipeline.folder import one_thread

    one_thread()
    speak(spoken)
    from drawdown.page.judging import Bench

    bench = Bench(studio)  # loads what judging needs
    limit_memory(memory_bytes)
    with suppress(EOFError, BrokenPipeError, OSError):
        pipe.send(("started", None))
        while True:
            topic, work, arguments = pipe.recv()
            _work(pipe, bench, topic, work, arguments)


def _work(pipe: Any, bench: Any, topic: str, work: Work, arguments: tuple[Any, ...]) -> None:
    told = False

    def say(step: str, share: float) -> None:
        pipe.send(("step", (step, share)))

    def answer(result: Any) -> None:
        """The result is there, though the work goes on."""
        nonlocal told
        told = True
        pipe.send(("result", result))

    bench.say, bench.answer = say, answer
    try:
        result = work(bench, *arguments)
        if not told:
            answer(result)
    except DrawdownError as problem:
        if not told:
            pipe.send(("problem", problem))
    except MemoryError:
        if not told:
            pipe.send(("problem", _again(_DIED)))
        bench.forget()
    except (BrokenPipeError, EOFError):
        raise
    except Exception as fault:
        what = f"drawdown met something it was not made for ({type(fault).__name__})"
        todo = "send the photo once more; if it happens again, report it"
        if not told:
            pipe.send(
                ("problem", DrawdownError(what, "no answer is better than a wrong one", todo))
            )
    pipe.send(("kept", bench.topics))


def limit_memory(more_bytes: int) -> None:
    """No more memory than there is in use now, and so much on top (POSIX; elsewhere none)."""
    with suppress(ImportError, OSError, ValueError):
        import resource

        pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[5])  # data, stack
        most = pages * os.sysconf("SC_PAGE_SIZE") + more_bytes
        resource.setrlimit(resource.RLIMIT_DATA, (most, most))
