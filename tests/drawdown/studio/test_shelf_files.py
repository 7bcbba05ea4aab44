"""The shelf's file: which one is in use, changes that lose nothing, and taking them back."""

from __future__ import annotations

import multiprocessing
import os
import sys
from dataclasses import replace

import numpy as np
import pytest

from calibration.errors import BadFile, WrongUsage
from drawdown.ink.shelf import Ink, read_shelf, starter_shelf
from drawdown.ink.shelf_writing import write_shelf
from drawdown.studio.last_change import beside, changed_at
from drawdown.studio.locations import own_shelf
from drawdown.studio.shelf_file import (
    edit_shelf,
    put_inks,
    remove_ink,
    shelf_in_use,
    shelf_to_change,
    step_shelf,
)


def an_ink(name: str, k: float = 1.0) -> Ink:
    return Ink(name, "", "", "colour", np.full(31, k), np.full(31, 0.25), "made up for a test")


@pytest.fixture
def path(tmp_path):
    return tmp_path / "own" / "Tinten für Öl.toml"


def test_given_then_own_then_starter(tmp_path):
    assert shelf_in_use().origin == "starter"
    assert shelf_in_use().shelf is starter_shelf()
    assert shelf_to_change() == own_shelf()
    put_inks(own_shelf(), [an_ink("river")])
    assert (shelf_in_use().origin, shelf_in_use().path) == ("own", own_shelf())
    other = tmp_path / "other.toml"
    write_shelf(starter_shelf(), other)
    assert shelf_in_use(other).origin == "given"
    assert len(shelf_in_use(other).shelf) == len(starter_shelf())
    with pytest.raises(BadFile):
        shelf_in_use(tmp_path / "none.toml")


def test_an_own_shelf_that_cannot_be_read_is_told_not_passed_over():
    own_shelf().write_text("nonsense", encoding="utf-8")
    with pytest.raises(BadFile):
        shelf_in_use()


def test_first_ink_brings_white_and_base(path):
    shelf = put_inks(path, [an_ink("river")], alone=True)
    assert shelf.names == ("titanium-white", "transparent-base", "river")
    again = read_shelf(path)
    assert again.names == shelf.names
    assert [ink.known_from for ink in again] == ["starter", "starter", "own figures"]
    white = put_inks(path.with_name("w.toml"), [replace(starter_shelf().find("white"), name="w")],
                     alone=True)  # fmt: skip
    assert white.names == ("transparent-base", "w")


def test_the_starter_colours_stand_in_until_they_are_replaced(path):
    """One ink of one's own leaves all that the advice knew, but the stand-in for that very ink."""
    orange = replace(an_ink("breast-orange"), colour_index="PO73")
    shelf = put_inks(path, [orange])
    starter = set(starter_shelf().names)
    assert set(shelf.names) == starter - {starter_shelf().find("PO73").name} | {"breast-orange"}
    shelf = put_inks(path, [replace(an_ink("my white"), kind="white")])
    assert shelf.find("white").name == "my white"
    assert "phthalo-blue" in shelf.names


def test_a_fitted_ink_comes_back_with_its_doubt(path):
    doubt = np.random.default_rng(1).normal(0, 0.3, (5, 62))
    put_inks(path, [replace(an_ink('night "No. 7"'), doubt=doubt, k_sd=0.07, colour_index="PBk9")])
    ink = read_shelf(path).find("PBk9")
    assert ink.known_from == "fitted"
    assert ink.name == 'night "No. 7"'
    np.testing.assert_allclose(ink.doubt, doubt, rtol=5e-3, atol=1e-6)
    assert ink.k_sd == 0.07


@pytest.mark.parametrize(
    "doubt", ["3", '"x"', "[[1.0]]", "[]", "[[" + "nan," * 62 + "]]", "[[" + "1e9," * 62 + "]]"]
)
def test_a_bad_doubt_is_explained(path, doubt):
    path.parent.mkdir()
    curve = "[" + "0.5," * 31 + "]"
    path.write_text(
        'format = "drawdown.shelf/1"\n[[inks]]\nname = "a"\n'
        f"k = {curve}\ns = {curve}\ndoubt = {doubt}\n"
    )
    with pytest.raises(BadFile, match="doubt"):
        read_shelf(path)


def test_names_are_not_taken_twice(path):
    put_inks(path, [an_ink("river")])
    with pytest.raises(WrongUsage, match="already"):
        put_inks(path, [an_ink("River", 2.0)])
    put_inks(path, [an_ink("River", 2.0)], over=True)
    assert read_shelf(path).find("river").k[0] == 2.0


