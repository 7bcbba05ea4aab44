"""Finding strips: sheets drawn here with known strips, and things that are none.

The sheets are drawn in linear light at the sheet's own scale (no photo, no renderer): paper,
ink as a film that darkens it, noise, uneven light, a wrong white balance. There is no
published test set of draw-downs; the truth is the drawing.
"""

from __future__ import annotations

from dataclasses import dataclass
from types import SimpleNamespace

import cv2
import numpy as np
import pytest

from calibration import flags as fl
from calibration.card import builtin_cards
from calibration.colorimetry import SRGB_TO_XYZ_D50, lab_to_xyz
from calibration.errors import PhotoUnfit, WrongUsage
from calibration.sheet import Sheet
from drawdown.strip_body import even_stretch
from drawdown.strips import find_strips, reading_order, strips_by_hand
from drawdown.testsheet import builtin_sheets

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
        self.image[self.mask(corners) > 0] = rgb(lab)

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
        y, x = np.mgrid[0 : self.size[1], 0 : self.size[0]]
        light = 1 + fall * ((x / self.size[0] - 0.5) + (y / self.size[1] - 0.5))
        image = image * light[..., None] * 0.75 * np.array([1.1, 1.0, 0.8])
        image += self.rng.normal(size=image.shape) * noise * np.sqrt(np.maximum(image, 0.01))
        image = np.clip(image, 0, 1).astype(np.float32)
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


def test_dark_pale_and_close_neighbours():
    d = Drawing(1)
    for x, lab in [(0, (50, 50, 20)), (36, (48, 48, 22)), (70, (91, 1, -1)), (92, (20, 2, -5))]:
        d.strip(x, 80, 20, 60, lab)  # the last two are 2 mm apart
    d.strip(116, 80, 20, 60, (80, 0, 70))
    d.write(0, 75, "orig 3/8")
    d.write(36, 152, "batch + blue")
    strips, _ = found(d)
    assert [s.number for s in strips] == [1, 2, 3, 4, 5]
    assert np.all(np.diff([s.corners_mm[:, 0].mean() for s in strips]) > 0)
    for s in strips:
        assert abs(s.axis[1]) > 0.98
        assert s.length_mm == pytest.approx(59, abs=4)
        assert s.width_mm == pytest.approx(20, abs=1.5)


def test_strips_that_touch_are_told_apart_by_colour():
    d = Drawing(7)
    for x, lab in [(0, (50, 50, 20)), (20, (40, 10, -40)), (40, (80, 0, 60))]:
        d.strip(x, 80, 20, 60, lab)
    found(d)


@pytest.mark.parametrize("degrees", [12.0, -35.0])
def test_oblique_strips_on_paper_hardly_lighter_than_the_table(degrees):
    d = Drawing(3, table=(92.5, 1, 1))
    d.strip(15, 100, 26, 75, (40, 20, -40), degrees=degrees)
    d.strip(95, 100, 24, 70, (89.5, -2, 6), degrees=degrees)
    found(d)


def test_horizontal_strips_count_from_top_to_bottom():
    d = Drawing(10)
    for i, lab in enumerate([(60, 40, 30), (30, 5, -30), (85, 0, 60)]):
        d.strip(40, 58 + i * 32, 20, 70, lab, degrees=-90)
    strips, _ = found(d)
    assert np.all(np.diff([s.corners_mm[:, 1].mean() for s in strips]) > 20)
    assert all(abs(s.axis[0]) > 0.98 for s in strips)


def test_twelve_strips_in_a_grid():
    d = Drawing(9)
    for row in range(2):
        for i in range(6):
            lab = d.rng.uniform([20, -40, -40], [88, 50, 60])
            d.strip(-10 + i * 20, 80 + row * 60, 17, 50, lab)
    strips, _ = found(d)
    assert max(s.corners_mm[:, 1].mean() for s in strips[:6]) < 110


def test_through_the_window_of_the_frame():
    d = Drawing(2, card="frame", papers=((-40, -40, 300, 250),), paper=(93, 0, 8))
    for i in range(5):
        d.strip(24 + i * 27, 22, 20, 74, (90 - 14 * i, 3 * i, -6 * i), feather=0.06)
    found(d)


def test_each_on_its_own_scrap_of_slightly_other_white():
    d = Drawing(6, papers=((-6, 74, 32, 74), (40, 70, 50, 90)))
    d.fill(box(40, 70, 50, 90), (92, 1, 6))
    d.strip(0, 80, 20, 60, (50, 50, 20))
    d.strip(54, 85, 18, 58, (48, 48, 22))
    found(d)


