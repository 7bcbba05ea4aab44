"""``drawdown book find``: the kept original or packet nearest to a strip."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from calibration.errors import WrongUsage
from drawdown.commands.book import options as opt
from drawdown.commands.support import options as shared
from drawdown.defaults import TOLERANCE_DE00

if TYPE_CHECKING:
    from drawdown.book.readings import Found
    from drawdown.pipeline.read import Judgement
    from drawdown.reading.colour import StripReading
    from drawdown.report.text.terminal import Screen

MOST_SHOWN = 50


def find(
    photo: Annotated[Path, typer.Argument(metavar="PHOTO", help="Photo of the strip and card.")],
    strip_number: shared.StripNumber = 1,
    originals: Annotated[
        bool, typer.Option("--originals", help="Among the kept originals alone.")
    ] = False,
    packets: Annotated[bool, typer.Option("--packets", help="Among the packets alone.")] = False,
    most: Annotated[int, typer.Option(metavar="N", help="How many to show.")] = 5,
    tolerance: Annotated[
        float, typer.Option(metavar="T", help="Largest Delta E 2000 that counts as the same.")
    ] = TOLERANCE_DE00,
    card: shared.CardFile = None,
    card_corners: shared.CardCorners = None,
    book: opt.BookFolder = None,
    json: shared.AsJson = False,
) -> int:
    """Find the kept original and the packet nearest to a strip, with Delta E."""
    shared.check_tolerance(tolerance)
    if not 1 <= most <= MOST_SHOWN:
        raise WrongUsage(
            f"--most is {most}, and must be from 1 to {MOST_SHOWN}",
            "each one shown is compared with care",
            "give a smaller number",
        )
    both = originals == packets
    kinds = ("original", "packet") if both else ("original",) if originals else ("packet",)
    from drawdown.book import open_book
    from drawdown.report.json.book import dump_book, original_names
    from drawdown.report.text import terminal

    with open_book(opt.folder_of(book)) as opened:  # told before the measuring, not after
        from drawdown.book.readings import look_up, nearest
        from drawdown.commands.book.options import read_strip

        seen, colour = read_strip(photo, strip_number, card, card_corners, keep=False)
        found = look_up(
            opened,
            nearest(opened, colour.lab_d50, most, kinds),
            colour,
            nominal=seen.correction.nominal,
            shaded=seen.correction.shaded,
            tolerance=tolerance,
        )
        names = original_names(opened)
        if json:
            rows = [_data(one, names) for one in found]
            data: dict[str, Any] = {
                "photo": str(photo),
                "strip_number": strip_number,
                "lab_d50": [round(float(v), 2) for v in colour.lab_d50],
                "lab_u95": [round(float(v), 2) for v in colour.lab_u95],
                "tolerance": tolerance,
                "found": rows,
                "use_first": next((row["name"] for row in rows if row["use_first"]), None),
            }
            terminal.write_result(dump_book("find", data))
            return 0
    screen = terminal.screen(sys.stdout)
    terminal.write_result(find_screen(found, seen, colour, names, tolerance, screen))
    return 0


def usable(one: Found) -> bool:
    """A packet with ink in it that may do: it reads within twice the tolerance, and the
    photos do not rule it out. Two photos seldom say more than that."""
    c = one.comparison
    return (
        one.packet is not None
        and one.near.de00 <= 2 * c.tolerance
        and c.verdict in ("match", "too close to call")
    )


def _data(one: Found, names: dict[int, str]) -> dict[str, Any]:
    from drawdown.report.json.book import original_data, packet_data

    c = one.comparison
    what = one.original or one.packet
    assert what is not None
    return {
        "kind": one.near.kind,
        "name": what.name,
        "de00": round(one.near.de00, 3),
        "de00_best": round(c.de00, 3),
        "de00_low95": round(c.de00_low95, 3),
        "de00_high95": round(c.de00_high95, 3),
        "p_within": round(c.p_within, 4),
        "verdict": c.verdict,
        "words": c.words,
        "use_first": usable(one),
        "original": original_data(one.original) if one.original else None,
        "packet": packet_data(one.packet, names) if one.packet else None,
    }


def _name(one: Found) -> str:
    what = one.original or one.packet
    assert what is not None
    return what.name


def _more(one: Found) -> str:
    """How the strip differs from it, and what it is or what is left of it."""
    from drawdown.report.text.book import mix_words
    from drawdown.wording.weights import noted_grams

    parts = [f"the strip: {one.comparison.words}"]
    if one.packet is not None:
        p = one.packet
        place = f", {p.place}" if p.place else ""
        parts.append(f"{noted_grams(p.grams)} of {p.date}{place}")
        parts += [] if p.own_reading else ["colour of its original"]
    elif one.original is not None and one.original.recipe is not None:
        parts.append(mix_words(one.original.recipe.mix))
    return "; ".join(parts)


def find_screen(
    found: tuple[Found, ...],
    seen: Judgement,
    colour: StripReading,
    names: dict[int, str],
    tolerance: float,
    screen: Screen,
) -> str:
    """The nearest first; a packet that may do is named above all."""
    from drawdown.report.text.book import paragraph, swatch, table
    from drawdown.report.text.terminal import paint
    from drawdown.wording import figures as words
    from drawdown.wording.weights import noted_grams

    number = colour.strip.number
    seen_as = ", ".join(
        f"{axis}* {words.number(v, 1)} ± {words.number(u, 1)}"
        for axis, v, u in zip("Lab", colour.lab_d50, colour.lab_u95, strict=True)
    )
    lines = [paint(f" Strip {number}: {seen_as}", "1", screen.colour)]
    lines += swatch(colour.lab_d50, screen)
    if not found:
        return "\n".join([*lines, "", *paragraph("The book holds no colour to compare.", screen)])
    first = next((one for one in found if usable(one)), None)
    if first is not None and first.packet is not None:
        p, c = first.packet, first.comparison
        place = f", {p.place}" if p.place else ""
        chance = "" if c.verdict == "match" else " It is too close to call: try it on paper first."
        lines += ["", *(
            paint(line, "1", screen.colour)
            for line in paragraph(
                f'Use this up first: packet "{p.name}", {noted_grams(p.grams)} of {p.date}{place}; '
                f"Delta E {words.number(first.near.de00, 1)} ({words.number(c.de00_low95, 1)} to "
                f"{words.number(c.de00_high95, 1)}).{chance}",
                screen,
            )
        )]  # fmt: skip
    rows = [
        [
            _name(one),
            one.near.kind,
            words.number(one.near.de00, 2),
            f"{words.number(one.comparison.de00_low95, 1)} to "
            f"{words.number(one.comparison.de00_high95, 1)}",
        ]
        for one in found
    ]
    head, *listed = table(["name", "kind", " Delta E", " 95 %"], rows, screen)
    if len(listed) != len(found):  # a narrow screen: blocks, without a head
        lines += ["", head, *listed]
    else:
        lines += ["", head]
        for line, one in zip(listed, found, strict=True):
            lines += [line, *paragraph(_more(one), screen, "   ")]
    lines += ["", *paragraph(
        f"Delta E 2000 as read; the 95 % interval is wide because the two were read from two "
        f"photos. Within {tolerance:g} counts as the same. Lay the two side by side with the card "
        "in one photo when it matters.",
        screen,
    )]  # fmt: skip
    hard = [f for f in (*seen.flags, *colour.flags) if f.hard]
    if hard:
        lines += ["", *paragraph(hard[0].text, screen)]
    return "\n".join(lines)
