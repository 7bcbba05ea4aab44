"""``drawdown book`` and ``match --kept``: what a studio does with the book, from photo to
remade ink; lists, JSON, completion, wrong use."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from book_kit import MIX, keep, names
from command_kit import json_of, run

from drawdown.book import open_book
from drawdown.book.columns import MixPart
from drawdown.book.originals import find_original, recipes_of
from drawdown.book.packets import put_by
from drawdown.book.readings import nearest
from drawdown.commands import main as cli
from drawdown.report.text.book import columns_of, table
from drawdown.report.text.terminal import Screen

ROOT = Path(__file__).resolve().parents[4]
pytestmark = pytest.mark.usefixtures("opened_once")

PHOTOS = ROOT / "fixtures" / "photos"
HEAVY = ("numpy", "cv2", "scipy", "skimage", "colour", "PIL")


# The whole way, with real photos -----------------------------------------------------------


@pytest.mark.slow
def test_a_colour_is_kept_matched_remade_and_found_again(book, capsys, tmp_path):
    """Keep from one photo; match, add, match again; the recipe follows when it is told to; ink is
    stored and found. What the photos truly show is in fixtures/photos/*.json."""
    photo = PHOTOS / "no-match.jpg"
    code, out, err = run(
        capsys, "book", "keep", photo, "--name", "Tide blue", "--mix", "white=97",
        "--mix", "PB15:3=2", "--mix", "PG7=1", "--tin", "PB15:3=L2041", "--grams", 250,
        "--paper", "washi", "--edition", "Kingfisher", "--date", "2030-05-04",
    )  # fmt: skip
    assert code == 0
    assert "phthalo-blue 2 (tin L2041)" in out
    assert "Strip 1 of 2" in err
    kept = json_of(capsys, "book", "show", "tide")
    assert kept["reading"]["card"] == "nominal"
    from PIL import Image

    with Image.open(kept["reading"]["photo"]) as copy, Image.open(photo) as whole:
        assert np.array_equal(np.asarray(copy), np.asarray(whole))
    with Image.open(kept["reading"]["crop"]) as crop:
        middle = np.asarray(crop)[crop.height // 3 : -crop.height // 3]
    from drawdown.report.text.terminal import swatch_rgb

    shown = np.array(swatch_rgb(kept["reading"]["lab_d50"]))
    assert np.abs(np.median(middle.reshape(-1, 3), axis=0) - shown).max() < 6

    # In the same photo the kept strip itself is compared; the mix comes from the book.
    code, out, err = run(capsys, "match", photo, "--kept", "tide", "--batch", "May",
                         "--grams", 250)  # fmt: skip
    assert code == 3
    assert 'new batch "May"' in err
    assert "guessed" not in out
    code, out, _ = run(capsys, "book", "batch", "may", "--added", "PB15:3 2.1 g")
    assert code == 0
    assert "252.1 g" in out

    code, out, err = run(capsys, "match", PHOTOS / "match.jpg", "--batch", "May")
    assert code == 0
    assert 'book edit "Tide blue" --batch "May"' in " ".join(err.split())  # offered, not done
    assert len(json_of(capsys, "book", "show", "tide")["recipes"]) == 1
    assert run(capsys, "book", "edit", "tide", "--batch", "may")[0] == 0
    newer = json_of(capsys, "book", "show", "tide")
    parts = {row["ink"]: row["parts"] for row in newer["recipe"]["mix"]}
    # By hand: 242.5 white, 5 + 2.1 blue, 2.5 green in 252.1 g.
    assert parts == pytest.approx(
        {"titanium-white": 96.192, "phthalo-blue": 2.8163, "phthalo-green": 0.9917}, abs=1e-3
    )
    assert len(newer["recipes"]) == 2

    told = json_of(capsys, "book", "batch", "may", "--picture", tmp_path / "way.png")
    assert [(e["kind"], e["verdict"]) for e in told["entries"]] == [
        ("read", "no match"), ("added", None), ("read", "match"),
    ]  # fmt: skip
    assert told["entries"][0]["advised"]["additions"][0]["ink"] == "phthalo-blue"
    assert not told["entries"][0]["across_photos"]
    with Image.open(tmp_path / "way.png") as way:
        assert way.size == (1280, 900)

    # Across photos: the book's reading of the original, with the uncertainty of two photos.
    capsys.readouterr()
    code = cli.main(["match", str(PHOTOS / "match.jpg"), "--kept", "tide", "--apart",
                     "--strip", "2", "--json"])  # fmt: skip
    apart = json.loads(capsys.readouterr().out)
    assert code in (0, 3, 4)
    assert (apart["kept"]["compared"], apart["comparison"]["original"]) == ("book", None)
    assert "across-photos" in apart["photo"]["flags"]
    assert apart["comparison"]["de00_high95"] > 4

    run(capsys, "book", "store", "rest", "--grams", 35, "--batch", "may", "--where", "drawer 2")
    found = json_of(capsys, "book", "find", PHOTOS / "match.jpg", "--strip", 2)
    assert found["use_first"] == "rest"
    assert found["found"][0]["name"] == "rest"
    assert found["found"][0]["de00"] < 0.01  # it is that very strip
    assert {row["kind"] for row in found["found"]} == {"packet", "original"}
    for row in found["found"]:
        assert row["de00_low95"] <= row["de00"] <= row["de00_high95"]
    assert run(capsys, "book", "use", "rest")[0] == 0
    found = json_of(capsys, "book", "find", PHOTOS / "match.jpg", "--strip", 2)
    assert found["use_first"] is None

    for _ in range(7):
        assert run(capsys, "undo")[0] == 0
    assert json_of(capsys, "book", "list")["originals"] == []
    assert run(capsys, "book", "check")[0] == 0


@pytest.mark.slow
def test_what_match_is_told_was_added_goes_into_the_story(book, capsys):
    with open_book(book, create=True) as opened:
        keep(opened, "Tide blue", (79.9, -27.4, -27.4))
    first, second = PHOTOS / "no-match.jpg", PHOTOS / "match.jpg"
    code, _, err = run(capsys, "match", first, "--kept", "tide", "--batch", "May",
                       "--grams", 100)  # fmt: skip
    assert code == 3, err
    args = ("match", second, "--batch", "May", "--added", "PB15:3 1.5 g")
    for _ in range(2):  # the same photo again adds nothing twice
        code, _, err = run(capsys, *args)
        assert code == 0, err
    told = json_of(capsys, "book", "batch", "may")
    assert [e["kind"] for e in told["entries"]] == ["read", "added", "read"]
    assert told["entries"][1]["added"] == [{"ink": "phthalo-blue", "grams": 1.5}]
    assert told["grams_now"] == pytest.approx(101.5)
    assert told["mix_now"][1]["parts"] == pytest.approx(450 / 101.5, abs=1e-3)


@pytest.mark.slow
def test_one_strip_alone_is_compared_with_the_book(book, capsys):
    """A photo of the batch alone, placed by hand as its only strip."""
    with open_book(book, create=True) as opened:
        keep(opened, "Tide blue", (79.6, -28.4, -25.3))
    corners = np.array(json_of(capsys, "read", PHOTOS / "match.jpg")["strips"][1]["corners_px"])
    x, y = corners.mean(axis=0)
    strip = ["--strip", f"{x - 40:.0f},{y - 100:.0f},80,200px"]
    capsys.readouterr()
    cli.main(["match", str(PHOTOS / "match.jpg"), "--kept", "tide", *strip, "--json"])
    answer = json.loads(capsys.readouterr().out)
    assert answer["kept"]["compared"] == "book"
    assert answer["comparison"]["batch"] == 1


@pytest.mark.slow
def test_a_strip_that_is_not_the_kept_one_is_noticed(book, capsys):
    with open_book(book, create=True) as opened:
        keep(opened, "Coral", (60.0, 50.0, 30.0), (MixPart("PR254", 1),))
    capsys.readouterr()
    cli.main(["match", str(PHOTOS / "match.jpg"), "--kept", "coral", "--json"])
    answer = json.loads(capsys.readouterr().out)
    assert "kept-differs" in answer["photo"]["flags"]
    assert any("--apart" in note for note in answer["notes"])


# Lists and words -----------------------------------------------------------------------------


@pytest.fixture
def small_book(book):
    with open_book(book, create=True) as opened:
        keep(opened, "Sand", (80, 3, 20), (MixPart("diarylide-yellow", 1),), paper="washi")
        keep(opened, "Night", (20, 5, -30), state="wet", edition="Kingfisher")
        keep(opened, "Leaf", (50, -30, 30), (), date="2030-06-01")
        with opened.change("put by") as change:
            for k in range(3):
                put_by(opened, change, name=f"packet {k}", grams=5.0 + k, date=f"2030-01-0{k + 1}",
                       place=f"drawer {k}", original=2, mix=MIX)  # fmt: skip
    return book


@pytest.mark.slow
def test_lists_filter_sort_and_stop_at_most(small_book, capsys):
    def listed(*args):
        data = json_of(capsys, "book", *args)
        return [row["name"] for row in data.get("originals", data.get("packets"))]

    assert listed("list") == ["Leaf", "Night", "Sand"]
    assert listed("list", "--sort", "lightness", "--reverse") == ["Sand", "Leaf", "Night"]
    assert listed("list", "--state", "wet") == ["Night"]
    assert listed("list", "--state", "dry", "--since", "2030-05-30") == ["Leaf"]
    assert listed("list", "--ink", "diarylide") == ["Sand"]
    assert listed("list", "--text", "WASHI") == ["Sand"]
    assert listed("list", "--most", 2) == ["Leaf", "Night"]
    assert listed("list", "packets", "--sort", "grams", "--reverse") == [
        "packet 2",
        "packet 1",
        "packet 0",
    ]
    assert listed("list", "packets", "--where", "drawer 1") == ["packet 1"]
    out = run(capsys, "book", "list", "--most", 1)[1]
    assert "and 2 more" in out
    out = run(capsys, "book", "list", "changes", "--text", "kept")[1]
    assert [line.split('"')[0].split()[-1] for line in out.splitlines()[3:]] == [
        "Leaf", "Night", "Sand",
    ]  # fmt: skip
    run(capsys, "book", "remove", "sand", "--yes")
    assert listed("list", "--removed") == ["Sand"]
    assert listed("list") == ["Leaf", "Night"]


def test_corrected_recipes_come_from_hand_or_batch(small_book, capsys):
    assert run(capsys, "book", "edit", "night")[0] == 2
    code, out, _ = run(capsys, "book", "edit", "night", "--mix", "white=9", "--mix", "PB29=1",
                       "--why", "the tin was older")  # fmt: skip
    assert code == 0
    assert "ultramarine-blue 1" in out
    with open_book(small_book) as opened:
        night = find_original(opened, "night")
        assert [r.reason for r in recipes_of(opened, night.id)] == ["as kept", "the tin was older"]


@pytest.mark.slow
def test_what_was_noted_is_put_right(small_book, capsys):
    data = json_of(capsys, "book", "edit", "sand", "--name", "Dune", "--paper", "rag, 300 g",
                   "--wet")  # fmt: skip
    assert (data["name"], data["paper"], data["state"]) == ("Dune", "rag, 300 g", "wet")
    assert json_of(capsys, "book", "edit", "dune", "--name", "DUNE")["name"] == "DUNE"
    data = json_of(capsys, "book", "edit", "packet 1", "--where", "the blue tin")
    assert data["place"] == "the blue tin"
    # Read anew: a packet without a strip of its own follows its original's colour.
    data = json_of(capsys, "book", "edit", "night", "--dry", "--photo", PHOTOS / "match.jpg")
    assert data["reading"]["lab_d50"][0] > 70
    with open_book(small_book) as opened:
        near = nearest(opened, data["reading"]["lab_d50"], 4)
        assert [n.kind for n in near] == ["original", "packet", "packet", "packet"]
        assert max(n.de00 for n in near) < 0.01
        opened.undo()
        assert min(n.de00 for n in nearest(opened, data["reading"]["lab_d50"], 4)) > 5
    for wrong in (["edit", "dune"], ["edit", "dune", "--wet", "--dry"],
                  ["edit", "dune", "--where", "x"], ["edit", "dune", "--name", "Leaf"],
                  ["edit", "packet 1", "--kind", "packet", "--paper", "x"]):  # fmt: skip
        assert run(capsys, "book", *wrong)[0] == 2


def test_tables_fall_into_blocks_on_a_narrow_screen():
    head, rows = ["name", " L*", "mix"], [["青い海", "50.0", "x" * 30], ["b", "7.0", "y"]]
    wide = table(head, rows, Screen(60))
    assert [columns_of(line) for line in wide] == [18, 45, 16]
    assert wide[2] == " b" + " " * 8 + "7.0  y"
    assert table(head, rows, Screen(25), ("mix",))[1] == " 青い海  50.0"
    narrow = table(head, rows, Screen(40))
    assert [narrow[0], narrow[-2], narrow[-1]] == [" 青い海", " b", "   L* 7.0, mix y"]
    assert all(columns_of(line) <= 40 for line in narrow)


@pytest.mark.slow
@pytest.mark.parametrize("args", [
    ["book", "keep", "p.jpg"],
    ["book", "keep", "p.jpg", "--name", "  "],
    ["book", "keep", "p.jpg", "--name", "x", "--date", "tomorrow"],
    ["book", "keep", "p.jpg", "--name", "x", "--grams", "5"],
    ["book", "keep", "p.jpg", "--name", "x", "--grams", "nan", "--mix", "white=1"],
    ["book", "keep", "p.jpg", "--name", "x", "--mix", "white"],
    ["book", "keep", "p.jpg", "--name", "x", "--mix", "white=1", "--tin", "PB15:3=7"],
    ["book", "keep", str(PHOTOS / "match.jpg"), "--name", "x", "--strip", "7"],
    ["book", "keep", str(PHOTOS / "match.jpg"), "--name", "x", "--strip", "0"],
    ["book", "keep", str(PHOTOS / "match.jpg"), "--name", "Sand"],
    ["book", "list", "--sort", "smell"],
    ["book", "list", "--most", "0"],
    ["book", "list", "--since", "2030-13-01"],
    ["book", "show", "nothing like it"],
    ["book", "mix", "sand", "--grams", "-3"],
    ["book", "store", "x", "--grams", "3"],
    ["book", "store", "x", "--grams", "0", "--kept", "sand"],
    ["book", "use", "packet 1", "--grams", "600"],
    ["book", "use", "packet"],
    ["book", "batch", "nothing", "--added", "white 1 g"],
    ["book", "batch", "nothing"],
    ["book", "remove", "sand"],
    ["book", "find", str(PHOTOS / "match.jpg"), "--most", "0"],
    ["book", "find", str(PHOTOS / "match.jpg"), "--tolerance", "nan"],
    ["match", "p.jpg", "--apart"],
    ["match", "p.jpg", "--kept", "sand", "--apart", "--strip", "1", "--strip", "2"],
    ["match", "p.jpg", "--kept", "sandy"],
    ["match", str(PHOTOS / "match.jpg"), "--batch", "a new batch"],
    ["--completion", "tcsh"],
    ["book", "check", "--book", "\0"],
])  # fmt: skip
def test_wrong_use_is_one_explained_paragraph_and_changes_nothing(small_book, capsys, args):
    with open_book(small_book) as opened:
        before = opened.diary.path.read_bytes()
    code, out, err = run(capsys, *args)
    assert code == 2, err
    assert out == ""
    assert err.startswith("The command cannot be carried out as written\n")
    assert max(map(len, err.splitlines())) <= 80
    assert (small_book / "diary.jsonl.gz").read_bytes() == before


@pytest.mark.parametrize(("args", "said"), [
    (["book", "list", "--book", "none"], "no book in none"),
    (["undo", "--book", "none"], "no book in none"),
    (["book", "check", "--book", "none"], "no book in none"),
    (["book", "keep", "nowhere.jpg", "--name", "x"], "nowhere.jpg"),
    (["book", "find", "nowhere.jpg"], "nowhere.jpg"),
    (["match", "nowhere.jpg", "--kept", "sand"], "nowhere.jpg"),
])  # fmt: skip
def test_missing_files_are_explained(small_book, capsys, args, said):
    code, out, err = run(capsys, *args)
    assert (code, out) == (6, "")
    assert said in " ".join(err.split())
    with open_book(small_book) as opened:
        assert names(opened) == {"Sand", "Night", "Leaf", "packet 0", "packet 1", "packet 2"}


@pytest.mark.slow
def test_an_unfit_photo_keeps_nothing(small_book, capsys):
    code, out, err = run(capsys, "book", "keep", PHOTOS / "unusable.jpg", "--name", "x")
    assert (code, out) == (5, "")
    assert err
    assert "x" not in json_of(capsys, "book", "list")["originals"]
    assert len(list((small_book / "photos").glob("*/*"))) == 0


def test_a_damaged_book_is_told_with_exit_code_6(small_book, capsys):
    (small_book / "book.sqlite").write_bytes(b"no database at all, but long enough" * 200)
    code, _, err = run(capsys, "book", "list")
    assert code == 6
    assert "check --repair" in " ".join(err.split())
    code, out, _ = run(capsys, "book", "check")
    assert code == 6
    assert "is not whole" in " ".join(out.split())
    code, out, _ = run(capsys, "book", "check", "--repair")
    assert code == 0
    assert "made anew from the diary" in " ".join(out.split())
    assert len(json_of(capsys, "book", "list")["originals"]) == 3
