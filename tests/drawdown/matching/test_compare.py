"""Verdict, interval and words.

JCGM 106:2012 (conformance probability) gives the rule; in the plain case of one known normal
distribution its probability is a normal integral, which is what is checked here against
scipy. The differences dL*, dC*, dH* are those of CIE 15:2018 8.2.1, by colour-science."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from compare_kit import BLUE, along, strip
from hypothesis import given, settings
from hypothesis import strategies as st

from calibration.colour.spaces import WHITE_D50, lab_to_xyz, xyz_to_lab
from drawdown import flags as fl
from drawdown.matching import compare as cp
from drawdown.reading.area import light_draws
from drawdown.reading.colour import Rim
from drawdown.wording import verdict
from drawdown.wording.difference import difference_words


@pytest.mark.parametrize(
    ("amount", "verdict"),
    [(0.0, "match"), (0.8, "match"), (2.0, "too close to call"), (4.0, "no match")],
)
@pytest.mark.parametrize("direction", [(1, 0, 0), (0, 1, 0), (0.2, -0.5, 1)])
def test_verdicts(amount, verdict, direction):
    result = cp.compare(strip(1, BLUE), strip(2, along(direction, amount)), tolerance=2.0)
    assert result.verdict == verdict
    assert result.de00 == pytest.approx(amount, abs=0.25)
    assert result.de00_low95 <= result.de00 <= result.de00_high95


def test_probability_is_the_normal_integral():
    """Difference in lightness alone, far from zero: p is Phi((T - d) / s) with s in the
    direction of lightness, the prior's pull included."""
    from scipy.stats import norm

    two = along((1, 0, 0), 2.3)
    result = cp.compare(strip(1, BLUE, sd=0.05), strip(2, two, sd=0.05), nominal_card=False)
    d = result.d_lab
    prior = max(cp.PRIOR_SD, np.linalg.norm(d)) ** 2
    keep = prior / (prior + result.d_lab_cov[0, 0])
    per_lab = 2.3 / d[0]
    s = np.sqrt(keep * result.d_lab_cov[0, 0]) * per_lab
    expected = norm.cdf((2.0 - keep * 2.3) / s)
    assert result.p_within == pytest.approx(expected, abs=0.05)


def test_what_both_strips_share_cancels():
    shared = np.random.default_rng(9).normal(0, 2.0, (96, 3))
    together = cp.compare(strip(1, BLUE, common=shared), strip(2, BLUE + 0.3, common=shared))
    apart = cp.compare(
        strip(1, BLUE, common=shared),
        strip(2, BLUE + 0.3, common=np.random.default_rng(8).normal(0, 2.0, (96, 3))),
    )
    assert together.verdict == "match"
    assert np.trace(together.d_lab_cov) < 0.1 * np.trace(apart.d_lab_cov)


def test_noise_near_zero_is_not_read_as_a_difference():
    """sd 0.6 per axis reads 0.67 at true zero without the correction for bias."""
    wide = dataclasses.replace(strip(2, BLUE, sd=0.6))
    result = cp.compare(strip(1, BLUE, sd=0.6), wide)
    assert result.de00 < 0.2
    assert result.de00_low95 == 0.0


@pytest.mark.slow
def test_coverage_of_the_interval():
    """Draw readings around a known difference with the covariance the comparison claims: its
    95 % interval holds the truth in 90 to 99 %."""
    rng = np.random.default_rng(4)
    inside = []
    for k in range(150):
        true = float(rng.choice([0.0, 0.5, 1.5, 3.0]))
        two = along(rng.normal(size=3), true)
        claimed = cp.compare(strip(1, BLUE, 0.3, seed=k), strip(2, two, 0.3, seed=k))
        error = rng.multivariate_normal(np.zeros(3), claimed.d_lab_cov)
        read = cp.compare(strip(1, BLUE, 0.3, seed=k), strip(2, two + error, 0.3, seed=k))
        inside.append(read.de00_low95 <= true <= read.de00_high95)
    assert 0.90 <= np.mean(inside) <= 1.0


def test_hard_flags_give_no_verdict():
    spoiled = strip(2, BLUE, flags=[fl.STRIP_CLIPPED("60")])
    assert cp.compare(strip(1, BLUE), spoiled).verdict is None
    assert cp.compare(strip(1, BLUE), strip(2, BLUE), hard=True).verdict is None
    shade = cp.compare(strip(1, BLUE), strip(2, BLUE, light_sd=0.08))
    assert shade.verdict is None
    assert "different-light" in [f.code for f in shade.flags]


def test_other_light_beside_one_strip_gives_no_verdict():
    """Paper beside the batch a fifth darker than beside the original, once the lamp's field is
    taken out: a shadow between them, or other paper."""

    def paper(even, seen=0.0):
        return Rim(np.full(3, even), np.full(3, seen))

    near = cp.compare(strip(1, BLUE, rim=paper(0)), strip(2, BLUE, rim=paper(-0.02)))
    far = cp.compare(strip(1, BLUE, rim=paper(0)), strip(2, BLUE, rim=paper(-0.2)))
    shade = cp.compare(strip(1, BLUE, rim=paper(0)), strip(2, BLUE, rim=paper(0, -0.4)))
    assert shade.verdict is None
    assert near.verdict == "match"
    assert far.verdict is None
    flag = next(f for f in far.flags if f.code == "different-light")
    assert "strip 2 is 18 % darker" in flag.text


def test_no_difference_shown_is_never_no_match():
    """A tolerance below what the photo can tell leaves it open."""
    result = cp.compare(strip(1, BLUE, sd=0.5), strip(2, BLUE + 0.2, sd=0.5), tolerance=0.05)
    assert result.de00_low95 == 0
    assert result.verdict == "too close to call"


