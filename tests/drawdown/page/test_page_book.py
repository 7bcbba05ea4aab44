"""The book's pages: kept, found, mixed again, stored, printed and undone from a phone.

What a page says is held against what the book holds; there is no outside reference for it.
"""

from __future__ import annotations

import html
import re
from urllib.parse import urlencode

import page_kit
import pytest
from book_kit import keep

from drawdown.book import open_book
from drawdown.book.batches import find_batch
from drawdown.book.originals import find_original
from drawdown.book.packets import find_packet
from drawdown.book.store import list_changes

pytestmark = pytest.mark.slow
NAME = 'River "blue" <b>'


def post(served, phone: str, path: str, **fields: str) -> tuple[int, str, str]:
    """Status, where it leads, what it says."""
    body = urlencode(fields).encode()
    kind = "application/x-www-form-urlencoded"
    status, headers, told = served.ask(
        path, "POST", body, phone=phone, Origin=served.origin, Content_Type=kind
    )
    return status, headers.get("location", ""), html.unescape(told.decode())


def get(served, phone: str, path: str) -> tuple[int, str]:
    status, _, told = served.ask(path, phone=phone)
    return status, html.unescape(told.decode("utf-8", "replace"))


@pytest.fixture(scope="module")
def shelf_of(served):
    """A phone, its look, and the place of an original that was kept from it."""
    phone = served.phone()
    look = served.send(page_kit.PHOTOS / "no-match.jpg", phone)
    served.answered(look, phone)
    mix = "white 97, PB15:3 3"
    status, place, _ = post(
        served, phone, f"{look}/keep", strip="1", name=NAME, mix=mix, edition="King", paper="kozo"
    )
    assert status == 303
    return phone, look, place.partition("?")[0]


def test_a_strip_is_kept_as_the_command_keeps_it(served, shelf_of):
    phone, look, place = shelf_of
    with open_book(served.book) as book:
        found = find_original(book, NAME)
        assert place.endswith(f"/{found.id}")
        assert [(p.ink, p.parts) for p in found.recipe.mix] == [
            ("titanium-white", 97.0),
            ("phthalo-blue", 3.0),
        ]
        assert (found.edition, found.paper, found.state) == ("King", "kozo", "dry")
        assert found.reading.strip_number == 1
    status, said = get(served, phone, "/book?text=kozo&sort=hue")
    assert status == 200
    assert NAME in said
    assert NAME not in get(served, phone, "/book?text=nowhere")[1]
    assert post(served, phone, f"{look}/keep", strip="1", name=NAME)[0] == 400
    assert post(served, phone, f"{look}/keep", strip="7", name="Seven")[0] == 400
    assert post(served, phone, f"{look}/keep", strip="", name="None")[0] == 400


def test_it_is_mixed_again_stored_used_and_undone(served, shelf_of):
    phone, _, place = shelf_of
    status, said = get(served, phone, f"{place}?grams=60")
    assert status == 200
    assert "58.2 g" in said
    assert "It begins light" in said
    assert get(served, phone, f"{place}?grams=plenty")[0] == 400
    status, back, _ = post(served, phone, f"{place}/mix", name="River, May", grams="60,0")
    assert (status, back.partition("?")[0]) == (303, place)
    left = {"name": "rest", "grams": "9,5", "where": "drawer", "batch": "River, May"}
    assert post(served, phone, f"{place}/store", **left)[0] == 303
    with open_book(served.book) as book:
        batch = find_batch(book, "River, May")
        packet = find_packet(book, "rest")
        assert batch.grams == pytest.approx(59.8, abs=0.1)
        assert (packet.grams, packet.place, packet.batch) == (9.5, "drawer", batch.id)
    status, used, _ = post(served, phone, f"/book/packets/{packet.id}/use", grams="4")
    assert status == 303
    change = used.rpartition("=")[2]
    assert f'value="{change}"' in get(served, phone, used)[1]
    refused = post(served, phone, "/book/undo", change=str(int(change) - 1))
    assert refused[0] == 400
    assert post(served, phone, "/book/undo", change=change)[0] == 303
    with open_book(served.book) as book:
        assert find_packet(book, "rest").grams == 9.5


def test_what_is_like_a_strip_is_found(served, shelf_of):
    phone, look, _ = shelf_of
    status, said = get(served, phone, f"{look}/near?strip=1")
    assert status == 200
    assert "Delta E 0.00" in said
    assert NAME in said


