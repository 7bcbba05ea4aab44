"""The shelf: starter figures, names as people type them, files in and out."""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
import tomllib

import numpy as np
import pytest
from film_formulas import reflectance_opaque
from hypothesis import given
from hypothesis import strategies as st

from calibration.colour.spaces import xyz_to_lab
from calibration.colour.spectra import XYZ_D50_WEIGHTS
from calibration.errors import BadFile, WrongUsage
from drawdown.commands.ink.list import list_inks
from drawdown.ink import film
from drawdown.ink.forward import mix_of
from drawdown.ink.hazards import pigment_caution
from drawdown.ink.mix_notation import read_amounts
from drawdown.ink.shelf import KINDS, Shelf, read_shelf, starter_shelf
from drawdown.ink.shelf_writing import write_shelf
from drawdown.report.text.ink import catalogue_screen
from drawdown.report.text.terminal import Screen
from drawdown.studio.shelf_file import ShelfInUse
from drawdown.wording.cautions import CAUTIONS

HEAD = 'format = "drawdown.shelf/1"\n'
CURVE = "[" + ", ".join(["0.5"] * 31) + "]"


def write(tmp_path, body: str):
    path = tmp_path / "shelf.toml"
    path.write_text(HEAD + body, encoding="utf-8")
    return path


# The starter shelf -----------------------------------------------------------------------


def test_starter_inks_are_whole_and_unlike():
    shelf = starter_shelf()
    assert len(shelf) == len(set(shelf.names)) == 28
    assert {ink.kind for ink in shelf} == set(KINDS)
    for ink in shelf:
        assert ink.k.shape == ink.s.shape == (31,)
        assert np.isfinite(ink.k).all()
        assert (ink.k >= 0).all()
        assert (ink.s >= 0).all()
        assert ink.source
        assert 0 < ink.k_sd < 1
        assert 0 < ink.s_sd < 1


@pytest.mark.parametrize(
    ("name", "nm", "k_over_s"),
    [
        # K and S as printed in the Artist Paint Spectral Database (Rochester Institute of
        # Technology, Okumura 2005), relative to S(white) = 1; ours are scaled by one factor,
        # so their ratio is the database's.
        ("bone-black", 400, 0.204520371048808 / 0.0212688767120403),
        ("phthalo-blue", 620, None),
    ],
)
def test_starter_figures_are_the_databases(name, nm, k_over_s):
    ink = starter_shelf().find(name)
    at = (nm - 400) // 10
    if k_over_s is not None:
        assert ink.k[at] / ink.s[at] == pytest.approx(k_over_s, rel=1e-3)
    else:
        # PB15, green shade: K 5.3773552622993 at 620 nm, .0253385 at 460 nm.
        assert ink.k[at] / ink.k[6] == pytest.approx(5.3773552622993 / 0.025338543808882, rel=1e-3)


def test_a_strip_of_white_nearly_hides():
    """Our scale: film 1 of titanium white is SX 4, so that inside the film it gives .8 over
    black and .8889 over a ground of .8 (closed form for K = 0, Kubelka 1948)."""
    white = starter_shelf().find("white")
    over_black, over_white = (film.reflectance(white.k, white.s, 1.0, g)[5:] for g in (0.0, 0.8))
    assert over_black == pytest.approx(np.full(26, 0.8), abs=1e-3)
    assert over_black / over_white == pytest.approx(np.full(26, 0.9), abs=1e-3)


def hue_of_tint(name: str) -> float:
    shelf = starter_shelf()
    white, ink = shelf.find("white"), shelf.find(name)
    k, s = mix_of(np.array([9, 1]), np.array([white.k, ink.k]), np.array([white.s, ink.s]))
    lab = xyz_to_lab(film.measured_from_internal(reflectance_opaque(k, s)) @ XYZ_D50_WEIGHTS)
    return float(np.degrees(np.arctan2(lab[2], lab[1])) % 360)


def test_tints_stand_round_the_colour_circle_in_the_order_of_their_names():
    """Red, orange, yellow, green, blue, violet by CIELAB hue: common knowledge, no source;
    a mislabelled row of the data would break it."""
    names = (
        "quinacridone-magenta", "pyrrole-red", "pyrrole-orange", "diarylide-yellow",
        "arylide-yellow", "phthalo-green-yellow-shade", "phthalo-green", "phthalo-blue",
        "phthalo-blue-red-shade", "ultramarine-blue", "dioxazine-violet",
    )  # fmt: skip
    hues = [hue_of_tint(name) for name in names]
    turns = (np.diff(hues) + 180) % 360 - 180
    assert (turns > 0).all()
    assert turns.sum() < 360


