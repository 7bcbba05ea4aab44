"""The printable card and test sheet: exact sizes and colours in PDF, SVG and PNG."""

from __future__ import annotations

import io
import re
import shutil
import subprocess
import xml.etree.ElementTree as ET

import numpy as np
import pytest
from PIL import Image

from calibration.card.artwork import (
    PAPERS_MM,
    TOP_MM,
    Line,
    Page,
    Polygon,
    Rect,
    Text,
    bounds_mm,
    card_items,
    card_page,
    marker_items,
    scale_items,
    text_width_mm,
)
from calibration.card.render import pdf_bytes, png_bytes, render, svg_text
from calibration.card.toml import builtin_cards
from drawdown.strips.test_sheet import builtin_sheets, sheet_page

CARDS = {card.name: card for card in builtin_cards()}
SHEETS = builtin_sheets()
PAGES = {
    f"{name}-{paper}": card_page(card, paper) for name, card in CARDS.items() for paper in PAPERS_MM
} | {f"sheet-{paper}": sheet_page(sheet) for paper, sheet in SHEETS.items()}
each_page = pytest.mark.parametrize("key", PAGES)
each_card = pytest.mark.parametrize("card", CARDS.values(), ids=list(CARDS))
MM = 25.4  # millimetres to the inch
MARGIN_MM = 6.0  # home printers leave about this much unprinted; common practice, no source


def expected_markers(key: str) -> dict[int, np.ndarray]:
    """Marker id -> (4, 2) corners in page mm."""
    name, paper = key.split("-")
    if name == "sheet":
        return {marker.id: marker.corners_mm for marker in SHEETS[paper].markers}
    card = CARDS[name]
    left = (PAPERS_MM[paper][0] - card.size_mm[0]) / 2
    return {marker.id: marker.corners_mm + np.array([left, TOP_MM]) for marker in card.markers}


def check_markers(grey: np.ndarray, key: str, dpi: float) -> None:
    """OpenCV finds exactly the page's markers, each corner within 0.1 mm."""
    import cv2

    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary, parameters).detectMarkers(grey)
    expected = expected_markers(key)
    assert ids is not None
    assert sorted(ids.ravel().tolist()) == sorted(expected)
    for found, id_ in zip(corners, ids.ravel(), strict=True):
        found_mm = (found.reshape(4, 2) + 0.5) * MM / dpi
        np.testing.assert_allclose(found_mm, expected[int(id_)], atol=0.1)


def opened(page: Page, dpi: int) -> Image.Image:
    with Image.open(io.BytesIO(png_bytes(page, dpi))) as image:
        image.load()
        return image


# Layout ----------------------------------------------------------------------------------
@each_page
def test_nothing_lies_in_the_unprintable_margin(key):
    page = PAGES[key]
    for item in page.items:
        x, y, w, h = bounds_mm(item)
        assert min(x, y) >= MARGIN_MM, item
        assert x + w <= page.size_mm[0] - MARGIN_MM, item
        assert y + h <= page.size_mm[1] - MARGIN_MM, item


@each_page
def test_no_two_texts_or_fields_lie_on_each_other(key):
    """Text keeps clear of text, patches, markers and the bar."""
    items = PAGES[key].items
    texts = [bounds_mm(item) for item in items if isinstance(item, Text)]
    fields = [bounds_mm(item) for item in items if isinstance(item, Rect | Polygon)]
    for i, (x, y, w, h) in enumerate(texts):
        for ox, oy, ow, oh in texts[i + 1 :] + fields:
            apart = max(ox - x - w, x - ox - ow, oy - y - h, y - oy - oh)
            assert apart >= -0.01


