"""Finding strips where the paper is scant, printed or cluttered: sheets drawn here with known
strips (``strip_kit``), one for each cause that once led astray."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from strip_kit import SCALE, Drawing, box, check, found, iou

from calibration.card.toml import builtin_cards
from calibration.errors import WrongUsage
from drawdown import flags as fl
from drawdown.strips.find import find_strips, strips_by_hand


@pytest.mark.parametrize("table", [(45, 8, 20), (88, 0, 6), (70, 5, 25)])
@pytest.mark.parametrize("rim", [3.5, 5.0])
def test_strips_on_offcuts_hardly_wider_than_the_ink(table, rim):
    places = [(0, 84, 20, 60), (20 + 2.4 * rim, 80, 18, 62)]
    papers = tuple((x - rim, y - rim, w + 2 * rim, h + 2 * rim) for x, y, w, h in places)
    d = Drawing(31, table=table, papers=papers)
    for place, lab in zip(places, [(50, 50, 20), (30, 10, -30)], strict=True):
        d.strip(*place, lab)
    found(d)


def test_two_offcuts_edge_to_edge_are_not_one_strip():
    d = Drawing(32, table=(88, 0, 6), papers=((-6, 74, 80, 32), (-6, 106.5, 80, 32)))
    d.strip(14, 55, 20, 68, (80, 25, -20), degrees=-90)
    d.strip(14, 88, 20, 68, (78, 27, -20), degrees=-90)
    found(d)


@pytest.mark.parametrize("lab", [(60, 40, 30), (72, -2, -4)])
def test_two_rows_of_one_ink_that_meet_at_a_bar(lab):
    """The upper row ends on the bar, the lower begins 2 mm below it."""
    d = Drawing(33)
    d.fill(box(-10, 132, 130, 12), (15, 0, 0))
    for x in (0, 34, 68):
        d.strip(x, 76, 18, 58, lab, feather=0.01)
        d.strip(x, 146, 18, 58, lab, feather=0.02)
    strips, _ = found(d)
    assert all(s.length_mm < 62 for s in strips)


def test_strips_that_only_end_at_a_bar():
    d = Drawing(34)
    d.fill(box(-10, 132, 130, 12), (15, 0, 0))
    for x, lab in ((4, (60, 40, 30)), (44, (80, 0, 60))):
        d.strip(x, 76, 20, 57, lab, feather=0.01)
    found(d)


@pytest.mark.parametrize("last", [0, 60])
def test_a_dark_strip_over_a_bar(last):
    """Black on black shows no bar; its end beyond the strip still belongs to it."""
    d = Drawing(35)
    d.fill(box(-6, 112, 92, 12), (15, 0, 0))
    for x in (0, 30, 60):
        d.strip(x, 80, 20, 80, (17, 3, -5) if x == last else (70, 3, 8))
    found(d)


@pytest.mark.parametrize("gap", [9, 14])
def test_dark_strips_are_no_bars(gap):
    d = Drawing(36)
    for i in range(4):
        d.strip(-10 + i * (18 + gap), 80, 18, 60, (16, 4, -6))
    d.strip(-10, 146, 18, 50, (75, 10, 40))
    found(d)


def test_ink_that_runs_out_beyond_a_bar_is_one_strip():
    d = Drawing(37)
    d.fill(box(-8, 112, 96, 12), (15, 0, 0))
    for x in (0, 30, 60):
        d.strip(x, 80, 20, 64, (60, 45, 25), feather=0.3)
    sheet, view = d.done()
    strips = find_strips(sheet, view)
    assert len(strips) == 3
    for s in strips:
        assert s.corners_mm[:, 1].max() > 126  # beyond the bar


def test_beside_a_frame_nothing_counts():
    """Paper between the frame and the table's edge looks like a strip."""
    d = Drawing(
        38, card="frame", table=(88, 0, -3), papers=((-12, -12, 230, 146),), paper=(95, 0, 4)
    )
    for i in range(3):
        d.strip(30 + i * 34, 22, 20, 74, (85 - 20 * i, 3 * i, 20 - 9 * i), feather=0.06)
    d.strip(10, 116, 14, 60, (80, 10, 10), degrees=90, truth=False)
    found(d)


