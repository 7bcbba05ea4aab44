"""Other lamps: weights and colours against colour-science's own tables and integration."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from advice_kit import ask, reading

from calibration.colour.difference import delta_e_2000
from calibration.colour.illuminants import HERE, LAMPS, lab_under, under_lamps
from calibration.colour.spaces import WHITE_D50
from calibration.colour.spectra import WAVELENGTHS_NM
from calibration.colour.spectral_files import lamp as cie_lamp
from drawdown.ink.forward import lab_of_mix, paper_ground, spectrum_of_film
from drawdown.ink.shelf import Shelf, starter_shelf
from drawdown.matching.addition_search import other_lamps
from drawdown.matching.batch_history import Step
from drawdown.matching.batch_model import fit
from drawdown.matching.recipes import Recipe
from drawdown.wording.advice import note

SHELF = starter_shelf()
GROUND = paper_ground(None)
CIE = {"daylight D50": "D50", "daylight D65": "D65", "tungsten": "A", "LED": "LED-B3"}


def ink(name: str, white: float) -> np.ndarray:
    one, two = SHELF.find(name), SHELF.find("white")
    k, s = (white * getattr(two, q) + (1 - white) * getattr(one, q) for q in "ks")
    return spectrum_of_film(k, s, 1.0, GROUND)


@pytest.mark.parametrize("lamp", list(LAMPS))
def test_weights_are_those_of_astm_e2022(lamp):
    """Every number of the table to its rounding, by colour-science's own function of ASTM
    E2022 from the CIE tables that it carries; the ends added to the outer weights (E308)."""
    made = cie_lamp(CIE[lamp])[1]
    if lamp == HERE:
        made = made * (WHITE_D50 / made.sum(axis=0))
    np.testing.assert_allclose(LAMPS[lamp], made, rtol=0, atol=5.1e-7)


@pytest.mark.parametrize("lamp", list(LAMPS))
def test_colour_under_a_lamp_is_that_of_the_cie_tables(lamp):
    """CIE 15 integration at 1 nm by colour-science, with its own illuminants and observer."""
    import colour

    shape = colour.SpectralShape(360, 780, 1)
    observer = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(shape)
    light = colour.SDS_ILLUMINANTS[CIE[lamp]].copy().align(shape)
    for name, white in (("phthalo-blue", 0.9), ("pyrrole-red", 0.6), ("arylide-yellow", 0.3)):
        spectrum = ink(name, white)
        xyz, own = (
            colour.sd_to_XYZ(
                colour.SpectralDistribution(
                    dict(zip(map(int, WAVELENGTHS_NM), v, strict=True))
                ).align(shape),
                observer, light, method="Integration",
            )
            for v in (spectrum, np.ones(31))
        )  # fmt: skip
        expected = colour.XYZ_to_Lab(xyz / own[1], colour.XYZ_to_xy(own))
        assert float(delta_e_2000(lab_under(spectrum, LAMPS[lamp]), expected)) < 0.15


def test_white_of_each_lamp():
    """Chromaticities of D65 and A as CIE 15:2018 gives them (0.3127, 0.3290; 0.4476, 0.4074,
    from memory), of LED-B3 as colour-science's table of it gives (0.3756, 0.3723 by CIE 15)."""
    for lamp, xy in (
        ("daylight D65", (0.3127, 0.3290)), ("tungsten", (0.4476, 0.4074)),
        ("LED", (0.3756, 0.3723)),
    ):  # fmt: skip
        xyz = LAMPS[lamp].sum(axis=0)
        assert xyz[:2] / xyz.sum() == pytest.approx(xy, abs=1e-3)


def test_a_metamer_parts_under_tungsten():
    """The part of a difference of spectra that the eye does not see in D50 (Cohen & Kappauf
    1982, metameric black: what the projector on the weights leaves), added to a blue tint: no
    difference in D50, next to none in D65, a plain one under tungsten."""
    weights = LAMPS["daylight D50"]
    one = ink("ultramarine-blue", 0.7)
    step = ink("quinacridone-magenta", 0.6) - one
    two = one + step - weights @ np.linalg.solve(weights.T @ weights, weights.T @ step)
    seen = under_lamps(np.stack([one] * 2), np.stack([two] * 2), np.ones(1), np.zeros((2, 3)))
    by_lamp = {lamp.lamp: lamp.de00 for lamp in seen}
    assert by_lamp["daylight D50"] < 1e-6
    assert by_lamp["tungsten"] > 2
    assert by_lamp["daylight D65"] < 0.5 * by_lamp["tungsten"]


