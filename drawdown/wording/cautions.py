"""The usual cautions where ink is advised, and those of the pigments in an advice.

General good practice, short on purpose: the safety data sheet of the ink or solvent in
hand, local rules and qualified people come first.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from drawdown.ink.shelf import Ink
    from drawdown.matching.advise import Advice

CAUTIONS: tuple[str, ...] = (
    "Wear gloves and keep ink and solvent off your skin; do not eat or drink at the slab.",
    "Work with fresh air when you mix or clean up, and keep solvents away from flames.",
    "Rags with oil ink or linseed oil can heat up and catch fire by themselves: put them in a "
    "closed metal container with water, or spread them flat outdoors to dry.",
    "The safety data sheet of your ink and solvent and your local rules come first; ask a "
    "qualified person when in doubt.",
)

BRIEF = "gloves, fresh air, oily rags into water"
WHOLE = "more: drawdown guide safety"


def brief(of_pigments: Iterable[str]) -> str:
    """One line of caution: the hazard of each pigment that has one, the habits, where the whole
    is."""
    hazards = [text.partition(";")[0] for text in of_pigments]
    return f"Caution: {'; '.join([*hazards, BRIEF, WHOLE])}."


def cautions(advice: Advice) -> tuple[str, ...]:
    """All that go with an advice, the usual ones first; none where no ink is advised."""
    return CAUTIONS + pigment_cautions(advice) if advice.additions else ()


def pigment_cautions(advice: Advice) -> tuple[str, ...]:
    """Those of the very pigments that are advised."""
    by_name = {ink.name: ink for ink in advice.basis.inks}
    return ink_cautions(by_name[name] for name, _ in advice.additions)


def ink_cautions(inks: Iterable[Ink]) -> tuple[str, ...]:
    """Those of some inks, of each that has one."""
    return tuple(f"{ink.name}: {ink.caution}." for ink in inks if ink.caution)
