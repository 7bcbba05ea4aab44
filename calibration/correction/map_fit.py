"""Fit a tone curve and a colour map to a card's patches. How supple each part may be is a
``Candidate``; which of them a card bears is settled in map_choice.py.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from calibration.card.definition import CardDefinition
from calibration.colour.difference import lab_by_xyz, local_metric
from calibration.colour.spaces import WHITE_D50, lab_to_xyz, xyz_to_lab
from calibration.correction.lamp_field import (
    SHAPES,
    TINTS,
    LampField,
    LightSamples,
    fit_field,
    light_on_card,
)
from calibration.correction.patches import PatchReadings
from calibration.correction.tone_curve import (
    KNOTS,
    LEAST_SLOPE,
    LINEAR,
    MAP_TERMS,
    OFFSET,
    ROOTS,
    feature_slopes,
    features,
    least_slope,
    tone_basis,
)
from calibration.uncertainty.gauss_newton import Normal, most_probable
from calibration.uncertainty.kernels import squared_exponential

MODEL_FLOOR = 0.6  # Delta E: what even a perfect card leaves (camera is not an eye)
LAST_LEVEL = 0.3 / 255 / 12.92  # linear: what 8 bits leave open near black
USUAL_WHITE = 0.6  # reading of white that the priors' sizes are about
MOST_SCALE = 1.5
# A printer's own error: share of its variance that colours near each other have in common,
# how far that reaches in Lab, and how much lighter than drawn black comes out (one standard
# deviation, L*; it fades towards mid grey). From simulated printers; no published figure.
PRINT_SHARED, PRINT_REACH, PRINT_EASE_L = 0.8, 25.0, 4.0
NOMINAL_U = 7.0  # |u_lab| of a colour as drawn for which the ease is meant
ROBUST = 4.0  # residuals beyond this many robust standard deviations lose their weight
MAP = slice(KNOTS, KNOTS + 3 * MAP_TERMS)
FIELD = slice(MAP.stop, MAP.stop + 3 * SHAPES)
PARAMETERS = FIELD.stop


@dataclass(frozen=True)
class Candidate:
    """How far each part may go: prior standard deviations. 0 leaves the part out.

    ``tone`` of the curve's bends (second differences), ``linear`` of the 3x3 part around
    white balance, ``roots`` of those terms, ``haze`` of a neutral offset (stray light; it is
    never negative). ``curve`` is what is known of the tone curve beforehand, in
    place of ``tone``."""

    tone: float
    linear: float
    roots: float = 0.0
    haze: float = 0.0
    curve: Normal | None = field(default=None, compare=False, repr=False)


# As drawn, from stiff to supple: a phone's own colours are nearer to the truth than a home print
# is to its drawing (real photographs with definitions moved by 4 Delta E, 90th: 7.2, and 8.0 with
# maps four times as supple). What a measured card bears was set by patches left out of real
# photographs, where half or twice of anything changes their errors by a tenth, and by vivid inks
# of rendered scenes, which a suppler map overshoots.
DRAWN = (
    Candidate(0.0, 0.03),
    Candidate(0.0, 0.08),
    Candidate(0.04, 0.03, haze=0.003),
    Candidate(0.04, 0.08, haze=0.003),
    Candidate(0.15, 0.03, haze=0.003),
    Candidate(0.15, 0.08, haze=0.003),
)
# A raw photo has no curve.
RAW = tuple(Candidate(0.0, linear, haze=0.003) for linear in (0.02, 0.08, 0.3))
MEASURED = (Candidate(0.06, 0.12, roots=0.05),)


@dataclass(frozen=True, eq=False, repr=False)
class Problem:
    """``rgb`` (n, 3) photo's linear RGB at ``centre_mm`` (n, 2), ``light`` the lamp's field as
    far as paper tells, ``on_card`` what that says of the card's (``light_on_card``), ``lab``
    (n, 3) reference, ``metric`` (n, 3, 3), ``sigma`` (n,) expected residual per axis, ``smooth``
    (3, n, n) covariance per axis of the reference's errors, ``balanced`` (3, 3) the map that
    only balances white, ``basis`` (n, 3, KNOTS) of the tone curve, ``kept`` (n,) 1 or 0 for a
    patch that is left out, ``level`` the reading of white."""

    rgb: np.ndarray
    centre_mm: np.ndarray
    light: LampField
    on_card: tuple[np.ndarray, np.ndarray, np.ndarray]
    lab: np.ndarray
    metric: np.ndarray
    sigma: np.ndarray
    smooth: np.ndarray
    balanced: np.ndarray
    basis: np.ndarray
    kept: np.ndarray
    level: float

    @property
    def centre(self) -> np.ndarray:
        """(PARAMETERS,) the prior's mean: straight curve, white balance, the light on paper."""
        theta = np.zeros(PARAMETERS)
        theta[MAP].reshape(3, MAP_TERMS)[:, LINEAR] = self.balanced
        theta[FIELD] = self.on_card[0].ravel()
        return theta

    @cached_property
    def remainder_log(self) -> np.ndarray:
        """(n, 3) log light on the patches beyond the field's quadratic."""
        return self.light.remainder_log(self.centre_mm)

    @cached_property
    def shapes(self) -> np.ndarray:
        """(n, SHAPES) what the field's coefficients are multiplied by."""
        return self.light.shapes(self.centre_mm)


