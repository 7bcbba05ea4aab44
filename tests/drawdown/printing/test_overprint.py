"""Layers over layers: limits of the films' formula, printed tables, colours guessed back.

Outside checks: the layers of Kubelka 1954 (J. Opt. Soc. Am. 44, 330) with values computed in
high precision for tests/test_film.py's cases, and nine open characterisation tables of
printing (source and licence in tests/data/overprints/README.md).
"""

from __future__ import annotations

import numpy as np
import overprint_tables as tables
import pytest
from film_formulas import over, transmittance

from calibration.colour.difference import delta_e_2000
from calibration.colour.spaces import xyz_to_lab
from calibration.colour.spectra import XYZ_D50_WEIGHTS
from drawdown.ink.film import measured_from_internal, reflectance
from drawdown.ink.shelf import Shelf, starter_shelf
from drawdown.printing import overprint

SHELF = starter_shelf()


@pytest.fixture(scope="module")
def printed():
    """{table: (values, solids, our errors (11,))}."""
    found = {}
    for name, table in tables.read_tables().items():
        solids = tables.solids(table)
        found[name] = table, solids, tables.errors(table, solids)
    return found


def layers(*mixes, film=1.0):
    named = [(str(i), SHELF.named_mix(mix), film) for i, mix in enumerate(mixes)]
    return overprint.layers_from_mixes(SHELF, named)


SKY = {"white": 80, "PB15:3": 5, "base": 15}
ORANGE = {"PO73": 30, "base": 70}
WHITE = {"white": 1}


def test_tables_hold_what_their_source_does():
    found = tables.read_tables()
    assert len(found) == 9
    for table in found.values():
        assert set(table) == {"paper", *"CMYK", *tables.OVERPRINTS}
    # FOGRA39L's own Lab columns: paper 95, 0, -2 and CM 24, 22, -46.
    assert xyz_to_lab(found["FOGRA39L"]["paper"]) == pytest.approx([95, 0, -2], abs=0.05)
    assert xyz_to_lab(found["FOGRA39L"]["CM"]) == pytest.approx([24, 22, -46], abs=0.1)


def test_beats_the_simple_predictions_on_every_table(printed):
    for name, (table, _, ours) in printed.items():
        xyz, spectra = tables.product_of_xyz(table), tables.product_of_spectra(table)
        for part in (slice(0, 4), slice(0, 11)):
            best = min(xyz[part].mean(), spectra[part].mean())
            assert ours[part].mean() < 0.7 * best, name  # at most 0.60 when measured


def test_overprints_are_near_the_printed_ones(printed):
    """Measured with tests/benchmarks/overprint.py: 2.42 over the chromatic, 3.52 over all."""
    errors = np.array([ours for _, _, ours in printed.values()])
    assert errors[:, :4].mean() < 2.8
    assert errors.mean() < 3.9


def test_uncertainty_holds_what_it_promises_on_the_tables(printed):
    inside = []
    for table, solids, _ in printed.values():
        for inks, lab in zip(tables.OVERPRINTS, tables.truth(table), strict=True):
            p = tables.predicted(solids, inks)
            off = lab - p.lab_d50
            # 95 % quantile of chi squared with 3 degrees of freedom: 7.815 (any table).
            inside.append(off @ np.linalg.solve(np.cov(p.lab_samples.T), off) < 7.815)
    assert 0.88 <= np.mean(inside) <= 1.0


def test_a_guessed_layer_has_its_colour_alone_on_paper(printed):
    table, solids, _ = printed["TR003"]
    for ink in "CMYK":
        alone = overprint.over([solids.layers[ink]], solids.on)
        lab = xyz_to_lab(table[ink])
        assert float(delta_e_2000(alone.lab_d50, lab)) < 0.3
        assert np.all(delta_e_2000(alone.lab_samples, lab) < 3)


def test_two_layers_are_kubelka_layers():
    """By R12 = R1 + T1^2 R2 / (1 - R1 R2) instead of by the film over a ground."""
    on = overprint.sheet()
    first, second = layers(ORANGE, SKY)
    lower = reflectance(first.kx, first.sx, 1.0, on.ground)
    r1 = reflectance(second.kx, second.sx, 1.0, 0.0)
    t1 = transmittance(second.kx, second.sx, 1.0)
    expected = xyz_to_lab(measured_from_internal(over(r1, t1, lower)) @ XYZ_D50_WEIGHTS)
    got = overprint.over([first, second], on).lab_d50
    assert got == pytest.approx(expected, abs=1e-9)


