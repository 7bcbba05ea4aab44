"""Likely mistakes, each answered with the line to type; and nothing that a studio relies on changes
without being asked. What a person types and gets is the contract; there is no outside reference.
"""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest
from command_kit import json_of, run
from PIL import Image

from drawdown.book import open_book
from drawdown.book.originals import find_original
from drawdown.book.packets import find_packet
from drawdown.commands import main as cli
from drawdown.commands.support.parse import read_number, read_strips
from drawdown.ink.mix_notation import read_amounts
from drawdown.ink.shelf import starter_shelf
from drawdown.matching.drying import DryingPair, can_be_one_ink
from drawdown.pipeline.options import RIGHTMOST
from drawdown.report.paper.of_book import label_of, sheet_of
from drawdown.report.paper.pages import Words
from drawdown.report.paper.recipe_sheet import recipe_pages
from drawdown.studio.drying_file import read_pairs
from drawdown.studio.locations import own_shelf
from drawdown.studio.scale import scale_step

pytestmark = pytest.mark.usefixtures("opened_once")

PHOTOS = Path(__file__).resolve().parents[3] / "fixtures" / "photos"
NO_MATCH, MATCH = PHOTOS / "no-match.jpg", PHOTOS / "match.jpg"


def said(capsys, *args: object) -> str:
    code, out, err = run(capsys, *args)
    assert code != 0
    assert out == ""
    return " ".join(err.split())


# One way to write things -----------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "amounts", "unit"),
    [
        ("white 97, PB15:3 3", {"white": 97, "PB15:3": 3}, ""),
        ("white 97,5, PB15:3 2,5", {"white": 97.5, "PB15:3": 2.5}, ""),
        ("white 242.5 g; PB15:3 7,5g", {"white": 242.5, "PB15:3": 7.5}, "g"),
        ("97 g my white + 3 g PB15:3", {"my white": 97, "PB15:3": 3}, "g"),
        ("white 97 %, PB15:3 3 per cent", {"white": 97, "PB15:3": 3}, "%"),
        ("white 97 parts, PB15:3 3 parts", {"white": 97, "PB15:3": 3}, "parts"),
    ],
)
def test_a_mix_is_read_as_people_write_it(text, amounts, unit):
    found = read_amounts(text, "mix")
    assert (found.amounts, found.unit) == (amounts, unit)
    assert found.grams == (sum(amounts.values()) if unit == "g" else None)


def test_weights_and_strips_are_read_as_people_write_them():
    assert [read_number(t) for t in ("250", "250g", "12,5", "12.5 g")] == [250, 250, 12.5, 12.5]
    assert read_strips(["left", "right"]) == ((1, RIGHTMOST), ())
    assert read_strips(["2"]) == ((2,), ())
    assert read_strips(["1,2,3,4", "5,6,7,8px"]) == ((1, 2), ("1,2,3,4", "5,6,7,8px"))


@pytest.mark.slow
def test_grams_in_a_mix_are_the_weight_of_the_batch(capsys):
    told = [
        run(capsys, "match", NO_MATCH, *more, "--json")[1]
        for more in (
            ("--mix", "white 242.5 g, PB15:3 5 g, PG7 2,5 g"),
            ("--mix", "white 97, PB15:3 2, PG7 1", "--grams", "250g"),
        )
    ]
    assert told[0] == told[1]
    assert '"grams"' in told[0]


# Likely mistakes -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("args", "line"),
    [
        (("mtach", "a.jpg"), "drawdown match a.jpg"),
        (("value", "a.jpg", "--to", "7"), "drawdown plan lighten a.jpg --to 7"),
        (("book", "put-by", "rest", "--grams", "3"), "drawdown book store rest --grams 3"),
        (("match", "a.jpg", "--toleranc", "3"), "drawdown match a.jpg --tolerance 3"),
        (("match", "a.jpg", "--batch-grams=250"), "drawdown match a.jpg --grams=250"),
        (
            ("a.jpg", "--mix", "whit 97, PB15:3 3"),
            "drawdown a.jpg --mix 'white 97, PB15:3 3'",
        ),
        (("plan", "layers", "--layer", "sky: whit 9", "--layer", "PY74 1"), "'sky: white 9'"),
        (("match", PHOTOS), f"drawdown read {PHOTOS}"),
        (("book", "keep", "my_sky.jpg"), 'drawdown book keep my_sky.jpg --name "my sky"'),
        (("book", "list"), 'drawdown book keep photo.jpg --name "Tide blue"'),
    ],
)
def test_the_line_to_type_is_given(capsys, args, line):
    assert line in said(capsys, *args)


