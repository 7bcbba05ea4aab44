"""What a ladder left open of an ink, and what does not fit: what is to be said of it."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from drawdown.pipeline.ladder import Step
    from drawdown.pipeline.ladder_findings import LadderReport

_SETTLES = {
    "tint told": "The ink is too dark to show more: S comes from its tint.",
    "tint": "The ink alone is too dark to show it: add a tint, about 10 % in white.",
    "bar": "Add a strip pulled alone across the black bar.",
    "thinner over the bar": "Add a strip across the bar that lets some light through: "
    "20 % in base.",
}
_MIXED = {"white": "10 % in white", "base": "20 % in base"}
_MISSING = {
    "bar": "alone across the black bar (how it covers)",
    "white": "about 10 % in white (its tints)",
    "base": "about 20 % in base (its let-downs)",
    "bare-base": "bare base (the paper under ink)",
    "alone": "alone on paper",
}


def step_text(step: Step) -> str:
    """What a strip is, in few words: "10 % in white"."""
    share = f"{100 * step.parts[0]:.3g} %"
    return {
        "alone": "alone",
        "bar": "alone, across the bar",
        "white": f"{share} in white",
        "base": f"{share} in base",
        "bare-base": "bare base",
    }[step.what]


def left_open(told: LadderReport) -> list[str]:
    """What the strips left open, each with what would settle it."""
    out = []
    if told.covering is not None:
        factor, settles = told.covering
        out.append(
            f"How it covers (S) is known only to a factor of {factor:.2g} either way. "
            f"{_SETTLES[settles]}"
        )
    if told.strength is not None:
        factor, need = told.strength
        text = f"Its strength (K) is known only to a factor of {factor:.2g}."
        add = " and one with ".join(_MIXED[kind] for kind in need)
        out.append(f"{text} Add a strip with {add}." if need else text)
    if told.least_sure:
        worst = (f"{u.name} (Delta E up to {u.de00_within95:.0f})" for u in told.least_sure)
        out.append(f"Least sure is its colour {', '.join(worst)}.")
    if told.missing:
        kinds = "; ".join(_MISSING[kind] for kind in told.missing)
        out.append(
            f"The ladder has no strip of this kind: {kinds}. "
            "What it would show comes from the pigment, or stays open."
        )
    return out


def misfits(told: LadderReport) -> list[str]:
    """What does not fit: the strips as one ink, and single strips."""
    out = []
    if told.not_one_ink:
        out.append(
            "These strips and this pigment don't go together as one ink: check the number and "
            "the parts of each step, and the pigment."
        )
    for strip in told.misfits:
        out.append(
            f"Strip {strip.step.number} ({step_text(strip.step)}) is {strip.worst_de00:.1f} Delta "
            "E from what the other strips say: it may hold other parts, be wet, or be another "
            "strip."
        )
    return out
