"""The reports: terminal text, JSON, picture.

Checked against the outside: RFC 8259 (JSON knows no NaN), the PNG specification (W3C, sRGB
chunk), sRGB (IEC 61966-2-1) by way of the swatches' mid grey. The layout is our own; what is
tested of it is that nothing is cut off and that no verdict rests on colour alone.
"""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path

import fake_judgement as fake
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from calibration.colour.spaces import P3_TO_XYZ_D50, srgb_decode
from calibration.errors import BadFile, PhotoUnfit
from calibration.flags import OVEREXPOSED
from calibration.photo.icc import profile_from
from drawdown.commands import main as cli
from drawdown.flags import STRIP_CLIPPED, UNEVEN_LIGHT
from drawdown.matching.compare import Settle
from drawdown.matching.film_or_ink import FilmApart
from drawdown.report.json.document import numbers, rounded, unfit_json
from drawdown.report.json.match import match_data, match_json, read_data, read_json
from drawdown.report.pictures.answer import (
    TALLEST_PX,
    WIDTH_PX,
    draw_picture,
    save_picture,
    small_srgb,
)
from drawdown.report.pictures.canvas import PAPER
from drawdown.report.pictures.letters import font, plain
from drawdown.report.pictures.overlay import mark_photo
from drawdown.report.text import terminal
from drawdown.report.text import terminal as banner
from drawdown.report.text.match import match_screen, read_screen, swatch_rgb
from drawdown.report.text.terminal import Screen
from drawdown.wording import figures as words
from drawdown.wording.figures import signed
from drawdown.wording.verdict import HEADLINES

ROOT = Path(__file__).resolve().parents[3]
VERDICTS = ("match", "no match", "too close to call", None)
ANSI = re.compile(terminal.OURS + r"\[[0-9;]*m")


def flat(text: str) -> str:
    return " ".join(ANSI.sub("", text).split())


# Terminal text ---------------------------------------------------------------------------


@pytest.mark.parametrize("columns", [40, 60, 80, 100])
@pytest.mark.parametrize("verdict", VERDICTS)
def test_no_line_is_wider_than_the_screen(columns, verdict):
    plain_one, coloured = Screen(columns), Screen(columns, True, True, True)
    for screen in (plain_one, replace(plain_one, full=True), coloured):
        judgement = fake.judgement(verdict, with_advice=fake.advice(portion=0.4))
        for text in (match_screen(judgement, screen), read_screen(judgement, screen)):
            assert max(len(ANSI.sub("", line)) for line in text.splitlines()) <= columns


def test_piped_text_is_plain_and_starts_with_the_verdict():
    for verdict in VERDICTS:
        text = match_screen(fake.judgement(verdict), Screen())
        assert "\x1b" not in text
        assert terminal.OURS not in text
        words_said = " ".join(HEADLINES[verdict].lines)
        first = "".join(text.splitlines()[1].split())
        assert words_said.replace(" ", "") in first


def test_verdicts_differ_in_word_and_sign_not_only_in_colour():
    assert len({head.symbol for head in HEADLINES.values()}) == len(VERDICTS)
    assert len({head.lines for head in HEADLINES.values()}) == len(VERDICTS)


def test_order_verdict_numbers_advice_remarks_caution():
    text = flat(match_screen(fake.judgement("no match"), Screen(full=True)))
    marks = [
        "does not match", "Delta E 2000 4.31", "3.72 to 4.95", "tolerance 2.0", "41.3 ± 0.8",
        "value 4.1", "First work in", "3.0 g of green PG7 (1.2 per 100)", "In all 4.6 g",
        "(batch minus original)", "WHAT TO ADD", "4.6 g 1.8 parts per 100",
        "Delta E 0.4 from the original", "WORTH KNOWING", "Strip 2: 4 % of the strip shines",
        "± is half the width", "Caution: Wear gloves",
    ]  # fmt: skip
    places = [text.find(mark) for mark in marks]
    assert -1 not in places, marks[places.index(-1)]
    assert places == sorted(places)


def test_without_a_verdict_the_reason_comes_first_and_no_distance_is_told():
    judgement = fake.judgement(None, flags=(OVEREXPOSED("5 of 6 white fields"),))
    text = flat(match_screen(judgement, Screen(full=True)))
    assert text.index("5 of 6 white fields") < text.index("original (strip 1)")
    assert "Strip 2: 12 % of the strip is burnt out" in text
    assert "Delta E 2000" not in text


