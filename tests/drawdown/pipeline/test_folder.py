"""A folder of photos: one that kills its reader, raw endings, refused strips in the list.

What is checked against the outside: the exit codes of README.md. Which endings raw photos
have is from memory (common practice, no source).
"""

from __future__ import annotations

from pathlib import Path

from deadly_reader import read_or_die

from drawdown.pipeline.folder import FolderReading, photos_in, read_folder
from drawdown.report.text.folder import folder_screen
from drawdown.report.text.terminal import Screen


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
    failed = [r.path.name for r in readings if r.data is None]
    assert failed == ["b-deadly.jpg", "f-deadly.png"]
    for reading in readings:
        if reading.data is None:
            assert reading.exit_code == 1
            assert "died" in reading.error
            assert "were read without it" in reading.error
        else:
            assert (reading.data, reading.exit_code) == ({"name": reading.path.name}, 0)
    assert told == sorted(told)
    assert told[-1] == 1.0


def test_raw_photos_by_any_usual_ending_are_taken_in(tmp_path):
    wanted = ["a.DNG", "b.cr2", "c.CR3", "d.nef", "e.arw", "f.raf", "g.orf", "h.rw2", "i.pef"]
    for name in [*wanted, "notes.txt", ".hidden.nef", "k.pdf", "l.xmp"]:
        (tmp_path / name).touch()
    assert [p.name for p in photos_in(tmp_path)] == wanted


def _strip(number: int, *flags: str) -> dict:
    lab = [50.0, 1.0, -20.0]
    return {"number": number, "lab_d50": lab, "lab_u95": [1.0, 1.0, 1.0], "flags": list(flags)}


def test_a_refused_strip_is_marked_in_the_list():
    good = {"strips": [_strip(1, "uneven"), _strip(2)], "photo": {"flags": ["nominal-card"]}}
    bad = {"strips": [_strip(1), _strip(2, "glare", "no-even-part")], "photo": {"flags": []}}
    dark = {"strips": [_strip(1)], "photo": {"flags": ["card-unusable"]}}
    readings = [
        FolderReading(Path("good.jpg"), good, None, 0),
        FolderReading(Path("bad.jpg"), bad, None, 5),
        FolderReading(Path("dark.jpg"), dark, None, 5),
        FolderReading(Path("gone.jpg"), None, "It is empty.", 6),
    ]
    for columns in (40, 80):
        text = folder_screen(readings, Screen(columns))
        assert text.startswith("3 of 4 photos read; in 2 of them something cannot be judged")
        parts = text.split("\n\n")
        assert "×" not in parts[1]
        marked = [line for line in parts[2].splitlines() if line.startswith("×")]
        assert [line.split()[1] for line in marked] == ["2"]
        assert "cannot be judged: no-even-part" in parts[2]
        assert "remarks: glare" in parts[2]
        assert "photo cannot be judged: card-unusable" in " ".join(parts[3].split())
    assert "×" not in folder_screen(readings[:1], Screen())
