"""Ten phones at once, and a page that is killed while it saves.

Each phone's answer is held against what its own photo shows (fixtures/README.md).
"""

from __future__ import annotations

import re
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from urllib.parse import urlencode

import page_kit
import pytest

from drawdown.book import open_book
from drawdown.book.repair.check import check

pytestmark = pytest.mark.slow
SHOWS = {
    "match": "MATCH", "no-match": "NO MATCH", "too-close": "TOO CLOSE TO CALL",
    "unusable": "NO VERDICT",
}  # fmt: skip


def test_ten_phones_at_once_have_each_its_own_answer(served):
    names = [list(SHOWS)[n % 4] for n in range(10)]
    photos = {name: (page_kit.PHOTOS / f"{name}.jpg").read_bytes() for name in SHOWS}
    phones = [served.phone() for _ in names]

    def client(phone: str, name: str) -> tuple[str, str]:
        look = served.send(photos[name], phone)
        return look, served.answered(look, phone, 120)

    with ThreadPoolExecutor(10) as pool:
        came = list(pool.map(client, phones, names))
    for name, (_, shown) in zip(names, came, strict=True):
        assert re.search(r"<h1[^>]*>([^<]*)</h1>", shown)[1] == SHOWS[name]
    for phone, (look, _) in zip(phones, came, strict=True):
        home = served.ask("/", phone=phone)[2].decode()
        assert re.findall(r'href="(/look/\w+)"', home) == [look]  # nobody else's


def test_a_page_killed_while_it_saves_goes_on(tmp_path):
    """Killed with all its processes at the first change of a file in the book, while another photo
    was not judged yet."""
    with page_kit.running(tmp_path) as served:
        phone = served.phone()
        judged = served.send(page_kit.PHOTOS / "no-match.jpg", phone)
        served.answered(judged, phone)
        _keep(served, phone, judged, "Sand")
        waiting = served.send(page_kit.PHOTOS / "match.jpg", phone)
        before = _changes(served.book)
        saving = threading.Thread(target=_keep, args=(served, phone, judged, "River"))
        saving.start()
        end = time.monotonic() + 60
        while _changes(served.book) == before:
            assert time.monotonic() < end, "nothing was saved"
        page_kit.kill(served)
        saving.join(30)
    assert check(served.book).whole
    with page_kit.running(tmp_path) as served:
        assert "MATCH" in served.answered(waiting, phone)
        assert "NO MATCH" in served.answered(judged, phone)
        home = served.ask("/", phone=phone)[2].decode()
        assert waiting in home
        assert judged in home
        kept = _kept(served.book)
        assert kept in (["Sand"], ["River", "Sand"])
        _keep(served, phone, judged, "River" if kept == ["Sand"] else "Reeds")
        assert page_kit.stop(served) == 130
    assert "Traceback" not in served.said.read_text()
    assert check(served.book).whole
    assert len(_kept(served.book)) == len(kept) + 1
    with page_kit.running(tmp_path, "--new-key") as served:  # phones that were let in scan again
        assert served.ask("/", phone=phone)[0] == 403


def _keep(served, phone: str, look: str, name: str) -> None:
    """Keep a strip; the page may be gone in the middle of it."""
    body = urlencode({"strip": "1", "name": name}).encode()
    try:
        status, _, told = served.ask(
            f"{look}/keep", "POST", body, phone=phone, Origin=served.origin, timeout=60,
            Content_Type="application/x-www-form-urlencoded",
        )  # fmt: skip
    except (OSError, page_kit.http.client.HTTPException):
        return
    assert status == 303, told


def _changes(book) -> dict[str, int]:
    """When each file of the book was changed; the page's own are left out."""
    found = {}
    for path in book.rglob("*"):
        try:
            if "page" not in path.parts:
                found[str(path)] = path.stat().st_mtime_ns
        except FileNotFoundError:
            continue
    return found


def _kept(book) -> list[str]:
    with open_book(book) as opened:
        return sorted(row["name"] for row in opened.rows("SELECT name FROM original"))