def test_a_strip_that_was_not_compared_does_not_spoil_the_answer():
    strips = fake.strips(((), (), (STRIP_CLIPPED("40"),)))
    judgement = fake.judgement("match", strips=strips)
    assert "burnt out" not in flat(match_screen(judgement, Screen()))
    read = fake.judgement("match", strips=strips, comparison=None)
    for screen in (Screen(), Screen(60)):
        said = read_screen(read, screen)
        assert "Strip 3: 40 % of the strip is burnt out" in flat(said)
        assert "Don't use these numbers" in flat(said)  # and which: by a sign, not by colour
        marked = next(line for line in said.splitlines() if "×" in line)
        assert marked.split()[:2] in (["×", "3"], ["STRIP", "3"])


def test_readings_of_several_strips_do_not_run_into_each_other(monkeypatch):
    from drawdown.report.pictures import panel

    monkeypatch.setattr(panel, "_footer", lambda *_, **__: None)
    strips = fake.strips(((), (), ()))
    read = fake.judgement("match", strips=(*strips, strips[0]), comparison=None)
    below = np.asarray(panel.draw_panel(read, 600))[22 * 6 :]
    for edge in (150, 300, 450):
        assert (below[:, edge - 4 : edge + 13] == PAPER).all()


def test_too_close_to_call_says_what_would_settle_it():
    settle = Settle("pull-evenly", "batch")
    judgement = fake.judgement(
        "too close to call", comparison=fake.comparison("too close to call", settle=settle)
    )
    assert "To settle it: Pull strip 2 again" in flat(match_screen(judgement, Screen()))
    assert any("Pull strip 2 again" in note for note in match_data(judgement)["notes"])


def test_swatches_only_where_colours_are_exact():
    judgement = fake.judgement("match")
    assert "48;2;" in match_screen(judgement, Screen(80, True, True, True))
    assert "48;2;" not in match_screen(judgement, Screen(80, True, False, True))


def test_swatch_of_mid_grey_is_mid_grey():
    # L* 53.585 is sRGB 128 (IEC 61966-2-1 with CIE 15: Y = 0.21586).
    assert swatch_rgb((53.585, 0, 0)) == (128, 128, 128)
    assert swatch_rgb((100, 0, 0)) == (255, 255, 255)


def test_each_remark_is_made_once():
    light = UNEVEN_LIGHT("40")
    judgement = fake.judgement("match", flags=(light, light))
    assert flat(match_screen(judgement, Screen(full=True))).count("varies by 40 %") == 1


def test_flooded_batch_is_told_to_take_a_portion_out():
    advice = fake.advice(portion=0.35)
    text = flat(match_screen(fake.judgement("no match", with_advice=advice), Screen()))
    assert "Take out 162.5 g of the batch first and store it" in text


def test_advice_without_additions_is_its_note_alone():
    advice = fake.advice(additions=(), add_first=(), grams=None, basis=fake.basis(de00_now=1.2))
    text = flat(match_screen(fake.judgement("match", with_advice=advice), Screen()))
    assert "leave the batch as it is." in text
    assert "WHAT TO ADD" not in text


@pytest.mark.parametrize(
    ("value", "said"), [(0.00004, "under 1 %"), (0.5, "50 %"), (0.999, "over 99 %")]
)
def test_probability_is_never_flat(value, said):
    assert words.percent(value) == said


def test_small_numbers():
    assert [signed(v) for v in (1.25, -0.04, 0.04, -3)] == ["+1.2", "0.0", "0.0", "-3.0"]
    assert [words.number(v) for v in (None, float("nan"), float("inf"))] == ["unknown"] * 3
    assert [words.grams(v) for v in (0.254, 4.61)] == ["0.25 g", "4.6 g"]
    assert [words.parts(v) for v in (0.123, 1.84, 12.4)] == ["0.12", "1.8", "12"]


def test_every_sign_of_the_banner_is_five_by_five():
    for sign, rows in banner._SIGNS.items():
        assert len(rows) == 5
        assert {len(row) for row in rows} == {2 if sign == " " else 5}
    for head in HEADLINES.values():
        for line in head.lines:
            assert len({len(row) for row in banner.letters(line)}) == 1


