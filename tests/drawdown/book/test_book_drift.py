"""An edition's drift: the control chart against a published worked example, what is said when
prints truly drift, and the way from photo to advice."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from book_kit import reading_row

from drawdown.book import open_book
from drawdown.book.edition import GO_ON, LOOK, SOON, STOP, add_pull, drift_of
from drawdown.commands import main as cli
from drawdown.printing.control_chart import beyond, individuals_limits, runs
from drawdown.report.text.edition import ranges

PHOTOS = Path(__file__).resolve().parents[3] / "fixtures" / "photos"


def run(capsys, *args: object) -> tuple[int, str, str]:
    capsys.readouterr()
    code = cli.main(["book", *(str(arg) for arg in args)])
    out, err = capsys.readouterr()
    return code, " ".join(out.split()), " ".join(err.split())


# The chart ---------------------------------------------------------------------------------


def test_limits_of_the_published_example():
    """NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2, flow rates of ten batches: mean
    50.81, mean moving range 1.8778, limits 55.8041 and 45.8159 (figures from memory; they agree
    with each other)."""
    flow = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
    found = individuals_limits(flow)
    assert found.centre == pytest.approx(50.81)
    assert found.sigma * 1.128 == pytest.approx(1.8778, abs=5e-5)
    assert (found.upper, found.lower) == pytest.approx((55.8041, 45.8159), abs=2e-4)
    assert not beyond(flow, found).any()  # "the process is in control"
    assert list(beyond([55.9, 45.7, 50.0], found)) == [1, -1, 0]


def test_too_few_values_give_no_limits_and_equal_ones_no_false_alarm():
    assert individuals_limits([1, 2, 3, 4, 5]) is None
    same = individuals_limits([2.0] * 8, 0.05)
    assert same.upper == pytest.approx(2.15)
    assert not beyond([2.0, 2.1], same).any()


def test_eight_in_a_row():
    """Western Electric's fourth rule; seven are none."""
    limits = individuals_limits([9, 11, 9, 11, 9, 11])
    assert not runs([11] * 7 + [9] * 7, limits).any()
    assert list(runs([11] * 9, limits)) == [0] * 7 + [1, 1]
    assert list(runs([9] * 8, limits))[-1] == -1
    assert not runs([11] * 4 + [10] + [11] * 7, limits).any()  # on the mean ends the run


def test_false_alarms_are_as_rare_as_the_limits_promise():
    """Normal values: 0.27 % beyond three standard deviations; with limits from only ten values
    more, from wholly known ones not (Montgomery, Introduction to Statistical Quality Control,
    the average run length of 370; from memory)."""
    rng = np.random.default_rng(3)
    limits = individuals_limits(rng.normal(0, 1, 20_000))
    assert limits.sigma == pytest.approx(1.0, abs=0.02)  # 1.128 is d2 of two
    share = np.mean(beyond(rng.normal(0, 1, 200_000), limits) != 0)
    assert share == pytest.approx(0.0027, abs=0.0006)


# Runs of prints ----------------------------------------------------------------------------


def edition(folder, drift, noise=0.15, count=30, beside=True, spread=0.12, seed=4):
    """A run whose L* goes off by ``drift(number)``; each pull photographed with the first good
    one beside it, or alone."""
    rng = np.random.default_rng(seed)
    with open_book(folder, create=True) as book:
        for number in range(1, count + 1):
            lab = np.array([62.0, -21.0, -24.0])
            if number > 1:
                lab += rng.normal(0, noise, 3)
                lab[0] += drift(number)
            common = rng.normal(0, spread, (96, 3)).astype("<f4").tobytes()
            with book.change("a pull") as change:
                row = reading_row(tuple(map(float, lab)), samples=common)
                own = change.insert("reading", row)
                good = None
                if beside and number > 1:
                    good = change.insert("reading", reading_row(samples=common))
                add_pull(book, change, edition="Kingfisher", number=number, date="2030-06-01",
                         reading=own, good=number == 1, beside=good)  # fmt: skip
        return drift_of(book, "Kingfisher", tolerance=2.0)[0]


