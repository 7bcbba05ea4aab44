"""Read every photo of a folder, on all cores; one bad photo never stops the rest."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from calibration.errors import BadFile, Explained

ENDINGS = {".jpg", ".jpeg", ".png", ".tif", ".tiff", ".webp", ".heic", ".heif", ".dng"}


@dataclass(frozen=True)
class FolderReading:
    """One photo of a folder: its ``data`` (drawdown.read/1), or why it has none."""

    path: Path
    data: dict | None
    error: str | None
    exit_code: int


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
            "give a folder with JPEG, PNG, TIFF, WebP, HEIC or DNG files",
        )
    return found


def read_one(path: Path, card_path: Path | None) -> FolderReading:
    """Read one photo; what fails is told, not raised."""
    from drawdown.judge import Options, read_strips
    from drawdown.report.json import read_data

    try:
        judgement = read_strips(path, Options(card_path=card_path), lambda *_: None)
    except Explained as problem:
        return FolderReading(path, None, problem.paragraph(), problem.exit_code)
    except Exception as fault:  # a fault of the program with one photo is no reason to stop
        text = f"drawdown failed with this photo ({type(fault).__name__}: {fault})."
        return FolderReading(path, None, text, 1)
    hard = any(flag.hard for flag in judgement.all_flags)
    return FolderReading(path, read_data(judgement), None, 5 if hard else 0)


def read_folder(
    folder: Path, card_path: Path | None, progress: Callable[[str, float], None]
) -> Iterator[FolderReading]:
    """Read the photos of a folder in order, several at once."""
    import multiprocessing
    import os
    from concurrent.futures import ProcessPoolExecutor

    if card_path is not None:
        from calibration.card import read_card

        read_card(card_path)  # a bad definition is said once, not for every photo
    photos = photos_in(folder)
    workers = min(len(photos), os.cpu_count() or 1)
    # Fresh processes: OpenCV's threads do not survive a fork.
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(workers, mp_context=context, initializer=_one_thread) as pool:
        jobs = [pool.submit(read_one, path, card_path) for path in photos]
        try:
            for done, job in enumerate(jobs):
                progress(f"reading {photos[done].name}", done / len(jobs))
                yield job.result()
        except BaseException:
            for job in jobs:
                job.cancel()
            raise


def _one_thread() -> None:
    import signal

    import cv2

    # The parent answers Ctrl-C; a worker's traceback would only be noise.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    cv2.setNumThreads(1)
