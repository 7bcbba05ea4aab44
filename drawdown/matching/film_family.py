"""How an ink's colour runs with its film: a family of Kubelka-Munk curves through one colour and
the bare paper, and over a black bar where it was read there too, and how a strip's trail agrees
with each.

Films: P. Kubelka, J. Opt. Soc. Am. 38 (1948) 448. Sizes are our own judgement (no source).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.colour.difference import local_metric
from calibration.colour.spaces import xyz_to_lab
from calibration.colour.spectra import WAVELENGTHS_NM
from calibration.uncertainty.gauss_newton import most_probable, whitened
from calibration.uncertainty.kernels import kernel_rows, root_of
from calibration.uncertainty.streams import stream
from drawdown.ink.forward import bare_ground, film_slopes, lab_of_film
from drawdown.ink.prior import logs_of, mix_prior
from drawdown.ink.shelf import InkMix
from drawdown.matching.batch_history import MODEL_SD
from drawdown.reading.budget import CAMERA_SHARE
from drawdown.reading.colour import Colour
from drawdown.reading.over_bar import OverBar

# Names for what may have been changed when no mix was noted.
BASE, COLOUR = "transparent base", "colour"
# The family of inks: scattering of the strip as it lies (S times film), and spectra.
SCATTER = np.geomspace(0.05, 30.0, 14)
SHAPES = 5
KNOWN_SCATTER_SD = 0.8  # of log S when the mix is known: stand-in figures, an unknown film
# Absorption over wavelength: smooth over 40 nm, its logarithm free by 2 (an unknown ink) or
# 1.2 (a noted mix); the level is free either way.
SMOOTH_NM, FREE_SD, KNOWN_SD, LEVEL_SD = 40.0, 2.0, 1.2, 3.0
LOG_K_LIMITS = -14.0, 7.0
CURVE_REACHED_SD = 0.1  # Lab: as near as a film is led to the colour
LOG_FILM = np.linspace(-1.6, 1.6, 65)
OWN_FILM = len(LOG_FILM) // 2  # where a strip's own film stands in it
# With a bar, how far a strip's scattering may lie from the family's, in logs: its level, and over
# wavelength, smooth over so many nm, of an unknown ink and of a noted mix.
SCATTER_LEVEL_SD, SCATTER_NM, SCATTER_FREE_SD, SCATTER_KNOWN_SD = 0.5, 70.0, 0.6, 0.3
# A film over black, beside what theory says of it (Delta E per axis); of what card and camera leave
# open there, the share that is each strip's own, were they alike, and how far apart (Delta E) they
# have little in common. Our own judgement.
BAR_SD, BAR_OWN, BAR_UNLIKE_DE = 0.4, 0.3, 10.0
BAR_SHARE = CAMERA_SHARE["nominal"]  # of a difference over the bar
AT_BAR_SD = 0.15  # log of how much thicker or thinner a strip lies at the bar than in its even part
# A trail's noise in Delta E: as such, and as a share of the way from the strip's colour,
# because thin ink lies unevenly and no film is ideal.
TRAIL_SD, TRAIL_SHARE, TRAIL_POINTS, THINNEST = 0.4, 0.12, 8, 0.5
# A colour map that is a little wrong, as a share of the way; over how much film (log) a curve
# is bent to the trail.
MAP_SHARE, BEND_LOG = 0.15, 0.2


@dataclass(frozen=True, eq=False)
class OverBars:
    """Original and batch where each crosses a black bar: ``on_paper`` (2, 3) Lab of the film
    beside the bar, ``on_bar`` (2, 3) of the same film over it, ``bar`` (3,) bare. ``covariance``
    (12, 12) of their errors, original's then batch's: of ``on_paper`` less the strip's own colour,
    and of ``on_bar`` as such."""

    on_paper: np.ndarray
    on_bar: np.ndarray
    bar: np.ndarray
    covariance: np.ndarray

    @property
    def difference_covariance(self) -> np.ndarray:
        """(3, 3) of batch minus original over the bar."""
        step = np.hstack([np.zeros((3, 3)), -np.eye(3), np.zeros((3, 3)), np.eye(3)])
        return np.asarray(step @ self.covariance @ step.T)


def over_bars(pair: tuple[Colour, Colour], crossings: tuple[OverBar, OverBar]) -> OverBars:
    """Both strips of a pair over a bar. Members that rest on one correction keep what they share;
    what card and camera leave open in dark colours is alike in both but for ``BAR_OWN``."""
    drawn, open_left = [], []
    for number, (colour, there) in enumerate(zip(pair, crossings, strict=True), 1):
        body, paper, bar = (
            c.members(number) for c in (colour, there.ink_on_paper, there.ink_on_bar)
        )
        every = min(map(len, (body, paper, bar)))
        drawn += [paper[:every] - body[:every], bar[:every]]
        open_left.append(np.cov(xyz_to_lab(there.xyz_samples[:, 1]).T) - np.cov(bar.T))
    every = min(map(len, drawn))
    covariance = np.cov(np.hstack([one[:every] for one in drawn]).T)
    labs = np.stack([there.lab_d50[:2] for there in crossings])
    apart = float(np.linalg.norm(local_metric(labs[0, 1]) @ (labs[1, 1] - labs[0, 1])))
    sds = MODEL_SD, float(np.hypot(BAR_SD, BAR_SHARE * apart / np.sqrt(2)))
    for k, (lab, sd) in enumerate(zip(labs.reshape(4, 3), 2 * sds, strict=True)):
        to_lab = sd * np.linalg.inv(local_metric(lab))
        covariance[3 * k : 3 * k + 3, 3 * k : 3 * k + 3] += to_lab @ to_lab.T
    both = (1 - BAR_OWN) * np.exp(-0.5 * (apart / BAR_UNLIKE_DE) ** 2)
    alike = np.kron([[1, both], [both, 1]], np.diag([0, 1]))
    root = root_of(np.mean(open_left, axis=0))
    covariance += np.kron(alike, root @ root.T)
    return OverBars(labs[:, 0], labs[:, 1], crossings[1].bar.lab_d50, covariance)


@dataclass(frozen=True)
class Family:
    """Curves of both strips (2, c, films, 3): Lab at the films exp(LOG_FILM) times the
    strip's own; ``by_amount`` (n, c, 3) how the original's Lab moves with the log amount of
    each ink in ``names`` (n). Where strips cross a bar, 6 for 3: Lab over paper and over it."""

    lab: np.ndarray
    names: tuple[str, ...]
    by_amount: np.ndarray
    log_prior: np.ndarray


def _spectra(mix: InkMix | None) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """What the family's spectra are drawn about, for an ink that nothing is known of or a noted
    mix: mean ln K (31,), rows (r, 31) of its prior, S (c, 31) of each member and what it counts,
    the log prior (c,)."""
    log_s = np.log(SCATTER)
    # Scattering falls or rises a little over wavelength.
    tilt = np.linspace(1, -1, 31) * np.array([0.1, 0.4, -0.2, 0.2, 0.0])[:, None]
    if mix is None:
        sd, log_k, s_shape, log_prior = FREE_SD, np.zeros(31), np.exp(tilt), np.zeros(len(log_s))
    else:
        sd = KNOWN_SD
        log_k, mean_s = np.split(mix_prior(mix).mean, 2)
        level = mean_s.mean()
        s_shape = np.exp(mean_s - level + 0.5 * tilt)
        log_prior = -0.5 * ((log_s - np.clip(level, log_s[0], log_s[-1])) / KNOWN_SCATTER_SD) ** 2
    rows = np.vstack([np.full(31, LEVEL_SD), kernel_rows(WAVELENGTHS_NM, SMOOTH_NM, sd)])
    s = SCATTER[:, None, None] * s_shape  # (14, 5, 31)
    return log_k, rows, s.reshape(-1, 31), np.repeat(log_prior, SHAPES)


def family(
    labs: np.ndarray, ground: np.ndarray, mix: InkMix | None, bars: OverBars | None = None
) -> Family:
    """Films through both colours (2, 3), each scattering with each spectrum; through both over the
    bar as well, where they cross one: that tells how much they scatter."""
    mean, rows, s, log_prior = _spectra(mix)
    shape = stream("spectra of films").standard_normal((SHAPES, len(rows)))
    shape[0] = 0.0
    start = np.tile(shape, (len(SCATTER), 1))
    free = SCATTER_FREE_SD if mix is None else SCATTER_KNOWN_SD
    level = np.full(31, SCATTER_LEVEL_SD)
    s_rows = np.vstack([level, kernel_rows(WAVELENGTHS_NM, SCATTER_NM, free)])
    films = _Films(labs, ground, mean, rows, start, s, s_rows)
    begin = np.zeros((2, *start.shape))
    if bars is None:
        state = most_probable(films.over_paper, begin, longest=1.2, rounds=9, tolerance=0.1)
        k, off = films.k_of(state.mode), -CURVE_REACHED_SD * state.residual
        curve = films.curve(k, s, ground) + off[:, :, None]
        names, by_amount = _by_amount(k[0], s, (ground,), mix)
    else:
        bar = bare_ground(bars.bar)
        more = np.zeros((*begin.shape[:2], len(s_rows) + 1))
        begin = np.concatenate([begin, more], axis=-1)
        state = most_probable(
            lambda z: films.over_both(z, bars, bar), begin, longest=1.2, rounds=9, tolerance=0.1
        )
        k, strong, at_bar = films.parts_of(state.mode)
        on_paper = films.curve(k, strong, ground)
        on_bar = films.curve(k, strong, bar)
        off = labs[:, None] - on_paper[:, :, OWN_FILM]
        there = lab_of_film(k, strong, at_bar[..., None], bar)
        off_bar = bars.on_bar[:, None] - there
        curve = np.concatenate([on_paper + off[:, :, None], on_bar + off_bar[:, :, None]], axis=-1)
        names, by_amount = _by_amount(k[0], strong[0], (ground, bar), mix)
        log_prior = log_prior - 0.5 * (state.residual[..., 3:] ** 2).sum(axis=-1).sum(axis=0)
    # What no such film can reach is far; those that can are laid exactly through the colour.
    far = np.linalg.norm(np.einsum("qij,qcj->qci", local_metric(labs), off), axis=-1).sum(axis=0)
    log_prior = log_prior - 0.5 * (far / 0.5) ** 2
    # Unlikely spectra count for less: how far the fit had to go from its draw.
    log_prior = log_prior - 0.25 * np.mean((state.mode**2).sum(axis=-1), axis=0)
    return Family(curve, names, by_amount, log_prior)


@dataclass(frozen=True, eq=False)
class _Films:
    """Films that are laid through both colours (2, 3) over a ``ground``: their K about ``mean``
    (31,) with ``rows`` (r, 31), from ``start`` (c, r) on; their S (c, 31), which may move by
    ``s_rows`` (q, 31)."""

    labs: np.ndarray
    ground: np.ndarray
    mean: np.ndarray
    rows: np.ndarray
    start: np.ndarray
    s: np.ndarray
    s_rows: np.ndarray

    def k_of(self, z: np.ndarray) -> np.ndarray:
        return np.asarray(np.exp(np.clip(self.mean + (self.start + z) @ self.rows, *LOG_K_LIMITS)))

    def parts_of(self, z: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """K and S (2, c, 31) and the film at the bar (2, c), of unknowns that hold both."""
        of_k, of_s, of_film = np.split(z, [len(self.rows), -1], axis=-1)
        at_bar = np.exp(AT_BAR_SD * of_film[..., 0])
        return self.k_of(of_k), self.s * np.exp(of_s @ self.s_rows), at_bar

    def curve(self, k: np.ndarray, s: np.ndarray, under: np.ndarray) -> np.ndarray:
        """(2, c, films, 3) Lab at all films."""
        film = np.exp(LOG_FILM)[:, None]
        return lab_of_film(k[:, :, None], s[..., None, :], film, under)

    def over_paper(self, z: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        k = self.k_of(z)
        lab, by_k, _, _ = film_slopes(k, self.s, 1.0, self.ground)
        slope = (k[..., None] * by_k).swapaxes(-1, -2) @ self.rows.T  # (2, c, 3, r)
        return (lab - self.labs[:, None]) / CURVE_REACHED_SD, slope / CURVE_REACHED_SD

    def over_both(
        self, z: np.ndarray, bars: OverBars, bar: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """The strip's own colour; the film beside the bar, less that; the same film over it."""
        k, s, at_bar = self.parts_of(z)
        one = np.ones_like(at_bar)
        seen = []
        for film, under in ((one, self.ground), (at_bar, self.ground), (at_bar, bar)):
            lab, by_k, by_s, by_film = film_slopes(k, s, film[..., None], under)
            thicker = AT_BAR_SD * film[..., None] * by_film * (film is at_bar)
            slope = [
                (k[..., None] * by_k).swapaxes(-1, -2) @ self.rows.T,
                (s[..., None] * by_s).swapaxes(-1, -2) @ self.s_rows.T,
                thicker[..., None],
            ]
            seen.append((lab, np.concatenate(slope, axis=-1)))
        own, beside, over = seen
        values = [
            own[0] - self.labs[:, None],
            beside[0] - own[0] - (bars.on_paper - self.labs)[:, None],
            over[0] - bars.on_bar[:, None],
        ]
        slopes = own[1], beside[1] - own[1], over[1]
        noise = np.zeros((2, 1, 9, 9))
        noise[..., :3, :3] = CURVE_REACHED_SD**2 * np.eye(3)
        noise[0, 0, 3:, 3:], noise[1, 0, 3:, 3:] = bars.covariance[:6, :6], bars.covariance[6:, 6:]
        return whitened(np.concatenate(values, axis=-1), np.concatenate(slopes, axis=-2), noise)


