"""Strips out of an instrument's table, and every command that takes it in a photo's place.

Films are computed with the project's own Kubelka-Munk; what is held to the outside is named at each
test.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

import drawdown
from calibration.colour.difference import delta_e_2000
from calibration.colour.illuminants import LAMPS, lab_under
from calibration.colour.samples import Sample, Samples
from calibration.colour.spectra import WAVELENGTHS_NM
from calibration.errors import BadFile
from drawdown.commands.main import main
from drawdown.ink.forward import mix_of, paper_ground, spectrum_of_film
from drawdown.ink.shelf import starter_shelf
from drawdown.matching.compare import compare
from drawdown.reading.instrument import strips_of

FIXTURE = Path(__file__).resolve().parents[3] / "fixtures" / "readings.csv"


def table(*rows: tuple[str, tuple[float, float, float]], **more) -> Samples:
    return Samples("t.csv", tuple(Sample(name, np.array(lab)) for name, lab in rows), **more)


def write(path: Path, rows, head: str = "name,L,a,b") -> str:
    lines = [f"{name}," + ",".join(f"{v:.4f}" for v in values) for name, values in rows]
    path.write_text("\n".join([head, *lines, ""]), encoding="utf-8")
    return str(path)


PAIR = (("original", (60, 10, 20)), ("batch", (62, 10, 20)))


def test_rows_of_a_name_are_one_strip_and_grounds_are_none():
    read = strips_of(
        table(
            ("paper", (95, 0, 1)), ("Black", (20, 0, 0)), ("blue", (60, 0, -30)),
            ("blue", (62, 0, -30)), ("blue over bar", (30, 0, -9)), ("red", (50, 50, 30)),
            ("red thinner", (60, 40, 25)), ("red_thicker", (45, 52, 31)),
        )
    )  # fmt: skip
    assert [(s.number, s.name) for s in read.strips] == [(1, "blue"), (2, "red")]
    blue, red = read.strips
    np.testing.assert_allclose(blue.lab_d50, [61, 0, -30])
    # The experimental standard deviation of two readings (GUM, JCGM 100:2008, 4.2.2).
    apart = delta_e_2000(np.array([60, 0, -30.0]), np.array([62, 0, -30.0]))
    assert blue.evenness_de00 == pytest.approx(apart / np.sqrt(2), rel=0.02)
    assert red.evenness_de00 is None
    assert blue.over_bar is not None
    assert red.over_bar is None
    np.testing.assert_allclose(red.trail_lab_d50[:, 0], [45, 50, 60])
    assert len(blue.trail_lab_d50) == 0
    assert read.paper is not None


def test_a_table_without_a_strip_is_refused():
    with pytest.raises(BadFile, match="no reading of a strip over paper"):
        strips_of(table(("paper", (95, 0, 1)), ("blue over black", (60, 0, -30))))


@pytest.mark.parametrize("off", [0.4, 2.0])
def test_the_instruments_own_error_is_in_a_colour_and_cancels_in_a_difference(off):
    one, two = strips_of(table(*PAIR), off).strips
    # 95 % of a vector of three normal parts: chi-square, three degrees of freedom (7.815).
    sd = np.hypot(off / np.sqrt(7.815), 0.1)
    step = one.lab_d50 + np.array([1.96 * sd, 0, 0])
    assert one.lab_u95[0] == pytest.approx(
        1.96 * sd / delta_e_2000(one.lab_d50, step) * 1.96 * sd, rel=0.05
    )
    widths = [c.de00_high95 - c.de00_low95 for c in (compare(one, two),)]
    other = compare(*strips_of(table(*PAIR), 0.1).strips)
    assert widths[0] == pytest.approx(other.de00_high95 - other.de00_low95, rel=0.01)


def test_intervals_of_instruments_hold():
    """Strips whose spots scatter by 0.3 Delta E, read at three places by instruments that are off
    by up to their stated error: the interval holds the true difference."""
    rng = np.random.default_rng(3)
    from calibration.colour.difference import local_metric

    held = []
    for _ in range(150):
        lab = np.array([rng.uniform(30, 85), *rng.uniform(-45, 45, 2)])
        back = np.linalg.inv(local_metric(lab))
        other = lab + back @ rng.normal(0, 1.5, 3)
        bias = back @ rng.normal(0, 1 / np.sqrt(7.815), 3)
        rows = [
            (name, tuple(true + bias + back @ rng.normal(0, 0.3 / np.sqrt(3), 3)))
            for name, true in (("original", lab), ("batch", other))
            for _ in range(3)
        ]
        c = compare(*strips_of(table(*rows)).strips)
        held.append(c.de00_low95 <= delta_e_2000(lab, other) <= c.de00_high95)
    assert np.mean(held) >= 0.93


def test_a_scale_of_readings_and_light_led_over_widen_what_is_said():
    own = strips_of(table(*PAIR)).strips[0]
    far = strips_of(table(*PAIR, illuminant="D65", observer=10, converted_sd_de=2.2))
    assert far.strips[0].lab_u95[0] > 2 * own.lab_u95[0]
    assert [flag.code for flag in far.flags] == ["light-converted"]
    assert [flag.code for flag in strips_of(table(*PAIR, stated=False)).flags] == ["light-assumed"]


# The commands ----------------------------------------------------------------------------


SPECTRA = "name," + ",".join(map(str, WAVELENGTHS_NM))


def metamers() -> list[tuple[str, np.ndarray]]:
    """Two reflectances that D50 does not tell apart."""
    wave = np.cos(2 * np.pi * (WAVELENGTHS_NM - 400) / 120)
    d50 = LAMPS["daylight D50"]
    bump = wave - np.linalg.lstsq(d50.T, d50.T @ wave, rcond=None)[0]
    return [("original", np.full(31, 0.4)), ("batch", 0.4 + 0.12 * bump)]


def test_match_says_how_a_pair_parts_under_other_lamps(tmp_path, capsys):
    """Two inks of other pigments that agree in D50: what is told is the difference of the spectra
    under each lamp, as colour-science has it."""
    rows = metamers()
    path = write(tmp_path / "s.csv", rows, SPECTRA)
    assert main(["match", "--readings", path, "--json", "--instrument", "0.3"]) == 0
    said = json.loads(capsys.readouterr().out)
    told = {lamp["lamp"]: lamp["de00"] for lamp in said["readings"]["lamps"]}
    one, two = (lab_under(r, LAMPS["tungsten"]) for _, r in rows)
    assert told["tungsten"] == pytest.approx(delta_e_2000(one, two), abs=0.05)
    assert told["tungsten"] > 2 > said["comparison"]["de00"]
    assert main(["match", "--readings", path]) == 0
    assert "not under another lamp" in " ".join(capsys.readouterr().out.split())


def test_a_kept_table_keeps_its_spectra(tmp_path, capsys):
    """The same pair, the original kept first: what is told is the difference of the spectra."""
    original, batch = metamers()
    kept = write(tmp_path / "kept.csv", [("other", original[1] / 2), original], SPECTRA)
    assert main(["book", "keep", "--readings", kept]) == 0
    (tmp_path / "kept.csv").unlink()
    path = write(tmp_path / "now.csv", [batch], SPECTRA)
    capsys.readouterr()
    assert main(["match", "--readings", path, "--kept", "original", "--json"]) in (0, 4)
    said = json.loads(capsys.readouterr().out)
    told = {lamp["lamp"]: lamp["de00"] for lamp in said["readings"]["lamps"]}
    one, two = (lab_under(r, LAMPS["tungsten"]) for r in (original[1], batch[1]))
    assert told["tungsten"] == pytest.approx(delta_e_2000(one, two), abs=0.05)
    plain = write(tmp_path / "plain.csv", [("batch", (69.5, 0, 0))])
    assert main(["match", "--readings", plain, "--kept", "original", "--json"]) in (0, 4)
    assert not json.loads(capsys.readouterr().out)["readings"]["lamps"]


def test_match_by_an_instrument_finds_what_is_missing(capsys):
    code = main(["match", "--readings", str(FIXTURE), "--mix", "white 96, PB15:3 4", "--json"])
    said = json.loads(capsys.readouterr().out)
    assert code == 3
    assert [row["ink"] for row in said["advice"]["additions"]] == ["phthalo-blue"]
    assert said["photo"] is None
    assert said["readings"]["paper_lab_d50"] is not None
    assert "photo" not in " ".join(said["notes"]).lower()


@pytest.mark.parametrize(
    ("argv", "words"),
    [
        (["match", "p.jpg", "--readings", "{}"], "were both given"),
        (["match"], "PHOTO was not given, nor --readings"),
        (["read"], "PHOTO was not given, nor --readings"),
        (["read", "--readings", "{}", "--strip", "1,1,9,9"], "--strip was given with --readings"),
        (["match", "--readings", "{}", "--card", "c.toml"], "--card was given with --readings"),
        (["match", "p.jpg", "--instrument", "1"], "without --readings"),
        (["match", "--readings", "{}", "--instrument", "0"], "must lie above 0"),
        (["match", "--readings", "{}", "--strip", "7", "--strip", "1"], "as the table lists them"),
        (["plan", "covers", "--readings", "{one}"], "over paper and over black"),
        (["match", "--readings", "{one}"], "one strip was found in"),
        (["match", "--readings", "{three}"], "not clear which two"),
        (["ink", "fit", "--readings", "{one}", "--step", "1=alone"], 'no row called "paper"'),
    ],
)
def test_what_makes_no_sense_is_explained(tmp_path, capsys, argv, words):
    one = write(tmp_path / "one.csv", [("blue", (50, 0, -30))])
    three = write(tmp_path / "three.csv", [(n, (50, 0, -30)) for n in ("a", "b", "c")])
    argv = [a.replace("{one}", one).replace("{three}", three) for a in argv]
    assert main([a.replace("{}", str(FIXTURE)) for a in argv]) in (2, 6)
    assert words in " ".join(capsys.readouterr().err.split())


def ladder(path: Path) -> str:
    """Strips of the starter's blue, alone, over black, in white and in base."""
    shelf = starter_shelf()
    blue, white, base = (shelf.find(name) for name in ("phthalo-blue", "white", "base"))
    paper, black = np.full(31, 0.86), np.full(31, 0.04)
    rows = [("paper", paper), ("black", black)]
    for name, share, other, ground in (
        ("alone", 1.0, white, paper), ("alone over black", 1.0, white, black),
        ("tint", 0.1, white, paper), ("let-down", 0.2, base, paper),
    ):  # fmt: skip
        k, s = mix_of(
            np.array([share, 1 - share]),
            np.array([1.3 * blue.k, other.k]), np.array([blue.s, other.s]),
        )  # fmt: skip
        inside = paper_ground(None) if ground is paper else 0.1 * np.ones(31)
        rows.append((name, spectrum_of_film(k, s, 1.0, inside)))
    rows[0] = ("paper", spectrum_of_film(np.zeros(31), np.zeros(31), 0.0, paper_ground(None)))
    rows[1] = ("black", spectrum_of_film(np.zeros(31), np.zeros(31), 0.0, 0.1 * np.ones(31)))
    return write(path, rows, SPECTRA)


