"""The advice in a printmaker's words.

Amounts stand in the advice itself; the note says what they rest on, what they cannot do,
and what to do instead.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.colour.illuminants import HERE, UnderLamp
from drawdown.ink.shelf import Shelf
from drawdown.matching.amounts import Amounts, round_grams
from drawdown.wording.hues import tinge
from drawdown.wording.weights import noted_grams

# Squared misfit beyond its expectation by so many times the root of what it has of freedom:
# once in some hundred readings by chance.
SURPRISING = 5.7
STRONG_PARTS = 1.0
FAR_DE00 = 10.0  # further away than this it is the amount of ink that is in the way
# A match that another lamp spoils: beyond tolerance there, and by this much worse than here.
LAMP_WORSE = 0.5


@dataclass(frozen=True, eq=False)
class Facts:
    """All that the wording rests on. ``de00_before`` is what the photo before this one read
    (None for a first photo), ``de00_nearest`` and ``lab_nearest`` what the best addition
    would come to even if it is not advised, ``de00_equal_film`` the probable distance if both
    films were alike, ``newest_added`` whether ink went in since the photo before."""

    shelf: Shelf
    amounts: Amounts
    batch_grams: float | None
    scale_step: float
    mix: dict[str, float]
    inferred: bool
    settled: bool
    reachable: bool
    look_again: bool
    hue_on_shelf: bool  # some ink has about the original's hue
    lab_original: np.ndarray
    lab_after: np.ndarray
    lab_nearest: np.ndarray
    de00_nearest: float
    de00_now: float
    de00_before: float | None
    de00_after: float
    de00_equal_film: float
    p_within: float
    tolerance: float
    surprise: float
    freedom: int
    lamps: tuple[UnderLamp, ...]
    story: bool
    newest_added: bool
    learnt: bool  # earlier batches taught something of the inks
    foreign: float | None = None  # Delta E to the nearest mixture, if none looks like the strip


def describe(facts: Facts) -> str:
    """The note, in full sentences."""
    said = _since_last(facts)
    if not facts.amounts.additions:
        said.append(_nothing(facts))
    else:
        if facts.amounts.portion < 1:
            said.append(_let_down(facts))
        said += _small_amounts(facts)
        if facts.de00_after > facts.tolerance:
            still = missing_direction(facts.lab_original, facts.lab_after)
            said.append(
                f"This brings it nearer, but hardly within tolerance: it will still want to be "
                f"{still}. Look again after it."
            )
        elif facts.amounts.first != facts.amounts.additions:
            said.append(
                "Stop as soon as a photo says match, even if some of it has not gone in yet."
            )
        if facts.de00_equal_film < 0.6 * facts.de00_now:
            said.append(
                "Part of the difference looks like a film of another thickness: pull both strips "
                "again with the same pressure before you add ink."
            )
        if facts.learnt:
            said.append("What earlier batches taught of these inks is counted in.")
    said += _other_lamps(facts)
    if facts.inferred:
        # Of a batch that is to be left alone, nobody asks what it was mixed from.
        guessed = not facts.foreign and (facts.amounts.additions or _far(facts))
        said += _guess(facts) if guessed else []
    elif facts.surprise > facts.freedom + SURPRISING * facts.freedom**0.5 and _far(facts):
        said.append(
            "The difference is not one that other amounts of the noted inks would make: check "
            "that the right inks went in, and that the noted mix is this one."
        )
    return " ".join(said)


def _far(facts: Facts) -> bool:
    return facts.de00_now > facts.tolerance


def _since_last(facts: Facts) -> list[str]:
    """Whether the last addition helped."""
    if facts.de00_before is None or not facts.newest_added:
        return []
    read = f"Delta E read {facts.de00_before:.1f} before the last addition and reads"
    if facts.de00_now < facts.de00_before - 0.2:
        return [f"It came nearer: {read} {facts.de00_now:.1f} now."]
    if facts.de00_now > facts.de00_before + 0.2:
        return [
            f"It reads further away: {read} {facts.de00_now:.1f} now. Film or another ink than "
            "noted may be the reason; what follows takes it into account."
        ]
    return [f"It came no nearer: {read} {facts.de00_now:.1f} now."]


def _nothing(facts: Facts) -> str:
    if facts.de00_now <= facts.tolerance:
        if not facts.settled:
            return (
                "Add nothing yet: it may well be within tolerance, and this photo cannot settle it."
            )
        if facts.look_again:
            return (
                "The batch reads within tolerance: leave it as it is. A film of another thickness "
                "could hide a difference; one more strip with the same pressure would tell."
            )
        return "The batch is within tolerance: leave it as it is."
    if facts.foreign:
        return (
            "What to add cannot be told: no mixture of the inks on this shelf looks like the "
            f"original (the nearest is Delta E {facts.foreign:.0f} off). Put the inks it was "
            "mixed from on the shelf with drawdown ink add, or give another with --shelf."
        )
    if facts.de00_equal_film < min(facts.tolerance, 0.7 * facts.de00_now):
        going_by = "going by what went in, " if facts.story else ""
        return (
            f"Add nothing yet: {going_by}most of the difference looks like film, not ink. Pull "
            "both strips again with the same pressure and take another photo."
        )
    if facts.reachable:
        if facts.look_again:
            return (
                "Add nothing yet: it may well be within tolerance at the same film. Pull another "
                "strip and take a new photo."
            )
        if facts.story:
            return (
                f"Stop here: no ink on the shelf would bring the batch clearly nearer than Delta "
                f"E {facts.de00_now:.1f}; {_lacking(facts)}."
            )
        return (
            f"No ink on the shelf would bring the batch clearly nearer than Delta E "
            f"{facts.de00_now:.1f}; {_lacking(facts)}."
        )
    start = (
        "The batch cannot be brought to the original by adding these inks: the nearest is Delta "
        f"E {facts.de00_nearest:.1f}"
    )
    if facts.hue_on_shelf and facts.de00_now > FAR_DE00:
        why = "It is too far away for sensible amounts of ink"
        return f"{start}. {why}. Mixing afresh is likely to waste less."
    if facts.story:
        return f"Stop here. {start}; {_lacking(facts)}."
    return f"{start}; {_lacking(facts)}. Mixing afresh is likely to waste less."


def _lacking(facts: Facts) -> str:
    kind = missing_direction(facts.lab_original, facts.lab_nearest)
    if kind in ("lighter", "darker", "duller"):
        return f"it would have to become {kind}, and nothing here does that without turning the hue"
    if facts.hue_on_shelf:
        return f"it would have to become {kind}, and what the shelf has for that spoils more"
    return f"it needs a {kind} ink than any on the shelf: add one to the shelf"


def _other_lamps(facts: Facts) -> list[str]:
    """A match under this lamp that another would spoil."""
    here = next((lamp.de00 for lamp in facts.lamps if lamp.lamp == HERE), None)
    if here is None or here > facts.tolerance or facts.de00_after > facts.tolerance:
        return []
    worse = [
        lamp
        for lamp in facts.lamps
        if lamp.de00 > facts.tolerance and lamp.de00 > here + LAMP_WORSE
    ]
    if not worse:
        return []
    where = " and ".join(
        f"under {lamp.lamp} about {lamp.de00:.1f} (95 % below {lamp.de00_high95:.1f})"
        for lamp in worse
    )
    new = [name for name in facts.amounts.inks if name not in facts.mix]
    why = f", as {' and '.join(new)} is not in the mix" if new else ""
    return [
        f"The match may fail under another lamp{why}: Delta E {where}. Look at both strips under "
        "the light where the print will hang."
    ]


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
    portion = facts.amounts.portion
    thinner = " and ".join(facts.amounts.inks)
    if facts.batch_grams is None:
        by, rest = f"{100 * (1 - portion):.0f} of every 100 parts", f"{100 * portion:.0f} parts"
    else:
        by = noted_grams((1 - portion) * facts.batch_grams)
        rest = noted_grams(portion * facts.batch_grams)
    return (
        f"So much {thinner} would flood the batch. Instead take out {by} and put it by as a "
        f"packet; the amounts above go into the {rest} that stay, and you end with about as much "
        "ink as you have now."
    )


def _small_amounts(facts: Facts) -> list[str]:
    said = []
    tips, weights = facts.amounts.knife_tips, dict(facts.amounts.grams or ())
    for name in tips:
        if name not in weights:
            said.append(f"Of {name} that is no more than a knife tip, less than most scales show.")
            continue
        said.append(
            f"Of {name} that is a knife tip, less than your scale shows ({facts.scale_step:g} g). "
            f"{_premix(facts, name, weights[name])}"
        )
    strong = [
        name
        for name, parts in facts.amounts.additions
        if parts < STRONG_PARTS and facts.shelf.find(name).kind in ("colour", "black")
    ]
    if any(name not in weights or name not in tips for name in strong):
        # Common practice, no source.
        said.append(
            "Work so small an amount into a spoonful of the batch first, then stir that into "
            "the rest."
        )
    return said


def _premix(facts: Facts, name: str, grams: float) -> str:
    """How to weigh what is too little: as a tenth (or a hundredth) of something else. Common
    practice, no source."""
    thins = [n for n in facts.mix if facts.shelf.find(n).kind in ("white", "base") and n != name]
    into = max(thins, key=lambda n: facts.mix[n]) if thins else "the batch itself"
    times, how = 10, f"stir 1 part of it into 9 parts of {into}"
    if 10 * grams < facts.scale_step:
        times, how = (
            100,
            f"stir 1 part of it into 9 parts of {into}, and 1 part of that into 9 more",
        )
    weight = round_grams(times * grams, facts.scale_step)
    return f"To weigh it, {how}, and put in {weight:g} g of that."


def _guess(facts: Facts) -> list[str]:
    kinds = {facts.shelf.find(name).kind for name in facts.mix}
    if {"white", "base"} <= kinds:
        which = "with both white and transparent base"
    elif "white" in kinds:
        which = "with white rather than transparent base"
    elif "base" in kinds:
        which = "with transparent base rather than white"
    else:
        which = "without white or base"
    said = [
        f"No mix was noted, so one was guessed from the colour, {which}: one photo cannot tell "
        "them apart."
    ]
    thins = [n for n in facts.amounts.inks if facts.shelf.find(n).kind in ("white", "base")]
    if thins:
        said.append(
            f"Add {' and '.join(thins)} only if the batch was mixed with it: white makes a "
            "let-down cloudy, and base makes a tint thin. Give the mix with --mix to be sure."
        )
    return said
