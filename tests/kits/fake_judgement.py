"""A made-up judgement for tests of the reports: a drawn photo of two strips and the slip.

The numbers are invented; nothing here says anything about colour science.
"""

from __future__ import annotations

import functools
from types import SimpleNamespace

import cv2
import numpy as np

from calibration.card.toml import builtin_cards
from calibration.colour.illuminants import UnderLamp
from calibration.colour.spaces import lab_to_xyz, xyz_d50_to_srgb
from calibration.flags import NOMINAL_CARD
from calibration.locate.find_card import CardView
from calibration.locate.sheet import Sheet
from calibration.photo.icc import srgb_profile
from calibration.photo.open import Photo
from drawdown.flags import STRIP_CLIPPED, STRIP_GLARE
from drawdown.ink.shelf import Ink
from drawdown.matching.advise import ALL, Advice, Basis
from drawdown.matching.amounts import Weighing
from drawdown.matching.compare import Comparison
from drawdown.matching.film_or_ink import FilmApart
from drawdown.reading.colour import StripReading

ORIGINAL_LAB = (41.3, -18.4, -24.7)
BATCH_LAB = (45.1, -16.2, -27.9)
PX_PER_MM = 2.0


def rgb8(lab) -> tuple[int, ...]:
    return tuple(int(v) for v in np.rint(255 * xyz_d50_to_srgb(lab_to_xyz(np.array(lab)))))


@functools.cache
def drawn_photo(width: int = 1600, height: int = 1200, turn: float = 4.0):
    """A photo (h, w, 3) of slip and strips, and its homography from millimetres."""
    scale = min(width / 230, height / 180)
    angle = np.deg2rad(turn)
    c, s = scale * np.cos(angle), scale * np.sin(angle)
    x, y = width / 2 - 75 * c, height / 2 + 5 * scale
    mm_to_px = np.array([[c, -s, x], [s, c, y], [0, 0, 1]])
    rgb = np.full((height, width, 3), (226, 221, 210), np.uint8)

    def fill(rect_mm, colour):
        x0, y0, w, h = rect_mm
        corners = np.array([(x0, y0), (x0 + w, y0), (x0 + w, y0 + h), (x0, y0 + h), (x0, y0)])
        px = corners @ mm_to_px[:2, :2].T + mm_to_px[:2, 2]
        cv2.fillPoly(rgb, [np.rint(px).astype(np.int32)], colour)

    card = builtin_cards()[0]
    fill((0, 0, *card.size_mm), (250, 250, 248))
    for marker in card.markers:
        fill(marker.rect_mm, (20, 20, 20))
    for patch in card.patches:
        fill(patch.rect_mm, patch.srgb)
    for strip, lab in zip(strips(), (ORIGINAL_LAB, BATCH_LAB, (60, 30, 40)), strict=True):
        x0, y0 = strip.strip.corners_mm[0]
        fill((x0, y0, strip.strip.width_mm, strip.strip.length_mm), rgb8(lab))
    noise = np.random.default_rng(5).integers(-5, 6, rgb.shape, np.int16)
    rgb = np.clip(rgb + noise, 0, 255).astype(np.uint8)
    rgb.flags.writeable = False
    return rgb, mm_to_px


def strips(flags=((), (), ())):
    """Three strips above the slip: the original, the batch, another one."""
    labs = (ORIGINAL_LAB, BATCH_LAB, (60.0, 30.0, 40.0))
    made = []
    for number, (x, lab, its_flags) in enumerate(
        zip((22.0, 52.0, 100.0), labs, flags, strict=True), 1
    ):
        corners = np.array([(x, -62.0), (x + 24, -62.0), (x + 24, -6.0), (x, -6.0)])
        rows, columns = np.mgrid[0:280, 0:360]
        x_mm, y_mm = -10 + (columns + 0.5) / PX_PER_MM, -70 + (rows + 0.5) / PX_PER_MM
        mask = (x_mm > x) & (x_mm < x + 24) & (y_mm > -62) & (y_mm < -6)
        body = mask & (x_mm > x + 2) & (x_mm < x + 22) & (y_mm > -52) & (y_mm < -14)
        body &= (x_mm - x - 8) ** 2 + (y_mm + 30) ** 2 > 9
        strip = SimpleNamespace(
            number=number, corners_mm=corners, mask=mask, body=body,
            axis=np.array([0.0, 1.0]), length_mm=56.0, width_mm=24.0, flags=(),
        )  # fmt: skip
        made.append(
            StripReading(
                strip=strip, lab_d50=np.array(lab), lab_u95=np.array([0.8, 1.1, 1.34]),
                evenness_de00=0.412, trail_lab_d50=np.array([lab]), flags=tuple(its_flags),
            )
        )  # fmt: skip
    return tuple(made)


