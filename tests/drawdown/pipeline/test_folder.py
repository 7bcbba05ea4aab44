"""A folder of photos: one that kills its reader, raw endings, refused strips in the list.

What is checked against the outside: the exit codes of the guide. Which endings raw photos
have is from memory (common practice, no source).
"""

from __future__ import annotations

import pickle
from pathlib import Path
from types import SimpleNamespace

import fake_judgement
from deadly_reader import read_or_die

from calibration.errors import BadFile
from calibration.flags import CARD_UNUSABLE, NOMINAL_CARD
from drawdown.flags import STRIP_EMPTY, STRIP_GLARE, STRIP_UNEVEN
from drawdown.pipeline import folder
from drawdown.pipeline.folder import FolderReading, photos_in, read_folder, without_pixels
from drawdown.pipeline.options import Options
from drawdown.pipeline.read import read_strips
from drawdown.report.json.match import read_data
from drawdown.report.text.folder import folder_screen
from drawdown.report.text.terminal import Screen

PHOTO = Path(__file__).resolve().parents[3] / "fixtures" / "photos" / "match.jpg"


def _quiet(*_: object) -> None:
    pass


def test_a_photo_that_kills_its_reader_costs_no_other(tmp_path):
    names = ["a.jpg", "b-deadly.jpg", "c.jpg", "d.jpg", "e.jpg", "f-deadly.png", "g.dng"]
    for name in names:
        (tmp_path / name).touch()
    told = []
    readings = list(
        read_folder(tmp_path, None, lambda doing, share: told.append(share), read_or_die)
    )
    assert [r.path.name for r in readings] == names
    failed = [r.path.name for r in readings if r.problem is not None]
    assert failed == ["b-deadly.jpg", "f-deadly.png"]
    for reading in readings:
        if reading.problem is not None:
            assert reading.exit_code == 1
            assert "died" in reading.problem.paragraph()
            assert "were read without it" in reading.problem.paragraph()
        else:
            assert (reading.seen.name, reading.exit_code) == (reading.path.name, 0)
    assert told == sorted(told)
    assert told[-1] == 1.0


def test_there_are_no_more_processes_than_memory_for_them(monkeypatch):
    monkeypatch.setattr("os.cpu_count", lambda: 64)
    told = "MemTotal: 99999999 kB\nMemFree: 1 kB\nMemAvailable: {} kB\n"
    for gigabytes, most in ((0.5, 1), (4, 3), (12, 10), (500, 64)):
        text = told.format(round(gigabytes * 1e6 / 1.024))
        monkeypatch.setattr(Path, "read_text", lambda *_, text=text, **__: text)
        assert folder.most_workers() == most


def test_raw_photos_by_any_usual_ending_are_taken_in(tmp_path):
    wanted = ["a.DNG", "b.cr2", "c.CR3", "d.nef", "e.arw", "f.raf", "g.orf", "h.rw2", "i.pef"]
    for name in [*wanted, "notes.txt", ".hidden.nef", "k.pdf", "l.xmp"]:
        (tmp_path / name).touch()
    assert [p.name for p in photos_in(tmp_path)] == wanted


def _seen(*strip_flags, flags=()):
    """A photo of three strips as it was read, with their remarks."""
    strips = fake_judgement.strips(strip_flags)
    return fake_judgement.judgement(
        comparison=None, advice=None, strips=strips, flags=flags,
        view=SimpleNamespace(flags=()), all_flags=(*flags, *(f for s in strips for f in s.flags)),
    )  # fmt: skip


def test_a_refused_strip_is_marked_in_the_list():
    good = _seen((STRIP_UNEVEN("2.1"),), (), (), flags=(NOMINAL_CARD(),))
    bad = _seen((), (STRIP_GLARE("4"), STRIP_EMPTY("2 %")), ())
    dark = _seen((), (), (), flags=(CARD_UNUSABLE("9"),))
    gone = BadFile("it is empty", "no photo is in it", "send it again")
    readings = [
        FolderReading(Path("good.jpg"), good),
        FolderReading(Path("bad.jpg"), bad),
        FolderReading(Path("dark.jpg"), dark),
        FolderReading(Path("gone.jpg"), problem=gone),
    ]
    assert [r.exit_code for r in readings] == [0, 5, 5, 6]
    for columns in (40, 80):
        text = folder_screen(Path("photos"), readings, Screen(columns))
        assert text.startswith("3 of 4 photos read; in 2 of them something cannot be judged")
        parts = text.split("\n\n")
        assert "×" not in parts[1]
        marked = [line for line in parts[2].splitlines() if line.startswith("×")]
        assert [line.split()[1] for line in marked] == ["2"]
        assert "cannot be judged: no-even-part" in parts[2]
        assert "remarks: glare" in parts[2]
        assert "photo cannot be judged: card-unusable" in " ".join(parts[3].split())
    assert "×" not in folder_screen(Path("photos"), readings[:1], Screen())


def test_what_a_worker_sends_back_is_small_and_says_the_same():
    """And what is to be said of a failure is worded where a person is spoken to."""
    seen = read_strips(PHOTO, Options(), _quiet)
    sent = pickle.dumps(FolderReading(PHOTO, without_pixels(seen)))
    assert len(sent) < 100_000
    assert read_data(pickle.loads(sent).seen) == read_data(seen)
    error = BadFile("`card_corners` is wrong", "it matters", "give `strips`")
    back = pickle.loads(pickle.dumps(FolderReading(PHOTO, problem=error))).problem
    assert back.paragraph() == error.paragraph()
    assert "--card-corners" in back.paragraph()  # as the command line calls it
