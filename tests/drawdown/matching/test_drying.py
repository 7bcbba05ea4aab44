"""Wet and dry: what is learned from pairs, and what it does to a comparison.

That a wet draw-down is not to be compared with a dry film is in ASTM D2066 (read as an
excerpt). The film's part of the change is Beer's law: a clear film twice as absorbing squares
its transmittance. Mean and scatter are held against numpy's, forecasts against drawn strips.
"""

from __future__ import annotations

import dataclasses
import json
import multiprocessing
import sys
from pathlib import Path

import numpy as np
import pytest
from compare_kit import BLUE, strip

from calibration.colour.difference import delta_e_2000, local_metric
from calibration.colour.spaces import lab_to_xyz, xyz_to_lab
from calibration.errors import BadFile, WrongUsage
from drawdown import flags as fl
from drawdown.commands import main as cli
from drawdown.matching import compare as cp
from drawdown.matching import drying as dr
from drawdown.matching.drying import settle
from drawdown.studio import drying_file as df

PHOTOS = Path(__file__).parents[3] / "fixtures" / "photos"
COLOURS = np.array([[50.0, -10, -30], [35, 40, 20], [70, -30, 40], [25, 5, -15], [82, -8, -12]])


def drying_pairs(numbers, noise=0.0, seed=0):
    """Pairs of strips that dry by ``numbers`` (n, 2), read with ``noise`` Delta E per axis."""
    rng = np.random.default_rng(seed)
    made = []
    for k, row in enumerate(np.reshape(numbers, (-1, 2))):
        wet = COLOURS[k % len(COLOURS)]
        off = noise * np.linalg.inv(local_metric(wet)) @ rng.normal(size=3)
        made.append(dr.DryingPair(wet, dr.dried(wet, row) + off))
    return made


def test_no_change_is_no_change_and_beer_squares():
    np.testing.assert_allclose(dr.dried(COLOURS, np.zeros(2)), COLOURS, atol=1e-9)
    grey = xyz_to_lab(0.5 * lab_to_xyz(np.array([100.0, 0, 0])))
    twice = dr.dried(grey, np.array([np.log(2.0), 0.0]))
    np.testing.assert_allclose(lab_to_xyz(twice)[1], 0.25, rtol=1e-9)
    black = dr.dried(np.array([0.0, 0, 0]), np.array([0.0, 0.02]))
    assert lab_to_xyz(black)[1] == pytest.approx(0.02, rel=0.01)


@pytest.mark.parametrize("numbers", [(0.12, 0.0), (-0.1, 0.008), (0.05, 0.012)])
def test_a_pair_gives_its_numbers_back(numbers):
    for pair in drying_pairs([numbers] * len(COLOURS)):
        found, information, left = dr.fit_pair(pair)
        firm = np.sqrt(np.diag(np.linalg.inv(information)))
        assert (np.abs(found - numbers) < 0.001 + 0.05 * firm).all()
        assert np.linalg.norm(left) < 0.05


def test_one_pair_stays_wide_and_more_that_agree_narrow_it():
    known = [dr.learn(drying_pairs([(0.1, 0.006)] * n)) for n in (0, 1, 4, 20)]
    assert known[0].sd == pytest.approx(dr.PRIOR_SD)
    assert (known[1].sd > 0.8 * dr.PRIOR_SD).all()
    assert (known[2].sd < 0.75 * known[1].sd).all()
    assert (known[3].sd < 0.75 * known[2].sd).all()
    assert known[3].mean == pytest.approx([0.1, 0.006], rel=0.15)
    assert [k.count for k in known] == [0, 1, 4, 20]


def test_mean_and_scatter_are_those_of_the_pairs():
    """Many pairs, the noise of their readings taken out: mean and deviation by numpy."""
    rng = np.random.default_rng(8)
    numbers = rng.normal((0.08, 0.008), (0.12, 0.008), (250, 2))
    known = dr.learn(drying_pairs(numbers, noise=dr.READING_SD))
    assert known.mean == pytest.approx(numbers.mean(axis=0), rel=0.15)
    assert known.sd == pytest.approx(numbers.std(axis=0), rel=0.2)


@pytest.mark.slow
@pytest.mark.parametrize("count", [1, 3, 10])
def test_forecast_holds_the_dry_colour(count):
    """Strips whose drying scatters as much as was thought, read with noise: the next strip's
    dry colour lies within 1.96 of the stated deviations, axis by axis, in 90 % and more."""
    rng = np.random.default_rng(count)
    held = []
    for trial in range(60):
        numbers = rng.normal((0.06, 0.004), dr.PRIOR_SD * 0.8, (count + 1, 2))
        known = dr.learn(drying_pairs(numbers[:-1], noise=0.4, seed=trial))
        wet = COLOURS[trial % len(COLOURS)]
        samples = wet + 0.3 * rng.normal(size=(200, 3))
        lab, spread = dr.predict(wet, samples, known)
        truth = dr.dried(wet, numbers[-1])
        held.append(np.abs(truth - lab) < 1.96 * spread.std(axis=0))
    assert np.mean(held) >= 0.90


