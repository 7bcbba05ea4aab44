"""The guide on the page, and the lines for a terminal that its sentences name: on a phone each is
a link. Read with the HTML standard's own parser (tinyhtml5)."""

from __future__ import annotations

import re

import page_kit
import pytest

from drawdown.guide.pages import page_names, page_text, pages, title
from drawdown.page.studio import linked


def test_a_line_for_a_terminal_becomes_a_link():
    assert linked("Gloves; more: drawdown guide safety.") == (
        'Gloves; more: <a href="/guide/safety">Safety</a>.'
    )
    assert '<a href="/guide/blurred">' in linked("see drawdown guide blurred")
    assert linked("put the card in the shot (drawdown card card.pdf)").endswith(
        '(<a href="/guide">print the card</a>)'
    )
    assert "on the studio’s computer" in linked("your shelf with drawdown ink add, or another")
    assert linked("drawdown guide nosuch") == '<a href="/guide">the guide</a> nosuch'
    assert linked('<b>"drawdown guide <i>"') == (
        '&lt;b&gt;&quot;<a href="/guide">the guide</a> &lt;i&gt;&quot;'
    )


@pytest.mark.slow
def test_every_page_of_the_guide_and_the_card_are_on_the_phone(served):
    tinyhtml5 = pytest.importorskip("tinyhtml5")
    phone = served.phone()
    contents = served.ask("/guide", phone=phone)[2].decode()
    seen = {"/card-a4.pdf", "/card-letter.pdf"}
    for name in pages():
        assert f'<a href="/guide/{name}">{title(name)}</a>' in contents
        status, _, told = served.ask(f"/guide/{name}", phone=phone)
        shown = told.decode()
        assert status == 200
        assert f"<h1>{title(name)}</h1>" in shown
        assert "<!--" not in shown
        assert "&lt;!--" not in shown
        tinyhtml5.parse(shown)
        seen |= set(re.findall(r'(?:href|src)="(/guide/[^"#]+)', shown))
    for place in sorted(seen):
        assert served.ask(place, phone=phone)[0] == 200, place
    for place in ("/guide/README", "/guide/nosuch", "/guide/trust", "/card-a0.pdf"):
        assert served.ask(place, phone=phone)[0] == (200 if place == "/guide/trust" else 404)
    for paper, size in (("a4", b"595.2"), ("letter", b"612 792")):
        _, headers, pdf = served.ask(f"/card-{paper}.pdf", phone=phone)
        assert headers["content-type"] == "application/pdf"
        assert pdf.startswith(b"%PDF")
        assert re.search(rb"/MediaBox\s*\[\s*0 0 " + size.replace(b".", rb"\."), pdf)


@pytest.mark.slow
def test_a_remark_has_its_point_first(served):
    shown = served.ask("/guide/blurred", phone=served.phone())[2].decode()
    point = re.sub(r"\W+", " ", page_text("blurred").split("\n# ")[0]).strip()[:40]
    plain = re.sub(r"\W+", " ", re.sub(r"<[^>]*>", "", shown))
    assert plain.index(point) < plain.index(title(page_names()["blurred"]), plain.index("Guide"))


@pytest.mark.slow
def test_no_answer_names_a_line_that_a_phone_cannot_type(served):
    phone = served.phone()
    for photo, link in (("no-match", "/guide/safety"), ("unusable", "")):
        look = served.send(page_kit.PHOTOS / f"{photo}.jpg", phone, mix="PB15:3 4, white 96")
        shown = served.answered(look, phone)
        assert f'<a href="{link}' in shown
        words = re.sub(r"<[^>]*>", "", shown)
        assert "drawdown guide" not in words
        assert "drawdown card" not in words
