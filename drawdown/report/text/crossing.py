"""A crossing read and predicted, as terminal text and as JSON "drawdown.overprint/1"."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from calibration.colour.difference import delta_e_2000
from calibration.flags import codes
from drawdown.report.json.match import dump, rounded
from drawdown.report.text.terminal import Screen, paint, wrap
from drawdown.wording import figures as words
from drawdown.wording.cautions import CAUTIONS

if TYPE_CHECKING:
    from calibration.flags import Flag
    from drawdown.pipeline.crossing import Order
    from drawdown.pipeline.read import Judgement
    from drawdown.printing.overprint import Predicted
    from drawdown.reading.colour import StripReading
    from drawdown.reading.crossing import Readings

_TABLE = 64  # columns that the table needs
WIDE_DE = 12.0  # a prediction this uncertain says little

UNCERTAINTY = (
    "± and ranges: 95 % probability. In the prediction: both readings, what a single colour "
    "leaves open about its ink, how much ink the upper layer leaves on the lower, the formula."
)
UNKNOWN = (
    "The mixes are not known, and a colour alone cannot tell a tint in white from a film thinned "
    "with base: give both with --layer (lower, then upper), and the prediction gets sharper."
)
EITHER = (
    "Which strip lies on top was not said, so both ways are shown, the one nearer to the "
    "reading first; say it with --on-top."
)


@dataclass(frozen=True, eq=False)
class Crossed:
    """What ``drawdown overprint PHOTO`` has to say; the likelier order first."""

    seen: Judgement
    read: Readings
    orders: list[Order]
    cautions: list[str]
    mixes_known: bool

    @property
    def flags(self) -> list[Flag]:
        own = [f for c in (*self.read.alone.values(), self.read.crossing) for f in c.flags]
        return list(dict.fromkeys([*self.seen.flags, *own]))

    @property
    def notes(self) -> list[str]:
        found = [] if self.mixes_known else [UNKNOWN]
        if len(self.orders) > 1:
            found.append(EITHER)
        return [*found, UNCERTAINTY, *(flag.text for flag in self.flags)]


def fits(order: Order) -> str:
    """How the reading stands to the prediction, as words."""
    if not order.agrees:
        return "DOES NOT AGREE with the prediction"
    if order.de00_95[1] > WIDE_DE:
        return "FITS the prediction, but so would much else"
    return "AGREES with the prediction"


def title(order: Order) -> str:
    if order.upper == "upper":
        return "upper over lower"
    return f"{order.upper} strip over {order.lower} one"


def covers(order: Order) -> str:
    """What the reading says of how the upper layer covers."""
    text = f"The upper layer covers {order.covers}."
    if order.kinds is None:
        return text
    white, clear = (words.number(order.kinds[k][0]) for k in ("covering", "transparent"))
    text += (
        f" Taken as a covering ink (white in it), the prediction is Delta E {white} off; taken as "
        f"transparent, {clear}"
    )
    return f"{text}: the reading speaks for a {order.kind} ink." if order.kind else f"{text}."


def spread(order: Order) -> str:
    low, high = order.de00_95
    return f"{words.number(order.de00)} ({words.number(low)} to {words.number(high)})"


def _reading(name: str, colour: StripReading | Predicted, screen: Screen) -> list[str]:
    """A row of the table, or on a narrow screen a line for each number."""
    both = list(zip("Lab", colour.lab_d50, colour.lab_u95, strict=True))
    if screen.columns < _TABLE:
        lines = [f"{axis}* {words.number(v):>6} ± {words.number(u)}" for axis, v, u in both]
        return [f"   {name}", *(f"     {line}" for line in lines)]
    cells = (f"{words.number(v):>6} ± {words.number(u):<5}" for _, v, u in both)
    return [f"   {name:<16} {' '.join(cells)}".rstrip()]


def crossing_text(answer: Crossed, screen: Screen) -> str:
    """The answer as text."""
    lines = [paint(f" CROSSING READ in {answer.seen.photo.path}", "1", screen.colour)]
    if screen.columns >= _TABLE:
        lines.append("                     L*              a*              b*")
    for name, colour in answer.read.alone.items():
        lines += _reading(f"{name} alone", colour, screen)
    lines += _reading("crossing", answer.read.crossing, screen)
    for order in answer.orders:
        heading = wrap(f"PREDICTED, {title(order)}", screen.columns, " ")
        lines += ["", *(paint(line, "1", screen.colour) for line in heading)]
        lines += _reading("crossing", order.predicted, screen)
        text = f"Reading and prediction are Delta E {spread(order)} apart: the reading "
        text += f"{fits(order)}. {covers(order)}"
        lines += wrap(text, screen.columns, "   ")
    lines.append("")
    for note in answer.notes:
        lines += wrap(note, screen.columns, " ")
    caution = " ".join([*answer.cautions, *CAUTIONS])
    return "\n".join([*lines, "", *wrap(f"Caution: {caution}", screen.columns, " ")])


def crossing_json(answer: Crossed) -> str:
    """The answer as JSON."""
    read, photo = answer.read, answer.seen.photo
    return dump(
        {
            "schema": "drawdown.overprint/1",
            "layers": None,
            "wet": None,
            "pairs": None,
            "photo": {
                "path": photo.path,
                "width_px": photo.width_px,
                "height_px": photo.height_px,
                "flags": codes(tuple(answer.seen.flags)),
                "strips": [_colour(name, c, read) for name, c in read.alone.items()],
                "crossing": _colour("crossing", read.crossing, read),
                "predictions": [_order(order) for order in answer.orders],
            },
            "notes": answer.notes,
            "cautions": [*answer.cautions, *CAUTIONS],
        }
    )


def _colour(name: str, colour: StripReading, read: Readings) -> dict[str, Any]:
    return {
        "name": name,
        "corners_mm": [_list(corner, 1) for corner in colour.strip.corners_mm],
        "lab_d50": _list(colour.lab_d50),
        "lab_u95": _list(colour.lab_u95),
        "de00_to_crossing": rounded(float(delta_e_2000(colour.lab_d50, read.crossing.lab_d50)), 2),
        "flags": codes(tuple(colour.flags)),
    }


def _order(order: Order) -> dict[str, Any]:
    return {
        "lower": order.lower,
        "upper": order.upper,
        "lab_d50": _list(order.predicted.lab_d50),
        "lab_u95": _list(order.predicted.lab_u95),
        "de00": rounded(order.de00, 2),
        "de00_95": _list(order.de00_95),
        "agrees": order.agrees,
        "covers": order.covers,
        "upper_as": None
        if order.kinds is None
        else {kind: {"de00": rounded(de, 2)} for kind, (de, _, _) in order.kinds.items()},
        "upper_is": order.kind,
    }


def _list(values, decimals: int = 2) -> list[float | None]:
    return [rounded(value, decimals) for value in values]
