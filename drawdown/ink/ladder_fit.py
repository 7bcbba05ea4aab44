"""Fit an ink's K and S to the strips of its ladder, all of them at once.

Known are the colours of a few strips, what went into each, and the bare grounds. Unknown are
the ink's ln K and ln S, how far the white and base it was thinned with are off their figures,
the film of each strip, the weighing of each mixture, and how the ink wets the paper. Pure:
arrays in, frozen records out.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from calibration.colour.difference import cie94_metric
from calibration.uncertainty.gauss_newton import State, most_probable
from calibration.uncertainty.kernels import rows_of
from drawdown.ink.forward import bare_ground, film_slopes, lab_of_film, paper_ground
from drawdown.ink.ladder_model import K_L, LADDER_FILM_SD, GroundSpectra, Ladder, Rung
from drawdown.ink.prior import HALF, InkPrior, with_detail
from drawdown.ink.shelf import Ink

ROUNDS = 30
# How much more a fit to spectra leaves open than it reckons: a mixture of real paint departs from
# the physics otherwise than its masstone and its tint (tests/benchmarks/real_paint.py).
BY_SPECTRA_WIDER = 1.5
KEPT_DOUBTS = 16
# Chroma counts less in what is compared here; one scaling for all is enough.
IN_USE_SCALE = np.array([1.0, 0.6, 0.6])

BLACK_LAB = (15.0, 0.0, 0.0)  # a printed bar, when none was read

# (name, share of the ink, share of white, share of base, over the bar)
USES = (
    ("alone on paper", 1.0, 0.0, 0.0, False),
    ("alone over black", 1.0, 0.0, 0.0, True),
    ("3 % in white", 0.03, 0.97, 0.0, False),
    ("10 % in white", 0.10, 0.90, 0.0, False),
    ("40 % in white", 0.40, 0.60, 0.0, False),
    ("20 % in base", 0.20, 0.0, 0.80, False),
    ("20 % in base over black", 0.20, 0.0, 0.80, True),
    ("5 % in base", 0.05, 0.0, 0.95, False),
)
_SHARE = np.array([use[1:4] for use in USES])
_ON_BAR = np.array([use[4] for use in USES])


@dataclass(frozen=True, eq=False)
class LadderFit:
    """The fitted ink: ``k``, ``s`` (31,) per ordinary film; ``root`` (r, 62) the rows of its
    uncertainty in ln K and ln S (``root.T @ root`` is the covariance), ``prior_root`` the
    same before the strips were seen. Per rung ``lab_model`` (n, 3); per strip (in order of
    first appearance, ``strips``) ``film`` and the standard uncertainty ``film_log_sd`` of its
    logarithm. ``surprise`` is the squared size of what the fit had to explain, to be
    compared with ``readings``, the number of values read."""

    k: np.ndarray
    s: np.ndarray
    root: np.ndarray
    prior_root: np.ndarray
    lab_model: np.ndarray
    strips: tuple[int, ...]
    film: np.ndarray
    film_log_sd: np.ndarray
    surprise: float
    readings: int


class InUse:
    """An ink's mixtures with one white and base, at film 1 on one paper and bar."""

    def __init__(
        self, white: Ink, base: Ink, paper_lab: ArrayLike | None, bar_lab: ArrayLike | None = None
    ) -> None:
        self.rest = [_SHARE[:, 1:] @ np.array(of) for of in ((white.k, base.k), (white.s, base.s))]
        bar = bare_ground(BLACK_LAB if bar_lab is None else bar_lab)
        self.grounds = np.where(_ON_BAR[:, None], bar, paper_ground(paper_lab))

    def _mixed(self, k: np.ndarray, s: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        return _SHARE[:, :1] * k + self.rest[0], _SHARE[:, :1] * s + self.rest[1]

    def labs(self, k: np.ndarray, s: np.ndarray) -> np.ndarray:
        """Lab (u, 3) of an ink with K and S (31,) in ``USES``."""
        return lab_of_film(*self._mixed(k, s), 1.0, self.grounds)

    def slopes(self, k: np.ndarray, s: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """The same, and its slopes (u, 3, 62) by ln K, ln S."""
        lab, by_k, by_s, _ = film_slopes(*self._mixed(k, s), 1.0, self.grounds)
        by_log = np.concatenate([k[:, None] * by_k, s[:, None] * by_s], axis=1)
        return lab, (_SHARE[:, :1, None] * by_log).transpose(0, 2, 1)


def ordered_doubt(root: np.ndarray, slopes: np.ndarray, lab: np.ndarray, most: int) -> np.ndarray:
    """The rows of an uncertainty (r, 62), turned so that the first do most to the colours in
    use (``lab`` (u, 3), ``slopes`` (u, 3, 62)); at most ``most``, what does next to nothing
    left out. The covariance of what is kept is unchanged."""
    effect = (cie94_metric(lab, K_L) @ slopes).reshape(-1, slopes.shape[-1])
    turn, size, _ = np.linalg.svd(root @ effect.T)
    keep = min(most, int((size > 0.01 * size.max()).sum()), len(size))
    turned: np.ndarray = turn.T @ root
    return turned[: max(1, keep)]


def fit_ladder(
    rungs: Sequence[Rung],
    covariance: np.ndarray,
    prior: InkPrior,
    white: Ink,
    base: Ink,
    paper_lab: np.ndarray,
    bar_lab: np.ndarray | None = None,
    film_sd: float = LADDER_FILM_SD,
    bare: GroundSpectra | None = None,
) -> LadderFit:
    """Fit the ink to its ladder.

    ``covariance`` (3n, 3n) is of the rungs' Lab, rung by rung; ``white`` and ``base`` what
    the ink was mixed with; ``paper_lab`` and ``bar_lab`` (3,) the bare grounds, whose
    spectra ``bare`` holds: then the ink is fitted by wavelength to the rungs' spectra, as sure
    at each as in L*, and not to their Lab. Raises ``ValueError`` when no rung holds the ink, one
    lies on a bar of unknown colour, or one has no spectrum beside ``bare``.
    """
    if not any(r.parts[0] > 0 for r in rungs):
        raise ValueError("no rung holds the ink itself")
    if bar_lab is None and any(r.ground == "bar" for r in rungs):
        raise ValueError("the bar's own colour is needed for a rung over the bar")
    if bare is not None:
        if any(r.spectrum is None for r in rungs):
            raise ValueError("a rung has no spectrum")
        prior = with_detail(prior)
    ladder = Ladder(rungs, paper_lab, bar_lab, prior, white, base, film_sd, bare)
    model = ladder.against(covariance)

    def descend(z: np.ndarray, rounds: int) -> State:
        return most_probable(model, z, longest=2.5, rounds=rounds)

    begin = [np.zeros(ladder.size)]
    gram = prior.rows @ prior.rows.T
    for start in prior.starts:
        z = np.zeros(ladder.size)
        z[: len(gram)] = np.linalg.solve(
            gram + 0.05 * np.eye(len(gram)), prior.rows @ (start - prior.mean)
        )
        begin.append(z)
    if len(begin) > 1:  # a few steps from everywhere, then on from the three best
        quick = sorted((descend(z, 8) for z in begin), key=lambda state: float(state.surprise))
        begin = [state.mode for state in quick[:3]]
    state = min((descend(z, ROUNDS) for z in begin), key=lambda state: float(state.surprise))
    in_use = InUse(white, base, paper_lab, bar_lab)

    def use(logs: np.ndarray) -> np.ndarray:
        k, s = np.split(np.exp(logs), 2)
        return np.ravel(in_use.labs(k, s) * IN_USE_SCALE)

    def surprise(z: np.ndarray) -> float:
        residual, _ = model(z)
        return float(residual @ residual + z @ z)

    return _finish(ladder, state, surprise, use)


def _finish(
    ladder: Ladder,
    state: State,
    surprise: Callable[[np.ndarray], float],
    use: Callable[[np.ndarray], np.ndarray],
) -> LadderFit:
    z = state.mode
    half = _bounded(rows_of(state.covariance), state, surprise, ladder, use)
    half *= BY_SPECTRA_WIDER if ladder.by_spectra else 1.0
    own = half[:, : ladder.at[1]] @ ladder.rows[0]
    k, s = np.split(np.exp(ladder.spectra(z)[0]), 2)
    films = half[:, ladder.film_at : ladder.weigh_at]
    return LadderFit(
        k=k,
        s=s,
        root=rows_of(own.T @ own, 1e-10),
        prior_root=ladder.rows[0],
        lab_model=ladder.labs_and_slopes(z)[0],
        strips=ladder.strips,
        film=ladder.films(z),
        film_log_sd=ladder.film_sd * np.linalg.norm(films, axis=0),
        surprise=float(state.surprise),
        readings=ladder.n * (HALF if ladder.by_spectra else 3),
    )


def _bounded(
    half: np.ndarray,
    state: State,
    surprise: Callable[[np.ndarray], float],
    ladder: Ladder,
    use: Callable[[np.ndarray], np.ndarray],
) -> np.ndarray:
    """Shorten directions (rows) along which the strips object sooner than the curvature
    says: an absorption too small to see may be smaller still, but not much larger. But not
    below what the other way, where they do not object, would do to the colour: a black too
    dark to see through may be far stronger. ``use`` gives the scaled colours (c,) of ln K, ln S."""
    out = half.copy()
    own, rows = slice(0, ladder.at[1]), ladder.rows[0]
    centre = ladder.spectra(state.mode)[0]
    at_centre = use(centre)
    for row in out:
        lengths = []
        for sign in (1.0, -1.0):
            length = 1.0
            for _ in range(4):
                rise = surprise(state.mode + sign * length * row) - float(state.surprise)
                if rise < 1.3:
                    break
                length *= max(0.3, 1 / np.sqrt(rise))
            lengths.append(length)
        short, long = min(lengths), max(lengths)
        if short >= 0.99:
            continue
        sign = 1.0 if lengths[0] == long else -1.0
        step = row[own] @ rows
        small = 0.01
        straight = float(np.linalg.norm(use(centre + small * step) - at_centre)) / small
        other = float(np.linalg.norm(use(centre + sign * long * step) - at_centre))
        row *= np.clip(other / max(straight, 1e-9), short, long)
    return out


def fitted_ink(
    fit: LadderFit, named: Ink, white: Ink, base: Ink, paper_lab: np.ndarray, source: str
) -> Ink:
    """The fit as an ink for the shelf, named and described like ``named``."""
    lab, slopes = InUse(white, base, paper_lab).slopes(fit.k, fit.s)
    k_sd, s_sd = strength_sds(fit.k, fit.s, fit.root)
    return replace(
        named,
        k=fit.k,
        s=fit.s,
        doubt=ordered_doubt(fit.root, slopes, lab, KEPT_DOUBTS),
        k_sd=round(float(np.clip(k_sd, 0.01, 3.0)), 4),
        s_sd=round(float(np.clip(s_sd, 0.01, 3.0)), 4),
        source=source,
        starter="",
        strength=1.0,
    )


def strength_sds(k: np.ndarray, s: np.ndarray, rows: np.ndarray) -> tuple[float, float]:
    """Standard uncertainties of ln K and ln S as a whole, the curves weighted by themselves,
    from the rows (r, 62) of their uncertainty."""
    by_k, by_s = rows[:, :HALF] @ (k / k.sum()), rows[:, HALF:] @ (s / s.sum())
    return float(np.linalg.norm(by_k)), float(np.linalg.norm(by_s))
