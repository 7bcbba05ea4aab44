"""The answer as terminal text: verdict first, caveats after, safety last.

Everything here is a pure function of a judgement and a ``Screen``; nothing is printed.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from calibration.flags import Flag
from drawdown.report.text.terminal import Screen, banner, paint, swatch_rgb, wrap
from drawdown.wording import figures as words
from drawdown.wording.cautions import CAUTIONS
from drawdown.wording.film import film_first, film_sentences

if TYPE_CHECKING:
    from drawdown.matching.advise import Advice
    from drawdown.matching.compare import Comparison
    from drawdown.pipeline.read import Judgement
    from drawdown.reading.colour import StripReading

_SWATCH_LINES = 4
_SIDE_BY_SIDE = 56  # columns that two readings beside each other need


def match_screen(judgement: Judgement, screen: Screen) -> str:
    """The answer of ``drawdown match``."""
    head = words.headline(judgement)
    lines = banner(head.symbol, head.lines, head.ansi, screen)
    lines += ["", *_wrapped(head.sentence, screen)]
    comparison = judgement.comparison
    if comparison is not None and comparison.settle:
        lines += _wrapped(f"To settle it: {words.sentence(comparison.settle)}", screen)
    lines += _remarks(judgement, screen, hard=True)
    if comparison is not None:
        if comparison.verdict is not None:
            lines += ["", *_distance(comparison, screen, words.compared(judgement))]
        lines += ["", *_pair(judgement, screen)]
        if comparison.verdict is None:
            lines += _wrapped(words.NOT_TO_BE_USED, screen)
    if judgement.advice is not None:
        lines += ["", *_advice(judgement.advice, screen, words.wait_for(judgement))]
    lines += _remarks(judgement, screen, hard=False)
    lines += ["", *_wrapped(words.UNCERTAINTY, screen, style="2")]
    if judgement.advice is not None and judgement.advice.caution:
        lines += [
            "",
            *_wrapped("Caution: " + " ".join(judgement.advice.caution[: len(CAUTIONS)]), screen),
        ]
    return "\n".join(lines)


def read_screen(judgement: Judgement, screen: Screen) -> str:
    """The answer of ``drawdown read``: every strip."""
    strips = judgement.strips
    count = f"{len(strips)} strip{'' if len(strips) == 1 else 's'}" if strips else "No strip"
    lines = [paint(f" {count} in {judgement.photo.path}", "1", screen.colour)]
    table = _table(judgement) if screen.columns >= 76 else None
    for index, strip in enumerate(strips):
        if table is not None:
            if index == 0:
                lines += ["", " " + table[0]]
            mark = "×" if _stopped(strip) else " "
            lines.append(_beside_swatch(mark + table[index + 1], strip, screen))
        else:
            lines += ["", *_strip_block(strip, screen)]
    if any(map(_stopped, strips)):
        lines += _wrapped(f"×: {words.NOT_TO_BE_USED}", screen)
    lines += _remarks(judgement, screen, hard=True)
    lines += _remarks(judgement, screen, hard=False)
    lines += ["", *_wrapped(words.UNCERTAINTY.split(" What both")[0], screen, style="2")]
    return "\n".join(lines)


# Parts of the match screen ---------------------------------------------------------------


def _distance(
    c: Comparison, screen: Screen, pair: tuple[tuple[str, StripReading], ...] = ()
) -> list[str]:
    facts = [
        f"Delta E 2000  {words.number(c.de00, 2)}",
        f"95 % interval {words.number(c.de00_low95, 2)} to {words.number(c.de00_high95, 2)}",
        f"tolerance {words.number(c.tolerance, 1)}",
    ]
    together = " " + "   ".join(facts)
    rows = [together] if len(together) <= screen.columns else [f" {fact}" for fact in facts]
    lines = [paint(row, "1", screen.colour) for row in rows]
    if c.p_within is not None:
        lines += _wrapped(
            f"Chance that it is within tolerance: {words.percent(c.p_within)}.", screen
        )
    if c.words:
        lines += _wrapped(f"How the batch differs: {c.words.rstrip('.')}.", screen)
    lines += _wrapped(
        f"{_parts_of(c, pair)} (batch less original).",
        screen,
    )
    said = film_sentences(c)
    first = film_first(c)
    for number, sentence in enumerate(said):
        lines += [""] if first and number == 0 else []
        lines += _wrapped(sentence, screen, style="1" if first and number == 0 else "")
    return lines


def _parts_of(c: Comparison, pair: tuple[tuple[str, StripReading], ...]) -> str:
    """Lightness, chroma and hue of the difference, each with its 95 % half width."""
    from drawdown.reading.budget import difference_u95

    labs = [strip.lab_d50 for _, strip in pair]
    u95 = difference_u95(*labs, c.d_lab_cov) if len(pair) == 2 else None
    said = []
    for name, key in (("Lightness", "dL"), ("chroma", "dC"), ("hue", "dH")):
        half = "" if u95 is None else f" ± {words.number(getattr(u95, key), 1)}"
        said.append(f"{name} {signed(getattr(c, key))}{half}")
    return ", ".join(said)


def _pair(judgement: Judgement, screen: Screen) -> list[str]:
    pair = words.compared(judgement)
    columns = [[name, *_reading(strip)] for name, strip in pair]
    if screen.columns < _SIDE_BY_SIDE or len(columns) < 2:
        lines = []
        for (_, strip), column in zip(pair, columns, strict=True):
            lines += [_block(strip, screen.columns - 2)] * 2 if screen.truecolour else []
            lines += [f" {line}" for line in column]
        return lines
    half = min(36, (screen.columns - 2) // 2)
    lines = []
    if screen.truecolour:
        row = " " + "".join(_block(strip, half, indent="") for _, strip in pair)
        lines += [row] * _SWATCH_LINES
    lines += [f" {a:<{half}}{b}".rstrip() for a, b in zip(*columns, strict=True)]
    return lines


def _reading(strip: StripReading) -> list[str]:
    rows = [
        f"{axis}*  {words.number(value, 1):>6} ± {words.number(half_width, 1)}"
        for axis, value, half_width in zip("Lab", strip.lab_d50, strip.lab_u95, strict=True)
    ]
    even = words.evenness(strip)
    return [
        *rows,
        f"Munsell value {words.munsell(strip)}",
        f"evenness {even}" + (" Delta E" if even[0].isdigit() else ""),
    ]


def _advice(advice: Advice, screen: Screen, wait: str = "") -> list[str]:
    if not advice.additions:
        return _wrapped(words.sentence(advice.note), screen) if advice.note else []
    lines = [_title("What to add", screen)]
    if wait:
        lines += _wrapped(wait, screen, style="1")
    general = len(CAUTIONS)
    for caution in advice.caution[general:]:  # those of the very pigments that are advised
        lines += _wrapped(f"Caution: {caution}", screen)
    if advice.portion < 1:
        lines += _wrapped(words.take_out(advice), screen)
    lines += _amounts(advice, screen)
    lines += _wrapped(f"First {words.first_step(advice)}", screen, style="1")
    lines += _wrapped(words.LOOK_AGAIN, screen)
    lines += _wrapped(
        f"All of it should bring the batch to {lab_text(advice.predicted_lab_d50)}, Delta E "
        f"{words.number(advice.predicted_de00, 1)} from the original (95 % below "
        f"{words.number(advice.predicted_de00_high95, 1)}).",
        screen,
    )
    if advice.note:
        lines += _wrapped(words.sentence(advice.note), screen)
    if advice.mix_inferred:
        ratio = ", ".join(f"{ink} {words.parts(x)}" for ink, x in advice.mix_used.items())
        lines += _wrapped(
            f"The batch's own mix was guessed from its colour: {ratio} (parts per 100). Give it "
            "with --mix for better advice.",
            screen,
        )
    return lines


def _amounts(advice: Advice, screen: Screen) -> list[str]:
    """One line for each ink to add: name, parts per 100, grams where known."""
    weights = dict(advice.grams or ())
    longest = max(len(ink) for ink, _ in advice.additions)
    lines = []
    for ink, amount in advice.additions:
        end = f"   {words.weight(advice, ink, weights[ink])}" if ink in weights else ""
        tail = f"{words.parts(amount):>5} parts per 100{end}"
        line = f"   {ink:<{longest}}  {tail}"
        if len(line) > screen.columns:
            lines += [f"   {ink}", f"      {tail.strip()}"]
        else:
            lines.append(line)
    return lines


def _remarks(judgement: Judgement, screen: Screen, *, hard: bool) -> list[str]:
    """The flags under a heading: those that stop the verdict, or the others."""
    found = [(flag, "") for flag in words.general_flags(judgement)]
    for strip in words.concerned(judgement):
        found += [(flag, f"Strip {strip.strip.number}: ") for flag in words.strip_flags(strip)]
    found = [(flag, where) for flag, where in found if flag.hard is hard]
    if not found:
        return []
    lines = ["", _title("Why it cannot be judged" if hard else "Worth knowing", screen)]
    for flag, where in found:
        lines += _remark(flag, where, screen)
    return lines


def _remark(flag: Flag, where: str, screen: Screen) -> list[str]:
    lines = wrap(where + flag.text, screen.columns - 1, " · ", "   ")
    return [paint(line, "1", screen.colour and flag.hard) for line in lines]


# Parts of the read screen ----------------------------------------------------------------


def _table(judgement: Judgement) -> list[str]:
    head = ["strip", "L*", "a*", "b*", "Munsell", "uneven", "size mm"]
    rows = [head]
    for strip in judgement.strips:
        colour = [
            f"{words.number(value, 1)} ± {words.number(half_width, 1)}"
            for value, half_width in zip(strip.lab_d50, strip.lab_u95, strict=True)
        ]
        rows.append(
            [
                str(strip.strip.number),
                *colour,
                words.munsell(strip).replace(" ", ""),
                words.evenness(strip).replace(" ", ""),
                _size(strip),
            ]
        )
    widths = [max(len(row[i]) for row in rows) for i in range(len(head))]
    return ["  ".join(cell.rjust(w) for cell, w in zip(row, widths, strict=True)) for row in rows]


def _stopped(strip: StripReading) -> bool:
    return any(flag.hard for flag in words.strip_flags(strip))


def _beside_swatch(line: str, strip: StripReading, screen: Screen) -> str:
    return f"{line}  {_block(strip, 6, indent='')}" if screen.truecolour else line


def _strip_block(strip: StripReading, screen: Screen) -> list[str]:
    mark = " ×" if _stopped(strip) else ""
    lines = [_title(f"Strip {strip.strip.number}{mark}", screen)]
    if screen.truecolour:
        lines.append(_block(strip, screen.columns - 2))
    return lines + [f" {line}" for line in (*_reading(strip), f"size {_size(strip)} mm")]


def _size(strip: StripReading) -> str:
    return f"{words.number(strip.strip.width_mm, 0)} x {words.number(strip.strip.length_mm, 0)}"


# Small helpers ---------------------------------------------------------------------------


def lab_text(lab_d50) -> str:  # (3,) floats
    """A colour in one line."""
    return ", ".join(f"{a}* {words.number(v, 1)}" for a, v in zip("Lab", lab_d50, strict=True))


def signed(value: float) -> str:
    """A difference with its sign."""
    text = words.number(value, 1)
    return text if text.startswith("-") or float(text) == 0 else f"+{text}"


def _wrapped(text: str, screen: Screen, style: str = "") -> list[str]:
    lines = wrap(text, screen.columns - 1, " ")
    return [paint(line, style, screen.colour and bool(style)) for line in lines]


def _title(text: str, screen: Screen) -> str:
    if screen.colour:
        return paint(f" {text}", "1;4", True)
    return f" {text}".upper()


def _block(strip: StripReading, cells: int, indent: str = " ") -> str:
    """A bar of the strip's colour (24-bit background)."""
    red, green, blue = swatch_rgb(strip.lab_d50)
    return f"{indent}\x1b[48;2;{red};{green};{blue}m{' ' * cells}\x1b[0m"
