"""Enrolling a printed card, and noticing when it has changed since.

Prints come from the fixtures' simulated printer, seen by its simulated cameras: spectra, not
this project's way to Lab, decide what is true. Outside facts: uncertainties add in squares
(JCGM 100:2008, GUM, 5.1.2) and the scatter of a mean falls with the root of the count (4.2.3);
CGATS.17 text as in ISO 28178 (layout from public descriptions); XYZ with Y = 100 for the
perfect diffuser (ISO 13655). The photographs are drawn by tests/synthetic.py.
"""

from __future__ import annotations

import dataclasses

import cv2
import numpy as np
import pytest
import synthetic
from enrol_kit import FRAME, NAMES, SLIP, Session, csv_text, enrol, printed

from calibration.card.tables import read_readings
from calibration.card.toml import read_card, write_card
from calibration.colour.difference import delta_e_2000
from calibration.colour.spaces import lab_to_xyz, srgb_decode
from calibration.correction.enrol.measured import from_instrument, u_from_de
from drawdown.commands.main import main


# Readings of an instrument --------------------------------------------------------------
def cgats_text(lab: np.ndarray) -> str:
    rows = [f"{n}\t" + "\t".join(f"{v:.3f}" for v in r) for n, r in zip(NAMES, lab, strict=True)]
    return "\n".join(
        ["CGATS.17", 'WEIGHTING_FUNCTION "ILLUMINANT, D50"', "BEGIN_DATA_FORMAT",
         "SAMPLE_ID LAB_L LAB_A LAB_B", "END_DATA_FORMAT", "BEGIN_DATA", *rows, "END_DATA", ""]
    )  # fmt: skip


@pytest.fixture(scope="module")
def slip_print():
    return printed(SLIP, 11)


def test_csv_becomes_a_measured_definition(tmp_path, slip_print, capsys):
    _, truth, _, _ = slip_print
    (tmp_path / "a.csv").write_text(csv_text(truth))
    assert enrol(tmp_path, "--enrol", tmp_path / "a.csv") == 0
    card = read_card(tmp_path / "out.toml")
    np.testing.assert_allclose(card.lab_d50, truth, atol=0.006)
    assert card.provenance == "measured"
    assert card.paper_lab_d50 is None
    assert "instrument" in card.source
    assert "2030-05-01" in card.source
    # Read once: the floor of 0.3 and the usual 0.4 of one reading, in squares.
    np.testing.assert_allclose(card.u_lab, 0.5, atol=0.011)
    said = capsys.readouterr()
    assert said.out.strip() == str(tmp_path / "out.toml")
    assert "second reading" in said.err


@pytest.mark.parametrize(
    "shape", ["cgats", "semicolons", "tabs", "xyz", "utf8 mark and remarks", "extra columns"]
)
def test_tables_of_every_kind_say_the_same(tmp_path, slip_print, shape):
    _, truth, _, _ = slip_print
    xyz = 100 * lab_to_xyz(truth)
    text = {
        "cgats": cgats_text(truth),
        "semicolons": csv_text(truth, "Name;L*;a*;b*", ";").replace(".", ","),
        "tabs": csv_text(truth, "SAMPLE_NAME\tLAB_L\tLAB_A\tLAB_B", "\t"),
        "xyz": csv_text(xyz, "patch,X,Y,Z"),
        "utf8 mark and remarks": "\ufeff# read by hand\n" + csv_text(truth),
        "extra columns": "id,patch,L,a,b\n"
        + "".join(f"{i},{row}\n" for i, row in enumerate(csv_text(truth).splitlines()[1:])),
    }[shape]
    (tmp_path / "a.txt").write_text(text, encoding="utf-8")
    read = read_readings(tmp_path / "a.txt", NAMES)
    assert read.shape == (1, len(NAMES), 3)
    np.testing.assert_allclose(read[0], truth, atol=0.03)


