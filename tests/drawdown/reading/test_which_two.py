"""Which two of several strips are the pair. There is no outside reference: the cases are drawn as
hurried tables are, and where a person would ask, the program asks too."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from strip_kit import box

from drawdown.reading.colour import Rim
from drawdown.reading.which_two import which_two

CARD = (170.0, 74.0)
BLUE, NEAR, RED = (45, -10, -35), (46, -9, -34), (45, 55, 30)


def strip(number, x, y, w=18, h=60, lab=BLUE, degrees=0.0, paper=0.0):
    turn = np.radians(degrees)
    rim = Rim(np.full(3, paper), np.full(3, paper))
    lies = SimpleNamespace(
        number=number, corners_mm=box(x, y, w, h, degrees), width_mm=w, length_mm=h,
        axis=np.array([-np.sin(turn), np.cos(turn)]),
    )  # fmt: skip
    return SimpleNamespace(
        number=number, strip=lies, corners_mm=lies.corners_mm, lab_d50=np.array(lab, float), rim=rim
    )


PAIR = (strip(1, 20, 90), strip(2, 48, 91, lab=NEAR))


@pytest.mark.parametrize(
    "strangers",
    [
        (strip(3, 120, 90, w=30, h=90, lab=RED),),
        (strip(3, 60, 180, w=12, h=36, degrees=90),),
        (strip(3, 30, 190), strip(4, 110, 200, w=28, h=80, lab=RED)),
        (strip(3, 76, 90, lab=RED),),  # of their size and beside them, but of another colour
        (strip(3, 76, 90, paper=-0.5),),  # on other paper
    ],
)
def test_another_jobs_swatches_are_not_compared(strangers):
    two = which_two((*PAIR, *strangers), CARD)
    assert (two.original, two.batch) == (1, 2)
    assert two.left == tuple(s.number for s in strangers)


@pytest.mark.parametrize(
    "strips",
    [
        (*PAIR, strip(3, 76, 90, lab=NEAR)),  # three alike in a row
        (strip(1, 20, 90), strip(2, 100, 90, w=40, h=40)),  # two unlike each other
        (strip(1, 20, 90), strip(2, 60, 120, w=60, h=18, degrees=90), strip(3, 120, 90, w=30)),
    ],
)
def test_where_a_person_would_ask_it_is_not_clear(strips):
    assert which_two(strips, CARD) is None


def test_two_pulled_by_a_hurried_hand_are_the_pair():
    hurried = (strip(1, 20, 90), strip(2, 45, 100, w=22, h=44, degrees=6, lab=NEAR))
    assert which_two(hurried, CARD).batch == 2