@dataclass(frozen=True, eq=False, repr=False)
class Solution:
    """A fit of ``candidate``. ``theta`` (PARAMETERS,); ``active`` the parameters that moved, which
    ``jacobian`` (n, 3, k) and ``prior`` (k, k, precision) are about; ``offset`` (k,) theta
    less the prior's mean; ``residual``, ``held_out`` (n, 3) in Delta E, the second as if the
    patch had been left out; ``weight`` (n,); ``odds`` (m,) and ``rivals`` (m, PARAMETERS),
    when the solution is the mean of several, how probable each is and how far from it."""

    candidate: Candidate
    theta: np.ndarray
    active: np.ndarray
    residual: np.ndarray
    jacobian: np.ndarray
    prior: np.ndarray
    offset: np.ndarray
    weight: np.ndarray
    held_out: np.ndarray
    scale: float
    odds: np.ndarray = field(default_factory=lambda: np.zeros(0))
    rivals: np.ndarray = field(default_factory=lambda: np.zeros((0, PARAMETERS)))

    @property
    def tone(self) -> np.ndarray:
        return self.theta[:KNOTS]

    @property
    def matrix(self) -> np.ndarray:
        return self.theta[MAP].reshape(3, MAP_TERMS)

    @property
    def field(self) -> np.ndarray:
        """(SHAPES, 3) coefficients of the light on the card."""
        return field_of(self.theta)


def field_of(theta: np.ndarray) -> np.ndarray:
    """(..., PARAMETERS) -> (..., SHAPES, 3) the field's coefficients for each channel."""
    tints = theta[..., FIELD].reshape(*theta.shape[:-1], 3, SHAPES)
    return np.swapaxes(tints, -1, -2) @ TINTS


