"""The program's inks against measured mixtures of real oil paints (tests/data/oils), none of which
the fits have seen. The figures by model stand in tests/benchmarks/RESULTS.md."""

from __future__ import annotations

import json

import numpy as np
import oil_paints as oils
import pytest
from command_kit import json_of, run

from calibration.colour.difference import delta_e_2000
from calibration.colour.illuminants import LAMPS, lab_under
from drawdown.ink.film import internal_from_measured, measured_from_internal, reflectance

SAMPLES = oils.read_samples()


def off(predict, names) -> np.ndarray:
    """Delta E 2000 of the predicted mixtures, over black and over white."""
    return np.ravel(
        [delta_e_2000(oils.lab_of(predict(SAMPLES[n])), SAMPLES[n].lab_d50) for n in names]
    )


@pytest.mark.slow
def test_fitted_inks_predict_real_mixtures_better_than_the_plain_model():
    """Against two-constant mixing of opaque films (Duncan 1940), from the same samples, in the same
    run, of paints that nothing was chosen on."""
    fits = oils.Fitted(SAMPLES, by_spectra=False), oils.Fitted(SAMPLES, by_spectra=True)
    by_lab, by_spectra = (fit.predict for fit in fits)
    names = oils.unseen(SAMPLES, oils.HELD_OUT)
    assert len(names) == 15
    for ours, known in ((by_lab, oils.guessed_from_lab(SAMPLES)), (by_spectra, SAMPLES)):
        found, others = off(ours, names), off(oils.two_constants(known), names)
        assert np.median(found) < np.median(others)
        assert np.quantile(found, 0.95) < 0.5 * np.quantile(others, 0.95)
    tints = [n for n in names if oils.BLACK not in SAMPLES[n].parts]
    assert oils.held(fits[1], SAMPLES, tints) >= 0.9  # of a stated 95 %
    # A fit by wavelength knows the spectrum that three numbers leave open.
    rms = [
        np.median([np.sqrt(np.mean((f(SAMPLES[n]) - SAMPLES[n].over) ** 2)) for n in names])
        for f in (by_lab, by_spectra)
    ]
    assert rms[1] < 0.6 * rms[0]


def table(path, paint: str, names: tuple[str, ...]):
    """Rows of an instrument's table: the bare chart, and each sample over white and over black."""
    black, white = SAMPLES[names[0]].grounds
    rows = {"paper": white, "black": black}
    for name in names:
        rows |= {f"{paint} {name} over black": SAMPLES[name].over[0]}
        rows |= {f"{paint} {name}": SAMPLES[name].over[1]}
    head = "name," + ",".join(str(nm) for nm in range(400, 701, 10))
    path.write_text(
        "\n".join([head, *(f"{n}," + ",".join(f"{v:.4f}" for v in r) for n, r in rows.items())])
    )
    return path


@pytest.mark.slow
def test_an_ink_fitted_from_spectra_is_right_under_other_lamps(tmp_path, capsys):
    """Cobalt blue, whose bands no three numbers tell, from two samples that were measured; the half
    and half mixture with white was measured too."""
    shelf = tmp_path / "shelf.toml"
    white = table(tmp_path / "white.csv", "white", oils.WHITE_FROM)
    fit = ("ink", "fit", "--shelf", shelf, "--anyway", "--readings")
    alone, named = ("--step", "1=bar"), ("--pigment", "PW6", "--name", "zinc white")
    assert run(capsys, *fit, white, *alone, *named)[0] == 0
    blue = table(tmp_path / "blue.csv", "blue", oils.CHOSEN_ON["cobalt-blue"])
    made = (*alone, "--step", "2=white:10", "--white", "zinc white", "--name", "our blue")
    said = json_of(capsys, *fit, blue, *made)
    assert "by wavelength" in json.dumps(said)
    inks = {i["name"]: i for i in json_of(capsys, "ink", "list", "--shelf", shelf)["inks"]}
    assert set(inks) >= {"zinc white", "our blue"}
    half = SAMPLES["12C"]
    shown = [
        json_of(capsys, "ink", "show", name, "--shelf", shelf)["ink"]
        for name in ("our blue", "zinc white")
    ]
    k, s = (np.mean([ink[q] for ink in shown], axis=0) for q in "ks")
    ground = internal_from_measured(half.grounds[1])
    seen = measured_from_internal(reflectance(k, s, 1.0, ground))
    for lamp in ("daylight D50", "daylight D65", "tungsten", "LED"):
        wanted, found = (lab_under(r[None], LAMPS[lamp]) for r in (half.over[1], seen))
        assert delta_e_2000(wanted, found).max() < 2, lamp
