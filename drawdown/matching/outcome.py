"""What an addition should come to: colour, distance, their spread, and other lamps."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from calibration.colour.difference import delta_e_2000
from calibration.colour.illuminants import UnderLamp, under_lamps
from calibration.uncertainty.intervals import K95, half_width, quantiles, shortest_interval
from drawdown.ink.forward import spectrum_of_film
from drawdown.matching.batch_history import Reading
from drawdown.matching.batch_model import Fit


@dataclass(frozen=True, eq=False)
class Outcome:
    """``lab`` (3,) the batch afterwards, pulled as thick as the original; ``u95`` (3,) the
    half width of the central 95 % of the model's samples; ``de00`` the distance then, and
    ``de00_high95`` what 95 % of the samples stay below; ``de00_equal_film`` the probable
    distance now if both films were alike."""

    lab: np.ndarray
    u95: np.ndarray
    de00: float
    de00_high95: float
    de00_equal_film: float


def predict(model: Fit, data: Reading, added: np.ndarray) -> Outcome:
    """What the batch with ``added`` (n,) should come to, from the measured batch and the
    model's change; the spread from the samples."""
    labs = model.lab_with(np.stack([added, 0 * added]))  # (r, 2, 3)
    # What the model leaves of the difference, laid off from the original as it was measured.
    after, equal_film = (data.lab_original - (model.target - labs[:, i]) for i in (0, 1))
    lab = after[0] if added.any() else data.lab_batch
    others, weight = slice(model.heads, None), model.weight[model.heads :]
    everything = np.vstack([lab, equal_film[0], after[others]])
    de00 = delta_e_2000(np.broadcast_to(data.lab_original, everything.shape), everything)
    if not added.any():  # no model is needed for what was measured
        u95 = K95 * np.sqrt(np.diag(data.covariance)[3:])
        return Outcome(lab, u95, float(de00[0]), high_now(data), float(de00[1]))
    u95 = np.array([half_width(after[others, i], weight) for i in range(3)])
    high = max(float(quantiles(de00[2:], 0.95, weight)), float(de00[0]))
    return Outcome(lab, u95, float(de00[0]), high, float(de00[1]))


def interval(model: Fit, data: Reading, added: np.ndarray) -> tuple[float, float]:
    """The shortest interval that holds 95 % of the samples of the distance at equal film once
    ``added`` is in. (Distances are skewed, near nothing most of all.)"""
    left = (model.target - model.lab_with(added[None])[:, 0])[model.heads :]
    de00 = delta_e_2000(np.broadcast_to(data.lab_original, left.shape), data.lab_original - left)
    weight = model.weight[model.heads :]
    return shortest_interval(de00, weight)


def other_lamps(
    model: Fit, added: np.ndarray, more: Mapping[str, np.ndarray] = MappingProxyType({})
) -> tuple[UnderLamp, ...]:
    """The distance between original and the batch with ``added`` under other lamps, ``more`` of
    them by name with their weights."""
    rows = np.r_[0, model.heads : len(model.weight)]
    k, s, film = model.k[rows], model.s[rows], model.film_original[rows, None]
    parts = model.batch_parts[rows] + added
    parts = parts / parts.sum(axis=-1, keepdims=True)
    one, two = (
        spectrum_of_film((share[:, None] @ k)[:, 0], (share[:, None] @ s)[:, 0], film, model.ground)
        for share in (model.original_parts[rows], parts)
    )
    left = (model.target - model.lab_with(added[None])[:, 0])[rows]
    return under_lamps(one, two, model.weight[model.heads :], left, more)


def high_now(data: Reading) -> float:
    """Upper 95 % of the distance as measured, from the difference's covariance."""
    root = np.linalg.cholesky(data.difference_covariance)
    draws = data.lab_batch + np.random.default_rng(7).standard_normal((400, 3)) @ root.T
    return float(
        np.quantile(delta_e_2000(np.broadcast_to(data.lab_original, (400, 3)), draws), 0.95)
    )