def test_repeated_readings_are_averaged_and_their_scatter_counts(slip_print):
    """GUM 4.2.3: the mean of r readings of scatter s has s / sqrt(r); never below 0.3."""
    _, truth, _, _ = slip_print
    rng = np.random.default_rng(1)
    for scatter in (0.05, 1.5):
        read = truth + rng.normal(0, scatter, (5, *truth.shape))
        made = from_instrument(SLIP, read)
        np.testing.assert_allclose(made.lab_d50, read.mean(axis=0), atol=1e-9)
        wanted = np.hypot(0.3, scatter / np.sqrt(5))
        assert np.median(made.u_lab) == pytest.approx(wanted, rel=0.12)
        assert made.u_lab.min() >= 0.3


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "is empty"),
        ("hello\nworld\n", "no table with columns"),
        ("L,a,b\n95,0,0\n", "no column with the patches"),
        ("patch,L,a\nA1,1,2\n", "no table with columns L, a, b"),
        ("patch,L,a,b\nA1,95,0,0\n", 'no values for "A2"'),
        ("patch,L,a,b\nA1,95,zero,0\n", 'LAB_A in data line 1 is "zero"'),
        ("patch,L,a,b\nA1,95\n", "too few values"),
        ("shifted", "differ from the card as drawn"),
        ("xyz 1", "below 1.5"),
        ("CGATS.17\nBEGIN_DATA\n", "BEGIN_DATA"),
    ],
)
def test_bad_tables_are_explained(tmp_path, slip_print, capsys, text, words):
    _, truth, _, _ = slip_print
    text = {
        "shifted": csv_text(np.roll(truth, 1, axis=0)),
        "xyz 1": csv_text(lab_to_xyz(truth), "patch,X,Y,Z"),
    }.get(text, text)
    (tmp_path / "a.csv").write_text(text)
    assert enrol(tmp_path, "--enrol", tmp_path / "a.csv") == 6
    assert words in " ".join(capsys.readouterr().err.split())
    assert not (tmp_path / "out.toml").exists()


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--enrol", "a.csv", "--known", "k.toml"], "--known was given with"),
        (["--enrol", "a.csv", "--enrol", "p.jpg"], "given together"),
        (["--enrol", "p.jpg"], "--known is missing"),
        (["--enrol", "a.csv", "--card", "k.toml", "--shape", "frame"], "both given"),
        (["--enrol", "a.csv", "--date", "May"], "not a day"),
        (["--known", "k.toml"], "without --enrol"),
        (["card.pdf", "--enrol", "a.csv"], "no drawing"),
        (["--enrol", "p.jpg", "--known", "slip.toml"], "two copies of one card"),
    ],
)
def test_commands_that_make_no_sense(tmp_path, slip_print, capsys, monkeypatch, arguments, words):
    _, truth, measured, _ = slip_print
    monkeypatch.chdir(tmp_path)
    (tmp_path / "a.csv").write_text(csv_text(truth))
    (tmp_path / "p.jpg").write_bytes(b"\xff\xd8\xff\xe0\0\0")
    write_card(tmp_path / "slip.toml", measured)
    write_card(tmp_path / "k.toml", measured)
    assert main(["card", "--definition", "out.toml", *arguments]) == 2
    assert words in " ".join(capsys.readouterr().err.split())
    assert not (tmp_path / "out.toml").exists()


def test_a_definition_is_never_written_over(tmp_path, slip_print, capsys):
    (tmp_path / "a.csv").write_text(csv_text(slip_print[1]))
    (tmp_path / "out.toml").write_text("dear")
    assert enrol(tmp_path, "--enrol", tmp_path / "a.csv") == 2
    assert (tmp_path / "out.toml").read_text() == "dear"


# Photos beside a known card -------------------------------------------------------------
EXTENT = (-20.0, -95.0, 200.0, 228.0)  # mm of the known frame
SIZE = (1000, 1464)


