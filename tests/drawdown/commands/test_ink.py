"""``drawdown ink``: adding, listing, showing, removing, and fitting from a photo of a ladder.

The fit is held against the renderer's truth (fixtures/demo.py): its hidden ink, its own film
formula and paper; it shares no code with the fit.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np
import pytest

from calibration.colour.difference import delta_e_2000
from calibration.colour.spectra import WAVELENGTHS_NM
from drawdown.commands import main as cli
from drawdown.ink.forward import lab_of_film, paper_ground
from drawdown.ink.shelf import read_shelf, starter_shelf
from drawdown.ink.tables import figures_of_spectra
from drawdown.pipeline.ladder import read_step, read_steps
from drawdown.report.text import terminal
from drawdown.report.text.terminal import Screen
from drawdown.studio.locations import own_shelf
from fixtures.demo import LADDER, TIN, scenes
from fixtures.inkfilm import film_reflectance, ink_reflectance, to_inside, to_outside
from fixtures.spectra import lab_d50, pigments, random_paper

ROOT = Path(__file__).resolve().parents[3]
pytestmark = pytest.mark.usefixtures("opened_once")

PHOTO = ROOT / "fixtures" / "photos" / "ladder.jpg"
CARD = ROOT / "fixtures" / "photos" / "slip-measured.toml"
BARE = "113,84,16,90=bare-base"  # too pale to be found; from the photo's own truth
STEPS = ("1=alone", "2=bar", "3=white:10", "4=base:20", BARE)


def run(capsys, *arguments: str) -> tuple[int, str, str]:
    code = cli.main(["ink", *map(str, arguments)])
    out, err = capsys.readouterr()
    return code, out, err


def fit(capsys, *more: str, steps=STEPS):
    given = [arg for step in steps for arg in ("--step", step)]
    return run(capsys, "fit", PHOTO, *given, *more)


# The shelf -------------------------------------------------------------------------------


def test_add_list_show_remove_undo(capsys):
    code, out, err = run(capsys, "add", "PB15:3", "white", "--alone")
    assert code == 0
    assert "phthalo-blue (PB15:3) is on the shelf" in out
    assert "used from now on" in err
    code, out, _ = run(capsys, "list", "--json")
    data = json.loads(out)
    assert data["origin"] == "own"
    assert [i["name"] for i in data["inks"]] == [
        "transparent-base", "phthalo-blue", "titanium-white",
    ]  # fmt: skip
    assert {i["figures"] for i in data["inks"]} == {"starter"}
    code, out, _ = run(capsys, "show", "PB15:3")
    assert "stand-in" in out
    assert "10 % in white" in out
    code, out, _ = run(capsys, "remove", "PB15:3", "--yes", "--json")
    assert json.loads(out)["inks"] == ["phthalo-blue"]
    assert "phthalo-blue" not in read_shelf(own_shelf()).names
    assert cli.main(["undo"]) == 0
    assert "phthalo-blue" in read_shelf(own_shelf()).names


def test_list_shows_the_starter_inks_when_there_is_no_own_shelf(capsys):
    code, out, _ = run(capsys, "list")
    assert code == 0
    assert "no shelf of your own yet" in out
    assert all(name in out for name in starter_shelf().names)


def test_an_own_shelf_is_what_match_works_with(capsys):
    run(capsys, "add", "white", "--name", "my white", "--alone")
    photo = ROOT / "fixtures" / "photos" / "no-match.jpg"
    code = cli.main(["match", str(photo), "--mix", "PB15:3=2", "--mix", "white=98"])
    assert code == 2
    assert "no ink called" in capsys.readouterr().err


def test_remove_asks_a_person_and_nobody_else(capsys, monkeypatch):
    run(capsys, "add", "PB15:3")
    assert run(capsys, "remove", "PB15:3")[0] == 2  # nobody there

    class Person:
        encoding = "utf-8"

        def __init__(self, answer: str = ""):
            self.answer, self.said = answer, ""

        def isatty(self):
            return True

        def readline(self):
            return self.answer

        def write(self, text):
            self.said += text

        def flush(self):
            pass

    for answer, left in (("n\n", True), ("", True), ("y\n", False)):
        monkeypatch.setattr(sys, "stdin", Person(answer))
        monkeypatch.setattr(sys, "stderr", Person())
        assert cli.main(["ink", "remove", "PB15:3"]) == 0
        assert "Take phthalo-blue" in sys.stderr.said
        assert ("phthalo-blue" in read_shelf(own_shelf()).names) is left


def test_strength_and_figures_of_ones_own(capsys, tmp_path):
    run(capsys, "add", "PV19", "--name", "rose", "--strength", "0.7", "--source", "by eye")
    rose, pv19 = read_shelf(own_shelf()).find("rose"), starter_shelf().find("PV19")
    np.testing.assert_allclose(rose.k, 0.7 * pv19.k, rtol=1e-4)
    assert rose.source == "by eye"
    table = tmp_path / "mine.csv"
    table.write_text("ink,quantity,400,550,700\nsea,k,1,2,3\nsea,s,0.1,0.2,0.3\n")
    code, _, _ = run(
        capsys, "add", "--figures", table, "--name", "sea", "--colour-index", "PB28",
        "--kind", "colour",
    )  # fmt: skip
    sea = read_shelf(own_shelf()).find("PB28")
    assert code == 0
    assert sea.k[0] == 1
    assert sea.k[-1] == 3
    assert "cobalt" in sea.caution
    assert sea.known_from == "own figures"
    assert run(capsys, "add", "--figures", table, "--name", "sea")[0] == 2
    assert run(capsys, "add", "--figures", table, "--name", "sea", "--replace")[0] == 0


def spectra_file(path, ink, film=0.05, paper=0.85, black=0.05, percent=1.0) -> None:
    """Grounds and a film over both, by the renderer's own Kubelka-Munk (fixtures/inkfilm.py)."""
    grounds = {"paper": np.full(31, paper), "black": np.full(31, black)}
    over = {
        f"over {name}": to_outside(film_reflectance(ink.k, ink.s, film, to_inside(ground)))
        for name, ground in grounds.items()
    }
    rows = zip(WAVELENGTHS_NM, *(grounds | over).values(), strict=True)
    lines = [",".join(f"{v:.9g}" for v in (nm, *(percent * x for x in row))) for nm, *row in rows]
    path.write_text("nm,paper,black,Over paper,over_black\n" + "\n".join(lines) + "\n")


