"""The solver against certified fits, general optimisers and exact formulas of linear models.

Sources: NIST Statistical Reference Datasets, nonlinear regression (itl.nist.gov/div898/strd):
Misra1a, DanWood, Rat42, BoxBOD with their certified values, standard deviations and residual
sums of squares; scipy.optimize and scipy.stats as independent implementations.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import optimize, stats

from calibration.uncertainty.gauss_newton import (
    Normal,
    biweight,
    most_probable,
    reweighed,
    whitened,
)


def linear(design, target):
    """The model of a straight line's figures, in standard deviations."""
    return lambda z: (z @ design.T - target, design)


def saturation(b, x):
    """y = b1 (1 - exp(-b2 x)) of Misra1a and BoxBOD."""
    fall = np.exp(-b[1] * x)
    return b[0] * (1 - fall), np.stack([1 - fall, b[0] * x * fall], axis=-1)


def power(b, x):
    """y = b1 x^b2 of DanWood."""
    return b[0] * x ** b[1], np.stack([x ** b[1], b[0] * np.log(x) * x ** b[1]], axis=-1)


def logistic(b, x):
    """y = b1 / (1 + exp(b2 - b3 x)) of Rat42."""
    e = np.exp(b[1] - b[2] * x)
    part = b[0] * e / (1 + e) ** 2
    return b[0] / (1 + e), np.stack([1 / (1 + e), -part, x * part], axis=-1)


# name: curve, x, y, starts, certified values, their standard deviations, sum of squares
NIST = {
    "Misra1a": (
        saturation,
        (77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1, 689.1,
         760.0),
        (10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.40, 75.47,
         81.78),
        ((500, 0.0001), (250, 0.0005)),
        (2.3894212918e02, 5.5015643181e-04),
        (2.7070075241e00, 7.2668688436e-06),
        1.2455138894e-01,
    ),
    "DanWood": (
        power,
        (1.309, 1.471, 1.490, 1.565, 1.611, 1.680),
        (2.138, 3.421, 3.597, 4.340, 4.882, 5.660),
        ((1, 5), (0.7, 4)),
        (7.6886226176e-01, 3.8604055871e00),
        (1.8281973860e-02, 5.1726610913e-02),
        4.3173084083e-03,
    ),
    "Rat42": (
        logistic,
        (9, 14, 21, 28, 42, 57, 63, 70, 79),
        (8.93, 10.80, 18.59, 22.33, 39.35, 56.11, 61.73, 64.62, 67.08),
        ((100, 1, 0.1), (75, 2.5, 0.07)),
        (7.2462237576e01, 2.6180768402e00, 6.7359200066e-02),
        (1.7340283401e00, 8.8295217536e-02, 3.4465663377e-03),
        8.0565229338e00,
    ),
    "BoxBOD": (
        saturation,
        (1, 2, 3, 5, 7, 10),
        (109, 149, 149, 191, 213, 224),
        ((100, 0.75),),
        (2.1380940889e02, 5.4723748542e-01),
        (1.2354515176e01, 1.0455993237e-01),
        1.1680088766e03,
    ),
}  # fmt: skip
FITS = [(name, start) for name, problem in NIST.items() for start in problem[3]]


@pytest.mark.parametrize(("name", "start"), FITS)
def test_certified_fits(name, start):
    """From the starts that NIST gives (of BoxBOD the second; from its first, far off, plain
    Gauss-Newton steps lead nowhere, as NIST warns): values, their standard deviations and the
    sum of squares to eight digits."""
    curve, x, y, _, values, sds, squares = NIST[name]
    x, y = np.array(x, float), np.array(y, float)

    def model(b):
        value, slope = curve(b, x)
        return value - y, slope

    free = Normal.of_sds(np.full(len(start), np.inf))
    found = most_probable(model, np.array(start), prior=free, rounds=100, tolerance=1e-16 * squares)
    np.testing.assert_allclose(found.mode, values, rtol=1e-8)
    assert float(found.surprise) == pytest.approx(squares, rel=1e-9)
    # NIST's standard deviations take the scatter from the residuals.
    scatter = np.sqrt(squares / (len(x) - len(start)))
    np.testing.assert_allclose(scatter * np.sqrt(np.diag(found.covariance)), sds, rtol=1e-8)


def far_curve(z):
    """A curve with two unknowns and few, noisy readings, for priors that matter."""
    x = np.linspace(0, 3, 7)
    y = np.array([2.9, 2.2, 1.1, 1.3, 0.9, 0.2, 0.6])
    value = 2 * np.exp(0.6 * z[..., :1] - np.exp(0.5 * z[..., 1:]) * x)
    by_rate = -value * x * 0.5 * np.exp(0.5 * z[..., 1:])
    return (value - y) / 0.2, np.stack([0.6 * value, by_rate], axis=-1) / 0.2


