"""What an ink is like in use: tints, let-downs and films over black, and how sure they are."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from calibration.colour.difference import cie94_metric
from drawdown.ink.forward import bare_ground, film_slopes, lab_of_film, paper_ground
from drawdown.ink.shelf import Ink

BLACK_LAB = (15.0, 0.0, 0.0)  # a printed bar, when none was read
K_L = 1.1  # how lightness counts in the scaling that served in simulation

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
        k_mix, s_mix = self._mixed(k, s)
        return lab_of_film(k_mix, s_mix, 1.0, self.grounds)

    def slopes(self, k: np.ndarray, s: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """The same, and its slopes (u, 3, 62) by ln K, ln S."""
        k_mix, s_mix = self._mixed(k, s)
        found = film_slopes(k_mix, s_mix, 1.0, self.grounds)
        share = _SHARE[:, :1, None]
        by_k = share * np.asarray(k)[:, None] * found.by_k
        by_s = share * np.asarray(s)[:, None] * found.by_s
        return found.lab, np.concatenate([by_k, by_s], axis=1).transpose(0, 2, 1)


def ordered_doubt(root: np.ndarray, slopes: np.ndarray, lab: np.ndarray, most: int) -> np.ndarray:
    """The rows of an uncertainty (r, 62), turned so that the first do most to the colours in
    use (``lab`` (u, 3), ``slopes`` (u, 3, 62)); at most ``most``, what does next to nothing
    left out. The covariance of what is kept is unchanged."""
    effect = (cie94_metric(lab, K_L) @ slopes).reshape(-1, slopes.shape[-1])
    turn, size, _ = np.linalg.svd(root @ effect.T)
    keep = min(most, int((size > 0.01 * size.max()).sum()), len(size))
    turned: np.ndarray = turn.T @ root
    return turned[: max(1, keep)]