@pytest.mark.parametrize("pigment", ["PB15:3", "white", "base", "PY83"])
@pytest.mark.parametrize("percent", [1, 100])
def test_spectra_of_a_film_give_its_figures(capsys, tmp_path, pigment, percent):
    ink = starter_shelf().find(pigment)
    spectra_file(tmp_path / "sea.csv", ink, percent=percent)
    given = ("--spectra", tmp_path / "sea.csv", "--kind", ink.kind, "--strength", 20)
    assert run(capsys, "add", *given)[0] == 0
    sea = read_shelf(own_shelf()).find("sea")
    assert (sea.known_from, sea.kind) == ("own figures", ink.kind)
    assert sea.source.startswith("spectra in sea.csv")
    # K far below S, or S far below K, is lost in nine digits of a reflectance.
    np.testing.assert_allclose(sea.k + sea.s, ink.k + ink.s, rtol=2e-3)
    np.testing.assert_allclose(sea.k, ink.k, rtol=2e-3, atol=2e-3)


@pytest.mark.parametrize(("pigment", "film"), [("PO73", 1.0), ("PV19", 1.0), ("white", 0.4)])
def test_spectra_with_noise_and_a_film_that_hides_here_and_there(tmp_path, pigment, film):
    """Noise of 0.0003 as of a good instrument; tints of the ink against those of its true K and
    S. Films that hide at more wavelengths are refused: the worst taken was 2.9 off."""
    rng = np.random.default_rng(3)
    ink, white = (starter_shelf().find(name) for name in (pigment, "white"))
    path = tmp_path / "sea.csv"
    spectra_file(path, ink, film=film)
    head, *rows = path.read_text().splitlines()
    noisy = [
        [nm, *(f"{max(0.0, float(v) + 3e-4 * rng.normal()):.6f}" for v in values)]
        for nm, *values in (row.split(",") for row in rows)
    ]
    path.write_text("\n".join([head, *map(",".join, noisy)]))
    k, s = (figure / film for figure in figures_of_spectra(path))
    for share in (1.0, 0.3, 0.03):
        true, found = (
            lab_of_film(
                white.k + share * (own[0] - white.k), white.s + share * (own[1] - white.s),
                1.0, paper_ground(None),
            )
            for own in ((ink.k, ink.s), (k, s))
        )  # fmt: skip
        assert float(delta_e_2000(true, found)) < 3