def test_base_lets_the_sheet_through_and_white_does_not():
    shelf = starter_shelf()
    base, white = shelf.find("base"), shelf.find("white")
    over = {ink.kind: film.reflectance(ink.k, ink.s, 1.0, 0.3)[15] for ink in (base, white)}
    assert over["base"] == pytest.approx(0.3, abs=0.04)
    assert over["white"] > 0.75


def test_starting_is_quick():
    """Our own limit: the starter shelf in 15 ms, and nothing heavy imported for it."""
    code = (
        "import sys, time, drawdown.ink.shelf as i; times = []\n"
        "for _ in range(5):\n"
        "    i.starter_shelf.cache_clear(); t = time.process_time(); i.starter_shelf()\n"
        "    times.append(time.process_time() - t)\n"
        "heavy = {'scipy', 'skimage', 'colour', 'cv2', 'pandas', 'tomli_w'} & set(sys.modules)\n"
        "print(min(times), *heavy)"
    )
    run = [sys.executable, "-c", code]
    seconds, *heavy = subprocess.run(run, capture_output=True, text=True, check=True).stdout.split()
    assert heavy == []
    assert float(seconds) < 0.015


def test_toxic_pigments_carry_a_caution():
    """Hazards from general knowledge of the pigments' chemistry, from memory."""
    shelf = starter_shelf()
    for code, word in (
        ("PR108", "cadmium"),
        ("PO20", "cadmium"),
        ("PB28", "cobalt"),
        ("PB36", "co"),
    ):
        caution = shelf.find(code).caution.lower()
        assert word in caution
        assert "safety data sheet" in caution
    assert shelf.find("PB15:3").caution == ""
    assert pigment_caution("pr 108") == shelf.find("PR108").caution
    text = " ".join(CAUTIONS).lower()
    for word in ("gloves", "fresh air", "rags", "safety data sheet", "local rules", "solvent"):
        assert word in text


# Names -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("typed", "name"),
    [
        ("phthalo-blue", "phthalo-blue"),
        ("Phthalo Blue", "phthalo-blue"),
        (" PHTHALO_BLUE ", "phthalo-blue"),
        ("phthaloblue", "phthalo-blue"),
        ("pb15:3", "phthalo-blue"),
        ("PB 15:1", "phthalo-blue-red-shade"),
        ("titanium white", "titanium-white"),
        ("white", "titanium-white"),
        ("PW6", "titanium-white"),
        ("base", "transparent-base"),
        ("black", "carbon-black"),
        ("yellow ochre", "yellow-oxide"),
        ("PB27", "prussian-blue"),
        ("dioxazine violet", "dioxazine-violet"),
    ],
)
def test_names_as_people_type_them(typed, name):
    assert starter_shelf().find(typed).name == name


@pytest.mark.parametrize(
    ("typed", "hint"),
    [
        ("ftalo blue", "phthalo-blue"),
        ("ultramarin", "ultramarine-blue"),
        ("phthalo", "phthalo-green"),
        ("PB15", "PB15:1"),
        ("PB28x", "cobalt-blue"),
        ("qqqqqq", "titanium-white"),
        ("", "titanium-white"),
    ],
)
def test_unknown_names_get_a_hint(typed, hint):
    with pytest.raises(WrongUsage) as caught:
        starter_shelf().find(typed)
    assert hint in caught.value.paragraph()


@pytest.mark.slow
@given(st.text())
def test_any_name_is_found_or_explained(text):
    with contextlib.suppress(WrongUsage):  # anything else would be a traceback
        assert starter_shelf().find(text) in starter_shelf().inks


def test_mix_is_named_and_scaled():
    shelf = starter_shelf()
    mix = shelf.named_mix({"white": 3, "PW6": 1, "Phthalo Blue": 1})
    assert mix == {"titanium-white": 80.0, "phthalo-blue": 20.0}
    assert shelf.named_mix(mix) == pytest.approx(mix)


@pytest.mark.parametrize("parts", [{}, {"white": 0}, {"white": -1}, {"white": float("nan")},
                                   {"white": float("inf")}, {"white": "much"}])  # fmt: skip