def test_kraft_paper_and_a_tint_lighter_than_it():
    d = Drawing(8, paper=(65, 8, 22))
    d.strip(0, 80, 20, 60, (40, 30, 20))
    d.strip(40, 82, 18, 55, (72, 2, 5))
    d.strip(80, 80, 24, 70, (30, 0, 0))
    found(d)


def test_an_unknown_bar_across_the_strips_does_not_cut_them():
    d = Drawing(4)
    d.fill(box(-10, 112, 170, 12), (15, 0, 0))
    colours = [(60, 40, 30), (90, -3, 8), (30, 5, -30), (80, 0, 60), (70, -30, 0)]
    for i, lab in enumerate(colours):
        d.strip(5 + i * 30, 80, 22, 90, lab)
    strips, _ = found(d)
    for s in strips:
        rows = np.nonzero(s.body)[0] / d.px_per_mm + d.extent[1]
        assert not np.any((rows > 112.5) & (rows < 123.5))


def test_our_own_test_sheet():
    ours = builtin_sheets()["a4"]
    x0, y0 = -28.0, -20.0  # the card lies in its place on the sheet
    d = Drawing(11, papers=((x0, y0, *ours.size_mm),), extent=(-40, -30, 190, 290))
    for x, y, w, h in ours.printing_rects_mm:
        d.fill(box(x + x0, y + y0, w, max(h, 0.2)), (25, 0, 0) if h > 6 else (70, 0, 0))
    for marker in ours.markers:
        d.other_markers[marker.id] = marker.corners_mm + np.array([x0, y0])
    for k in (0, 1, 4):
        x, y, w, h = ours.lanes_mm[k]
        d.strip(
            x + x0 + 3, y + y0 + 5, w - 6, h - 12, [(60, 40, 30), (90, 2, 12), (30, 5, -30)][k % 3]
        )
    found(d)


def test_a_streak_of_bare_paper_is_left_out_of_the_body():
    d = Drawing(12)
    d.strip(20, 80, 24, 70, (35, 20, -30), streak=0.9)
    (strip,), sheet = found(d)
    assert strip.streak_share > 0.005
    columns = np.nonzero(strip.body)[1] / sheet.px_per_mm + d.extent[0]
    assert not np.any(np.abs(columns - (20 + 0.6 * 24)) < 0.4)


def test_glare_is_left_out_and_flagged():
    d = Drawing(13)
    d.strip(20, 80, 24, 70, (30, 10, -20))
    shine = d.mask(box(26, 118, 8, 12)) > 0
    d.image[shine] += 0.25
    (strip,), _ = found(d)
    assert fl.STRIP_GLARE.code in fl.codes(strip.flags)
    assert strip.glare_share > 0.03
    glare = cv2.resize(shine.astype(np.uint8), d.size, interpolation=cv2.INTER_AREA) > 0
    assert (strip.body & glare).sum() < 0.02 * glare.sum()


def test_thick_start_and_ragged_end_are_left_out():
    d = Drawing(14)
    d.strip(20, 80, 24, 90, (60, 40, 20), bead=1.5, feather=0.25)
    (strip,), sheet = found(d)
    rows = np.nonzero(strip.body)[0] / sheet.px_per_mm + d.extent[1]
    assert rows.min() > 83
    assert rows.max() < 167
    assert rows.max() - rows.min() > 0.35 * 90
    assert strip.axis[1] > 0.9  # from thick to thin


def test_a_strip_cut_by_the_photo_is_flagged():
    d = Drawing(15)
    d.strip(0, 80, 20, 60, (50, 40, 20))
    d.strip(40, 180, 20, 60, (50, 40, 20), feather=0.01, truth=False)
    d.size = (d.size[0], int(250 * d.px_per_mm))  # the photo ends at y = 210 mm
    d.image = d.image[: d.size[1] * SCALE]
    sheet, view = d.done()
    strips = find_strips(sheet, view)
    assert [fl.codes(s.flags) for s in strips] == [[], [fl.STRIP_CUT.code]]


