"""Ink for an edition: areas of drawn shapes, the limit between light and dark, ranges.

Outside checks: areas by geometry; the limit by scikit-image's threshold_otsu; sums and
products of lognormal quantities by their closed forms; litho film weights of ISO 2846-1.
"""

from __future__ import annotations

import io
import json
import math
import subprocess
import zlib

import cv2
import numpy as np
import pytest
from PIL import Image, ImageOps
from skimage.filters import threshold_otsu

from calibration.errors import BadFile
from drawdown.commands import main as cli
from drawdown.pipeline.printed_area import read_grey
from drawdown.printing import quantity

pytestmark = pytest.mark.slow


def drawing(noise=4.0, soft=1.0, ink=30, paper=230):
    """A disc of radius 300 px on 1000 x 1400 px, as scanned."""
    grey = np.full((1400, 1000), paper, np.uint8)
    cv2.circle(grey, (500, 700), 300, ink, -1)
    rough = cv2.GaussianBlur(grey, (0, 0), soft).astype(float)
    rough += np.random.default_rng(3).normal(0, noise, rough.shape)
    return np.clip(rough, 0, 255).astype(np.uint8)


DISC = math.pi * 300**2 / (1000 * 1400)


@pytest.mark.parametrize(
    "look", [{}, {"noise": 12}, {"soft": 4}, {"ink": 120, "paper": 210}, {"ink": 5, "paper": 90}]
)
def test_area_of_a_disc(look):
    area = quantity.printed_area(drawing(**look), 200.0)
    assert area.share.middle == pytest.approx(DISC, rel=0.01)
    assert area.share.low <= DISC * 1.002
    assert area.share.high >= DISC * 0.998
    # The disc's radius is 60 mm.
    assert area.area_cm2.middle == pytest.approx(math.pi * 6**2, rel=0.01)
    assert area.area_cm2.low < math.pi * 6**2 < area.area_cm2.high
    assert area.printed.mean() == pytest.approx(area.share.middle, abs=0.01)


def test_limit_is_otsus():
    grey = drawing(noise=25, soft=8)
    area = quantity.printed_area(grey, 100.0)
    assert area.limit == pytest.approx(threshold_otsu(grey), abs=1.5)


def test_limit_lies_in_the_middle_of_a_gap():
    """Between two greys every limit parts them alike; the lower one is the library's."""
    grey = np.full((40, 40), 20, np.uint8)
    grey[:10] = 200
    assert threshold_otsu(grey) == 20
    assert quantity.printed_area(grey, 100.0).limit == 110


def test_what_touches_the_edge_is_told():
    """A ruler of 40 x 1000 px beside the disc, cut off by the picture's edge: 8 x 200 mm."""
    assert quantity.printed_area(drawing(), 200.0).at_edge_cm2 == 0
    grey = drawing()
    grey[-40:] = 30
    grey[:1, 500] = 30  # a speck
    assert quantity.printed_area(grey, 200.0).at_edge_cm2 == pytest.approx(16, rel=0.01)


def test_light_parts_may_be_the_ones_that_print():
    dark = quantity.printed_area(drawing(), 200.0)
    light = quantity.printed_area(drawing(), 200.0, light_prints=True)
    assert light.share.middle == pytest.approx(1 - dark.share.middle, abs=1e-6)
    assert np.array_equal(light.printed, ~dark.printed)


def test_a_picture_without_clear_light_and_dark_says_so():
    assert quantity.printed_area(drawing(), 100.0).clear
    ramp = np.tile(np.arange(256, dtype=np.uint8), (50, 1))
    assert not quantity.printed_area(ramp, 100.0).clear
    with pytest.raises(ValueError, match="one grey"):
        quantity.printed_area(np.full((5, 5), 9, np.uint8), 100.0)


def test_need_is_area_times_film_times_prints():
    exact = quantity.Range(1e2, 1e2, 1e2)
    nothing = quantity.Range(0, 0, 0)
    five = quantity.Range(5, 5, 5)
    need = quantity.need(exact, five, 40, nothing, nothing)
    # 100 cm2 = 0.01 m2; times 5 g/m2 times 40 = 2 g.
    assert need.ink.middle == pytest.approx(2.0)
    assert need.mix_g == pytest.approx(2.0)
    more = quantity.need(exact, five, 40, quantity.Range(25, 25, 25), quantity.Range(3, 3, 3))
    assert more.ink.middle == pytest.approx(2.0 * 1.25 + 3)


