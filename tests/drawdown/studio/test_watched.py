"""A watched folder: photos are judged once, when they are whole, whatever happens meanwhile.

There is no outside reference: what must hold is said by each test.
"""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path

import pytest

from calibration.errors import BadFile
from calibration.files import sha256_of
from drawdown.commands import main as cli
from drawdown.studio import watched
from drawdown.studio.watched import Done, WatchedFolder, answer_beside

PHOTO = Path(__file__).resolve().parents[3] / "fixtures" / "photos" / "match.jpg"
ENDINGS = {".jpg", ".png"}


class Clock:
    now = 0.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def studio(tmp_path, monkeypatch):
    monkeypatch.setenv("DRAWDOWN_SHELF", str(tmp_path / "own" / "shelf.toml"))
    monkeypatch.setenv("DRAWDOWN_BOOK", str(tmp_path / "own" / "book"))
    monkeypatch.setattr(watched, "SETTLE_S", 0.0)
    monkeypatch.setattr("drawdown.commands.watch.EVERY_S", 0.01)
    (tmp_path / "in").mkdir()
    assert cli.main(["watch", str(tmp_path / "in"), "--once"]) == 0
    return tmp_path / "in"


def names(ready) -> list[str]:
    return [path.name for path, _ in ready]


def test_a_photo_is_complete_when_it_no_longer_grows(tmp_path):
    clock = Clock()
    here = WatchedFolder(tmp_path, ENDINGS, Done(tmp_path / "list"), clock=clock)
    photo = tmp_path / "a.jpg"
    for size in (10, 20, 30):
        photo.write_bytes(b"x" * size)
        os.utime(photo, ns=(size, size))
        assert here.complete() == []
        clock.now += watched.SETTLE_S
    assert names(here.complete()) == ["a.jpg"]
    photo.rename(tmp_path / "b.jpg")  # a new name waits again, in case it is a new photo
    assert here.complete() == []


def test_what_is_no_photo_is_not_looked_at(tmp_path):
    clock = Clock()
    for name in (".a.jpg", "a.jpg.part", "a.txt", "a.answer.png", "a.answer-2.png", "ok.jpg", "0"):
        (tmp_path / name).write_bytes(b"x")
    (tmp_path / "folder.jpg").mkdir()
    (tmp_path / "empty.jpg").touch()
    here = WatchedFolder(tmp_path, ENDINGS, Done(tmp_path / "list"), clock=clock)
    here.complete()
    clock.now = 100.0
    assert names(here.complete()) == ["ok.jpg"]


def test_what_was_done_is_known_after_a_new_start_even_half_a_line(tmp_path):
    path = tmp_path / "own" / "list"
    Done(path).note_photo((3, 4), "done", "ab" * 32, "a.jpg")
    Done(path).note_photo((5, 6), "begun", "cd" * 32, "b.jpg")
    with open(path, "a") as stream:
        stream.write('{"state": "done", "size": 7, "chan')  # the disk was full
    again = Done(path)
    assert again.marks == {(3, 4)}
    assert again.hashes == {"ab" * 32}
    assert again.begun == {"cd" * 32: 1}


def test_the_answer_takes_no_name_that_is_taken(tmp_path):
    photo = tmp_path / "a.jpg"
    assert answer_beside(photo).name == "a.answer.png"
    answer_beside(photo).touch()
    assert answer_beside(photo).name == "a.answer-2.png"


def test_each_photo_is_judged_once_through_renames_copies_and_new_starts(studio, capsys):
    shutil.copy(PHOTO, studio / "new.jpg")
    assert cli.main(["watch", str(studio), "--once", "--json"]) == 0
    (line,) = capsys.readouterr().out.splitlines()
    said = json.loads(line)
    assert (said["exit_code"], said["match"]["comparison"]["verdict"]) == (0, "match")
    assert (studio / "new.answer.png").stat().st_size > 10_000
    (studio / "new.jpg").rename(studio / "other.jpg")
    shutil.copyfile(studio / "other.jpg", studio / "copy.jpg")
    assert cli.main(["watch", str(studio), "--once"]) == 0
    assert capsys.readouterr().out == ""
    assert len(list(studio.glob("*.answer*.png"))) == 1


