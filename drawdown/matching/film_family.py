"""How an ink's colour runs with its film: a family of Kubelka-Munk curves through one colour and
the bare paper, and how a strip's trail agrees with each.

Films: P. Kubelka, J. Opt. Soc. Am. 38 (1948) 448. Sizes are our own judgement (no source).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from calibration.colour.difference import local_metric
from calibration.colour.spectra import WAVELENGTHS_NM
from drawdown.ink.forward import lab_of_film, lab_slopes

if TYPE_CHECKING:
    from drawdown.ink.shelf import Shelf

# Names for what may have been changed when no mix was noted.
BASE, COLOUR = "transparent base", "colour"
# The family of inks: scattering of the strip as it lies (S times film), and spectra.
SCATTER = np.geomspace(0.05, 30.0, 14)
SHAPES = 5
KNOWN_SCATTER_SD = 0.8  # of log S when the mix is known: stand-in figures, an unknown film
# Absorption over wavelength: smooth over 40 nm, its logarithm free by 2 (an unknown ink) or
# 1.2 (a noted mix); the level is free either way.
SMOOTH_NM, FREE_SD, KNOWN_SD, LEVEL_SD = 40.0, 2.0, 1.2, 3.0
LOG_FILM = np.linspace(-1.3, 1.3, 53)
# A trail's noise in Delta E: as such, and as a share of the way from the strip's colour,
# because thin ink lies unevenly and no film is ideal.
TRAIL_SD, TRAIL_SHARE, TRAIL_POINTS, THINNEST = 0.4, 0.12, 8, 0.5
# A colour map that is a little wrong, as a share of the way; over how much film (log) a curve
# is bent to the trail.
MAP_SHARE, BEND_LOG = 0.15, 0.2


@dataclass(frozen=True)
class Mix:
    """The noted mix: names (n), parts (n), K and S (n, 31) of an ordinary film."""

    names: tuple[str, ...]
    parts: np.ndarray
    k: np.ndarray
    s: np.ndarray


def figures_of(mix: dict[str, float] | None, shelf: Shelf) -> Mix | None:
    """The noted mix (names -> parts) with the shelf's figures of its inks."""
    if mix is None:
        return None
    inks = [shelf.find(name) for name in mix]
    return Mix(
        tuple(ink.name for ink in inks),
        np.array(list(mix.values()), dtype=float),
        np.array([ink.k for ink in inks]),
        np.array([ink.s for ink in inks]),
    )


@dataclass(frozen=True)
class Family:
    """Curves of both strips (2, c, films, 3): Lab at the films exp(LOG_FILM) times the
    strip's own; ``by_amount`` (n, c, 3) how the original's Lab moves with the log amount of
    each ink in ``names`` (n)."""

    lab: np.ndarray
    names: tuple[str, ...]
    by_amount: np.ndarray
    log_prior: np.ndarray


def _kernel(sd: float) -> np.ndarray:
    """(31, 31) root of the prior covariance of log K over wavelength."""
    step = (WAVELENGTHS_NM[:, None] - WAVELENGTHS_NM[None]) / SMOOTH_NM
    cov = sd**2 * np.exp(-0.5 * step**2) + LEVEL_SD**2 + 1e-6 * np.eye(len(WAVELENGTHS_NM))
    return np.linalg.cholesky(cov)


def family(labs: np.ndarray, ground: np.ndarray, mix: Mix | None) -> Family:
    """Films through both colours (2, 3), each scattering with each spectrum."""
    rng = np.random.default_rng(11)
    count = len(SCATTER) * SHAPES
    log_s = np.repeat(np.log(SCATTER), SHAPES)
    shape = rng.standard_normal((SHAPES, 31))
    shape[0] = 0.0
    # Scattering falls or rises a little over wavelength.
    tilt = np.linspace(1, -1, 31) * np.array([0.1, 0.4, -0.2, 0.2, 0.0])[:, None]
    log_prior = np.zeros(count)
    mean_k, root = np.zeros(31), _kernel(FREE_SD)
    s_shape = np.exp(tilt)
    if mix is not None:
        share = mix.parts / mix.parts.sum()
        k_mix, s_mix = (np.maximum(share @ v, 1e-6) for v in (mix.k, mix.s))
        level = float(np.log(s_mix).mean())
        near = np.clip(level, np.log(SCATTER[0]), np.log(SCATTER[-1]))
        log_prior = -0.5 * ((log_s - near) / KNOWN_SCATTER_SD) ** 2
        mean_k, root = np.log(k_mix), _kernel(KNOWN_SD)
        s_shape = s_mix / np.exp(level) * np.exp(0.5 * tilt)
    s = np.exp(log_s)[:, None] * np.tile(s_shape, (len(SCATTER), 1))
    start = np.tile(shape, (len(SCATTER), 1))
    target = labs[:, None]  # (2, 1, 3)
    z = np.zeros((2, count, 31)) + start
    noise = 0.01 * np.eye(3)
    for _ in range(9):
        k = np.exp(np.clip(mean_k + z @ root.T, -14, 7))
        lab, by_k, _, _ = lab_slopes(k, s, 1.0, ground)
        slope = (k[..., None] * by_k).swapaxes(-1, -2) @ root  # (2, c, 3, 31)
        miss = target - lab + (slope @ (z - start)[..., None])[..., 0]
        across = slope.swapaxes(-1, -2)
        lift = across @ np.linalg.solve(slope @ across + noise, miss[..., None])
        step = start + lift[..., 0] - z
        reach = np.abs(step).max(axis=-1, keepdims=True)
        z = z + step * np.minimum(1, 1.2 / np.maximum(reach, 1e-9))
    k = np.exp(np.clip(mean_k + z @ root.T, -14, 7))
    films = np.exp(LOG_FILM)[:, None]
    curve = lab_of_film(k[:, :, None], s[:, None], films, ground)  # (2, c, films, 3)
    own = lab_of_film(k, s, 1.0, ground)
    off = target - own
    # What no such film can reach is far; those that can are laid exactly through the colour.
    far = np.linalg.norm(np.einsum("qij,qcj->qci", local_metric(labs), off), axis=-1).sum(axis=0)
    log_prior = log_prior - 0.5 * (far / 0.5) ** 2
    # Unlikely spectra count for less: how far the fit had to go from its draw.
    log_prior = log_prior - 0.25 * np.mean(((z - start) ** 2).sum(axis=-1), axis=0)
    if mix is None:
        names = (BASE, COLOUR)
        # More base: less of all else. More colour: K alone, as the white (or nothing) scatters.
        by_k, by_s = np.array([[-1.0], [1.0]]), np.array([[-1.0], [0.0]])
    else:
        names = mix.names
        by_k = share[:, None] * (mix.k / k_mix - 1)
        by_s = share[:, None] * (mix.s / s_mix - 1)
    step = 0.03
    more = lab_of_film(k[0] * np.exp(step * by_k[:, None]), s * np.exp(step * by_s[:, None]),
                       1.0, ground)  # fmt: skip
    return Family(curve + off[:, :, None], names, (more - own[0]) / step, log_prior)


