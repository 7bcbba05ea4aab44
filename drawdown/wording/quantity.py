"""How much ink an edition needs: what is to be said of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from calibration.naming import named
from drawdown.flags import PRINT_AT_EDGE, Flag
from drawdown.printing.quantity import ink_grams
from drawdown.studio.scale import on_scale
from drawdown.wording.cautions import CAUTIONS
from drawdown.wording.figures import percent

if TYPE_CHECKING:
    from drawdown.printing.quantity import Left, Need, PrintedArea, Range

_RANGES = (
    "Ranges hold the true value with 95 % probability. The amount to mix is enough with 95 % "
    "probability; in 5 % of cases less than its lower end will do."
)
_LASTS = "The range of prints holds the true number with 90 % probability."
_UNCLEAR = (
    "Light and dark are not clearly apart in the picture: scan it, or photograph a print on white "
    "paper in even light, and look at `picture`."
)


@dataclass(frozen=True, eq=False)
class QuantityAnswer:
    """What ``drawdown plan amount`` has to say; ``mix`` in parts that sum to 100."""

    need: Need
    left: Left | None
    mix: dict[str, float] | None
    area: PrintedArea | None
    film_source: str
    pigment_cautions: tuple[str, ...]
    picture: str | None
    scale_step_g: float | None = None

    @property
    def weights_g(self) -> dict[str, float]:
        """What to weigh of each ink, as the scale shows it."""
        grams = ink_grams(self.mix or {}, self.need.mix_g)
        return {name: on_scale(g, self.scale_step_g) for name, g in grams.items()}

    @property
    def flags(self) -> tuple[Flag, ...]:
        at_edge = 0.0 if self.area is None else self.area.at_edge_cm2
        return (PRINT_AT_EDGE("{cm2:.2g}", cm2=at_edge),) if at_edge else ()

    @property
    def doubts(self) -> list[str]:
        found = [] if self.area is None or self.area.clear else [_UNCLEAR]
        return [named(text) for text in (*found, *(f.text for f in self.flags), self.film_source)]

    @property
    def notes(self) -> list[str]:
        return [_RANGES if self.left is None else f"{_RANGES} {_LASTS}"]

    @property
    def cautions(self) -> list[str]:
        return [*self.pigment_cautions, *CAUTIONS]


def film_source(way: str, own: bool, used: str | None, need: Need) -> str:
    """Where the film weight is from."""
    if used:
        return (
            f"From your own use ({used}, taken to hold within 15 %): a film of about "
            f"{span(need.film_g_m2)} g/m2, and {span(need.stays_g)} g that stay on slab, knife "
            "and roller however few you print."
        )
    if own:
        return "Film weight: as you gave it."
    if way == "litho":
        return "Film weight: 0.7 to 1.3 g/m2, as the test films of ISO 2846-1."
    return (
        "The film weight (2 to 12 g/m2, common practice for relief by hand, no source) is the "
        "least certain part: weigh slab and tin before and after ten prints, and give that with "
        "`used`."
    )


def span(r: Range, unit: str = "") -> str:
    """ "22 (9 to 48) g"."""
    unit = f" {unit}" if unit else ""
    if r.high <= 0:
        return f"0{unit}"
    return f"{amount(r.middle)} ({amount(r.low)} to {amount(r.high)}){unit}"


def amount(value: float) -> str:
    """Two or three figures are all that is known."""
    if value >= 1000:
        return f"{round(value, -1):.0f}"
    if value >= 100:
        return f"{value:.0f}"
    return f"{value:.2g}"


def verdict(left: Left) -> str:
    """Whether what is left is enough, as a sentence."""
    start = f"{amount(left.grams)} g left: "
    if left.word == "enough":
        return f"{start}ENOUGH (chance {percent(left.p_enough)})."
    if left.word == "not enough":
        return f"{start}NOT ENOUGH (chance that it is enough: {percent(left.p_enough)})."
    return f"{start}NOT SURE (chance that it is enough: {percent(left.p_enough)})."


def whole(r: Range) -> str:
    """A range of counted things."""
    return f"{int(r.middle)} ({int(r.low)} to {int(r.high)})"
