"""The advice in a printmaker's words.

Amounts stand in the advice itself; the note says what they rest on, what they cannot do,
and what to do instead.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from drawdown.hues import tinge
from drawdown.inks import Shelf

# Chi-square with 6 degrees of freedom passes this once in about 400.
SURPRISING = 20.0
KNIFE_TIP_GRAMS = 0.05
KNIFE_TIP_PARTS = 0.1  # of 100, when the batch's weight is not known
STRONG_PARTS = 1.0


@dataclass(frozen=True, eq=False)
class Facts:
    """All that the wording rests on. ``additions`` and ``grams`` as in ``Advice``;
    ``de00_equal_film`` is the probable distance if both films were alike."""

    shelf: Shelf
    additions: tuple[tuple[str, float], ...]
    grams: tuple[tuple[str, float], ...] | None
    portion: float
    batch_grams: float | None
    mix: dict[str, float]
    inferred: bool
    reachable: bool
    hue_on_shelf: bool  # some ink has about the original's hue
    lab_original: np.ndarray
    lab_after: np.ndarray
    de00_now: float
    de00_after: float
    de00_equal_film: float
    tolerance: float
    surprise: float


def describe(facts: Facts) -> str:
    """The note, in full sentences."""
    said = [] if facts.additions else [_nothing(facts)]
    if facts.portion < 1:
        said.append(_let_down(facts))
    if facts.additions:
        said += _small_amounts(facts)
        if facts.de00_after > facts.tolerance:
            still = missing_direction(facts.lab_original, facts.lab_after)
            said.append(
                f"This brings it nearer, but hardly within tolerance: it will still want to be "
                f"{still}. Look again after it."
            )
    if facts.additions and facts.de00_equal_film < 0.6 * facts.de00_now:
        said.append(
            "Part of the difference looks like a film of another thickness: pull both strips "
            "again with the same pressure before you add ink."
        )
    if facts.inferred:
        said.append(_guess(facts))
    elif facts.surprise > SURPRISING:
        said.append(
            "The difference is not one that other amounts of the noted inks would make: check "
            "that the right inks went in, and that the noted mix is this one."
        )
    return " ".join(said)


def _nothing(facts: Facts) -> str:
    if facts.de00_equal_film < min(facts.tolerance, 0.7 * facts.de00_now):
        return (
            "Add nothing yet: most of the difference looks like film, not ink. Pull both strips "
            "again with the same pressure and take another photo."
        )
    if facts.reachable:
        return f"No ink on the shelf would bring the batch clearly nearer; {_lacking(facts)}."
    if facts.hue_on_shelf:
        why = "it is too far away for sensible amounts of ink"
    else:
        why = _lacking(facts)
    return (
        f"The batch cannot be brought to the original by adding ink: {why}. Mixing afresh is "
        "likely to waste less."
    )


def _lacking(facts: Facts) -> str:
    kind = missing_direction(facts.lab_original, facts.lab_after)
    if kind in ("lighter", "darker", "duller"):
        return f"it would have to become {kind}, and nothing here does that without turning the hue"
    if facts.hue_on_shelf:
        return f"it would have to become {kind}, and what the shelf has for that spoils more"
    return f"it needs a {kind} ink than any on the shelf"


def missing_direction(lab_original: np.ndarray, lab_after: np.ndarray) -> str:
    """What the batch lacks, as one word: lighter, darker, cleaner, duller or a hue. The
    parts of the gap are weighed as CIE94 weighs them (S_C = 1 + .045 C, S_H = 1 + .015 C)."""
    gap = lab_original - lab_after
    chroma, wanted = float(np.hypot(*lab_after[1:])), float(np.hypot(*lab_original[1:]))
    if min(chroma, wanted) < 5:  # near grey there is no hue to turn, only colour to add
        across = float(np.hypot(*gap[1:])) / (1 + 0.045 * max(chroma, wanted))
        return tinge(*gap[1:]) if across > abs(gap[0]) else _light(gap[0])
    cosine = float(lab_after[1:] @ lab_original[1:]) / (chroma * wanted)
    radial = lab_after[1:] / chroma
    turn = gap[1:] - float(gap[1:] @ radial) * radial
    # Far round the circle the straight way there says more than the way round.
    hue = tinge(*(turn if cosine > 0.5 else gap[1:]))
    parts = {
        _light(gap[0]): abs(float(gap[0])),
        "cleaner" if wanted > chroma else "duller": abs(wanted - chroma) / (1 + 0.045 * chroma),
        hue: float(np.sqrt(max(0.0, 2 * chroma * wanted * (1 - cosine)))) / (1 + 0.015 * chroma),
    }
    return max(parts, key=lambda word: parts[word])


def _light(gap: float) -> str:
    return "lighter" if gap > 0 else "darker"


def _let_down(facts: Facts) -> str:
    put_by = 1 - facts.portion
    thinner = [
        name for name, _ in facts.additions if facts.shelf.find(name).kind in ("white", "base")
    ]
    if facts.batch_grams is None:
        amounts = f"take out about {100 * put_by:.0f} of every 100 parts"
        rest = f"the {100 * facts.portion:.0f} parts that stay"
    else:
        amounts = f"take out about {_grams(put_by * facts.batch_grams)}"
        rest = f"the {_grams(facts.portion * facts.batch_grams)} that stay"
    return (
        f"So much {' and '.join(thinner)} would flood the batch. Instead {amounts} and put it by "
        f"as a packet of the stronger ink; then let down only {rest}: the amounts above are for "
        "that portion, and you end with about as much ink as you have now."
    )


def _grams(value: float) -> str:
    return f"{value:.0f} g" if value >= 20 else f"{value:.1f} g"


def _small_amounts(facts: Facts) -> list[str]:
    said = []
    weights = dict(facts.grams or ())
    tips = [
        name
        for name, parts in facts.additions
        if (weights[name] < KNIFE_TIP_GRAMS if name in weights else parts < KNIFE_TIP_PARTS)
    ]
    if tips:
        said.append(
            f"Of {' and '.join(tips)} that is no more than a knife tip, less than most scales show."
        )
    if any(
        parts < STRONG_PARTS and facts.shelf.find(name).kind in ("colour", "black")
        for name, parts in facts.additions
    ):
        # Common practice, no source.
        said.append(
            "Work so small an amount into a spoonful of the batch first, then stir that into "
            "the rest."
        )
    return said


def _guess(facts: Facts) -> str:
    kinds = {facts.shelf.find(name).kind for name in facts.mix}
    if "white" in kinds:
        which = "with white rather than transparent base"
    elif "base" in kinds:
        which = "with transparent base rather than white"
    else:
        which = "without white or base"
    return (
        f"No mix was noted, so one was guessed from the colour, {which}: one photo cannot tell "
        "them apart."
    )