def test_an_edition_is_followed_from_photo_to_chart(served, shelf_of):
    phone, look, _ = shelf_of
    for strip, edition in (("1", "Tide & foam"), ("2", "tide & FOAM")):
        status, place, _ = post(served, phone, f"{look}/pull", strip=strip, edition=edition)
        assert status == 303
        assert place.startswith("/book/run?edition=Tide%20%26%20foam&")
    status, said = get(served, phone, place)
    assert status == 200
    assert said.count("<svg xmlns") == 2
    assert "the first good pull" in said
    assert "Adjust" in said or "Stop" in said or "Look closer" in said
    assert post(served, phone, f"{look}/pull", strip="2", edition="Tide & foam")[0] == 400
    assert b"<svg" not in served.ask("/book/run/report?edition=Tide%20%26%20foam", phone=phone)[2]


def test_reports_labels_and_recipe_sheets_are_files(served, shelf_of):
    phone, look, place = shelf_of
    for path, kind, starts in (
        (f"{place}/recipe.pdf", "application/pdf", b"%PDF"),
        (f"{place}/label.pdf", "application/pdf", b"%PDF"),
        (f"{place}/report", "text/html", b"<!DOCTYPE html>"),
        (f"{look}/report", "text/html", b"<!DOCTYPE html>"),
        ("/book/report", "text/html", b"<!DOCTYPE html>"),
    ):
        status, headers, content = served.ask(path, phone=phone)
        assert status == 200, path
        assert headers["content-type"].startswith(kind)
        assert "attachment" in headers["content-disposition"]
        assert content.startswith(starts)
        assert b"<script" not in content


def test_nothing_is_there_that_is_not_in_the_book(served, shelf_of):
    phone, *_ = shelf_of
    beyond = 2**63
    for path in (
        "/book/kept/999", f"/book/kept/{beyond}", "/book/kept/999/report",
        "/book/other/1/label.pdf", "/book/packet/999/label.pdf",
        f"/book/packet/{beyond}/label.pdf", "/look/" + "0" * 32 + "/strips",
    ):  # fmt: skip
        assert get(served, phone, path)[0] == 404, path
    assert get(served, phone, "/book/run?edition=Nobody")[0] in (400, 404)
    assert served.ask("/book")[0] in (401, 403)
    body = urlencode({"change": "1"}).encode()
    kind = "application/x-www-form-urlencoded"
    sent = served.ask(
        "/book/undo", "POST", body, phone=phone, Origin="http://elsewhere", Content_Type=kind
    )
    assert sent[0] == 403


def test_a_page_to_look_at_changes_nothing(tmp_path):
    with open_book(tmp_path / "book", create=True) as book:
        keep(book, "Sand")
    with page_kit.running(tmp_path, "--read-only") as served:
        phone = served.phone()
        place = "/book/kept/1"
        assert "58.2 g" in get(served, phone, f"{place}?grams=60")[1]
        forms = (f"{place}/mix", f"{place}/store", "/book/undo", "/book/packets/1/use")
        for path in forms:
            assert post(served, phone, path, name="x", grams="60", change="1")[0] == 400, path
        assert '<form method="post"' not in get(served, phone, place)[1]
    with open_book(tmp_path / "book") as book:
        assert len(list_changes(book)) == 1


def test_a_phone_browses_the_wall_and_prints_a_report(served, shelf_of, phone, tmp_path):
    phone.goto(f"{served.origin}/book")
    fields = phone.eval_on_selector_all(".wall rect", "all => all.map(o => o.getAttribute('fill'))")
    assert fields
    assert all(re.fullmatch("#[0-9a-f]{6}", one) for one in fields)
    phone.click(".wall a >> nth=0")
    phone.fill("[name=grams] >> nth=0", "12,5")
    phone.click("text=Weigh it out")
    assert "12.5" in phone.inner_text("main")
    assert phone.evaluate("document.documentElement.scrollWidth <= innerWidth")
    with phone.expect_download() as coming:
        phone.click("text=Report >> nth=0")
    saved = tmp_path / "report.html"
    coming.value.save_as(saved)
    sheet = phone.context.browser.new_context(color_scheme="dark").new_page()
    sheet.goto(saved.as_uri())
    printed = sheet.pdf(format="A4")
    assert printed.startswith(b"%PDF")
    assert sheet.evaluate("getComputedStyle(document.querySelector('.pair div')).backgroundColor")
    sheet.context.close()