def test_spectra_that_tell_no_strength_are_explained(capsys, tmp_path):
    path = tmp_path / "sea.csv"
    white = starter_shelf().find("white")
    for settings, said in (
        ({"film": 40.0}, "Pull it thinner"), ({"black": 0.8}, "too much alike"),
        ({"percent": 1.5}, "goes from"),
    ):  # fmt: skip
        spectra_file(path, white, **settings)
        code, out, err = run(capsys, "add", "--spectra", path)
        assert (code, out) == (6, "")
        assert said in " ".join(err.split())
    spectra_file(path, white)
    path.write_text(path.read_text().replace("over_black", "dark"))
    code, _, err = run(capsys, "add", "--spectra", path)
    assert code == 6
    assert "no spectrum called over black" in " ".join(err.split())
    text = path.read_text().replace("dark", "over black").splitlines()
    cells = text[5].split(",")
    text[5] = ",".join([*cells[:4], "0.95"])  # lighter over black than over paper
    path.write_text("\n".join(text))
    code, _, err = run(capsys, "add", "--spectra", path)
    assert code == 6
    assert "at 440 nm" in err


def test_show_draws_a_picture(capsys, tmp_path):
    from PIL import Image

    out = tmp_path / "blue.png"
    assert run(capsys, "show", "PB15:3", "--picture", out)[0] == 0
    picture = np.asarray(Image.open(out)).astype(int)
    assert picture.shape[1] > 800
    # The tint row gets lighter to the right.
    row = picture[140, 60:930:150].sum(axis=1)
    assert (np.diff(row) > 0).all()


@pytest.mark.parametrize(
    ("args", "code"),
    [
        (("add",), 2),
        (("add", "PX99"), 2),
        (("add", "PB15:3", "white", "--name", "x"), 2),
        (("add", "PB15:3", "--strength", "nan"), 2),
        (("add", "PB15:3", "--strength", "-1"), 2),
        (("add", "PB15:3", "--kind", "silver"), 2),
        (("add", "PB15:3", "--name", "a=b"), 2),
        (("add", "PB15:3", "--name", " "), 2),
        (("add", "--figures", "no-such.csv"), 6),
        (("add", "--spectra", "no-such.csv"), 6),
        (("add", "--spectra", "x.csv", "--figures", "x.csv"), 2),
        (("add", "PB15:3", "--spectra", "x.csv"), 2),
        (("add", "PB15:3", "--shelf", "/"), 6),
        (("show", "PX99"), 2),
        (("show", "PB15:3", "--picture", "x.gif"), 2),
        (("show", "PB15:3", "--picture", "/no/such/folder/x.png"), 6),
        (("list", "--shelf", "no-such.toml"), 6),
        (("remove", "PB15:3", "--yes"), 2),
        (("fit", "no-such.jpg", "--step", "1=alone"), 6),
        (("fit", "no-such.jpg"), 2),
        (("fit", "no-such.jpg", "--step", "1=alone", "--pigment", "sausage"), 2),
        (("fit", "no-such.jpg", "--step", "1=alone", "--name", "a=b"), 2),
        (("fit", "no-such.jpg", "--step", "1=alone", "--white", "sausage"), 2),
    ],
)
def test_what_cannot_be_done_is_explained(capsys, args, code):
    got, out, err = run(capsys, *args)
    assert (got, out) == (code, "")
    assert len(err.splitlines()) >= 2
    assert "Traceback" not in err
    assert not own_shelf().exists()


