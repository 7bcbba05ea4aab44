"""The answer as terminal text: what fits a phone held at arm's length, and with ``full`` the rest.

Everything here is a pure function of a judgement and a ``Screen``; nothing is printed.
"""

from __future__ import annotations

from calibration.errors import sentence
from calibration.signs import visible
from drawdown.matching.advise import Advice
from drawdown.matching.compare import Comparison
from drawdown.pipeline.read import Judgement
from drawdown.pipeline.rough import RoughLook
from drawdown.reading.colour import Colour, StripReading
from drawdown.reading.instrument import InstrumentReading
from drawdown.report.text.lines import Lines
from drawdown.report.text.terminal import Screen, banner, paint, swatch_rgb
from drawdown.wording import advice as advising
from drawdown.wording import verdict as wording
from drawdown.wording.cautions import CAUTIONS, brief, pigment_cautions
from drawdown.wording.difference import film_sentences
from drawdown.wording.doubts import doubt, how_known, other_way_round, well_known
from drawdown.wording.figures import count, evenness, lab_parts, munsell, number, parts
from drawdown.wording.flags import compared, meaning, remarks, strip_flags


def match_screen(judgement: Judgement | RoughLook, screen: Screen) -> str:
    """The answer of ``drawdown match``."""
    if isinstance(judgement, RoughLook):
        return _rough_screen(judgement, screen)
    lines = Lines(screen, margin=1, readings=judgement.table is not None)
    head, c, advice = wording.headline(judgement), judgement.comparison, judgement.advice
    lines += banner(head.symbol, head.lines, head.ansi, screen)
    lines.say(wording.in_a_sentence(judgement))
    judged = c is not None and c.verdict is not None
    if c is not None and judged:
        _distance(lines, c)
        _pair(lines, judgement)
        if not screen.truecolour:
            lines.add()
        lines.say(wording.other_lamps(judgement, full=screen.full))
    else:
        lines.points(remarks(judgement, hard=True, brief=not screen.full), "1")
    for number_, text in enumerate(advising.action(judgement)):
        lines.say(text, style="1" if number_ == 0 else "")
    if judged and not screen.full:  # there all are listed
        lines.say(doubt(judgement))
    if advice is not None and advice.additions:
        lines.say(brief(pigment_cautions(advice)))
    if screen.full:
        lines.say(other_way_round(judgement))
        _details(lines, judgement)
    else:
        lines.hint(other_way_round(judgement))
    return str(lines)


