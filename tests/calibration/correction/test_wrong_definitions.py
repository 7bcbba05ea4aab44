"""A definition that is not this card's is noticed, whatever it says (the benchmark of the same name
does 2,000)."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from benchmarks import wrong_definitions

from calibration.errors import PhotoUnfit
from calibration.locate.find_card import locate
from calibration.locate.geometry import apply_homography

WRONG = [way for way in wrong_definitions.WAYS if way not in ("as it is", "patches 5 mm off")]


@pytest.fixture(scope="module")
def photo():
    return next(iter(wrong_definitions.photographs(None)))


@pytest.mark.parametrize("way", WRONG)
def test_no_verdict_by_another_cards_colours(photo, way):
    shown, card, _ = photo
    for seed in range(3):
        end = wrong_definitions.one(shown, card, (), np.random.default_rng(seed), way)
        assert end in ("PhotoUnfit", "WrongUsage", "no verdict"), end


@pytest.mark.parametrize("by_mm", [1.0, 2.0, 3.0])
def test_patches_a_little_off_are_moved_into_place(photo, by_mm):
    shown, card, _ = photo
    right = locate(shown, (card,))
    wrong = wrong_definitions._shifted(card, (0.8 * by_mm, -0.6 * by_mm))
    moved = locate(shown, (wrong,))
    places = apply_homography(moved.mm_to_px, wrong.centres_mm)
    off = apply_homography(np.linalg.inv(right.mm_to_px), places) - card.centres_mm
    assert np.abs(off).max() < 0.2


@pytest.mark.parametrize("by_mm", [5.0, 8.0, -6.0])
def test_patches_far_off_are_read_in_place_or_not_at_all(photo, by_mm):
    shown, card, _ = photo
    right = locate(shown, (card,))
    wrong = wrong_definitions._shifted(card, (by_mm, 0.5 * by_mm))
    try:
        moved = locate(shown, (wrong,))
    except PhotoUnfit:
        return
    places = apply_homography(moved.mm_to_px, wrong.centres_mm)
    off = apply_homography(np.linalg.inv(right.mm_to_px), places) - card.centres_mm
    assert np.abs(off).max() < 0.3


def test_a_card_all_of_one_lightness_is_refused(photo, monkeypatch):
    shown, card, _ = photo
    grey = dataclasses.replace(
        card, patches=tuple(dataclasses.replace(p, lab_d50=(50.0, 5, 5)) for p in card.patches)
    )
    rng = np.random.default_rng(1)
    monkeypatch.setitem(wrong_definitions.WAYS, "given", lambda *_: grey)
    assert wrong_definitions.one(shown, card, (), rng, "given") in ("PhotoUnfit", "WrongUsage")
