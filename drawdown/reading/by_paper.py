"""Ink against the bare paper beside it, in a photo without a card: a rough look.

No patch tells the camera's curve and colours, so both are drawn: each member of the ensemble is a
phone's processing as it may be, undone. What two strips of one photo share in it cancels in their
difference, as far as they are alike. Theory, and where the numbers were set: README.md.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from calibration.colour.difference import delta_e_2000
from calibration.colour.spaces import lab_to_xyz, xyz_to_lab
from calibration.correction.tone_curve import KNOTS, tone_basis
from calibration.uncertainty.intervals import K95, interval_with, is_shown, probability_within
from calibration.uncertainty.kernels import root_of
from calibration.uncertainty.streams import stream
from drawdown.reading.budget import CELLS_AS_ONE, LIGHT_CHROMA, evenness_u95
from drawdown.reading.colour import Colour

Box = tuple[int, int, int, int]  # x0, y0, x1, y1 in pixels, ends excluded

# What phones do to light (mean, sd): contrast undone as a power of light against paper, bends of
# the curve beside it, saturation undone, and what a camera's primaries mix. Real photographs of
# charts, their patches hidden, and rendered phones: tests/benchmarks/without_card.py.
CONTRAST, CURVE_BENDS, SATURATION, PRIMARIES = (0.90, 0.17), 0.15, (0.92, 0.14), 0.06
# The strongest that is thought possible of contrast and of saturation: what a photo shows is at
# most so many times what is there. "No match" must hold under each of them.
STRONGEST = (0.55, 0.75, 1.0, 1.4)
PAPER_LAB, PAPER_SD = np.array([95.0, 0.0, 1.0]), np.array([1.5, 0.8, 2.0])  # white, uncoated
BESIDE_LIGHT_SD = 0.03  # log light on ink against the paper right beside it
OWN_DE = 0.4  # sd per axis: grain, and what a camera sees otherwise than an eye
PHONES = 960
LEAST_RGB = 1e-4
# The paper: cells of a seventh of the strip's shorter side, within twice that side, that are about
# as light as the lightest tenth and as even as paper is.
CELLS_ACROSS, REACH_SIDES, PAPER_LOG, PAPER_NOISE = 7, 2.0, 0.10, 0.06
CELLS_INSIDE = 4  # of the strip itself, across its shorter side
LEAST_CELL_PX, LEAST_CELLS, MOST_CELLS = 4, 6, 60
BURNT_OUT = 0.97  # of linear light: paper nearer the limit tells nothing


class Seen(NamedTuple):
    """Ink and bare paper as the photo shows them: linear RGB (3,), the ink's cells (k, 3), and
    where the paper was seen, as boxes in px."""

    ink_rgb: np.ndarray
    paper_rgb: np.ndarray
    cells_rgb: np.ndarray
    paper_at: tuple[Box, ...]


@dataclass(frozen=True, eq=False, repr=False, kw_only=True)
class ByPaper(Colour):
    """A colour told by the paper beside it, ``number`` among the strips; ``place_px`` is where.
    ``own`` (m, 3) is what of ``lab_samples`` is this strip's alone, its light and its ink."""

    number: int
    place_px: Box
    paper_at: tuple[Box, ...]
    own: np.ndarray


def cells_of(rgb_linear: np.ndarray, side: int) -> tuple[np.ndarray, np.ndarray]:
    """(rows, columns, 3) mean of square cells of a picture (h, w, 3), and (rows, columns) their
    noise as a share of their light."""
    rows, columns = rgb_linear.shape[0] // side, rgb_linear.shape[1] // side
    cut = rgb_linear[: rows * side, : columns * side].astype(float)
    cut = cut.reshape(rows, side, columns, side, 3)
    mean = cut.mean(axis=(1, 3))
    luma = cut.mean(axis=4)
    return mean, luma.std(axis=(1, 3)) / np.maximum(luma.mean(axis=(1, 3)), LEAST_RGB)


