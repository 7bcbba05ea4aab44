"""A print enrolled from two exposures of it.

What is true is spectra: a simulated print's, seen by a camera of published sensitivities
(colour-science, MSDS_CAMERA_SENSITIVITIES) in daylight, developed by a phone's tone curve. The
method is Debevec and Malik's (1997, Proc. SIGGRAPH, 369), which OpenCV carries: both must find one
curve.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
import synthetic
from enrol_kit import SLIP, Session, enrol, printed
from PIL import Image

from calibration.card.definition import CardDefinition
from calibration.card.toml import read_card
from calibration.colour.spaces import srgb_decode
from calibration.correction.enrol.exposures import curve_of
from calibration.correction.patches import PatchReadings
from calibration.correction.tone_curve import tone_basis
from calibration.photo.open import open_photo

EXTENT, SIZE = (-25.0, -25.0, 175.0, 90.0), (1200, 690)
CORNERS = np.array([(20, 15), (1180, 25), (1170, 670), (30, 660)], float)


@pytest.fixture(scope="module")
def slip_print():
    return printed(SLIP, 12)


@pytest.fixture(scope="module")
def session():
    return Session(12)


def phone_photo(
    path, made, session, stops=0.0, *, worked_over=0.0, around=0.3, lit=0.85, noted=False
):
    """The print on paper, things ``around`` it, exposed to 2 ** -stops of the usual."""
    light, paper = session.scene(made[0]), session.scene(made[3][None])[0].astype(np.float32)
    things = [synthetic.Field((-25, y, 200, 22), (around,) * 3) for y in (-25, 68)]
    flat = synthetic.draw_flat(SLIP, light, things, EXTENT, paper)
    matrix = synthetic.view_matrix(EXTENT, SIZE, CORNERS)
    seen = synthetic.photograph(flat.astype(np.float32), EXTENT, matrix, SIZE)
    seen = seen * np.linspace(1.0, lit, SIZE[0])[None, :, None] * 2.0**-stops
    if worked_over:
        base = cv2.GaussianBlur(np.log(seen.mean(axis=2) + 1e-3), (0, 0), 25)
        seen = seen * np.exp(-worked_over * (base - base.mean()))[..., None]
    noise = np.random.default_rng(round(100 * stops)).normal(0, 0.5, seen.shape)
    levels = np.clip(np.round(255 * session.developed(seen) + noise), 0, 255).astype(np.uint8)
    exif = Image.Exif()
    if noted:
        exif[0x8769] = {0x829A: 0.01 * 2.0**-stops, 0x8827: 100}  # CIPA DC-008
    Image.fromarray(levels).save(path, quality=92, exif=exif)
    return path


def refusal(capsys, tmp_path, *photos) -> str:
    assert enrol(tmp_path, *[a for p in photos for a in ("--enrol", p)]) == 5
    assert not (tmp_path / "out.toml").exists()
    return " ".join(capsys.readouterr().err.split())


@pytest.mark.slow
@pytest.mark.parametrize("noted", [True, False])
def test_two_exposures_measure_a_card_without_another(tmp_path, slip_print, session, noted, capsys):
    usual = phone_photo(tmp_path / "a.jpg", slip_print, session, noted=noted)
    darker = phone_photo(tmp_path / "b.jpg", slip_print, session, 1.1, noted=noted)
    assert enrol(tmp_path, "--enrol", usual, darker) == 0  # one option, two files
    card, truth = read_card(tmp_path / "out.toml"), slip_print[1]
    assert card.provenance == "measured"
    assert "exposed differently" in card.source
    error, half = np.abs(card.lab_d50 - truth), 1.96 * card.u_lab
    drawn = np.abs(SLIP.expected_lab_d50 - truth)
    assert (error <= half).mean(axis=0).min() >= 0.9, (error <= half).mean(axis=0)
    assert np.median(half, axis=0)[0] <= 5.0
    assert np.quantile(error[:, 0], 0.95) <= 4.0
    assert error[:, 0].mean() < 0.6 * drawn[:, 0].mean()
    assert "uncertainty" in capsys.readouterr().err


def readings_of(levels: np.ndarray) -> PatchReadings:
    """Patches of encoded greys (n,) in a row, without noise."""
    n = len(levels)
    rgb = np.repeat(srgb_decode(levels)[:, None], 3, axis=1)
    place = np.stack([np.linspace(0, 150, n) % 61, np.linspace(0, 65, n) % 17], axis=1)
    clean = np.zeros((n, 3))
    return PatchReadings(rgb, clean, clean[:, 0], place, np.ones(n, bool), clean[:, 0])


def greys(n: int) -> CardDefinition:
    """A card of so many greys."""
    patch = next(p for p in SLIP.patches if p.role == "grey")
    return replace(SLIP, patches=(patch,) * n)


def phone(light: np.ndarray) -> np.ndarray:
    """A curve of no family that is fitted: contrast, then a shoulder; light -> encoded 0..1."""
    return np.tanh(1.5 * light ** (1 / 2.1)) / np.tanh(1.5)


def test_the_curve_is_that_of_a_general_library():
    """OpenCV's CalibrateDebevec, given the same greys and the ratio; both against the truth."""
    light = np.geomspace(0.02, 0.8, 60)
    one, two = (np.round(255 * phone(light * k)) / 255 for k in (1.0, 0.5))
    found = curve_of([readings_of(one), readings_of(two)], greys(60), [np.log(2)])
    rgb = srgb_decode(one)
    ours = np.log(rgb) + tone_basis(rgb) @ found.tone.mean
    pictures = [
        np.repeat(np.round(255 * v).astype(np.uint8)[None, :, None], 3, axis=2) for v in (one, two)
    ]
    wide = [np.repeat(p, 4, axis=0) for p in pictures]
    library = cv2.createCalibrateDebevec(samples=150, lambda_=5.0)
    response = library.process(wide, np.array([1.0, 0.5], np.float32))[:, 0, 0]
    theirs = np.log(response[np.round(255 * one).astype(int)])
    # Between the darkest and the lightest sixth, up to a factor.
    middle = slice(12, 50)
    true = np.log(light)
    off = [(g - true)[middle] - np.mean((g - true)[middle]) for g in (ours, theirs)]
    assert np.abs(off[0]).max() < 0.03, np.abs(off[0]).max()
    assert np.abs(off[0] - off[1]).max() < 0.03