@pytest.mark.slow
def test_a_photo_alone_is_judged_and_a_folder_is_read(capsys, tmp_path):
    assert run(capsys, NO_MATCH, "--json") == run(capsys, "match", NO_MATCH, "--json")
    shutil.copy(MATCH, tmp_path)
    code, out, _ = run(capsys, tmp_path)
    assert code == 0
    assert out.startswith("1 of 1 photos read")


@pytest.mark.slow
def test_of_two_photos_with_one_strip_each_the_first_is_the_original(capsys, tmp_path):
    """Each photo with its other strip painted over with the paper beside it."""
    halves = []
    for name, photo, gone in (("old", NO_MATCH, 1), ("new", NO_MATCH, 0)):
        corners = np.array(json_of(capsys, "read", photo)["strips"][gone]["corners_px"])
        (x0, y0), (x1, y1) = corners.min(axis=0).astype(int), corners.max(axis=0).astype(int)
        pixels = np.array(Image.open(photo))
        beside = np.median(pixels[y0:y1, x1 + 30 : x1 + 50], axis=(0, 1))
        pixels[y0 - 25 : y1 + 25, x0 - 25 : x1 + 25] = beside
        halves.append(tmp_path / f"{name}.png")
        Image.fromarray(pixels).save(halves[-1])
    old, new = halves
    code, _, err = run(capsys, old, new)
    assert code in (3, 4)
    assert f"{old} was taken as the kept original, {new} as the batch" in err
    assert f"drawdown {new} {old}" in err


def test_a_photo_of_a_messengers_size_is_called_that(capsys, tmp_path):
    small, tiny = tmp_path / "small.jpg", tmp_path / "tiny.jpg"
    Image.open(MATCH).resize((480, 360)).save(small)
    Image.open(MATCH).resize((320, 240)).save(tiny)
    assert "messengers shrink photos" in " ".join(run(capsys, "read", small)[1].split())
    assert "messengers shrink photos" in said(capsys, tiny)


# Nothing changes by itself ---------------------------------------------------------------


def test_remove_asks_everywhere(capsys, book):
    from book_kit import keep

    from drawdown.book import open_book

    with open_book(book, create=True) as opened:
        keep(opened, "Sand")
    assert run(capsys, "ink", "add", "PB15:3")[0] == 0
    for args in (("book", "remove", "sand"), ("ink", "remove", "PB15:3")):
        assert "--yes" in said(capsys, *args)
    assert [o["name"] for o in json_of(capsys, "book", "list")["originals"]] == ["Sand"]


def test_one_undo_takes_back_the_last_change_whichever_it_was(capsys, book):
    from book_kit import keep

    from drawdown.book import open_book

    assert run(capsys, "ink", "add", "PB15:3")[0] == 0
    with open_book(book, create=True) as opened:
        keep(opened, "Sand")
    assert run(capsys, "undo")[0] == 0
    assert json_of(capsys, "book", "list")["originals"] == []
    assert own_shelf().exists()
    assert run(capsys, "undo")[0] == 0
    assert not own_shelf().exists()
    assert "nothing to take back" in run(capsys, "undo")[1]
    assert run(capsys, "undo", "--redo")[0] == 0
    assert own_shelf().exists()


def test_two_inks_are_no_drying_pair():
    """Drying darkens or pales a colour and takes a little of its gloss; a blue does not become a
    green of the same lightness."""
    blue = np.array([62.0, -21.0, -24.0])
    assert can_be_one_ink(DryingPair(blue, blue + np.array([3.0, 2.0, 3.0])))
    assert not can_be_one_ink(DryingPair(blue, blue + np.array([0.0, -9.0, 14.0])))


@pytest.mark.slow
def test_a_drying_pair_is_one_ink_and_counts_once(capsys):
    other = PHOTOS / "too-close.jpg"  # of another colour
    assert "not as wet and dry of one ink" in said(
        capsys, "ink", "dry", NO_MATCH, other, "--strip", "1"
    )
    pair = ("ink", "dry", NO_MATCH, MATCH, "--strip", "left")
    assert run(capsys, *pair)[0] == 0
    assert "pair 1 already" in said(capsys, *pair)
    assert len(read_pairs()) == 1
    assert run(capsys, "undo")[0] == 0
    assert read_pairs() == ()


# Named once, kept in one go --------------------------------------------------------------