def wet(colour):
    return dataclasses.replace(colour, state="wet")


def dry(colour):
    return dataclasses.replace(colour, state="dry")


def test_wet_beside_dry_is_never_a_match_unless_it_was_learned():
    one, two = dry(strip(1, BLUE)), wet(strip(2, BLUE))
    put = settle(one, two, dr.learn([]))
    assert put.guessed
    assert [f.kind for f in put.flags] == [fl.WET_WITH_DRY]
    result = cp.compare(put.original, put.batch, tolerance=20.0, wet_with_dry=put.guessed)
    assert result.verdict == "too close to call"
    assert result.settle.code == "let-dry"
    far = settle(one, wet(strip(2, np.add(BLUE, (25, 10, 20)))), dr.learn([]))
    assert cp.compare(far.original, far.batch, wet_with_dry=True).verdict == "no match"


def test_learned_drying_carries_over():
    """The batch, wet, is just what dries to the original: told as such once the studio's pairs
    agree; read as it lies it would be no match."""
    numbers = np.array([0.15, 0.008])
    one = dry(strip(1, dr.dried(BLUE, numbers)))
    two = wet(strip(2, BLUE))
    assert delta_e_2000(one.lab_d50, two.lab_d50) > 2.5
    known = dr.learn(drying_pairs([numbers] * 60))
    put = settle(one, two, known)
    assert not put.guessed
    assert [f.kind for f in put.flags] == [fl.DRY_EXPECTED]
    assert "from 60 pairs" in put.flags[0].text
    assert put.batch.state == "dry"
    assert delta_e_2000(put.batch.lab_d50, one.lab_d50) < 0.6
    assert (put.batch.lab_samples.std(axis=0) > two.lab_samples.std(axis=0)).all()
    assert (put.batch.lab_u95 >= two.lab_u95).all()
    assert cp.compare(put.original, put.batch).verdict in ("match", "too close to call")
    other_way = settle(wet(strip(1, BLUE)), dry(strip(2, one.lab_d50)), known)
    assert delta_e_2000(other_way.original.lab_d50, one.lab_d50) < 0.6


def test_two_wet_strips_are_compared_as_they_are():
    one, two = wet(strip(1, BLUE)), wet(strip(2, BLUE))
    put = settle(one, two, dr.learn([]))
    assert (put.original, put.batch, put.flags, put.guessed) == (one, two, (), False)


# The file --------------------------------------------------------------------------------


def kept(name='tide \u2014 \u00fc "blue"\\'):
    return df.KeptPair(
        0, dr.DryingPair(BLUE, np.add(BLUE, (2, 1, 3))), name, "2030-01-31", ("wet.jpg", "dry.jpg")
    )


def test_pairs_come_back_as_they_were_written():
    assert df.read_pairs() == ()
    assert df.learned().count == 0
    assert df.add_pair(kept()).number == 1
    assert df.add_pair(kept("second")).number == 2
    first, second = df.read_pairs()
    assert (first.name, second.name) == (kept().name, "second")
    np.testing.assert_allclose(first.pair.lab_dry, np.add(BLUE, (2, 1, 3)), atol=1e-3)
    assert first.photos == ("wet.jpg", "dry.jpg")
    assert df.learned().count == 2
    df.set_aside(1, True)
    assert df.learned().count == 1
    df.set_aside(1, False)
    assert df.learned().count == 2
    for number, aside in ((3, True), (0, True), (2, False)):
        with pytest.raises(WrongUsage):
            df.set_aside(number, aside)
    assert list(df.own_drying().parent.glob("*.part")) == []


def _add_some(start: int) -> None:
    for i in range(6):
        df.add_pair(kept(f"pair {start + i}"))


@pytest.mark.skipif(sys.platform == "win32", reason="starts processes by forking")
def test_processes_at_once_lose_no_pair():
    context = multiprocessing.get_context("fork")
    workers = [context.Process(target=_add_some, args=(10 * n,)) for n in range(3)]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join(30)
        assert worker.exitcode == 0
    expected = {f"pair {10 * n + i}" for n in range(3) for i in range(6)}
    assert {pair.name for pair in df.read_pairs()} == expected