def _rough_screen(look: RoughLook, screen: Screen) -> str:
    lines, head, c = Lines(screen, margin=1), wording.headline(look), look.comparison
    lines.say(wording.ROUGH, style="1")
    lines += banner(head.symbol, head.lines, head.ansi, screen)
    lines.say(wording.in_a_sentence(look))
    if c.verdict is None:
        lines.points([flag.text for flag in look.flags if flag.hard], "1")
    else:
        _distance(lines, c)
        if screen.truecolour:
            half = min(36, (screen.columns - 2) // 2)
            both = zip(look.strips, ("original", "batch"), strict=True)
            lines.append(" " + "".join(_block(strip, half, "", name) for strip, name in both))
        lines.say(wording.rough_action(look), style="1")
    lines.say(wording.ROUGH_LIMITS)
    if screen.full:
        if c.verdict is not None:
            lines.say(wording.along_lch(c))
        lines.section("Worth knowing", [flag.text for flag in look.flags if not flag.hard])
    else:
        lines.hint()
    return str(lines)


def read_screen(judgement: Judgement, screen: Screen) -> str:
    """The answer of ``drawdown read``: every strip."""
    strips, lines = judgement.strips, Lines(screen, margin=1)
    found = count(len(strips), "strip") if strips else "No strip"
    lines.add(f" {found} in {judgement.path}", "1")
    shown = screen.full or all(well_known(judgement, strip) for strip in strips)
    table = _table(judgement, shown) if screen.columns >= 76 else None
    for index, strip in enumerate(strips):
        if table is not None:
            if index == 0:
                lines += ["", " " + table[0]]
            mark = "×" if _stopped(strip) else " "
            lines.append(_beside_swatch(mark + table[index + 1], strip, screen))
        else:
            lines.add()
            lines.heading(f"Strip {strip.number}{' ×' if _stopped(strip) else ''}")
            if screen.truecolour:
                lines.append(_block(strip, screen.columns - 2))
            rows = _reading(strip) if shown else [f"uneven {evenness(strip)}"]
            last = f"size {_size(strip)} mm" if judgement.table is None else _size(strip)
            lines += [f" {row}" for row in (*rows, last)]
    if not shown:
        lines.say(how_known(judgement))
    if any(map(_stopped, strips)):
        lines.say(f"×: {wording.NOT_TO_BE_USED}")
    hard, soft = (remarks(judgement, hard=kind) for kind in (True, False))
    lines.section("Why it can't be judged", hard, "1")
    if screen.full:
        lines.section("Worth knowing", soft)
        lines.add()
        lines.say(meaning(judgement).split(" What ")[0], style="2")
    else:
        lines.say(doubt(judgement))
        lines.hint()
    return str(lines)


# Parts of the match screen ---------------------------------------------------------------


def _distance(lines: Lines, c: Comparison) -> None:
    facts = wording.distance(c)
    together = " " + "   ".join(facts)
    for row in [together] if len(together) <= lines.columns else [f" {fact}" for fact in facts]:
        lines.add(row, "1")


def _pair(lines: Lines, judgement: Judgement) -> None:
    """Both colours, edge to edge where the terminal shows them exactly, with what is known of
    each."""
    screen, pair = lines.screen, compared(judgement)
    half = min(36, (screen.columns - 2) // 2)
    shown = screen.full or all(well_known(judgement, strip) for _, strip in pair)
    rows = [[name, *(_reading(strip, screen.full) if shown else ())] for name, strip in pair]
    if len(pair) < 2 or max(map(len, rows[0])) >= half:
        for (_, strip), column in zip(pair, rows, strict=True):
            lines += [_block(strip, screen.columns - 2)] * screen.truecolour
            lines += [f" {row}" for row in column]
    else:
        if screen.truecolour:  # the names stand on their colours
            for names in (("", ""), tuple(row.pop(0) for row in rows)):
                both = zip(pair, names, strict=True)
                lines.append(" " + "".join(_block(s, half, "", name) for (_, s), name in both))
        lines += [f" {a:<{half}}{b}".rstrip() for a, b in zip(*rows, strict=True)]
    if not shown:
        lines.say(how_known(judgement))


def _details(lines: Lines, judgement: Judgement) -> None:
    """All that the short answer leaves out."""
    c, advice = judgement.comparison, judgement.advice
    if c is not None and c.verdict is not None:
        lines.add()
        lines.say(wording.chance(c))
        lines.say(wording.along_lch(c))
        for text in film_sentences(c)[int(c.film_first) :]:
            lines.say(text)
    elif c is not None:
        lines.add()
        _pair(lines, judgement)
        lines.say(wording.NOT_TO_BE_USED)
    if advice is not None and advice.additions:
        _advice(lines, advice, advising.wait_for(judgement))
    elif advice is not None:
        lines.say(advising.note(advice))
    lines.section("Worth knowing", remarks(judgement, hard=False))
    lines.add()
    lines.say(meaning(judgement), style="2")
    if advice is not None and advice.additions:
        lines.add()
        lines.say(f"Caution: {' '.join((*pigment_cautions(advice), *CAUTIONS))}")


def _advice(lines: Lines, advice: Advice, wait: str) -> None:
    lines.add()
    lines.heading("What to add")
    lines.say(wait, style="1")
    weights = dict(advice.grams or ())
    longest = max(len(ink) for ink, _ in advice.additions)
    for ink, amount in advice.additions:
        weighed = f"{advising.weight(advice, ink, weights[ink])}   " if ink in weights else ""
        row = f"{weighed}{parts(amount)} parts per 100"
        if longest + len(row) + 5 > lines.screen.columns:
            lines += [f"   {ink}", f"      {row}"]
        else:
            lines.add(f"   {ink:<{longest}}  {row}")
    lines.say(advising.all_of_it(advice))
    lines.say(advising.note(advice))
    if advice.mix_inferred:
        lines.say(sentence(advising.guessed_mix(advice)))


def _reading(colour: Colour, full: bool = True) -> list[str]:
    """A colour with its uncertainty: a line, or one for each number."""
    if not full:
        lab = " ".join(text.replace(" ", "") for text in lab_parts(colour))
        return [f"L*a*b* {lab}"]
    even = evenness(colour)
    rows = (text.partition(" ") for text in lab_parts(colour))
    return [
        *(
            f"{axis}*  {value:>6} {rest}"
            for axis, (value, _, rest) in zip("Lab", rows, strict=True)
        ),
        f"value {munsell(colour)}",
        f"evenness {even}" + (" Delta E" if even[0].isdigit() else ""),
    ]


# Parts of the read screen ----------------------------------------------------------------


def _table(judgement: Judgement, colours: bool) -> list[str]:
    last = "size mm" if judgement.table is None else "name"
    head = ["strip", *(["L*", "a*", "b*", "value"] if colours else []), "uneven", last]
    rows = [head]
    for strip in judgement.strips:
        known = [*lab_parts(strip), munsell(strip).replace(" ", "")] if colours else []
        even = evenness(strip).replace(" ", "")
        rows.append([str(strip.number), *known, even, _size(strip)])
    widths = [max(len(row[i]) for row in rows) for i in range(len(head))]
    return ["  ".join(cell.rjust(w) for cell, w in zip(row, widths, strict=True)) for row in rows]


def _stopped(strip: StripReading) -> bool:
    return any(flag.hard for flag in strip_flags(strip))


def _beside_swatch(line: str, strip: StripReading, screen: Screen) -> str:
    return f"{line}  {_block(strip, 6, indent='')}" if screen.truecolour else line


def _size(strip: StripReading | InstrumentReading) -> str:
    """Of a strip in a photo; what it is called in a table."""
    if isinstance(strip, InstrumentReading):
        return visible(strip.name)
    return f"{number(strip.strip.width_mm, 0)} x {number(strip.strip.length_mm, 0)}"


def _block(strip: Colour, cells: int, indent: str = " ", text: str = "") -> str:
    """A bar of the strip's colour (24-bit background), a text on it in black or white."""
    red, green, blue = swatch_rgb(strip.lab_d50)
    ink = "30" if strip.lab_d50[0] > 55 else "97"
    return indent + paint(f"{text:<{cells}}", f"{ink};48;2;{red};{green};{blue}", True)
