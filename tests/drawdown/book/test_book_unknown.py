"""What nobody noted of a reading stays unknown through a shared file, and widens what is said of
its colour: no certainty comes from a gap. A rule of our own (JCGM 106:2012 asks that a verdict
rests on the whole uncertainty); there is no table to hold it to."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
import share_kit as kit
from book_kit import keep, reading_row
from command_kit import run as run_command

from drawdown.book import open_book
from drawdown.book.edition import add_pull
from drawdown.book.originals import find_original

PHOTO = Path(__file__).resolve().parents[3] / "fixtures" / "photos" / "match.jpg"
LAB = (62.0, -21.0, -24.0)
# What a record lacks, by the name that its original or spot has here.
GAPS = {
    "whole": (),
    "no u95": ("lab_u95",),
    "no light": ("light_sd",),
    "no evenness": ("evenness_de00",),
    "no spread": ("samples",),
    "bare": ("lab_u95", "light_sd", "evenness_de00", "samples"),
}


@pytest.fixture
def gappy(tmp_path, book, run):
    """A book that came as a shared file in which records lack what ``GAPS`` says."""
    there = tmp_path / "there"
    with open_book(there, create=True) as opened:
        for name in GAPS:
            keep(opened, name, LAB)
            with opened.change("pulls") as change:
                for number, lightness in ((1, 62.0), (2, 62.4)):
                    row = change.insert("reading", reading_row((lightness, *LAB[1:])))
                    add_pull(opened, change, edition="Kingfisher", number=number, reading=row,
                             date="2030-06-01", spot=name, good=number == 1)  # fmt: skip
    assert run("share", tmp_path / "whole.zip", "--book", there)[0] == 0

    def leave_out(manifest) -> None:
        for record in (*manifest["originals"], *manifest["pulls"]):
            reading = manifest["readings"][record["reading"]]
            for key in GAPS[record.get("spot") or record["name"]]:
                reading[key] = [None] * 3 if key == "lab_u95" else None

    shared = kit.remade(tmp_path / "whole.zip", tmp_path / "gaps.zip", leave_out)
    code, _, err = run("import", shared)
    assert code == 0, err
    return book


def test_lists_and_labels_do_not_claim_to_know(gappy, run):
    assert "For 2 the uncertainty was not noted." in " ".join(run("list")[1].split())
    assert "uncertainty not noted" in run("show", "bare")[1]
    assert "not noted" not in run("show", "whole")[1]


def width(told: dict) -> float:
    return told["de00_high95"] - told["de00_low95"]


def test_a_gap_stays_a_gap(gappy):
    with open_book(gappy) as opened:
        for name, gaps in GAPS.items():
            reading = find_original(opened, name).reading
            for key in ("lab_u95", "light_sd", "evenness_de00", "samples"):
                assert (getattr(reading, key) is None) == (key in gaps)


def test_the_run_of_an_edition_is_less_sure_of_it(gappy, json_of):
    runs = {run["spot"]: run["pulls"][1] for run in json_of("run", "Kingfisher")["runs"]}
    assert set(runs) == set(GAPS)
    for spot, pull in runs.items():
        if spot != "whole":
            assert width(pull) > width(runs["whole"]), spot
            assert pull["l_u95"] > runs["whole"]["l_u95"], spot
    # 0.4 Delta E apart: whoever knows nothing of either reading cannot say that they match.
    assert runs["bare"]["verdict"] == "too close to call"
    assert runs["bare"]["de00_high95"] > 5


@pytest.mark.slow
def test_what_is_found_is_less_sure_of_it(gappy, json_of):
    told = json_of("find", PHOTO, "--most", 20, "--tolerance", 8)
    found = {one["name"]: one for one in told["found"]}
    assert set(found) == set(GAPS)
    for name, one in found.items():
        assert one["de00"] == found["whole"]["de00"]
        if name != "whole":
            assert width(one) > width(found["whole"]), name
    # Beyond the tolerance as far as the whole record tells; the bare one cannot say so.
    assert found["whole"]["verdict"] == "no match"
    assert found["bare"]["verdict"] == "too close to call"


@pytest.mark.slow
def test_a_match_with_the_book_is_less_sure_of_it(gappy, capsys):
    told = {}
    for name in ("whole", "bare"):
        asked = ("match", PHOTO, "--kept", name, "--apart", "--tolerance", 18.5, "--json")
        told[name] = json.loads(run_command(capsys, *asked)[1])
    code, out, _ = run_command(capsys, *asked[:-1])
    assert code == 4
    assert "T O O   C L O S E" in out
    whole, bare = (told[name]["comparison"] for name in ("whole", "bare"))
    assert width(bare) > width(whole)
    assert bare["p_within"] < whole["p_within"]
    assert (whole["verdict"], bare["verdict"]) == ("match", "too close to call")
    assert told["bare"]["kept"]["lab_u95"] == [None] * 3