@each_card
def test_nothing_comes_near_a_patch_or_a_marker(card):
    """0.6 mm round patches stays clean (descenders of names counted as ink), and a cell's
    width round markers (the quiet zone)."""
    drawn = card_items(card)
    patch_rects = {patch.rect_mm for patch in card.patches}
    quiet = [((x, y, w, h), w / 6) for x, y, w, h in (m.rect_mm for m in card.markers)]
    for item in drawn:
        x, y, w, h = bounds_mm(item)
        if isinstance(item, Text):
            h = item.size_mm * 0.75  # names are capitals and figures: no descenders
        for (ox, oy, ow, oh), least in [(rect, 0.6) for rect in patch_rects] + quiet:
            if (x, y, w, h) == (ox, oy, ow, oh):
                continue
            apart = max(ox - x - w, x - ox - ow, oy - y - h, y - oy - oh)
            inside = x >= ox and y >= oy and x + w <= ox + ow + 1e-9 and y + h <= oy + oh + 1e-9
            assert inside or apart >= least - 1e-9, (item, ox, oy)


@each_card
def test_every_outer_patch_is_named(card):
    names = {item.text for item in card_items(card) if isinstance(item, Text)}
    high = [patch for patch in card.patches if patch.rect_mm[1] == 5.5]
    assert high
    assert {patch.name for patch in high} <= names


def test_text_widths_are_those_of_helvetica():
    """Against reportlab's copy of Adobe's font metrics."""
    from reportlab.pdfbase.pdfmetrics import stringWidth

    for code in range(32, 127):
        assert text_width_mm(chr(code), 10.0) == pytest.approx(
            stringWidth(chr(code), "Helvetica", 10.0), abs=0.01
        )
    with pytest.raises(ValueError, match="ASCII"):
        text_width_mm("µ", 1.0)


def test_the_scale_is_as_long_as_it_says():
    items = scale_items(25.0, 54.0, 100.0)
    ticks = sorted(
        item.start_mm[0] for item in items if isinstance(item, Line) and item.start_mm[1] != 54.0
    )
    np.testing.assert_allclose(ticks, 25.0 + np.arange(101), atol=1e-9)
    figures = {item.text: item.at_mm[0] for item in items if isinstance(item, Text)}
    assert figures["0"] == 25.0
    assert figures["100"] == 125.0


@each_card
def test_the_instructions_are_beyond_the_cut_line(card):
    page = card_page(card, "a4")
    below = [item for item in page.items if isinstance(item, Text) and item.size_mm == 3.3]
    assert min(bounds_mm(item)[1] for item in below) > TOP_MM + card.size_mm[1] + 5
    words = " ".join(item.text for item in below)
    for needed in ("100 %", "fit to page", "matt", "100 mm", "Cut along", "dry", "scuffed"):
        assert needed in words
    assert ("window" in words) == (card.window_mm is not None)


def test_what_cannot_be_drawn_is_refused():
    from dataclasses import replace

    card = CARDS["slip"]
    with pytest.raises(ValueError, match="unknown paper"):
        card_page(card, "a5")
    with pytest.raises(ValueError, match="too large"):
        card_page(replace(card, size_mm=(250.0, 65.0)), "a4")
    bare = (replace(card.patches[0], srgb=None), *card.patches[1:])
    with pytest.raises(ValueError, match="no srgb"):
        card_page(replace(card, patches=bare), "a4")


# PNG -------------------------------------------------------------------------------------
@each_page
def test_png_size_resolution_and_markers(key):
    page = PAGES[key]
    image = opened(page, 300)
    assert image.size == tuple(round(side * 300 / MM) for side in page.size_mm)
    # pHYs holds whole pixels per metre: 300 dpi is 11811.02.
    assert image.info["dpi"] == pytest.approx((300, 300), abs=0.01)
    assert "srgb" in image.info
    check_markers(np.array(image.convert("L")), key, 300)


@pytest.mark.slow
@pytest.mark.parametrize("paper", PAPERS_MM)
@each_card
def test_png_patches_are_exact_from_edge_to_edge(card, paper):
    dpi = 600
    rgb = np.array(opened(card_page(card, paper), dpi).convert("RGB"))
    left = (PAPERS_MM[paper][0] - card.size_mm[0]) / 2
    for patch in card.patches:
        x, y, w, h = patch.rect_mm
        x0, x1 = (round((left + v) * dpi / MM) for v in (x, x + w))
        y0, y1 = (round((TOP_MM + v) * dpi / MM) for v in (y, y + h))
        assert np.all(rgb[y0:y1, x0:x1] == patch.srgb), patch.name
        around = rgb[y0 - 6 : y1 + 6, x0 - 6 : x1 + 6].copy()
        around[6:-6, 6:-6] = 255
        assert np.all(around == 255), patch.name