def test_photos_that_come_are_the_story_of_a_batch(studio, capsys):
    """Two of one batch: the second goes on with what was noted of it, and its mix is not said
    again."""
    from drawdown.book import open_book
    from drawdown.book.batches import find_batch, story_of

    shutil.copy(PHOTO, studio / "one.jpg")
    begin = ["--batch", "Tide", "--mix", "white 97, PB15:3 3", "--grams", "200"]
    assert cli.main(["watch", str(studio), "--once", "--json", *begin]) == 0
    assert cli.main(["book", "batch", "Tide", "--added", "PB15:3 2 g"]) == 0
    shutil.copy(PHOTO.with_name("no-match.jpg"), studio / "two.jpg")
    assert cli.main(["watch", str(studio), "--once", "--json", "--batch", "Tide"]) == 0
    with open_book(studio.parent / "own" / "book") as book:
        batch = find_batch(book, "Tide")
        story = story_of(book, batch.id)
    assert [(part.ink, part.parts) for part in batch.mix] == [
        ("titanium-white", 97.0), ("phthalo-blue", 3.0),
    ]  # fmt: skip
    read = [entry for entry in story if entry.reading is not None]
    assert len(read) == 2
    assert read[0].reading.lab_d50[0] != read[1].reading.lab_d50[0]
    capsys.readouterr()
    assert cli.main(["watch", str(studio), "--once", "--batch", "Nowhere"]) == 2
    assert "no batch" in capsys.readouterr().err
    assert cli.main(["watch", str(studio), "--once", "--kept", "Sand"]) == 2


def test_half_a_photo_waits_and_one_that_stays_half_is_told(studio, capsys, monkeypatch):
    (studio / "half.jpg").write_bytes(PHOTO.read_bytes()[:100_000])
    monkeypatch.setattr(watched, "STALL_S", 0.3)
    assert cli.main(["watch", str(studio), "--once"]) == 0
    out = capsys.readouterr().out
    assert out.count("half.jpg") >= 1
    assert not list(studio.glob("*.png"))
    lines = watched.own_list().read_text().splitlines()
    states = [json.loads(line).get("state") for line in lines]
    assert states == [None, "begun", "stalled", "begun", "done"]


def test_a_fault_or_a_full_disk_ends_no_watch(studio, capsys, monkeypatch):
    from drawdown.pipeline import match as pipeline
    from drawdown.report.pictures import answer

    (studio / "fault.jpg").write_bytes(PHOTO.read_bytes())
    monkeypatch.setattr(pipeline, "match_photo", lambda *_: 1 / 0)
    assert cli.main(["watch", str(studio), "--once"]) == 0
    assert "drawdown failed with this photo (ZeroDivisionError" in capsys.readouterr().out
    monkeypatch.undo()

    def full(*_):
        raise BadFile("the disk is full", "nothing was written", "make room")

    monkeypatch.setenv("DRAWDOWN_SHELF", str(studio.parent / "own" / "shelf.toml"))
    monkeypatch.setattr(watched, "SETTLE_S", 0.0)
    monkeypatch.setattr(answer, "save_picture", full)
    monkeypatch.setattr("drawdown.pipeline.match.match_photo", lambda *_: _judged())
    (studio / "full.jpg").write_bytes(PHOTO.read_bytes() + b"\0")
    assert cli.main(["watch", str(studio), "--once"]) == 0
    told = capsys.readouterr()
    assert "M A T C H" in told.out
    assert "The disk is full" in told.err


def _judged():
    import fake_judgement

    return fake_judgement.judgement("match")


def test_a_photo_that_ended_the_watch_twice_is_left_alone(studio, capsys):
    photo = studio / "deadly.jpg"
    shutil.copyfile(PHOTO, photo)
    seen = photo.stat()
    for _ in range(watched.MOST_BEGUN):
        Done(watched.own_list()).note_photo(
            (seen.st_size, seen.st_mtime_ns), "begun", sha256_of(photo), photo.name
        )
    assert cli.main(["watch", str(studio), "--once"]) == 0
    told = capsys.readouterr()
    assert told.out == ""
    assert "left alone" in told.err


def test_stopping_the_watch_is_no_fault_of_the_photo(studio, monkeypatch):
    shutil.copyfile(PHOTO, studio / "new.jpg")

    def stop(*_):
        raise KeyboardInterrupt

    with monkeypatch.context() as patched:
        patched.setattr("drawdown.pipeline.match.match_photo", stop)
        for _ in range(watched.MOST_BEGUN + 1):
            assert cli.main(["watch", str(studio), "--once"]) == 130
    assert Done(watched.own_list()).begun == {}


def test_photos_that_were_there_are_left_alone_unless_wanted(tmp_path, studio, capsys):
    other = tmp_path / "full"
    other.mkdir()
    (other / "old.jpg").write_bytes(b"no photo at all")
    assert cli.main(["watch", str(other), "--once"]) == 0
    told = capsys.readouterr()
    assert "Left alone: 1 photo there before" in told.err
    assert told.out == ""


def test_a_folder_that_is_not_there_is_a_bad_file(tmp_path):
    assert cli.main(["watch", str(tmp_path / "none"), "--once"]) == 6
