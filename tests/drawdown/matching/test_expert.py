"""Obvious cases at the slab, with what a practised hand says of each, and why: common practice, no
source. The inks are the starter's; the strips are of the forward model, equally thick."""

from __future__ import annotations

import pytest
from advice_kit import ask, strip

WHITE, BASE, BLACK = "titanium-white", "transparent-base", "bone-black"
BLUE, GREEN, YELLOW = "phthalo-blue", "phthalo-green", "arylide-yellow"
RED, VIOLET, ORANGE = "pyrrole-red", "dioxazine-purple", "pyrrole-orange"


def case(said, original, batch, first, never=()):
    return pytest.param(original, batch, first, never, id=said)


@pytest.mark.parametrize(
    ("original", "batch", "first", "never"),
    [
        # Short of colour: that colour, nothing else; white and base would go the wrong way.
        case("tint too light: its blue", {WHITE: 94, BLUE: 6}, {WHITE: 94, BLUE: 4}, {BLUE}),
        case("tint too light: its red", {WHITE: 85, RED: 15}, {WHITE: 85, RED: 9}, {RED}),
        case("tint too light: its green", {WHITE: 90, GREEN: 10}, {WHITE: 90, GREEN: 6}, {GREEN}),
        case("tint too light: its yellow", {WHITE: 70, YELLOW: 30}, {WHITE: 70, YELLOW: 18},
             {YELLOW}),
        case("let-down too light: its blue", {BASE: 95, BLUE: 5}, {BASE: 95, BLUE: 3}, {BLUE}),
        case("let-down too light: its red", {BASE: 85, RED: 15}, {BASE: 85, RED: 9}, {RED}),
        # Too dark: what thinned the original, never the other, which makes it cloudy or thin.
        case("tint too dark: white", {WHITE: 97, BLUE: 3}, {WHITE: 97, BLUE: 4.5}, {WHITE}, {BASE}),
        case("tint too dark: white", {WHITE: 92, RED: 8}, {WHITE: 92, RED: 12}, {WHITE}, {BASE}),
        case("let-down too dark: base", {BASE: 96, BLUE: 4}, {BASE: 96, BLUE: 6}, {BASE}, {WHITE}),
        case("let-down too dark: base", {BASE: 92, GREEN: 8}, {BASE: 92, GREEN: 12}, {BASE},
             {WHITE}),
        # Turned: the colour of the mix that it lacks.
        case("green too yellow: blue", {WHITE: 60, YELLOW: 30, BLUE: 10},
             {WHITE: 60, YELLOW: 30, BLUE: 6}, {BLUE}, {BLACK}),
        case("green too blue: yellow", {WHITE: 60, YELLOW: 30, BLUE: 6},
             {WHITE: 60, YELLOW: 18, BLUE: 6}, {YELLOW}, {BLACK}),
        case("orange too red: yellow", {YELLOW: 80, RED: 10, WHITE: 10},
             {YELLOW: 60, RED: 10, WHITE: 10}, {YELLOW}, {BLACK}),
        case("orange too yellow: red", {YELLOW: 80, RED: 12, WHITE: 10},
             {YELLOW: 80, RED: 7, WHITE: 10}, {RED}, {BLACK}),
        case("violet too blue: red", {WHITE: 70, BLUE: 6, RED: 24}, {WHITE: 70, BLUE: 6, RED: 15},
             {RED}, {BLACK}),
        case("violet too red: blue", {WHITE: 70, BLUE: 6, RED: 24}, {WHITE: 70, BLUE: 3.5, RED: 24},
             {BLUE}, {BLACK}),
        # A grey short of black gets black: there black is the colour.
        case("grey too light: black", {WHITE: 90, BLACK: 10}, {WHITE: 90, BLACK: 6}, {BLACK}),
        case("grey too dark: white", {WHITE: 90, BLACK: 10}, {WHITE: 90, BLACK: 15}, {WHITE},
             {BASE}),
        # Dulled by its complement in the mix: a little more of that, not black.
        case("red not dulled enough: its green", {WHITE: 60, RED: 36, GREEN: 4},
             {WHITE: 60, RED: 36, GREEN: 2}, {GREEN}, {BLACK}),
        case("orange not dulled enough: its blue", {ORANGE: 60, WHITE: 37, BLUE: 3},
             {ORANGE: 60, WHITE: 37, BLUE: 1.5}, {BLUE}, {BLACK}),
    ],
)  # fmt: skip
def test_the_first_ink_is_the_one_that_a_practised_hand_takes(original, batch, first, never):
    told = ask(strip(original), strip(batch), original, film_ratio=1.0, batch_grams=200)
    names = [name for name, _ in told.add_first]
    assert names, told.basis
    assert set(names[:1]) == first
    assert not never & set(names) if never else True
    assert len(names) <= 2


@pytest.mark.parametrize("ink", [RED, ORANGE])
def test_no_black_darkens_a_red_or_an_orange(ink):
    """A deeper colour or the complement does: black turns them brown and dead."""
    original = {ink: 97, BLUE: 3}
    told = ask(strip(original), strip({ink: 97, BLUE: 1}), original, film_ratio=1.0)
    assert BLACK not in [name for name, _ in told.additions]


@pytest.mark.parametrize("thin", [WHITE, BASE])
def test_no_flood_of_white_or_base(thin):
    """Overshot with the strongest ink: more than twice the batch is no correction. Then a portion
    is corrected, or it is mixed afresh."""
    told = ask(
        strip({thin: 98, BLUE: 2}), strip({thin: 80, BLUE: 20}), {thin: 98, BLUE: 2},
        film_ratio=1.0, batch_grams=100,
    )  # fmt: skip
    grams = sum(g for _, g in told.grams or ())
    assert told.portion < 1 or grams <= 200


def test_out_of_reach_is_said_first_with_the_ways_out_and_no_grams():
    """Black in a clean yellow: nothing takes it out."""
    original = {YELLOW: 90, WHITE: 10}
    told = ask(
        strip(original), strip({YELLOW: 60, WHITE: 10, BLACK: 30}), original, film_ratio=1.0,
        batch_grams=120,
    )  # fmt: skip
    assert told.additions == ()
    out = told.basis.way_out
    assert out is not None
    assert dict(out.fresh) == pytest.approx({YELLOW: 90, WHITE: 10})
    assert sum(g for _, g in out.fresh_grams) == pytest.approx(120, abs=0.3)
    assert out.small_part <= 0.1
    assert told.basis.by_mistake[0] in (BLACK, "carbon-black")


def test_the_batchs_own_mix_serves_as_well_as_the_originals():
    """The original had twice the batch's blue; with the batch's mix noted, what is missing is
    what the original differs by."""
    original, batch = {WHITE: 96, BLUE: 4}, {WHITE: 98, BLUE: 2}
    seen = strip(original), strip(batch)
    whole = [
        dict(ask(*seen, mix, film_ratio=1.0, **more).additions)
        for mix, more in (
            (original, {}),
            (None, {"own": batch}),
            (original, {"own": batch}),
        )
    ]
    need = 100 * (98 * 4 / 96 - 2) / 100
    for additions in whole:
        assert set(additions) == {BLUE}
        assert 0.75 * need < additions[BLUE] < 1.1 * need  # a little short: none can be taken out