def knife(d: Drawing, x, y, length, width):
    """A round wooden handle with a shadow on one side."""
    d.shadow(box(x + 2.5, y, width, length), 0.35, 1.5)
    steps = 24
    for i in range(steps):
        t = (i + 0.5) / steps * 2 - 1
        light = float(np.sqrt(max(1 - t * t, 0.05)))
        half = width / 2 + 1.5
        bend = [
            (x + width / 2 + t * (half - 1.5 * u * u), y + length * (u + 1) / 2)
            for u in np.linspace(-1, 1, 15)
        ]
        outline = [(px - half / steps, py) for px, py in bend]
        outline += [(px + half / steps, py) for px, py in reversed(bend)]
        points = np.round(d.px(outline) * 16).astype(np.int32)
        colour = (np.array([0.30, 0.13, 0.055]) * light).tolist()
        cv2.fillPoly(d.image, [points], colour, shift=4)


def test_a_knife_handle_is_no_strip():
    d = Drawing(39)
    d.strip(0, 80, 20, 60, (50, 50, 20))
    d.strip(36, 80, 20, 60, (52, 46, 20))
    knife(d, 100, 78, 90, 18)
    sheet, view = d.done()
    check(d, find_strips(sheet, view), sheet)


def by_hand():
    d = Drawing(40)
    d.strip(0, 80, 20, 60, (50, 50, 20))
    d.strip(24, 80, 20, 60, (50, 50, 20))
    return d.done()


@pytest.mark.parametrize(
    ("second", "words"),
    [("2,85,16,50", "same place"), ("10,85,16,50", "overlap by 50 %"), ("4,90,4,9", "same place"),
     ("620,1450,160,500px", "same place")],
)  # fmt: skip
def test_places_that_overlap_are_refused(second, words):
    sheet, view = by_hand()
    with pytest.raises(WrongUsage) as problem:
        strips_by_hand(sheet, view, ["30,85,10,50", "2,85,16,50", second])
    assert words in problem.value.seen
    assert "itself" in problem.value.why


def test_places_edge_to_edge_are_two():
    sheet, view = by_hand()
    one, two = strips_by_hand(sheet, view, ["2,85,20,50", "22,85,20,50"])
    assert (one.number, two.number) == (1, 2)
    assert not np.any(one.body & two.body)


@pytest.mark.parametrize("lab", [(70, 20, 50), (40, -20, -20)])
@pytest.mark.parametrize("step_mm", [0.0, 0.9])
def test_strokes_that_overlap_without_a_line_show_where_they_begin(lab, step_mm):
    """Of one ink, one over the other: two where their starts are on two lines, else one."""
    d = Drawing(44)
    for x, y in ((0, 80), (19, 80 + step_mm)):
        d.fill(box(x, y, 20, 60), lab)
    halves = [box(0, 80, 19.5, 60), box(19.5, 80 + step_mm, 19.5, 60)]
    d.truth += halves if step_mm else [box(0, 80, 39, 60)]
    found(d)


def test_a_ragged_end_or_an_aslant_start_are_no_two_strokes():
    d = Drawing(45)
    rng = np.random.default_rng(45)
    d.fill(box(0, 80, 39, 50), (60, 40, 30))
    for x in np.arange(0, 39, 1.5):
        d.fill(box(x, 129, 1.5, rng.uniform(2, 9)), (60, 40, 30))
    d.fill(np.array([(0, 80), (39, 80), (39, 78)]), (60, 40, 30))
    sheet, view = d.done()
    assert len(find_strips(sheet, view)) == 1


def test_a_place_by_hand_that_reaches_over_the_ink_is_read_where_the_ink_is():
    d = Drawing(43, table=(20, 2, 2), papers=((-4, 76, 28, 68),))
    d.strip(0, 80, 20, 60, (50, 50, 20), bead=0.0, feather=0.0)
    sheet, view = d.done()
    (strip,) = strips_by_hand(sheet, view, ["-2,78,24,64"])
    (just,) = strips_by_hand(sheet, view, ["2,82,16,56"])
    x, y = sheet.grid_mm()
    on = (x > 0) & (x < 20) & ((y > 80) & (y < 140))[:, None]
    assert not (strip.body & ~on).any()
    assert strip.body.sum() > 0.8 * on.sum()
    one, two = (sheet.rgb_linear[s.body].mean(axis=0) for s in (strip, just))
    np.testing.assert_allclose(one, two, rtol=0.02)


@pytest.mark.parametrize("shines", [False, True])
def test_a_place_by_hand_is_looked_at_for_glare(shines):
    d = Drawing(41)
    d.strip(20, 80, 24, 70, (45, 20, -50))
    if shines:
        rows, columns = np.mgrid[0 : d.image.shape[0], 0 : d.image.shape[1]]
        cx, cy = d.px((32, 112))
        off = np.hypot(columns - cx, rows - cy) / (d.px_per_mm * SCALE)
        d.image += (0.16 * np.exp(-((off / 11) ** 2)))[..., None].astype(np.float32)
    sheet, view = d.done()
    (strip,) = strips_by_hand(sheet, view, ["22,84,20,60"])
    codes = fl.codes(strip.flags)
    assert fl.STRIP_BY_HAND.code in codes
    assert (fl.STRIP_GLARE.code in codes or fl.STRIP_EMPTY.code in codes) == shines
    assert (strip.glare_share > 0.1) == shines


