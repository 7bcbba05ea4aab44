"""Joining what a printed bar cuts in two, while ink is separated from paper: seen from a paper's
colour a bar is one more dark shape, and a strip of transparent ink seems to end at it."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import cv2
import numpy as np

from drawdown.strips import limits
from drawdown.strips.bars import Bar, beside, grown_px
from drawdown.strips.paper import Ground
from drawdown.strips.working_picture import Picture, fill, stretches


def bridge_bars(ground: Ground, mask: np.ndarray, bars: list[Bar], margin_mm: float) -> np.ndarray:
    """Take bars with ``margin_mm`` around them out of a mask of ink, and join the two halves
    of a strip that runs across: where ink of the same colour lies on both sides of the bar,
    between the same edges, the bar between counts as ink."""
    picture = ground.picture
    ppm = picture.px_per_mm
    for bar in bars:
        fill(mask, grown_px(picture, bar, margin_mm), 0)
    for bar in bars:
        corners = picture.to_px(bar.corners_mm)
        runs = [_runs(ground, corners, side) for side in (0, 1)]
        along, down = corners[1] - corners[0], corners[3] - corners[0]
        height = np.linalg.norm(down)
        along, down = along / np.linalg.norm(along), down / height
        covered = _covered(picture, corners)
        beyond = (margin_mm + 1.2) * ppm
        pairs = [
            (a, b, -beyond, height + beyond)
            for a, b in itertools.product(*runs)
            if a.goes_on_as(b, ppm)
        ]
        joined = {id(run) for a, b, _, _ in pairs for run in (a, b)}
        for side, run in ((k, run) for k in (0, 1) for run in runs[k]):
            # Opaque ink shows on the bar itself, even where it runs out right behind.
            shows = covered[int(run.first) : int(run.last)].mean() > 0.5
            if shows and not run.gap and id(run) not in joined:
                top, bottom = (
                    (-beyond, 0.9 * height) if side == 0 else (0.1 * height, height + beyond)
                )
                pairs.append((run, run, top, bottom))
        for one, other, top, bottom in pairs:
            ends = [(run.first, run.last) for run in (one, other)]
            wide = [last - first for first, last in ends]
            if min(wide) < 0.8 * max(wide):  # ragged: between the edges of the other side
                ends = [ends[int(np.argmax(wide))]] * 2
            places = [*ends[0], *ends[1][::-1]]
            quad = np.outer(places, along) + np.outer([top, top, bottom, bottom], down)
            fill(mask, corners[0] + quad)
    return mask


@dataclass(frozen=True, eq=False)
class _Run:
    """Ink right beside a bar: from where to where along it (px), how its colour differs from
    the paper's (3,), and whether it fades or ends before it reaches the bar."""

    first: float
    last: float
    ink: np.ndarray
    gap: bool

    def goes_on_as(self, other: _Run, ppm: float) -> bool:
        """Is the ink on the other side of the bar the same strip?"""
        if self.gap or other.gap:
            return False
        # The far side may be ragged, but lies between the same edges.
        low, high = sorted((self, other), key=lambda run: run.last - run.first)
        out = max(high.first - low.first, low.last - high.last) / ppm
        if out > limits.EDGE_SHIFT_MM or low.last - low.first < 0.4 * (high.last - high.first):
            return False
        # The same ink, perhaps thinner; of pale ink the direction is uncertain.
        sizes = np.linalg.norm(self.ink), np.linalg.norm(other.ink)
        if min(sizes) < 8:
            return max(sizes) < 3 * min(sizes) + 4
        return bool(self.ink @ other.ink > 0.85 * sizes[0] * sizes[1])


def faded(run: np.ndarray) -> bool:
    """Does ink fade or end before it reaches a bar? ``run`` is its contrast to the paper at the
    depths ``limits.BESIDE_BAR_MM``."""
    return bool(run[:5].min() < 0.5 * np.median(run[4:]))


def _runs(ground: Ground, corners: np.ndarray, side: int) -> list[_Run]:
    """The ink along one long side of a bar."""
    picture = ground.picture
    ppm = picture.px_per_mm
    shape = ground.contrast.shape
    places = [beside(shape, corners, depth * ppm)[side] for depth in limits.BESIDE_BAR_MM]
    if not len(places[0][0]):
        return []
    contrast = np.array([ground.contrast[y, x] for y, x in places])
    lab = np.array([picture.lab[y, x] for y, x in places[3:]])
    # Right beside the bar all is grey of its own blur: look farther off.
    depth = np.median(contrast[4:], axis=0)[None]
    most = cv2.morphologyEx(depth, cv2.MORPH_CLOSE, np.ones((1, int(4 * ppm) | 1), np.uint8))
    on = ((depth > max(1.5 * ground.low, 2.5)) & (depth > 0.4 * most)).view(np.uint8)
    on = cv2.morphologyEx(on, cv2.MORPH_CLOSE, np.ones((1, int(1.6 * ppm) | 1), np.uint8))
    on = cv2.morphologyEx(
        on, cv2.MORPH_OPEN, np.ones((1, int(limits.LEAST_RUN_MM * ppm) | 1), np.uint8)
    )[0]
    paper = ground.paper_at(ground.whole_px(corners.mean(axis=0)))
    runs = []
    for a, b in _parted(depth[0], on, int(limits.LEAST_RUN_MM * ppm)):
        inner = slice(a + (b - a) // 5, b - (b - a) // 5)
        run = np.median(contrast[:, inner], axis=1)
        ink = np.median(lab[:, inner].reshape(-1, 3), axis=0) - paper
        runs.append(_Run(float(a), float(b), ink, faded(run)))
    return runs


def _parted(depth: np.ndarray, on: np.ndarray, least: int) -> list[tuple[int, int]]:
    """Stretches of ink along a bar, told from the haze beside them that they hang together
    by; ``depth`` (n,) is the contrast to paper."""
    out = []
    for a, b in stretches(on):
        here = depth[a:b]
        strong = (here > limits.HAZE_SHARE * np.quantile(here, 0.9)).view(np.uint8)[None]
        # A ragged end has gaps that narrow; strips stand farther apart where haze joins them.
        kernel = np.ones((1, least | 1), np.uint8)
        strong = cv2.morphologyEx(strong, cv2.MORPH_CLOSE, kernel)
        strong = cv2.morphologyEx(strong, cv2.MORPH_OPEN, kernel)[0]
        parts = stretches(strong)
        if len(parts) > 1 or (parts and np.count_nonzero(strong) < 0.7 * (b - a)):
            out += [(a + c, a + d) for c, d in parts]
        else:
            out.append((a, b))
    return out


def _covered(picture: Picture, corners: np.ndarray) -> np.ndarray:
    """(n,) True where something lighter or coloured lies on a bar, pixel by pixel along it."""
    height = float(np.linalg.norm(corners[3] - corners[0]))
    places = [beside(picture.usable.shape, corners, -k * height)[0] for k in (0.3, 0.5, 0.7)]
    colour = np.median([picture.lab[y, x] for y, x in places], axis=0)
    bare = np.median(colour[colour[:, 0] <= np.quantile(colour[:, 0], 0.3)], axis=0)
    return np.linalg.norm(colour - bare, axis=1) > 8.0
