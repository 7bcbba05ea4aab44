"""A batch from its first photo to the ink that is weighed out weeks later: what each command
is told must come out of the others as the same inks and the same amounts."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path

import numpy as np
import pytest
from book_kit import keep, quick_place
from command_kit import json_of, run

from drawdown.book import open_book
from drawdown.book.columns import MixPart
from drawdown.matching import compare
from drawdown.matching.drying import DryingPair
from drawdown.studio import drying_file
from drawdown.studio.drying_file import KeptPair

pytestmark = pytest.mark.usefixtures("opened_once")

PHOTOS = Path(__file__).resolve().parents[3] / "fixtures" / "photos"
FIRST, SECOND = PHOTOS / "no-match.jpg", PHOTOS / "match.jpg"
MIX = ("--mix", "white=97.1", "--mix", "PB15:3=1.9", "--mix", "PG7=1")


@pytest.fixture
def book(monkeypatch):
    for place in quick_place():
        folder = place / "book"
        monkeypatch.setenv("DRAWDOWN_BOOK", str(folder))
        with open_book(folder, create=True) as opened:
            keep(opened, "Tide blue", (79.9, -27.4, -27.4))
        yield folder


@pytest.mark.slow
def test_one_ink_under_two_names_is_one_ink_in_book_and_remake(book, capsys):
    code, _, err = run(
        capsys, "match", FIRST, "--kept", "tide", "--batch", "May", *MIX,
        "--grams", 250,
    )  # fmt: skip
    assert code == 3, err
    assert "if it was not" not in err  # the mix was said, so nobody is asked whether it was
    args = ("match", SECOND, "--batch", "May", "--added", "phthalo-blue 5.5 g")
    code, _, err = run(capsys, *args)
    assert code == 0, err
    # By hand: 250 g hold 242.75 g white, 4.75 g blue and 2.5 g green; 5.5 g blue more.
    whole = 250 + 5.5
    now = {p["ink"]: p["parts"] for p in json_of(capsys, "book", "batch", "may")["mix_now"]}
    assert now == pytest.approx(
        {
            "titanium-white": 100 * 242.75 / whole,
            "phthalo-blue": 100 * (4.75 + 5.5) / whole,
            "phthalo-green": 100 * 2.5 / whole,
        },
        abs=1e-3,
    )
    assert run(capsys, "book", "edit", "tide", "--batch", "May")[0] == 0
    data = json_of(capsys, "book", "mix", "tide", "--grams", 60)
    rows = {row["ink"]: row for row in data["inks"]}
    assert list(rows) == ["titanium-white", "phthalo-blue", "phthalo-green"]
    blue = 60 * 10.25 / whole
    assert rows["phthalo-blue"]["first_grams"] == pytest.approx(0.9 * blue, abs=1e-3)
    assert rows["phthalo-blue"]["held_back_grams"] == pytest.approx(0.1 * blue, abs=1e-3)
    assert sum(r["first_grams"] + r["held_back_grams"] for r in rows.values()) == (
        pytest.approx(60, abs=2e-3)
    )


def test_an_ink_that_a_book_holds_under_two_names_is_weighed_once(book, capsys):
    mix = (MixPart("white", 95.0), MixPart("PB15:3", 2.0, "A7"), MixPart("phthalo-blue", 3.0))
    with open_book(book) as opened:
        keep(opened, "Rain", mix=mix)
    data = json_of(capsys, "book", "mix", "rain", "--grams", 100)
    rows = {row["ink"]: row["parts_per_100"] for row in data["inks"]}
    assert rows == pytest.approx({"titanium-white": 95.0, "phthalo-blue": 5.0})
    _, out, _ = run(capsys, "book", "mix", "rain", "--grams", 100)
    assert "A7" in out


@pytest.mark.slow
def test_what_was_added_before_a_photo_that_teaches_nothing_counts_once(book, capsys):
    code, _, err = run(
        capsys, "match", FIRST, "--kept", "tide", "--batch", "May", *MIX,
        "--grams", 250,
    )  # fmt: skip
    assert code == 3, err
    args = ("--batch", "May", "--added", "PB15:3 5.5 g")
    code, _, err = run(capsys, "match", SECOND, *args, "--wet", "batch")
    assert code == 4, err
    assert "say it again with the next photo" in err
    assert json_of(capsys, "book", "batch", "may")["grams_now"] == pytest.approx(250)
    code, _, err = run(capsys, "match", SECOND, *args)
    assert code == 0, err
    assert json_of(capsys, "book", "batch", "may")["grams_now"] == pytest.approx(255.5)


def test_a_mistyped_ink_is_refused_unless_it_is_said_to_be_meant(book, capsys):
    assert run(capsys, "match", FIRST, "--kept", "tide", "--batch", "May", *MIX)[0] == 3
    for words, near in (
        (("batch", "May", "--added", "phthalo-bleu 1"), "phthalo-blue"),
        (("edit", "tide", "--mix", "whiet 9"), "white"),
    ):
        code, _, err = run(capsys, "book", *words)
        assert code == 2
        assert f"did you mean {near}" in " ".join(err.lower().split())
        assert run(capsys, "book", *words, "--unknown-inks")[0] == 0


def test_wrong_words_are_told_of_the_option_that_was_given(book, capsys):
    for words, said in (
        (("book", "batch", "x", "--added", "PB15:3"), "is not an ink and its amount"),
        (("book", "list", "--since", "May"), "--since May is not a day"),
        (("book", "list", "--until", "May"), "--until May is not a day"),
        (("book", "keep", FIRST, "--name", "x", "--tin", "PB15:3=A7"), "not in the mix"),
        (("book", "mix", "tide", "--grams", "nan"), '--grams is "nan"'),
        (("book", "mix", "tide", "--grams", 5, "--hold-back", "nan"), '--hold-back is "nan"'),
    ):
        code, out, err = run(capsys, *words)
        assert (code, out) == (2, "")
        assert said in " ".join(err.split())


def test_a_change_is_logged_under_the_whole_name(book, capsys):
    assert run(capsys, "book", "edit", "tid", "--paper", "washi")[0] == 0
    whats = [c["what"] for c in json_of(capsys, "book", "list", "changes")["changes"]]
    assert whats[0] == 'edited the original "Tide blue"'


def test_a_scale_coarser_than_the_batch_is_refused(capsys):
    args = (*MIX, "--grams", 5, "--scale", 50)
    code, out, err = run(capsys, "match", FIRST, *args)
    assert (code, out) == (2, "")
    assert "more than the batch weighs" in err


def test_an_empty_name_of_the_original_is_told_as_such(book, capsys):
    code, out, err = run(capsys, "match", FIRST, "--kept", "")
    assert (code, out) == (2, "")
    assert "--kept '' is not a name" in err


# A kept original that was read wet ---------------------------------------------------------


@pytest.fixture
def wet_book(book, capsys):
    """The book with an original read wet, and the batch of a photo placed by hand as its only
    strip, which reads the very same colour."""
    strip = json_of(capsys, "read", SECOND)["strips"][1]
    x, y = (sum(c[i] for c in strip["corners_px"]) / 4 for i in (0, 1))
    place = f"{x - 40:.0f},{y - 100:.0f},80,200px"
    with open_book(book) as opened:
        keep(opened, "Rain", strip["lab_d50"], state="wet")
    return ("match", SECOND, "--kept", "Rain", "--strip", place)


def judged(capsys, *args: object) -> tuple[int, dict, str]:
    code, out, err = run(capsys, *args, "--json")
    return code, json.loads(out), err


def test_a_dry_batch_beside_an_original_kept_wet_is_no_match_however_alike(wet_book, capsys):
    code, told, err = judged(capsys, *wet_book)
    assert told["kept"]["compared"] == "book"
    assert told["comparison"]["de00"] < 3  # as read they are one colour; dry they need not be
    assert (code, told["comparison"]["verdict"]) == (4, "too close to call")
    assert told["advice"] is None
    assert "wet-with-dry" in told["photo"]["flags"]
    assert "was read wet" in err


def test_a_wet_batch_beside_an_original_kept_wet_is_compared_as_it_is(wet_book, capsys):
    _, told, _ = judged(capsys, *wet_book, "--wet", "batch")
    assert not {"wet-with-dry", "dry-colour-expected"} & set(told["photo"]["flags"])
    assert told["strips"][0]["state"] == "wet"


def test_once_drying_is_known_the_original_kept_wet_is_taken_as_it_dries(wet_book, capsys):
    _, before, _ = judged(capsys, *wet_book, "--wet", "batch")
    blue = np.array(before["kept"]["lab_d50"])
    for n in range(3):
        drying_file.add_pair(KeptPair(0, DryingPair(blue, np.add(blue, (4, 3, 3))), f"pair {n}"))
    code, told, _ = judged(capsys, *wet_book)
    assert code in (3, 4)
    assert "dry-colour-expected" in told["photo"]["flags"]
    # The dry batch is darker than the wet original will be: by about the 4 that it dries.
    assert told["comparison"]["dL"] == pytest.approx(-4.0, abs=1.5)


def test_what_nobody_can_weigh_is_not_told_as_a_number(wet_book, capsys):
    _, out, _ = run(capsys, *wet_book, "--full")
    assert "evenness not known" in out


# A portion is taken out --------------------------------------------------------------------


def now_in(capsys, batch: str) -> tuple[dict[str, float], float]:
    told = json_of(capsys, "book", "batch", batch)
    return {p["ink"]: p["parts"] for p in told["mix_now"]}, told["grams_now"]


@pytest.mark.slow
def test_a_portion_put_by_is_no_longer_in_the_batch(book, capsys):
    """As the advice says it: take out a portion, put it by, add white to what stays."""
    args = (*MIX, "--grams", 250)
    assert run(capsys, "match", FIRST, "--kept", "tide", "--batch", "May", *args)[0] == 3
    assert run(capsys, "book", "store", "rest", "--batch", "May", "--grams", 78)[0] == 0
    _, out, _ = run(capsys, "book", "batch", "May")
    assert "taken out" in out
    assert '78 g; stored as "rest"' in out
    assert run(capsys, "book", "batch", "May", "--added", "white 78 g")[0] == 0
    parts, grams = now_in(capsys, "May")
    # By hand: 172 g of 97.1 : 1.9 : 1 and 78 g white.
    assert grams == pytest.approx(250)
    assert parts["titanium-white"] == pytest.approx((1.72 * 97.1 + 78) / 2.5, abs=1e-3)
    assert parts["phthalo-blue"] == pytest.approx(1.72 * 1.9 / 2.5, abs=1e-3)
    packet = json_of(capsys, "book", "list", "packets")["packets"][0]
    assert packet["grams"] == 78
    for _ in range(2):
        assert run(capsys, "undo")[0] == 0
    assert now_in(capsys, "May")[1] == pytest.approx(250)


@pytest.mark.slow
def test_a_batch_weighed_lighter_has_had_a_portion_taken_out(book, capsys):
    args = ("--batch", "May")
    first = ("match", FIRST, "--kept", "tide", *args, *MIX, "--grams", 250)
    assert run(capsys, *first)[0] == 3
    more = ("match", SECOND, *args, "--added", "PB15:3 2 g", "--grams", 102)
    for _ in range(2):  # the same photo again takes nothing out twice
        code, _, err = run(capsys, *more)
        assert code == 0, err
        parts, grams = now_in(capsys, "May")
        assert grams == pytest.approx(102, abs=0.01)
        assert parts["phthalo-blue"] == pytest.approx(100 * 3.9 / 102, abs=1e-3)
    assert run(capsys, "book", "check")[0] == 0
    out = book.parent / "shared.zip"
    assert run(capsys, "book", "share", out)[0] == 0
    assert run(capsys, "book", "import", out, "--look")[0] == 0


def test_the_originals_recipe_gives_the_amount_that_is_missing(capsys):
    """What the photo holds (fixtures/photos/no-match.json): 4.2 parts of blue in the original,
    1.9 in the batch, so (4.2 - 1.9) / (1 - 0.042) = 2.4 parts per 100 are missing."""
    recipe = ("--mix", "white=94.8", "--mix", "PB15:3=4.2", "--mix", "PG7=1")
    card = PHOTOS / "slip-measured.toml"
    _, out, _ = run(capsys, "match", FIRST, *recipe, "--card", card, "--json")
    (blue,) = json.loads(out)["advice"]["additions"]
    assert blue["ink"] == "phthalo-blue"
    assert blue["parts_per_100"] == pytest.approx(2.4, rel=0.25)


@pytest.mark.parametrize("low95", [0.0, 0.4])
def test_a_light_beginning_that_matches_does_not_thin_the_recipe(book, capsys, monkeypatch, low95):
    """Begun a tenth light, and a match: the recipe stays, else each remake would begin lighter
    than the one before; to take over what is in the batch is offered."""
    parts = 3.0
    with open_book(book) as opened:
        keep(opened, "Rain", (79.6, -28.4, -25.3), (MixPart("white", 97), MixPart("PB15:3", 3)))
    assert run(capsys, "book", "mix", "rain", "--grams", 100, "--batch", "June")[0] == 0
    real = compare.compare

    def narrow(*args, **more):
        return dataclasses.replace(real(*args, **more), de00_low95=low95)

    monkeypatch.setattr("drawdown.pipeline.match.compare", narrow)
    code, _, err = run(capsys, "match", SECOND, "--batch", "June")
    assert code == 0, err
    told = json_of(capsys, "book", "show", "rain")["recipe"]["mix"]
    mix = {p["ink"]: p["parts"] for p in told}
    blue = mix.get("phthalo-blue", mix.get("PB15:3"))
    assert 100 * blue / sum(mix.values()) == pytest.approx(parts * 100 / (97 + parts), abs=1e-2)
    assert 'drawdown book edit "Rain" --batch "June"' in " ".join(err.split())