def test_a_steady_run_goes_on(tmp_path):
    found = edition(tmp_path / "b", lambda n: 0.0)
    assert found.advice == GO_ON
    assert not found.earlier
    assert found.limits_de.count == 10


def test_a_drift_is_told_long_before_it_is_out_of_tolerance(tmp_path):
    """0.14 L* a pull from pull 14 on: soon, and later stop."""
    found = edition(tmp_path / "b", lambda n: max(0, n - 13) * 0.14)
    assert found.advice == STOP
    first = min(found.earlier)
    assert 14 <= first <= 18
    early = next(p for p in found.points if p.pull.number == first)
    assert early.de00_high95 < 1.0  # long before
    from drawdown.book.edition import advice_of

    assert advice_of(early, 2.0)[0] == SOON
    assert not any("tolerance" in p.signs for p in found.points if p.pull.number < 25)


def test_a_slip_is_seen_at_once_and_named_afterwards(tmp_path):
    found = edition(tmp_path / "b", lambda n: 5.0 if n == 20 else 0.0)
    assert found.earlier == (20,)
    assert found.advice == GO_ON
    slip = found.points[19]
    assert {"tolerance", "de-limit", "l-limit"} <= set(slip.signs)


def test_a_lasting_step_is_a_run_of_eight(tmp_path):
    found = edition(tmp_path / "b", lambda n: 0.35 if n > 12 else 0.0, noise=0.2)
    assert found.advice == SOON
    assert {"de-run", "l-run"} & set(found.points[-1].signs)


def test_across_photos_it_says_what_it_cannot_say(tmp_path):
    found = edition(tmp_path / "b", lambda n: 0.0, beside=False, count=9)
    assert all(p.across_photos for p in found.points[1:])
    assert found.advice == LOOK
    beside = edition(tmp_path / "c", lambda n: 0.0, count=9)
    width = [p.de00_high95 - p.de00_low95 for p in (found.points[-1], beside.points[-1])]
    assert width[0] > 4 * width[1]


def test_nearer_than_usual_is_no_fault(tmp_path):
    """Ten pulls a little off, then all better: no sign in Delta E."""
    found = edition(tmp_path / "b", lambda n: 1.2 if n < 12 else 0.0, noise=0.05)
    assert not any({"de-limit", "de-run"} & set(p.signs) for p in found.points[11:])


def test_ranges():
    assert ranges((1, 2, 5, 7, 8, 9, 12)) == "1, 2, 5, 7 to 9, 12"


# Commands ----------------------------------------------------------------------------------


