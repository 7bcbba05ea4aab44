"""What enrolling is given: the same file twice, readings that contradict each other, advice
that another command could follow and this one not.

That two readings of one print seldom differ by one Delta E is common practice (no source);
differences are CIEDE2000 by scikit-image.
"""

from __future__ import annotations

import shutil

import numpy as np
import pytest
from enrol_kit import NAMES, csv_text, enrol, printed

from calibration.card.toml import builtin_cards, read_card
from calibration.colour.difference import delta_e_2000
from calibration.correction.enrol.measured import from_instrument
from calibration.correction.enrol.photos import _about
from calibration.errors import BadFile, PhotoUnfit
from calibration.locate.not_found import BY_HAND

SLIP = builtin_cards()[0]


@pytest.fixture(scope="module")
def truth():
    return printed(SLIP, 11)[1]


def test_a_file_given_twice_counts_once(tmp_path, truth, capsys):
    (tmp_path / "a.csv").write_text(csv_text(truth))
    shutil.copy(tmp_path / "a.csv", tmp_path / "copy.csv")
    twice = [a for n in ("a.csv", "a.csv", "copy.csv") for a in ("--enrol", tmp_path / n)]
    assert enrol(tmp_path, *twice) == 0
    err = " ".join(capsys.readouterr().err.split())
    assert err.count("counts once") == 2
    card = read_card(tmp_path / "out.toml")
    assert "1 reading," in card.source
    np.testing.assert_allclose(card.u_lab, 0.5, atol=0.011)  # that of a single reading


def test_readings_of_two_prints_are_refused(tmp_path, truth, capsys):
    other = truth + np.array([4.0, 3.0, -5.0])
    assert np.median(delta_e_2000(truth, other)) > 3.5
    (tmp_path / "mine.csv").write_text(csv_text(truth))
    (tmp_path / "theirs.csv").write_text(csv_text(other))
    both = [a for n in ("mine", "theirs") for a in ("--enrol", tmp_path / f"{n}.csv")]
    assert enrol(tmp_path, *both) == 6
    err = " ".join(capsys.readouterr().err.split())
    assert "mine.csv and" in err
    assert "theirs.csv differ by" in err
    assert not (tmp_path / "out.toml").exists()


def test_a_slip_on_one_patch_is_told_and_widens_its_uncertainty(tmp_path, truth, capsys):
    rng = np.random.default_rng(2)
    one, two = (truth + rng.normal(0, 0.15, truth.shape) for _ in range(2))
    at = NAMES.index("C1")
    two[at, 0] += 9.0
    made = from_instrument(SLIP, np.array([one, two]))
    assert made.doubtful == ("C1",)
    assert made.u_lab[at, 0] > 4.0
    assert np.median(made.u_lab) < 0.5
    (tmp_path / "a.csv").write_text(csv_text(one))
    (tmp_path / "b.csv").write_text(csv_text(two))
    assert enrol(tmp_path, "--enrol", tmp_path / "a.csv", "--enrol", tmp_path / "b.csv") == 0
    err = " ".join(capsys.readouterr().err.split())
    assert "contradict each other on C1:" in err


def test_readings_that_agree_are_not_doubted(truth):
    rng = np.random.default_rng(3)
    for scatter in (0.02, 0.3, 0.6):
        read = truth + rng.normal(0, scatter, (4, *truth.shape))
        assert from_instrument(SLIP, read).doubtful == ()


def test_a_contradiction_names_the_files(truth):
    with pytest.raises(BadFile, match=r"a\.csv and c\.csv differ by"):
        from_instrument(
            SLIP,
            np.array([truth, truth + 0.1, truth + np.array([0, 9, 9])]),
            ("a.csv", "b.csv", "c.csv"),
        )


@pytest.mark.parametrize("todo", [f"keep the corners in view, or {BY_HAND}", BY_HAND])
def test_enrolling_never_sends_for_an_option_it_lacks(todo):
    with pytest.raises(PhotoUnfit) as caught, _about("the known card"):
        raise PhotoUnfit("no marker was found", "it is needed", todo)
    assert "--card-corners" not in caught.value.paragraph()
    assert len(caught.value.todo) > 20
