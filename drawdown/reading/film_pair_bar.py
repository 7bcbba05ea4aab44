"""Where a dark bar runs under a strip: looked for beside it, where the bar lies bare."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from calibration.correction.lamp_field import on_card
from calibration.locate.sheet import Sheet
from drawdown.strips.find import Strip

BESIDE_MM = (1.2, 4.2)  # where bare bar and paper are looked at, from the strip's long side
LEAST_BAR_MM, MOST_BAR_MM = 4.0, 40.0
DARK_SHARE = 0.45  # of the paper's Y: a bar is darker
MARGIN_MM, MARGIN_PX = 1.0, 2.0  # kept clear of a bar's edges: blur, a soft print


@dataclass(frozen=True)
class Window:
    """Pixels about one strip: u mm along the pull, v mm across, both from its centre."""

    u: np.ndarray  # (n,)
    v: np.ndarray
    rgb: np.ndarray  # (n, 3) photo-linear
    xyz: np.ndarray  # (n, 3)
    bare: np.ndarray  # (n,) no ink here or near
    body: np.ndarray  # (n,) the strip's even part
    half_length: float
    half_width: float
    margin: float
    to_mm: np.ndarray  # (2, 3): (u, v, 1) -> card mm


def window_of(strip: Strip, sheet: Sheet, correction, card, ink: np.ndarray) -> Window:
    corners = np.asarray(strip.corners_mm, dtype=float)
    centre = corners.mean(axis=0)
    along = np.asarray(strip.axis, dtype=float)
    across = np.array([-along[1], along[0]])
    own = (corners - centre) @ np.stack([along, across], axis=1)
    half_length, half_width = np.abs(own).mean(axis=0)
    reach = BESIDE_MM[1] + 1.0
    box = [
        centre + a * half_length * along + b * (half_width + reach) * across
        for a in (-1, 1)
        for b in (-1, 1)
    ]
    low, high = np.min(box, axis=0), np.max(box, axis=0)
    part = sheet.window((*low, *(high - low)))
    rows, columns = np.mgrid[part]
    xy = sheet.to_mm(np.stack([columns, rows], axis=-1))
    u, v = (xy - centre) @ along, (xy - centre) @ across
    size = 2 * round(0.6 * sheet.px_per_mm) + 1
    near_ink = cv2.dilate(ink[part].astype(np.uint8), np.ones((size, size), np.uint8)) > 0
    keep = sheet.inside[part] & (np.abs(u) <= half_length)
    keep &= (np.abs(v) <= half_width + reach) & (sheet.clipped[part] < 0.2)
    keep &= ~on_card(xy, card, 1.0)
    rgb = sheet.rgb_linear[part][keep].astype(float)
    return Window(
        u=u[keep],
        v=v[keep],
        rgb=rgb,
        xyz=correction.xyz_d50(correction.light(rgb, xy[keep])),
        bare=(~near_ink[keep]) & (np.abs(v[keep]) > half_width + BESIDE_MM[0]),
        body=strip.body[part][keep],
        half_length=float(half_length),
        half_width=float(half_width),
        margin=MARGIN_MM + MARGIN_PX / sheet.px_per_mm,
        to_mm=np.stack([along, across, centre], axis=1),
    )


@dataclass(frozen=True)
class Span:
    """A bar's two edges along u, each as a line over v: u = edge[0] + edge[1] v."""

    start: np.ndarray  # (2,)
    end: np.ndarray  # (2,)
    paper_y: float
    sides: tuple[int, ...]  # -1, 1: where it was seen