def two_cards(session: Session, known_print, own_print, at, turn_deg, size=1.0, lamp=None):
    """Flat scene light of the frame with the slip beside it, its middle at ``at`` (mm)."""
    paper = session.scene(known_print[3][None])[0].astype(np.float32)
    own_paper = session.scene(own_print[3][None])[0].astype(np.float32)
    flat = synthetic.draw_flat(FRAME, session.scene(known_print[0]), [], EXTENT, paper)
    rim = (-1.0, -1.0, SLIP.size_mm[0] + 1, SLIP.size_mm[1] + 1)
    slip = synthetic.draw_flat(SLIP, session.scene(own_print[0]), [], rim, own_paper)
    k = synthetic.SCALE
    cos, sin = size * np.cos(np.radians(turn_deg)), size * np.sin(np.radians(turn_deg))
    middle = np.array(slip.shape[1::-1]) / 2
    target = (np.array(at) - EXTENT[:2]) * k
    matrix = np.array([[cos, -sin, 0.0], [sin, cos, 0.0]])
    matrix[:, 2] = target - matrix[:, :2] @ middle
    shape = (flat.shape[1], flat.shape[0])
    cover = cv2.warpAffine(np.ones(slip.shape[:2], np.float32), matrix, shape)[..., None]
    flat = flat * (1 - cover) + cv2.warpAffine(slip, matrix, shape, borderMode=1) * cover
    y = (np.arange(flat.shape[0], dtype=np.float32) / k)[:, None]
    x = (np.arange(flat.shape[1], dtype=np.float32) / k)[None]
    if lamp is None:  # falls off by some 12 % over the picture, a little warmer far off
        lamp = lambda x, y: np.exp(-0.0002 * x - 0.0004 * y)  # noqa: E731
    light = lamp(x + EXTENT[0], y + EXTENT[1])
    return flat * light[..., None].astype(np.float32)


def shoot(path, session: Session, flat: np.ndarray, seed: int = 0):
    corners = np.array([(50, 43), (950, 29), (978, 1428), (29, 1414)], float)
    matrix = synthetic.view_matrix(EXTENT, SIZE, corners)
    linear = synthetic.photograph(flat.astype(np.float32), EXTENT, matrix, SIZE)
    # ``save`` encodes as sRGB: hand over what decodes to the phone's levels.
    return synthetic.save(path, srgb_decode(session.developed(linear)), seed=seed, quality=93)


@pytest.fixture(scope="module")
def pair(slip_print, tmp_path_factory):
    """Known frame, own slip, two photos with the slip below and above; known.toml."""
    folder = tmp_path_factory.mktemp("pair")
    known = printed(FRAME, 21, 3.0)
    write_card(folder / "known.toml", dataclasses.replace(known[2], title="the known frame"))
    session = Session(31)
    for name, at, turn in (("below", (92, 180), 2.0), ("above", (88, -50), 178.0)):
        shoot(folder / f"{name}.jpg", session, two_cards(session, known, slip_print, at, turn))
    return folder, session, known


@pytest.mark.slow
def test_enrolled_from_photos_is_near_the_truth_and_honest(tmp_path, pair, slip_print, capsys):
    folder, _, _ = pair
    _, truth, _, _ = slip_print
    photos = [a for n in ("below", "above") for a in ("--enrol", folder / f"{n}.jpg")]
    assert enrol(tmp_path, *photos, "--known", folder / "known.toml") == 0
    card = read_card(tmp_path / "out.toml")
    error = delta_e_2000(card.lab_d50, truth)
    nominal = delta_e_2000(SLIP.expected_lab_d50, truth)
    assert np.median(error) < 0.4 * np.median(nominal), (np.median(error), np.median(nominal))
    within = np.abs(card.lab_d50 - truth) < 2 * card.u_lab
    assert within.mean() >= 0.95, within.mean()
    # Not by claiming nothing: far surer than the drawing, never surer than the floor.
    assert np.median(card.u_lab) < 0.5 * np.median(SLIP.u_lab)
    assert card.u_lab.min() >= 0.7
    assert "2 photos" in card.source
    assert "the known frame" in card.source
    assert "scatter" in capsys.readouterr().err