@pytest.mark.parametrize("doubtful", [False, True])
def test_something_like_a_strip_that_was_not_counted_stops_the_verdict(doubtful):
    """A strip that runs on into a smear across the sheet is not counted: which is number 2?"""
    d = Drawing(42)
    d.strip(0, 80, 20, 60, (50, 50, 20))
    d.strip(64, 80, 20, 60, (52, 46, 20))
    if doubtful:
        d.strip(32, 80, 20, 60, (60, 30, 20), truth=False)
        for k in range(9):
            d.fill(box(34, 84 + 6 * k, 16, 3), (30, 30, 40))
    sheet, view = d.done()
    strips = find_strips(sheet, view)
    assert len(strips) == 2
    for s in strips:
        assert (fl.SHAPE_UNCOUNTED.code in fl.codes(s.flags)) == doubtful
    assert fl.SHAPE_UNCOUNTED.hard


def haze(d: Drawing, corners, depth=0.06, blur_mm=1.2):
    """Weak colour around ink, as a lens or a compressed photo leaves it."""
    mask = cv2.GaussianBlur(d.mask(corners).astype(np.float32) / 255, (0, 0), blur_mm * 4.4)
    d.image *= 1 - mask[..., None] * np.array([0.0, 0.6 * depth, depth], np.float32)


def same_places(d: Drawing):
    """The strips are where they were drawn, each whole, and nothing else."""
    strips = find_strips(*d.done())
    assert len(strips) == len(d.truth)
    for true in d.truth:
        assert max(iou(s.corners_mm, true) for s in strips) > 0.8


@pytest.mark.parametrize("inks", [[(62, 50, 0)] * 6, [(70, 40, 30), (84, 2, 60)] * 3])
def test_narrow_strips_close_together_over_a_bar_in_a_frame(inks):
    """Haze fills the 4 mm between them: they hang together with all else on the sheet."""
    d = Drawing(43, card="frame", papers=((-30, -30, 260, 200),), extent=(-40, -40, 240, 180))
    haze(d, box(62, 20, 57, 76), depth=0.1)
    d.fill(box(78, 16, 11, 88), (15, 0, 0))
    for k, ink in enumerate(inks):
        d.strip(85.5, 0.5 + 12.8 * k, 9, 50, ink, degrees=90, feather=0.05)
    same_places(d)


def test_a_shadow_along_a_bar_does_not_make_one_strip_of_two():
    """Paper in the shadow below the bar is unlike that above: it hangs together with the ink."""
    d = Drawing(44)
    d.fill(box(-8, 112, 136, 12), (15, 0, 0))
    for k, ink in enumerate([(60, 45, 25), (84, 2, 66), (60, 45, 25), (58, 48, 25), (84, 2, 66)]):
        d.strip(24 * k, 80, 16, 64, ink, feather=0.1)
    d.shadow(box(-40, 124, 240, 150), 0.12, 6)
    same_places(d)


@pytest.mark.parametrize("above", [True, False])
def test_a_bar_near_the_end_of_narrow_strips(above):
    """What lies beyond the bar is too short for a strip, and belongs to one."""
    d = Drawing(45)
    y = 90 if above else 118
    d.fill(box(2, y, 60, 11), (46, 0, 0))  # too grey to be known as a bar
    for k in range(3):
        d.strip(4 + 20 * k, 78, 12, 60, (72, 30, 20), feather=0.02)
    found(d)


def test_no_bar_runs_under_the_card():
    """Two black things in line with each other, on both sides of the card."""
    d = Drawing(46)
    d.fill(box(24, -26, 9, 24.5), (15, 0, 0))
    d.fill(box(24, 78.5, 9, 14), (15, 0, 0))
    d.strip(16, 97, 22, 56, (75, 10, -25))
    d.strip(60, 92.5, 22, 56, (75, 10, -25))
    found(d)


def test_the_faint_edge_of_a_shadow_is_no_strip():
    d = Drawing(47)
    d.strip(0, 80, 20, 60, (50, 50, 20))
    d.strip(34, 80, 20, 60, (52, 46, 20))
    rough = np.random.default_rng(5).normal(0, 2.2, 24)
    left = [(90 + r, 90 + 1.3 * k) for k, r in enumerate(rough)]
    right = [(104 + r, 90 + 1.3 * k) for k, r in enumerate(rough[::-1])]
    d.shadow(np.array(left + right[::-1]), 0.055, 0.3)
    found(d)