def test_a_shining_strip_is_less_sure():
    """Mirrored light only adds. The lighter strip may owe its difference to it; two that are alike
    are alike, though less surely."""
    glint = [fl.STRIP_GLARE("12")]
    far, near = along((1, 0, 0), 3.5), along((1, 0, 0), 0.8)
    assert cp.compare(strip(1, BLUE), strip(2, far)).verdict == "no match"
    assert cp.compare(strip(1, BLUE), strip(2, far, flags=glint)).verdict == "too close to call"
    dull, shining = (cp.compare(strip(1, BLUE), strip(2, near, flags=f)) for f in ((), glint))
    assert dull.verdict == shining.verdict == "match"
    assert shining.de00_high95 > dull.de00_high95 + 0.1
    assert shining.p_within < dull.p_within


def test_other_inks_widen():
    near = along((1, 0, 0), 1.2)
    same = cp.compare(strip(1, BLUE), strip(2, near))
    other = cp.compare(strip(1, BLUE), strip(2, near), other_inks=True)
    assert same.verdict == "match"
    assert other.verdict == "too close to call"
    assert other.de00_high95 - other.de00_low95 > same.de00_high95 - same.de00_low95
    assert other.settle.code == "by-eye"


@settings(max_examples=60, deadline=None)
@given(st.tuples(*[st.floats(5, 95), st.floats(-90, 90), st.floats(-90, 90)] * 2))
def test_any_two_colours(values):
    one, two = np.array(values[:3]), np.array(values[3:])
    result = cp.compare(strip(1, one), strip(2, two))
    assert np.isfinite([result.de00, result.de00_low95, result.de00_high95]).all()
    assert 0 <= result.de00_low95 <= result.de00 <= result.de00_high95
    assert 0 <= result.p_within <= 1
    assert result.verdict in (cp.MATCH, cp.NO_MATCH, cp.TOO_CLOSE)
    assert verdict.differs(result)


@pytest.mark.parametrize(
    ("one", "two", "expected"),
    [
        ((50, 0, 0), (56, 0, 0), "much lighter"),
        ((50, 0, 0), (49.4, 0, 0), "a little darker"),
        ((50, 40, 0), (50, 30, 0), "much duller"),
        ((50, 40, 0), (50, 46, 0), "cleaner"),
        ((50, 40, 0), (50, 39.5, 4), "yellower"),
        ((50, 40, 0), (50, 39.5, -4), "bluer"),
        ((50, -30, -30), (50, -33.5, -26.5), "greener"),
        ((50, -30, -30), (50, -26.5, -33.5), "redder"),
        ((70, 5, 60), (70, 1, 60), "greener"),
        ((50, -40, 20), (50, -42, 12), "bluer"),
        ((40, 30, -40), (40, 33, -37), "redder"),
        ((60, 1, 1), (60, -3, 1), "greener"),
        ((60, 1, 1), (60, 1, -3), "bluer"),
        ((50, 20, 20), (50, 20.1, 20), "no measurable difference"),
    ],
)
def test_words(one, two, expected):
    assert expected in difference_words(np.array(one, float), np.array(two, float))


@pytest.mark.parametrize("covered", [1, 2])
def test_a_window_seen_in_one_strip_may_cover_the_other(covered):
    """The same ink; a mirrored window lies wholly over one strip and is seen in the other."""
    shining = lab_to_xyz(BLUE) + 0.05 * WHITE_D50
    labs = [BLUE, BLUE]
    labs[covered - 1] = xyz_to_lab(shining)
    pair = [strip(n + 1, lab) for n, lab in enumerate(labs)]
    assert cp.compare(*pair).verdict == "no match"
    other = dataclasses.replace(pair[2 - covered].strip, shine_level=0.06)
    pair[2 - covered] = dataclasses.replace(pair[2 - covered], strip=other)
    c = cp.compare(*pair)
    assert c.verdict == "too close to call"
    assert c.de00_low95 < 2
    # A difference that no mirrored light makes is still one, and none is none.
    pair[0] = dataclasses.replace(pair[0], lab_d50=BLUE + np.array([0.0, 30.0, 10.0]))
    assert cp.compare(*pair).verdict == "no match"
    alike = dataclasses.replace(pair[0], lab_d50=pair[1].lab_d50)
    assert cp.compare(alike, pair[1]).verdict == "match"


def lit_strip(number, lab, light_sd, rim):
    """A strip whose members draw its light as a reading does, and hardly anything else."""
    plain = strip(number, lab, light_sd=light_sd, sd=0.05, rim=rim)
    drawn = lab_to_xyz(plain.lab_samples) * np.exp(light_sd * light_draws(number, 96))
    return dataclasses.replace(plain, lab_samples=xyz_to_lab(drawn))


def test_paper_beside_both_strips_shows_their_light():
    """Offcuts of one paper far from the card: the lamp's field is unsure there by 8 %, but the
    paper beside both is as light."""
    paper = Rim(np.full(3, -0.2), np.full(3, -0.2))
    known = [lit_strip(n, BLUE, 0.08, paper) for n in (1, 2)]
    unknown = [lit_strip(n, BLUE, 0.08, None) for n in (1, 2)]
    assert cp.compare(*unknown).verdict is None
    assert cp.compare(*known).verdict == "match"
    wide, narrow = (np.trace(cp.compare(*pair).d_lab_cov) for pair in (unknown, known))
    # Two papers as light as each other but for 2 %: of the light's variance that much is left.
    left = 0.02**2 / (0.02**2 + 2 * 0.08**2)
    assert narrow < wide * (left + 0.1)
    darker = Rim(np.full(3, -0.35), np.full(3, -0.35))
    other = [known[0], lit_strip(2, BLUE, 0.08, darker)]
    assert cp.compare(*other).verdict is None