def test_an_ink_is_fitted_from_readings(tmp_path, capsys):
    path = ladder(tmp_path / "ladder.csv")
    steps = [f"--step={s}" for s in ("1=bar", "2=white:10", "3=base:20")]
    assert main(["ink", "fit", "--readings", path, *steps, "--pigment", "PB15:3", "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    blue = starter_shelf().find("phthalo-blue")
    peak = np.argmax(blue.k)
    assert said["ink"]["k"][peak] / blue.k[peak] == pytest.approx(1.3, rel=0.2)
    assert not said["doubtful"]


def test_the_plans_take_readings(capsys):
    assert main(["plan", "covers", "--readings", str(FIXTURE), "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert all(0 < s["opacity"]["contrast_ratio"]["value"] < 1 for s in said["strips"])
    assert main(["plan", "lighten", "--readings", str(FIXTURE), "--to", "8.6", "--json"]) == 0
    plan = json.loads(capsys.readouterr().out)["plan"]
    assert plan["read_over_bar"]
    assert plan["ways"][0]["parts_per_100"]["value"] > 0


def test_the_book_keeps_readings_and_compares_with_them(tmp_path, capsys):
    """Two tables of one instrument: the interval across them stays narrow: no camera is in it."""
    assert main(["book", "keep", "--readings", str(FIXTURE)]) == 0
    assert "2 of 2 rows kept" in capsys.readouterr().out
    batch = write(tmp_path / "batch.csv", [("today", (82.9, -22.9, -17.3))])
    assert main(["match", "--readings", batch, "--kept", "original", "--json"]) == 3
    c = json.loads(capsys.readouterr().out)["comparison"]
    assert c["de00_high95"] - c["de00_low95"] < 1.8
    assert main(["book", "check"]) == 0


def test_a_run_of_prints_is_followed_by_readings(tmp_path, capsys):
    for number, lightness in enumerate((50.0, 50.2, 56.0), start=1):
        pull = write(tmp_path / f"{number}.csv", [("spot", (lightness, 0, -30))])
        assert main(["book", "run", "Kingfisher", "--readings", pull]) == 0
    capsys.readouterr()
    assert main(["book", "run", "Kingfisher", "--json"]) == 0
    (run,) = json.loads(capsys.readouterr().out)["runs"]
    assert run["pulls"][-1]["signs"] == ["tolerance"]
    assert run["pulls"][1]["de00_high95"] < 2
    same = str(tmp_path / "3.csv")
    assert main(["book", "run", "Kingfisher", "--readings", same]) == 2
    assert "is pull 3" in capsys.readouterr().err


def test_a_batch_is_followed_by_readings(tmp_path, capsys):
    first = ["match", "--readings", str(FIXTURE), "--batch", "Tide", "--mix", "white 96, PB15:3 4"]
    assert main([*first, "--grams", "100"]) == 3
    assert "Logged to the new batch" in capsys.readouterr().err
    assert main(["match", "--readings", str(FIXTURE), "--batch", "Tide"]) == 3
    assert "already: it counts once" in " ".join(capsys.readouterr().err.split())


def test_python_takes_readings_too():
    m = drawdown.match(readings=FIXTURE, mix={"white": 96, "PB15:3": 4}, instrument_off_de=0.5)
    assert m.verdict == "no match"
    assert m.strips[0].spectrum.shape == (31,)
    assert "instrument" in m.strips[0].flags[0].code
    r = drawdown.read(readings=FIXTURE)
    assert [strip.name for strip in r.strips] == ["original", "batch"]
    with pytest.raises(drawdown.WrongUsage):
        drawdown.read("photo.jpg", readings=FIXTURE)