def _by_amount(
    k: np.ndarray, s: np.ndarray, grounds: tuple[np.ndarray, ...], mix: InkMix | None
) -> tuple[tuple[str, ...], np.ndarray]:
    """The names of what may have been changed, and how Lab (n, c, 3) of films with K and S
    (c, 31) over each of the grounds in turn moves with the log amount of each."""
    if mix is None:
        names: tuple[str, ...] = (BASE, COLOUR)
        # More base: less of all else. More colour: K alone, as the white (or nothing) scatters.
        more_k, more_s = np.array([[-1.0], [1.0]]), np.array([[-1.0], [0.0]])
    else:
        names = mix.names
        share = mix.parts / mix.parts.sum()
        k_of, s_of = (np.exp([logs_of(ink)[i] for ink in mix.inks]) for i in (0, 1))
        more_k, more_s = (share[:, None] * (v / (share @ v) - 1) for v in (k_of, s_of))
    moved_k, moved_s = more_k[:, None] * k, more_s[:, None] * s  # (n, c, 31)
    over = []
    for ground in grounds:
        _, by_k, by_s, _ = film_slopes(k, s, 1.0, ground)  # (c, 31, 3)
        by_amount = moved_k[..., None, :] @ by_k + moved_s[..., None, :] @ by_s
        over.append(by_amount[..., 0, :])
    return names, np.concatenate(over, axis=-1)


def trail_fit(
    trail: np.ndarray, lab: np.ndarray, paper: np.ndarray, curves: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """How near a trail's colours lie to the curves (c, films, 3), whatever their film is: the log
    likelihood (c,) of each; the curves bent to the trail where it runs; how much of it runs there
    (c, films).
    Slices of like colour count once. A colour map that is a little wrong turns and stretches
    the whole run: such errors grow from the strip's colour on and are alike in all slices."""
    nothing = np.zeros(len(curves)), curves, np.zeros(curves.shape[:2])
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
    return -0.5 * chi2, curves + bend, seen