@pytest.mark.slow
def test_the_printed_scale_measures_100_mm_in_pixels():
    dpi = 900
    card = CARDS["slip"]
    image = np.array(opened(card_page(card, "a4"), dpi).convert("L"))
    x, y, length = card.scale_mm
    row = image[round((TOP_MM + y - 2.4) * dpi / MM)]  # only the ten-millimetre ticks reach here
    left = (210.0 - card.size_mm[0]) / 2 + x
    part = row[round((left - 1) * dpi / MM) : round((left + length + 1) * dpi / MM)]
    dark = np.flatnonzero(part < 128)
    ticks = [group.mean() for group in np.split(dark, np.flatnonzero(np.diff(dark) > 1) + 1)]
    assert len(ticks) == 11
    assert (ticks[-1] - ticks[0]) * MM / dpi == pytest.approx(100.0, abs=0.03)
    np.testing.assert_allclose(np.diff(ticks) * MM / dpi, 10.0, atol=0.03)


def test_png_of_a_chart_with_many_colours():
    """More colours than a palette holds: still exact."""
    items = [
        Rect((10.0 + i % 20, 10.0 + i // 20, 1.0, 1.0), (i % 256, i // 2, 7)) for i in range(400)
    ]
    image = opened(Page("many", (40.0, 40.0), tuple(items)), 254)
    assert image.mode == "RGB"
    for i in (0, 255, 399):
        at = (10 * (10 + i % 20) + 5, 10 * (10 + i // 20) + 5)
        assert image.getpixel(at) == (i % 256, i // 2, 7)


def test_png_lines_dashes_and_polygons():
    page = Page(
        "shapes",
        (20.0, 20.0),
        (
            Line((2.0, 5.0), (12.0, 5.0), 0.4, (9, 9, 9), (1.0, 2.0)),
            Line((5.0, 8.0), (5.0, 12.0), 0.4, (8, 8, 8)),
            Polygon(((10.0, 10.0), (14.0, 10.0), (12.0, 14.0)), (7, 7, 7)),
        ),
    )
    pixels = np.array(opened(page, 254).convert("L"))  # 10 pixels to the mm
    dashes = np.flatnonzero(pixels[50] == 9)
    starts = np.array([20, 50, 80, 110])
    assert dashes.tolist() == [v for start in starts for v in range(start, start + 10)]
    assert np.argwhere(pixels == 8).tolist() == [
        [y, x] for y in range(80, 120) for x in range(48, 52)
    ]
    assert (pixels == 7).sum() == pytest.approx(800, rel=0.06)  # half of 40 x 40


@pytest.mark.parametrize("dpi", [71, 2401, 0, -5])
def test_a_senseless_dpi_is_refused(dpi):
    with pytest.raises(ValueError, match="dpi"):
        png_bytes(PAGES["slip-a4"], dpi)
    with pytest.raises(ValueError, match="format"):
        render(PAGES["slip-a4"], ".gif")


# SVG -------------------------------------------------------------------------------------
@each_page
def test_svg_is_in_millimetres_with_exact_colours(key):
    page = PAGES[key]
    root = ET.fromstring(svg_text(page))
    width, height = page.size_mm
    assert root.get("width") == f"{width:g}mm"
    assert root.get("height") == f"{height:g}mm"
    assert root.get("viewBox") == f"0 0 {width:g} {height:g}"
    space = "{http://www.w3.org/2000/svg}"
    rects = [
        ([float(r.get(k)) for k in ("x", "y", "width", "height")], r.get("fill"))
        for r in root.iter(f"{space}rect")
        if r.get("x") is not None
    ]
    drawn = [item for item in page.items if isinstance(item, Rect)]
    assert len(rects) == len(drawn)
    for (rect, fill), item in zip(rects, drawn, strict=True):
        np.testing.assert_allclose(rect, item.rect_mm, atol=1e-4)
        assert fill == "#" + bytes(item.rgb).hex()
    texts = [t.text for t in root.iter(f"{space}text")]
    assert texts == [item.text for item in page.items if isinstance(item, Text)]


# PDF -------------------------------------------------------------------------------------
def pdf_rects(data: bytes) -> list[tuple[np.ndarray, tuple[int, ...]]]:
    """The filled rectangles of an uncompressed content stream: points, 8-bit colour."""
    stream = re.search(rb"stream\r?\n(.*?)endstream", data, re.S)[1].decode("latin-1")
    number = r"(-?[\d.]+)"
    found, colour = [], None
    for match in re.finditer(
        rf"{number} {number} {number} rg|{number} {number} {number} {number} re\s+f", stream
    ):
        values = [float(v) for v in match.groups() if v is not None]
        if len(values) == 3:
            colour = tuple(round(255 * v) for v in values)
            np.testing.assert_allclose(255 * np.array(values), colour, atol=0.01)
        else:
            found.append((np.array(values), colour))
    return found


@each_page
def test_pdf_page_and_fields_are_exact(key):
    page = PAGES[key]
    data = pdf_bytes(page)
    box = re.search(rb"/MediaBox \[\s*0 0 ([\d.]+) ([\d.]+)\s*\]", data)
    # A point is 1/72 inch (ISO 32000-1, 8.3.2.3).
    size_mm = [float(v) * MM / 72 for v in box.groups()]
    np.testing.assert_allclose(size_mm, page.size_mm, atol=0.001)
    rects = pdf_rects(data)
    drawn = [item for item in page.items if isinstance(item, Rect)]
    assert len(rects) == len(drawn)
    for (points, colour), item in zip(rects, drawn, strict=True):
        x, y, w, h = points * MM / 72
        np.testing.assert_allclose((x, size_mm[1] - y - h, w, h), item.rect_mm, atol=0.001)
        assert colour == item.rgb
    assert re.search(rb"/PrintScaling\s*/None", data)
    assert b"/Helvetica" in data
    assert data == pdf_bytes(page)  # the same page gives the same file


@each_page
def test_markers_are_found_in_the_pdfs_own_rectangles(key):
    """Paint what the PDF's content stream says, without the drawing list, and detect."""
    page, dpi = PAGES[key], 254
    grey = np.full([round(side * 10) for side in page.size_mm[::-1]], 255, np.uint8)
    for points, colour in pdf_rects(pdf_bytes(page)):
        x, y, w, h = points * MM / 72
        y = page.size_mm[1] - y - h
        grey[round(10 * y) : round(10 * (y + h)), round(10 * x) : round(10 * (x + w))] = round(
            float(np.mean(colour))
        )
    check_markers(grey, key, dpi)


@pytest.mark.skipif(shutil.which("pdftoppm") is None, reason="needs poppler's pdftoppm")
@pytest.mark.parametrize("key", ["slip-a4", "frame-letter", "sheet-a4"])
def test_an_independent_renderer_shows_the_markers(key, tmp_path):
    (tmp_path / "page.pdf").write_bytes(pdf_bytes(PAGES[key]))
    subprocess.run(
        ["pdftoppm", "-r", "300", "-png", "-singlefile", "page.pdf", "page"],
        cwd=tmp_path, check=True,
    )  # fmt: skip
    with Image.open(tmp_path / "page.png") as image:
        check_markers(np.array(image.convert("L")), key, 300)


@each_card
def test_marker_cells_equal_opencvs_picture(card):
    import cv2

    table = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, card.dictionary))
    for marker in card.markers:
        x, y, w, _ = marker.rect_mm
        grey = np.zeros((60, 60), np.uint8)
        for item in marker_items(marker, card.dictionary):
            rx, ry, rw, rh = item.rect_mm
            x0, x1, y0, y1 = (round(60 * v / w) for v in (rx - x, rx + rw - x, ry - y, ry + rh - y))
            grey[y0:y1, x0:x1] = item.rgb[0]
        expected = np.zeros_like(grey)
        cv2.aruco.generateImageMarker(table, marker.id, 60, expected, 1)
        assert np.array_equal(grey, expected)