def test_ranges_combine_as_lognormal_quantities_do():
    """Closed form: the logarithms' variances add. 95 % lie below the upper end."""
    area, film = quantity.about(200, 1.2), quantity.between(2, 12)
    nothing = quantity.Range(0, 0, 0)
    need = quantity.need(area, film, 30, nothing, nothing)
    sd = math.hypot(math.log(1.2) / 1.96, math.log(math.sqrt(6)) / 1.96)
    middle = 0.02 * math.sqrt(24) * 30
    assert need.ink.middle == pytest.approx(middle, rel=0.05)
    assert need.ink.high == pytest.approx(middle * math.exp(1.645 * sd), rel=0.05)
    assert need.ink.low == pytest.approx(middle * math.exp(-1.645 * sd), rel=0.05)


def test_what_is_left():
    need = quantity.need(
        quantity.about(200, 1.05), quantity.between(2, 12), 30, quantity.between(5, 20),
        quantity.between(5, 20),
    )  # fmt: skip
    words = [quantity.suffices(need, g).word for g in (2, need.ink.middle, 60)]
    assert words == ["not enough", "not sure", "enough"]
    odds = [quantity.suffices(need, g).p_enough for g in (2, 5, 10, 20, 40)]
    assert odds == sorted(odds)
    assert quantity.suffices(need, need.ink.high).p_enough == pytest.approx(0.95, abs=0.002)
    assert quantity.suffices(need, need.mix_g).p_enough >= 0.95
    plenty = quantity.suffices(need, 1000)
    assert plenty.short_g.high == 0
    assert plenty.prints.low > 30


@pytest.mark.parametrize(
    ("grams", "weighed"),
    [(21.2, 22), (21.0, 21), (0.1201, 0.13), (0.12, 0.12), (1234, 1300), (99.1, 100), (0, 0)],
)
def test_amounts_to_mix_are_rounded_up(grams, weighed):
    assert quantity.rounded_up(grams) == pytest.approx(weighed, rel=1e-12)


USUAL = (quantity.about(200, 1.05), quantity.between(2, 12))
LOSSES = (quantity.between(5, 20), quantity.between(5, 20))  # waste in per cent, what stays in g


@pytest.mark.parametrize(("prints", "used"), [(20, (18.0, 20)), (3, (18.0, 20)), (60, (9.0, 4))])
def test_own_use_parts_what_prints_from_what_stays(prints, used):
    """Against plain rejection: of 400,000 studios as usual as ours, those that would have used
    about as much (20 % of the standard deviation of the weighing, either way)."""
    need = quantity.need(*USUAL, prints, *LOSSES, used=used)
    rng = np.random.default_rng(5)
    spread = np.array([1.05, math.sqrt(6), 2, 2])
    middles = np.array([0.02, math.sqrt(24), 10, 10])
    area, film, waste, stays = (
        middles * np.exp(np.log(spread) / 1.96 * rng.standard_normal((400_000, 4)))
    ).T
    factor = 1 + waste / 100
    off = np.log((area * film * used[1] * factor + stays) / used[0]) / (math.log(1.15) / 1.96)
    alike = rng.random(len(off)) < np.exp(-(off**2) / 2)
    ink = (area * film * prints * factor + stays)[alike]
    wanted = np.percentile(ink, [5, 50, 95])
    assert (need.ink.low, need.ink.middle, need.ink.high) == pytest.approx(wanted, rel=0.04)


def test_few_prints_take_what_stays_and_one_print_at_least():
    """The slab has to be inked for three prints as for twenty (common practice, no source)."""
    for prints in (1, 3):
        need = quantity.need(*USUAL, prints, *LOSSES, used=(18.0, 20))
        could = need.possible
        assert (could.ink_g(prints) >= could.stays_g + could.one_g).all()
        assert need.mix_g >= need.stays_g.middle + need.on_paper.middle / prints
        assert need.ink.low > 5.0
    with pytest.raises(ValueError, match="stays"):
        quantity.need(*USUAL, 3, LOSSES[0], quantity.about(30, 1.15), used=(18.0, 20))


def test_use_of_the_same_run_comes_back():
    need = quantity.need(*USUAL, 20, *LOSSES, used=(18.0, 20))
    assert need.ink.middle == pytest.approx(18.0, rel=0.03)


def test_litho_film_is_that_of_the_standard():
    """ISO 2846-1: test films of 0.7 to 1.3 g/m2."""
    assert quantity.FILM_G_M2["litho"] == (0.7, 1.3)


def test_grams_of_each_ink():
    grams = quantity.ink_grams({"white": 80, "blue": 5, "base": 15}, 40)
    assert grams == pytest.approx({"white": 32, "blue": 2, "base": 6})
    assert sum(grams.values()) == pytest.approx(40)