def test_remove_and_undo_and_undo_that(path):
    put_inks(path, [an_ink("river")], alone=True)
    before = path.read_bytes()
    assert remove_ink(path, "RIVER").name == "river"
    assert "river" not in read_shelf(path).names
    assert step_shelf(path) == f"river on the shelf {path}"
    assert path.read_bytes() == before
    step_shelf(path, redo=True)
    assert "river" not in read_shelf(path).names
    remove_ink(path, "base")
    with pytest.raises(WrongUsage, match="only ink"):
        remove_ink(path, "white")
    with pytest.raises(WrongUsage, match="no ink called"):
        remove_ink(path, "river")


def test_undo_of_the_first_change_takes_the_file_away(path):
    assert changed_at(path) is None
    put_inks(path, [an_ink("river")])
    step_shelf(path)
    assert not path.exists()
    assert changed_at(path) is None
    step_shelf(path, redo=True)
    assert read_shelf(path).names[-1] == "river"
    with pytest.raises(WrongUsage, match="no shelf"):
        remove_ink(path.with_name("none.toml"), "river")


HAND_WRITTEN = """\
# my inks
format = "drawdown.shelf/1"

# the white from the big tin
[[inks]]
name = "big white"
starter = "white"   # as it comes

# bought in spring
[[inks]]
name = "spring blue"
starter = "PB15:3"
strength = 0.7

# last
[[inks]]
name = "yellow"
starter = "PY74"
"""


def test_what_a_person_wrote_stays_word_for_word(path):
    path.parent.mkdir()
    path.write_text(HAND_WRITTEN, encoding="utf-8")
    put_inks(path, [an_ink("new")])
    assert path.read_text(encoding="utf-8").startswith(HAND_WRITTEN.rstrip())
    remove_ink(path, "spring blue")
    text = path.read_text(encoding="utf-8")
    assert "bought in spring" not in text
    assert "strength" not in text
    for kept in ("# my inks", "# the white from the big tin", "# as it comes", "# last"):
        assert kept in text
    assert read_shelf(path).names == ("big white", "yellow", "new")


def test_a_shelf_written_another_way_still_takes_a_change(path):
    path.parent.mkdir()
    path.write_text(
        'format = "drawdown.shelf/1"\ntitle = "a \\"b\\""\n'
        'inks = [{name = "x", starter = "white"}, {starter = "PB15:3", strength = 2}]\n'
    )
    put_inks(path, [an_ink("new")])
    shelf = read_shelf(path)
    assert shelf.names == ("x", "phthalo-blue", "new")
    assert shelf.title == 'a "b"'
    np.testing.assert_allclose(
        shelf.find("PB15:3").k, 2 * starter_shelf().find("PB15:3").k, rtol=1e-5
    )


def test_a_change_that_fails_leaves_everything_alone(path):
    put_inks(path, [an_ink("river")])
    kept = path.read_bytes(), beside(path, "before").read_bytes()

    def fail(shelf):
        raise WrongUsage("a", "b", "c")

    with pytest.raises(WrongUsage):
        edit_shelf(path, fail)
    path.write_text("format = 3", encoding="utf-8")
    with pytest.raises(BadFile):
        put_inks(path, [an_ink("night")])
    assert path.read_text() == "format = 3"
    assert beside(path, "before").read_bytes() == kept[1]


def test_impossible_places_are_explained(tmp_path):
    for place in (tmp_path, tmp_path / "a\0b"):
        with pytest.raises(BadFile):
            put_inks(place, [an_ink("river")])
    (tmp_path / "file").write_text("x")
    with pytest.raises(BadFile):
        put_inks(tmp_path / "file" / "shelf.toml", [an_ink("river")])


def test_a_link_is_followed(tmp_path, path):
    put_inks(path, [an_ink("river")])
    link = tmp_path / "link.toml"
    link.symlink_to(path)
    put_inks(link, [an_ink("night")])
    assert link.is_symlink()
    assert "night" in read_shelf(path).names


def _add_some(path, start: int) -> None:
    for i in range(4):
        put_inks(path, [an_ink(f"ink {start + i}")])


@pytest.mark.skipif(sys.platform == "win32", reason="starts processes by forking")
def test_processes_at_once_lose_no_ink(path):
    context = multiprocessing.get_context("fork")
    workers = [context.Process(target=_add_some, args=(path, 10 * n)) for n in range(3)]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join(30)
        assert worker.exitcode == 0
    assert len(read_shelf(path)) == len(starter_shelf()) + 12


def test_a_lock_that_is_held_is_waited_for_not_broken(path, monkeypatch):
    from calibration import files as file_lock

    put_inks(path, [an_ink("river")])
    monkeypatch.setattr(file_lock, "LONGEST_WAIT_S", 0.05)
    held = os.open(path.with_name(f".{path.name}.lock"), os.O_RDWR)
    assert file_lock._grab(held)
    with pytest.raises(BadFile, match="another program"):
        put_inks(path, [an_ink("night")])
    os.close(held)
    put_inks(path, [an_ink("night")])
