"""Obvious cases at the slab, with what a practised hand says of each, and why: common practice, no
source. The inks are the starter's; the strips are of the forward model, equally thick."""

from __future__ import annotations

import pytest
from advice_kit import ask, strip

WHITE, BASE, BLACK = "titanium-white", "transparent-base", "bone-black"
BLUE, GREEN, YELLOW = "phthalo-blue", "phthalo-green", "arylide-yellow"
RED, VIOLET, ORANGE = "pyrrole-red", "dioxazine-violet", "pyrrole-orange"
OCHRE, EARTH, IRON_BLUE, MAGENTA = (
    "yellow-oxide",
    "red-oxide",
    "prussian-blue",
    "quinacridone-magenta",
)


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
        case("tint too light: its violet, not black", {WHITE: 92, VIOLET: 8},
             {WHITE: 92, VIOLET: 5}, {VIOLET}, {BLACK}),
        case("let-down too light: its yellow", {BASE: 75, YELLOW: 25}, {BASE: 75, YELLOW: 15},
             {YELLOW}, {WHITE}),
        case("earth too light: its own earth, no brighter red", {WHITE: 70, EARTH: 30},
             {WHITE: 70, EARTH: 18}, {EARTH}, {RED, BLACK}),
        case("iron blue too light: its own blue, no other", {BASE: 90, IRON_BLUE: 10},
             {BASE: 90, IRON_BLUE: 6}, {IRON_BLUE}, {BLUE, BLACK, WHITE}),
        # Too dark: what thinned the original, never the other, which makes it cloudy or thin.
        case("tint too dark: white", {WHITE: 97, BLUE: 3}, {WHITE: 97, BLUE: 4.5}, {WHITE}, {BASE}),
        case("tint too dark: white", {WHITE: 92, RED: 8}, {WHITE: 92, RED: 12}, {WHITE}, {BASE}),
        case("let-down too dark: base", {BASE: 96, BLUE: 4}, {BASE: 96, BLUE: 6}, {BASE}, {WHITE}),
        case("let-down too dark: base", {BASE: 92, GREEN: 8}, {BASE: 92, GREEN: 12}, {BASE},
             {WHITE}),
        case("ochre tint too dark: white", {WHITE: 80, OCHRE: 20}, {WHITE: 80, OCHRE: 30}, {WHITE},
             {BASE}),
        case("magenta let-down too dark: base", {BASE: 92, MAGENTA: 8}, {BASE: 92, MAGENTA: 12},
             {BASE}, {WHITE}),
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
        case("turquoise too green: blue", {WHITE: 80, BLUE: 10, GREEN: 8},
             {WHITE: 80, BLUE: 5, GREEN: 8}, {BLUE}, {BLACK}),
        case("turquoise too blue: green", {WHITE: 80, BLUE: 8, GREEN: 10},
             {WHITE: 80, BLUE: 8, GREEN: 5}, {GREEN}, {BLACK}),
        case("pink too cold: its yellow", {WHITE: 82, RED: 12, YELLOW: 6},
             {WHITE: 82, RED: 12, YELLOW: 2}, {YELLOW}, {BLACK}),
        case("brown too yellow: its red", {YELLOW: 60, RED: 30, BLUE: 4, WHITE: 10},
             {YELLOW: 60, RED: 17, BLUE: 4, WHITE: 10}, {RED}, {BLACK}),
        # Overshot with the strongest: the weak ink that it should stand in, by weight the most.
        case("yellow-green with too much blue: yellow", {YELLOW: 92, BLUE: 2, WHITE: 6},
             {YELLOW: 92, BLUE: 3.2, WHITE: 6}, {YELLOW}, {BLACK}),
        # A grey short of black gets black: there black is the colour.
        case("grey too light: black", {WHITE: 90, BLACK: 10}, {WHITE: 90, BLACK: 6}, {BLACK}),
        case("grey too dark: white", {WHITE: 90, BLACK: 10}, {WHITE: 90, BLACK: 15}, {WHITE},
             {BASE}),
        # Dulled by its complement in the mix: a little more of that, not black.
        case("red not dulled enough: its green", {WHITE: 60, RED: 36, GREEN: 4},
             {WHITE: 60, RED: 36, GREEN: 2}, {GREEN}, {BLACK}),
        case("orange not dulled enough: its blue", {ORANGE: 60, WHITE: 37, BLUE: 3},
             {ORANGE: 60, WHITE: 37, BLUE: 1.5}, {BLUE}, {BLACK}),
        # Dulled too much: the colour itself drowns the complement, as long as it pays.
        case("orange dulled too much: orange", {ORANGE: 60, WHITE: 37, BLUE: 1.5},
             {ORANGE: 60, WHITE: 37, BLUE: 2.3}, {ORANGE}, {BLACK}),
        case("grey too warm: its blue", {WHITE: 88, BLACK: 8, BLUE: 1.5},
             {WHITE: 88, BLACK: 8, BLUE: 0.6}, {BLUE}),
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


def test_short_of_both_its_colours_gets_both_and_no_third():
    """A violet too pale: the red and the blue it was mixed from, for black would kill it."""
    original = {WHITE: 70, BLUE: 6, RED: 24}
    told = ask(strip(original), strip({WHITE: 70, BLUE: 3.6, RED: 14}), original, film_ratio=1.0)
    assert {name for name, _ in told.additions} == {BLUE, RED}


def test_a_tint_dulled_too_much_gets_all_but_the_complement():
    """More red alone would be too deep: red and the white it stands in, which drown the green."""
    original = {WHITE: 60, RED: 36, GREEN: 3}
    told = ask(strip(original), strip(original | {GREEN: 4.5}), original, film_ratio=1.0)
    assert {name for name, _ in told.additions} == {RED, WHITE}


@pytest.mark.parametrize("wrong", [GREEN, BLUE])
def test_a_clean_red_with_a_lot_of_its_complement_is_mixed_afresh(wrong):
    """Brown is not brought back to a clean red; the ink is not wasted on it."""
    original = {RED: 90, WHITE: 10}
    told = ask(strip(original), strip({RED: 62, WHITE: 8, wrong: 30}), original, film_ratio=1.0)
    assert told.additions == ()
    assert dict(told.basis.way_out.fresh) == pytest.approx(original)


def test_a_batch_like_its_original_is_left_alone():
    original = {WHITE: 90, BLUE: 4, YELLOW: 6}
    told = ask(strip(original), strip(original), original, film_ratio=1.0)
    assert told.additions == ()


@pytest.mark.parametrize("strong", [BLACK, GREEN, VIOLET])
def test_a_pale_tint_with_far_too_much_of_the_strong_ink_is_let_down_in_part(strong):
    """Ten times too strong would take ten times the ink: part of it is enough, the rest is kept."""
    original = {WHITE: 99, strong: 1}
    told = ask(strip(original), strip({WHITE: 95, strong: 5}), original, film_ratio=1.0,
               batch_grams=200)  # fmt: skip
    assert {name for name, _ in told.additions} <= {WHITE}
    assert told.portion < 1 or not told.additions
    assert sum(grams for _, grams in told.grams or ()) <= 200
