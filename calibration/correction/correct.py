"""From the photo's linear RGB to XYZ D50: tone curve, colour map, and how sure they are. The
model, and what is left out of the fit: README.md.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from calibration import flags as fl
from calibration.card.definition import CardDefinition
from calibration.colour.difference import delta_e_2000
from calibration.colour.spaces import lab_to_xyz, xyz_to_lab
from calibration.correction.card_drift import Drift, find_drift
from calibration.correction.even_surfaces import LightSamples
from calibration.correction.lamp_field import LampField
from calibration.correction.map_choice import blend, ensemble, surprise
from calibration.correction.map_fit import (
    DRAWN,
    MAP,
    MEASURED,
    Candidate,
    Problem,
    Solution,
    evaluate,
    fit,
    light_patches,
    noise_de,
    off_card,
    problem_of,
    white_balance,
    with_light,
)
from calibration.correction.patches import PatchReadings
from calibration.correction.spoiled import beside, shaded_patches, uneven_patches
from calibration.correction.tone_curve import KNOTS, MAP_TERMS, features, tone_basis, undo_tone
from calibration.errors import PhotoUnfit
from calibration.uncertainty.streams import stream

MEMBERS = 96
# Held-out median that is flagged (of a measured card: card_drift.py), and refused, by where the
# card's values come from.
POOR_DE = 7.0
REFUSE_DE = {"nominal": 14.0, "measured": 9.0}
SHADE_RATIO = 1.12  # paper this much brighter than the card's white is better lit
USUAL_PAPER_Y = 0.876  # L* 95
# A patch is left out when its surprise (chi-square, three degrees of freedom, in units of
# what is typical for this card) and its error in Delta E both exceed these.
SPOILED = {"nominal": 14.0, "measured": 40.0}
SPOILED_DE = {"nominal": 6.0, "measured": 3.0}
NEAR_SHINE = 3.0  # patches next to one that shines: the surprise that it takes, divided
LEAST_SPAN_L = 30.0  # L* between the lightest and the darkest patch
LEAST_SHADED = 3  # patches left out for the light that make a shadow across the card
MOST_SPOILED = 0.35  # of all patches; more, and it is the wrong card or no card


@dataclass(frozen=True, eq=False, repr=False)
class Correction:
    """The fitted way from linear RGB to XYZ D50 (Y = 1 for the card's reference white).

    ``tone`` (KNOTS,), ``matrix`` (3, MAP_TERMS) and ``field`` are the fit; ``members``
    (m, PARAMETERS) the ensemble, ``field_members`` (m, SHAPES, 3) that of the paper's light.
    ``held_out_de`` (n,) is the held-out error of each patch, CIEDE2000 (NaN where a patch could
    not be used); ``misfit_de`` (3,) the standard deviation of what the fit leaves, along the axes
    of CIEDE2000's local metric; ``paper_lab_d50`` the colour of the most common light surface
    beside the card, or None.
    """

    tone: np.ndarray
    matrix: np.ndarray
    field: LampField
    members: np.ndarray
    field_members: np.ndarray
    held_out_de: np.ndarray
    misfit_de: np.ndarray
    dropped: tuple[str, ...]
    white_balance_de_median: float
    paper_lab_d50: np.ndarray | None
    nominal: bool
    flags: tuple[fl.Flag, ...]

    @property
    def shaded(self) -> bool:
        """Whether the card lies in other light than the paper beside it."""
        return bool(np.any(self.field.beyond_card_log))

    @property
    def held_out_median(self) -> float:
        return float(np.nanmedian(self.held_out_de))

    @property
    def held_out_max(self) -> float:
        return float(np.nanmax(self.held_out_de))

    def light(self, rgb_linear: np.ndarray, xy_mm: np.ndarray) -> np.ndarray:
        """Photo's linear RGB (..., 3) at places (..., 2) -> even scene light (..., 3)."""
        return undo_tone(rgb_linear, self.tone) / np.exp(self.field.log_gain(xy_mm))

    def light_sd(self, xy_mm: np.ndarray) -> np.ndarray:
        """(n, 2) -> (n,) standard uncertainty of the log light there against that on the card;
        infinite where the field had to be cut short."""
        sd = self._light_moved(xy_mm).mean(axis=-1).std(axis=0)
        return np.where(self.field.is_cut(xy_mm), np.inf, sd)

    def _light_moved(self, xy_mm: np.ndarray) -> np.ndarray:
        """(m, n, 3) each member's log light at places (n, 2) less the best estimate's."""
        moved = self.field.shapes(xy_mm) @ (self.field_members - self.field.coefficients)
        return np.asarray(moved)

    def xyz_d50(self, light: np.ndarray) -> np.ndarray:
        """Even scene light (..., 3) from ``light`` -> XYZ D50 (..., 3)."""
        return features(light) @ self.matrix.T

    def ensemble_xyz_d50(self, rgb_linear: np.ndarray, xy_mm: np.ndarray) -> np.ndarray:
        """XYZ D50 of each member (m, n, 3) for photo RGB (n, 3) at places (n, 2)."""
        bend = np.einsum("nck,mk->mnc", tone_basis(rgb_linear), self.members[:, :KNOTS])
        gain_log = self.field.log_gain(xy_mm) + self._light_moved(xy_mm)
        light = rgb_linear * np.exp(bend - gain_log)
        matrix = self.members[:, MAP].reshape(-1, 3, MAP_TERMS)
        return np.einsum("mnf,mjf->mnj", features(light), matrix)


def correct(
    readings: PatchReadings,
    samples: LightSamples,
    card: CardDefinition,
    profile_matrix: np.ndarray,
    candidates: tuple[Candidate, ...] | None = None,
) -> Correction:
    """Fit the correction to one photo's card.

    ``profile_matrix`` (3, 3) is the photo profile's linear RGB -> XYZ D50, the starting
    point; ``candidates`` the fits to weigh, from stiff to supple, where they are not those for any
    photo of a card as drawn, or of a measured one. Raises ``PhotoUnfit`` when too few patches can
    be read, or no fit can be found.
    """
    _refuse_too_few(readings, card)
    try:
        usual = DRAWN if card.provenance == "nominal" else MEASURED
        made = _correct(readings, samples, card, profile_matrix, candidates or usual)
    except (np.linalg.LinAlgError, ArithmeticError) as problem:
        raise _no_fit() from problem
    if not (np.isfinite(made.members).all() and np.isfinite(made.matrix).all()):
        raise _no_fit()
    return made


def _no_fit() -> PhotoUnfit:
    return PhotoUnfit(
        "no correction of the colours fits this card",
        "what its fields show and what its definition says have nothing to do with each other",
        "name the definition that belongs to this card, and show the whole card in even light",
    )


def _refuse_too_few(readings: PatchReadings, card: CardDefinition) -> None:
    usable = readings.usable
    if usable.sum() < max(6, 0.4 * len(card.patches)):
        raise PhotoUnfit(
            f"only {int(usable.sum())} of {len(card.patches)} colour fields can be read",
            "the rest are burnt out, black or outside the picture: colours cannot be corrected",
            "show the whole card, and tap the white paper so that the photo gets darker",
        )
    values = card.expected_lab_d50[usable]
    if np.ptp(values[:, 0]) < LEAST_SPAN_L:
        raise PhotoUnfit(
            f"the card's fields run from L* {values[:, 0].min():.0f} to "
            f"{values[:, 0].max():.0f} only, by its definition",
            "nothing shows how the camera renders light and dark",
            "name the definition that belongs to this card, and show the whole card",
        )


def _correct(
    readings: PatchReadings,
    samples: LightSamples,
    card: CardDefinition,
    profile_matrix: np.ndarray,
    candidates: tuple[Candidate, ...],
) -> Correction:
    usable = readings.usable
    nominal = card.provenance == "nominal"
    uneven, shines = uneven_patches(readings, card)
    samples = _without_whites(samples, readings.centre_mm[uneven])
    problem = problem_of(readings, card, samples)
    problem = replace(problem, kept=problem.kept * ~uneven[usable])
    samples, problem, start, plain_median = _with_light(
        samples, problem, candidates[-1], profile_matrix
    )
    # What lies on a shadow's edge is uneven, what lies beyond it was left out for the light.
    shaded = (problem.kept == 0) & ~shines[usable]
    if shaded.sum() < LEAST_SHADED:
        shaded[:] = False
    else:
        shaded, shines = problem.kept == 0, np.zeros_like(shines)
    near = beside(shines, card)[usable]
    problem, best = _without_spoiled(problem, start, card.provenance, near, candidates)
    drift: Drift | None = None
    if not nominal:
        noise, miss = noise_de(readings), _held_out_lab(problem, best)
        drift = find_drift(card, usable, miss, noise, problem.rgb, readings.spread[usable])
        problem, best = _without_drifted(problem, best, drift.changed, candidates)
    members = ensemble(problem, best, MEMBERS, stream("colour map"))
    paper = off_card(problem, best.theta)
    field = replace(problem.light, coefficients=paper, own=best.field - paper)
    error = delta_e_2000(problem.lab, problem.lab + _held_out_lab(problem, best))
    outlier = problem.kept == 0
    names = [p.name for p, u in zip(card.patches, usable, strict=True) if u]
    dropped = tuple(n for n, o in zip(names, outlier, strict=True) if o)
    lit = tuple(n for n, s in zip(names, shines[usable], strict=True) if s)
    dark = tuple(n for n, s in zip(names, shaded, strict=True) if s)
    typical = float(np.median(error[~outlier]))
    held_out = np.full(len(usable), np.nan)
    held_out[usable] = np.where(outlier, np.nan, error)
    correction = Correction(
        tone=best.tone,
        matrix=best.matrix,
        field=field,
        members=members,
        field_members=off_card(problem, members),
        held_out_de=held_out,
        misfit_de=_misfit(best),
        dropped=dropped,
        white_balance_de_median=plain_median,
        paper_lab_d50=None,
        nominal=nominal,
        flags=_flags(typical, plain_median, dropped, nominal, len(names), drift, lit, dark),
    )
    return _with_paper(correction, samples, card)


def _misfit(best: Solution) -> np.ndarray:
    """(3,) standard deviation of patches about the fit. A residual times the same held out has the
    errors' variance on average (Allen 1974), however supple the fit."""
    on = best.weight > 0
    both = best.residual[on] * best.held_out[on]
    return np.asarray(np.sqrt(np.maximum(both.mean(axis=0), 0.0)))


def _with_light(
    samples: LightSamples,
    problem: Problem,
    flexible: Candidate,
    profile_matrix: np.ndarray,
) -> tuple[LightSamples, Problem, np.ndarray, float]:
    """Light and white balance settled with a ``flexible`` curve, before all candidates compete;
    patches in a shadow with an edge left out. Also the fit's parameters, and by how much
    patches miss in the middle with white balance alone."""
    white = light_patches(problem.lab)
    tone, start, plain_median = np.zeros(KNOTS), np.zeros(0), 0.0
    for turn in range(3):
        if turn > 0:
            problem = with_light(problem, samples, undo_tone(samples.rgb, tone))
        light = problem.rgb / np.exp(problem.light.log_gain(problem.centre_mm))
        balanced = white_balance(light, problem.lab, profile_matrix, white)
        problem = replace(problem, balanced=balanced)
        if turn == 0:
            start = problem.centre
            miss = evaluate(problem, start)[0]
            plain_median = float(np.median(np.linalg.norm(miss, axis=1)))
        if turn < 2:
            best = fit(problem, flexible, start)
            start, tone = best.theta, best.tone
        if turn == 0:
            samples, problem = _without_shade(samples, problem, best)
    return samples, problem, start, plain_median


def _without_shade(
    samples: LightSamples, problem: Problem, first: Solution
) -> tuple[LightSamples, Problem]:
    """Leave out patches in a shadow with an edge, as samples of the light as well."""
    # Y goes as (L* + 16)^3, and the first entry of the metric's row 0 is 1 / S_L.
    miss_l = first.residual[:, 0] / problem.metric[:, 0, 0]
    gain_log = problem.remainder_log + problem.shapes @ first.field
    log_light = gain_log.mean(axis=1) + 3 * miss_l / (problem.lab[:, 0] + 16)
    shaded = shaded_patches(log_light, problem.centre_mm)
    fewer = _without_whites(samples, problem.centre_mm[shaded])
    if not shaded.any() or shaded.mean() > MOST_SPOILED or not (fewer.surface == 0).any():
        return samples, problem
    return fewer, replace(problem, kept=problem.kept * ~shaded)


def _without_whites(samples: LightSamples, centre_mm: np.ndarray) -> LightSamples:
    """The samples of light without those on patches at the centres (k, 2)."""
    apart = np.linalg.norm(samples.xy_mm[:, None] - centre_mm[None], axis=-1)
    hit = (samples.surface == 0) & (apart < 0.5).any(axis=1)
    return replace(samples, surface=np.where(hit, -1, samples.surface))


def _without_spoiled(
    problem: Problem,
    start: np.ndarray,
    kind: str,
    near: np.ndarray,
    candidates: tuple[Candidate, ...],
) -> tuple[Problem, Solution]:
    """The best candidate's fit to the patches that are not spoiled; of those next to one that
    shines, ``near`` (n,), less is believed."""
    best = blend(problem, [fit(problem, c, start) for c in candidates])
    for _ in range(4):
        length = surprise(problem, best)
        on = problem.kept > 0
        # 2.37 is the median of chi-square with three degrees of freedom.
        usual = SPOILED[kind] * max(1.0, float(np.median(length[on])) / 2.37)
        lit = near & (best.held_out[:, 0] > 0)  # mirrored light only adds
        limit = np.where(lit, usual / NEAR_SHINE, usual)
        far = np.linalg.norm(best.held_out, axis=1) > SPOILED_DE[kind]
        bad = on & far & (length > limit)
        if not bad.any() or (~on | bad).mean() > MOST_SPOILED:
            break
        problem = replace(problem, kept=problem.kept * ~bad)
        best = blend(problem, [fit(problem, c, best.theta) for c in candidates])
    return problem, best


def _without_drifted(
    problem: Problem, best: Solution, changed: np.ndarray, candidates: tuple[Candidate, ...]
) -> tuple[Problem, Solution]:
    """The fit of a measured card again, without the patches that have changed; with them, when
    they are too many to do without."""
    kept = problem.kept * ~changed
    if not changed.any() or (kept == 0).mean() > MOST_SPOILED:
        return problem, best
    problem = replace(problem, kept=kept)
    return problem, blend(problem, [fit(problem, c, best.theta) for c in candidates])


def _held_out_lab(problem: Problem, best: Solution) -> np.ndarray:
    """(n, 3) what a patch is read as when left out of the fit, less its value, in Lab."""
    return np.linalg.solve(problem.metric, best.held_out[..., None])[..., 0]


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
    lit: tuple[str, ...],
    shaded: tuple[str, ...],
) -> tuple[fl.Flag, ...]:
    out = []
    if nominal:
        out.append(fl.NOMINAL_CARD())
    if lit:
        out.append(fl.CARD_GLARE(", ".join(lit)))
    if shaded:
        out.append(fl.CARD_SHADOW(", ".join(shaded)))
    # A drifted patch, one in a shadow or one that shines, is reported as such, once.
    told = (*lit, *shaded, *(drift.changed_names if drift is not None else ()))
    spoilt = [n for n in dropped if n not in told]
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
        out += () if shaded else drift.flags
    elif typical > POOR_DE:
        out.append(fl.POOR_CORRECTION(f"{typical:.1f}"))
    return tuple(out)
