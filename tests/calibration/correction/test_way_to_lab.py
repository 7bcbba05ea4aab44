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
from spectral_kit import (
    camera_rgb,
    chart_spectra,
    lab_d50,
    sample_spectra,
)

from calibration.card.definition import CardDefinition, Marker, Patch
from calibration.colour.difference import delta_e_2000
from drawdown.pipeline.options import Options
from drawdown.pipeline.read import read_strips

pytestmark = pytest.mark.slow

EXTENT = (-15.0, -15.0, 165.0, 170.0)


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
    chart, samples = chart_spectra(), sample_spectra()[:8]
    card = _definition(lab_d50(chart))
    expected = lab_d50(samples)
    exposure = 0.8
    paper = np.full((1, 31), 0.86)
    fields = [
        synthetic.Field((4.0 + 18 * k, 85.0, 14.0, 55.0), tuple(rgb))
        for k, rgb in enumerate(exposure * camera_rgb(samples, lamp))
    ]
    flat = synthetic.draw_flat(
        card, exposure * camera_rgb(chart, lamp), fields, EXTENT,
        exposure * camera_rgb(paper, lamp)[0].astype(np.float32),
    )  # fmt: skip
    size = (1500, 1500)
    matrix = synthetic.view_matrix(EXTENT, size, [(90, 60), (1420, 40), (1460, 1440), (50, 1400)])
    photo = synthetic.save(
        tmp_path / "photo.jpg",
        synthetic.photograph(flat, EXTENT, matrix, size),
        tone=tone,
        quality=92,
    )
    from calibration.card.toml import write_card

    write_card(tmp_path / "card.toml", card)
    seen = read_strips(photo, Options(card=tmp_path / "card.toml"), lambda *_: None)
    assert len(seen.strips) == len(samples)
    got = np.array([s.lab_d50 for s in seen.strips])
    error = delta_e_2000(got, expected)
    assert np.median(error) < 1.2, error
    assert error.max() < 2.6, error