def not_ink(kind):
    d = Drawing(16)
    if kind == "shadow":
        d.shadow(box(0, 90, 35, 80), 0.3, 2.5)
    elif kind == "lid":
        cv2.circle(d.image, tuple(int(v) for v in d.px((40, 130))), 110, [0.1, 0.12, 0.2], -1)
    elif kind == "ruler":
        d.fill(box(20, 90, 110, 28), (70, 0, 5))
        for i in range(54):
            d.fill(box(22 + 2 * i, 90, 0.4, 7 if i % 5 == 0 else 4), (10, 0, 0))
    elif kind == "coloured sheet":
        d.fill(box(0, 80, 105, 148), (70, 10, 40))
    elif kind == "text":
        for i in range(12):
            d.write(0, 90 + 6 * i, "roll up thin, wipe the slab, note the mix")
    elif kind == "smudge":
        for x in (20, 60, 90):
            blob = cv2.GaussianBlur(d.rng.normal(size=(90, 60)).astype(np.float32), (0, 0), 6)
            patch = (blob > 0).astype(np.float32)[..., None]
            c, r = d.px((x, 110)).astype(int)
            d.image[r : r + 90, c : c + 60] *= 1 - 0.35 * patch
    elif kind == "boards":
        d = Drawing(17, papers=((-30, -30, 95, 270), (85, -30, 95, 270)))
        for i in range(40):
            d.fill(box(-60, -50 + 8 * i, 290, 0.5), (30, 8, 15))
        for rect in d.papers:
            d.fill(box(*rect), d.paper)
    elif kind == "blank slips":
        d = Drawing(18, papers=((0, 80, 25, 70), (40, 80, 25, 70)))
    return d


@pytest.mark.parametrize(
    "kind",
    ["nothing", "shadow", "lid", "ruler", "coloured sheet", "text", "smudge", "boards",
     "blank slips"],
)  # fmt: skip
def test_what_is_no_strip(kind):
    sheet, view = not_ink(kind).done()
    with pytest.raises(PhotoUnfit) as problem:
        find_strips(sheet, view)
    assert "--strip" in problem.value.todo
    if kind == "shadow":
        assert "soft edges" in problem.value.seen


def test_clutter_beside_real_strips_is_not_counted():
    d = Drawing(19)
    d.strip(0, 80, 20, 60, (50, 50, 20))
    d.strip(32, 80, 20, 60, (52, 46, 20))
    d.shadow(box(80, 150, 60, 40), 0.25, 3.0)
    cv2.circle(d.image, tuple(int(v) for v in d.px((110, 110))), 90, [0.3, 0.02, 0.02], -1)
    d.fill(box(60, 200, 90, 5), (60, 30, 50))
    found(d)


def test_reading_order():
    row = [box(60, 0, 20, 60), box(0, 3, 20, 60), box(30, -4, 20, 60)]
    assert reading_order(row) == [1, 2, 0]
    stack = [box(5, 60, 60, 20), box(0, 0, 60, 20), box(2, 30, 60, 20)]
    assert reading_order(stack) == [1, 2, 0]
    grid = [box(30, 70, 20, 60), box(0, 0, 20, 60), box(30, 2, 20, 60), box(0, 70, 20, 60)]
    assert reading_order(grid) == [1, 2, 3, 0]


def test_even_stretch_leaves_bead_and_fade():
    run = np.zeros((60, 3))
    run[:6, 0] = -8 + np.arange(6)
    run[45:, 0] = np.arange(15)
    first, last = even_stretch(run, 1.5, 0.35)
    assert 5 <= first <= 6
    assert 44 <= last <= 47
    slope = np.stack([np.linspace(0, 30, 60), np.zeros(60), np.zeros(60)], axis=1)
    first, last = even_stretch(slope, 1.5, 0.35)
    assert last - first + 1 >= 0.35 * 60


def test_places_given_by_hand():
    d = Drawing(20)
    d.strip(0, 80, 20, 60, (50, 50, 20))
    sheet, view = d.done()
    (mm,) = strips_by_hand(sheet, view, ["2,85,16,50"])
    (px,) = strips_by_hand(sheet, view, ["620, 1450, 160, 500px"])  # 10 px per mm, 600 off
    assert fl.codes(mm.flags) == [fl.STRIP_BY_HAND.code]
    assert np.allclose(mm.corners_mm, px.corners_mm)
    assert np.allclose(mm.corners_mm, box(2, 85, 16, 50))
    assert inside(sheet, mm.body, box(2, 85, 16, 50), grow=-1.4) == 1.0
    assert mm.body.sum() / sheet.px_per_mm**2 == pytest.approx(13 * 47, rel=0.05)
    (flat,) = strips_by_hand(sheet, view, ["2,85,50,16"])
    assert abs(flat.axis[0]) == pytest.approx(1)


@pytest.mark.parametrize(
    "text", ["", "1,2,3", "a,b,c,d", "0,80,-5,10", "0,80,0,10", "nan,0,5,5", "900,80,20,60"]
)
def test_nonsense_by_hand_is_explained(text):
    sheet, view = Drawing(21).done()
    with pytest.raises(WrongUsage) as problem:
        strips_by_hand(sheet, view, [text])
    assert problem.value.exit_code == 2
    assert text in problem.value.seen
