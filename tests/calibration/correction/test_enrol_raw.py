"""A print enrolled from one raw photo of it alone.

What is true is spectra: a simulated print's, seen by a camera of published sensitivities
(colour-science, MSDS_CAMERA_SENSITIVITIES) under CIE illuminants. The file's matrix is a plain fit
to the CIE test colour samples, as a camera's maker would note it (DNG specification 1.4).
"""

from __future__ import annotations

import numpy as np
import pytest
import synthetic
from dng_kit import dng_bytes, exposed
from enrol_kit import SLIP, enrol, printed
from raw_scenes import from_xyz

from calibration.card.toml import read_card, write_card
from fixtures.spectra import camera_weights

EXTENT, SIZE = (-25.0, -25.0, 175.0, 90.0), (1200, 690)


@pytest.fixture(autouse=True)
def _decoder():
    pytest.importorskip("rawpy")


@pytest.fixture(scope="module")
def slip_print():
    return printed(SLIP, 12)


def raw_photo(path, made, lamp: str, camera: int = 0):
    """The print flat on a table, as a raw photo."""
    spectra, paper = made[0], made[3]
    weights = camera_weights(camera, lamp)
    white = weights.sum(axis=0)
    neutral = 0.9 * white / white.max()
    light = 0.8 * spectra @ weights / white
    bare = (0.8 * paper @ weights / white).astype(np.float32)
    flat = synthetic.draw_flat(SLIP, light, [], EXTENT, bare)
    corners = np.array([(20, 15), (1180, 25), (1170, 670), (30, 660)], float)
    matrix = synthetic.view_matrix(EXTENT, SIZE, corners)
    seen = synthetic.photograph(flat.astype(np.float32), EXTENT, matrix, SIZE)
    seen = seen * np.linspace(1.0, 0.85, SIZE[0])[None, :, None]  # a window at the left
    seen = seen + 0.003 * seen.mean(axis=(0, 1))  # stray light
    sensor = exposed(seen, neutral=tuple(neutral))
    path.write_bytes(dng_bytes(sensor, neutral=tuple(neutral), matrix=from_xyz(camera)))
    return path


def test_a_raw_photo_measures_a_card_without_another(tmp_path, slip_print, capsys):
    photo = raw_photo(tmp_path / "card.dng", slip_print, "D55")
    assert enrol(tmp_path, "--enrol", photo) == 0
    card, truth = read_card(tmp_path / "out.toml"), slip_print[1]
    assert card.provenance == "measured"
    assert "camera's own matrix" in card.source
    error, half = np.abs(card.lab_d50 - truth), 1.96 * card.u_lab
    drawn = np.abs(SLIP.expected_lab_d50 - truth)
    # What it is for: 95 % within 4 in L*, 6 in a* and b*, and nearer than the drawing.
    assert (np.median(half, axis=0) <= (4.0, 6.0, 6.0)).all(), np.median(half, axis=0)
    assert (error <= half).mean() >= 0.95, (error <= half).mean(axis=0)
    assert (np.quantile(error, 0.95, axis=0) <= (4.0, 6.0, 6.0)).all()
    assert error.mean() < 0.6 * drawn.mean()
    assert "uncertainty" in capsys.readouterr().err


def test_lamp_light_is_refused_with_its_temperature(tmp_path, slip_print, capsys):
    photo = raw_photo(tmp_path / "card.dng", slip_print, "A")
    assert enrol(tmp_path, "--enrol", photo) == 5
    said = " ".join(capsys.readouterr().err.split())
    assert "lamp light" in said
    kelvin = int(said.split("that of ")[1].split()[0])
    assert abs(kelvin - 2856) < 150  # CIE illuminant A; the matrix is made for D65
    assert not (tmp_path / "out.toml").exists()


def test_a_measured_card_is_not_enrolled_alone(tmp_path, slip_print, capsys):
    write_card(tmp_path / "known.toml", slip_print[2])
    photo = raw_photo(tmp_path / "card.dng", slip_print, "D55")
    assert enrol(tmp_path, "--enrol", photo, "--card", tmp_path / "known.toml") == 6
    assert "as drawn" in " ".join(capsys.readouterr().err.split())
