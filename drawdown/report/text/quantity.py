"""How much ink an edition needs, as terminal text and as JSON "drawdown.quantity/1"."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from drawdown.printing.quantity import ink_grams, rounded_up
from drawdown.report.json.match import dump, rounded
from drawdown.report.text.layers import chance
from drawdown.report.text.terminal import Screen, paint, wrap
from drawdown.wording import figures as words
from drawdown.wording.cautions import CAUTIONS

if TYPE_CHECKING:
    from drawdown.printing.quantity import Left, Need, PrintedArea, Range

RANGES = (
    "The ranges of area, film, waste and what stays are 95 % intervals. The amount to mix "
    "suffices with 95 % probability; in 5 % of cases less ink than its lower end is needed."
)
LASTS = "The range of prints holds the true number with 90 % probability."
UNCLEAR = (
    "Light and dark are not clearly apart in the picture: scan it, or photograph a print on white "
    "paper in even light, and look at --picture."
)


@dataclass(frozen=True, eq=False)
class Answer:
    """What ``drawdown quantity`` has to say; ``mix`` in parts that sum to 100."""

    need: Need
    left: Left | None
    mix: dict[str, float] | None
    area: PrintedArea | None
    film_source: str
    cautions: list[str]
    picture: str | None
    used: bool = False  # the film weight comes from ink that went, losses included

    @property
    def notes(self) -> list[str]:
        found = [] if self.area is None or self.area.clear else [UNCLEAR]
        ranges = RANGES if self.left is None else f"{RANGES} {LASTS}"
        return [*found, ranges, self.film_source]


def film_source(way: str, own: bool, used: str | None) -> str:
    """Where the film weight is from."""
    if used:
        return (
            f"Film weight from your own use ({used}), with its waste and losses; taken to hold "
            "within 15 %."
        )
    if own:
        return "Film weight: as you gave it."
    if way == "litho":
        return "Film weight: 0.7 to 1.3 g/m2, as the test films of ISO 2846-1."
    return (
        "Film weight: 2 to 12 g/m2, common practice for relief by hand, no source. It is the "
        "most uncertain part: weigh slab and tin before and after ten prints, and give that "
        "with --used."
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
    """Whether what is left suffices, as a sentence."""
    start = f"{amount(left.grams)} g left: "
    if left.word == "enough":
        return f"{start}ENOUGH (chance {chance(left.p_enough)})."
    if left.word == "not enough":
        return f"{start}NOT ENOUGH (chance that it suffices: {chance(left.p_enough)})."
    return f"{start}NOT SURE (chance that it suffices: {chance(left.p_enough)})."


def quantity_text(answer: Answer, screen: Screen) -> str:
    """The answer of ``drawdown quantity``."""
    need = answer.need
    bold = f" MIX {amount(need.mix_g)} g for {need.prints} print{'s' * (need.prints > 1)}"
    lines = [paint(bold, "1", screen.colour)]
    lines += wrap(
        f"Probably {amount(need.ink.middle)} g will do ({amount(need.ink.low)} to "
        f"{amount(need.mix_g)}); {span(need.on_paper, 'g')} of it on the paper.",
        screen.columns,
        " ",
    )
    if answer.left is not None:
        left = answer.left
        lines += [
            "",
            *(paint(row, "1", screen.colour) for row in wrap(verdict(left), screen.columns, " ")),
        ]
        text = f"It lasts for {whole(left.prints)} prints."
        if left.word != "enough":
            more = amount(rounded_up(left.short_g.high))
            text += (
                f" Mix {more} g more to be sure, before it runs out: two batches never match quite."
            )
        lines += wrap(text, screen.columns, " ")
    if answer.mix:
        lines += ["", paint(f" FOR {amount(need.mix_g)} g", "1", screen.colour)]
        grams = ink_grams(answer.mix, need.mix_g)
        wide = max(map(len, grams))
        for name, g in grams.items():
            share = f"{answer.mix[name]:.3g} parts per 100"
            row = f"   {name:<{wide}}  {g:>5.3g} g   {share}"
            lines += [row] if len(row) <= screen.columns else wrap(row, screen.columns, "   ")
    lines += ["", paint(" WHAT IT RESTS ON", "1", screen.colour)]
    lines.append(f"   printed area   {span(need.area_cm2, 'cm2')}")
    if answer.area is not None:
        share = answer.area.share
        low, middle, high = (words.number(100 * v) for v in (share.low, share.middle, share.high))
        lines.append(f"                  {middle} % of the picture ({low} to {high})")
    film = "film, losses  " if answer.used else "film          "
    lines.append(f"   {film} {span(need.film_g_m2, 'g/m2')}")
    lines.append(f"   waste          {span(need.waste_percent, '%')}")
    lines.append(f"   stays on slab  {span(need.stays_g, 'g')}")
    lines.append("")
    for note in answer.notes:
        lines += wrap(note, screen.columns, " ")
    caution = " ".join([*answer.cautions, *CAUTIONS])
    lines += ["", *wrap(f"Caution: {caution}", screen.columns, " ")]
    return "\n".join(lines)


def whole(r: Range) -> str:
    """A range of counted things."""
    return f"{int(r.middle)} ({int(r.low)} to {int(r.high)})"


def quantity_json(answer: Answer) -> str:
    """JSON text of ``drawdown quantity``; each range is [low, middle, high]."""
    need, left, area = answer.need, answer.left, answer.area
    return dump(
        {
            "schema": "drawdown.quantity/1",
            "picture": answer.picture,
            "prints": need.prints,
            "printed_share": None if area is None else _list(area.share, 4),
            "clear": None if area is None else area.clear,
            "area_cm2": _list(need.area_cm2),
            "film_g_m2": _list(need.film_g_m2),
            "waste_percent": _list(need.waste_percent),
            "stays_g": _list(need.stays_g),
            "on_paper_g": _list(need.on_paper),
            "ink_g": _list(need.ink),
            "mix_g": rounded(need.mix_g, 2),
            "inks": None if not answer.mix else _inks(answer.mix, need.mix_g),
            "left": None
            if left is None
            else {
                "grams": left.grams,
                "verdict": left.word,
                "p_enough": rounded(left.p_enough, 4),
                "prints": _list(left.prints, 1),
                "short_g": _list(left.short_g),
            },
            "notes": answer.notes,
            "cautions": [*answer.cautions, *CAUTIONS],
        }
    )


def _inks(mix: dict[str, float], grams: float) -> list[dict[str, Any]]:
    weights = ink_grams(mix, grams)
    return [
        {"ink": name, "parts_per_100": rounded(mix[name], 3), "grams": rounded(g, 2)}
        for name, g in weights.items()
    ]


def _list(r: Range, decimals: int = 2) -> list[float | None]:
    return [rounded(v, decimals) for v in (r.low, r.middle, r.high)]
