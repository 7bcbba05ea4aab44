"""Read every photo of a folder, on as many cores as there is memory for; one bad photo never
stops the rest."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from calibration.errors import BadFile, DrawdownError, PhotoUnfit

if TYPE_CHECKING:
    from drawdown.pipeline.read import Judgement

# Raw photos go by many endings; which of them can be read is up to the decoder.
RAW_ENDINGS = {
    ".3fr", ".arw", ".cr2", ".cr3", ".crw", ".dcr", ".dng", ".erf", ".fff", ".gpr", ".iiq",
    ".kdc", ".mef", ".mos", ".mrw", ".nef", ".nrw", ".orf", ".pef", ".raf", ".raw", ".rw2",
    ".rwl", ".sr2", ".srf", ".srw", ".x3f",
}  # fmt: skip
PHOTO_MEMORY_BYTES = 1_200_000_000  # memory that one photo may need, whatever its file holds
ENDINGS = RAW_ENDINGS | {".jpg", ".jpeg", ".png", ".tif", ".tiff", ".webp", ".heic", ".heif"}
_DIED = DrawdownError(
    "the process that read this photo died",
    "the photo may be too large for the memory, or damaged in a way that its decoder cannot bear",
    "copy it again from the phone or camera, or export it as JPEG; the other photos were read "
    "without it",
)


@dataclass(frozen=True, eq=False)
class FolderReading:
    """One photo of a folder: what was ``seen``, without pixels and ensembles, or the ``problem``
    for which nothing was."""

    path: Path
    seen: Judgement | None = None
    problem: DrawdownError | None = None

    @property
    def exit_code(self) -> int:
        if self.problem is not None:
            return self.problem.exit_code
        stopped = self.seen is not None and any(flag.hard for flag in self.seen.all_flags)
        return PhotoUnfit.exit_code if stopped else 0


Reader = Callable[[Path, Path | None], FolderReading]


def photos_in(folder: Path) -> list[Path]:
    """The photos directly inside a folder, by name; raises ``BadFile`` when there is none."""
    try:
        found = sorted(
            p
            for p in folder.iterdir()
            if p.suffix.lower() in ENDINGS and not p.name.startswith(".")
        )
    except OSError as error:
        raise BadFile(
            f"the folder {folder} cannot be read",
            "its photos cannot be found",
            "check its name and who may read it",
        ) from error
    if not found:
        raise BadFile(
            f"the folder {folder} holds no photo",
            "there is nothing to read",
            "give a folder with JPEG, PNG, TIFF, WebP, HEIC, DNG or other raw files",
        )
    return found


def read_one(path: Path, card_path: Path | None) -> FolderReading:
    """Read one photo; what fails is reported, not raised."""
    from drawdown.pipeline.options import Options
    from drawdown.pipeline.read import read_strips

    try:
        seen = read_strips(path, Options(card=card_path), lambda *_: None)
    except DrawdownError as problem:
        return FolderReading(path, problem=problem)
    except Exception as fault:  # a fault of the program with one photo is no reason to stop
        what = f"drawdown failed with this photo ({type(fault).__name__}: {fault})"
        return FolderReading(path, problem=DrawdownError(what, "", ""))
    return FolderReading(path, without_pixels(seen))


def without_pixels(seen: Judgement) -> Judgement:
    """What is said of a photo, small enough to be sent from one process to another."""
    photo, sheet, correction = seen.photo, seen.sheet, seen.correction
    profile = replace(photo.profile, decode=photo.profile.decode[:, :0])
    strips = tuple(
        replace(s, strip=replace(s.strip, mask=s.mask[:0], body=s.strip.body[:0]), lab_samples=None)
        for s in seen.strips
    )
    return replace(
        seen,
        photo=replace(photo, rgb_encoded=photo.rgb_encoded[..., :0], profile=profile),
        sheet=replace(
            sheet,
            rgb_linear=sheet.rgb_linear[:0],
            inside=sheet.inside[:0],
            clipped=sheet.clipped[:0],
            crushed=sheet.crushed[:0],
        ),
        correction=replace(
            correction,
            members=correction.members[:0],
            field_members=correction.field_members[:0],
        ),
        strips=strips,
    )


def read_folder(
    folder: Path,
    card_path: Path | None,
    progress: Callable[[str, float], None],
    read: Reader = read_one,
) -> Iterator[FolderReading]:
    """Read the photos of a folder in order, several at once.

    Where a process dies over a photo (memory used up, a fault deep in a decoder), the photos
    that were in work are tried again one by one; the one that kills its process again is reported
    of, and the rest are read."""
    if card_path is not None:
        from calibration.card.toml import read_card

        read_card(card_path)  # a bad definition is said once, not for every photo
    photos = photos_in(folder)
    readings: dict[Path, FolderReading] = {}

    def done(path: Path, reading: FolderReading) -> None:
        readings[path] = reading
        progress(f"reading {path.name}", len(readings) / len(photos))

    progress(f"reading {photos[0].name}", 0.0)
    while left := [path for path in photos if path not in readings]:
        workers = min(len(left), most_workers())
        before = len(readings)
        suspects = _read_together(left, card_path, workers, read, done)
        if suspects is None:
            break
        if not suspects and len(readings) == before:
            suspects = left[:1]  # it died before any photo was in work
        for path in suspects:
            if _read_together([path], card_path, 1, read, done) is not None:
                done(path, FolderReading(path, problem=_DIED))
    yield from (readings[path] for path in photos)


def most_workers() -> int:
    """As many as there are cores, and no more than there is memory for photos of any size."""
    import os

    free = 4 * PHOTO_MEMORY_BYTES  # where the system does not tell
    with suppress(OSError, ValueError, AttributeError):
        free = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") // 2
    with suppress(OSError, ValueError, StopIteration):
        lines = Path("/proc/meminfo").read_text(encoding="ascii").splitlines()
        free = 1024 * next(int(s.split()[1]) for s in lines if s.startswith("MemAvailable"))
    return max(1, min(os.cpu_count() or 1, free // PHOTO_MEMORY_BYTES))


@contextmanager
def interrupts_held() -> Iterator[None]:
    """Ctrl-C waits while a process begins, which keeps it held."""
    import signal

    if not hasattr(signal, "pthread_sigmask"):  # Windows
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _read_together(
    photos: list[Path],
    card_path: Path | None,
    workers: int,
    read: Reader,
    done: Callable[[Path, FolderReading], None],
) -> list[Path] | None:
    """Read photos in processes of their own; None when all are done, else the photos that were
    in work when a process died."""
    import multiprocessing
    from concurrent.futures import FIRST_COMPLETED, ProcessPoolExecutor, wait
    from concurrent.futures.process import BrokenProcessPool

    # Fresh processes: OpenCV's threads do not survive a fork.
    context = multiprocessing.get_context("spawn")
    waiting = iter(photos)
    running: dict = {}
    with ProcessPoolExecutor(workers, mp_context=context, initializer=one_thread) as pool:
        try:
            while True:
                # No more at once than there are processes, so that suspicion falls on few.
                while len(running) < workers and (path := next(waiting, None)) is not None:
                    with interrupts_held():  # a new process begins, and keeps them held
                        running[pool.submit(read, path, card_path)] = path
                if not running:
                    return None
                for job in wait(running, return_when=FIRST_COMPLETED).done:
                    done(running[job], job.result())
                    del running[job]
        except BrokenProcessPool:
            return list(running.values())
        except BaseException:
            for job in running:
                job.cancel()
            raise


def one_thread() -> None:
    """How a process that only measures begins."""
    import signal

    import cv2

    # The parent answers Ctrl-C; a worker's traceback would only be noise.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    cv2.setNumThreads(1)