def test_plain_terminals_get_stand_ins():
    class Ascii:
        encoding = "ascii"

    assert terminal.encodable("41.3 ± 0.8 ≠ é", Ascii()) == "41.3 +/- 0.8 != \\xe9"
    assert terminal.encodable("±", type("Utf8", (), {"encoding": "utf-8"})()) == "±"


def test_wrapping_keeps_percent_and_paths_whole():
    lines = terminal.wrap("a strip that shines over 95 % of " + "x" * 60 + ".jpg", 27)
    assert not any(line.strip().startswith("%") for line in lines)
    assert "x" * 60 + ".jpg" in [line.strip() for line in lines]


# JSON ------------------------------------------------------------------------------------

STRIP_KEYS = [
    "number", "corners_px", "lab_d50", "lab_u95", "munsell_value", "munsell_u95",
    "evenness_de00", "evenness_u95", "state", "flags",
]  # fmt: skip
COMPARISON_KEYS = [
    "original", "batch", "de00", "de00_low95", "de00_high95", "dL", "dC", "dH",
    "dL_u95", "dC_u95", "dH_u95", "words", "film_ratio", "de00_equal_film",
    "tolerance", "p_within", "verdict",
    "film_ratio_low95", "film_ratio_high95", "de00_equal_film_low95", "de00_equal_film_high95",
    "p_same_ink", "film_words",
]  # fmt: skip
ADVICE_KEYS = [
    "additions", "add_first", "grams", "predicted_lab_d50", "predicted_de00",
    "predicted_de00_high95", "predicted_u95", "first_de00_95", "grams_first", "portion",
    "knife_tips", "mix_used", "mix_inferred", "p_within_equal_film", "look_again",
    "went_in_by_mistake", "way_out", "lamps", "wait",
    "note", "cautions",
]  # fmt: skip


def test_match_json_has_every_key_in_order():
    data = json.loads(match_json(fake.judgement("no match")))
    keys = ["schema", "photo", "card", "strips", "comparison", "advice", "notes", "original_photo"]
    keys += ["kept", "photos"]
    assert list(data) == keys
    assert data["schema"] == "drawdown.match/1"
    assert list(data["photo"]) == ["path", "width_px", "height_px", "profile", "flags", "metadata"]
    assert data["photo"]["flags"] == ["nominal-card"]
    assert list(data["card"]) == ["name", "markers_found", "pixels_per_mm", "held_out_de00"]
    assert data["card"]["held_out_de00"] == {"median": 1.123, "max": 3.9}
    assert list(data["strips"][0]) == STRIP_KEYS
    assert data["strips"][0]["lab_d50"] == list(fake.ORIGINAL_LAB)
    assert data["strips"][1]["flags"] == ["glare"]
    assert list(data["comparison"]) == COMPARISON_KEYS
    assert data["comparison"]["de00"] == 4.315
    assert data["comparison"]["p_within"] == 0.0
    assert list(data["advice"]) == ADVICE_KEYS
    assert data["advice"]["additions"][0] == {"ink": "green PG7", "parts_per_100": 1.84}
    assert data["advice"]["grams"][1] == {"ink": "black PBk7", "grams": 1.55}


def test_corners_are_where_the_picture_shows_them():
    judgement = fake.judgement("match", turn=0.0)
    corners = np.array(match_data(judgement)["strips"][0]["corners_px"])
    red, green, blue = fake.rgb8(fake.ORIGINAL_LAB)
    x, y = corners.mean(axis=0).astype(int)
    inside = judgement.photo.rgb_encoded[y - 5 : y + 5, x - 5 : x + 5].reshape(-1, 3).mean(axis=0)
    assert np.abs(inside - (red, green, blue)).max() < 3


def test_unknown_is_null_and_never_left_out():
    comparison = fake.comparison("match", film=FilmApart("told", de00_equal_film=float("nan")))
    data = match_data(fake.judgement("match", comparison=comparison))
    assert data["comparison"]["film_ratio"] is None
    assert data["comparison"]["de00_equal_film"] is None
    assert data["advice"] is None
    assert match_data(fake.judgement(None))["comparison"]["verdict"] is None