def comparison(verdict="no match", **changes):
    film = FilmApart(
        "told", ratio=0.93, ratio_low95=0.8, ratio_high95=1.1, de00_equal_film=3.9,
        de00_equal_film_low95=2.9, de00_equal_film_high95=4.8, p_within=0.1,
    )  # fmt: skip
    values = {
        "original": 1, "batch": 2, "lab_original_d50": np.array(ORIGINAL_LAB),
        "lab_batch_d50": np.array(BATCH_LAB), "d_lab_cov": 0.1 * np.eye(3), "de00": 4.3149,
        "de00_low95": 3.7211, "de00_high95": 4.9502, "tolerance": 2.0, "p_within": 0.00004,
        "verdict": verdict, "film": film,
    }  # fmt: skip
    return Comparison(**(values | changes))


def ink(name, kind="colour"):
    return Ink(name, name.split()[-1], name.split()[0], kind, np.ones(31), np.ones(31), "invented")


def basis(**changes):
    values = {
        "inks": (ink("green PG7"), ink("blue PB15:3"), ink("black PBk7", "black"),
                 ink("white PW6", "white")),
        "lab_original": np.array(ORIGINAL_LAB), "lab_nearest": np.array([41.6, -18.1, -24.9]),
        "de00_nearest": 0.41, "de00_now": 4.3149, "de00_before": None, "de00_equal_film": 3.9,
        "tolerance": 2.0, "weighing": Weighing(250.0), "settled": True,
        "reachable": True, "hue_on_shelf": True, "surprising": False, "newest_added": False,
        "learnt": False, "foreign": None, "unknown": ALL,
    }  # fmt: skip
    return Basis(**(values | changes))


def advice(**changes):
    values = {
        "additions": (("green PG7", 1.84), ("black PBk7", 0.62)),
        "add_first": (("green PG7", 1.2), ("black PBk7", 0.4)),
        "portion": 1.0, "grams": (("green PG7", 4.6), ("black PBk7", 1.55)),
        "grams_first": (("green PG7", 3.0), ("black PBk7", 1.0)),
        "predicted_u95": np.array([0.5, 0.7, 0.6]), "predicted_de00_high95": 0.9,
        "knife_tips": (), "first_de00_95": (0.2, 1.4), "p_within": 0.31, "look_again": False,
        "lamps": (UnderLamp("tungsten", 0.8, 1.4),), "basis": basis(),
        "predicted_lab_d50": np.array([41.6, -18.1, -24.9]), "predicted_de00": 0.41,
        "mix_used": {"blue PB15:3": 2.0, "white PW6": 10.0}, "mix_inferred": True, "flags": (),
    }  # fmt: skip
    return Advice(**(values | changes))


def judgement(verdict="no match", *, with_advice=None, size=(800, 600), turn=4.0, **changes):
    """A whole judgement; ``changes`` replace fields."""
    rgb, mm_to_px = drawn_photo(*size, turn)
    photo = Photo(rgb, srgb_profile(256), "kingfisher.jpg", "JPEG", 92, {}, ())
    view = CardView(
        builtin_cards()[0], mm_to_px, (6, 25, 31, 43), 6.5, 0.2, {},
        (NOMINAL_CARD(),),
    )  # fmt: skip
    blank = np.zeros((280, 360), np.float32)
    sheet = Sheet(
        np.zeros((280, 360, 3), np.float32), blank == 0, blank, blank, (-10.0, -70.0), PX_PER_MM
    )
    flags = ((), (STRIP_GLARE("4"),), ()) if verdict else ((), (STRIP_CLIPPED("12"),), ())
    fields = {
        "photo": photo, "view": view, "sheet": sheet,
        "correction": SimpleNamespace(held_out_median=1.1234, held_out_max=3.9, flags=()),
        "strips": strips(flags), "comparison": comparison(verdict),
        "advice": with_advice if with_advice is not None or verdict != "no match" else advice(),
        "flags": (NOMINAL_CARD(),), "opened": None, "step": None, "kept": None, "earlier": None,
        "photos": (), "table": None, "lamps": (), "path": "kingfisher.jpg",
    }  # fmt: skip
    return SimpleNamespace(**(fields | changes))
