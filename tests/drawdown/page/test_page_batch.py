"""A batch followed photo by photo from a phone.

What the page says and notes is held against what the commands say and note of the same photos;
there is no outside reference for a page.
"""

from __future__ import annotations

import json
import re

import page_kit
import pytest
from command_kit import run

from drawdown.book import open_book
from drawdown.book.batches import find_batch, story_of

pytestmark = pytest.mark.slow
PHOTOS = page_kit.PHOTOS
MIX, GRAMS = "white 97, PB15:3 2, PG7 1", "250,5"


def steps(folder, name):
    """A batch's story, without times."""
    with open_book(folder) as book:
        return [
            (e.kind, e.verdict, e.added, e.added_unit, bool(e.taught))
            for e in story_of(book, find_batch(book, name).id)
        ]


def test_a_batch_is_followed_over_three_photos(served, phone, capsys, monkeypatch, tmp_path):
    phone.click("summary")
    phone.fill("[name=mix]", MIX)
    phone.fill("[name=grams]", GRAMS)
    phone.set_input_files("form#send input[name=photo]", PHOTOS / "no-match.jpg")
    phone.wait_for_selector(".verdict h1")
    advised = re.search(r"([\d.]+) g of phthalo-blue", phone.inner_text(".action"))[1]
    phone.fill("#batch [name=follows]", "Kingfisher green")
    phone.click("text=I added it")
    phone.wait_for_selector("#batch .strong")
    assert f"phthalo-blue {advised} g" in phone.inner_text("#batch .strong")
    phone.set_input_files("#batch input[name=photo]", PHOTOS / "too-close.jpg")
    phone.wait_for_selector(".verdict h1 >> text=TOO CLOSE")
    assert phone.locator("#batch figure svg circle").count() == 2
    phone.click("#batch >> text=Something else went in")
    phone.fill("#batch [name=added]", "PB15:3 0,6")
    phone.click("text=Note it")
    phone.wait_for_selector("#batch .strong")
    phone.click("text=Undo")
    phone.wait_for_selector("#batch .strong", state="detached")
    phone.set_input_files("#batch input[name=photo]", PHOTOS / "match.jpg")
    phone.wait_for_selector("h1 >> text=/^MATCH/")
    assert phone.locator("#batch figure svg circle").count() == 3
    monkeypatch.setenv("DRAWDOWN_BOOK", str(tmp_path / "book"))
    batch = ("--batch", "Kingfisher green")
    run(capsys, PHOTOS / "no-match.jpg", *batch, "--mix", MIX, "--grams", "250.5")
    run(capsys, PHOTOS / "too-close.jpg", *batch, "--added", f"phthalo-blue {advised}")
    _, told, _ = run(capsys, PHOTOS / "match.jpg", *batch, "--json")
    assert steps(served.book, batch[1]) == steps(tmp_path / "book", batch[1])
    assert f"{json.loads(told)['comparison']['de00']:.2f}" in phone.inner_text(".facts")