@dataclass(frozen=True)
class TrailFit:
    """How a trail agrees with each curve: log likelihood (c,); the curves (c, films, 3) bent
    to the trail where it runs; how much of it runs there, ``seen`` (c, films)."""

    log_likelihood: np.ndarray
    lab: np.ndarray
    seen: np.ndarray


def trail_fit(trail, lab, paper, curves: np.ndarray) -> TrailFit:
    """How near a trail's colours lie to the curves (c, films, 3), whatever their film is.
    Slices of like colour count once. A colour map that is a little wrong turns and stretches
    the whole run: such errors grow from the strip's colour on and are alike in all slices."""
    nothing = TrailFit(np.zeros(len(curves)), curves, np.zeros(curves.shape[:2]))
    trail = np.asarray(trail, float).reshape(-1, 3)
    trail = trail[np.isfinite(trail).all(axis=1)]
    to_paper = paper - lab
    size = float(to_paper @ to_paper)
    if len(trail) < 2 or size < 1:
        return nothing
    depth = 1 - (trail - lab) @ to_paper / size  # 1 at the strip's colour, 0 at bare paper
    trail, depth = trail[depth > THINNEST], depth[depth > THINNEST]
    if len(trail) < 2:
        return nothing
    edges = np.linspace(depth.min(), depth.max() + 1e-9, TRAIL_POINTS + 1)
    slot = np.searchsorted(edges, depth, side="right") - 1
    points = np.array([trail[slot == i].mean(axis=0) for i in np.unique(slot)])
    m = local_metric(points)  # (p, 3, 3)
    from_body = np.linalg.norm(np.einsum("pij,pj->pi", m, points - lab), axis=-1)
    towards = np.where((points - lab) @ to_paper > 0, from_body, -from_body)
    # The nearest place on the curve, between its points.
    a, b = curves[:, :-1], curves[:, 1:]
    turned = m.swapaxes(-1, -2)
    step = (b - a)[:, None] @ turned
    gap = (points[:, None] - a[:, None]) @ turned
    t = np.clip((step * gap).sum(-1) / np.maximum((step**2).sum(-1), 1e-12), 0, 1)
    away = gap - t[..., None] * step  # (c, p, f, 3)
    nearest = (away**2).sum(-1).argmin(axis=-1)[..., None]
    away = np.take_along_axis(away, nearest[..., None], axis=2)[:, :, 0]
    share = np.take_along_axis(t, nearest, axis=2)[..., 0]
    var = TRAIL_SD**2 + (TRAIL_SHARE * from_body) ** 2
    common = (away * (towards / var)[:, None]).sum(axis=1)  # (c, 3)
    room = 1 / MAP_SHARE**2 + (towards**2 / var).sum()
    chi2 = (away**2 / var[:, None]).sum(axis=(1, 2)) - (common**2).sum(axis=-1) / room
    # Bend the curve to where the ink was seen.
    off = np.einsum("pij,cpj->cpi", np.linalg.inv(m), away)
    place = LOG_FILM[0] + (LOG_FILM[1] - LOG_FILM[0]) * (nearest[..., 0] + share)
    near = np.exp(-0.5 * ((LOG_FILM - place[..., None]) / BEND_LOG) ** 2)  # (c, p, films)
    seen = near.sum(axis=1)
    bend = near.swapaxes(-1, -2) @ off / (seen + 0.2)[..., None]
    bend *= 1 - np.exp(-0.5 * (LOG_FILM / (0.3 * BEND_LOG)) ** 2)[:, None]
    return TrailFit(-0.5 * chi2, curves + bend, seen)