def bars_across(w: Window) -> list[Span]:
    """Bars seen beside the strip, on both sides of it where both show."""
    runs: dict[int, list[tuple[float, float]]] = {}
    at: dict[int, float] = {}
    steps = np.arange(-w.half_length, w.half_length, 0.4)
    profiles = {}
    for side in (-1, 1):
        depth = side * w.v - w.half_width
        here = w.bare & (depth > BESIDE_MM[0]) & (depth < BESIDE_MM[1])
        slot = np.searchsorted(steps, w.u[here], side="right") - 1
        profiles[side] = medians(w.xyz[here, 1], slot, len(steps))
        at[side] = side * (w.half_width + np.mean(BESIDE_MM))
    known = np.concatenate(list(profiles.values()))
    known = known[np.isfinite(known)]
    if len(known) < 10:
        return []
    paper = float(np.quantile(known, 0.8))
    for side, profile in profiles.items():
        runs[side] = _dark_runs(profile, steps + 0.2, paper)
    spans = []
    right = list(runs[1])
    for a in runs[-1]:
        middle = np.mean(a)
        # The bar may lie up to 20 degrees off square.
        lean = 0.36 * (at[1] - at[-1])
        pair = [b for b in right if abs(np.mean(b) - middle) < min(lean, 0.8 * (a[1] - a[0]) + 3)]
        if pair:
            b = min(pair, key=lambda b: abs(np.mean(b) - middle))
            right.remove(b)
            lines = [
                np.array([(p + q) / 2, (q - p) / (at[1] - at[-1])])
                for p, q in zip(a, b, strict=True)
            ]
            spans.append(Span(*lines, paper, (-1, 1)))
        elif not _seen(profiles[1], steps, a):
            spans.append(Span(np.array([a[0], 0.0]), np.array([a[1], 0.0]), paper, (-1,)))
    for b in right:
        if not _seen(profiles[-1], steps, b):
            spans.append(Span(np.array([b[0], 0.0]), np.array([b[1], 0.0]), paper, (1,)))
    return spans


def _seen(profile: np.ndarray, steps: np.ndarray, run: tuple[float, float]) -> bool:
    """Whether that side shows anything bare there; if so, and it is no bar, there is none."""
    here = (steps >= run[0]) & (steps <= run[1])
    return bool(np.isfinite(profile[here]).mean() > 0.5)


def medians(values: np.ndarray, slot: np.ndarray, count: int) -> np.ndarray:
    """Median of the values in each slot, NaN where there are fewer than 3."""
    out = np.full(count, np.nan)
    order = np.argsort(slot, kind="stable")
    edges = np.searchsorted(slot[order], np.arange(count + 1))
    for k in range(count):
        if edges[k + 1] - edges[k] >= 3:
            out[k] = np.median(values[order[edges[k] : edges[k + 1]]])
    return out


def _dark_runs(profile: np.ndarray, u: np.ndarray, paper: float) -> list[tuple[float, float]]:
    """Stretches of bar (u from, to), edges where the light crosses the middle."""
    good = np.isfinite(profile)
    if good.sum() < 5:
        return []
    filled = np.interp(u, u[good], profile[good])
    dark = filled < DARK_SHARE * paper
    edges = np.flatnonzero(np.diff(np.r_[0, dark.astype(int), 0]))
    out = []
    for a, b in zip(edges[::2], edges[1::2], strict=True):
        if a == 0 or b == len(u):
            continue  # no bar that is crossed, or the end of the paper
        if not LEAST_BAR_MM - 1 < u[b - 1] - u[a] < MOST_BAR_MM or good[a:b].mean() < 0.5:
            continue
        middle = (float(np.median(filled[a:b])) + paper) / 2
        begin = _crossing(filled, u, a, -1, middle)
        end = _crossing(filled, u, b - 1, 1, middle)
        if end - begin >= LEAST_BAR_MM:
            out.append((begin, end))
    return out


def _crossing(profile: np.ndarray, u: np.ndarray, k: int, step: int, level: float) -> float:
    """Where the profile rises through ``level``, going from index k outwards."""
    while 0 <= k + step < len(u) and profile[k + step] < level:
        k += step
    other = k + step
    if not 0 <= other < len(u):
        return float(u[k])
    share = (level - profile[k]) / max(profile[other] - profile[k], 1e-9)
    return float(u[k] + np.clip(share, 0, 1) * (u[other] - u[k]))