# Pictures of every kind -----------------------------------------------------------------------


def test_pictures_of_many_kinds(tmp_path):
    grey = Image.fromarray(drawing(noise=0))
    clear = Image.new("RGBA", grey.size, (0, 0, 0, 0))
    clear.paste((10, 20, 90, 255), mask=grey.point(lambda v: 255 if v < 128 else 0))
    deep = Image.fromarray(np.asarray(grey).astype(np.uint16) * 257)
    bit = grey.convert("1", dither=Image.Dither.NONE)
    kinds = {
        "grey.png": grey, "bit.png": bit, "bit.tif": bit,
        "rgb.jpg": grey.convert("RGB"), "palette.gif": grey.convert("P"), "clear.png": clear,
        "deep.png": deep, "ink.tif": grey.convert("RGB").convert("CMYK"), "plain.bmp": grey,
    }  # fmt: skip
    for name, picture in kinds.items():
        picture.save(tmp_path / name)
        area = quantity.printed_area(read_grey(tmp_path / name), 200.0)
        assert area.share.middle == pytest.approx(DISC, rel=0.015), name


def test_large_scans_are_shrunk(tmp_path):
    Image.fromarray(drawing(noise=0)).resize((3500, 4900)).save(tmp_path / "large.png")
    grey = read_grey(tmp_path / "large.png")
    assert max(grey.shape) == 3000
    assert quantity.printed_area(grey, 200.0).share.middle == pytest.approx(DISC, rel=0.01)


