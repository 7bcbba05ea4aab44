"""A batch followed photo by photo from a phone.

What the page says and notes is held against what the commands say and note of the same photos;
there is no outside reference for a page.
"""

from __future__ import annotations

import html
import json
import re
from types import SimpleNamespace
from urllib.parse import urlencode

import page_kit
import pytest
from book_kit import MIX as KEPT_MIX
from book_kit import keep, reading_row
from command_kit import run
from test_axe import faults

from calibration.errors import WrongUsage
from drawdown.book import open_book
from drawdown.book.batches import (
    StoryWentOn,
    add_to,
    batch_by_id,
    begin_batch,
    find_batch,
    log_reading,
    mix_with_added,
    story_of,
)
from drawdown.book.originals import find_original
from drawdown.book.store import list_changes
from drawdown.ink.shelf import starter_shelf
from drawdown.page.inks import amounts_given, as_text, in_fields

PHOTOS = page_kit.PHOTOS
MIX, GRAMS = "white 97, PB15:3 2, PG7 1", "250,5"


def steps(folder, name):
    """A batch's story, without times."""
    with open_book(folder) as book:
        return [
            (e.kind, e.verdict, e.added, e.added_unit, bool(e.taught))
            for e in story_of(book, find_batch(book, name).id)
        ]


def post(served, phone: str, path: str, **fields: str) -> tuple[int, str, str]:
    """Status, where it leads, what it says; ``_`` in a name stands for a space."""
    body = urlencode({name.replace("_", " ", 1) if name.startswith("ink_") else name: value
                      for name, value in fields.items()}).encode()  # fmt: skip
    kind = "application/x-www-form-urlencoded"
    status, headers, told = served.ask(
        path, "POST", body, phone=phone, Origin=served.origin, Content_Type=kind
    )
    return status, headers.get("location", ""), html.unescape(told.decode())


def get(served, phone: str, path: str) -> str:
    status, _, told = served.ask(path, phone=phone)
    assert status == 200, path
    return html.unescape(told.decode())


def begun(folder, name: str, *, match: bool = False, grams: float | None = 200.0) -> int:
    """A batch towards an original with one photo, as ``match --batch`` would log it; its number."""
    compared = SimpleNamespace(
        de00=1.0 if match else 5.0, de00_low95=0.2, de00_high95=1.9, tolerance=2.0, p_within=0.9,
        verdict="match" if match else "no match",
    )  # fmt: skip
    with open_book(folder, create=True) as book:
        original = keep(book, f"Original of {name}")
        with book.change(f'logged a photo of batch "{name}"') as change:
            batch = begin_batch(
                book, change, name=name, original=original, date="2030-05-04",
                mix=KEPT_MIX[:1] if match else KEPT_MIX, grams=grams,
            )  # fmt: skip
            log_reading(
                change, batch, reading=change.insert("reading", reading_row()),
                original_reading=None, across_photos=True, comparison=compared, words="lighter",
                advised=None,
            )  # fmt: skip
        return batch


def judged(folder, phone_look: str, follows: str, entry: int, **advice) -> str:
    """A look that was judged, as its process leaves it; where it is."""
    look = folder / "page" / "looks" / phone_look
    look.mkdir(mode=0o700)
    rows = {"grams_first": None, "portion": 1.0, **advice}
    answer = {"revision": 1, "entry": entry, "document": {"advice": rows}}
    (look / "asked.json").write_text(json.dumps({"follows": follows}))
    (look / "answer.json").write_text(json.dumps(answer))
    return f"/look/{phone_look}"


def hidden(page: str, form: str, name: str) -> str:
    """A hidden field of the form that posts there."""
    return re.search(rf'action="{form}".*?name="{name}" value="(\d+)"', page, re.S)[1]


def test_inks_typed_and_chosen_are_one_mix():
    shelf = starter_shelf()
    typed = amounts_given({"mix": "white 97 g; PB15:3 2,5 g"}, "mix", shelf)
    assert (as_text(typed), typed.grams) == ("titanium-white 97 g, phthalo-blue 2.5 g", 99.5)
    form = {"mix": "PB15:3 4", "ink phthalo-blue": "2", "ink titanium-white": "95,5", "ink x": ""}
    both = amounts_given(form, "mix", shelf)
    assert both.amounts == {"phthalo-blue": 4.0, "titanium-white": 95.5}
    assert in_fields(as_text(both), shelf) == (
        {"phthalo-blue": "4", "titanium-white": "95.5"}, ""
    )  # fmt: skip
    assert in_fields("titanium-white 9, madder 1", shelf) == ({"titanium-white": "9"}, "madder 1")
    assert amounts_given({"ink phthalo-blue": "0"}, "mix", shelf) is None
    for wrong in ({"mix": "woad 3"}, {"ink woad": "3"}, {"ink phthalo-blue": "much"}):
        with pytest.raises(WrongUsage):
            amounts_given(wrong, "mix", shelf)