def light_patches(lab: np.ndarray) -> np.ndarray:
    """The lightest neutral patches (at least one): where white is balanced."""
    rank = lab[:, 0] - 2 * np.hypot(lab[:, 1], lab[:, 2])
    return rank >= np.sort(rank)[-max(1, len(rank) // 8)]


def white_balance(
    rgb: np.ndarray, lab: np.ndarray, profile_matrix: np.ndarray, white: np.ndarray
) -> np.ndarray:
    """The map that only balances white: camera profile, scaled so that ``white`` patches of
    light ``rgb`` come out neutral at their lightness. (3, 3)."""
    target = lab_to_xyz(lab[white]) @ np.linalg.inv(profile_matrix).T
    gain = np.exp(np.mean(np.log(np.maximum(target, 1e-4)) - np.log(rgb[white]), axis=0))
    return profile_matrix * gain


def noise_de(readings: PatchReadings) -> np.ndarray:
    """(n,) noise of the usable patches in Delta E: relative noise of luma times a third of
    116 (slope of L* near white). In the last levels near black the truth may be anything."""
    rgb, noise = readings.rgb[readings.usable], readings.noise[readings.usable]
    return 38 * np.mean(np.hypot(noise, LAST_LEVEL) / rgb, axis=1)


def reference_covariance(lab: np.ndarray, u_axis: np.ndarray, weights: np.ndarray) -> np.ndarray:
    """(3, n, n) covariance of the reference's errors in the metric, for L*, chroma and hue:
    ``u_axis`` (n,) standard uncertainty per axis, partly shared by near colours."""
    share = PRINT_SHARED * squared_exponential(lab, PRINT_REACH)
    share = share + (1 - PRINT_SHARED) * np.eye(len(lab))
    cov = u_axis[:, None] * u_axis[None] * share + MODEL_FLOOR**2 * np.eye(len(lab))
    size = PRINT_EASE_L * min(1.0, np.sqrt(3) * float(np.median(u_axis)) / NOMINAL_U)
    ease = weights[:, 0, 0] * size * np.maximum(0.0, 1 - lab[:, 0] / 60)
    return np.stack([cov + ease[:, None] * ease[None], cov, cov])


def problem_of(readings: PatchReadings, card: CardDefinition, samples: LightSamples) -> Problem:
    """The fit's data from the usable patches; white balance is still to come."""
    usable = readings.usable
    lab, rgb = card.expected_lab_d50[usable], readings.rgb[usable]
    weights = local_metric(lab)
    noise = noise_de(readings)
    light, on_card = _told_by_paper(samples, samples.rgb, card)
    u_axis = np.linalg.norm(np.einsum("nij,nj->ni", weights, card.u_lab[usable]), axis=1)
    u_axis = u_axis / np.sqrt(3)
    return Problem(
        rgb=rgb,
        centre_mm=readings.centre_mm[usable],
        light=light,
        on_card=on_card,
        lab=lab,
        metric=weights,
        sigma=np.sqrt(u_axis**2 + noise**2 + MODEL_FLOOR**2),
        smooth=reference_covariance(lab, u_axis, weights),
        balanced=np.eye(3),
        basis=tone_basis(rgb),
        kept=np.ones(len(rgb)),
        level=float(np.median(rgb[light_patches(lab)])),
    )


def with_light(p: Problem, samples: LightSamples, even: np.ndarray) -> Problem:
    """The data with the light as the samples tell it once their tone curve is undone: ``even``."""
    light, on_card = _told_by_paper(samples, even, p.light.card)
    return replace(p, light=light, on_card=on_card)


def _told_by_paper(
    samples: LightSamples, light: np.ndarray, card: CardDefinition | None
) -> tuple[LampField, tuple[np.ndarray, np.ndarray, np.ndarray]]:
    field = replace(fit_field(samples, light, paper_only=True), card=card)
    return field, light_on_card(field, samples, light)


def off_card(p: Problem, theta: np.ndarray) -> np.ndarray:
    """(..., PARAMETERS) -> (..., SHAPES, 3) the paper's field, which follows what the patches say
    of the card's as far as paper leaves it open."""
    first = TINTS @ p.light.coefficients.T
    moved = theta[..., FIELD].reshape(*theta.shape[:-1], 3, SHAPES) - first
    tints = first + np.einsum("kst,...kt->...ks", p.on_card[2], moved)
    return np.swapaxes(tints, -1, -2) @ TINTS


def curve_precision(bends: float, slopes: float = 0.6) -> np.ndarray:
    """(KNOTS, KNOTS) precision of a tone curve about a straight one, by the standard deviations of
    its bends and slopes (second and first differences). The level is left free."""
    second = np.diff(np.eye(KNOTS), n=2, axis=0)
    first = np.diff(np.eye(KNOTS), axis=0)
    curve = second.T @ second / bends**2 + first.T @ first / slopes**2 + np.eye(KNOTS) * 0.2
    return np.asarray(curve)


def _prior(p: Problem, c: Candidate, stiffen: float) -> tuple[np.ndarray, np.ndarray]:
    """(active (k,), precision (k, k)) of a candidate. Light is measured against white, of
    reading ``p.level``, so that the exposure changes nothing."""
    precision = np.zeros((PARAMETERS, PARAMETERS))
    active = np.zeros(PARAMETERS, bool)
    if c.tone > 0:
        active[:KNOTS] = True
        curve = curve_precision(c.tone) if c.curve is None else c.curve.precision
        # Only the shape matters: the level belongs to the map.
        precision[:KNOTS, :KNOTS] = stiffen * curve + 100.0 / KNOTS
    column = KNOTS + MAP_TERMS * np.arange(3)
    for part, sd in ((LINEAR, c.linear), (ROOTS, c.roots)):
        for term in range(part.start, part.stop) if sd > 0 else ():
            active[column + term] = True
            precision[column + term, column + term] = (sd * USUAL_WHITE / p.level) ** -2
    if c.haze > 0:
        at = column + OFFSET
        active[at] = True
        cov = c.haze**2 * np.outer(WHITE_D50, WHITE_D50)
        cov = cov + np.diag((1e-6 * WHITE_D50) ** 2)  # an offset of another colour: none
        precision[np.ix_(at, at)] = np.linalg.inv(cov)
    active[FIELD] = True
    for k in range(3):
        at = FIELD.start + k * SHAPES + np.arange(SHAPES)
        precision[np.ix_(at, at)] = p.on_card[1][k]
    chosen = np.flatnonzero(active)
    return chosen, precision[np.ix_(chosen, chosen)]


def evaluate(p: Problem, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Residuals (n, 3) and Jacobian (n, 3, PARAMETERS), both in Delta E."""
    tone, matrix = theta[:KNOTS], theta[MAP].reshape(3, MAP_TERMS)
    gain_log = p.remainder_log + p.shapes @ field_of(theta)
    terms = features(p.rgb * np.exp(p.basis @ tone - gain_log))
    xyz = terms @ matrix.T
    residual = np.einsum("nij,nj->ni", p.metric, xyz_to_lab(xyz) - p.lab)
    to_lab = p.metric @ lab_by_xyz(xyz)
    by_light = to_lab @ (matrix @ feature_slopes(terms))
    by_tone = by_light @ p.basis
    by_field = -(by_light @ TINTS.T)[..., None] * p.shapes[:, None, None, :]
    by_map = (to_lab[..., None] * terms[:, None, None, :]).reshape(len(xyz), 3, -1)
    return residual, np.concatenate([by_tone, by_map, by_field.reshape(len(xyz), 3, -1)], axis=2)


def fit(p: Problem, c: Candidate, start: np.ndarray) -> Solution:
    """Fit one candidate from ``start`` (PARAMETERS,). Its curve is sure to rise: where it
    would not, its prior is made stiffer until it does."""
    stiffen = 1.0
    for _ in range(8):
        solution = _fit(p, c, start, stiffen)
        if c.tone == 0 or least_slope(solution.tone) >= LEAST_SLOPE:
            return solution
        stiffen *= 4.0
    return _fit(p, replace(c, tone=0.0), start, 1.0)


def _fit(p: Problem, c: Candidate, start: np.ndarray, stiffen: float) -> Solution:
    active, precision = _prior(p, c, stiffen)
    centre = p.centre
    if c.curve is not None:
        centre[:KNOTS] = c.curve.mean
    hazy = KNOTS + MAP_TERMS * np.arange(3) + OFFSET

    def whole(values: np.ndarray) -> np.ndarray:
        theta = centre.copy()
        theta[active] = values
        return theta

    def model(values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        residual, jacobian = evaluate(p, whole(values))
        rows = jacobian[:, :, active] / p.sigma[:, None, None]
        return (residual / p.sigma[:, None]).ravel(), rows.reshape(-1, len(active))

    def allow(values: np.ndarray) -> np.ndarray:
        # Stray light adds, so what is taken off is never negative.
        theta = whole(values)
        theta[hazy] -= WHITE_D50 * max(0.0, float(np.mean(theta[hazy] / WHITE_D50)))
        return theta[active]

    state = most_probable(
        model,
        start[active],
        prior=Normal(centre[active], precision),
        weigh=lambda residual: np.repeat(_weight(p, residual.reshape(-1, 3))[0], 3),
        allow=allow,
        rounds=15,
        tolerance=0.03,
    )
    standard = state.residual.reshape(-1, 3)
    weight, scale = _weight(p, standard)
    weight = weight / p.sigma**2
    residual = standard * p.sigma[:, None]
    jacobian = state.jacobian.reshape(-1, 3, len(active)) * p.sigma[:, None, None]
    return Solution(
        candidate=c,
        theta=whole(state.mode),
        active=active,
        residual=residual,
        jacobian=jacobian,
        prior=precision,
        offset=state.mode - centre[active],
        weight=weight,
        held_out=_held_out(residual, jacobian, precision, weight),
        scale=scale,
    )


def _weight(p: Problem, standard: np.ndarray) -> tuple[np.ndarray, float]:
    """What each patch counts (n,), and how far patches miss in the middle, from residuals
    (n, 3) in standard deviations."""
    size = np.linalg.norm(standard, axis=1)
    # Patches spread as a normal in three dimensions have a median length of 1.54.
    scale = max(float(np.median(size[p.kept > 0])) / 1.54, 0.3)
    # A large scale may only say that the fit has not got there yet: it must not hand the fit
    # over to the prior.
    trust = min(scale, MOST_SCALE)
    return p.kept / (1 + (size / (ROBUST * scale)) ** 2) ** 2 / trust**2, scale


def normal_matrix(jacobian: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """Sum over patches of weight J'J: (k, k)."""
    rows = (jacobian * np.sqrt(weight)[:, None, None]).reshape(-1, jacobian.shape[2])
    return rows.T @ rows


def _held_out(
    residual: np.ndarray, jacobian: np.ndarray, prior: np.ndarray, weight: np.ndarray
) -> np.ndarray:
    """Each patch's residual (n, 3) had it been left out of the fit: (I - H_i)^-1 r_i
    with its 3 x 3 block of the hat matrix (PRESS; Allen 1974)."""
    inverse = np.linalg.inv(normal_matrix(jacobian, weight) + prior)
    block = (jacobian @ inverse) @ jacobian.transpose(0, 2, 1) * weight[:, None, None]
    # A patch that alone decides a parameter has no held-out error; stop short of 1/0.
    lead = np.linalg.norm(block, axis=(1, 2))
    block *= np.minimum(1.0, 0.95 / np.maximum(lead, 1e-9))[:, None, None]
    return np.linalg.solve(np.eye(3) - block, residual[..., None])[..., 0]