def test_same_ink_is_alike_under_all_lamps():
    one = np.stack([ink("phthalo-green", 0.8)] * 3)
    assert all(lamp.de00 < 1e-6 for lamp in under_lamps(one, one, np.ones(2), np.zeros((3, 3))))


def test_the_same_inks_match_under_every_lamp():
    recipe = {"titanium-white": 80.0, "phthalo-blue": 20.0}
    k, s = (np.array([getattr(SHELF.find(n), q) for n in recipe]) for q in "ks")
    original, batch = (lab_of_mix(k, s, np.array([80.0, b]), 1.0, GROUND) for b in (20.0, 14.0))
    told = ask(original, batch, recipe)
    assert "another lamp" not in note(told)
    assert {lamp.lamp for lamp in told.lamps} == set(CIE)
    assert max(lamp.de00 for lamp in told.lamps) < told.predicted_de00 + 0.5
    assert all(lamp.de00_high95 >= lamp.de00 for lamp in told.lamps)


def test_another_ink_that_makes_the_match_is_warned_of():
    """A dulled green that got its red from pyrrole red, pulled equally thick; the shelf has
    cadmium orange alone."""
    true = {"titanium-white": 70.0, "phthalo-green": 15.0, "pyrrole-red": 15.0}
    shelf = Shelf(tuple(SHELF.find(n) for n in ("white", "phthalo-green", "cadmium-orange")))
    here = LAMPS["daylight D50"]
    told = ask(
        lab_under(spectrum(true), here), lab_under(spectrum(true | {"pyrrole-red": 10.0}), here),
        {"titanium-white": 80.0, "phthalo-green": 20.0}, shelf=shelf, film_ratio=1.0,
        difference_cov=0.04 * np.eye(3), common_sd=np.ones(3),
    )  # fmt: skip
    assert [name for name, _ in told.additions] == ["cadmium-orange"]
    assert "check what you used" in note(told)  # the noted mix has nothing red at all
    far = tuple(replace(lamp, de00=4.8 if lamp.lamp == "tungsten" else 1.0) for lamp in told.lamps)
    said = note(replace(told, predicted_de00=1.0, lamps=far))
    assert "cadmium-orange is not in the mix" in said
    assert "under tungsten about 4.8" in said
    assert "D65 about" not in said


def test_predicted_distances_under_lamps_are_the_true_ones():
    """A recipe of known inks, and orange in place of some of its red: the model, told of both
    by colours alone, against the spectra themselves."""
    true = {"titanium-white": 70.0, "phthalo-green": 15.0, "pyrrole-red": 15.0}
    batch = true | {"pyrrole-red": 8.0}
    here = LAMPS["daylight D50"]
    data = reading(
        lab_under(spectrum(true), here), lab_under(spectrum(batch), here),
        difference_cov=1e-4 * np.eye(3), common_sd=np.full(3, 0.5),
    )  # fmt: skip
    mix = SHELF.named_mix(true)
    model = fit(SHELF, [Recipe(mix, mix)], (Step(data),), GROUND)
    added = np.array([0.05 if ink.name == "cadmium-orange" else 0.0 for ink in SHELF])
    after = spectrum(batch | {"cadmium-orange": 0.05 * sum(batch.values())})
    for lamp in other_lamps(model, added):
        weights = LAMPS[lamp.lamp]
        truth = delta_e_2000(lab_under(spectrum(true), weights), lab_under(after, weights))
        assert lamp.de00 == pytest.approx(float(truth), abs=0.8)
        assert float(truth) < lamp.de00_high95 + 0.3


def spectrum(parts: dict[str, float]) -> np.ndarray:
    share = np.array(list(parts.values())) / sum(parts.values())
    k, s = (share @ np.array([getattr(SHELF.find(n), q) for n in parts]) for q in "ks")
    return spectrum_of_film(k, s, 1.0, GROUND)
