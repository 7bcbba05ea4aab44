"""How strips cover: what is to be said of it."""

from __future__ import annotations

from calibration.flags import Flag
from drawdown.pipeline.opacity import StripOpacity
from drawdown.pipeline.read import Judgement
from drawdown.printing.opacity import GRADES, WHITE_Y, Number, Opacity
from drawdown.wording import flags as flagging

SURE, LIKELY = 0.95, 0.70  # probability of a grade to say it, and to say "probably"
_LIMITS = (
    ", ".join(f"{word} from {limit:.2f}" for limit, word in GRADES[:-1]).capitalize()
    + f", below that {GRADES[-1][1]}: our own limits; no standard gives such words."
)
MEANING = (
    "Contrast ratio: light (Y) over black divided by light over white, brought from this paper "
    f"and this bar to a black of Y 0 and a white of Y {WHITE_Y:.2f}. The numbers in brackets "
    "hold the true value with 95 % probability: card, correction, stray light, film and noise "
    f"together. {_LIMITS}"
)


def grade(o: Opacity) -> str:
    """What may be said of how it covers: a grade where it is sure of one."""
    likely = o.grade_p[o.grade]
    if likely >= SURE:
        return o.grade
    if likely >= LIKELY:
        return f"probably {o.grade}"
    some = [word for word, p in o.grade_p.items() if p >= 0.05]  # from transparent to opaque
    return f"cannot tell: {some[0]} {'or' if len(some) == 2 else 'to'} {some[-1]}"


def remarks_on(seen: Judgement, rows: tuple[StripOpacity, ...]) -> list[tuple[Flag, str]]:
    """Each flag, and in words which strip it is of ("" for the whole photo)."""
    covering = {row.number: row.flags for row in rows}
    return flagging.remarks_on(
        seen, lambda s: flagging.once((*flagging.strip_flags(s), *covering[s.number]))
    )


def interval(n: Number, decimals: int, sign: bool = False) -> str:
    """ "0.72 (0.69 to 0.75)", or "1.30 (at least 0.90)" where nothing bounds it above."""
    form = f"{'+' if sign else ''}.{decimals}f"
    if n.high95 is None:
        return f"at least {format(n.low95, form)}"
    ends = f"{format(n.low95, form)} to {format(n.high95, form)}"
    return f"{format(n.value, form)} ({ends})"


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
        (f"L* over the bar, minus {what}", added(o, 1)),
        ("  L* over a black of Y 0", interval(o.lightness_over_black, 1)),
        ("absorption K X (light, Y)", interval(o.kx, 2)),
        ("scattering S X (light, Y)", interval(o.sx, 2)),
    ]
