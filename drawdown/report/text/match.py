"""The answer as terminal text: verdict first, caveats after, safety last.

Everything here is a pure function of a judgement and a ``Screen``; nothing is printed.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from drawdown.report.text.terminal import Screen, banner, paint, swatch, swatch_rgb, wrap
from drawdown.wording import advice as advising
from drawdown.wording import verdict as wording
from drawdown.wording.cautions import CAUTIONS, pigment_cautions
from drawdown.wording.figures import UNCERTAINTY, evenness, lab_parts, munsell, number, parts
from drawdown.wording.film import film_sentences
from drawdown.wording.flags import compared, remarks, strip_flags

if TYPE_CHECKING:
    from drawdown.matching.advise import Advice
    from drawdown.matching.compare import Comparison
    from drawdown.pipeline.read import Judgement
    from drawdown.reading.colour import Colour, StripReading

_SWATCH_LINES = 4
_SIDE_BY_SIDE = 56  # columns that two readings beside each other need


def match_screen(judgement: Judgement, screen: Screen) -> str:
    """The answer of ``drawdown match``."""
    head = wording.headline(judgement)
    comparison, advice = judgement.comparison, judgement.advice
    lines = banner(head.symbol, head.lines, head.ansi, screen)
    lines += ["", *_wrapped(head.sentence, screen)]
    lines += _wrapped(wording.to_settle(comparison), screen)
    lines += _remarks(judgement, screen, hard=True)
    if comparison is not None:
        if comparison.verdict is not None:
            lines += ["", *_distance(comparison, screen)]
        lines += ["", *_pair(judgement, screen)]
        if comparison.verdict is None:
            lines += _wrapped(wording.NOT_TO_BE_USED, screen)
    if advice is not None:
        lines += ["", *_advice(advice, screen, advising.wait_for(judgement))]
    lines += _remarks(judgement, screen, hard=False)
    lines += ["", *_wrapped(UNCERTAINTY, screen, style="2")]
    if advice is not None and advice.additions:
        lines += ["", *_wrapped(f"Caution: {' '.join(CAUTIONS)}", screen)]
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
        lines += _wrapped(f"×: {wording.NOT_TO_BE_USED}", screen)
    lines += _remarks(judgement, screen, hard=True)
    lines += _remarks(judgement, screen, hard=False)
    lines += ["", *_wrapped(UNCERTAINTY.split(" What both")[0], screen, style="2")]
    return "\n".join(lines)


# Parts of the match screen ---------------------------------------------------------------


def _distance(c: Comparison, screen: Screen) -> list[str]:
    facts = [
        f"Delta E 2000  {number(c.de00, 2)}",
        f"95 % interval {wording.interval(c)}",
        f"tolerance {number(c.tolerance)}",
    ]
    together = " " + "   ".join(facts)
    rows = [together] if len(together) <= screen.columns else [f" {fact}" for fact in facts]
    lines = [paint(row, "1", screen.colour) for row in rows]
    lines += _wrapped(wording.chance(c), screen)
    lines += _wrapped(f"How the batch differs: {wording.differs(c)}.", screen)
    lines += _wrapped(wording.along_lch(c), screen)
    said = film_sentences(c)
    if c.film_first and said:
        lines += ["", *_wrapped(said[0], screen, style="1")]
        said = said[1:]
    for sentence in said:
        lines += _wrapped(sentence, screen)
    return lines


def _pair(judgement: Judgement, screen: Screen) -> list[str]:
    pair = compared(judgement)
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


def _reading(colour: Colour) -> list[str]:
    even = evenness(colour)
    return [
        *_lab_rows(colour),
        f"Munsell value {munsell(colour)}",
        f"evenness {even}" + (" Delta E" if even[0].isdigit() else ""),
    ]


def _lab_rows(colour: Colour) -> list[str]:
    rows = (text.partition(" ") for text in lab_parts(colour))
    return [
        f"{axis}*  {value:>6} {rest}" for axis, (value, _, rest) in zip("Lab", rows, strict=True)
    ]


def _advice(advice: Advice, screen: Screen, wait: str = "") -> list[str]:
    note = advising.note(advice)
    if not advice.additions:
        return _wrapped(note, screen)
    lines = [_title("What to add", screen)]
    lines += _wrapped(wait, screen, style="1")
    for caution in pigment_cautions(advice):
        lines += _wrapped(f"Caution: {caution}", screen)
    if advice.portion < 1:
        lines += _wrapped(advising.take_out(advice), screen)
    lines += _amounts(advice, screen)
    lines += _wrapped(advising.first_step(advice), screen, style="1")
    lines += _wrapped(advising.LOOK_AGAIN, screen)
    lines += _wrapped(advising.all_of_it(advice), screen)
    lines += _wrapped(note, screen)
    if advice.mix_inferred:
        lines += _wrapped(advising.guessed_mix(advice), screen)
    return lines


def _amounts(advice: Advice, screen: Screen) -> list[str]:
    """One line for each ink to add: name, parts per 100, grams where known."""
    weights = dict(advice.grams or ())
    longest = max(len(ink) for ink, _ in advice.additions)
    lines = []
    for ink, amount in advice.additions:
        end = f"   {advising.weight(advice, ink, weights[ink])}" if ink in weights else ""
        tail = f"{parts(amount):>5} parts per 100{end}"
        line = f"   {ink:<{longest}}  {tail}"
        if len(line) > screen.columns:
            lines += [f"   {ink}", f"      {tail.strip()}"]
        else:
            lines.append(line)
    return lines


def _remarks(judgement: Judgement, screen: Screen, *, hard: bool) -> list[str]:
    """The flags under a heading: those that stop the verdict, or the others."""
    found = remarks(judgement, hard=hard)
    if not found:
        return []
    lines = ["", _title("Why it cannot be judged" if hard else "Worth knowing", screen)]
    for text in found:
        for line in wrap(text, screen.columns - 1, " · ", "   "):
            lines.append(paint(line, "1", screen.colour and hard))
    return lines


# Parts of the read screen ----------------------------------------------------------------


def _table(judgement: Judgement) -> list[str]:
    head = ["strip", "L*", "a*", "b*", "Munsell", "uneven", "size mm"]
    rows = [head]
    for strip in judgement.strips:
        lab = lab_parts(strip)
        rest = [text.replace(" ", "") for text in (munsell(strip), evenness(strip))]
        rows.append([str(strip.number), *lab, *rest, _size(strip)])
    widths = [max(len(row[i]) for row in rows) for i in range(len(head))]
    return ["  ".join(cell.rjust(w) for cell, w in zip(row, widths, strict=True)) for row in rows]


def _stopped(strip: StripReading) -> bool:
    return any(flag.hard for flag in strip_flags(strip))


def _beside_swatch(line: str, strip: StripReading, screen: Screen) -> str:
    return f"{line}  {_block(strip, 6, indent='')}" if screen.truecolour else line


def _strip_block(strip: StripReading, screen: Screen) -> list[str]:
    mark = " ×" if _stopped(strip) else ""
    lines = [_title(f"Strip {strip.number}{mark}", screen)]
    if screen.truecolour:
        lines.append(_block(strip, screen.columns - 2))
    return lines + [f" {line}" for line in (*_reading(strip), f"size {_size(strip)} mm")]


def _size(strip: StripReading) -> str:
    return f"{number(strip.strip.width_mm, 0)} x {number(strip.strip.length_mm, 0)}"


# Small helpers ---------------------------------------------------------------------------


def _wrapped(text: str, screen: Screen, style: str = "") -> list[str]:
    lines = wrap(text, screen.columns - 1, " ") if text else []
    return [paint(line, style, screen.colour and bool(style)) for line in lines]


def _title(text: str, screen: Screen) -> str:
    if screen.colour:
        return paint(f" {text}", "1;4", True)
    return f" {text}".upper()


def _block(strip: Colour, cells: int, indent: str = " ") -> str:
    """A bar of the strip's colour (24-bit background)."""
    return indent + swatch(swatch_rgb(strip.lab_d50), cells)