def paper_beside(
    rgb_linear: np.ndarray, corner: tuple[int, int], ink: Box, avoid: list[Box]
) -> tuple[np.ndarray, tuple[Box, ...]] | None:
    """Linear RGB (3,) of the bare paper about a strip, and where it lies (px); None where none
    shows. ``rgb_linear`` (h, w, 3) is the photo around it, ``corner`` (x, y) its upper left pixel;
    ``avoid`` are the places of other strips."""
    short = min(ink[2] - ink[0], ink[3] - ink[1])
    side = max(LEAST_CELL_PX, short // CELLS_ACROSS)
    mean, noise = cells_of(rgb_linear, side)
    rows, columns = np.mgrid[: mean.shape[0], : mean.shape[1]]
    x, y = corner[0] + side * columns, corner[1] + side * rows
    free = noise < PAPER_NOISE
    free &= mean.max(axis=2) < BURNT_OUT
    for x0, y0, x1, y1 in (ink, *avoid):
        free &= (x + side <= x0) | (x >= x1) | (y + side <= y0) | (y >= y1)
    if free.sum() < LEAST_CELLS:
        return None
    logs = np.log(np.maximum(mean, LEAST_RGB))
    level = logs.mean(axis=2)
    light = free & (level > np.quantile(level[free], 0.9) - PAPER_LOG)
    typical = np.median(logs[light], axis=0)
    paper = light & (np.abs(logs - typical).max(axis=2) < PAPER_LOG)
    if paper.sum() < LEAST_CELLS:
        return None
    dx = np.maximum(np.maximum(ink[0] - x - side, x - ink[2]), 0)
    dy = np.maximum(np.maximum(ink[1] - y - side, y - ink[3]), 0)
    far = np.where(paper, np.hypot(dx, dy), np.inf)
    near = np.argsort(far, axis=None)[: min(MOST_CELLS, int(paper.sum()))]
    at = tuple(
        (int(x.flat[i]), int(y.flat[i]), int(x.flat[i]) + side, int(y.flat[i]) + side) for i in near
    )
    return np.median(mean.reshape(-1, 3)[near], axis=0), at


def colours(seen: list[Seen], places: list[Box], to_xyz_d50: np.ndarray) -> list[ByPaper]:
    """The colours of strips of one photo, each against its own paper; member i of all of them
    rests on the same processing. ``to_xyz_d50`` (3, 3) is the photo profile's matrix."""
    drawn, usual = _phones(PHONES), _usual()
    rng = stream("light beside the paper")
    found = []
    for number, (one, place) in enumerate(zip(seen, places, strict=True), 1):
        lab, *cells = (
            undone(rgb, one.paper_rgb, usual, to_xyz_d50)[0]
            for rgb in (one.ink_rgb, *one.cells_rgb)
        )
        evenness = float(np.sqrt(np.mean(delta_e_2000(np.array(cells), lab) ** 2)))
        light = rng.standard_normal((PHONES, 1))
        light = BESIDE_LIGHT_SD * (light + LIGHT_CHROMA * rng.standard_normal((PHONES, 3)))
        processed = undone(one.ink_rgb, one.paper_rgb, drawn, to_xyz_d50)
        lit = undone(one.ink_rgb, one.paper_rgb, drawn, to_xyz_d50, light)
        # The place is a part of a strip: what it is off from the whole scatters as its cells do.
        scatter = OWN_DE**2 * np.eye(3)
        if len(cells) > 1:
            scatter += np.cov(np.array(cells).T, bias=True) / max(1.0, len(cells) / CELLS_AS_ONE)
        samples = lit + rng.standard_normal((PHONES, 3)) @ root_of(scatter).T
        found.append(
            ByPaper(
                lab_d50=lab,
                lab_samples=samples,
                lab_u95=K95 * samples.std(axis=0),
                light_sd=BESIDE_LIGHT_SD,
                evenness_de00=evenness,
                evenness_u95=evenness_u95(evenness, len(cells)),
                number=number,
                place_px=place,
                paper_at=one.paper_at,
                own=samples - processed,
            )
        )
    return found


def distance(one: ByPaper, two: ByPaper, tolerance: float) -> tuple[float, float, float, float]:
    """CIEDE2000 between two strips, both ends of its 95 % interval, and the probability that it is
    within the tolerance. What the processing does multiplies a difference, so it never makes one
    out of nothing; light and ink of each strip's own may."""
    assert one.lab_samples is not None
    assert two.lab_samples is not None
    noise = two.own - one.own
    de = delta_e_2000(one.lab_samples, two.lab_samples)
    of_noise = delta_e_2000(one.lab_d50, one.lab_d50 + noise)
    plain = float(delta_e_2000(one.lab_d50, two.lab_d50))
    best = float(np.sqrt(max(0.0, plain**2 - np.mean(of_noise**2))))
    low, high = interval_with(best, de)
    if not is_shown(two.lab_d50 - one.lab_d50, np.cov(noise.T)):
        low = 0.0
    return best, low, high, probability_within(de, tolerance)


def least_de00(one: Seen, two: Seen, to_xyz_d50: np.ndarray) -> float:
    """The least CIEDE2000 that the strongest processing leaves between two strips, whatever the
    tone curve and the saturation; what is left of the light beside the paper is taken off."""
    grid = list(itertools.product(STRONGEST, STRONGEST))
    phones = _Phones(
        contrast=np.array([c for c, _ in grid]),
        bends=np.zeros((len(grid), KNOTS)),
        mix=np.stack([_saturated(s) for _, s in grid]),
        paper_lab=np.repeat(PAPER_LAB[None], len(grid), axis=0),
    )
    shift = K95 * np.sqrt(2) * BESIDE_LIGHT_SD
    left = []
    for share in np.linspace(-1, 1, 9):
        a = undone(one.ink_rgb, one.paper_rgb, phones, to_xyz_d50)
        b = undone(two.ink_rgb, two.paper_rgb, phones, to_xyz_d50, np.array(share * shift))
        left.append(delta_e_2000(a, b))
    return float(np.min(left))


class _Phones(NamedTuple):
    """Processing undone, a row for each: ``contrast`` (m,) the power of light against paper,
    ``bends`` (m, KNOTS) of the curve, ``mix`` (m, 3, 3) of the channels (rows sum to 1: grey stays
    grey), and the paper's colour (m, 3)."""

    contrast: np.ndarray
    bends: np.ndarray
    mix: np.ndarray
    paper_lab: np.ndarray


def _usual() -> _Phones:
    return _Phones(
        np.array([CONTRAST[0]]), np.zeros((1, KNOTS)), _saturated(SATURATION[0])[None],
        PAPER_LAB[None],
    )  # fmt: skip


def _phones(count: int) -> _Phones:
    rng = stream("phones without a card")
    contrast = CONTRAST[0] * np.exp(CONTRAST[1] / CONTRAST[0] * rng.standard_normal(count))
    saturation = SATURATION[0] * np.exp(SATURATION[1] / SATURATION[0] * rng.standard_normal(count))
    second = np.diff(np.eye(KNOTS), n=2, axis=0)
    curve = second.T @ second / CURVE_BENDS**2 + np.eye(KNOTS) * 0.2
    bends = rng.standard_normal((count, KNOTS)) @ np.linalg.cholesky(np.linalg.inv(curve)).T
    off = PRIMARIES * rng.standard_normal((count, 3, 3))
    off -= off.mean(axis=2, keepdims=True)
    mix = np.stack([_saturated(s) for s in saturation]) + off
    paper = PAPER_LAB + PAPER_SD * rng.standard_normal((count, 3))
    return _Phones(contrast, bends, mix, paper)


def _saturated(share: float) -> np.ndarray:
    """(3, 3) that brings each channel to so much of its distance from the mean of all three."""
    return share * np.eye(3) + (1 - share) * np.full((3, 3), 1 / 3)


def undone(
    ink_rgb: np.ndarray, paper_rgb: np.ndarray, phones: _Phones, to_xyz_d50: np.ndarray,
    light: np.ndarray | float = 0.0,
) -> np.ndarray:  # fmt: skip
    """(m, 3) Lab D50 of ink of linear RGB (3,) beside paper of (3,), for each phone; ``light``
    (m, 3), or one for all, log light on the ink beyond the paper's."""
    ink, paper = (np.maximum(rgb, LEAST_RGB) for rgb in (ink_rgb, paper_rgb))
    bent = (tone_basis(ink) - tone_basis(paper)) @ phones.bends.T  # (3, m)
    log = phones.contrast[:, None] * np.log(ink / paper) + bent.T - light
    white = lab_to_xyz(phones.paper_lab) @ np.linalg.inv(to_xyz_d50).T
    ratio = np.einsum("mij,mj->mi", phones.mix, np.exp(log))
    return xyz_to_lab(np.maximum(ratio * white, LEAST_RGB) @ to_xyz_d50.T)
