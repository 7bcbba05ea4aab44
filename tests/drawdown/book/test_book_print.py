"""Labels and recipe sheets: everything stands on its label, in the place where the stock has it,
and what could hurt someone is never left out."""

from __future__ import annotations

import itertools
import json
import random
import re
import shutil
import subprocess

import pytest
from book_kit import keep

from drawdown.book import open_book
from drawdown.book.columns import MixPart
from drawdown.book.packets import put_by
from drawdown.ink.shelf import starter_shelf
from drawdown.report.paper.labels import STOCK, Label, label_items, label_pages, stock
from drawdown.report.paper.of_book import cautions_of
from drawdown.report.paper.pages import Field, Words, broken, lost_letters, pdf_of, width_mm

CADMIUM = ("cadmium-red: cadmium pigment: harmful when swallowed", "cadmium-red: cadmium pigment")
LONG = Label(
    "The very long name of a packet that nobody would write on any label by hand, with 青い羽 and "
    "Unzerbrechlichkeitsbeweisführungsschwierigkeitenverwaltungsgesellschaftsvertrag",
    (20, 120, 200),
    tuple(f"ink-with-a-long-name-{k} {k + 0.25}" for k in range(12)),
    ("1234 g", "2030-05-04", "behind the rollers in the second drawer from above", "a note"),
    "L* 60.0 a* -20.0 b* -30.0",
    (CADMIUM,),
)
SHORT = Label("Tide", None, ("white 97", "blue 3"), ("35 g", "2030-05-04"), "colour not known")


@pytest.fixture
def book(tmp_path, monkeypatch):
    folder = tmp_path / "book"
    monkeypatch.setenv("DRAWDOWN_BOOK", str(folder))
    mix = (MixPart("titanium-white", 90.0), MixPart("cadmium-red", 10.0, "L7"))
    with open_book(folder, create=True) as opened:
        tide = keep(opened, "Tide blue", mix=mix, paper="washi", edition="Kingfisher")
        keep(opened, "No mix", mix=())
        with opened.change("packets") as change:
            for k in range(5):
                put_by(opened, change, name=f"rest {k}", grams=10.0 + k, date="2030-05-04",
                       place=f"drawer {k}", mix=mix, original=tide)  # fmt: skip
            put_by(opened, change, name="used up", grams=0.0, date="2030-05-04")
    return folder


def boxes(items):
    return [item.box_mm for item in items]


def inside(box, outer) -> bool:
    x, y, w, h = box
    return (
        x >= outer[0] and y >= outer[1] and x + w <= outer[0] + outer[2] + 1e-6
        and y + h <= outer[1] + outer[3] + 1e-6
    )  # fmt: skip


# Layout ------------------------------------------------------------------------------------


@pytest.mark.parametrize("size", STOCK)
def test_known_stock_goes_on_its_paper(size):
    """Numbers of labels on a sheet as such stock is sold (common practice, no source)."""
    sheet = stock(size, None, None, None, False, None)
    places = [sheet.box_mm(k) for k in range(sheet.count)]
    assert all(inside(place, (-0.2, -0.2, sheet.paper_mm[0] + 0.4, sheet.paper_mm[1] + 0.4))
               for place in places)  # fmt: skip
    for a, b in itertools.pairwise(places):
        assert b[0] >= a[0] + a[2] - 1e-6 or b[1] >= a[1] + a[3] - 1e-6  # none over another
    # Centred, as stock is cut.
    right = max(x + w for x, _, w, _ in places)
    low = max(y + h for _, y, _, h in places)
    assert places[0][0] == pytest.approx(sheet.paper_mm[0] - right)
    assert places[0][1] == pytest.approx(sheet.paper_mm[1] - low)
    count = {"38x21": 65, "63x38": 21, "64x34": 24, "70x37": 24, "99x38": 14, "67x25": 30}
    assert sheet.count == count.get(size, sheet.count)


@pytest.mark.parametrize("size", STOCK)
@pytest.mark.parametrize("label", [LONG, SHORT], ids=["long", "short"])
def test_nothing_leaves_its_label_and_the_caution_stays(size, label):
    box = stock(size, None, None, None, False, None).box_mm(4)
    items = label_items(label, box)
    for item in items:
        assert inside(item.box_mm, box), item
    words = [item for item in items if isinstance(item, Words)]
    for a, b in itertools.pairwise(words):
        assert b.at_mm[1] - a.at_mm[1] >= 0.9 * min(a.size_mm, b.size_mm)  # no line over another
    assert min(word.size_mm for word in words) > 1.3  # about 4 points
    said = " ".join(word.text for word in words)
    assert "2030-05-04" in said
    if label.cautions:
        assert "CAUTION: cadmium-red: cadmium pigment" in said
    else:
        assert "blue\u00a03" in said
    assert items[0].crossed == (label.rgb is None)  # unknown is no white