def test_read_json():
    data = json.loads(read_json(fake.judgement("match", comparison=None)))
    assert list(data) == ["schema", "photo", "card", "strips", "notes"]
    assert data == json.loads(json.dumps(read_data(fake.judgement("match", comparison=None))))
    assert [strip["number"] for strip in data["strips"]] == [1, 2, 3]


def test_unfit_json_has_the_same_keys(tmp_path):
    error = PhotoUnfit("it is dark", "noise", "bring light")
    for command, whole in (("match", match_json), ("read", read_json)):
        data = json.loads(unfit_json(command, tmp_path / "é.jpg", error))
        usual = json.loads(whole(fake.judgement("match")))
        assert list(data) == list(usual)
        assert list(data["photo"]) == list(usual["photo"])
        assert data["schema"] == usual["schema"]
        assert data["notes"] == ["It is dark. Noise. Bring light."]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("schema", "command"),
    [("opacity", "covers"), ("value", "lighten"), ("overprint", "layers")],
)
def test_unfit_json_of_the_other_commands_has_the_same_keys(schema, command, capsys):
    """Their answers to a photo that can be read, against the one to a photo that cannot."""
    photo = Path(__file__).resolve().parents[3] / "fixtures" / "photos" / "no-match.jpg"
    typed = ["plan", command, str(photo), "--json"]
    if command == "layers":  # without a photo it answers in the same terms
        typed = ["plan", command, "--pairs", "--json", "--layer", "white 1", "--layer", "black 1"]
    assert cli.main(typed) == 0
    usual = json.loads(capsys.readouterr().out)
    data = json.loads(unfit_json(schema, photo, PhotoUnfit("it is dark", "noise", "light")))
    assert set(data) == set(usual)
    assert data["schema"] == usual["schema"]


@given(st.floats() | st.none(), st.integers(0, 4))
def test_rounded_is_always_json(value, decimals):
    text = json.dumps(rounded(value, decimals), allow_nan=False)
    assert text != "-0.0"
    assert numbers(None) is None  # a colour that nobody knows
    assert numbers([float("nan"), 1.25], 1) == [None, 1.2]


# Picture ---------------------------------------------------------------------------------


