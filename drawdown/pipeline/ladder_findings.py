"""What a ladder told of an ink and what it left open. Pure."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.colour.difference import delta_e_2000
from calibration.colour.spaces import lab_to_xyz
from calibration.colour.spectra import WAVELENGTHS_NM
from calibration.uncertainty.intervals import K95, factor_u95, surprise
from calibration.uncertainty.streams import stream
from drawdown.ink.ladder_fit import USES, InUse, LadderFit, strength_sds
from drawdown.ink.prior import ink_rows
from drawdown.ink.shelf import Ink
from drawdown.pipeline.ladder import Readings, Step

# (name, first and last wavelength)
BANDS = (("violet and blue", 400, 490), ("green", 500, 590), ("red", 600, 700))
USE_DRAWS = 400
# An ink's colour in some use is called open beyond this Delta E 2000 (95 %); a quantity when
# its factor (95 %) is larger than that.
OPEN_DE, OPEN_FACTOR = 6.0, 2.0
DARK_Y = 0.06  # an ink this dark on paper hides how it scatters
LIKE_BEFORE = 0.7  # posterior over prior uncertainty: the strips taught next to nothing
SURPRISE = 2.5  # cost per reading beyond which the strips disagree
MISFIT_DE, MISFIT_SDS = 3.0, 2.0


@dataclass(frozen=True)
class Band:
    """K or S ("K", "S") of an ordinary film in one third of the spectrum: the geometric mean,
    the factor that holds 95 % either way, and the same factor before the strips were seen."""

    quantity: str
    name: str
    value: float
    factor95: float
    factor95_before: float | None


@dataclass(frozen=True, eq=False)
class Use:
    """The ink in one use (film 1, on this paper): Lab D50, its half width of the 95 %
    interval, and the CIEDE2000 that the truth is within with 95 % probability."""

    name: str
    lab_d50: np.ndarray
    lab_u95: np.ndarray
    de00_within95: float


@dataclass(frozen=True, eq=False)
class StripFit:
    """One strip: its film against the ordinary one with a 95 % interval, and how far the
    fitted ink is from its readings (CIEDE2000 over paper and over the bar, None where the
    strip does not cross it); ``strain`` the same in standard uncertainties of a reading."""

    step: Step
    film: float
    film_low95: float
    film_high95: float
    de00_paper: float
    de00_bar: float | None
    strain: float

    @property
    def worst_de00(self) -> float:
        return max(self.de00_paper, self.de00_bar or 0.0)


@dataclass(frozen=True, eq=False)
class LadderReport:
    """What the strips left open, None or empty where nothing: ``covering`` the factor (95 %)
    that S is known to and what would settle it ("tint told", "tint", "bar", "thinner over the
    bar"); ``strength`` the factor of K and the strips that would ("white", "base");
    ``least_sure`` the uses whose colour is open, the worst first; ``missing`` the kinds of strip
    that the ladder lacks ("bar", "white", "base", "bare-base", "alone"). And what does not fit:
    whether the strips are ``not_one_ink``, and the ``misfits`` among them."""

    bands: tuple[Band, ...]
    uses: tuple[Use, ...]
    strips: tuple[StripFit, ...]
    covering: tuple[float, str] | None
    strength: tuple[float, tuple[str, ...]] | None
    least_sure: tuple[Use, ...]
    missing: tuple[str, ...]
    not_one_ink: bool
    misfits: tuple[StripFit, ...]


def ink_bands(k, s, root: np.ndarray, before: np.ndarray | None = None) -> tuple[Band, ...]:
    """K and S in ``BANDS`` from the rows (r, 62) of their uncertainty."""
    out = []
    for start, quantity, values in ((0, "K", k), (WAVELENGTHS_NM.size, "S", s)):
        for name, low, high in BANDS:
            on = (low <= WAVELENGTHS_NM) & (high >= WAVELENGTHS_NM)
            at = start + np.flatnonzero(on)
            value = float(np.exp(np.mean(np.log(np.maximum(values[on], 1e-7)))))
            now, then = (
                None if rows is None else _factor(np.linalg.norm(rows[:, at].mean(axis=1)))
                for rows in (root, before)
            )
            out.append(Band(quantity, name, value, now, then))
    return tuple(out)


def _factor(log_sd: float) -> float:
    return float(factor_u95(log_sd))


def ink_uses(ink: Ink, white: Ink, base: Ink, paper_lab, bar_lab=None, root=None):
    """What the ink is like in ``USES``, with its own uncertainty alone."""
    root = ink_rows(ink) if root is None else root
    lab, slopes = InUse(white, base, paper_lab, bar_lab).slopes(ink.k, ink.s)
    rng = stream("ink in use")
    moves = rng.standard_normal((USE_DRAWS, len(root))) @ root
    draws = lab + np.einsum("ucw,dw->duc", slopes, moves)
    draws[..., 0] = np.clip(draws[..., 0], 0, 100)
    far = np.quantile(delta_e_2000(np.broadcast_to(lab, draws.shape), draws), 0.95, axis=0)
    u95 = K95 * np.linalg.norm(np.einsum("ucw,rw->ucr", slopes, root), axis=-1)
    return tuple(Use(name, lab[i], u95[i], float(far[i])) for i, (name, *_) in enumerate(USES))


def ladder_report(
    fit: LadderFit,
    ink: Ink,
    readings: Readings,
    white: Ink,
    base: Ink,
) -> LadderReport:
    """The report on a fit to ``readings``; ``ink`` is the fitted ink."""
    rungs, steps = readings.rungs, readings.steps
    paper_lab, bar_lab = readings.paper_lab, readings.bar_lab
    bands = ink_bands(fit.k, fit.s, fit.root, fit.prior_root)
    use = ink_uses(ink, white, base, paper_lab, bar_lab, fit.root)
    measured = np.array([r.lab_d50 for r in rungs])
    off = delta_e_2000(measured, fit.lab_model)
    strain = _strain(measured - fit.lab_model, readings.covariance)
    strips = []
    for step in steps:
        at = fit.strips.index(step.number)
        spread = _factor(fit.film_log_sd[at])
        by_ground = {
            r.ground: float(d) for r, d in zip(rungs, off, strict=True) if r.strip == step.number
        }
        strips.append(
            StripFit(
                step, float(fit.film[at]), float(fit.film[at] / spread),
                float(fit.film[at] * spread), by_ground["paper"], by_ground.get("bar"),
                max(v for r, v in zip(rungs, strain, strict=True) if r.strip == step.number),
            )
        )  # fmt: skip
    mixed = {s.what for s in steps}
    over_bar = any(r.ground == "bar" and r.parts[0] > 0.5 for r in rungs)
    alone = [r.lab_d50 for r in rungs if r.parts[0] == 1 and r.ground == "paper"]
    dark = bool(alone) and float(np.min(lab_to_xyz(np.array(alone))[:, 1])) < DARK_Y
    there = {
        "bar": over_bar,
        "white": "white" in mixed or ink.kind == "white",
        "base": "base" in mixed or ink.kind == "base",
        "bare-base": "bare-base" in mixed or ink.kind != "colour",
        "alone": bool(alone),
    }
    k_sd, _ = strength_sds(fit.k, fit.s, fit.root)
    k_factor = _factor(k_sd)
    worst_first = sorted(use, key=lambda u: -u.de00_within95)
    need = tuple(w for w in ("white", "base") if not there[w])
    return LadderReport(
        bands,
        use,
        tuple(strips),
        _covering(fit, dark, over_bar, "white" in mixed),
        (k_factor, need) if k_factor > OPEN_FACTOR else None,
        tuple(u for u in worst_first if u.de00_within95 > OPEN_DE)[:3],
        tuple(kind for kind, seen in there.items() if not seen),
        fit.surprise / fit.readings > SURPRISE,
        tuple(s for s in strips if s.worst_de00 > MISFIT_DE and s.strain > MISFIT_SDS),
    )


def _covering(fit: LadderFit, dark: bool, over_bar: bool, tinted: bool) -> tuple[float, str] | None:
    _, s_sd = strength_sds(fit.k, fit.s, fit.root)
    _, s_before = strength_sds(fit.k, fit.s, fit.prior_root)
    factor = _factor(s_sd)
    if s_sd <= LIKE_BEFORE * s_before and factor <= OPEN_FACTOR:
        return None
    if dark:
        return factor, "tint told" if tinted else "tint"
    return factor, "thinner over the bar" if over_bar else "bar"


def _strain(miss: np.ndarray, covariance: np.ndarray) -> list[float]:
    """Misses (n, 3) in root mean square standard uncertainties of each reading alone."""
    at = np.arange(len(miss))
    own = covariance.reshape(len(miss), 3, len(miss), 3)[at, :, at]
    return np.sqrt(surprise(miss, own) / 3).tolist()