@pytest.mark.slow
def test_any_words_on_any_size_stay_inside():
    pick = random.Random(3)
    letters = "abc deĞ WMi青Ωж-éß" * 3
    for _ in range(60):

        def text(most):
            return (
                "".join(pick.choice(letters) for _ in range(pick.randint(1, most))).strip() or "x"
            )

        label = Label(text(200), None, tuple(text(40) for _ in range(pick.randint(0, 10))),
                      (text(10), text(100)), text(20),
                      tuple((text(80), text(20)) for _ in range(pick.randint(0, 1))))  # fmt: skip
        box = (5.0, 7.0, pick.uniform(45, 120), pick.uniform(25, 80))
        for item in label_items(label, box):
            assert inside(item.box_mm, box)


def test_lines_break_between_and_within_words():
    text = "white 97 Donaudampfschifffahrtsgesellschaft"
    lines = broken(text, 3.0, 20.0)
    assert "".join(lines).replace(" ", "") == text.replace(" ", "")
    assert all(width_mm(line, 3.0) <= 20.0 for line in lines)
    # Helvetica's own widths: Adobe font metrics, W 944 and i 222 thousandths of the em.
    assert width_mm("Wi", 10.0) == pytest.approx(11.66)


def test_letters_that_no_typeface_has_are_named():
    assert lost_letters("Łódź 青 Ωж é ß 😀 ア한") == "😀"


def test_plain_paper_and_start(book):
    sheet = stock(None, None, None, None, False, None)
    assert sheet.cut
    pages = label_pages([SHORT] * (sheet.count + 1), sheet, start=3)
    assert len(pages) == 2
    fields = [[i for i in page if isinstance(i, Field)] for page in pages]
    assert [len(f) for f in fields] == [sheet.count - 2, 3]
    third = sheet.box_mm(2)
    assert inside(fields[0][0].box_mm, third)


def test_own_measures():
    sheet = stock("50x20", "3x10", "2,1", "letter", False, "0.5,-1")
    assert (sheet.columns, sheet.rows, sheet.step_mm) == (3, 10, (52.0, 21.0))
    assert sheet.first_mm[0] == pytest.approx((215.9 - 154) / 2 + 0.5)
    assert sheet.first_mm[1] == pytest.approx((279.4 - 209) / 2 - 1)


# Commands ----------------------------------------------------------------------------------


def test_labels_as_pdf(book, tmp_path, run):
    out = tmp_path / "labels.pdf"
    code, said, err = run("print", out, "--size", "70x37", "--start", 23)
    assert code == 0, err
    assert "5 labels of 70 x 37 mm on 2 sheets" in " ".join(said.split())
    data = out.read_bytes()
    assert data.startswith(b"%PDF")
    # Page sizes in points as the PDF states them: A4 is 210 x 297 mm (ISO 216).
    sides = re.findall(rb"/MediaBox \[ 0 0 ([\d.]+) ([\d.]+) \]", data)
    assert [(round(float(a) * 25.4 / 72), round(float(b) * 25.4 / 72)) for a, b in sides] == [
        (210, 297)
    ] * 2
    run("print", tmp_path / "again.pdf", "--size", "70x37", "--start", 23)
    assert (tmp_path / "again.pdf").read_bytes() == data  # the same book, the same bytes
    assert run("print", out)[0] == 2  # nothing is written over without asking
    assert out.read_bytes() == data
    told = run("print", out, "rest 1", "tide", "--copies", 2, "--replace", "--json")[1]
    assert json.loads(told)["labels"] == ["rest 1", "rest 1", "Tide blue", "Tide blue"]
    told = run("print", out, "--originals", "--replace", "--json")[1]
    assert json.loads(told)["labels"] == ["No mix", "Tide blue"]


@pytest.mark.skipif(not shutil.which("pdftotext"), reason="poppler's tools are not installed")
def test_a_reader_of_pdf_finds_the_words_where_they_belong(book, tmp_path, run):
    """Read back with poppler: every word of a label lies within that label."""
    out = tmp_path / "labels.pdf"
    assert run("print", out, "--size", "63x38", "--start", 2)[0] == 0
    page = subprocess.run(["pdftotext", "-bbox", out, "-"], capture_output=True, text=True,
                          check=True).stdout  # fmt: skip
    sheet = stock("63x38", None, None, None, False, None)
    found = re.findall(r'xMin="([\d.]+)" yMin="([\d.]+)" xMax="([\d.]+)" yMax="([\d.]+)">(.*?)<',
                       page)  # fmt: skip
    assert sum("CAUTION" in word for *_, word in found) == 5
    for *corners, word in found:
        x0, y0, x1, y1 = (float(c) * 25.4 / 72 for c in corners)
        assert any(inside((x0, y0, x1 - x0, y1 - y0), sheet.box_mm(k)) for k in range(1, 6)), word
    names = [word for *_, word in found if word in "01234"]
    assert names  # "rest 0" and its fellows


