"""Spectral files against the tables of colour-science that they were written from."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from calibration.colour.illuminants import LAMPS
from calibration.colour.spectra import WAVELENGTHS_NM
from calibration.colour.spectral_files import colour_science, lamp, read_reflectances
from calibration.errors import BadFile, DrawdownError, WrongUsage
from drawdown.commands import main as cli

ROOT = Path(__file__).resolve().parents[3]
PHOTO = ROOT / "fixtures" / "photos" / "match.jpg"


def spdx(path: Path, nm, values) -> None:
    """IES TM-27, written by the library."""
    colour = colour_science()
    spectrum = colour.SpectralDistribution_IESTM2714(data=values, domain=nm)
    spectrum.header.description = "a lamp"
    spectrum.spectral_quantity = "relative"
    spectrum._path = str(path)
    spectrum.write()


def csv(path: Path, nm, values) -> None:
    lines = [f"{n:g},{v:.10g}" for n, v in zip(nm, values, strict=True)]
    path.write_text("nm,lamp\n" + "\n".join(lines) + "\n", encoding="utf-8")


def bare_csv(path: Path, nm, values) -> None:
    csv(path, nm, values)
    path.write_text(path.read_text().partition("\n")[2])


def txt(path: Path, nm, *samples) -> None:
    rows = [
        f"{k} S{k} " + " ".join(f"{v:.10g}" for v in values) for k, values in enumerate(samples, 1)
    ]
    path.write_text(
        "CGATS.17\nBEGIN_DATA_FORMAT\nSAMPLE_ID SAMPLE_NAME "
        + " ".join(f"nm{n:g}" for n in nm)
        + "\nEND_DATA_FORMAT\nBEGIN_DATA\n"
        + "\n".join(rows)
        + "\nEND_DATA\n"
    )


@pytest.mark.parametrize(
    ("cie", "builtin"), [("D65", "daylight D65"), ("A", "tungsten"), ("LED-B3", "LED")]
)
@pytest.mark.parametrize(
    ("write", "ending"), [(spdx, ".spdx"), (csv, ".csv"), (bare_csv, ".CSV"), (txt, ".txt")]
)
def test_a_lamp_of_the_cie_out_of_a_file_is_the_built_in_one(tmp_path, write, ending, cie, builtin):
    table = colour_science().SDS_ILLUMINANTS[cie]
    path = tmp_path / f"lämp{ending}"
    write(path, table.wavelengths, table.values)
    name, weights = lamp(str(path))
    assert name == path.name
    np.testing.assert_allclose(weights, LAMPS[builtin], rtol=0, atol=6e-7)
    assert lamp(f" {cie.lower()}")[0] == cie


def test_every_illuminant_of_the_cie_has_its_white():
    """Chromaticities as the library gives them for the CIE's tables (CIE 15:2018)."""
    colour = colour_science()
    whites = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]
    for name in ("FL2", "FL11", "HP1", "LED-B1", "LED-V1", "D50", "E"):
        xyz = lamp(name)[1].sum(axis=0)
        # The tables' own figures have four digits, and end at other wavelengths.
        assert xyz[:2] / xyz.sum() == pytest.approx(tuple(whites[name]), abs=1.5e-3), name


def test_a_lamp_of_lines_at_uneven_steps_stays_above_the_dark(tmp_path):
    """A line at 546 nm in a table of lines alone: nearly all light falls on 540 and 550 nm."""
    nm = np.array([380, 400, 404, 405, 406, 410, 435, 436, 437, 500, 544, 546, 548, 560, 700, 780])
    spdx(tmp_path / "lines.spdx", nm, np.where(nm == 546, 1.0, 0.001))
    weights = lamp(str(tmp_path / "lines.spdx"))[1]
    assert weights.min() > -0.06  # E2022's own Lagrange lobes, no more
    assert weights[14:16, 1].sum() > 0.9


@pytest.mark.parametrize(
    "text",
    [
        "", "nm,a\n", "400;0.5\n410;0.6\n", "nm,a\n500,1\n510,1\n", "nm,a\n400,x\n700,1\n",
        "nm,a\n380,0\n400,0\n410,0\n700,0\n", "nm,a\n380,1\n400,-1\n410,1\n700,1\n",
        "nm,a\n400,1\n500,1\n600,1\n700,1\n", "nm,a,b\n" + "".join(
            f"{n},1,2\n" for n in range(380, 781, 10)),
    ],
)  # fmt: skip
@pytest.mark.parametrize("ending", ["csv", "txt", "spdx", "png"])
def test_a_file_that_is_no_lamp_is_explained(tmp_path, text, ending):
    path = tmp_path / f"x.{ending}"
    path.write_text(text)
    with pytest.raises(BadFile) as found:
        lamp(str(path))
    assert str(path) in found.value.seen
    assert "\n" not in found.value.seen


def test_a_name_that_is_no_lamp_is_explained(tmp_path):
    for said in ("FL99", str(tmp_path / "none.csv"), "a\0b"):
        with pytest.raises(WrongUsage):
            lamp(said)
    for said in ("", str(tmp_path)):
        with pytest.raises(DrawdownError):
            lamp(said)


def test_reflectances_of_every_sample_in_a_file(tmp_path):
    """The library's own chart of 24 patches (Ohta 1997, at 5 nm), as numbers and as percent."""
    colour = colour_science()
    chart = colour.SDS_COLOURCHECKERS["ColorChecker N Ohta"]
    nm = np.arange(380, 781, 5)
    table = [chart[name].values for name in chart]
    at = np.isin(nm, WAVELENGTHS_NM)
    for factor in (1, 100):
        txt(tmp_path / "chart.txt", nm, *(factor * v for v in table))
        found = read_reflectances(tmp_path / "chart.txt")
        np.testing.assert_allclose(list(found.values()), [v[at] for v in table], atol=1e-9)
    txt(tmp_path / "chart.txt", nm, np.linspace(0.5, 1.5, nm.size))
    with pytest.raises(BadFile, match="goes from"):
        read_reflectances(tmp_path / "chart.txt")


@pytest.mark.slow
def test_match_tells_of_the_lamps_that_are_asked_for(capsys, opened_once):
    def run(*words: str) -> tuple[int, str, str]:
        code = cli.main(["match", str(PHOTO), *words])
        return code, *capsys.readouterr()

    mix = ["--mix", "white=96", "--mix", "PB15:3=4"]
    code, out, err = run(*mix, "--lamp", "fl11", "--lamp", "A", "--json")
    assert (code, err) == (0, "")
    lamps = {row["lamp"]: row for row in json.loads(out)["advice"]["lamps"]}
    assert list(lamps) == [*LAMPS, "FL11", "A"]
    # Tungsten by its built-in weights, and by the library's table of the same illuminant.
    assert lamps["A"]["de00"] == pytest.approx(lamps["tungsten"]["de00"], abs=0.002)
    said = " ".join(run(*mix, "--lamp", "fl11", "--full")[1].split())
    assert f"under FL11 about {lamps['FL11']['de00']:.1f} (95 % below" in said
    wet = run("--wet", "batch", "--lamp", "FL11", "--json")[1]
    assert "lamp-not-told" in json.loads(wet)["photo"]["flags"]
    code, out, err = run("--lamp", "FL99")
    assert (code, out) == (2, "")
    assert '--lamp "FL99" is neither a lamp of the CIE nor a file' in err
