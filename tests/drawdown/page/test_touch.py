"""A finger on the photo: strips tapped and boxed, corners dragged, and a look without a card.

What is tapped is held against what the command says of the same places; no outside reference.
"""

from __future__ import annotations

import json
import re

import page_kit
import pytest
from command_kit import run

pytestmark = pytest.mark.slow
PHOTO = page_kit.PHOTOS / "too-close.jpg"


@pytest.fixture
def judged(phone):
    phone.set_input_files("form#send input[name=photo]", PHOTO)
    phone.wait_for_selector(".verdict h1")
    phone.click("text=Correct by touch")
    phone.wait_for_selector("#photo")
    phone.wait_for_load_state("load")
    return phone


def places(phone) -> dict[str, list[tuple[float, float]]]:
    """Where the strips lie in the photo, by number, as the page has them."""
    found = phone.eval_on_selector_all(
        ".found", "all => all.map(g => [g.textContent, g.firstElementChild.getAttribute('points')])"
    )
    return {
        name: [tuple(map(float, p.split(","))) for p in points.split()] for name, points in found
    }


def middle(points) -> tuple[float, float]:
    return tuple(sum(axis) / len(points) for axis in zip(*points, strict=True))


def tall(points) -> float:
    return max(y for _, y in points) - min(y for _, y in points)


def on_screen(phone, x: float, y: float) -> tuple[float, float]:
    """A place in the photo as a place on the screen."""
    phone.evaluate(
        "document.getElementById('photo').scrollIntoView({block: 'center', behavior: 'instant'});"
        "new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)))"
    )
    box = phone.locator("#photo").bounding_box()
    wide = float(phone.get_attribute("#photo", "viewBox").split()[2])
    return box["x"] + x * box["width"] / wide, box["y"] + y * box["width"] / wide


def facts(phone) -> str:
    phone.click("text=Judge it so")
    phone.wait_for_selector(".verdict h1")
    assert phone.is_visible(".facts"), phone.inner_text("main")
    return phone.inner_text(".facts")


def test_two_taps_say_which_strip_is_the_original(judged):
    where = places(judged)
    for number in "21":  # the other way round
        judged.touchscreen.tap(*on_screen(judged, *middle(where[number])))
    assert facts(judged)
    assert judged.inner_text(".names").split("\n")[0].startswith("original (strip 2)")


def test_a_box_drawn_over_part_of_a_strip_is_read_there(judged, served, capsys):
    judged.goto(served.origin)
    photo = page_kit.PHOTOS / "no-match.jpg"
    judged.set_input_files("form#send input[name=photo]", photo)
    judged.wait_for_selector(".verdict h1")
    judged.click("text=Correct by touch")
    judged.wait_for_selector("#photo")
    judged.wait_for_load_state("load")
    where = places(judged)
    for number in "12":
        x = middle(where[number])[0] - 30
        top = min(y for _, y in where[number]) + 40  # above the printed bar that it crosses
        start, end = on_screen(judged, x - 90, top), on_screen(judged, x + 90, top + 260)
        judged.mouse.move(*start)
        judged.mouse.down()
        judged.mouse.move(*end, steps=4)
        judged.mouse.up()
        role = "original" if number == "1" else "batch"
        said = [float(v) for v in judged.input_value(f"[name={role}_at]").split(",")]
        assert said == pytest.approx([x - 90, top, 180, 260], abs=9)
    shown = facts(judged)
    _, told, _ = run(capsys, photo, "--json")
    found, de00 = json.loads(told)["comparison"], float(re.search(r"2000\s+(\S+)", shown)[1])
    assert found["de00_low95"] < de00 < found["de00_high95"]
    judged.click("text=Correct by touch")
    judged.wait_for_selector("#photo")
    for number, points in places(judged).items():  # what was read lies in the box
        assert tall(points) < 0.5 * tall(where[number])


def test_corners_are_dragged_under_a_magnifier_and_moved_by_keys(judged, capsys):
    judged.click("text=Card >> nth=0")
    corner = judged.locator("#corners circle").first
    x, y = float(corner.get_attribute("cx")), float(corner.get_attribute("cy"))
    judged.mouse.move(*on_screen(judged, x, y))
    judged.mouse.down()
    judged.mouse.move(*on_screen(judged, x + 40, y + 40), steps=3)
    assert judged.is_visible("#glass")
    judged.mouse.move(*on_screen(judged, x, y), steps=3)
    judged.mouse.up()
    assert not judged.is_visible("#glass")
    corner.focus()
    judged.keyboard.press("Shift+ArrowRight")
    judged.keyboard.press("Shift+ArrowLeft")
    sent = judged.input_value("[name=corners]")
    assert [float(v) for v in sent.split()[0].split(",")] == pytest.approx((x, y), abs=8)
    shown = facts(judged)
    _, told, _ = run(capsys, PHOTO, "--card-corners", sent, "--json")
    assert f"{json.loads(told)['comparison']['de00']:.2f}" in shown


def test_a_rough_look_rests_on_paper_and_never_says_match(judged):
    where = places(judged)
    judged.focus("#photo")
    for number in "12":
        judged.touchscreen.tap(*on_screen(judged, *middle(where[number])))
    judged.click("text=No card in the photo?")
    judged.click("text=A rough look without the card")
    judged.wait_for_selector(".verdict h1")
    assert "by bare paper alone" in judged.inner_text("main")
    assert judged.inner_text("h1") == "TOO CLOSE TO CALL"
    assert "ut the printed card in the shot" in judged.inner_text(".action")


def test_a_tap_beside_every_strip_says_what_to_do(judged):
    ends = [middle(points) for points in places(judged).values()]
    judged.touchscreen.tap(*on_screen(judged, *middle(ends)))
    judged.click("text=Judge it so")
    judged.wait_for_selector(".verdict h1")
    assert judged.inner_text("h1") == "NO VERDICT"
    assert re.search("tap the middle of the strip", judged.inner_text(".why"), re.IGNORECASE)
    judged.click("text=Correct by touch")
    judged.click("text=Take all corrections back")
    judged.wait_for_selector(".verdict h1")
    assert judged.inner_text("h1") == "TOO CLOSE TO CALL"
