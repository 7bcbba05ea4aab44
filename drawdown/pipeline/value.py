"""From a photo that was read to values, and to the plan of lightening one strip's
ink with white or with base. Pure: records in, records out."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from calibration.colour.spaces import lab_to_xyz, xyz_to_lab
from calibration.errors import WrongUsage
from calibration.uncertainty.intervals import common_sd
from drawdown import flags as fl
from drawdown.ink.forward import bare_ground, paper_ground
from drawdown.ink.prior import mix_prior
from drawdown.ink.shelf import Ink, Shelf
from drawdown.matching.recipes import guess_mixes
from drawdown.pipeline.opacity import over_bar_of
from drawdown.pipeline.read import Judgement, strip_of
from drawdown.printing.lighten import (
    GUESSES,
    InkStates,
    Lightened,
    Seen,
    as_it_is,
    fit_guesses,
    fit_ink,
    lighten,
)
from drawdown.printing.opacity import Number
from drawdown.printing.value import l_of_value, value_of
from drawdown.reading.colour import StripReading
from drawdown.reading.over_bar import OverBar
from drawdown.studio.scale import on_scale

PRINTED_BLACK_L = 20.0  # a home printer's black, where the photo shows no bar
LEAST_STEP = 0.05  # of value: nearer is there already
# A mix that the fit cannot bring nearer to the strip than this is another strip's: with figures
# off by a factor of 2.5 the right mixes stay below 5, those of other pigments are mostly above 20.
ANOTHER_INK_DE = 20.0


@dataclass(frozen=True)
class Plan:
    """Lightening one strip's ink to value ``to``: the ink as it is and each way
    (white, base) in the same terms. ``layer`` says what the other layer is (the number of a
    strip, "bar" or "printed-black"), ``layer_lab`` (3,) its colour. ``mix`` in parts per 100,
    ``guessed`` when it was not given; ``across_bar`` when the strip was read over black too.
    ``grams`` of white and base by name when the batch's weight was given, else None. ``misfit``
    is CIEDE2000 of the strip against the best that the mix can be made to look."""

    number: int
    to: float
    value: Number
    now: Lightened
    ways: tuple[Lightened, ...]
    layer: int | str
    layer_lab: np.ndarray
    target_l: float
    mix: dict[str, float]
    guessed: bool
    across_bar: bool
    grams: dict[str, Number] | None
    misfit: float
    flags: tuple[fl.Flag, ...]
    inks: tuple[Ink, ...] = ()  # of the mix, and what lightens it


def strip_value(strip: StripReading) -> Number:
    """Value of one strip."""
    return value_of(float(strip.lab_d50[0]), float(strip.widest_u95[0]))


def plan_of(
    seen: Judgement,
    number: int,
    to: float,
    shelf: Shelf,
    mix: dict[str, float] | None = None,
    over: int | None = None,
    batch_grams: float | None = None,
    scale_step_g: float | None = None,
) -> Plan:
    """How to bring strip ``number`` to value ``to``. ``mix`` is by the shelf's names; ``over``
    the number of a strip that stands for the other layer, None for black; grams are as a scale
    of that step shows them.

    Raises ``WrongUsage`` for a strip that is not there or is as light already, for a mix that
    cannot be this strip's, and for a shelf without white and base."""
    strip = strip_of(seen, number)
    number = strip.number
    other = None if over is None else strip_of(seen, over, "over")
    value = strip_value(strip)
    if to < value.value + LEAST_STEP:
        raise WrongUsage(
            f"strip {number} has value {value.value:.1f} already, and `to` is {to:g}",
            "white and base only lighten",
            "ask for a higher value; to darken an ink, let drawdown match advise",
        )
    adding = [next((i for i in shelf if i.kind == kind), None) for kind in ("white", "base")]
    if not any(adding):
        raise WrongUsage(
            "the shelf has neither a white nor a base",
            "an ink is lightened with one of them",
            'add one with kind = "white" or kind = "base"',
        )
    pair = over_bar_of(seen, strip)
    reading = _reading(strip, pair, seen.paper_lab_d50)
    states, used = _fit(reading, shelf, mix)
    if mix is not None and states.misfit > ANOTHER_INK_DE:
        raise WrongUsage(
            f"strip {number} cannot be of the mix that `mix` names: however thick its film, it "
            f"would be Delta E {states.misfit:.0f} from what the photo shows",
            "what lightens an ink is worked out from its mix",
            "check `mix` and `strips`, or leave `mix` out to have it guessed",
        )
    layer, layer_lab = _other_layer(other, pair)
    ground = bare_ground(layer_lab)
    ways = tuple(lighten(states, ink, to, ground) for ink in adding if ink is not None)
    grams = None
    if batch_grams is not None:
        share = batch_grams / 100
        grams = {w.ink: _weighed(w.parts, share, scale_step_g) for w in ways if w.parts}
    # As it is, it was read: no model is asked how sure that is.
    now = replace(as_it_is(states, ground), lab_d50=strip.lab_d50, lab_u95=strip.lab_u95)
    inks = tuple(i for i in shelf if i.name in used or i in adding)
    stand_in = any(i.starter for i in inks)
    return Plan(
        number, to, value, now, ways, layer, layer_lab,
        l_of_value(to), used, mix is None, pair is not None, grams,
        states.misfit, (fl.STAND_IN_INKS(),) if stand_in else (), inks,
    )  # fmt: skip