def test_bad_pictures_are_explained(tmp_path):
    Image.fromarray(drawing()).save(tmp_path / "whole.png")
    data = (tmp_path / "whole.png").read_bytes()
    (tmp_path / "part.png").write_bytes(data[: len(data) // 2])
    (tmp_path / "text.png").write_text("no picture at all")
    (tmp_path / "empty.png").write_bytes(b"")
    for name in ("part.png", "text.png", "empty.png", "missing.png", "."):
        with pytest.raises(BadFile) as found:
            read_grey(tmp_path / name)
        assert found.value.todo


@pytest.mark.parametrize(
    "start", [b"%!PS-Adobe-3.0 EPSF-3.0\n%%BoundingBox: 0 0 9 9\n", b"\xd7\xcd\xc6\x9a" + bytes(80)]
)
def test_no_outside_program_reads_a_picture(tmp_path, start, monkeypatch):
    """Pillow hands EPS to an interpreter by itself; the name of the file is no matter."""
    monkeypatch.setattr(subprocess, "Popen", lambda *_, **__: pytest.fail("a program was started"))
    (tmp_path / "block.png").write_bytes(start + b"showpage\n%%EOF\n")
    with pytest.raises(BadFile, match="not a photo"):
        read_grey(tmp_path / "block.png")


def test_what_is_no_number_is_refused(tmp_path):
    values = np.full((40, 40), 100, np.float32)
    values[3, 3] = np.nan
    Image.fromarray(values).save(tmp_path / "nan.tif")
    with pytest.raises(BadFile, match="no number"):
        read_grey(tmp_path / "nan.tif")


@pytest.mark.parametrize(("mode", "millions"), [("1", 300), ("RGBA", 120), ("I;16", 250)])
def test_a_small_file_of_many_pixels_is_refused_before_it_is_unpacked(tmp_path, mode, millions):
    side = int((millions * 1e6) ** 0.5)
    small = io.BytesIO()
    Image.new(mode, (8, 8)).save(small, "PNG")
    data = bytearray(small.getvalue())
    data[16:24] = side.to_bytes(4, "big") * 2
    data[29:33] = zlib.crc32(data[12:29]).to_bytes(4, "big")
    (tmp_path / "bomb.png").write_bytes(data)
    with pytest.raises(BadFile, match=r"million|too large"):
        read_grey(tmp_path / "bomb.png")


@pytest.mark.parametrize("value", range(1, 9))
@pytest.mark.parametrize("kind", ["png", "jpg", "tif"])
def test_pictures_are_upright(tmp_path, value, kind):
    rgb = np.zeros((60, 90, 3), np.uint8)
    rgb[:20, :30] = 255
    picture = Image.fromarray(rgb)
    exif = picture.getexif()
    exif[0x0112] = value
    place = tmp_path / f"turned.{kind}"
    how = {"tiffinfo": {0x0112: value}} if kind == "tif" else {"exif": exif.tobytes()}
    picture.save(place, **how)
    turned = Image.fromarray(rgb)
    turned.getexif()[0x0112] = value
    expected = np.asarray(ImageOps.exif_transpose(turned).convert("L"))
    found = read_grey(place)
    assert found.shape == expected.shape
    assert np.abs(found.astype(int) - expected).max() < 30


# The command ----------------------------------------------------------------------------------


def test_quantity_of_a_picture(tmp_path, capsys):
    block, shown = tmp_path / "blöck.png", tmp_path / "shown.png"
    Image.fromarray(drawing()).save(block)
    typed = ["plan", "amount", str(block), "--width-mm", "200", "--prints", "30", "--left", "5"]
    typed += ["--mix", "white=80", "--mix", "PO20=20"]
    assert cli.main([*typed, "--picture", str(shown)]) == 0
    out = capsys.readouterr().out
    assert "for 30 prints" in out
    assert "NOT ENOUGH" in out
    assert "cadmium" in out  # the pigment's caution
    with Image.open(shown) as found:
        assert found.width == 1280
    assert cli.main([*typed, "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert data["schema"] == "drawdown.quantity/1"
    assert data["area_cm2"][1] == pytest.approx(math.pi * 36, rel=0.01)
    assert data["ink_g"][2] <= data["mix_g"] <= data["ink_g"][2] * 1.1
    assert sum(ink["grams"] for ink in data["inks"]) == pytest.approx(data["mix_g"], abs=0.05)
    assert f"MIX {data['mix_g']:g} g" in out  # what is written is what the inks add up to
    assert data["left"]["verdict"] == "not enough"
    assert data["flags"] == []
    framed = np.array(Image.open(block))
    framed[:, :30] = 30
    Image.fromarray(framed).save(block)
    assert cli.main([*typed, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["flags"] == ["print-at-edge"]
    assert cli.main(typed) == 0
    assert "crop the picture" in " ".join(capsys.readouterr().out.split()).lower()


def test_quantity_of_a_figure(capsys):
    typed = ["plan", "amount", "--area-cm2", "200", "--prints", "20", "--used", "18/20", "--json"]
    assert cli.main(typed) == 0
    data = json.loads(capsys.readouterr().out)
    assert data["ink_g"][1] == pytest.approx(18, rel=0.03)
    assert data["picture"] is None
    assert data["left"] is None
    typed = [
        "plan",
        "amount",
        "--area-cm2",
        "100",
        "--film-weight",
        "4-9",
        "--waste",
        "0",
        "--stays",
        "0",
    ]
    assert cli.main([*typed, "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert data["ink_g"][1] == pytest.approx(0.06, abs=0.005)


@pytest.mark.parametrize(
    ("typed", "code"),
    [
        ([], 2), (["x.png"], 2), (["--area-cm2", "nan"], 2), (["--area-cm2", "-5"], 2),
        (["--area-cm2", "100", "--prints", "0"], 2), (["--area-cm2", "100", "--way", "etching"], 2),
        (["--area-cm2", "100", "--film-weight", "0"], 2), (["--area-cm2", "1", "--used", "5"], 2),
        (["--area-cm2", "100", "--film-weight", "9-4"], 2),
        (["--area-cm2", "1", "--waste", "-"], 2),
        (["--area-cm2", "100", "--used", "18/20", "--film-weight", "5"], 2),
        (["--area-cm2", "100", "--used", "18/20", "--stays", "25"], 2),
        (["--area-cm2", "100", "--left", "inf"], 2), (["--area-cm2", "100", "--light"], 2),
        (["--area-cm2", "100", "--picture", "o.png"], 2), (["--area-cm2", "1", "--mix", "x=2"], 2),
        (["no.png", "--width-mm", "100"], 6), (["no.png", "--width-mm", "0"], 2),
        (["no.png", "--width-mm", "100", "--area-cm2", "3"], 2),
        (["--area-cm2", "1", "--shelf", "no.toml"], 2), ([""], 2), (["", "--width-mm", "9"], 6),
    ],
)  # fmt: skip
def test_nonsense_is_explained(typed, code, capsys):
    assert cli.main(["plan", "amount", *typed]) == code
    out, err = capsys.readouterr()
    assert out == ""
    assert len(err.splitlines()) >= 2


def test_a_plain_picture_cannot_be_counted(tmp_path, capsys):
    Image.new("L", (40, 40), 200).save(tmp_path / "plain.png")
    assert cli.main(["plan", "amount", str(tmp_path / "plain.png"), "--width-mm", "50"]) == 5
    assert "one shade" in " ".join(capsys.readouterr().err.split())
