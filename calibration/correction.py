"""From the photo's linear RGB to XYZ D50: tone curve, colour map, and how sure they are.

The model: the phone applied one unknown tone curve to all channels of some mixture of its
sensor's RGB. Undo the curve (smooth, in log light), divide by the lamp's field, map by a
root-polynomial of degree 2 (Finlayson, Mackiewicz, Hurlbert 2015, IEEE Trans. Image Proc.
24, 1460), which keeps its colours when the exposure changes. Curve and map are fitted
together to the card in a metric close to CIEDE2000; several stiffnesses are tried and the
one with the smallest error on held-out patches is kept (PRESS, by leverage).

Uncertainty is carried by an ensemble: the fit repeated on randomly reweighted patches
(Bayesian bootstrap, Rubin 1981, one Gauss-Newton step each).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from calibration import flags as fl
from calibration.card import CardDefinition
from calibration.colorimetry import delta_e_2000, lab_to_xyz, xyz_to_lab
from calibration.drift import Drift, find_drift
from calibration.errors import PhotoUnfit
from calibration.illumination import LampField, LightSamples, fit_field
from calibration.patches import PatchReadings
from calibration.tonemap import (
    KNOTS,
    MAP_TERMS,
    feature_slopes,
    features,
    lab_slopes,
    least_slope,
    metric,
    tone_basis,
    undo_tone,
)

MEMBERS = 96
SEED = 20250
# Candidates: prior sd of the tone curve's bends and of the root terms. 0 switches off.
# Ordered from stiff to supple; a suppler one must be clearly better to be chosen.
CANDIDATES = ((0.0, 0.0), (0.05, 0.0), (0.25, 0.0), (0.05, 0.15), (0.25, 0.15))
MODEL_FLOOR = 0.6  # Delta E: what even a perfect card leaves (camera is not an eye)
# Held-out median that is flagged (of a measured card: calibration.drift), and refused, by
# where the card's values come from.
POOR_DE = 7.0
REFUSE_DE = {"nominal": 14.0, "measured": 9.0}
LEAST_SLOPE = 0.3  # of an undone tone curve; less is no phone's curve
USUAL_PAPER_Y = 0.876  # L* 95
SHADE_RATIO = 1.12  # paper this much brighter than the card's white is better lit


@dataclass(frozen=True)
class Correction:
    """The fitted way from linear RGB to XYZ D50 (Y = 1 for the card's reference white).

    ``tone`` (KNOTS,) and ``matrix`` (3, 6) are the fit; ``tone_members`` (m, KNOTS) and
    ``matrix_members`` (m, 3, 6) the ensemble. ``held_out_de`` (n,) is the held-out error of
    each patch, CIEDE2000 (NaN where a patch could not be used);
    ``paper_lab_d50`` the colour of the most common light surface beside the card, or None.
    """

    tone: np.ndarray
    matrix: np.ndarray
    tone_members: np.ndarray
    matrix_members: np.ndarray
    field: LampField
    held_out_de: np.ndarray
    dropped: tuple[str, ...]
    white_balance_de_median: float
    patch_lab_d50: np.ndarray
    paper_lab_d50: np.ndarray | None
    nominal: bool
    flags: tuple[fl.Flag, ...]

    @property
    def shaded(self) -> bool:
        """Whether the card lies in other light than the paper beside it."""
        return self.field.beyond_card_log is not None

    @property
    def held_out_median(self) -> float:
        return float(np.nanmedian(self.held_out_de))

    @property
    def held_out_max(self) -> float:
        return float(np.nanmax(self.held_out_de))

    def light(self, rgb_linear: np.ndarray, xy_mm: np.ndarray) -> np.ndarray:
        """Photo's linear RGB (..., 3) at places (..., 2) -> even scene light (..., 3)."""
        return undo_tone(rgb_linear, self.tone) / np.exp(self.field.log_gain(xy_mm))

    def xyz_d50(self, light: np.ndarray) -> np.ndarray:
        """Even scene light (..., 3) from ``light`` -> XYZ D50 (..., 3)."""
        return features(light) @ self.matrix.T

    def ensemble_xyz_d50(self, rgb_linear: np.ndarray, gain_log: np.ndarray) -> np.ndarray:
        """XYZ D50 of each member (m, n, 3) for photo RGB (n, 3) under log light (n, 3)."""
        basis = tone_basis(rgb_linear)
        bend = np.einsum("nck,mk->mnc", basis, self.tone_members)
        light = rgb_linear * np.exp(bend - gain_log)
        return np.einsum("mnf,mjf->mnj", features(light), self.matrix_members)


@dataclass(frozen=True)
class _Problem:
    rgb: np.ndarray  # (n, 3) photo linear
    gain_log: np.ndarray  # (n, 3)
    lab: np.ndarray  # (n, 3) reference
    metric: np.ndarray  # (n, 3, 3)
    sigma: np.ndarray  # (n,) expected residual, Delta E
    matrix_0: np.ndarray  # (3, 6) prior mean of the map
    basis: np.ndarray  # (n, 3, KNOTS) tone curve basis at rgb


@dataclass(frozen=True)
class _Solution:
    tone: np.ndarray
    matrix: np.ndarray
    residual: np.ndarray  # (n, 3) in Delta E
    jacobian: np.ndarray  # (n, 3, p) in Delta E
    prior: np.ndarray  # (p, p) precision
    offset: np.ndarray  # (p,) theta - theta_0
    weight: np.ndarray  # (n,)
    held_out: np.ndarray  # (n, 3) Delta E, each patch left out in turn


def _prior(tone_sd: float, root_sd: float) -> np.ndarray:
    """Precision matrix of (tone, map): the curve is smooth and near straight in log light,
    the root terms are small; a switched-off part is pinned."""
    precision = np.zeros((KNOTS + 18, KNOTS + 18))
    if tone_sd > 0:
        second = np.diff(np.eye(KNOTS), n=2, axis=0)
        first = np.diff(np.eye(KNOTS), axis=0)
        precision[:KNOTS, :KNOTS] = (
            second.T @ second / tone_sd**2 + first.T @ first / 0.6**2 + np.eye(KNOTS) * 0.2
        )
        # Only the shape matters: the level belongs to the map.
        precision[:KNOTS, :KNOTS] += 100.0 / KNOTS
    else:
        precision[:KNOTS, :KNOTS] = np.eye(KNOTS) * 1e10
    for row in range(3):
        for term in range(MAP_TERMS):
            at = KNOTS + row * MAP_TERMS + term
            if term < 3:
                precision[at, at] = 0.5**-2
            else:
                precision[at, at] = root_sd**-2 if root_sd > 0 else 1e10
    return precision


def _evaluate(p: _Problem, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Residuals (n, 3) and Jacobian (n, 3, parameters), both in Delta E."""
    tone, matrix = theta[:KNOTS], theta[KNOTS:].reshape(3, MAP_TERMS)
    light = p.rgb * np.exp(p.basis @ tone - p.gain_log)
    terms = features(light)
    xyz = terms @ matrix.T
    residual = np.einsum("nij,nj->ni", p.metric, xyz_to_lab(xyz) - p.lab)
    to_lab = np.einsum("nij,njk->nik", p.metric, lab_slopes(xyz))
    by_tone = (to_lab @ (matrix @ feature_slopes(light))) @ p.basis
    by_map = np.einsum("nij,nf->nijf", to_lab, terms).reshape(len(xyz), 3, 18)
    return residual, np.concatenate([by_tone, by_map], axis=2)


def _fit(p: _Problem, tone_sd: float, root_sd: float, start: np.ndarray) -> _Solution:
    """Gauss-Newton with step halving and robust patch weights."""
    prior = _prior(tone_sd, root_sd)
    centre = np.concatenate([np.zeros(KNOTS), p.matrix_0.ravel()])
    theta = start.copy()
    if tone_sd == 0:
        theta[:KNOTS] = 0.0
    if root_sd == 0:
        theta[KNOTS:].reshape(3, MAP_TERMS)[:, 3:] = 0.0
    weight = np.ones(len(p.rgb))

    def cost(residual: np.ndarray, at: np.ndarray) -> float:
        size = np.sum(residual**2, axis=1) / p.sigma**2
        return float(np.sum(weight * size) + (at - centre) @ prior @ (at - centre))

    residual, jacobian = _evaluate(p, theta)
    for _ in range(12):
        size = np.sqrt(np.sum(residual**2, axis=1)) / p.sigma
        # Patches spread as a normal in three dimensions have a median length of 1.54.
        scale = max(float(np.median(size)) / 1.54, 0.3)
        weight = 1 / (1 + (size / (3.0 * scale)) ** 2) ** 2 / scale**2
        before = cost(residual, theta)
        w = weight / p.sigma**2
        normal = _normal(jacobian, w) + prior
        gradient = np.tensordot(jacobian, residual * w[:, None], 2 * ((0, 1),))
        gradient = gradient + prior @ (theta - centre)
        step = np.linalg.solve(normal, -gradient)
        factor = 1.0
        for _ in range(6):
            trial = theta + factor * step
            new_residual, new_jacobian = _evaluate(p, trial)
            after = cost(new_residual, trial)
            if np.isfinite(after) and after <= before:
                break
            factor /= 2
        else:
            break
        theta, residual, jacobian = trial, new_residual, new_jacobian
        if before - after < 1e-4 * before + 1e-9:
            break
    held_out = _held_out(residual, jacobian, prior, weight / p.sigma**2)
    return _Solution(
        tone=theta[:KNOTS],
        matrix=theta[KNOTS:].reshape(3, MAP_TERMS),
        residual=residual,
        jacobian=jacobian,
        prior=prior,
        offset=theta - centre,
        weight=weight / p.sigma**2,
        held_out=held_out,
    )


def _normal(jacobian: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """Sum over patches of weight J'J: (p, p)."""
    rows = (jacobian * np.sqrt(weight)[:, None, None]).reshape(-1, jacobian.shape[2])
    return rows.T @ rows


def _held_out(
    residual: np.ndarray, jacobian: np.ndarray, prior: np.ndarray, weight: np.ndarray
) -> np.ndarray:
    """Each patch's residual (n, 3) had it been left out of the fit: (I - H_i)^-1 r_i
    with its 3 x 3 block of the hat matrix (PRESS; Allen 1974)."""
    normal = _normal(jacobian, weight) + prior
    inverse = np.linalg.inv(normal)
    block = (jacobian @ inverse) @ jacobian.transpose(0, 2, 1) * weight[:, None, None]
    # A patch that alone decides a parameter has no held-out error; stop short of 1/0.
    lead = np.linalg.norm(block, axis=(1, 2))
    block *= np.minimum(1.0, 0.95 / np.maximum(lead, 1e-9))[:, None, None]
    return np.linalg.solve(np.eye(3) - block, residual[..., None])[..., 0]


def _ensemble(solution: _Solution, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Bayesian bootstrap: one Gauss-Newton step per set of random patch weights."""
    count = len(solution.residual)
    draw = rng.exponential(size=(MEMBERS, count))
    draw /= draw.mean(axis=1, keepdims=True)
    w = draw * solution.weight
    # Leverage makes fitted residuals too small: use the held-out ones (as HC3 does;
    # MacKinnon and White 1985), within reason.
    lengths = np.linalg.norm(solution.residual, axis=1)
    out = np.linalg.norm(solution.held_out, axis=1)
    grow = np.clip(out / np.maximum(lengths, 1e-9), 1.0, 4.0)
    residual = solution.residual * grow[:, None]
    products = solution.jacobian.transpose(0, 2, 1) @ solution.jacobian
    pulls = (residual[:, None, :] @ solution.jacobian)[:, 0]
    normal = np.tensordot(w, products, 1) + solution.prior
    # At the optimum the weighted pulls and the prior balance; only the change counts.
    gradient = (w - solution.weight) @ pulls
    step = np.linalg.solve(normal, -gradient[..., None])[..., 0]
    tone = solution.tone + step[:, :KNOTS]
    matrix = solution.matrix + step[:, KNOTS:].reshape(-1, 3, MAP_TERMS)
    return tone, matrix


def _white_balance(p: _Problem, profile_matrix: np.ndarray, white: np.ndarray) -> np.ndarray:
    """The map that only balances white: camera profile, scaled so that ``white`` patches
    come out neutral at their lightness. (3, 6)."""
    light = p.rgb / np.exp(p.gain_log)
    target = lab_to_xyz(p.lab[white]) @ np.linalg.inv(profile_matrix).T
    gain = np.exp(np.mean(np.log(np.maximum(target, 1e-4)) - np.log(light[white]), axis=0))
    return np.concatenate([profile_matrix * gain, np.zeros((3, 3))], axis=1)


def correct(
    readings: PatchReadings,
    samples: LightSamples,
    card: CardDefinition,
    profile_matrix: np.ndarray,
) -> Correction:
    """Fit the correction to one photo's card.

    ``profile_matrix`` (3, 3) is the photo profile's linear RGB -> XYZ D50, the starting
    point. Raises ``PhotoUnfit`` when too few patches can be read.
    """
    usable = readings.usable
    if usable.sum() < max(6, 0.4 * len(card.patches)):
        raise PhotoUnfit(
            f"only {int(usable.sum())} of {len(card.patches)} colour fields can be read",
            "the rest are burnt out, black or outside the picture: colours cannot be corrected",
            "show the whole card, and tap the white paper so that the photo gets darker",
        )
    lab = card.expected_lab_d50[usable]
    # Noise in Delta E: relative noise of luma times a third of 116 (slope of L* near white).
    noise = 38 * np.mean(readings.noise[usable] / readings.rgb[usable], axis=1)
    u_card = np.linalg.norm(np.einsum("nij,nj->ni", metric(lab), card.u_lab[usable]), axis=1)
    sigma = np.sqrt(u_card**2 / 3 + noise**2 + MODEL_FLOOR**2)
    tone = np.zeros(KNOTS)
    start: np.ndarray | None = None
    white = _light_patches(lab)
    weights, basis = metric(lab), tone_basis(readings.rgb[usable])
    for turn in range(3):
        field = fit_field(samples, undo_tone(samples.rgb, tone))
        gain_log = field.log_gain(readings.centre_mm[usable])
        problem = _Problem(
            readings.rgb[usable], gain_log, lab, weights, sigma, np.zeros((3, MAP_TERMS)), basis
        )
        balanced = _white_balance(problem, profile_matrix, white)
        problem = replace(problem, matrix_0=balanced)
        if start is None:
            start = np.concatenate([np.zeros(KNOTS), balanced.ravel()])
            plain, _ = _evaluate(problem, start)
            plain_median = float(np.median(np.linalg.norm(plain, axis=1)))
        # The field is settled with a flexible curve first, then all candidates compete.
        candidates = CANDIDATES if turn == 2 else CANDIDATES[2:3]
        solutions = [_fit(problem, a, b, start) for a, b in candidates]
        sound = [s for s in solutions if least_slope(s.tone, problem.rgb) >= LEAST_SLOPE]
        if not sound:
            sound = [_fit(problem, *CANDIDATES[k], start) for k in (1, 0)]
            sound = [s for s in sound if least_slope(s.tone, problem.rgb) >= LEAST_SLOPE]
        best = _choose(sound, sigma)
        start = np.concatenate([best.tone, best.matrix.ravel()])
        tone = best.tone
    field = fit_field(samples, undo_tone(samples.rgb, tone))
    rng = np.random.default_rng(SEED)
    tone_members, matrix_members = _ensemble(best, rng)
    held_out = np.full(len(card.patches), np.nan)
    miss = np.linalg.solve(problem.metric, best.held_out[..., None])[..., 0]
    error = delta_e_2000(lab, lab + miss)
    typical = float(np.median(error))
    outlier = error > max(6.0, 5.0 * typical)
    nominal = card.provenance == "nominal"
    drift: Drift | None = None
    if not nominal:
        drift = find_drift(card, usable, miss, noise, readings.rgb[usable], readings.spread[usable])
        outlier |= drift.changed
    held_out[usable] = np.where(outlier, np.nan, error)
    names = [p.name for p, u in zip(card.patches, usable, strict=True) if u]
    dropped = tuple(n for n, o in zip(names, outlier, strict=True) if o)
    patch_lab = np.full((len(card.patches), 3), np.nan)
    light = undo_tone(readings.rgb[usable], tone) / np.exp(
        field.log_gain(readings.centre_mm[usable])
    )
    patch_lab[usable] = xyz_to_lab(features(light) @ best.matrix.T)
    correction = Correction(
        tone=tone,
        matrix=best.matrix,
        tone_members=tone_members,
        matrix_members=matrix_members,
        field=field,
        held_out_de=held_out,
        dropped=dropped,
        white_balance_de_median=plain_median,
        patch_lab_d50=patch_lab,
        paper_lab_d50=None,
        nominal=nominal,
        flags=_flags(typical, plain_median, dropped, nominal, len(names), drift),
    )
    return _with_paper(correction, samples, card)


def _light_patches(lab: np.ndarray) -> np.ndarray:
    """The lightest neutral patches (at least one): where white is balanced."""
    rank = lab[:, 0] - 2 * np.hypot(lab[:, 1], lab[:, 2])
    return rank >= np.sort(rank)[-max(1, len(rank) // 8)]


def _choose(solutions: list[_Solution], sigma: np.ndarray) -> _Solution:
    """The stiffest fit whose held-out errors are not clearly worse than the best one's: by
    half a standard error of their paired difference (after Breiman et al. 1984)."""
    sizes = [np.minimum(np.linalg.norm(s.held_out, axis=1) / sigma, 4.0) ** 2 for s in solutions]
    best = min(sizes, key=lambda size: size.mean())
    for solution, size in zip(solutions, sizes, strict=True):
        excess = size - best
        if excess.mean() <= 0.5 * excess.std() / np.sqrt(len(excess)):
            return solution
    return solutions[-1]


def _with_paper(correction: Correction, samples: LightSamples, card: CardDefinition) -> Correction:
    """Add the paper's colour. Nothing is whiter than the card's white by much: paper that
    looks so is better lit, and the field beside the card is scaled to say so."""
    count = np.bincount(samples.surface[samples.surface > 0], minlength=1)
    if not count.any():
        return correction
    # The lightest of the larger surfaces is the paper; a table is seldom whiter.
    large = np.flatnonzero(count >= 0.15 * count.max())
    level = [np.median(samples.rgb[samples.surface == k]) for k in large]
    on_paper = samples.surface == large[int(np.argmax(level))]
    light = correction.light(samples.rgb[on_paper], samples.xy_mm[on_paper])
    paper = np.median(light, axis=0)
    xyz = correction.xyz_d50(paper)
    # A chart without white still lies beside white paper: never ask for less than its level.
    white = max(float(lab_to_xyz(card.expected_lab_d50)[:, 1].max()), USUAL_PAPER_Y)
    ratio = float(xyz[1] / white)
    flags = correction.flags
    field = correction.field
    if ratio > SHADE_RATIO:
        here = samples.surface == 0
        card_light = correction.light(samples.rgb[here], samples.xy_mm[here])
        beyond = np.log(paper / np.median(card_light, axis=0))
        field = replace(field, beyond_card_log=beyond, card=card)
        xyz = correction.xyz_d50(paper / np.exp(beyond))
        flags = (*flags, fl.CARD_SHADED(f"{ratio:.1f}"))
    return replace(correction, field=field, paper_lab_d50=xyz_to_lab(xyz), flags=flags)


def _flags(
    typical: float,
    plain: float,
    dropped: tuple[str, ...],
    nominal: bool,
    count: int,
    drift: Drift | None,
) -> tuple[fl.Flag, ...]:
    out = []
    if nominal:
        out.append(fl.NOMINAL_CARD())
    # A drifted patch is told of as such, once.
    spoilt = [n for n in dropped if drift is None or n not in drift.changed_names]
    if spoilt:
        out.append(fl.PATCHES_DROPPED(", ".join(spoilt)))
    kind = "nominal" if nominal else "measured"
    if typical > REFUSE_DE[kind] or typical > plain + 0.5 or len(dropped) > 0.35 * count:
        out.append(
            fl.CARD_UNUSABLE(
                f"they miss by {typical:.1f} Delta E, {plain:.1f} with white balance alone"
            )
        )
    elif drift is not None:
        out += drift.flags
    elif typical > POOR_DE:
        out.append(fl.POOR_CORRECTION(f"{typical:.1f}"))
    return tuple(out)