def test_mixes_that_make_no_sense(parts):
    with pytest.raises(WrongUsage):
        starter_shelf().named_mix(parts)


def test_what_a_mix_should_look_like_is_a_mix():
    with pytest.raises(WrongUsage) as refused:
        starter_shelf().named_mix({"white": 0})
    said = refused.value.todo.split('"')[1]
    assert starter_shelf().named_mix(read_amounts(said, "mix").amounts)


# Files -----------------------------------------------------------------------------------


def test_shelf_survives_writing_and_reading(tmp_path):
    path = tmp_path / "mine.toml"
    write_shelf(starter_shelf(), path)
    again = read_shelf(path)
    assert again.names == starter_shelf().names
    assert again.title == starter_shelf().title
    for a, b in zip(again, starter_shelf(), strict=True):
        assert np.array_equal(a.k, b.k)
        assert np.array_equal(a.s, b.s)
        assert (a.kind, a.colour_index, a.generic_name, a.k_sd, a.s_sd, a.source, a.caution) == (
            b.kind, b.colour_index, b.generic_name, b.k_sd, b.s_sd, b.source, b.caution
        )  # fmt: skip
    # Short enough to edit by hand.
    assert len(path.read_text(encoding="utf-8").splitlines()) < 300
    assert tomllib.loads(path.read_text(encoding="utf-8"))["format"] == "drawdown.shelf/1"


def test_own_figures_survive_writing_and_reading(tmp_path):
    ink = next(iter(read_shelf(write(tmp_path, f'[[inks]]\nname = "sea"\nk = {CURVE}\ns = 0.1\n'))))
    assert ink.kind == "colour"
    out = tmp_path / "out.toml"
    write_shelf(Shelf((ink,), "a"), out)
    again = read_shelf(out).inks[0]
    assert np.array_equal(again.k, np.full(31, 0.5))
    assert np.array_equal(again.s, np.full(31, 0.1))
    assert again.starter == ""


def test_starter_with_another_name_and_strength(tmp_path):
    body = '[[inks]]\nname = "sky"\nstarter = "PB15:3"\nstrength = 1.5\nk_sd = 0.1\n'
    ink = read_shelf(write(tmp_path, body)).find("Sky")
    blue = starter_shelf().find("PB15:3")
    assert ink.k == pytest.approx(1.5 * blue.k)
    assert ink.s == pytest.approx(1.5 * blue.s)
    assert (ink.k_sd, ink.s_sd, ink.colour_index) == (0.1, blue.s_sd, "PB15:3")
    assert (ink.starter, ink.strength) == ("phthalo-blue", 1.5)  # still a stand-in's figures
    write_shelf(Shelf((ink,)), tmp_path / "again.toml")
    (again,) = read_shelf(tmp_path / "again.toml")
    assert again.k == pytest.approx(ink.k)
    assert again.strength == 1.5


def test_figures_from_a_table_with_other_wavelengths(tmp_path):
    (tmp_path / "inks.csv").write_text(
        "ink,quantity,380,540,720\nsea,k,0,16,34\nsea,s,1,1,1\n", encoding="utf-8"
    )
    ink = read_shelf(write(tmp_path, '[[inks]]\nname = "Sea"\nfile = "inks.csv"\n')).inks[0]
    assert ink.k[[0, 14, 30]] == pytest.approx([2, 16, 32])
    assert ink.s == pytest.approx(np.ones(31))


def test_pigment_cautions_come_with_the_colour_index_name(tmp_path):
    body = f'[[inks]]\nname = "sun"\ncolour_index = "PY35"\nk = {CURVE}\ns = {CURVE}\n'
    assert "cadmium" in read_shelf(write(tmp_path, body)).inks[0].caution


INK = '[[inks]]\nname = "sea"\n'


