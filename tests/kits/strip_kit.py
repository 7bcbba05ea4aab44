"""Sheets drawn with known strips, for tests of the strip finder.

They are drawn in linear light at the sheet's own scale (no photo, no renderer): paper, ink as
a film that darkens it, noise, uneven light, a wrong white balance. There is no published test
set of draw-downs; the truth is the drawing.
"""

from __future__ import annotations

from dataclasses import dataclass
from types import SimpleNamespace

import cv2
import numpy as np

from calibration.card.toml import builtin_cards
from calibration.colour.spaces import SRGB_TO_XYZ_D50, lab_to_xyz
from calibration.locate.sheet import Sheet
from drawdown.strips.find import find_strips

SCALE = 2  # drawn at twice the sheet's pixels, then averaged
FROM_XYZ = np.linalg.inv(SRGB_TO_XYZ_D50)


def rgb(lab) -> np.ndarray:
    return np.clip(lab_to_xyz(np.array(lab, dtype=float)) @ FROM_XYZ.T, 0.002, 1.2)


def box(x, y, w, h, degrees=0.0) -> np.ndarray:
    corners = np.array([(x, y), (x + w, y), (x + w, y + h), (x, y + h)], dtype=float)
    turn, middle = np.radians(degrees), corners.mean(axis=0)
    c, s = np.cos(turn), np.sin(turn)
    return (corners - middle) @ np.array([[c, s], [-s, c]]) + middle