@pytest.mark.parametrize("size", [(2000, 1500), (900, 1200), (600, 2400)])
def test_picture_shows_both_colours_edge_to_edge(size):
    picture = draw_picture(fake.judgement("match", size=size))
    assert picture.width == WIDTH_PX
    assert picture.height <= TALLEST_PX
    left, right = fake.rgb8(fake.ORIGINAL_LAB), fake.rgb8(fake.BATCH_LAB)
    rows = np.array(picture)
    halves = (rows[:, : WIDTH_PX // 2] == left).all(axis=(1, 2)) & (
        rows[:, WIDTH_PX // 2 :] == right
    ).all(axis=(1, 2))
    assert halves.sum() > 100
    assert np.flatnonzero(halves)[-1] < TALLEST_PX / 3  # above the numbers and the photo


@pytest.mark.parametrize("verdict", VERDICTS)
def test_no_picture_is_taller_than_a_phone_shows(verdict):
    advice = fake.advice(portion=0.4)
    for size in ((800, 600), (600, 2400)):
        picture = draw_picture(fake.judgement(verdict, with_advice=advice, size=size))
        assert picture.height <= TALLEST_PX


def test_the_picture_of_a_refused_photo_shows_what_was_found(tmp_path):
    """The verdict's bar, and the outline of the one strip that was found."""
    picture, photo = tmp_path / "no.png", ROOT / "fixtures" / "photos" / "unusable.jpg"
    assert cli.main(["match", str(photo), "--picture", str(picture)]) == 5
    with Image.open(picture) as image:
        pixels = np.asarray(image)
    assert pixels.shape[1] == WIDTH_PX
    assert pixels.shape[0] <= TALLEST_PX
    assert (pixels[4, 4] == HEADLINES[None].ground_rgb).all()
    blank, nothing = tmp_path / "blank.png", tmp_path / "nothing.png"
    Image.new("RGB", (1200, 900), (200, 198, 190)).save(blank)
    assert cli.main(["match", str(blank), "--picture", str(nothing)]) == 5
    assert nothing.is_file()


def test_a_strip_lost_to_glare_is_called_glare(capsys):
    assert cli.main(["match", str(ROOT / "fixtures" / "photos" / "unusable.jpg")]) == 5
    said = capsys.readouterr().err
    assert said.splitlines()[1].startswith("Glare: a lamp is mirrored")
    assert "asked for" not in said


def test_picture_of_a_reading_shows_every_strip_and_no_verdict():
    judgement = fake.judgement("match", size=(800, 600), comparison=None, advice=None)
    pixels = np.asarray(draw_picture(judgement))
    swatches = pixels[8 * 10]  # at the top, where a verdict would be
    for strip in judgement.strips:
        assert (swatches == fake.rgb8(strip.lab_d50)).all(axis=1).any()


def test_picture_is_srgb_png_and_whole_or_absent(tmp_path):
    path = tmp_path / "answer.png"
    save_picture(fake.judgement("no match", size=(800, 600)), path)
    with Image.open(path) as picture:
        assert picture.info["srgb"] == 0
        assert picture.mode == "RGB"
    assert [p.name for p in tmp_path.iterdir()] == ["answer.png"]
    with pytest.raises(BadFile):
        save_picture(fake.judgement("match", size=(800, 600)), tmp_path / "no" / "answer.png")


def test_outlines_are_light_and_dark_and_follow_the_strips():
    judgement = fake.judgement("match", size=(1280, 960))
    before = judgement.photo.rgb_encoded.astype(int)
    after = np.asarray(mark_photo(before.astype(np.uint8), 1.0, judgement)).astype(int)
    corners = judgement.view.to_px(judgement.strips[0].strip.corners_mm)
    middle = np.rint((corners[0] + corners[3]) / 2).astype(int)  # on the left edge
    around = after[middle[1], middle[0] - 8 : middle[0] + 9]
    assert around.min() < 40
    assert around.max() > 230
    assert np.abs(after - before).max(axis=2)[-40:].max() == 0  # far from all: untouched


def test_no_name_covers_a_compared_strip_when_there_is_room():
    judgement = fake.judgement("match", size=(1280, 960))
    after = np.asarray(mark_photo(judgement.photo.rgb_encoded, 1.0, judgement))
    for strip in judgement.strips[:2]:
        centre = judgement.view.to_px(np.array([(strip.strip.corners_mm.mean(axis=0))]))[0]
        x, y = np.rint(centre).astype(int)
        patch = after[y + 20 : y + 60, x - 20 : x + 20].reshape(-1, 3)
        # The median: the thin line round the measured part may cross here.
        assert np.abs(np.median(patch, axis=0) - fake.rgb8(strip.lab_d50)).max() < 3


@pytest.mark.parametrize("turn", [0, 45, 90, 183])
def test_any_turn_and_any_verdict_can_be_drawn(turn):
    verdict = VERDICTS[turn % len(VERDICTS)]
    assert draw_picture(fake.judgement(verdict, size=(640, 480), turn=turn)).width == WIDTH_PX
    nothing = fake.judgement(None, size=(640, 480), turn=turn, comparison=None, strips=())
    assert draw_picture(nothing).width == WIDTH_PX


def test_wide_gamut_and_16_bit_photos_are_shown_as_srgb():
    from dataclasses import replace

    photo = fake.judgement("match", size=(800, 600)).photo
    deep = replace(
        photo,
        rgb_encoded=np.full((600, 800, 3), 128 * 257, np.uint16),
        profile=profile_from("Display P3", srgb_decode, P3_TO_XYZ_D50, 65536),
    )
    shown, scale = small_srgb(deep, 800, 600)
    assert scale == 1.0
    assert np.abs(shown.astype(int) - 128).max() <= 1  # grey is grey in both
    red = replace(deep, rgb_encoded=deep.rgb_encoded * np.array([1, 0, 0], np.uint16))
    assert small_srgb(red, 800, 600)[0][0, 0, 0] > 130  # the same numbers are a stronger red


def test_every_letter_is_shown_or_said():
    """Accents always (a font that has them comes with the PDF library); what no font here has
    becomes its number, never a dot or an empty box."""
    assert plain("Blå ö é ± Δ 95 %") == "Blå ö é ± Δ 95 %"
    assert font(20, "é").getmask("é").getbbox() != font(20, "é").getmask("e").getbbox()
    assert plain("a\U000f1234") == "a<U+F1234>"
    for sign, shown in zip("海青", plain("海青").split("<")[1:] or "海青", strict=True):
        assert shown in (sign, f"U+{ord(sign):04X}>")