def test_enrolled_card_is_used_by_the_next_photo(tmp_path, pair, slip_print):
    """A photo corrected by the enrolled slip: the frame's true colours come out."""
    from calibration.correction.enrol.photos import read_photo
    from calibration.photo.open import open_photo

    folder, _, known = pair
    assert enrol(tmp_path, "--enrol", folder / "below.jpg", "--known", folder / "known.toml") == 0
    slip = read_card(tmp_path / "out.toml")
    read = read_photo(open_photo(folder / "above.jpg"), slip, FRAME)
    error = delta_e_2000(read.lab_d50, known[1])
    assert np.nanmedian(error) < 2.0, np.nanmedian(error)
    assert np.isnan(error).mean() < 0.1


def shadow(x, y):
    edge = 1 / (1 + np.exp(-(x - 90) / 12))
    return np.where(y > 145, 1 - 0.35 * edge, 1.0)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("trouble", "words"),
    [
        ("smaller", "as large as it should"),
        ("shadow", "light on the card to enrol"),
        ("shade", "the white of the card to enrol reads"),
        ("burnt", "burnt out"),
        ("grey", "printed without colour"),
        ("alone", "the card to enrol: no marker"),
    ],
)
def test_photos_that_are_no_good(tmp_path, pair, slip_print, capsys, trouble, words):
    folder, session, known = pair
    own, size, lamp, at = slip_print, 1.0, None, (92, 180)
    if trouble == "smaller":
        size = 0.94
    elif trouble == "shadow":
        lamp = shadow
    elif trouble == "shade":  # a hard edge between the cards: nothing shows how deep it is
        lamp = lambda x, y: np.where(y > 136, 0.6, 1.0 + 0 * x)  # noqa: E731
    elif trouble == "burnt":
        lamp = lambda x, y: np.where(y > 136, 2.4, 1.0 + 0 * x)  # noqa: E731
    elif trouble == "grey":
        even = np.repeat(own[0].mean(axis=1, keepdims=True), own[0].shape[1], axis=1)
        own = (even, *own[1:])
    elif trouble == "alone":
        at = (92, 400)
    flat = two_cards(session, known, own, at, 0.0, size, lamp)
    photo = shoot(tmp_path / "p.jpg", session, flat)
    assert enrol(tmp_path, "--enrol", photo, "--known", folder / "known.toml") == 5
    assert words in " ".join(capsys.readouterr().err.split())
    assert not (tmp_path / "out.toml").exists()


def test_a_known_card_must_be_known(tmp_path, pair, capsys):
    folder, _, _ = pair
    write_card(tmp_path / "k.toml", FRAME)
    assert enrol(tmp_path, "--enrol", folder / "below.jpg", "--known", tmp_path / "k.toml") == 6
    assert "as drawn, not as measured" in " ".join(capsys.readouterr().err.split())


def test_u_from_de_has_the_length_it_says():
    """Random errors of that standard uncertainty are so long in CIEDE2000 (scikit-image)."""
    rng = np.random.default_rng(4)
    for lab in ([60.0, 0.0, 2.0], [50.0, 45.0, 20.0], [70.0, -10.0, 60.0]):
        u = u_from_de(np.array([lab]), np.array([0.5]))[0]
        # Per axis: an error along one axis alone, of one u, is at least a root third of it.
        steps = delta_e_2000(np.array(lab), np.array(lab) + np.diag(u))
        assert np.all(steps > 0.9 * 0.5 / np.sqrt(3))
        drawn = delta_e_2000(np.array(lab), np.array(lab) + rng.normal(0, u, (2000, 3)))
        assert 0.45 < np.sqrt(np.mean(drawn**2)) < 0.85
