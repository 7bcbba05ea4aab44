"""A phone's browser takes the photo to the page and reads the verdict there.

What the page says is held against what the command says of the same photo; there is no outside
reference for a page.
"""

from __future__ import annotations

import json
import re

import page_kit
import pytest

pytestmark = pytest.mark.slow
PHOTOS = page_kit.PHOTOS


def shown_px(phone) -> int:
    """How wide the picture of the answer is, once it is there."""
    return phone.evaluate(
        "async () => { const picture = document.querySelector('figure img');"
        " await picture.decode(); return picture.naturalWidth; }"
    )


def judged(phone, photo) -> None:
    phone.set_input_files("form#send input[name=photo]", photo)
    phone.wait_for_selector(".verdict h1")


def test_a_photo_has_the_verdict_that_the_command_gives(served, phone, capsys):
    from command_kit import run

    photo = PHOTOS / "no-match.jpg"
    phone.click("summary")
    phone.fill("[name=mix]", "PB15:3 4, white 96")
    phone.fill("[name=grams]", "250,5 g")
    judged(phone, photo)
    code, screen, _ = run(capsys, photo, "--mix", "PB15:3 4, white 96", "--grams", "250.5")
    _, told, _ = run(capsys, photo, "--mix", "PB15:3 4, white 96", "--grams", "250.5", "--json")
    answer = json.loads(told)
    assert code == 3
    assert phone.inner_text("h1") == "NO MATCH"
    assert phone.inner_text(".facts").startswith(
        f"Delta E 2000  {answer['comparison']['de00']:.2f}"
    )
    screen, shown = " ".join(screen.split()), " ".join(phone.inner_text("main").split())
    action = " ".join(phone.inner_text(".action").split())
    assert "g of phthalo-blue" in action
    for text in (action, phone.inner_text(".lead"), "95 % interval", "Caution: gloves"):
        assert text in screen, text
        assert text in shown, text
    ends = [f"{answer['comparison'][f'de00_{end}95']:.2f}" for end in ("low", "high")]
    assert " to ".join(ends) in shown
    rects = phone.eval_on_selector_all(
        ".grey rect", "all => all.map(one => one.getAttribute('fill'))"
    )
    assert len(set(rects)) == 2
    assert shown_px(phone) > 500
    phone.click("text=All figures and remarks")
    assert re.search(r"L\*\s+\d+\.\d ± \d", phone.inner_text("details[open] table"))


def test_a_photo_that_cannot_be_judged_shows_where_and_why(phone):
    judged(phone, PHOTOS / "unusable.jpg")
    assert phone.inner_text("h1") == "NO VERDICT"
    assert "a lamp is mirrored in" in phone.inner_text(".why")
    assert "Turn the sheet" in phone.inner_text(".why .strong")
    assert phone.is_visible(".howto svg")
    assert shown_px(phone) > 500


def test_original_and_batch_are_swapped_and_a_second_photo_joins_the_first(phone):
    judged(phone, PHOTOS / "too-close.jpg")
    assert "original (strip 1)" in phone.inner_text(".names")
    phone.click("text=Swap original and batch")
    phone.wait_for_selector(".verdict h1")
    assert "original (strip 2)" in phone.inner_text(".names")
    phone.set_input_files("form.more input[name=photo]", PHOTOS / "too-close.jpg")
    phone.wait_for_selector("text=Judging your photo", state="attached")
    phone.wait_for_selector(".verdict h1")
    phone.click("text=All figures and remarks")
    assert "it is the same photo as" in phone.inner_text("details[open]")


def test_what_is_no_photo_is_told_and_not_kept(served, phone, tmp_path):
    broken = tmp_path / "broken.jpg"
    broken.write_bytes(b"\xff\xd8\xff\xe0" + bytes(5000))
    judged(phone, broken)
    assert phone.inner_text("h1") == "NO VERDICT"
    look = served.book / "page" / "looks" / phone.url.rpartition("/")[2]
    held = sorted(p.name for p in look.iterdir())
    assert held == ["answer.json", "asked.json"]


def test_a_photo_of_60_mb_is_refused_by_the_page_and_by_the_server(served, phone, tmp_path):
    large = tmp_path / "large.jpg"
    with large.open("wb") as stream:
        stream.write((PHOTOS / "match.jpg").read_bytes())
        stream.truncate(60_000_000)
    phone.set_input_files("form#send input[name=photo]", large)
    phone.wait_for_selector("text=more than 50 MB cannot be sent")
    status, _, told = served.ask(
        "/look", "POST", phone=served.phone(), Origin=served.origin, Content_Length="60000000"
    )
    assert status == 413
    assert b"More than 50 MB" in told


def test_where_a_photo_was_taken_is_gone_before_it_is_kept(served, tmp_path):
    from PIL import Image

    photo, phone = tmp_path / "placed.jpg", served.phone()
    with Image.open(PHOTOS / "match.jpg") as opened:
        exif = opened.getexif()
        exif.get_ifd(0x8825).update({1: "N", 2: (52.0, 31.0, 12.0)})  # GPS, CIPA DC-008
        exif[0x010F] = "a maker of cameras"
        opened.save(photo, exif=exif, quality=95)
    look = served.send(photo, phone)
    assert "MATCH" in served.answered(look, phone)
    folder = served.book / "page" / "looks" / look.rpartition("/")[2]
    (kept,) = (p for p in folder.iterdir() if p.name.startswith("1."))
    with Image.open(kept) as opened:
        assert not opened.getexif().get_ifd(0x8825)
    assert b"a maker of cameras" in photo.read_bytes()
    assert b"a maker of cameras" not in b"".join(p.read_bytes() for p in folder.iterdir())


def test_an_answer_that_is_not_there_yet_is_no_fault(served):
    """Asked for as a part of the page, while it is still being judged."""
    phone = served.phone()
    look = served.send(PHOTOS / "match.jpg", phone)
    status, _, told = served.ask(f"{look}?part=1", phone=phone)
    assert status == 409
    assert b"Judging your photo" in told
    served.wait(look, phone)
    assert served.ask(f"{look}?part=1", phone=phone)[0] == 200


def test_a_photo_sent_twice_is_one_look(served):
    phone, photo = served.phone(), PHOTOS / "match.jpg"
    first, second = (served.send(photo, phone, token="a" * 32) for _ in range(2))
    assert first == second
    assert served.send(photo, served.phone(), token="a" * 32) != first


def test_a_file_that_goes_while_the_photos_are_counted_costs_no_photo(tmp_path, monkeypatch):
    """Ten phones at once: what one process writes under a name for the moment is gone when
    another comes to count it."""
    from pathlib import Path
    from types import SimpleNamespace

    from drawdown.page.looks import Looks

    looks = Looks(SimpleNamespace(folder=tmp_path, book=tmp_path))
    look = looks.begin("0" * 32)
    (look.folder / "1.part").symlink_to(tmp_path / "gone")
    monkeypatch.setattr(Path, "is_file", lambda self: True)  # it was there a moment ago
    looks.prune()
    assert look.folder.exists()
