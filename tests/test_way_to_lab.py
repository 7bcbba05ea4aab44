"""The whole way from a photo file to Lab, against spectra published elsewhere.

The reflectances of a 24-field chart and of the CIE test colour samples (CIE 13.3-1995), both
as colour-science carries them, are photographed through published camera sensitivities
under published illuminants; the expected Lab is colour-science's own spectral integration
(CIE 15). Our code only sees the JPEG or PNG and the chart's reference values.
"""

from __future__ import annotations

import warnings

import numpy as np
import pytest
import synthetic

from calibration.card import CardDefinition, Marker, Patch
from calibration.colorimetry import SRGB_TO_XYZ_D50, delta_e_2000, lab_to_xyz
from drawdown.judge import Options, read_strips

colour = pytest.importorskip("colour")
WAVELENGTHS = np.arange(400, 701, 10)
EXTENT = (-15.0, -15.0, 165.0, 170.0)


def _on_grid(sd) -> np.ndarray:
    return np.interp(WAVELENGTHS, sd.wavelengths, sd.values)


def _chart_spectra() -> np.ndarray:
    """(24, 31) of the first chart that colour-science carries."""
    chart = next(iter(colour.SDS_COLOURCHECKERS.values()))
    return np.array([_on_grid(sd) for sd in chart.values()])


def _sample_spectra() -> np.ndarray:
    """(n, 31) of the CIE test colour samples."""
    from colour.quality.datasets import SDS_TCS

    return np.array([_on_grid(sd) for sd in next(iter(SDS_TCS.values())).values()])


def _lab_d50(reflectance: np.ndarray) -> np.ndarray:
    """Lab D50, 2 degree, by colour-science."""
    shape = colour.SpectralShape(400, 700, 10)
    cmfs = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(shape)
    d50 = colour.SDS_ILLUMINANTS["D50"].copy().align(shape)
    white = colour.colorimetry.sd_to_XYZ_integration(
        colour.SpectralDistribution(np.ones(31), WAVELENGTHS), cmfs, d50
    )
    out = []
    for row in reflectance:
        sd = colour.SpectralDistribution(row, WAVELENGTHS)
        xyz = colour.colorimetry.sd_to_XYZ_integration(sd, cmfs, d50)
        # The white of a truncated integration; Lab is relative to it.
        out.append(colour.XYZ_to_Lab(xyz / white[1], colour.XYZ_to_xy(white)))
    return np.array(out)


def _camera_rgb(reflectance: np.ndarray, lamp: str) -> np.ndarray:
    """(n, 3) linear picture RGB: sensitivities times lamp, balanced on white, and a 3 x 3
    matrix fitted on the chart as a camera maker would."""
    sensitivity = next(iter(colour.MSDS_CAMERA_SENSITIVITIES.values()))
    s = np.array(
        [
            np.interp(WAVELENGTHS, sensitivity.wavelengths, sensitivity.values[:, c])
            for c in range(3)
        ]
    )
    power = _on_grid(colour.SDS_ILLUMINANTS[lamp])
    weights = (s * power).T
    raw_of = lambda r: (r @ weights) / weights.sum(axis=0)  # noqa: E731
    chart = _chart_spectra()
    wanted = lab_to_xyz(_lab_d50(chart)) @ np.linalg.inv(SRGB_TO_XYZ_D50).T
    matrix = np.linalg.lstsq(raw_of(chart), wanted, rcond=None)[0]
    return np.clip(raw_of(reflectance) @ matrix, 1e-4, None)


def _definition(lab: np.ndarray) -> CardDefinition:
    """A chart of our own arrangement for those 24 colours: 8 x 3 fields, four markers."""
    patches = []
    for k, value in enumerate(lab):
        row, column = divmod(k, 8)
        chroma = float(np.hypot(value[1], value[2]))
        role = "white" if value[0] > 90 and chroma < 6 else "grey" if chroma < 6 else "colour"
        rect = (20.0 + 14 * column, 18.0 + 14 * row, 12.0, 12.0)
        patches.append(Patch(f"p{k + 1}", rect, tuple(value), (0.3, 0.3, 0.3), role))
    places = [(3.0, 3.0), (137.0, 3.0), (137.0, 55.0), (3.0, 55.0)]
    markers = tuple(Marker(40 + i, (x, y, 10.0, 10.0)) for i, (x, y) in enumerate(places))
    return CardDefinition(
        "spectral", "chart for this test", (150.0, 68.0), "DICT_5X5_100", markers,
        tuple(patches), "measured", "colour-science's spectra",
    )  # fmt: skip


@pytest.fixture(scope="module", autouse=True)
def _quiet():
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        yield


# Measured when written: medians 0.55, 0.47, 0.8, 0.85 and worst 1.3, 0.7, 2.1, 1.3 (D50, D65,
# A, FL2). What is left is metamerism: a camera is not an eye.
@pytest.mark.parametrize(
    ("lamp", "tone"), [("D50", 0.0), ("D65", 0.25), ("A", 0.25), ("FL2", 0.15)]
)
def test_cie_samples_measured_from_a_photo(tmp_path, lamp, tone):
    chart, samples = _chart_spectra(), _sample_spectra()[:8]
    card = _definition(_lab_d50(chart))
    expected = _lab_d50(samples)
    exposure = 0.8
    paper = np.full((1, 31), 0.86)
    fields = [
        synthetic.Field((4.0 + 18 * k, 85.0, 14.0, 55.0), tuple(rgb))
        for k, rgb in enumerate(exposure * _camera_rgb(samples, lamp))
    ]
    flat = synthetic.draw_flat(
        card, exposure * _camera_rgb(chart, lamp), fields, EXTENT,
        exposure * _camera_rgb(paper, lamp)[0].astype(np.float32),
    )  # fmt: skip
    size = (1500, 1500)
    matrix = synthetic.view_matrix(EXTENT, size, [(90, 60), (1420, 40), (1460, 1440), (50, 1400)])
    photo = synthetic.save(
        tmp_path / "photo.jpg",
        synthetic.photograph(flat, EXTENT, matrix, size),
        tone=tone,
        quality=92,
    )
    from calibration.card import write_card

    write_card(tmp_path / "card.toml", card)
    seen = read_strips(photo, Options(card_path=tmp_path / "card.toml"), lambda *_: None)
    assert len(seen.strips) == len(samples)
    got = np.array([s.lab_d50 for s in seen.strips])
    error = delta_e_2000(got, expected)
    assert np.median(error) < 1.2, error
    assert error.max() < 2.6, error
