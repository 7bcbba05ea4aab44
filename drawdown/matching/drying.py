"""From wet to dry: what drying does to a colour, learned from pairs of readings, and the dry
colour of a wet strip for a comparison with a dry one. The theory is in README.md.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from calibration.colour.difference import delta_e_2000, local_metric
from calibration.colour.spaces import WHITE_D50, lab_to_xyz, xyz_to_lab
from calibration.uncertainty.gauss_newton import Normal, most_probable
from calibration.uncertainty.intervals import K95
from calibration.uncertainty.streams import stream
from drawdown import flags as fl
from drawdown.reading.colour import Colour, StripReading

# Before anything is learned: standard deviations of the log of the power, of the surface's
# light (1 is white), and of what the two cannot follow, in Delta E per axis.
PRIOR_SD = np.array([0.10, 0.006])
PRIOR_LEFT = 0.7
# How many pairs that knowledge counts for: of the scatter, and of the mean (no change).
SCATTER_WEIGHT, MEAN_WEIGHT = 2.0, 0.3
# One pair: how well its two numbers follow the two colours, and how far they may go.
READING_SD, WIDEST = 0.7, 30.0
MOST_SHIFT_DE = 25.0
# How far from what drying may do, in standard deviations, two strips are taken for two inks: our
# own judgement.
UNUSUAL_AT_MOST = 5.0


@dataclass(frozen=True)
class DryingPair:
    """One strip read wet and read dry again: Lab D50/2 (3,) each."""

    lab_wet: np.ndarray
    lab_dry: np.ndarray

    @property
    def de00(self) -> float:
        """How far the colour went."""
        return float(delta_e_2000(self.lab_wet, self.lab_dry))

    def is_like(self, other: DryingPair) -> bool:
        """Whether both are the same reading, to what a file keeps of it."""
        return bool(
            np.allclose(self.lab_wet, other.lab_wet, atol=2e-3)
            and np.allclose(self.lab_dry, other.lab_dry, atol=2e-3)
        )


@dataclass(frozen=True)
class Drying:
    """What ``count`` pairs say of the next strip: ``mean`` (2,) and ``sd`` (2,) of log power
    and surface light, ``left_sd`` what they leave open in Delta E per axis. All three are
    predictive: they hold for a strip that was not among the pairs."""

    mean: np.ndarray
    sd: np.ndarray
    left_sd: float
    count: int


def dried(lab_wet: np.ndarray, numbers: np.ndarray) -> np.ndarray:
    """Lab (..., 3) of a wet colour once dry, for log power and surface light (..., 2)."""
    share = np.maximum(lab_to_xyz(lab_wet) / WHITE_D50, 1e-5)
    dry = share ** np.exp(numbers[..., :1]) + numbers[..., 1:] * (1 - share)
    return xyz_to_lab(np.maximum(dry, 1e-6) * WHITE_D50)


def fit_pair(pair: DryingPair) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """What one pair says: its numbers (2,), how firmly (2, 2) information, and what they leave
    over (3,) in the CIEDE2000 metric. Least squares by Gauss-Newton, barely held back where the
    colours say nothing: a pale colour hardly shows the surface's light."""
    m = local_metric(pair.lab_dry) / READING_SD

    def model(z: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        numbers, step = z * PRIOR_SD, 1e-3 * np.diag(PRIOR_SD)
        here = dried(pair.lab_wet, numbers)
        slope = (dried(pair.lab_wet, numbers + step) - here).T / 1e-3
        return m @ (here - pair.lab_dry), m @ slope

    prior = Normal.of_sds(np.full(2, WIDEST))
    found = most_probable(model, np.zeros(2), prior=prior, longest=3.0)
    slope = found.jacobian / PRIOR_SD
    return found.mode * PRIOR_SD, slope.T @ slope, -READING_SD * found.residual


def can_be_one_ink(pair: DryingPair) -> bool:
    """Whether drying alone may have led from the one colour to the other: how far the dry colour
    lies from what may become of the wet one, before anything was learned of it."""
    m = local_metric(pair.lab_dry)
    wet, step = dried(pair.lab_wet, np.zeros(2)), 1e-3 * np.diag(PRIOR_SD)
    may = m @ (dried(pair.lab_wet, step) - wet).T / 1e-3
    covariance = may @ may.T + (PRIOR_LEFT**2 + READING_SD**2) * np.eye(3)
    off = m @ (pair.lab_dry - wet)
    distance = float(np.sqrt(off @ np.linalg.solve(covariance, off)))
    return pair.de00 <= MOST_SHIFT_DE and distance <= UNUSUAL_AT_MOST


def learn(pairs: Sequence[DryingPair]) -> Drying:
    """Mean and scatter of what the pairs say, each as firmly as it says it, with what was
    thought before (expectation and maximisation for a normal scatter of normal readings;
    Dempster, Laird, Rubin 1977, from memory). One pair shifts the mean and leaves the scatter
    wide; no pair is no shift, as uncertain as any."""
    if not pairs:
        return Drying(np.zeros(2), PRIOR_SD.copy(), PRIOR_LEFT, 0)
    numbers, information, left = map(np.array, zip(*map(fit_pair, pairs), strict=True))
    n = len(pairs)
    mean, scatter = np.zeros(2), PRIOR_SD**2
    for _ in range(60):
        spread = np.linalg.inv(information + np.diag(1 / scatter))
        each = np.einsum(
            "nij,nj->ni",
            spread,
            np.einsum("nij,nj->ni", information, numbers) + mean / scatter,
        )
        mean = each.sum(axis=0) / (n + MEAN_WEIGHT)
        squares = ((each - mean) ** 2 + np.einsum("nii->ni", spread)).sum(axis=0)
        squares += SCATTER_WEIGHT * PRIOR_SD**2 + MEAN_WEIGHT * mean**2
        scatter = squares / (SCATTER_WEIGHT + n)
    # How well the mean is known: each pair's reading and the scatter together.
    t = np.diag(scatter)
    told = (information @ np.linalg.inv(np.eye(2) + t @ information)).sum(axis=0)
    mean_var = np.diag(np.linalg.inv(told + np.diag(MEAN_WEIGHT / scatter)))
    left_var = (SCATTER_WEIGHT * PRIOR_LEFT**2 + (left**2).sum() / 3) / (SCATTER_WEIGHT + n)
    return Drying(mean, np.sqrt(scatter + mean_var), float(np.sqrt(left_var)), n)


def predict(
    lab_wet: np.ndarray, samples_wet: np.ndarray, drying: Drying
) -> tuple[np.ndarray, np.ndarray]:
    """The dry colour (3,) of a wet one, and its ensemble (m, 3): the same members as before,
    each with a possible drying of its own."""
    rng = stream("drying of a strip")
    count = len(samples_wet)
    numbers = drying.mean + drying.sd * rng.standard_normal((count, 2))
    lab = dried(lab_wet, drying.mean)
    rest = drying.left_sd * rng.standard_normal((count, 3))
    samples = dried(samples_wet, numbers) + rest @ np.linalg.inv(local_metric(lab)).T
    return lab, samples


DRY, WET = "dry", "wet"


@dataclass(frozen=True, eq=False)
class Settled:
    """Both colours as they are to be compared, and what is to be said of it. ``guessed``:
    wet is compared with dry and nothing was ever learned of it here."""

    original: Colour
    batch: Colour
    flags: tuple[fl.Flag, ...] = ()
    guessed: bool = False


def settle(original: Colour, batch: Colour, drying: Drying) -> Settled:
    """When one is wet and the other dry, put the dry colour that is expected of the wet one in
    its place, as uncertain as that is. Two wet ones are compared as they are."""
    if WET not in (original.state, batch.state) or original.state == batch.state:
        return Settled(original, batch)
    role = "original" if original.state == WET else "batch"
    dry = as_dry(original if role == "original" else batch, drying)
    pair = (dry, batch) if role == "original" else (original, dry)
    if not drying.count:
        return Settled(*pair, (fl.WET_WITH_DRY(fl.STILL_WET, role=role),), guessed=True)
    lab = dict(zip("lab", map(float, dry.lab_d50), strict=True))
    words = fl.FROM_ONE_PAIR if drying.count == 1 else fl.FROM_PAIRS
    return Settled(*pair, (fl.DRY_EXPECTED(words, role=role, pairs=drying.count, **lab),))


def as_dry(wet: Colour, drying: Drying) -> Colour:
    """The colour as it should look once dry."""
    members = wet.members()
    lab, samples = predict(wet.lab_d50, members, drying)
    more = np.maximum(samples.var(axis=0) - members.var(axis=0), 0.0)
    dry = replace(
        wet,
        lab_d50=lab,
        lab_samples=samples,
        lab_u95=np.sqrt(wet.widest_u95**2 + K95**2 * more),
        state=DRY,
    )
    if isinstance(dry, StripReading):
        return replace(dry, trail_lab_d50=dried(dry.trail_lab_d50, drying.mean))
    return dry
