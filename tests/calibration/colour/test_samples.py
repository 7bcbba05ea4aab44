"""Rows of an instrument's tables as samples, held to colour-science: its spectra of a 24-patch
chart (BabelColor's averages), its integration and its whites."""

from __future__ import annotations

import warnings

import numpy as np
import pytest

from calibration.colour.difference import delta_e_2000
from calibration.colour.samples import CONVERTED_SD_DE, read_samples
from calibration.colour.spectral_files import colour_science
from calibration.errors import BadFile

NM = np.arange(400, 701, 10)


@pytest.fixture(scope="module")
def chart():
    """Names, spectra (24, 31), and Lab by the library: D50 2 degrees, D65 2, D65 10, A 2."""
    colour = colour_science()
    patches = colour.SDS_COLOURCHECKERS["BabelColor Average"]
    shape = colour.SpectralShape(400, 700, 10)
    spectra = np.array([s.copy().align(shape).values for s in patches.values()])
    labs = {}
    for light, angle in (("D50", 2), ("D65", 2), ("D65", 10), ("A", 2)):
        observer = f"CIE {1931 if angle == 2 else 1964} {angle} Degree Standard Observer"
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of the lamp's other wavelengths
            at = colour.MSDS_CMFS[observer], colour.SDS_ILLUMINANTS[light]
            xyz = [colour.sd_to_XYZ(s.copy(), *at) for s in patches.values()]
        white = colour.CCS_ILLUMINANTS[observer][light]
        labs[light, angle] = colour.XYZ_to_Lab(np.array(xyz) / 100, white)
    return list(patches), spectra, labs


def csv(names, values, head: str) -> str:
    rows = [f'"{n}",' + ",".join(f"{v:.6f}" for v in row) for n, row in zip(names, values)]  # noqa: B905
    return "\n".join([f"name,{head}", *rows, ""])


@pytest.mark.parametrize("shape", ["fraction", "percent", "cgats", "5 nm apart"])
def test_spectra_in_rows_give_the_librarys_colours(tmp_path, chart, shape):
    names, spectra, labs = chart
    text = csv(names, 100 * spectra if shape == "percent" else spectra, ",".join(map(str, NM)))
    if shape == "cgats":
        fields = " ".join(f"SPECTRAL_NM{nm}" for nm in NM)
        rows = [f'"{n}" ' + " ".join(f"{v:.6f}" for v in r) for n, r in zip(names, spectra)]  # noqa: B905
        text = "\n".join(["CGATS.17", "BEGIN_DATA_FORMAT", f"SAMPLE_NAME {fields}",
                          "END_DATA_FORMAT", "BEGIN_DATA", *rows, "END_DATA", ""])  # fmt: skip
    if shape == "5 nm apart":
        fine = np.arange(400, 701, 5)
        values = np.array([np.interp(fine, NM, row) for row in spectra])
        text = csv(names, values, ",".join(f"nm{nm}" for nm in fine))
    path = tmp_path / "strips.csv"
    path.write_text(text, encoding="utf-8")
    read = read_samples(path)
    assert [row.name for row in read.rows] == names
    off = delta_e_2000(np.array([row.lab_d50 for row in read.rows]), labs["D50", 2])
    assert off.max() < 0.25  # the library's white of D50 is not quite the ICC's
    np.testing.assert_allclose([row.spectrum for row in read.rows], spectra, atol=1e-5)


@pytest.mark.parametrize(
    ("light", "angle", "kind"), [("D65", 2, "daylight"), ("A", 2, "A"), ("D65", 10, "observer")]
)
@pytest.mark.parametrize("where", ["remark", "columns", "cgats"])
def test_values_for_other_light_come_as_near_as_is_stated(
    tmp_path, chart, light, angle, kind, where
):
    names, _, labs = chart
    lab = labs[light, angle]
    text = f"# illuminant {light}, observer {angle} degree\n" + csv(names, lab, "L,a,b")
    if where == "columns":
        rows = csv(names, lab, "L*,a*,b*").splitlines()
        text = f"{rows[0]},Illuminant,Observer\n" + "".join(
            f"{row},{light.lower()},{1964 if angle == 10 else 1931}\n" for row in rows[1:]
        )
    if where == "cgats":
        rows = [f'"{n}" ' + " ".join(map(str, r)) for n, r in zip(names, lab, strict=True)]
        text = "\n".join(
            ["CGATS.17", f'WEIGHTING_FUNCTION "ILLUMINANT, {light}"',
             f'WEIGHTING_FUNCTION "OBSERVER, {angle} degree"', "BEGIN_DATA_FORMAT",
             "SAMPLE_NAME LAB_L LAB_A LAB_B", "END_DATA_FORMAT", "BEGIN_DATA", *rows, "END_DATA"]
        )  # fmt: skip
    path = tmp_path / "strips.csv"
    path.write_text(text, encoding="utf-8")
    read = read_samples(path)
    assert (read.illuminant, read.observer, read.stated) == (light, angle, True)
    off = delta_e_2000(np.array([row.lab_d50 for row in read.rows]), labs["D50", 2])
    per_axis = float(np.sqrt((off**2).mean() / 3))
    assert 0.3 * CONVERTED_SD_DE[kind] < per_axis < 1.3 * read.converted_sd_de


def test_xyz_and_lab_say_the_same(tmp_path):
    # Y = 18.4187 is L* 50 (CIE 15:2018: 16 + 116 f, by hand); the white is D50's.
    (tmp_path / "a.csv").write_text("X;Y;Z\n96,42;100;82,49\n17,7593;18,41865;15,19354\n")
    first, second = read_samples(tmp_path / "a.csv").rows
    np.testing.assert_allclose(first.lab_d50, [100, 0, 0], atol=0.01)
    np.testing.assert_allclose(second.lab_d50, [50, 0, 0], atol=0.01)
    assert (first.name, second.name) == ("1", "2")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("name,L,a\nx,1,2\n", "no columns L, a, b"),
        ("name,L,a,b\n", "holds no table"),
        ("name,L,a,b\nx,0.5,0.1,0.1\ny,0.9,0,0\n", "L* in"),
        ("name,X,Y,Z\nx,0.5,0.5,0.5\n", "below 1.5"),
        ("name,L,a,b\nx,150,0,0\n", '"x" in'),
        ("name,L,a,b\nx,fifty,0,0\n", '"fifty", which is not a number'),
        ("# illuminant Q9\nname,L,a,b\nx,50,0,0\n", '"Q9", an illuminant that is not known'),
        ("# observer 4\nname,L,a,b\nx,50,0,0\n", "the observer 4"),
        ("name,L,a,b,illuminant\nx,50,0,0,D50\ny,50,0,0,D65\n", "more than one illuminant"),
        ("name," + ",".join(map(str, NM[:-4])) + "\nx" + ",0.5" * 27 + "\n", "400 to 660 nm"),
        ("name," + ",".join(map(str, NM)) + "\nx" + ",1.5" * 31 + "\n", "goes from 1.5 to 1.5"),
    ],
)
def test_what_cannot_be_meant_is_explained(tmp_path, text, words):
    (tmp_path / "a.csv").write_text(text)
    with pytest.raises(BadFile) as caught:
        read_samples(tmp_path / "a.csv")
    assert words in caught.value.seen