def _other_layer(other: StripReading | None, pair: OverBar | None) -> tuple[int | str, np.ndarray]:
    """What the ink may be printed on, and its Lab (3,)."""
    if other is not None:
        return other.number, other.lab_d50
    if pair is not None:
        return "bar", pair.lab_d50[3]
    return "printed-black", np.array([PRINTED_BLACK_L, 0.0, 0.0])


def _weighed(n: Number, factor: float, step_g: float | None) -> Number:
    value, low, high = (
        None if v is None else on_scale(v * factor, step_g) for v in (n.value, n.low95, n.high95)
    )
    assert value is not None
    assert low is not None
    return Number(value, low, high)


def _reading(strip: StripReading, pair: OverBar | None, paper_lab) -> Seen:
    """The strip over paper and, where it crosses a bar, over that; what the card leaves open
    is common to both."""
    samples = [strip.lab_samples]
    lab, grounds = [strip.lab_d50], [paper_ground(paper_lab)]
    if pair is not None:
        samples.append(xyz_to_lab(pair.xyz_samples[:, 1]))
        # The strip's own colour and the pair's were read in two places: keep the step.
        step = pair.xyz_d50[1] / np.maximum(pair.xyz_d50[0], 1e-5)
        lab.append(xyz_to_lab(lab_to_xyz(strip.lab_d50) * step))
        grounds = [paper_ground(pair.lab_d50[2]), bare_ground(pair.lab_d50[3])]
    count = min(len(s) for s in samples)
    together = np.hstack([s[:count] for s in samples])
    covariance = np.cov(together, rowvar=False)
    card = common_sd(strip.widest_u95, strip.members())
    common = np.kron(np.ones((len(lab), len(lab))), np.diag(card**2))
    return Seen(np.array(lab), covariance + common, np.array(grounds))


def _fit(
    reading: Seen, shelf: Shelf, mix: dict[str, float] | None
) -> tuple[InkStates, dict[str, float]]:
    if mix is not None:
        return fit_ink(mix_prior(shelf.mix(mix)), reading, guessed=False), mix
    guesses = guess_mixes(shelf, reading.lab_d50[0], reading.grounds[0], GUESSES)
    states, best = fit_guesses(
        [(mix_prior(shelf.mix(g.mix)), g.log_prior) for g in guesses], reading
    )
    return states, guesses[best].mix
