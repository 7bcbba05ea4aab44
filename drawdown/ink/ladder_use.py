"""What an ink is like in use: tints, let-downs and films over black, and how sure they are."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from calibration.colour.spectra import WAVELENGTHS_NM
from drawdown.ink.forward import lab_of_film, lab_slopes, paper_ground
from drawdown.ink.shelf import Ink

if TYPE_CHECKING:
    from drawdown.ink.ladder_fit import LadderFit

MOST_DOUBTS = 16
# Ink wets paper and makes it a little darker: ln of what is left of its internal reflectance
# (our own judgement; a strip of bare base tells more).
WETTING = -0.015

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


def _in_use(k, s, white: Ink, base: Ink, paper_lab, bar_lab):
    """Shares (u, 3), K and S of the mixtures (u, 31) and grounds (u, 31) of ``USES``."""
    grounds = np.where(
        np.array([u[4] for u in USES])[:, None],
        paper_ground(np.array([15.0, 0.0, 0.0]) if bar_lab is None else bar_lab),
        paper_ground(paper_lab) * np.exp(WETTING),
    )
    share = np.array([u[1:4] for u in USES])
    return (
        share,
        share @ np.array([k, white.k, base.k]),
        share @ np.array([s, white.s, base.s]),
        grounds,
    )


def use_labs(k, s, white: Ink, base: Ink, paper_lab, bar_lab) -> np.ndarray:
    _, k_mix, s_mix, grounds = _in_use(k, s, white, base, paper_lab, bar_lab)
    return lab_of_film(k_mix, s_mix, 1.0, grounds)


def uses(k, s, white: Ink, base: Ink, paper_lab, bar_lab=None):
    """Lab (u, 3) of the ink in ``USES`` at film 1, and its slopes (u, 3, 62) by ln K, ln S."""
    share, k_mix, s_mix, grounds = _in_use(k, s, white, base, paper_lab, bar_lab)
    lab, by_k, by_s, _ = lab_slopes(k_mix, s_mix, np.ones((len(USES), 1)), grounds)
    by_k = share[:, :1, None] * np.asarray(k)[:, None] * by_k
    by_s = share[:, :1, None] * np.asarray(s)[:, None] * by_s
    return lab, np.concatenate([by_k, by_s], axis=1).transpose(0, 2, 1)


def ordered_doubt(root: np.ndarray, slopes: np.ndarray, lab: np.ndarray, most: int) -> np.ndarray:
    """The rows of an uncertainty (r, 62), turned so that the first do most to the colours in
    ``uses`` (``lab`` (u, 3), ``slopes`` (u, 3, 62)); at most ``most``, what does next to
    nothing left out. The covariance of what is kept is unchanged."""
    effect = np.einsum("uij,ujw->uiw", weights(lab), slopes).reshape(-1, slopes.shape[-1])
    turn, size, _ = np.linalg.svd(root @ effect.T)
    keep = min(most, int((size > 0.01 * size.max()).sum()), len(size))
    return (turn.T @ root)[: max(1, keep)]


def fitted_ink(fit: LadderFit, named: Ink, white: Ink, base: Ink, paper_lab, source: str) -> Ink:
    """The fit as an ink for the shelf, named and described like ``named``."""
    lab, slopes = uses(fit.k, fit.s, white, base, paper_lab)
    doubt = ordered_doubt(fit.root, slopes, lab, MOST_DOUBTS)
    half = WAVELENGTHS_NM.size
    by_k, by_s = fit.k / fit.k.sum(), fit.s / fit.s.sum()
    return replace(
        named,
        k=fit.k,
        s=fit.s,
        doubt=doubt,
        # Of the strength as a whole: the curves weighted by themselves.
        k_sd=round(float(np.clip(np.linalg.norm(fit.root[:, :half] @ by_k), 0.01, 3.0)), 4),
        s_sd=round(float(np.clip(np.linalg.norm(fit.root[:, half:] @ by_s), 0.01, 3.0)), 4),
        source=source,
        starter="",
        strength=1.0,
    )


def weights(lab: np.ndarray) -> np.ndarray:
    """(n, 3, 3) what takes a small Lab difference at ``lab`` (n, 3) to (dL/1.1,
    dC/(1 + .045 C), dH/(1 + .015 C)), the scaling that served in simulation."""
    c = np.hypot(lab[:, 1], lab[:, 2])
    cos = np.where(c > 1e-9, lab[:, 1] / np.maximum(c, 1e-9), 1.0)
    sin = np.where(c > 1e-9, lab[:, 2] / np.maximum(c, 1e-9), 0.0)
    out = np.zeros((len(lab), 3, 3))
    out[:, 0, 0] = 1 / 1.1
    out[:, 1, 1], out[:, 1, 2] = cos / (1 + 0.045 * c), sin / (1 + 0.045 * c)
    out[:, 2, 1], out[:, 2, 2] = -sin / (1 + 0.015 * c), cos / (1 + 0.015 * c)
    return out