@pytest.mark.slow
def test_what_went_in_is_noted_once_and_taken_back(served):
    phone, number = served.phone(), begun(served.book, "Reed")
    place = f"/batch/{number}"
    said = get(served, phone, place)
    assert "200 g" in said
    assert said.count("<circle") >= 1
    assert "Reed" in get(served, phone, "/batch")
    after = hidden(said, f"{place}/added", "after")
    for _ in range(2):  # two taps
        status, back, _ = post(
            served, phone, f"{place}/added", **{"after": after, "ink_phthalo-blue": "1,25"}
        )
        assert (status, back) == (303, place)
    assert steps(served.book, "Reed")[1:] == [
        ("added", None, (("phthalo-blue", 1.25),), "grams", False)
    ]
    said = get(served, phone, place)
    assert "201.2 g" in said
    change = hidden(said, f"{place}/undo", "change")
    with open_book(served.book) as book:
        keep(book, "Something else meanwhile")
    assert post(served, phone, f"{place}/undo", change=change)[0] == 400
    with open_book(served.book, write=True) as book:
        book.undo()
    assert post(served, phone, f"{place}/undo", change=change)[0] == 303
    assert len(steps(served.book, "Reed")) == 1
    assert post(served, phone, f"{place}/added", after=after)[0] == 400
    assert post(served, phone, f"{place}/recipe")[0] == 400
    assert served.ask("/batch/999", phone=phone)[0] == 404


def test_a_portion_is_put_aside_before_the_addition(tmp_path):
    number = begun(tmp_path / "book", "Reed")
    with open_book(tmp_path / "book", write=True) as book:
        add_to(book, batch_by_id(book, number), (("phthalo-blue", 60.0),), "grams", portion=0.6)
        story = story_of(book, number)
        assert mix_with_added(batch_by_id(book, number), story)[1] == pytest.approx(0.6 * 200 + 60)
        with pytest.raises(StoryWentOn):
            add_to(book, batch_by_id(book, number), (("phthalo-blue", 1.0),), "grams",
                   after=story[-2].id)  # fmt: skip
        assert story_of(book, number) == story


@pytest.mark.slow
@pytest.mark.parametrize("grams", [200.0, None])
def test_what_was_advised_is_noted_in_what_the_batch_is_known_in(served, grams):
    name = f"Sedge {grams}"
    number = begun(served.book, name, grams=grams)
    with open_book(served.book) as book:
        (entry,) = (e.id for e in story_of(book, number))
    place = judged(
        served.book, f"{number:032x}", name, entry, portion=0.5,
        grams_first=[{"ink": "phthalo-blue", "grams": 40.0}],
        add_first=[{"ink": "phthalo-blue", "parts_per_100": 40.0}],
    )  # fmt: skip
    for _ in range(2):  # two taps
        fields = {"as_advised": "1", "after": str(entry)}
        assert post(served, served.phone(), f"{place}/added", **fields)[0] == 303
    with open_book(served.book) as book:
        mix, now = mix_with_added(find_batch(book, name), story_of(book, number))
    blue = 100 * (3 + 40) / 140  # of 100, and 40 to them
    assert {part.ink: part.parts for part in mix}["phthalo-blue"] == pytest.approx(blue, abs=1e-3)
    assert now == (None if grams is None else pytest.approx(140.0))


@pytest.mark.slow
def test_a_batch_that_matches_becomes_the_recipe(served):
    phone, number = served.phone(), begun(served.book, "Rush", match=True)
    assert "as the recipe of Original of Rush" in get(served, phone, f"/batch/{number}")
    assert post(served, phone, f"/batch/{number}/recipe")[0] == 303
    with open_book(served.book) as book:
        recipe = find_original(book, "Original of Rush").recipe
    assert [(part.ink, part.parts) for part in recipe.mix] == [("titanium-white", 100.0)]
    assert "as the recipe" not in get(served, phone, f"/batch/{number}")


@pytest.mark.slow
def test_a_page_to_look_at_follows_no_batch(tmp_path):
    number = begun(tmp_path / "book", "Reed")
    with page_kit.running(tmp_path, "--read-only") as served:
        phone = served.phone()
        said = get(served, phone, f"/batch/{number}")
        assert '<form method="post"' not in said
        assert 'class="send"' not in said
        for path in (f"/batch/{number}/added", f"/batch/{number}/undo", f"/batch/{number}/recipe"):
            assert post(served, phone, path, ink_x="1", change="2")[0] == 400, path
        body, kind = page_kit.form(PHOTOS / "match.jpg", follows="Reed")
        sent = served.ask("/look", "POST", body, phone=phone, Origin=served.origin,
                          Content_Type=kind)  # fmt: skip
        assert sent[0] == 400
    with open_book(tmp_path / "book") as book:
        assert len(list_changes(book)) == 2