@dataclass
class Drawing:
    """A sheet being drawn; all places in card mm."""

    seed: int
    paper: tuple = (94, 0, 3)
    table: tuple = (45, 8, 20)
    papers: tuple = ((-30, -30, 210, 270),)
    card: str = "slip"
    extent: tuple = (-40, -40, 190, 250)
    px_per_mm: float = 2.2

    def __post_init__(self):
        self.rng = np.random.default_rng(self.seed)
        x0, y0, x1, y1 = self.extent
        self.size = (int((x1 - x0) * self.px_per_mm), int((y1 - y0) * self.px_per_mm))
        self.image = np.empty((self.size[1] * SCALE, self.size[0] * SCALE, 3), np.float32)
        self.image[:] = rgb(self.table)
        self.truth: list[np.ndarray] = []
        self.other_markers: dict[int, np.ndarray] = {}
        for rect in self.papers:
            self.fill(box(*rect), self.paper)

    def px(self, points):
        return (np.asarray(points, float) - self.extent[:2]) * self.px_per_mm * SCALE - 0.5

    def mask(self, corners) -> np.ndarray:
        mask = np.zeros(self.image.shape[:2], np.uint8)
        cv2.fillPoly(mask, [np.round(self.px(corners) * 16).astype(np.int32)], 255, shift=4)
        return mask

    def fill(self, corners, lab):
        outline = np.round(self.px(corners) * 16).astype(np.int32)
        cv2.fillPoly(self.image, [outline], rgb(lab).tolist(), shift=4)

    def strip(self, x, y, w, h, lab, degrees=0.0, streak=0.0, bead=0.4, feather=0.1, truth=True):
        """Ink as a film: the paper's light times exp(-density x film)."""
        corners = box(x, y, w, h, degrees)
        px = self.px(corners)
        (c0, r0) = np.maximum(np.floor(px.min(axis=0)).astype(int) - 4, 0)
        (c1, r1) = np.ceil(px.max(axis=0)).astype(int) + 4
        region = self.image[r0:r1, c0:c1]
        columns, rows = np.meshgrid(
            np.arange(c0, c0 + region.shape[1]), np.arange(r0, r0 + region.shape[0])
        )
        k = self.px_per_mm * SCALE
        dx = (columns + 0.5) / k + self.extent[0] - (x + w / 2)
        dy = (rows + 0.5) / k + self.extent[1] - (y + h / 2)
        c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
        v, u = dx * c + dy * s + w / 2, -dx * s + dy * c + h / 2
        rough = [self._wave(400) for _ in range(3)]
        left = np.interp(u, np.arange(400) / 2, 0.25 * rough[0])
        right = w - np.interp(u, np.arange(400) / 2, 0.25 * rough[1])
        end = h - np.abs(np.interp(v, np.arange(400) / 2, rough[2])) * feather * h * 0.4
        film = (1 + bead * np.exp(-u / 3)) * (1 - 0.1 * u / h)
        film *= np.clip((end - u) / (0.3 * feather * h + 0.1), 0.15, 1)
        if streak:
            film *= 1 - 0.95 * (np.abs(v - 0.6 * w) < streak / 2)
        film *= (v > left) & (v < right) & (u > 0) & (u < end)
        density = -np.log(np.clip(rgb(lab) / rgb(self.paper), 1e-3, 3))
        region *= np.exp(-density * film[..., None]).astype(np.float32)
        if truth:
            self.truth.append(corners)

    def _wave(self, n):
        kernel = np.exp(-(np.linspace(-3, 3, 25) ** 2))
        return np.convolve(self.rng.normal(size=n), kernel / np.linalg.norm(kernel), "same")

    def shadow(self, corners, depth, blur_mm):
        mask = self.mask(corners).astype(np.float32) / 255
        mask = cv2.GaussianBlur(mask, (0, 0), blur_mm * self.px_per_mm * SCALE)
        self.image *= (1 - depth * mask)[..., None]

    def write(self, x, y, text, height_mm=4.0):
        mask = np.zeros(self.image.shape[:2], np.uint8)
        at = tuple(int(v) for v in self.px((x, y)))
        size = height_mm * self.px_per_mm * SCALE / 22
        cv2.putText(mask, text, at, cv2.FONT_HERSHEY_SIMPLEX, size, 255, 2)
        self.image[mask > 0] = rgb((60, 0, 0))

    def done(self, noise=0.005, fall=0.15):
        card = {c.name: c for c in builtin_cards()}[self.card]
        under = self.image.copy()
        self.fill(box(0, 0, *card.size_mm), (95, 0, -1))
        if card.window_mm is not None:
            hole = self.mask(box(*card.window_mm)) > 0
            self.image[hole] = under[hole]
        for marker in card.markers:
            self.fill(box(*marker.rect_mm), (15, 0, 0))
        for patch in card.patches:
            self.fill(box(*patch.rect_mm), patch.lab_d50)
        image = cv2.resize(self.image, self.size, interpolation=cv2.INTER_AREA)
        image = cv2.GaussianBlur(image, (0, 0), 0.15 * self.px_per_mm)
        x = np.arange(self.size[0], dtype=np.float32) / self.size[0] - 0.5
        y = np.arange(self.size[1], dtype=np.float32)[:, None] / self.size[1] - 0.5
        image *= (1 + fall * (x + y))[..., None]
        image *= np.float32(0.75) * np.array([1.1, 1.0, 0.8], np.float32)
        grain = self.rng.standard_normal(image.shape, np.float32)
        image += np.float32(noise) * grain * np.sqrt(np.maximum(image, np.float32(0.01)))
        image = np.clip(image, 0, 1)
        zero = np.zeros(image.shape[:2], np.float32)
        sheet = Sheet(
            image, np.ones(zero.shape, bool), (image.max(axis=2) > 0.99).astype(np.float32),
            zero, (float(self.extent[0]), float(self.extent[1])), self.px_per_mm,
        )  # fmt: skip
        mm_to_px = np.array([[10.0, 0, 600], [0, 10.0, 600], [0, 0, 1]])
        markers = {k: c * 10 + 600 for k, c in self.other_markers.items()}
        view = SimpleNamespace(
            card=card, mm_to_px=mm_to_px, other_markers=markers, blur_mm=0.2, pixels_per_mm=10.0
        )
        return sheet, view


def iou(a, b):
    a, b = np.asarray(a, np.float32), np.asarray(b, np.float32)
    shared, _ = cv2.intersectConvexConvex(a, b)
    return shared / (cv2.contourArea(a) + cv2.contourArea(b) - shared)


def inside(sheet, mask, corners, grow=0.3):
    rows, columns = np.nonzero(mask)
    p = np.asarray(sheet.origin_mm) + (np.stack([columns, rows], 1) + 0.5) / sheet.px_per_mm
    ok = np.ones(len(p), bool)
    for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        side = (b - a) / np.linalg.norm(b - a)
        ok &= (p - a) @ np.array([-side[1], side[0]]) > -grow
    return ok.mean()


def check(drawing, strips, sheet):
    """Every true strip once, none invented, bodies within the true strips."""
    assert len(strips) == len(drawing.truth)
    for true in drawing.truth:
        best = max(strips, key=lambda s: iou(s.corners_mm, true))
        assert iou(best.corners_mm, true) > 0.75
        assert best.body.sum() / sheet.px_per_mm**2 > 100
        assert inside(sheet, best.body, true) >= 0.995
        assert not np.any(best.body & ~best.mask)


def found(drawing, **how):
    sheet, view = drawing.done(**how)
    strips = find_strips(sheet, view)
    check(drawing, strips, sheet)
    return strips, sheet
