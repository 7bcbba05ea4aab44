"""Pairs of wet and dry strips and what they say together, as terminal text."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from calibration.naming import named
from calibration.uncertainty.intervals import K95
from drawdown.matching.drying import READING_SD, learn
from drawdown.report.text.lines import Lines
from drawdown.report.text.terminal import Screen
from drawdown.studio.drying_file import KeptPair
from drawdown.wording.figures import count, lab_text

_NOTHING_YET = (
    "You have not shown a strip wet and dry yet. Photograph one wet, let it dry, photograph it "
    "again with the same card in the same light, and give both: `learn_drying` wet.jpg dry.jpg"
)


def drying_screen(kept: Sequence[KeptPair], path: Path, screen: Screen) -> str:
    """Every pair that is kept in ``path``, then what those that count say of the next strip."""
    lines = Lines(screen, indent="")
    if not kept:
        lines.say(named(_NOTHING_YET))
        return str(lines)
    for k in kept:
        head = f"pair {k.number}   {k.day}   {k.name}".rstrip()
        lines.add(head + ("   (set aside)" if k.aside else ""))
        lines.say(f"wet {lab_text(k.pair.lab_wet, k.u95_wet)}", "   ")
        lines.say(f"dry {lab_text(k.pair.lab_dry, k.u95_dry)}", "   ")
        lines.say(f"Delta E {k.pair.de00:.1f} ± {K95 * READING_SD:.1f}", "   ")
    lines.add()
    counted = [k.pair for k in kept if not k.aside]
    if not counted:
        lines.say("No pair counts, so nothing is known of drying.")
        return str(lines)
    known = learn(counted)
    power, light = known.mean
    more = f"{100 * abs(power):.0f} % {'more' if power >= 0 else 'less'}"
    lines.say(
        f"From {count(len(counted), 'pair')}: dry ink absorbs {more} (± {196 * known.sd[0]:.0f} %) "
        f"as a film, and its surface adds {100 * light:+.1f} % (± {196 * known.sd[1]:.1f} %) of "
        "white. Here ± holds the next strip with 95 % probability; it shrinks with more pairs "
        "that agree. Of a pair it holds the strip's own colour, and how far that went, with 95 % "
        "probability."
    )
    return str(lines)