@pytest.mark.slow
def test_the_scale_is_named_once(capsys, book):
    mix = "white 97, PB15:3 3"
    assert run(capsys, "book", "keep", NO_MATCH, "--name", "Sky", "--mix", mix)[0] == 0
    told = json_of(capsys, "book", "mix", "sky", "--grams", "33", "--scale", "0,5")
    assert scale_step() == 0.5
    for data in (told, json_of(capsys, "book", "mix", "sky", "--grams", "33")):
        grams = [row[key] for row in data["inks"] for key in ("first_grams", "held_back_grams")]
        assert all(2 * g == round(2 * g) for g in grams)
    # It holds for every amount that is to be weighed.
    planned = json_of(capsys, "plan", "amount", "--area-cm2", "400", "--prints", "30", "--mix", mix)
    lighter = json_of(capsys, "plan", "lighten", NO_MATCH, "--to", "8.6", "--grams", "50")
    grams = [row["grams"] for row in planned["inks"]]
    grams += [way["grams"]["value"] for way in lighter["plan"]["ways"] if way["grams"]]
    assert len(grams) >= 3
    assert all(2 * g == round(2 * g) for g in grams)
    packet = ("Rest", "--grams", "24.37", "--kept", "sky")
    assert run(capsys, "book", "store", *packet)[0] == 0
    with open_book(book) as opened:
        label = label_of(find_packet(opened, "rest"), starter_shelf())
        sheet = sheet_of(opened, find_original(opened, "sky"), starter_shelf())
    assert label.facts[0] == "24.5 g"
    (page,) = recipe_pages(sheet, (210.0, 297.0))
    words = [item.text for item in page if isinstance(item, Words)]
    assert "1.5" in words  # 3 parts of 50 g; once 1.50
    assert "steps of 0.5 g" in " ".join(words)
    # What makes no sense is not remembered.
    assert run(capsys, "match", NO_MATCH, "--grams", "5", "--scale", "50")[0] == 2
    assert scale_step() == 0.5


@pytest.mark.slow
def test_a_class_is_kept_in_one_go_and_shared_for_one_of_them(capsys, book, tmp_path):
    folder = tmp_path / "photos"
    folder.mkdir()
    shutil.copy(MATCH, folder / "tide_blue.jpg")
    shutil.copy(PHOTOS / "dark.jpg", folder / "Night.jpg")
    (folder / "broken.jpg").write_bytes(b"no photo")
    code, out, _ = run(capsys, "book", "keep", folder, "--of", "Person A")
    assert code == 6  # one could not be kept; the others are
    assert "2 of 3 photos kept" in out
    assert run(capsys, "book", "keep", MATCH, "--name", "Other", "--of", "Person B")[0] == 0
    kept = json_of(capsys, "book", "list", "--of", "person a")["originals"]
    assert [(o["name"], o["owner"]) for o in kept] == [
        ("Night", "Person A"), ("tide blue", "Person A"),
    ]  # fmt: skip
    told = json_of(capsys, "book", "share", tmp_path / "a.zip", "--of", "Person A")
    assert told["counts"]["originals"] == 2
    there = tmp_path / "there"
    assert run(capsys, "book", "import", tmp_path / "a.zip", "--book", there)[0] == 0
    taken = json_of(capsys, "book", "list", "--book", there)["originals"]
    assert {o["owner"] for o in taken} == {"Person A"}


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "start"), [("a.png", b"\x89PNG"), ("a.jpg", b"\xff\xd8\xff"), ("a.PDF", b"%PDF-")]
)
def test_a_picture_is_saved_as_its_ending_says(capsys, tmp_path, name, start):
    out = tmp_path / name
    assert run(capsys, "ink", "show", "PB15:3", "--picture", out)[0] == 0
    assert out.read_bytes().startswith(start)


def test_help_fits_one_screen(capsys):
    assert cli.main(["--help"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) <= 24
    assert max(map(len, lines)) <= 80


@pytest.mark.slow
def test_the_demo_judges_a_photo_out_of_the_package(capsys, tmp_path):
    picture = tmp_path / "demo.png"
    code, out, err = run(capsys, "demo", "--picture", picture)
    assert code == 0
    assert "N O   M A T C H" in out
    assert "demo.jpg" in err
    assert picture.read_bytes().startswith(b"\x89PNG")


def test_the_guide_lists_and_shows_its_pages(capsys):
    code, out, _ = run(capsys, "guide")
    assert code == 0
    names = [line.split()[0] for line in out.splitlines()]
    assert "README" not in names
    for name in names:
        assert run(capsys, "guide", name)[0] == 0
    assert "drawdown guide" in said(capsys, "guide", names[0] + "x")