@pytest.mark.parametrize("start", [(0.0, 0.0), (2.0, -2.0), (-2.0, 2.0)])
@pytest.mark.parametrize("plain", [True, False])
def test_mode_is_that_of_scipy(start, plain):
    """With a prior, from near and far: the same minimum as scipy's least_squares, and the
    surprise there."""
    mean, root = np.zeros(2), np.eye(2)
    if not plain:
        mean, root = np.array([0.3, -0.2]), np.linalg.cholesky([[2.0, 0.7], [0.7, 0.5]])
    prior = None if plain else Normal(mean, np.linalg.inv(root @ root.T))

    def whole(z):
        return np.concatenate([far_curve(z)[0], np.linalg.solve(root, z - mean)])

    expected = optimize.least_squares(whole, start, xtol=1e-12, ftol=1e-14, gtol=1e-12)
    found = most_probable(far_curve, np.array(start), prior=prior, longest=1.0, tolerance=1e-12)
    assert found.settled
    np.testing.assert_allclose(found.mode, expected.x, atol=1e-6)
    assert float(found.surprise) == pytest.approx(2 * expected.cost, rel=1e-9)


def line(d: int, p: int, seed: int):
    """A straight line's figures with errors that hang together: design, readings, covariance."""
    rng = np.random.default_rng(seed)
    mix = rng.normal(size=(d, d))
    covariance = mix @ mix.T / d + 0.1 * np.eye(d)
    return rng.normal(size=(d, p)), rng.normal(size=d), covariance


@pytest.mark.parametrize(("d", "p"), [(9, 4), (4, 9)])
@pytest.mark.parametrize("plain", [True, False])
def test_linear_model_is_exact(d, p, plain):
    """More readings than unknowns, and fewer. Mode and covariance by the formula of normal
    variables conditioned on others, log evidence by scipy's multivariate normal density."""
    design, read, noise = line(d, p, 5)
    rng = np.random.default_rng(6)
    root = np.eye(p) if plain else np.tril(rng.normal(size=(p, p))) + 2 * np.eye(p)
    mean = np.zeros(p) if plain else rng.normal(size=p)
    before = root @ root.T
    target, rows = whitened(read, design, noise)
    prior = None if plain else Normal(mean, np.linalg.inv(before))
    found = most_probable(linear(rows, target), np.zeros(p), prior=prior)

    total = design @ before @ design.T + noise
    gain = before @ design.T @ np.linalg.inv(total)
    np.testing.assert_allclose(found.mode, mean + gain @ (read - design @ mean), atol=1e-9)
    np.testing.assert_allclose(found.covariance, before - gain @ design @ before, atol=1e-9)
    root_log_det = np.linalg.slogdet(np.linalg.cholesky(noise))[1]
    expected = stats.multivariate_normal(design @ mean, total).logpdf(read)
    assert float(found.log_evidence) - root_log_det == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize(("d", "p"), [(9, 4), (4, 9)])
@pytest.mark.parametrize("plain", [True, False])
def test_samples_have_the_covariance(d, p, plain):
    """200,000 draws: their covariance is the fit's within sampling error, their mean is the
    mode exactly, and the same stream gives the same draws."""
    design, read, noise = line(d, p, 7)
    target, rows = whitened(read, design, noise)
    prior = None if plain else Normal(np.zeros(p), np.diag(np.linspace(0.5, 2, p)))
    found = most_probable(linear(rows, target), np.zeros(p), prior=prior)
    drawn = found.samples(np.random.default_rng(8), 200_000)
    np.testing.assert_allclose(drawn.mean(axis=0), found.mode, atol=1e-9)
    sd = np.sqrt(np.diag(found.covariance))
    scale = np.outer(sd, sd)
    np.testing.assert_allclose(
        np.cov(drawn.T) / scale, found.covariance / scale, atol=6 / np.sqrt(100_000)
    )
    again = found.samples(np.random.default_rng(8), 200_000)
    np.testing.assert_array_equal(drawn, again)
    assert found.samples(np.random.default_rng(8), 7).shape == (7, p)


def test_problems_side_by_side_are_the_same_as_alone():
    """Each from its own start, whoever its neighbours are."""
    starts = np.array([[0.0, 0.0], [2.0, -2.0], [-2.0, 2.0], [1.0, 1.0]])
    together = most_probable(far_curve, starts, longest=1.0)
    pair = most_probable(far_curve, starts[1:3], longest=1.0)
    assert together.covariance.shape == (4, 2, 2)
    assert together.log_evidence.shape == (4,)
    assert together.samples(np.random.default_rng(1), 10).shape == (4, 10, 2)
    for i, start in enumerate(starts):
        alone = most_probable(far_curve, start, longest=1.0)
        np.testing.assert_allclose(together.mode[i], alone.mode, atol=1e-12)
        np.testing.assert_allclose(together.log_evidence[i], alone.log_evidence, atol=1e-9)
    np.testing.assert_allclose(pair.mode, together.mode[1:3], atol=1e-12)