def test_a_thing_on_the_table_cut_by_the_photo_is_no_strip():
    """A wedge along the photo's edge, seen against a pale table."""
    d = Drawing(48, table=(84, 0, -4), papers=((-30, -30, 150, 270),), extent=(-40, -40, 170, 200))
    d.strip(0, 80, 20, 60, (50, 50, 20))
    d.strip(34, 80, 20, 60, (52, 46, 20))
    d.fill(np.array([(156, 80), (175, 80), (175, 160), (150, 160)]), (45, 14, 30))
    found(d)


def test_one_strip_on_a_small_offcut_on_a_dark_table():
    """Its even part ends far above its end; the paper shows 3 mm around."""
    d = Drawing(49, table=(22, 0, -3), papers=((20, 84, 25, 52),))
    d.strip(23, 87, 19, 46, (36, 44, 0), feather=0.6)
    found(d)


def test_a_pale_strip_among_strips_on_offcuts():
    """Pale ink looks much like the paper of a rim; the rims of the others tell."""
    places = [(26 * k, 80 + 2 * (k % 2), 15, 60) for k in range(4)]
    papers = tuple((x - 4, y - 4, w + 8, h + 8) for x, y, w, h in places)
    inks = [(85, 0, 50), (84, -6, -11), (40, -30, 40), (85, 0, 50)]
    d = Drawing(50, table=(58, 0, 0), papers=papers, paper=(95, 0, 5))
    for place, ink in zip(places, inks, strict=True):
        d.strip(*place, ink)
    found(d)


@pytest.mark.parametrize("under_mm", [0.0, 6.0])
def test_two_strips_that_end_at_the_card_or_under_it(under_mm):
    d = Drawing(61)
    high = next(c for c in builtin_cards() if c.name == "slip").size_mm[1]
    for x in (30, 62):
        d.strip(x, high - under_mm, 19, 60, (45, 25, -30), truth=False)
        d.truth.append(box(x, high, 19, 60 - under_mm))
    found(d)


@pytest.mark.parametrize("paper", [(14, 0, 0), (58, 8, 26)], ids=["black", "kraft"])
@pytest.mark.parametrize("ink", [(45, 30, 25), (70, -15, -18), (84, 18, 8)])
def test_opaque_ink_lighter_than_its_paper(paper, ink):
    d = Drawing(62, paper=paper, papers=((0, 80, 110, 90),), table=(38, 3, 6))
    for x in (15, 55):
        d.fill(box(x, 95, 19, 56), ink)
        for k in range(19):  # it runs out as ink does
            d.fill(box(x + k, 150, 0.5, 1 + 5 * d.rng.random()), ink)
            d.fill(box(x + k, 95 + 50 * d.rng.random(), 0.3, 9), np.array(ink) - (4, 0, 0))
        d.truth.append(box(x, 95, 19, 58))
    found(d)


@pytest.mark.parametrize("gap", [0.6, 0.0, -3.0], ids=["gap", "touching", "overlapping"])
def test_two_strips_side_by_side_without_paper_between(gap):
    """A line of paper, a step of colour, or a line of double ink parts them."""
    d = Drawing(63)
    for k, lab in enumerate([(55, 25, -30), (58, 27, -27)]):
        d.strip(20 + k * (19 + gap), 90, 19, 60, lab)
    sheet, view = d.done()
    strips = find_strips(sheet, view)
    assert len(strips) == 2
    for strip, true in zip(strips, d.truth, strict=True):
        assert iou(strip.corners_mm, true) > 0.75
        assert not np.any(strip.body & strips[2 - strip.number].mask)


@pytest.mark.parametrize("seed", range(4))
def test_one_wide_strip_stays_one(seed):
    d = Drawing(64 + seed)
    d.strip(20, 90, 34, 60, (55, 25, -30), streak=0.6 * (seed % 2))
    found(d)


def test_two_wide_strips_are_not_parted_at_a_line_in_their_middle():
    """A bare line in the middle of one of two strips is a streak: no third strip."""
    d = Drawing(70)
    for x in (10, 52):
        d.strip(x, 90, 32, 60, (55, 25, -30))
    d.fill(box(10 + 15.6, 92, 0.8, 50), d.paper)
    sheet, view = d.done()
    assert len(find_strips(sheet, view)) == 2