@pytest.mark.parametrize(
    "text",
    [
        "pairs = 3",
        'format = "drawdown.shelf/1"',
        'format = "drawdown.drying/1"\n[[pairs]]\nlab_wet = [1, 2, 3]',
        'format = "drawdown.drying/1"\n[[pairs]]\nlab_wet = [1, 2, nan]\nlab_dry = [1, 2, 3]',
        'format = "drawdown.drying/1"\n[[pairs]]\nlab_wet = [1, 2, 900]\nlab_dry = [1, 2, 3]',
        'format = "drawdown.drying/1"\npairs = [1]',
        'format = "drawdown.drying/1"\n[[pairs]]\nlab_wet = [1, 2, 3]\nlab_dry = [1, 2, 3]\n'
        "u95_wet = [1, nan, 2]",
        "\x00\xff",
    ],
)
def test_a_broken_file_is_explained_and_left_alone(text):
    path = df.own_drying()
    path.write_bytes(text.encode("latin-1"))
    with pytest.raises(BadFile):
        df.read_pairs()
    with pytest.raises(BadFile):
        df.add_pair(kept())
    assert path.read_bytes() == text.encode("latin-1")


# The command -----------------------------------------------------------------------------


@pytest.mark.slow
def test_learn_list_and_take_back(capsys):
    photos = [str(PHOTOS / "match.jpg"), str(PHOTOS / "no-match.jpg")]
    assert cli.main(["ink", "dry"]) == 0
    assert "You have not shown a strip wet and dry yet" in capsys.readouterr().out
    assert cli.main(["ink", "dry", *photos]) == 2  # two strips: which one?
    assert "shows 2 strips" in capsys.readouterr().err
    assert df.read_pairs() == ()
    assert cli.main(["ink", "dry", *photos, "--strip", "2", "--name", "river"]) == 0
    shown = capsys.readouterr()
    assert "river" in shown.out
    assert "From 1 pair" in shown.out
    assert "drawdown undo" in shown.err
    assert " ± " in shown.out.split("Delta E")[0]  # no colour without its uncertainty
    assert cli.main(["ink", "dry", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["schema"] == "drawdown.drying/1"
    (pair,) = told["pairs"]
    assert (pair["number"], pair["name"], pair["counts"]) == (1, "river", True)
    (kept_pair,) = df.read_pairs()
    np.testing.assert_allclose(pair["lab_wet_d50"], kept_pair.pair.lab_wet, atol=6e-3)
    np.testing.assert_allclose(pair["lab_dry_u95"], kept_pair.u95_dry, atol=6e-3)
    known = df.learned()
    assert told["known"]["pairs"] == 1
    assert told["known"]["absorbs_more_log"] == pytest.approx(known.mean[0], abs=1e-4)
    assert told["known"]["surface_white_u95"] == pytest.approx(1.96 * known.sd[1], abs=1e-4)
    assert cli.main(["ink", "dry", "--set-aside", "1", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["known"] is None
    assert not told["pairs"][0]["counts"]
    assert cli.main(["ink", "dry", "--bring-back", "1"]) == 0
    capsys.readouterr()
    assert cli.main(["ink", "dry", "--set-aside", "1"]) == 0
    assert "(set aside)" in capsys.readouterr().out
    assert cli.main(["ink", "dry", "--bring-back", "1"]) == 0
    assert cli.main(["ink", "dry", "--bring-back", "1"]) == 2
    capsys.readouterr()
    code = cli.main(["match", str(PHOTOS / "match.jpg"), "--wet", "batch", "--json"])
    data = json.loads(capsys.readouterr().out)
    assert code in (0, 3, 4)
    assert [s["state"] for s in data["strips"]] == ["dry", "wet"]
    assert "dry-colour-expected" in data["photo"]["flags"]


@pytest.mark.slow
def test_a_wet_batch_is_not_called_a_match(capsys):
    assert cli.main(["match", str(PHOTOS / "match.jpg"), "--json"]) == 0
    assert [s["state"] for s in json.loads(capsys.readouterr().out)["strips"]] == ["dry", "dry"]
    assert cli.main(["match", str(PHOTOS / "match.jpg"), "--wet", "batch", "--json"]) == 4
    data = json.loads(capsys.readouterr().out)
    assert "wet-with-dry" in data["photo"]["flags"]
    assert data["advice"] is None
    both = ["--wet", "batch", "--wet", "original"]
    assert cli.main(["match", str(PHOTOS / "match.jpg"), *both]) == 0


@pytest.mark.parametrize(
    "words",
    [
        ["a.jpg"],
        ["a.jpg", "b.jpg", "--set-aside", "1"],
        ["--strip", "1"],
        ["--set-aside", "1"],
        ["a.jpg", "b.jpg", "--strip", "0"],
        ["a.jpg", "b.jpg", "--name", "x" * 200],
    ],
)
def test_wrong_use_is_explained(words, capsys):
    assert cli.main(["ink", "dry", *words]) == 2
    assert capsys.readouterr().out == ""
    assert df.read_pairs() == ()


def test_missing_photos_and_bad_words(capsys):
    assert cli.main(["ink", "dry", "no.jpg", "none.jpg"]) == 6
    assert cli.main(["match", str(PHOTOS / "match.jpg"), "--wet", "2"]) == 2
    assert "neither batch nor original" in capsys.readouterr().err