def test_a_step_that_makes_things_worse_is_halved():
    """atan has its plain Newton steps diverge from beyond 1.39 (a textbook case; Dennis and
    Schnabel 1996, from memory): halved ones arrive."""

    def model(z):
        return np.arctan(z), 1 / (1 + z[..., None] ** 2)

    free = Normal.of_sds(np.array([np.inf]))
    found = most_probable(model, np.array([3.0]), prior=free, tolerance=1e-20)
    assert abs(float(found.mode[0])) < 1e-9


def test_limits_are_kept():
    """The nearest allowed point, as scipy's bounded least squares has it."""
    design, read = np.array([[1.0, 0.2], [0.1, 1.0], [0.5, 0.5]]), np.array([1.0, -2.0, 0.3])
    found = most_probable(
        linear(design, read), np.ones(2), prior=Normal.of_sds(np.full(2, 10.0)),
        allow=lambda z: np.maximum(z, 0.0),
    )  # fmt: skip
    assert (found.mode >= 0).all()
    assert found.mode[1] == 0


def test_robust_fit_is_that_of_scipy_and_leaves_out_what_is_wild():
    """A line with three wild readings of forty: the weighted squares are at rest (their
    gradient is nought), the same line comes out as of the good readings alone, and the wild
    ones count for nothing."""
    rng = np.random.default_rng(3)
    x = np.linspace(0, 1, 40)
    design = np.stack([np.ones_like(x), x], axis=-1)
    read = 2 + 3 * x + 0.05 * rng.standard_normal(40)
    read[[4, 20, 33]] += (3.0, -4.0, 2.0)
    free = Normal.of_sds(np.full(2, np.inf))

    def weigh(residual):
        return biweight(residual, 4.685 * 0.05)

    plain = most_probable(linear(design, read), np.zeros(2), prior=free)
    found = most_probable(
        linear(design, read), plain.mode, prior=free, weigh=weigh, rounds=60, tolerance=1e-16
    )
    np.testing.assert_array_equal(found.weight[[4, 20, 33]], 0)
    gradient = design.T @ (found.weight * found.residual)
    np.testing.assert_allclose(gradient, 0, atol=1e-7)
    good = np.delete(np.arange(40), [4, 20, 33])
    expected = np.polynomial.polynomial.polyfit(x[good], read[good], 1)
    np.testing.assert_allclose(found.mode, expected, atol=0.03)

    # scipy minimises the biweight's own loss, of which these weights are the slope.
    def loss(b):
        u = np.minimum(((design @ b - read) / (4.685 * 0.05)) ** 2, 1)
        return float(np.sum(1 - (1 - u) ** 3))

    best = optimize.minimize(loss, expected, method="Nelder-Mead", options={"xatol": 1e-9})
    np.testing.assert_allclose(found.mode, best.x, atol=1e-5)
    # The straight line's own way, many times over, ends at the same place.
    line, weight = reweighed(design, read, free, weigh, rounds=60)
    np.testing.assert_allclose(line, found.mode, atol=1e-7)
    np.testing.assert_allclose(weight, found.weight, atol=1e-6)


def test_reweighed_lines_share_weights_and_keep_to_the_prior():
    """Against numpy's least squares of the weighted rows with the prior as rows of its own;
    two columns at once, each with the weights of both."""
    rng = np.random.default_rng(4)
    design, target = rng.standard_normal((30, 3)), rng.standard_normal((30, 2))
    prior = Normal(np.array([1.0, -2.0, 0.5]), np.diag([4.0, 9.0, 0.0]))

    def weigh(left):
        return 1 / (1 + (left**2).sum(axis=1))

    line, weight = reweighed(design, target, prior, weigh, rounds=2)
    first, _ = reweighed(design, target, prior, weigh, rounds=1)
    own = np.diag([2.0, 3.0, 0.0])
    for rows, expected in ((np.ones(30), first), (weigh(target - design @ first), line)):
        system = np.vstack([design * np.sqrt(rows)[:, None], own])
        for k in range(2):
            wanted = np.concatenate([np.sqrt(rows) * target[:, k], own @ prior.mean])
            best = np.linalg.lstsq(system, wanted, rcond=None)[0]
            np.testing.assert_allclose(expected[:, k], best, atol=1e-12)
    np.testing.assert_array_equal(weight, weigh(target - design @ line))


def test_what_cannot_be_solved_is_told():
    free = Normal.of_sds(np.array([np.inf, 1.0]))
    blind = linear(np.array([[0.0, 1.0]]), np.array([1.0]))
    with pytest.raises(ValueError, match="without a prior"):
        most_probable(blind, np.zeros(2), prior=free)
    with pytest.raises(ValueError, match="no finite residuals"):
        most_probable(linear(np.eye(2), np.array([np.nan, 0])), np.zeros(2))
    seen = linear(np.eye(2), np.ones(2))
    with pytest.raises(ValueError, match="no evidence"):
        _ = most_probable(seen, np.zeros(2), prior=free).log_evidence


def test_steps_that_run_out_are_told():
    found = most_probable(far_curve, np.array([2.0, -2.0]), longest=0.1, rounds=2)
    assert not found.settled
