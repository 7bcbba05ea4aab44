"""What several fits say together, which patches are spoiled, and how sure the fit is.
Theory and sources: README.md.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from calibration.correction.map_fit import (
    MOST_SCALE,
    PARAMETERS,
    Problem,
    Solution,
    evaluate,
    normal_matrix,
)
from calibration.correction.tone_curve import KNOTS, LEAST_SLOPE, least_slope


def log_evidence(p: Problem, s: Solution) -> float:
    """Log probability of all patches under a solution, seen linear and Gaussian with the
    reference's own covariance (Rasmussen and Williams 2006, eq. 2.30)."""
    normal, inverse, gap, pulls, _ = _gaussian(p, s, np.zeros(int(np.sum(p.kept))))
    target = np.tensordot(s.jacobian[p.kept > 0], pulls, ((0, 1), (0, 1)))
    log_det = (
        np.linalg.slogdet(normal)[1]
        - np.linalg.slogdet(s.prior)[1]
        - np.linalg.slogdet(inverse)[1].sum()
    )
    return -0.5 * float(np.sum(gap * pulls) - target @ np.linalg.solve(normal, target) + log_det)


def surprise(p: Problem, s: Solution) -> np.ndarray:
    """(n,) the squared length of each patch's error given all the others, in standard
    deviations; 0 for patches left out already. Chi-square with three degrees of freedom when
    nothing is wrong (Rasmussen and Williams 2006, eqs. 5.10, 5.12). The others count with
    their robust weight, so that several spoiled patches do not vouch for each other."""
    on = p.kept > 0
    trust = min(s.scale, MOST_SCALE) * p.sigma[on]
    doubt = p.sigma[on] ** 2 * (1 / (s.weight[on] * trust**2) - 1)
    normal, inverse, _, pulls, weighted = _gaussian(p, s, doubt)
    count, _, k = weighted.shape
    target = np.tensordot(s.jacobian[on], pulls, ((0, 1), (0, 1)))
    both = np.concatenate([target[:, None], weighted.reshape(-1, k).T], axis=1)
    solved = np.linalg.solve(normal, both)
    left = pulls - weighted @ solved[:, 0]
    block = -np.einsum("nip,njp->nij", weighted, solved[:, 1:].T.reshape(count, 3, k))
    for a in range(3):
        block[:, a, a] += np.diagonal(inverse[a])
    spread = np.linalg.inv(block)
    error = (spread @ left[..., None])[..., 0]
    spread = spread - doubt[:, None, None] * np.eye(3)
    out = np.zeros(len(on))
    out[on] = np.einsum("ni,ni->n", error, np.linalg.solve(spread, error[..., None])[..., 0])
    return out


def _gaussian(p: Problem, s: Solution, doubt: np.ndarray) -> tuple[np.ndarray, ...]:
    """Normal matrix, inverse covariances (3, m, m), gap at the prior's mean (m, 3), and gap
    and Jacobian times the inverse, for the m kept patches; ``doubt`` (m,) extra variance."""
    on = p.kept > 0
    jacobian = s.jacobian[on]
    gap = s.residual[on] - jacobian @ s.offset
    noise = np.maximum(p.sigma[on] ** 2 - np.diagonal(p.smooth[1])[on], 0.0) + doubt
    inverse = np.linalg.inv(p.smooth[:, on][:, :, on] + np.diag(noise))
    weighted = np.stack([inverse[a] @ jacobian[:, a] for a in range(3)], axis=1)
    pulls = np.stack([inverse[a] @ gap[:, a] for a in range(3)], axis=1)
    normal = s.prior + np.tensordot(jacobian, weighted, ((0, 1), (0, 1)))
    return normal, inverse, gap, pulls, weighted


def blend(p: Problem, solutions: list[Solution]) -> Solution:
    """The mean over solutions by how probable they are: near ties must not make the answer
    jump."""
    if len(solutions) == 1:
        return solutions[0]
    evidence = np.array([log_evidence(p, s) for s in solutions])
    odds = np.exp(evidence - evidence.max())
    odds /= odds.sum()
    theta = np.array([s.theta for s in solutions])
    mean = odds @ theta
    return replace(
        solutions[int(odds.argmax())],
        theta=mean,
        residual=evaluate(p, mean)[0],
        held_out=np.tensordot(odds, [s.held_out for s in solutions], 1),
        odds=odds,
        rivals=theta - mean,
    )


def ensemble(p: Problem, s: Solution, members: int, rng: np.random.Generator) -> np.ndarray:
    """(m, PARAMETERS) of random members around a solution, one Gauss-Newton step each; every curve
    rises."""
    step = _steps(p, s, members, rng)
    whole = np.zeros((members, PARAMETERS))
    whole[:, s.active] = step
    if len(s.odds):
        whole += s.rivals[rng.choice(len(s.odds), size=members, p=s.odds)]
    # The bound is concave in the curve, so a step cut in proportion keeps above it.
    low = LEAST_SLOPE / 2
    here, there = least_slope(s.tone), least_slope(s.tone + whole[:, :KNOTS])
    cut = np.where(there < low, (here - low) / np.maximum(here - there, 1e-9), 1.0)
    return np.asarray(s.theta + whole * cut[:, None])


def _steps(p: Problem, s: Solution, members: int, rng: np.random.Generator) -> np.ndarray:
    """What smooth errors of print and camera, as large as the patches show them, and the prior's
    own width do to the fit."""
    count, k = len(s.residual), len(s.active)
    root = max(1.0, s.scale) * np.linalg.cholesky(p.smooth)
    error = np.stack([rng.standard_normal((members, count)) @ root[a].T for a in range(3)], axis=-1)
    pull = np.tensordot(error * s.weight[:, None], s.jacobian, ((1, 2), (0, 1)))
    slack = rng.standard_normal((members, k)) @ np.linalg.cholesky(s.prior).T
    normal = normal_matrix(s.jacobian, s.weight) + s.prior
    return np.linalg.solve(normal, (pull + slack).T).T
