"""The test sheet's geometry, and the commands that draw card and sheet."""

from __future__ import annotations

import functools
import io
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from calibration.card.artwork import PAPERS_MM, Text, card_page
from calibration.card.render import png_bytes, svg_text
from calibration.card.toml import builtin_cards, read_card
from calibration.errors import BadFile, WrongUsage
from drawdown.commands.card import card as card_command
from drawdown.strips.test_sheet import builtin_sheets, find_sheet, sheet_page

sheet_command = functools.partial(card_command, shape="sheet")

CARDS = {card.name: card for card in builtin_cards()}
SHEETS = builtin_sheets()
each_sheet = pytest.mark.parametrize("sheet", SHEETS.values(), ids=list(SHEETS))


@each_sheet
def test_sheet_geometry(sheet):
    assert sheet.size_mm == PAPERS_MM[sheet.paper]
    assert [marker.id for marker in sheet.markers] == [4, 18, 36, 46]
    assert len(sheet.lanes_mm) == 6
    first, last = sheet.lanes_mm[0], sheet.lanes_mm[-1]
    bx, by, bw, bh = sheet.bar_mm
    assert bx == pytest.approx(first[0] - 3)
    assert bx + bw == pytest.approx(last[0] + last[2] + 3)
    assert bh == 12
    # Where a pull is even: past the first third, and 30 mm or more of ink beyond the bar.
    assert first[1] + first[3] / 3 <= by
    assert by + bh + 30 <= first[1] + first[3]
    for (x, _, w, _), (nx, _, _, _) in zip(sheet.lanes_mm, sheet.lanes_mm[1:], strict=False):
        assert nx > x + w
    assert sheet.card_place_mm[2:] == CARDS["slip"].size_mm
    assert sheet.card_place_mm[1] + sheet.card_place_mm[3] < first[1]
    ids = {marker.id for card in CARDS.values() for marker in card.markers}
    assert not ids & {marker.id for marker in sheet.markers}


@each_sheet
def test_lanes_hold_no_printing_but_the_bar(sheet):
    for x, y, w, h in sheet.lanes_mm:
        for rect in sheet.printing_rects_mm:
            if rect == sheet.bar_mm:
                continue
            ox, oy, ow, oh = rect
            assert max(ox - x - w, x - ox - ow, oy - y - h, y - oy - oh) >= -1e-9


def _grey(sheet, dpi: int) -> np.ndarray:
    with Image.open(io.BytesIO(png_bytes(sheet_page(sheet), dpi))) as image:
        return np.array(image.convert("L"))


@each_sheet
def test_printing_rectangles_cover_every_dark_pixel(sheet):
    """Checked in the picture, not in the drawing list."""
    dpi = 254
    grey = _grey(sheet, dpi)
    assert (grey < 250).sum() > 100_000
    for x, y, w, h in sheet.printing_rects_mm:
        # One pixel of play: strokes are at least one pixel wide.
        grey[
            max(0, int(10 * y) - 1) : int(10 * (y + h)) + 2,
            max(0, int(10 * x) - 1) : int(10 * (x + w)) + 2,
        ] = 255
    assert (grey < 250).sum() == 0


def test_the_sheet_carries_the_caution():
    words = " ".join(item.text for item in sheet_page(SHEETS["a4"]).items if isinstance(item, Text))
    assert "Oily rags can heat themselves: closed metal can with water" in words
    assert "safety data sheet and local rules come first" in words


@pytest.mark.parametrize("ids", [(4, 18, 36, 46), (4, 18), (36, 4), (18, 36, 46)])
@pytest.mark.parametrize("paper", PAPERS_MM)
def test_a_sheet_is_known_by_its_markers(paper, ids):
    angle = np.radians(30.0)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    shift = np.array([-40.0, 12.0])
    rng = np.random.default_rng(3)
    seen = {
        marker.id: marker.corners_mm @ turn.T + shift + rng.normal(0, 0.1, (4, 2))
        for marker in SHEETS[paper].markers
        if marker.id in ids
    }
    place = find_sheet(seen)
    assert place.sheet.paper == paper
    assert place.residual_mm < 0.3
    bar = np.array([*SHEETS[paper].bar_mm[:2], 1.0])
    np.testing.assert_allclose((place.to_plane_mm @ bar)[:2], turn @ bar[:2] + shift, atol=0.4)


def test_other_markers_are_no_sheet():
    corners = SHEETS["a4"].markers[0].corners_mm
    assert find_sheet({}) is None
    assert find_sheet({4: corners}) is None
    assert find_sheet({4: corners, 18: corners + 40.0}) is None
    assert find_sheet({5: corners, 6: corners + 40.0}) is None


# The commands ----------------------------------------------------------------------------
@pytest.mark.slow
@pytest.mark.parametrize("suffix", [".pdf", ".svg", ".png", ".PDF"])
def test_commands_write_a_file_and_print_its_path(tmp_path, capsys, suffix):
    for number, run in enumerate((card_command, sheet_command)):
        out = tmp_path / f"{number}{suffix}"
        run(out, dpi=100)
        captured = capsys.readouterr()
        assert captured.out == f"{out}\n"
        assert "100 %" in captured.err
        start = {".pdf": b"%PDF", ".svg": b"<?xml", ".png": b"\x89PNG"}[suffix.lower()]
        assert out.read_bytes().startswith(start)


def test_the_frame_and_letter_paper_can_be_chosen(tmp_path, capsys):
    out = tmp_path / "frame.svg"
    card_command(out, shape="frame", paper="letter")
    assert out.read_text(encoding="utf-8") == svg_text(card_page(CARDS["frame"], "letter"))
    capsys.readouterr()


def test_the_definition_is_written_but_never_over_another(tmp_path, capsys):
    path = tmp_path / "card.toml"
    card_command(None, shape="frame", definition=path)
    assert capsys.readouterr().out == f"{path}\n"
    assert read_card(path) == CARDS["frame"]
    with pytest.raises(WrongUsage, match="is there already"):
        card_command(None, definition=path)
    assert read_card(path) == CARDS["frame"]


@pytest.mark.parametrize(
    ("name", "options", "words"),
    [
        ("card", {}, "does not end in .pdf"),
        ("card.gif", {}, "card.gif does not end in .pdf or .svg or .png"),
        ("card.toml", {}, "card.toml does not end in .pdf"),
        ("card.pdf", {"paper": "a5"}, '--paper is "a5"'),
        ("card.png", {"dpi": 71}, "--dpi is 71"),
        ("card.png", {"dpi": 2401}, "--dpi is 2401"),
        ("card.pdf", {"dpi": -1}, "--dpi is -1"),
    ],
)
def test_wrong_usage_is_explained(tmp_path, name, options, words):
    for run in (card_command, sheet_command):
        with pytest.raises(WrongUsage) as caught:
            run(tmp_path / name, **options)
        assert words in caught.value.seen
        assert not list(tmp_path.iterdir())


def test_more_wrong_usage_of_card(tmp_path):
    with pytest.raises(WrongUsage, match="no file was named"):
        card_command(None)
    with pytest.raises(WrongUsage, match="--shape"):
        card_command(tmp_path / "card.pdf", shape="round")
    with pytest.raises(WrongUsage, match=r"does not end in \.toml"):
        card_command(None, definition=tmp_path / "card.pdf")
    with pytest.raises(BadFile, match="does not exist"):
        card_command(tmp_path / "gone" / "card.pdf")
    assert not list(Path(tmp_path).iterdir())