@pytest.mark.slow
def test_a_photo_judged_anew_stands_once_in_the_story(served):
    phone = served.phone()
    look = served.send(
        PHOTOS / "no-match.jpg", phone, follows="Kingfisher red", mix=MIX, grams=GRAMS
    )
    served.answered(look, phone)
    first = steps(served.book, "Kingfisher red")
    assert [step[:2] for step in first] == [("read", "no match")]
    fields = {"follows": "Kingfisher red", "mix": MIX, "grams": "300", "tolerance": "9"}
    assert post(served, phone, f"{look}/ask", **fields)[0] == 303
    served.answered(look, phone)
    assert [step[:2] for step in steps(served.book, "Kingfisher red")] == [("read", "match")]
    with open_book(served.book) as book:
        assert find_batch(book, "Kingfisher red").grams == 300.0
    strips = get(served, phone, f"{look}/strips")
    assert strips.count('value="titanium-white 97, phthalo-blue 2, phthalo-green 1"') == 1
    report = served.ask(f"{look}/report", phone=phone)[2].decode()
    assert "The story so far" in report


@pytest.mark.slow
def test_a_kept_original_is_compared_where_the_photo_does_not_show_it(served, capsys, monkeypatch):
    phone = served.phone()
    with open_book(served.book, create=True) as book:
        keep(book, "Sky", (72.0, -22.0, -28.0))
    assert "Compared with" in get(served, phone, "/?kept=Sky")
    fields = {"kept": "sky", "apart": "1", "follows": "Sky,  may"}
    look = served.send(PHOTOS / "no-match.jpg", phone, **fields)
    said = html.unescape(served.answered(look, phone))
    assert '"Sky" in the book' in said
    shown = get(served, phone, f"{look}/strips")
    assert shown.count("titanium-white 97, phthalo-blue 3") >= 1
    monkeypatch.setenv("DRAWDOWN_BOOK", str(served.book))
    _, told, _ = run(capsys, PHOTOS / "no-match.jpg", "--kept", "Sky", "--apart", "--json")
    compared = json.loads(told)["comparison"]
    assert f"Delta E 2000  {compared['de00']:.2f}" in said
    assert "goes on with the batch" in get(served, phone, "/")
    number = re.search(r"/batch/(\d+)", get(served, phone, "/"))[1]
    assert "Sky, may" in get(served, phone, f"/batch/{number}")
    assert "goes on with the batch" not in get(served, phone, "/?new=1")


@pytest.mark.slow
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
    found = {"steppers": faults(phone)}
    sizes = phone.eval_on_selector_all(
        "#batch [data-by]", "all => all.map(b => b.getBoundingClientRect()).map(b => [b.width, "
        "b.height]).filter(b => b[0])"
    )  # fmt: skip
    assert sizes
    assert min(map(min, sizes)) >= 48
    phone.evaluate("document.documentElement.style.fontSize = '200%'")
    assert phone.evaluate("document.documentElement.scrollWidth <= innerWidth")
    assert phone.evaluate(
        "[...document.querySelectorAll('nav a')].every(a => a.scrollWidth <= a.clientWidth && "
        "a.getBoundingClientRect().right <= innerWidth)"
    )
    phone.evaluate("document.documentElement.style.fontSize = ''")
    phone.fill("#batch [name='ink phthalo-blue']", "0,5")
    phone.click("[aria-label='More phthalo-blue']")
    assert phone.input_value("#batch [name='ink phthalo-blue']") == "0,6"
    phone.click("text=Note it")
    phone.wait_for_selector("#batch .strong")
    phone.click("text=Undo")
    phone.wait_for_selector("#batch .strong", state="detached")
    phone.set_input_files("#batch input[name=photo]", PHOTOS / "match.jpg")
    phone.wait_for_selector("h1 >> text=/^MATCH/")
    assert phone.locator("#batch figure svg circle").count() == 3
    phone.click("#batch h2 a")
    phone.wait_for_selector("h1 >> text=Kingfisher green")
    found["batch"] = faults(phone)
    assert not any(found.values()), found
    monkeypatch.setenv("DRAWDOWN_BOOK", str(tmp_path / "book"))
    batch = ("--batch", "Kingfisher green")
    run(capsys, PHOTOS / "no-match.jpg", *batch, "--mix", MIX, "--grams", "250.5")
    run(capsys, PHOTOS / "too-close.jpg", *batch, "--added", f"phthalo-blue {advised}")
    *told, third = steps(served.book, batch[1])
    assert told == steps(tmp_path / "book", batch[1])
    assert third[:2] == ("read", "match")
