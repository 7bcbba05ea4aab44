"""Reports as HTML files.

Held to the HTML standard by parsers that are not ours (tinyhtml5, which tells every fault, and
Python's own), and to CSS Color 4 by the numbers that its section 9.3 gives for lab().
"""

from __future__ import annotations

import base64
import io
import re
from html.parser import HTMLParser

import fake_judgement as fake
import pytest
from book_kit import keep
from PIL import Image

from calibration.naming import speak
from drawdown.book import open_book
from drawdown.book.columns import Batch, Entry
from drawdown.book.originals import list_originals, recipes_of
from drawdown.commands import main as cli
from drawdown.pipeline.read import PhotoUsed
from drawdown.report.html import sheet
from drawdown.report.html.book import batch_report, original_report, originals_report
from drawdown.report.html.match import match_report
from drawdown.report.html.plot import Dot, dots_svg
from drawdown.wording.verdict import HEADLINES

NASTY = 'blue"><script>alert(1)</script>\u202e & <b>'
VOID = {"meta", "img", "br", "link", "input", "hr"}


class Tags(HTMLParser):
    """Which tags and attributes there are; each that opens must close."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.seen: list[str] = []
        self.attributes: list[tuple[str, str]] = []
        self.text = ""
        self.feed(html)
        assert self.open == []

    def handle_starttag(self, tag, attrs):
        self.seen.append(tag)
        self.attributes += attrs
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.text += data


def checked(html: str) -> Tags:
    """A whole page that needs nothing else, runs nothing and hides nothing."""
    tags = Tags(html)
    assert not {"script", "link", "iframe", "object", "form", "base"} & set(tags.seen)
    for name, value in tags.attributes:
        assert not name.startswith("on")
        if name in ("src", "href"):
            assert value.startswith("data:image/")
    assert "url(" not in html
    assert "http://" not in re.sub(r"data:[^\"]+", "", html)
    assert "default-src 'none'" in html
    assert "\u202e" not in html
    assert tags.seen.count("h1") == 1
    assert ("alt", "") not in tags.attributes
    return tags


def valid(html: str) -> None:
    reader = pytest.importorskip("tinyhtml5.parser", reason="it is in the extra `test`")
    parser = reader.HTMLParser()
    parser.parse(html)
    assert parser.errors == []


@pytest.mark.parametrize("verdict", ["match", "no match", "too close to call", None])
def test_a_match_says_all_of_it_in_one_valid_file(verdict):
    advice = fake.advice(portion=0.4) if verdict == "no match" else None
    html = match_report(fake.judgement(verdict, with_advice=advice)).html()
    tags = checked(html)
    assert " ".join(HEADLINES[verdict].lines) in tags.text
    assert "The photo" in tags.text
    assert (verdict is None) == ("Why it can't be judged" in tags.text)
    assert (advice is None) == ("Cautions" not in tags.text)
    valid(html)


def test_several_photos_are_listed_with_what_became_of_each():
    used = (PhotoUsed("in/a.jpg", 1, 2), PhotoUsed("in/b.jpg", None, None, "it is blurred"))
    tags = checked(match_report(fake.judgement("match", photos=used)).html())
    assert "a.jpg" in tags.text
    assert "in/a.jpg" not in tags.text
    assert "left out: it is blurred" in tags.text


def test_what_people_wrote_is_shown_and_not_obeyed(tmp_path):
    with open_book(tmp_path / "book", create=True) as book:
        keep(book, NASTY.replace("\u202e", ""), note=NASTY.replace("\u202e", ""))
        (found,) = list_originals(book)
        recipes = recipes_of(book, found.id)
    pages = [r.html() for r in (originals_report([found]), original_report(found, recipes, None))]
    for html in pages:
        assert "alert(1)</script>" in checked(html).text
    batch = Batch(id=1, name=NASTY, original=None, date="2030-01-02", mix=(), grams=None,
                  note=NASTY, removed=None)  # fmt: skip
    tags = checked(batch_report(batch, found, (), None).html())
    assert "<U+202E>" in tags.text
    for html in pages:
        valid(html)


def test_a_batch_shows_its_story_as_a_plot_and_a_table():
    entry = Entry(
        id=1, batch=1, at="2030-01-02T10:00:00Z", kind="read", reading=None,
        original_reading=None, across_photos=False, de00=4.8, de00_low95=3.0, de00_high95=6.8,
        tolerance=2.0, p_within=0.01, verdict="no match", words="much lighter", advised=None,
        added=(), added_unit=None, note="", taught=None, figures=None,
    )  # fmt: skip
    batch = Batch(id=1, name="Green", original=None, date="2030-01-02", mix=(), grams=250.0,
                  note="", removed=None)  # fmt: skip
    html = batch_report(batch, None, (entry, entry), None).html()
    tags = checked(html)
    assert "4.80 (3.00 to 6.80)" in tags.text
    (svg,) = re.findall(r"data:image/svg\+xml;base64,([^\"]+)", html)
    assert base64.b64decode(svg).count(b"<circle") == 2
    valid(html)


def test_a_plot_is_sound_xml_whatever_its_names():
    from xml.etree import ElementTree

    svg = dots_svg([Dot(NASTY, 1, 0, 2), Dot("2", 50, 40, 60, True)], NASTY, [(2.0, "<line>")])
    root = ElementTree.fromstring(svg)
    assert "script" not in {element.tag.rpartition("}")[2] for element in root.iter()}


def test_a_field_has_its_colour_twice_the_exact_one_last():
    """CSS Color 4, 9.3: lab(29.2345% 39.3825 20.0664) is #7d2329."""
    css = sheet.css_colour((29.2345, 39.3825, 20.0664))
    plain, exact = (part.partition(":")[2] for part in css.strip(";").split(";"))
    wanted = (0x7D, 0x23, 0x29)
    got = tuple(map(int, re.findall(r"\d+", plain)))
    assert max(abs(a - b) for a, b in zip(got, wanted, strict=True)) <= 1
    assert exact == "lab(29.23% 39.38 20.07)"


def test_a_photo_goes_in_as_pixels_alone():
    picture = Image.new("RGB", (40, 30), (10, 200, 90))
    exif = picture.getexif()
    exif[0x010E] = "where it was taken"
    exif.get_ifd(0x8825)[1] = "N"
    out = io.BytesIO()
    picture.save(out, "JPEG", exif=exif)
    part = sheet.photo(Image.open(io.BytesIO(out.getvalue())), "a photo")
    inside = Image.open(io.BytesIO(base64.b64decode(part.source.partition(",")[2])))
    assert not inside.getexif()
    assert "exif" not in inside.info


def test_a_report_is_never_written_over_unasked(tmp_path, monkeypatch):
    monkeypatch.setenv("DRAWDOWN_BOOK", str(tmp_path / "book"))
    with open_book(tmp_path / "book", create=True) as book:
        keep(book, "Blue")
    out = tmp_path / "out.html"
    assert cli.main(["book", "list", "--report", str(out)]) == 0
    speak(None)
    checked(out.read_text(encoding="utf-8"))
    out.write_text("mine")
    for command in (["book", "list"], ["book", "show", "Blue"], ["book", "batch", "Green"]):
        assert cli.main([*command, "--report", str(out)]) == 2
        assert out.read_text() == "mine"
    assert cli.main(["book", "show", "Blue", "--report", str(out), "--replace"]) == 0
    assert "Blue" in out.read_text(encoding="utf-8")
    assert cli.main(["book", "list", "--report", str(tmp_path / "out.txt")]) == 2
    assert cli.main(["book", "list", "batches", "--report", str(tmp_path / "b.html")]) == 2