@pytest.mark.slow
def test_from_photos_to_advice(book, capsys, tmp_path):
    """What the photos truly show is in fixtures/photos/*.json: strip 2 of no-match.jpg is lighter
    than strip 1 by more than 4 Delta E."""
    photo = PHOTOS / "no-match.jpg"
    code, out, err = run(capsys, "run", "Kingfisher", photo)
    assert code == 0, err
    assert "first good pull" in out
    assert "Go on" in out
    told = run(capsys, "run", "KINGFISHER", photo, "--strip", 2, "--beside", 1,
               "--json")  # fmt: skip
    data = json.loads(told[1])
    truth = json.loads((PHOTOS / "no-match.json").read_text())
    (second,) = data["pulls"]
    assert (data["edition"], data["advice"], second["number"]) == ("Kingfisher", STOP, 2)
    assert second["across_photos"] is False
    assert second["signs"] == ["tolerance"]
    assert second["de00_low95"] <= truth["de00"][0][1] <= second["de00_high95"]
    # An inked area placed by hand is read as the finder reads it.
    middle = np.mean(truth["strips"][0]["corners_px"], axis=0)
    x, y = (round(float(v)) for v in middle)
    by_hand = f"{x - 50},{y - 150},100,300px"
    again = run(capsys, "run", "kingfisher", photo, "--strip", by_hand)
    assert again[0] == 2  # one reading counts once
    assert "is pull 1" in again[2]
    from PIL import Image

    copy = tmp_path / "the next pull.png"  # as a camera would show the same print once more
    Image.open(photo).save(copy)
    placed = run(capsys, "run", "kingfisher", copy, "--strip", by_hand, "--json")
    assert placed[0] == 0, placed[2]
    (third,) = json.loads(placed[1])["pulls"]
    assert third["de00"] < 0.6
    assert third["across_photos"] is True  # another photo than that of the first good pull
    data = json.loads(run(capsys, "run", "king", "--json", "--picture", tmp_path / "c.png")[1])
    assert data["runs"][0]["limits_l"] is None
    with Image.open(tmp_path / "c.png") as chart:
        assert chart.width == 1080
    assert run(capsys, "remove", "king", "--pull", 2, "--yes")[0] == 0
    assert run(capsys, "remove", "king", "--pull", 2, "--yes")[0] == 2
    data = json.loads(run(capsys, "run", "king", "--json")[1])
    assert 2 not in [p["number"] for p in data["runs"][0]["pulls"]]
    assert cli.main(["undo"]) == 0
    out = run(capsys, "run", "king")[1]
    assert "Look through these pulls again: 2." in out
    listed = json.loads(run(capsys, "run", "--json")[1])
    assert listed["editions"] == [{"edition": "Kingfisher", "pulls": 3}]
    assert "Kingfisher 3 pulls" in run(capsys, "run")[1]
    assert run(capsys, "check")[0] == 0
    # And it goes into the shared file and out of it.
    assert run(capsys, "share", tmp_path / "k.zip", "--edition", "kingfisher")[0] == 0
    assert run(capsys, "import", tmp_path / "k.zip", "--book", tmp_path / "there")[0] == 0
    there = json.loads(run(capsys, "run", "king", "--json", "--book", tmp_path / "there")[1])
    assert there == json.loads(run(capsys, "run", "king", "--json")[1])


@pytest.mark.slow
@pytest.mark.parametrize(
    ("args", "code"),
    [
        (("run", " ", PHOTOS / "match.jpg"), 2),
        (("run", "K", PHOTOS / "match.jpg", "--number", -1), 2),
        (("run", "K", PHOTOS / "match.jpg", "--beside", 1), 2),
        (("run", "K", PHOTOS / "match.jpg", "--beside", 2), 2),  # no good one yet
        (("run", "K", PHOTOS / "match.jpg", "--strip", 9), 2),
        (("run", "K", PHOTOS / "match.jpg", "--strip", "1,2,3"), 2),
        (("run", "K", PHOTOS / "match.jpg", "--tolerance", "nan"), 2),
        (("run", "K", "none.jpg"), 6),
        (("run", "K"), 6),
        (("run", "K", PHOTOS / "match.jpg", "--picture", "chart.png"), 2),
        (("run", "K", "--baseline", 3), 2),
        (("run", "K", "--picture", "chart.gif"), 2),
    ],
)
def test_wrong_use_is_explained_and_notes_nothing(book, capsys, args, code):
    got, out, err = run(capsys, *args)
    assert (got, out) == (code, ""), err
    assert err.count(".") >= 2
    if book.exists():
        with open_book(book) as opened:
            assert not opened.rows("SELECT * FROM pull")


@pytest.mark.slow
def test_charts_of_long_and_short_runs(tmp_path):
    from PIL import Image

    from drawdown.report.pictures.edition import save_chart

    for name, count in (("one", 1), ("two", 2), ("long", 90)):
        found = edition(tmp_path / name, lambda n: 0.05 * n, count=count)
        save_chart(tmp_path / f"{name}.png", (found, found))
        with Image.open(tmp_path / f"{name}.png") as chart:
            pixels = np.asarray(chart.convert("RGB")).reshape(-1, 3)
            assert chart.height > 1500
        red = ((pixels[:, 0] > 150) & (pixels[:, 1] < 60)).any()
        assert red == (count == 90)  # squares where there are signs
