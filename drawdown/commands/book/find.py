"""``drawdown book find``: the kept original or packet nearest to a strip."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

from calibration.errors import WrongUsage
from drawdown.commands.book import frame
from drawdown.commands.support import book_options as opt
from drawdown.commands.support import options as shared
from drawdown.defaults import TOLERANCE_DE00
from drawdown.report.json.book import original_data, original_names, packet_data
from drawdown.report.text.book import mix_words, paragraph, swatch, table
from drawdown.report.text.terminal import Screen, paint
from drawdown.wording import figures as words
from drawdown.wording.figures import noted_grams
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
    c = one.comparison
    return {
        "kind": one.near.kind,
        "name": _name(one),
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


def _name(one: Found) -> str:
    what = one.original or one.packet
    assert what is not None
    return what.name


def _more(one: Found) -> str:
    """How the strip differs from it, and what it is or what is left of it."""
    parts = [f"the strip: {differs(one.comparison)}"]
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
    tolerance: float,
    screen: Screen,
) -> str:
    """The nearest first; a packet that may do is named above all."""
    seen_as = ", ".join(
        f"{axis}* {words.number(v, 1)} ± {words.number(u, 1)}"
        for axis, v, u in zip("Lab", colour.lab_d50, colour.widest_u95, strict=True)
    )
    from drawdown.wording.doubts import how_known, well_known  # heavy, for lists

    if not well_known(seen, colour):
        seen_as = how_known(seen)
    lines = [paint(f" Strip {colour.number}: {seen_as}", "1", screen.colour)]
    lines += swatch(colour.lab_d50.tolist(), screen)
    if not found:
        return "\n".join([*lines, "", *paragraph("The book holds no colour to compare.", screen)])
    first = next((one for one in found if usable(one)), None)
    if first is not None:
        lines += ["", *(paint(line, "1", screen.colour) for line in _use_first(first, screen))]
    rows = [
        [_name(one), one.near.kind, words.number(one.near.de00, 2), _interval(one)]
        for one in found
    ]  # fmt: skip
    head, *listed = table(["name", "kind", " Delta E", " 95 %"], rows, screen)
    lines += ["", head]
    if len(listed) != len(found):  # a narrow screen: blocks, without a head
        lines += listed
    else:
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


def _interval(one: Found) -> str:
    c = one.comparison
    return f"{words.number(c.de00_low95, 1)} to {words.number(c.de00_high95, 1)}"


def _use_first(first: Found, screen: Screen) -> list[str]:
    p, c = first.packet, first.comparison
    assert p is not None
    place = f", {p.place}" if p.place else ""
    chance = "" if c.verdict == "match" else " It is too close to call: try it on paper first."
    return paragraph(
        f'Use this up first: packet "{p.name}", {noted_grams(p.grams)} of {p.date}{place}; '
        f"Delta E {words.number(first.near.de00, 1)} ({_interval(first)}).{chance}",
        screen,
    )
