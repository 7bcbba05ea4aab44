"""Finding strips: sheets drawn here with known strips, and things that are none.

There is no published test set of draw-downs; the truth is the drawing (``strip_kit``).
"""

from __future__ import annotations

from types import SimpleNamespace

import cv2
import numpy as np
import pytest
from strip_kit import SCALE, Drawing, box, found, inside, iou

from calibration.errors import PhotoUnfit, WrongUsage
from drawdown import flags as fl
from drawdown.strips.find import find_strips, reading_order, strips_by_hand
from drawdown.strips.join import even_stretch, half_covered
from drawdown.strips.paper import ground_around
from drawdown.strips.test_sheet import builtin_sheets

pytestmark = pytest.mark.slow


def test_working_lab_is_cielab():
    """scikit-image's rgb2lab is the independent reference."""
    from skimage.color import rgb2lab

    from drawdown.strips.working_picture import to_lab

    encoded = np.random.default_rng(5).random((60, 60, 3))
    encoded[:6] *= 0.05  # near black, on the straight part
    linear = np.where(encoded > 0.04045, ((encoded + 0.055) / 1.055) ** 2.4, encoded / 12.92)
    lab = to_lab(linear.astype(np.float32), np.ones(3))
    assert np.abs(lab - rgb2lab(encoded)).max() < 0.02


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


@pytest.mark.parametrize("degrees", [0.0, 90.0, 30.0])
def test_the_long_edges_lie_where_they_were_drawn(degrees):
    """Edges are drawn 0.25 mm rough; a place off by half a millimetre is a fault."""
    d = Drawing(22)
    d.strip(20, 90, 24, 70, (40, 20, -40), degrees=degrees)
    d.strip(110, 90, 24, 70, (70, -20, 40), degrees=degrees)
    strips, _ = found(d)
    turn = np.radians(degrees)
    across = np.array([np.cos(turn), np.sin(turn)])
    for s in strips:
        true = max(d.truth, key=lambda t: iou(t, s.corners_mm))
        off = (s.corners_mm.mean(axis=0) - true.mean(axis=0)) @ across
        assert abs(off) < 0.2
        assert s.width_mm == pytest.approx(24, abs=0.6)


def test_a_lighter_blank_sheet_does_not_hide_darker_paper():
    d = Drawing(23, paper=(62, 8, 22))
    d.fill(box(70, 90, 90, 120), (95, 0, 0))
    d.strip(0, 80, 20, 60, (30, 30, 10))
    d.strip(36, 82, 22, 60, (25, 5, -30))
    found(d)


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
    assert "`strips`" in problem.value.todo
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


@pytest.fixture(scope="module")
def empty():
    return Drawing(21).done()


@pytest.mark.parametrize(
    "text", ["", "1,2,3", "a,b,c,d", "0,80,-5,10", "0,80,0,10", "nan,0,5,5", "900,80,20,60"]
)
def test_nonsense_by_hand_is_explained(text, empty):
    sheet, view = empty
    with pytest.raises(WrongUsage) as problem:
        strips_by_hand(sheet, view, [text])
    assert problem.value.exit_code == 2
    assert text in problem.value.seen


def test_a_hand_on_a_strip_is_no_part_of_it():
    """Half of the run in skin's colour is covered; a taper towards paper is film."""
    rng = np.random.default_rng(4)
    paper, ink, skin = np.array([[94.0, 1, 2], [62, 40, 38], [60, 12, 16]])
    grain = rng.normal(0, 0.4, (60, 3))
    held = np.where(np.arange(60)[:, None] < 36, ink, skin) + grain
    taper = ink + np.linspace(0, 0.6, 60)[:, None] * (paper - ink) + grain
    assert half_covered(held, paper)
    assert half_covered(held[::-1], paper)
    assert not half_covered(ink + grain, paper)
    bar = np.where((np.arange(60) // 12 == 2)[:, None], [22.0, 5, 4], ink) + grain
    assert not half_covered(bar, paper)  # the ink goes on beyond it
    assert not half_covered(bar[:34], paper)  # and here it ends there
    assert not half_covered(taper, paper)


def test_a_rim_too_thin_to_be_seen_coarsely_is_no_paper():
    rim = np.zeros((60, 80), bool)
    rim[4, 4] = True
    picture = SimpleNamespace(
        lab=np.full((60, 80, 3), 90.0, np.float32), usable=~rim, px_per_mm=2.0
    )
    assert ground_around(picture, [((0, 0), rim)]) is None