def test_an_opaque_layer_hides_what_lies_below():
    on = overprint.sheet()
    orange, white = layers(ORANGE, WHITE, film=30.0)
    over_both = overprint.over([orange, white], on).lab_d50
    assert float(delta_e_2000(over_both, overprint.over([white], on).lab_d50)) < 0.5


def test_next_to_no_ink_changes_nothing():
    on = overprint.sheet()
    (orange,) = layers(ORANGE)
    (nothing,) = layers({"base": 1}, film=1e-6)
    pair = overprint.over([orange, nothing], on)
    assert pair.lab_d50 == pytest.approx(overprint.over([orange], on).lab_d50, abs=1e-3)


def test_wet_on_wet_leaves_less_ink():
    orange, blue = layers(ORANGE, {"PB15:3": 20, "base": 80})
    dry = overprint.over([orange, blue], overprint.sheet()).lab_d50
    wet = overprint.over([orange, blue], overprint.sheet(wet=True)).lab_d50
    assert wet[0] > dry[0]


def test_more_uncertain_inks_give_wider_intervals():
    orange, blue = layers(ORANGE, {"PB15:3": 20, "base": 80})
    on = overprint.sheet()
    pair = overprint.over([orange, blue], on)
    assert pair.lab_samples.shape == (overprint.LAYER_SAMPLES, 3)
    assert np.all(pair.lab_u95 > 1)
    # The best value lies among the possible ones.
    low, high = pair.lab_samples.min(axis=0), pair.lab_samples.max(axis=0)
    assert np.all((low <= pair.lab_d50) & (pair.lab_d50 <= high))


def test_the_same_question_gets_the_same_answer():
    on = overprint.sheet()
    one, two = (overprint.over(layers(ORANGE, SKY), on).lab_samples for _ in range(2))
    assert np.array_equal(one, two)


@pytest.mark.parametrize("mix", [SKY, {"white": 95, "PR122": 5}, {"white": 60, "PG7": 3}])
def test_a_colour_alone_cannot_tell_tint_from_glaze_and_says_so(mix):
    """The interval must hold the truth whichever it is, and a known mix must narrow it."""
    on = overprint.sheet()
    orange, tint = layers(ORANGE, mix)
    alone = overprint.over([tint], on).lab_d50
    truth = overprint.over([orange, tint], on).lab_d50
    low = overprint.over([orange], on).lab_d50
    below = overprint.layer_from_colour("below", low, on, SHELF, mix=SHELF.named_mix(ORANGE))

    def reach(**known):
        upper = overprint.layer_from_colour("upper", alone, on, SHELF, **known)
        pair = overprint.over([below, upper], on)
        off = delta_e_2000(pair.lab_samples, truth)
        return off.min(), np.median(off)

    nearest, _ = reach()
    assert nearest < 6
    _, guessed_clear = reach(opaque=False)
    _, told = reach(mix=SHELF.named_mix(mix))
    assert told < 5
    assert told < guessed_clear


def test_surface_is_bounded_by_the_darkest_solid():
    for y in (0.004, 0.02, 0.07, 0.2):
        surface, possible = tables.surface_from_darkest(y)
        assert 0 <= surface < y
        assert np.all((possible >= 0) & (possible < y))


def test_any_paper_gives_finite_colours():
    orange, sky = layers(ORANGE, SKY)
    for lab in ((100, 0, 0), (20, 0, 0), (60, 50, 50), (85, -40, 60)):
        pair = overprint.over([orange, sky], overprint.sheet(lab))
        assert np.isfinite(pair.lab_samples).all()


def test_unlikely_colours_are_still_reached():
    """Vivid or very dark colours must not send the search astray."""
    on = overprint.sheet()
    for lab in ((90, -5, 95), (20, 20, -60), (8, 0, 0), (50, 78, 30), (45, -55, 10)):
        layer = overprint.layer_from_colour("x", np.array(lab), on, SHELF)
        got = overprint.over([layer], on).lab_d50
        assert float(delta_e_2000(got, np.array(lab))) < 1.5, lab
        assert np.isfinite(layer.kx_samples).all()
        assert np.isfinite(layer.sx_samples).all()


def test_a_shelf_without_colours_will_do_for_a_colour_that_was_read():
    on = overprint.sheet()
    bare = Shelf(tuple(i for i in SHELF if i.kind in ("white", "base")))
    layer = overprint.layer_from_colour("x", np.array([60, 40, 10]), on, bare)
    got = overprint.over([layer], on).lab_d50
    assert float(delta_e_2000(got, np.array([60, 40, 10]))) < 1.5