def test_an_unknown_ratio_leaves_a_power_open():
    """Grossberg and Nayar 2003: the curve's cube goes with a ratio of 8. So a ratio that nobody
    notes widens the curve along its own logarithm, and by nothing else as much."""
    light = np.geomspace(0.02, 0.8, 60)
    both = [readings_of(phone(light * k)) for k in (1.0, 0.5)]
    told, silent = (curve_of(both, greys(60), [r]) for r in (np.log(2), None))
    rgb = both[0].rgb[:, 0]
    basis = tone_basis(rgb) - tone_basis(rgb[-1:])
    sd = [
        np.sqrt(np.einsum("nk,kl,nl->n", basis, np.linalg.inv(c.tone.precision), basis))
        for c in (told, silent)
    ]
    dark = np.log(light[-1] / light[0])
    assert sd[1][0] == pytest.approx(0.15 * dark, rel=0.3)
    assert sd[0][0] < 0.4 * sd[1][0]


@pytest.mark.slow
def test_what_two_exposures_cannot_tell_is_refused_by_name(tmp_path, slip_print, session, capsys):
    usual = phone_photo(tmp_path / "a.jpg", slip_print, session)

    def other(**how):
        return phone_photo(tmp_path / "b.jpg", slip_print, session, **how)

    assert "exposed alike" in refusal(capsys, tmp_path, usual, other(stops=0.2))
    said = refusal(capsys, tmp_path, usual, other(stops=1.0, worked_over=0.35))
    assert "place by place" in said
    said = refusal(capsys, tmp_path, usual, other(stops=1.0, lit=0.6))
    assert "light on the card changed" in said
    said = refusal(capsys, tmp_path, usual, other(stops=1.0, around=0.05))
    assert "not show the same scene" in said


def test_one_ordinary_photo_is_told_what_would_do(tmp_path, slip_print, session, capsys):
    usual = phone_photo(tmp_path / "a.jpg", slip_print, session)
    assert enrol(tmp_path, "--enrol", usual) == 2
    assert "a stop darker" in " ".join(capsys.readouterr().err.split())


def test_the_exposure_is_read_in_numbers(tmp_path, slip_print, session):
    photo = phone_photo(tmp_path / "a.jpg", slip_print, session, 1.0, noted=True)
    seconds, stop, speed = open_photo(photo).exposure
    assert (seconds, stop, speed) == (pytest.approx(0.005, rel=1e-3), 0.0, 100.0)
