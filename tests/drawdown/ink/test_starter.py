"""The starter shelf's inks behave as those of handbooks and open tables.

Sources beside each check. Lightness and contrast ratio are of an ordinary strip (film 1) on paper.
"""

from __future__ import annotations

import csv

import numpy as np
import pytest
import starter_inks
from overprint_tables import read_tables

from calibration.colour.difference import delta_e_2000
from calibration.colour.spaces import xyz_to_lab
from calibration.colour.spectra import XYZ_D50_WEIGHTS
from drawdown.ink.forward import lab_of_film, mix_of, paper_ground, spectrum_of_film
from drawdown.ink.shelf import starter_shelf
from drawdown.printing.opacity import contrast_ratio, grade_of

SHELF = starter_shelf()
GROUND = paper_ground(None)


def strip(name: str, film: float = 1.0) -> np.ndarray:
    ink = SHELF.find(name)
    return lab_of_film(ink.k, ink.s, film, GROUND)


def tint(name: str, percent: float = 5.0) -> np.ndarray:
    """Lab of so much of it in white, in a film that hides."""
    inks = SHELF.find(name), SHELF.find("white")
    k, s = mix_of(
        np.array([percent, 100 - percent]), *(np.array([getattr(i, q) for i in inks]) for q in "ks")
    )
    return lab_of_film(k, s, 1e4, GROUND)


def test_figures_are_those_worked_out_from_the_open_data():
    for name, figures in starter_inks.worked_out().items():
        ink = SHELF.find(name)
        assert np.allclose(np.array([ink.k, ink.s]), figures, rtol=2e-3, atol=1e-5), name


def test_black_is_as_dark_as_printed_black():
    """Solids of black in the open tables of coated papers (tests/data/overprints); L* 16 in ISO
    12647-2:2013 (from memory). It hides: complete hiding is 0.98 (ISO 6504-1, from memory)."""
    solids = [xyz_to_lab(read_tables()[table]["K"]) for table in starter_inks.PAPERS]
    lightness = [lab[0] for lab in solids]
    found = strip("black")
    assert SHELF.find("black").colour_index == "PBk7"
    assert min(lightness) - 1 < found[0] < max(lightness) + 1
    assert np.hypot(*found[1:]) < 3
    black = SHELF.find("PBk7")
    assert grade_of(float(contrast_ratio(black.k, black.s))) == "opaque"


@pytest.mark.parametrize(
    ("name", "ink", "standard"),
    [
        # ISO 2846-1:2006, inks for offset, D50, 2 degree (from memory).
        ("process-yellow", "Y", (91.0, -5.1, 95.0)),
        ("process-magenta", "M", (50.0, 76.0, -3.0)),
        ("process-cyan", "C", (57.0, -39.2, -46.0)),
    ],
)
def test_process_inks_are_those_of_open_tables_and_of_the_standard(name, ink, standard):
    solids = [xyz_to_lab(read_tables()[table][ink]) for table in starter_inks.PAPERS]
    assert np.mean(delta_e_2000(strip(name), np.array(solids))) < 2.5
    assert delta_e_2000(strip(name), np.array(standard)) < 2.5
    process = SHELF.find(name)
    assert contrast_ratio(process.k, process.s) < 0.02  # transparent inks, as the standard asks


@pytest.mark.parametrize("name", ["red-oxide", "yellow-oxide", "carbon-black"])
def test_paints_come_back_from_their_figures(name):
    """Opaque masstone and tint, as the open measurements have them (tests/data/paints). The mixing
    is written out here, and the white of those paints is not quite ours."""
    ink, measured = SHELF.find(name), starter_inks.spectra()
    paint, white = starter_inks.PARTS[name]
    parts = np.array([paint, white])
    k, s = mix_of(
        parts, *(np.array([getattr(i, q) for i in (ink, SHELF.find("white"))]) for q in "ks")
    )
    for sample, kk, ss in ((name, ink.k, ink.s), (f"{name} in white", k, s)):
        seen = spectrum_of_film(kk, ss, 1e4, GROUND) + starter_inks.SURFACE
        wanted = measured[sample]
        seen[:2] = wanted[:2]  # made up by the instrument
        labs = (xyz_to_lab(spectrum @ XYZ_D50_WEIGHTS) for spectrum in (seen, wanted))
        assert delta_e_2000(*labs) < 0.6, sample


@pytest.mark.parametrize(
    ("name", "lightest", "darkest", "grade"),
    [
        # Masstones of pigments as handbooks of artists' colours describe them (from memory).
        ("PB27", 25, 8, "semi-transparent"), ("PBr7", 34, 18, "opaque"),
        ("PR101", 40, 26, "opaque"), ("PV23", 20, 8, "semi-opaque"), ("PBk9", 22, 12, None),
        ("PB29", 38, 22, "transparent"), ("PB15:3", 32, 15, "transparent"),
        ("PY42", 72, 55, None), ("PY74", 92, 80, None), ("PR254", 52, 38, None),
    ],
)  # fmt: skip
def test_masstones_lie_where_handbooks_put_them(name, lightest, darkest, grade):
    ink = SHELF.find(name)
    assert darkest < strip(name)[0] < lightest
    if grade:
        assert grade_of(float(contrast_ratio(ink.k, ink.s))) == grade


@pytest.mark.parametrize(
    ("name", "other", "least", "most"),
    [
        # Strength in tints against another pigment (handbooks of pigments, from memory): iron blue
        # about half of phthalocyanine blue; ultramarine a tenth and cobalt blue a twentieth of it;
        # carbon black three to twelve times bone black; a red oxide two to six times a yellow one.
        ("PB27", "PB15:3", 0.3, 0.7), ("PB29", "PB15:3", 0.05, 0.2), ("PB28", "PB15:3", 0.03, 0.12),
        ("PBk7", "PBk9", 3, 12), ("PR101", "PY42", 2, 6),
    ],
)  # fmt: skip
def test_strength_in_tints(name, other, least, most):
    """K at its greatest, in the same white, by weight (the usual measure: ASTM D387 and ISO 787-24
    compare K/S of tints at the wavelength of greatest absorption; from memory)."""
    ratio = SHELF.find(name).k[3:].max() / SHELF.find(other).k[3:].max()
    assert least < ratio < most


def test_tints_darken_in_the_order_of_their_strength():
    lightness = [tint(name)[0] for name in ("PBk7", "PB15:3", "PB27", "PBk9", "PB29", "PB36")]
    assert lightness == sorted(lightness)


def test_every_row_belongs_to_an_ink():
    path = starter_inks.ROOT / "drawdown" / "ink" / "data" / "starter_ks.csv"
    with path.open(encoding="utf-8") as file:
        _, *rows = csv.reader(file)
    assert sorted(row[0] for row in rows) == sorted(2 * SHELF.names)