@pytest.mark.parametrize(
    ("body", "says"),
    [
        ("", "lists no inks"),
        ("inks = []", "lists no inks"),
        ("inks = [1]", "is not a table"),
        ("x = ", "valid TOML"),
        (f"[[inks]]\nk = {CURVE}\ns = {CURVE}", "no name"),
        (INK, "exactly one of"),
        (INK + f"k = {CURVE}", "k and s"),
        (INK + f'starter = "PW6"\nk = {CURVE}\ns = {CURVE}', "exactly one of"),
        (INK + 'starter = "mud"', "mud"),
        (INK + f'kind = "glitter"\nk = {CURVE}\ns = {CURVE}', "glitter"),
        (INK + f"k = [1, 2]\ns = {CURVE}", "2 numbers"),
        (INK + f"k = {CURVE.replace('0.5', '-1', 1)}\ns = {CURVE}", "below 0"),
        (INK + f"k = {CURVE.replace('0.5', 'inf', 1)}\ns = {CURVE}", "not finite"),
        (INK + f"k = {CURVE.replace('0.5', 'true', 1)[:-1]}, 'a']\ns = {CURVE}", "not a number"),
        (INK + "k = 0\ns = 0", "neither absorbs nor scatters"),
        (INK + 'starter = "PW6"\nstrenght = 2', "erhaps you meant strength"),
        (INK + 'starter = "PW6"\nstrength = -1', "strength"),
        (INK + 'starter = "PW6"\nstrength = "lots"', "strength"),
        (INK + 'starter = "PW6"\nk_sd = true', "k_sd"),
        (INK + 'starter = "PW6"\nsource = 3', "source"),
        (INK + 'starter = 6', "starter"),
        ('[[inks]]\nname = "a=b"\nstarter = "PW6"', "holds ="),
        (INK + 'starter = "PW6"\n' + '[[inks]]\nname = "Sea"\nstarter = "PW6"', "two inks"),
        (INK + 'file = "none.csv"', "none.csv"),
        (INK + 'file = "bad.csv"', "bad.csv"),
        (INK + 'file = "short.csv"', "400 to 700"),
        (INK + 'file = "other.csv"', "no lines k and s"),
        (INK + 'file = "ragged.csv"', 'line of "sea"'),
    ],
)  # fmt: skip
def test_bad_shelves_are_explained(tmp_path, body, says):
    (tmp_path / "bad.csv").write_text("a,b\n1,2\n")
    (tmp_path / "short.csv").write_text("ink,quantity,500,600\nsea,k,1,1\nsea,s,1,1\n")
    (tmp_path / "other.csv").write_text("ink,quantity,400,700\nlake,k,1,1\nlake,s,1,1\n")
    (tmp_path / "ragged.csv").write_text("ink,quantity,400,700\nsea,k,1\nsea,s,1,1\n")
    with pytest.raises(BadFile) as caught:
        read_shelf(write(tmp_path, body))
    assert says in caught.value.paragraph()
    assert caught.value.todo


def test_shelf_of_another_format_is_refused(tmp_path):
    path = tmp_path / "shelf.toml"
    path.write_text("inks = []")
    with pytest.raises(BadFile, match="format"):
        read_shelf(path)


def test_missing_and_unwritable_files_are_explained(tmp_path):
    with pytest.raises(BadFile):
        read_shelf(tmp_path / "none.toml")
    with pytest.raises(BadFile):
        write_shelf(starter_shelf(), tmp_path / "no" / "folder.toml")
    assert os.listdir(tmp_path) == []


@given(st.binary(max_size=200))
def test_any_bytes_are_read_or_explained(tmp_path_factory, content):
    path = tmp_path_factory.mktemp("any") / "s.toml"
    path.write_bytes(HEAD.encode() + content)
    with pytest.raises(BadFile):
        read_shelf(path)


# The command -----------------------------------------------------------------------------


@pytest.mark.parametrize("columns", [40, 60, 100])
def test_list_names_every_ink_and_fits_the_screen(columns):
    text = catalogue_screen(ShelfInUse(starter_shelf(), "starter", None), Screen(columns))
    for ink in starter_shelf():
        assert ink.name in text
        assert ink.colour_index in text
    assert "cadmium" in text
    assert "does not mean harmless" in " ".join(text.split())
    assert max(map(len, text.splitlines())) <= columns


def test_command_lists_on_stdout_and_writes_a_file_to_edit(tmp_path, capsys):
    out = tmp_path / "mine.toml"
    list_inks(write=out)
    seen = capsys.readouterr()
    assert "phthalo-blue" in seen.out
    assert str(out) in seen.err
    assert read_shelf(out).names == starter_shelf().names
    list_inks(shelf=out, full=True)
    again = capsys.readouterr().out
    list_inks(full=True)
    assert capsys.readouterr().out == again


def test_command_never_writes_over_a_shelf(tmp_path):
    out = tmp_path / "mine.toml"
    out.write_text("mine")
    for path in (out, tmp_path / "mine.txt"):
        with pytest.raises(WrongUsage):
            list_inks(write=path)
    assert out.read_text() == "mine"
