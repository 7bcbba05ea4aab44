"""Uncertainty of Munsell value, evenness, dL, dC and dH, against brute force.

Sources: GUM Supplement 1 (JCGM 101:2008): the distribution of a result by drawing its inputs;
Munsell value of Y by colour-science (ASTM D1535); dL*, dC*ab, dH*ab of CIE 15:2018, 8.2.1, by
``difference.lch_difference``, which is checked against colour-science in test_difference.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from calibration.colour.difference import lch_difference
from calibration.colour.spaces import lab_to_xyz
from drawdown.commands import main as cli
from drawdown.reading.budget import difference_u95, evenness_u95, munsell_u95

pytestmark = pytest.mark.usefixtures("opened_once")

PHOTO = str(Path(__file__).resolve().parents[3] / "fixtures" / "photos" / "no-match.jpg")


@pytest.mark.parametrize(("lightness", "u95"), [(50.0, 2.0), (80.0, 10.0), (20.0, 4.0)])
def test_munsell_value_spans_what_its_lightness_spans(lightness, u95):
    from colour.notation import munsell_value_ASTMD1535

    rng = np.random.default_rng(1)
    draws = rng.normal(lightness, u95 / 1.96, 20_000)
    y = lab_to_xyz(np.stack([draws, 0 * draws, 0 * draws], axis=1))[:, 1]
    low, high = np.quantile(munsell_value_ASTMD1535(100 * y), (0.025, 0.975))
    assert munsell_u95(lightness, u95) == pytest.approx((high - low) / 2, rel=0.06)


def test_munsell_value_at_the_ends_of_the_scale_is_finite():
    for lightness, u95 in ((1.0, 5.0), (100.0, 8.0), (50.0, 0.0)):
        assert 0 <= munsell_u95(lightness, u95) < 2


def test_evenness_scatters_as_said():
    """The root mean square of n normal values, drawn often."""
    rng = np.random.default_rng(2)
    cells = 60  # count as 20
    draws = np.sqrt(np.mean(rng.normal(0, 0.8, (20_000, cells // 3)) ** 2, axis=1))
    low, high = np.quantile(draws, (0.025, 0.975))
    assert evenness_u95(0.8, cells) == pytest.approx((high - low) / 2, rel=0.05)
    assert evenness_u95(0.8, 0) > evenness_u95(0.8, 30) > 0


@pytest.mark.parametrize(
    ("original", "batch"),
    [((50, -10, -30), (53, -8, -33)), ((60, 45, 20), (58, 44, 26)), ((70, 2, 60), (70, -1, 64))],
)
def test_lightness_chroma_and_hue_against_drawing(original, batch):
    rng = np.random.default_rng(3)
    one, two = np.array(original, float), np.array(batch, float)
    root = np.array([[0.5, 0, 0], [0.1, 0.3, 0], [-0.1, 0.2, 0.6]])
    draws = two + rng.standard_normal((4000, 3)) @ root.T
    parts = np.array([lch_difference(one, lab) for lab in draws])
    low, high = np.quantile(parts, (0.025, 0.975), axis=0)
    got = difference_u95(one, two, root @ root.T)
    np.testing.assert_allclose([got.dL, got.dC, got.dH], (high - low) / 2, rtol=0.08)


def test_beside_a_grey_neither_part_is_claimed_too_sure():
    cov = np.diag([0.04, 0.01, 0.25])
    got = difference_u95(np.array([50, 0.2, 0.1]), np.array([50, 4.0, 0.2]), cov)
    assert got.dC == got.dH == pytest.approx(1.96 * 0.5)


@pytest.mark.slow
def test_every_number_of_a_match_has_its_uncertainty(capsys):
    assert cli.main(["match", PHOTO, "--json"]) == 3
    data = json.loads(capsys.readouterr().out)
    for strip in data["strips"]:
        assert 0 < strip["munsell_u95"] < 2
        assert 0 < strip["evenness_u95"] < strip["evenness_de00"]
    c = data["comparison"]
    assert 0 < c["dL_u95"] < 3
    assert 0 < c["dC_u95"] < 6
    assert 0 < c["dH_u95"] < 6
    assert cli.main(["match", PHOTO, "--full"]) == 3
    text = " ".join(capsys.readouterr().out.split())
    assert f"Lightness +{c['dL']:.1f} ± {c['dL_u95']:.1f}, chroma" in text
    assert f" value {data['strips'][0]['munsell_value']:.1f} ± " in text