# Steps -----------------------------------------------------------------------------------


def test_steps_as_people_type_them():
    assert read_step("1=alone").parts == (1, 0, 0)
    assert read_step(" 3 = White : 10 ").parts == pytest.approx((0.1, 0.9, 0))
    assert read_step("4=base:1.5+13.5").parts == pytest.approx((0.1, 0, 0.9))
    assert read_step("5=bare-base").parts == (0, 0, 1)
    assert read_step("20,-75,18,60mm=bare-base").place == "20,-75,18,60mm"


@pytest.mark.parametrize(
    "text",
    ["", "alone", "1=", "0=alone", "-1=alone", "1=mud", "1=white", "1=white:0", "1=white:100",
     "1=white:nan", "1=white:1e3", "1=base:-5", "1=white:0+0", "1=alone:10", "x=alone",
     "1=white:1.2.3", "1=white:5+"],
)  # fmt: skip
def test_steps_that_make_no_sense(text):
    from calibration.errors import WrongUsage

    with pytest.raises(WrongUsage):
        read_step(text)


@pytest.mark.parametrize(
    ("steps", "kind"),
    [
        ((), "colour"),
        (("1=bare-base",), "colour"),
        (("1=alone", "1=bar"), "colour"),
        (("1=alone", "2=white:10"), "white"),
        (("1=bare-base", "2=alone"), "base"),
    ],
)
def test_ladders_that_make_no_sense(steps, kind):
    from calibration.errors import WrongUsage

    with pytest.raises(WrongUsage):
        read_steps(steps, kind)


# The fit ---------------------------------------------------------------------------------


def true_looks() -> dict[str, np.ndarray]:
    """Lab of the hidden ink in some uses, by the renderer's own formula on a like paper."""
    shelf = pigments(scenes()["ladder"].ink_seed)
    paper = random_paper(np.random.default_rng(1), 0.86, 0.03, 0.02).reflectance()
    recipes = {
        "alone on paper": TIN,
        "10 % in white": LADDER[2],
        "20 % in base": LADDER[3],
        "40 % in white": (*((n, 0.4 * p) for n, p in TIN), ("PW6", 60.0)),
    }
    return {n: lab_d50(ink_reflectance(r, shelf, 1.0, paper))[0] for n, r in recipes.items()}


@pytest.mark.slow
def test_an_ink_is_fitted_from_a_photo_and_kept(capsys):
    code, out, err = fit(
        capsys, "--card", CARD, "--pigment", "PO73", "--name", "breast-orange", "--json"
    )
    assert (code, err) == (0, "")
    data = json.loads(out)
    assert data["schema"] == "drawdown.ink-fit/1"
    assert data["doubtful"] == []
    assert data["saved_to"] == str(own_shelf())
    looks = {u["use"]: u for u in data["uses"]}
    stand_in = starter_shelf().find("PO73")
    white, base = starter_shelf().find("white"), starter_shelf().find("base")
    from drawdown.ink.ladder_fit import USES, InUse

    before = InUse(white, base, np.array([95.0, 0, 1.6])).labs(stand_in.k, stand_in.s)
    names = [u[0] for u in USES]
    for name, true in true_looks().items():
        off = float(delta_e_2000(np.array(looks[name]["lab_d50"]), true))
        assert off < looks[name]["de00_within95"]
        assert off < 3.5
        assert off < 0.7 * float(delta_e_2000(before[names.index(name)], true))
    films = [s["film"] for s in data["strips"]]
    assert all(0.8 < film < 1.25 for film in films)
    assert all(s["film_low95"] < s["film"] < s["film_high95"] for s in data["strips"])
    ink = read_shelf(own_shelf()).find("breast-orange")
    assert ink.known_from == "fitted"
    assert ink.colour_index == "PO73"
    assert "ladder.jpg" in ink.source
    others = set(starter_shelf().names) - {stand_in.name}
    assert set(read_shelf(own_shelf()).names) == others | {"breast-orange"}
    # A name that is taken is told before anything is measured.
    code, out, err = fit(capsys, "--name", "Breast Orange")
    assert (code, out) == (2, "")
    assert "--replace" in err


