"""How each strip covers, as terminal text."""

from __future__ import annotations

from typing import TYPE_CHECKING

from drawdown.printing.opacity import GRADES, WHITE_Y
from drawdown.report.text.terminal import Screen, paint, wrap
from drawdown.wording import figures as words

if TYPE_CHECKING:
    from calibration.flags import Flag
    from drawdown.pipeline.opacity import StripOpacity
    from drawdown.pipeline.read import Judgement
    from drawdown.printing.opacity import Number, Opacity

LIMITS = (
    ", ".join(f"{word} from {limit:.2f}" for limit, word in GRADES[:-1]).capitalize()
    + f", below that {GRADES[-1][1]}: our own limits; no standard gives such words."
)
MEANING = (
    "Contrast ratio: light (Y) over black divided by light over white, brought from this paper "
    f"and this bar to a black of Y 0 and a white of Y {WHITE_Y:.2f}. The numbers in brackets "
    "hold the true value with 95 % probability: card, correction, stray light, film and noise "
    "together."
)


def opacity_screen(seen: Judgement, rows: tuple[StripOpacity, ...], screen: Screen) -> str:
    """The answer of ``drawdown opacity``."""
    read = [row for row in rows if row.opacity is not None]
    lines = [
        paint(f" How far ink covers: {_count(len(read))} in {seen.photo.path}", "1", screen.colour)
    ]
    for row in rows:
        lines += ["", *_strip(row, screen)]
    remarks = remarks_on(seen, rows)
    for hard in (True, False):
        found = [(flag, where) for flag, where in remarks if flag.hard is hard]
        if found:
            title = "Why it cannot be relied on" if hard else "Worth knowing"
            lines += ["", heading(title, screen)]
        for flag, where in found:
            lines += wrap(where + flag.text, screen.columns - 1, " · ", "   ")
    lines += ["", *wrap(f"{MEANING} {LIMITS}", screen.columns - 1, " ")]
    return "\n".join(lines)


def remarks_on(seen: Judgement, rows: tuple[StripOpacity, ...]) -> list[tuple[Flag, str]]:
    """Each flag, and in words which strip it is of ("" for the whole photo)."""
    remarks = [(flag, "") for flag in words.general_flags(seen)]
    for row in rows:
        flags = words.once((*words.strip_flags(row.strip), *row.flags))
        remarks += [(flag, f"Strip {row.number}: ") for flag in flags]
    return remarks


def _count(n: int) -> str:
    return f"{n} strip{'' if n == 1 else 's'}"


def heading(text: str, screen: Screen) -> str:
    return paint(f" {text}", "1;4", True) if screen.colour else f" {text}".upper()


def interval(n: Number, decimals: int, sign: bool = False) -> str:
    """ "0.72 (0.69 to 0.75)", or "1.30 (at least 0.90)" where nothing bounds it above."""
    form = f"{'+' if sign else ''}.{decimals}f"
    if n.high95 is None:
        return f"at least {format(n.low95, form)}"
    ends = f"{format(n.low95, form)} to {format(n.high95, form)}"
    return f"{format(n.value, form)} ({ends})"


def _strip(row: StripOpacity, screen: Screen) -> list[str]:
    title = f"Strip {row.number}"
    if row.opacity is None:
        text = (
            "It crosses no black bar with film before and after it, whose bare ends show beside "
            "the strip: nothing can be said."
        )
        return [heading(title, screen), *wrap(text, screen.columns - 1, " ")]
    o = row.opacity
    lines = [heading(f"{title}: {o.said}", screen)]
    for label, value in facts(o):
        if screen.columns >= 72:
            lines.append(f"   {label:<36}{value}")
        else:
            lines += wrap(f"{label} {value}", screen.columns - 1, "   ", "     ")
    return lines


def added(o: Opacity, decimals: int) -> str:
    """The lightness added over black; none of the base that the others are compared with."""
    n = o.lightness_added
    if o.against_base and n.value == n.low95 == n.high95 == 0:
        return "none: this is the base itself"
    return interval(n, decimals, sign=True)


def facts(o: Opacity) -> list[tuple[str, str]]:
    """Label and value of each number."""
    what = "base alone" if o.against_base else "the bare bar"
    return [
        ("contrast ratio", interval(o.ratio, 3)),
        ("  over this paper and bar", interval(o.ratio_measured, 3)),
        ("Delta E 2000, over black to white", interval(o.ground_de00, 1)),
        ("  over this bar to this paper", interval(o.ground_de00_measured, 1)),
        (f"L* over the bar, less {what}", added(o, 1)),
        ("  L* over a black of Y 0", interval(o.lightness_over_black, 1)),
        ("absorption K X (light, Y)", interval(o.kx, 2)),
        ("scattering S X (light, Y)", interval(o.sx, 2)),
    ]
