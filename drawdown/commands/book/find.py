"""``drawdown book find``: the kept original or packet nearest to a strip."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

from calibration.errors import WrongUsage
from drawdown.commands.book import frame
from drawdown.commands.support import book_options as opt
from drawdown.commands.support import options as shared
from drawdown.defaults import TOLERANCE_DE00
from drawdown.report.json.book import original_data, original_names, packet_data
from drawdown.report.text.book import paragraph, swatch, table
from drawdown.report.text.terminal import Screen, paint
from drawdown.wording import figures as words
from drawdown.wording.book import (
    found_interval,
    found_meaning,
    found_words,
    name_of,
    usable,
    use_first,
)
from drawdown.wording.verdict import differs

if TYPE_CHECKING:
    from drawdown.book.readings import Found
    from drawdown.pipeline.read import Judgement
    from drawdown.reading.colour import StripReading

MOST_SHOWN = 50
KINDS = ("original", "packet")


def find(
    photo: opt.PhotoOfStrip,
    strip: shared.Strip = "1",
    originals: Annotated[
        bool, shared.flag("Among the kept originals alone.", "--originals")
    ] = False,
    packets: Annotated[bool, shared.flag("Among the packets alone.", "--packets")] = False,
    most: Annotated[int, shared.option("N", "How many to show.")] = 5,
    tolerance: opt.Tolerance = TOLERANCE_DE00,
    card: shared.CardFile = None,
    card_corners: shared.CardCorners = None,
    book: opt.BookFolder = None,
    json: shared.AsJson = False,
) -> int:
    """Find the kept original and packet nearest to a strip, with Delta E."""
    shared.check_tolerance(tolerance)
    if not 1 <= most <= MOST_SHOWN:
        raise WrongUsage(
            f"--most is {most}, and must be from 1 to {MOST_SHOWN}",
            "each one shown is compared with care",
            "give a smaller number",
        )
    kinds = KINDS if originals == packets else ("original",) if originals else ("packet",)
    with frame.opened(book) as opened:  # told before the measuring, not after
        from drawdown.book.readings import look_up, nearest
        from drawdown.pipeline.read import strip_of

        seen, number = frame.read_strip(photo, strip, card, card_corners)
        colour = strip_of(seen, number)
        found = look_up(
            opened,
            nearest(opened, colour.lab_d50, most, kinds),
            colour,
            nominal=seen.nominal,
            shaded=seen.shaded,
            tolerance=tolerance,
        )
        names = original_names(opened)
    rows = [_data(one, names) for one in found]
    data: dict[str, Any] = {
        "photo": str(photo),
        "strip_number": colour.number,
        "lab_d50": [round(float(v), 2) for v in colour.lab_d50],
        "lab_u95": [round(float(v), 2) for v in colour.widest_u95],
        "tolerance": tolerance,
        "found": rows,
        "use_first": next((row["name"] for row in rows if row["use_first"]), None),
    }
    return frame.tell(json, "find", data, lambda s: find_screen(found, seen, colour, tolerance, s))


def _data(one: Found, names: dict[int, str]) -> dict[str, Any]:
    c = one.comparison
    return {
        "kind": one.near.kind,
        "name": name_of(one),
        "de00": round(one.near.de00, 3),
        "de00_best": round(c.de00, 3),
        "de00_low95": round(c.de00_low95, 3),
        "de00_high95": round(c.de00_high95, 3),
        "p_within": round(c.p_within, 4),
        "verdict": c.verdict,
        "words": differs(c),
        "use_first": usable(one),
        "original": original_data(one.original) if one.original else None,
        "packet": packet_data(one.packet, names) if one.packet else None,
    }


def find_screen(
    found: tuple[Found, ...],
    seen: Judgement,
    colour: StripReading,
    tolerance: float,
    screen: Screen,
) -> str:
    """The nearest first; a packet that may do is named above all."""
    seen_as = words.lab_text(colour.lab_d50, colour.widest_u95)
    from drawdown.wording.doubts import how_known, well_known  # heavy, for lists

    if not well_known(seen, colour):
        seen_as = how_known(seen)
    lines = [paint(f" Strip {colour.number}: {seen_as}", "1", screen.colour)]
    lines += swatch(colour.lab_d50.tolist(), screen)
    if not found:
        return "\n".join([*lines, "", *paragraph("The book holds no colour to compare.", screen)])
    first = next((one for one in found if usable(one)), None)
    if first is not None:
        lines += [
            "",
            *(paint(line, "1", screen.colour) for line in paragraph(use_first(first), screen)),
        ]
    rows = [
        [name_of(one), one.near.kind, words.number(one.near.de00, 2), found_interval(one)]
        for one in found
    ]  # fmt: skip
    head, *listed = table(["name", "kind", " Delta E", " 95 %"], rows, screen)
    lines += ["", head]
    if len(listed) != len(found):  # a narrow screen: blocks, without a head
        lines += listed
    else:
        for line, one in zip(listed, found, strict=True):
            lines += [line, *paragraph(found_words(one), screen, "   ")]
    lines += ["", *paragraph(found_meaning(tolerance), screen)]
    hard = [f for f in (*seen.flags, *colour.flags) if f.hard]
    if hard:
        lines += ["", *paragraph(hard[0].text, screen)]
    return "\n".join(lines)
