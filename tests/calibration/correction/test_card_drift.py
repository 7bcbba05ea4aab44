"""Noticing that an enrolled card has changed. Prints and cameras are the fixtures' (spectra, not
this project's way to Lab)."""

from __future__ import annotations

import numpy as np
import pytest
from enrol_kit import NAMES, SLIP, Session, printed

from calibration.colour.difference import delta_e_2000
from calibration.colour.spaces import srgb_decode
from calibration.correction.correct import correct
from calibration.correction.even_surfaces import LightSamples
from calibration.correction.patches import PatchReadings


# Drift ----------------------------------------------------------------------------------
def seen_by(session: Session, spectra: np.ndarray, seed: int):
    """What a photo's patches read: camera, lamp and tone curve of the session, some noise."""
    rng = np.random.default_rng([seed, 3])
    level = session.developed(session.scene(spectra)) + rng.normal(0, 0.0015, (len(spectra), 3))
    rgb = srgb_decode(np.clip(level, 0.002, 1))
    centres = SLIP.rects_mm[:, :2] + SLIP.rects_mm[:, 2:] / 2
    readings = PatchReadings(
        rgb, 0.003 * rgb, np.full(len(rgb), 0.01), centres, np.ones(len(rgb), bool),
        np.zeros(len(rgb)),
    )  # fmt: skip
    white = SLIP.with_role("white")
    samples = LightSamples(
        rgb[white], centres[white], np.zeros(white.sum(), int), np.full((2, 2), -1), (0, 0), 4.0
    )
    return readings, samples


def drift_flags(made) -> list:
    return [f for f in made.flags if f.code in ("patch-drifted", "card-faded")]


def faded(spectra: np.ndarray, index: int, lab: np.ndarray, amount: float) -> np.ndarray:
    """Spectra with one patch bleached towards paper until it is ``amount`` Delta E away."""
    from fixtures.spectra import lab_d50

    paper, out = spectra[NAMES.index("A1")], spectra.copy()
    low, high = 0.0, 1.0
    for _ in range(30):
        share = (low + high) / 2
        out[index] = (1 - share) * spectra[index] + share * paper
        if delta_e_2000(lab_d50(out[index : index + 1])[0], lab[index]) < amount:
            low = share
        else:
            high = share
    return out


SEEDS = range(20)
LAMPS = ("D50", "D65", "D55", "D75")


@pytest.fixture(scope="module")
def twenty():
    out = []
    for seed in SEEDS:
        spectra, truth, measured, _ = printed(SLIP, 100 + seed)
        session = Session(200 + seed, lamp=LAMPS[seed % 4], camera=seed)
        out.append((session, spectra, truth, measured))
    return out


def run(session, spectra, card, seed):
    from calibration.colour.spaces import SRGB_TO_XYZ_D50

    return correct(*seen_by(session, spectra, seed), card, SRGB_TO_XYZ_D50)


def test_no_drift_is_claimed_where_there_is_none(twenty):
    for seed, (session, spectra, _, measured) in enumerate(twenty):
        made = run(session, spectra, measured, seed)
        assert drift_flags(made) == [], seed
        assert "patches-left-out" not in [f.code for f in made.flags]


@pytest.mark.slow
def test_one_faded_patch_is_found_and_named(twenty):
    """Six Delta E of fading on one colour: named, alone, with about the right size."""
    found = 0
    for seed, (session, spectra, truth, measured) in enumerate(twenty):
        colours = [i for i, p in enumerate(SLIP.patches) if p.role == "colour"
                   and truth[i, 0] < 75]  # fmt: skip
        index = colours[seed % len(colours)]
        made = run(session, faded(spectra, index, truth, 6.0), measured, seed)
        flags = drift_flags(made)
        names = [n for n in NAMES if flags and f"patch {n} has drifted" in flags[0].seen]
        assert names in ([], [NAMES[index]]), (seed, flags[0].seen)
        if names:
            found += 1
            amount = int(flags[0].seen.split(" Delta E")[0].split()[-1])
            assert 4 <= amount <= 8, flags[0].seen
            assert names[0] in made.dropped
            assert np.isnan(made.held_out_de[index])
            assert "patches-left-out" not in [f.code for f in made.flags]
    assert found >= 17, found


def test_the_words_of_the_flag(twenty):
    session, spectra, truth, measured = twenty[0]
    index = NAMES.index("C13")
    (flag,) = drift_flags(run(session, faded(spectra, index, truth, 8.0), measured, 0))
    assert flag.seen.startswith("patch C13 has drifted ")
    assert flag.seen.endswith(" Delta E since it was enrolled")
    assert not flag.hard


def test_a_faded_card_is_said_to_be_faded_and_still_judges(twenty):
    """Every third strong colour bleached by 12: one flag, no verdict stopped."""
    session, spectra, truth, measured = twenty[1]
    chroma = np.hypot(truth[:, 1], truth[:, 2])
    gone = np.argsort(-chroma)[:24:3]
    for index in gone:
        spectra = faded(spectra, index, truth, 12.0)
    made = run(session, spectra, measured, 1)
    assert [f.code for f in drift_flags(made)] == ["card-faded"]
    assert not any(f.hard for f in made.flags)
    named = set(made.dropped)
    assert len(named & {NAMES[i] for i in gone}) >= 6, named


def test_nothing_is_said_of_a_card_as_drawn(twenty):
    session, spectra, truth, _ = twenty[2]
    made = run(session, faded(spectra, NAMES.index("C13"), truth, 8.0), SLIP, 2)
    assert drift_flags(made) == []


def test_a_shadow_on_white_is_no_fading(twenty):
    session, spectra, _, measured = twenty[3]
    dark = spectra.copy()
    dark[NAMES.index("D1")] *= 0.6
    made = run(session, dark, measured, 3)
    assert drift_flags(made) == []
    assert "patches-left-out" in [f.code for f in made.flags]