def test_a_fit_in_doubt_is_not_put_on_the_shelf_unless_it_is_meant(capsys):
    """Strips of an orange, said to be of a blue: they don't go together as one ink."""
    wrong = ("--card", CARD, "--pigment", "PB15:3", "--name", "my blue")
    code, out, err = fit(capsys, *wrong)
    assert code == 5
    assert "don't go together as one ink" in " ".join(out.split())
    assert "--anyway" in err
    assert not own_shelf().exists()
    assert fit(capsys, *wrong, "--anyway")[0] == 0
    assert "my blue" in read_shelf(own_shelf()).names


def test_a_short_ladder_says_what_it_leaves_open(capsys):
    code, out, _ = fit(capsys, "--card", CARD, steps=("3=white:10",))
    assert code == 0
    assert "WHAT THE STRIPS LEFT OPEN" in out
    said = " ".join(out.split())
    assert "alone across the black bar" in said
    assert "about 20 % in base" in said
    assert "Nothing was kept" in said
    assert not own_shelf().exists()


@pytest.mark.slow
def test_wrong_steps_are_noticed(capsys):
    """Tint and let-down exchanged: that is not one ink."""
    steps = ("1=alone", "3=base:20", "4=white:10")
    code, out, _ = fit(capsys, "--card", CARD, "--pigment", "PO73", steps=steps)
    assert code == 0
    assert "WHAT DOES NOT FIT" in out


def test_a_photo_that_cannot_be_used_leaves_json_and_no_ink(capsys):
    photo = PHOTO.with_name("unusable.jpg")
    code, out, err = run(
        capsys, "fit", photo, "--step", "1=alone", "--name", "x", "--card", CARD, "--json"
    )
    assert code == 5
    data = json.loads(out)
    assert data["ink"] is None
    assert data["doubtful"]
    assert len(err.splitlines()) >= 2
    assert not own_shelf().exists()


def test_strips_that_are_not_there_are_told(capsys):
    code, out, err = fit(capsys, "--card", CARD, steps=("1=alone", "9=white:10"))
    assert (code, out) == (2, "")
    assert "there is no strip 9" in " ".join(err.split()).replace("There", "there")


@pytest.mark.parametrize("columns", [40, 60, 80, 100])
def test_tables_fit_the_screen(columns, monkeypatch, capsys):
    monkeypatch.setattr(terminal, "screen", lambda stream: Screen(columns))
    for typed in (("list",), ("show", "PG36")):  # the longest names
        code, out, _ = run(capsys, *typed)
        assert code == 0
        assert max(map(len, out.splitlines())) <= columns


# Documentation ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    "words",
    [("add", "breast-blue"), ("fit", "x.jpg", "--step", "1=alone", "--pigment", "x")],
)
def test_an_unknown_pigment_is_not_looked_for_on_the_own_shelf(words, capsys):
    assert run(capsys, "add", "PB15:3")[0] == 0
    code, out, err = run(capsys, *words)
    assert (code, out) == (2, "")
    said = " ".join(err.split())
    assert "No starter pigment is called" in said
    assert "on the shelf" not in said
    assert "drawdown ink fit" in said
