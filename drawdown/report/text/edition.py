"""An edition's run as terminal text. Pure: a run in, text out."""

from __future__ import annotations

from calibration.naming import named
from drawdown.book.edition import GO_ON, LOOK, SOON, STOP, Point, Run, advice_of
from drawdown.report.text.book import paragraph, table
from drawdown.report.text.terminal import Screen, paint
from drawdown.wording import figures as words
from drawdown.wording.verdict import differs

SIGNS = {
    "tolerance": "beyond tolerance",
    "unsure": "maybe beyond tolerance",
    "de-limit": "Delta E beyond limit",
    "l-limit": "L* beyond limit",
    "de-run": "run of 8 in Delta E",
    "l-run": "run of 8 in L*",
}
HEAD = ("pull", " Delta E", " 95 %", " L*", "it is", "signs")
# The signs that either chart shows.
OF_DE = ("tolerance", "de-limit", "de-run")
OF_L = ("l-limit", "l-run")
_SHORT = {"tolerance": "out", "unsure": "out?"}
_DO = {
    STOP: "Stop and adjust.",
    SOON: "Adjust soon: it drifts, and is still within tolerance.",
    LOOK: "Look closer: lay this pull beside the first good one, with the card, in one photo "
    "(`beside`), before you go on.",
    GO_ON: "Go on.",
}
ADJUST = (
    "Mostly it is how much ink is on the roller and the slab (common practice, no source): set "
    "that right first and pull again. If that does not bring it back, pull a strip of the ink and "
    "ask drawdown match."
)


def run_screen(run: Run, screen: Screen, only: int | None = None) -> str:
    """The whole run, or one pull of it (``only`` its number)."""
    points = [p for p in run.points if only in (None, p.pull.number)]
    advice, _ = advice_of(points[-1], run.tolerance)
    where = f" at {run.spot}" if run.spot else ""
    title = f" {run.edition}{where}: "
    title += (
        f"pull {points[-1].pull.number}" if only is not None else words.count(len(points), "pull")
    )
    lines = [paint(title, "1", screen.colour), ""]
    lines += table(HEAD, [row(p) for p in points], screen, ("it is", "95 %"))
    if any(p.signs for p in points):
        lines += paragraph(SIGN_WORDS, screen)
    lines += [""]
    style = {STOP: "1;31", SOON: "1;33", LOOK: "1;33", GO_ON: "1;32"}[advice]
    first, *more = told(run, points[-1])
    lines += [paint(line, style, screen.colour) for line in paragraph(first, screen)]
    for text in more:
        lines += paragraph(text, screen)
    if only is None:
        lines += paragraph(look_again(run), screen) if run.earlier else []
        lines += [""]
        for text in notes(run):
            lines += paragraph(text, screen)
    return "\n".join(lines)


def told(run: Run, last: Point) -> list[str]:
    """What to do after the ``last`` pull."""
    advice, why = advice_of(last, run.tolerance)
    said = _DO[advice] + ("" if advice == GO_ON else f" Pull {last.pull.number}: {'; '.join(why)}.")
    return [named(said), *([ADJUST] if advice in (STOP, SOON) else [])]


def look_again(run: Run) -> str:
    """Which pulls gave a sign before; empty for none."""
    if not run.earlier:
        return ""
    return f"Look through these pulls again: {ranges(run.earlier)}."


def notes(run: Run) -> list[str]:
    """What the numbers of a run rest on."""
    found = [_limits_words(run)]
    if any(p.across_photos for p in run.points):
        found.append(named(
            "Pulls photographed apart from the first good one are compared across photos, less "
            "surely: `beside` is better."
        ))  # fmt: skip
    return [*found, "Hold prints of one state together: drying changes every colour."]


SIGN_WORDS = (
    "Signs: out: beyond tolerance; out?: maybe; limit: beyond a control limit; run: eight in a row "
    "on one side of the mean; E in Delta E, L in L*."
)


def _signs(p: Point) -> str:
    """ "out, limit E L, run E": short enough for a table."""
    told = [_SHORT[sign] for sign in p.signs if sign in _SHORT]
    for kind in ("limit", "run"):
        axes = [a for a, name in (("E", "de"), ("L", "l")) if f"{name}-{kind}" in p.signs]
        told += [" ".join([kind, *axes])] if axes else []
    return ", ".join(told)


def ranges(numbers: tuple[int, ...]) -> str:
    """ "3, 15 to 29": numbers in order, three and more in a row as first and last."""
    rows: list[list[int]] = []
    for number in numbers:
        if rows and number == rows[-1][-1] + 1:
            rows[-1].append(number)
        else:
            rows.append([number])
    told = [f"{r[0]} to {r[-1]}" if len(r) > 2 else ", ".join(map(str, r)) for r in rows]
    return ", ".join(told)


def row(p: Point) -> list[str]:
    if p.comparison is None:
        return [str(p.pull.number), "-", "", words.number(p.l, 1), "the first good pull",
                _signs(p)]  # fmt: skip
    return [
        str(p.pull.number),
        words.number(p.de00, 2),
        f"{words.number(p.de00_low95, 1)} to {words.number(p.de00_high95, 1)}",
        words.number(p.l, 1),
        differs(p.comparison),
        _signs(p),
    ]


def _limits_words(run: Run) -> str:
    if run.limits_de is None or run.limits_l is None:
        return (
            f"Tolerance {run.tolerance:g}. Control limits need some more pulls: 6 besides the "
            "first good one."
        )
    e, light = run.limits_de, run.limits_l
    return (
        f"Tolerance {run.tolerance:g}. Control limits (mean and 3 standard deviations from the "
        f"moving range, of the first {light.count} pulls): Delta E up to "
        f"{words.number(e.upper, 2)} (mean {words.number(e.centre, 2)}), L* from "
        f"{words.number(light.lower, 1)} to {words.number(light.upper, 1)} (mean "
        f"{words.number(light.centre, 1)})."
    )