@pytest.mark.parametrize(
    "args",
    [
        ("--size", "10x5"), ("--size", "wide"), ("--size", "nanx20"), ("--size", "-5x30"),
        ("--size", "300x300"), ("--grid", "0x3"), ("--grid", "9x90"), ("--gap", "a"),
        ("--start", 0), ("--start", 999), ("--copies", 0), ("--paper", "a0"),
        ("nobody",), ("--shift", "1"),
    ],
)  # fmt: skip
def test_wrong_labels_are_explained(book, tmp_path, args, run):
    code, out, err = run("print", tmp_path / "x.pdf", *args)
    assert (code, out) == (2, "")
    assert err.count(".") >= 2
    assert not (tmp_path / "x.pdf").exists()


def test_recipe_sheet(book, tmp_path, run):
    out = tmp_path / "tide.pdf"
    code, said, err = run("print", out, "tide", "no mix", "--paper", "letter", "--recipe")
    assert code == 0, err
    assert "2 pages" in said
    if shutil.which("pdftotext"):
        text = subprocess.run(["pdftotext", "-layout", out, "-"], capture_output=True, text=True,
                              check=True).stdout  # fmt: skip
        assert re.search(r"cadmium-red \(PR108\), tin L7\s+10\s+2\.5\s+5\s+10\s+25\s", text)
        assert "cadmium pigment: harmful" in " ".join(text.split())
        assert "No mix was noted" in text
    assert run("print", out, "tide", "--recipe")[0] == 2
    assert run("print", tmp_path / "x.pdf", "none", "--recipe")[0] == 2
    assert run("print", tmp_path / "x.txt", "tide", "--recipe")[0] == 2
    assert run("print", tmp_path / "no" / "x.pdf", "tide", "--recipe")[0] == 6


def test_many_inks_and_recipes_go_on_to_another_page(book, tmp_path, run):
    from drawdown.book.originals import add_recipe, find_original

    with open_book(book) as opened, opened.change("recipes") as change:
        tide = find_original(opened, "tide")
        for k in range(40):
            mix = tuple(MixPart(f"ink number {i}", 1.0 + i) for i in range(30))
            add_recipe(change, tide.id, mix, 100.0, f"try {k}")
    told = run("print", tmp_path / "t.pdf", "tide", "--json", "--recipe")[1]
    assert json.loads(told)["pages"] > 2


def test_cautions_of_inks():
    """By the shelf's note, or by the Colour Index name within the ink's own name."""
    shelf = starter_shelf()
    assert "cadmium" in cautions_of("cadmium-red", shelf)[0][1]
    assert "cobalt" in cautions_of("my teal PG50, old tin", shelf)[0][0]
    assert cautions_of("PG5000", shelf) == []
    assert cautions_of("phthalo-blue", shelf) == []


def test_an_empty_pdf_is_never_made(tmp_path, monkeypatch, run):
    monkeypatch.setenv("DRAWDOWN_BOOK", str(tmp_path / "book"))
    with open_book(tmp_path / "book", create=True):
        pass
    assert run("print", tmp_path / "x.pdf", "--recipe")[0] == 2
    assert not (tmp_path / "x.pdf").exists()
    assert pdf_of([[]], (50.0, 50.0), "x").startswith(b"%PDF")


@pytest.mark.parametrize("size", [(9, 9), (14_000, 14_000)])
@pytest.mark.parametrize("kind", ["EPS", "PNG"])
def test_a_strips_picture_that_came_from_elsewhere_starts_no_program_and_takes_no_memory(
    kind, size, monkeypatch
):
    """Pillow hands EPS to an interpreter by itself; a small PNG may claim any size."""
    import io
    import subprocess
    import zlib

    from PIL import Image

    from calibration.errors import BadFile
    from drawdown.report.paper.pages import Photo, pdf_of

    monkeypatch.setattr(subprocess, "Popen", lambda *_, **__: pytest.fail("a program was started"))
    head = f"%!PS-Adobe-3.0 EPSF-3.0\n%%BoundingBox: 0 0 {size[0]} {size[1]}\n%%EndComments\n"
    small = io.BytesIO()
    Image.new("RGB", (9, 9)).save(small, "PNG")
    png = bytearray(small.getvalue())
    png[16:24] = size[0].to_bytes(4, "big") + size[1].to_bytes(4, "big")
    png[29:33] = zlib.crc32(png[12:29]).to_bytes(4, "big")
    data = head.encode() if kind == "EPS" else bytes(png)

    def draw() -> bytes:
        return pdf_of([[Photo((10, 10, 30, 30), data)]], (210, 297), "sheet")

    if (kind, size) == ("PNG", (9, 9)):
        assert draw().startswith(b"%PDF")
    else:
        with pytest.raises((BadFile, OSError)):
            draw()
