"""The book as terminal text: tables that fall into blocks on a narrow screen. Pure: records
in, text out."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from calibration.naming import named
from drawdown.report.text import terminal
from drawdown.report.text.terminal import Screen, paint, wrap
from drawdown.wording import figures as words
from drawdown.wording.book import mix_words
from drawdown.wording.figures import noted_grams

if TYPE_CHECKING:
    from drawdown.book.columns import Batch, Entry, Mix, Original, Packet, Reading, Recipe
    from drawdown.book.store import Done

UNDO = "`drawdown undo` takes it back."
NO_MIX = "No mix was noted with it."
UNCERTAIN = words.UNCERTAINTY.split(" What both")[0]


def columns_of(text: str) -> int:
    """How many columns a text takes: wide letters two, accents of their own none."""
    if text.isascii():
        return len(text)
    return sum(
        0 if unicodedata.combining(c) else 2 if unicodedata.east_asian_width(c) in "WF" else 1
        for c in text
    )


def table(
    head: Sequence[str],
    rows: Iterable[Sequence[str]],
    screen: Screen,
    spare: Sequence[str] = (),
) -> list[str]:
    """Lines of a table; numbers (of columns whose head begins with a space) to the right.
    Where it is too wide, the columns named in ``spare`` are left out, the first named first;
    where that does not do, each row becomes a block: its first cell, and the rest below with
    the heads before them."""
    cells_of = [list(row) for row in rows]
    widths = [
        max(map(columns_of, (name.strip(), *cells)))
        for name, cells in zip(head, _turned(cells_of, len(head)), strict=True)
    ]
    kept = list(range(len(head)))

    def fits() -> bool:
        return 1 + sum(widths[i] for i in kept) + 2 * (len(kept) - 1) <= screen.columns

    for name in spare:
        if not fits():
            kept = [i for i in kept if head[i].strip() != name]
    if not fits():  # long names are cut in tables, and shown whole where one thing is shown
        whole, cells_of = cells_of, [[_cut(row[0]), *row[1:]] for row in cells_of]
        widths[0] = max([columns_of(head[0].strip()), *(columns_of(row[0]) for row in cells_of)])
        if not fits():
            return _blocks(head, whole, screen)
    lines = []
    for number, row in enumerate([head, *cells_of]):
        cells = []
        for i in kept:
            cell = row[i].strip() if number == 0 else row[i]
            fill = " " * (widths[i] - columns_of(cell))
            cells.append(fill + cell if head[i].startswith(" ") else cell + fill)
        style = "2" if number == 0 else ""
        lines.append(paint(" " + "  ".join(cells).rstrip(), style, screen.colour))
    return lines


def _cut(name: str, most: int = 24) -> str:
    return name if len(name) <= most else f"{name[: most - 1].rstrip()}…"


def _turned(rows: list[list[str]], columns: int) -> list[tuple[str, ...]]:
    """The rows as columns."""
    return list(zip(*rows, strict=True)) if rows else [()] * columns


def _blocks(head: Sequence[str], rows: list[list[str]], screen: Screen) -> list[str]:
    lines = []
    for row in rows:
        lines += wrap(row[0], screen.columns - 1, " ", "   ")
        facts = [
            f"{name.strip()} {cell}" for name, cell in zip(head[1:], row[1:], strict=True) if cell
        ]
        lines += wrap(", ".join(facts), screen.columns - 1, "   ", "   ")
    return lines


def paragraph(text: str, screen: Screen, indent: str = " ") -> list[str]:
    return wrap(text, screen.columns - 1, indent, indent)


def colour_words(reading: Reading | None) -> str:
    """Lab with its uncertainty, where it is known well enough to be one."""
    nominal = reading is not None and reading.card == "nominal"
    if reading is not None and reading.lab_u95 and not words.well_known(reading.lab_u95, nominal):
        return f"L*a*b* {words.not_known(nominal)}"
    return lab_words(reading)


def lab_words(reading: Reading | None) -> str:
    """Lab with its uncertainty."""
    if reading is None:
        return "colour not known"
    said = words.lab_text(reading.lab_d50, reading.lab_u95)
    return said if reading.lab_u95 else f"{said}, uncertainty not noted"


def lab_cells(reading: Reading | None) -> list[str]:
    if reading is None:
        return ["", "", ""]
    return [words.number(v, 1) for v in reading.lab_d50]


def swatch(lab_d50: Sequence[float], screen: Screen, cells: int = 8) -> list[str]:
    """A line of the colour itself, where the terminal can show it."""
    if not screen.truecolour:
        return []
    return [" " + terminal.swatch(terminal.swatch_rgb(lab_d50), cells)]


# Screens -----------------------------------------------------------------------------------


def originals_screen(found: list[Original], shown: int, screen: Screen) -> str:
    head = ["name", "date", " L*", " a*", " b*", "state", "paper", "edition", "mix"]
    rows = [
        [o.name, o.date, *lab_cells(o.reading), o.state, o.paper, o.edition,
         mix_words(o.recipe.mix) if o.recipe else ""]
        for o in found[:shown]
    ]  # fmt: skip
    spare = ("mix", "paper", "edition", "state")
    title = words.count(len(found), "kept original")
    lines = _list(title, head, rows, len(found), screen, spare)
    return "\n".join([lines, *spread([o.reading for o in found[:shown]], screen)])


def batches_screen(found: list[Batch], names: dict[int, str], shown: int, screen: Screen) -> str:
    head = ["name", "date", "towards", " grams", "begun with"]
    rows = [
        [b.name, b.date, names.get(b.original or 0, ""), noted_grams(b.grams), mix_words(b.mix)]
        for b in found[:shown]
    ]
    title = words.count(len(found), "batch", "batches")
    return _list(title, head, rows, len(found), screen, ("begun with",))


def packets_screen(found: list[Packet], names: dict[int, str], shown: int, screen: Screen) -> str:
    head = ["name", "date", " left", "where", "colour of", " L*", " a*", " b*", "mix"]
    rows = [
        [p.name, p.date, noted_grams(p.grams), p.place,
         "its own strip" if p.own_reading else names.get(p.original or 0, ""),
         *lab_cells(p.reading), mix_words(p.mix)]
        for p in found[:shown]
    ]  # fmt: skip
    grams = sum(p.grams for p in found)
    title = f"{words.count(len(found), 'packet')}, {noted_grams(grams)} in all"
    spare = ("mix", "colour of", "b*", "a*", "L*")
    text = _list(title, head, rows, len(found), screen, spare)
    note = spread([p.reading for p in found[:shown]], screen) if "L*" in text else []
    return "\n".join([text, *note])


def spread(readings: Iterable[Reading | None], screen: Screen) -> list[str]:
    """How uncertain the colours of a list are at most."""
    noted = [r.lab_u95 for r in readings if r is not None]
    known = [u95 for u95 in noted if u95 is not None]
    if not noted:
        return []
    text = ""
    if known:
        most = ", ".join(
            f"{axis}* ± {max(u[i] for u in known):.1f}" for i, axis in enumerate("Lab")
        )
        text = f"With 95 % probability the colours are within {most}."
    if len(known) < len(noted):
        text += f" For {len(noted) - len(known)} the uncertainty was not noted."
    return ["", *paragraph(text, screen)]


def changes_screen(found: list[Done], screen: Screen) -> str:
    words_of = {"done": "", "undone": "undone", "dropped": "undone for good", "settled": "settled"}
    rows = [[str(d.id), d.at.replace("T", " ").rstrip("Z"), d.what, words_of[d.state]]
            for d in found]  # fmt: skip
    title = f"{words.count(len(found), 'change')}, newest first (times in UTC)"
    return _list(title, [" no", "when", "what", "state"], rows, len(found), screen)


def _list(
    title: str,
    head: list[str],
    rows: list[list[str]],
    whole: int,
    screen: Screen,
    spare: Sequence[str] = (),
) -> str:
    if not rows:
        return f" Nothing found ({title})."
    filled = [i for i in range(len(head)) if i == 0 or any(row[i] for row in rows)]
    lines = [paint(f" {title}", "1", screen.colour), ""]
    cells = [[row[i] for i in filled] for row in rows]
    lines += table([head[i] for i in filled], cells, screen, spare)
    if len(rows) < whole:
        lines += ["", named(f" ... and {whole - len(rows)} more (`most` N shows more)")]
    return "\n".join(lines)


def original_screen(
    o: Original, recipes: tuple[Recipe, ...], photo: str | None, screen: Screen
) -> str:
    lines = [paint(f" {o.name}", "1", screen.colour)]
    if o.reading is not None:
        lines += swatch(o.reading.lab_d50, screen) * 2
    lines += [""]
    for name, text in (*facts(o), *([("photo", photo)] if photo else [])):
        lines += wrap(text, screen.columns - 1, f" {name:<9}", " " * 10)
    if recipes:
        lines += ["", paint(" Recipe, the newest counts (parts by weight)", "1", screen.colour)]
        for recipe in reversed(recipes):
            lines += wrap(recipe_words(recipe), screen.columns - 1, "   ", " " * 15)
    else:
        lines += ["", *paragraph(NO_MIX, screen)]
    if o.reading is not None:
        lines += ["", *paragraph(UNCERTAIN, screen)]
    return "\n".join(lines)


def facts(o: Original) -> list[tuple[str, str]]:
    """What is noted of an original, by name."""
    told = [
        ("colour", colour_words(o.reading)),
        ("kept", f"{o.date}, {o.state}"),
        ("paper", o.paper),
        ("of", o.owner or ""),
        ("edition", o.edition),
        ("note", o.note),
    ]
    return [(name, text) for name, text in told if text]


def recipe_words(recipe: Recipe) -> str:
    weight = f", {noted_grams(recipe.grams)} in all" if recipe.grams else ""
    return f"{recipe.made_at[:10]} {mix_words(recipe.mix, tins=True)}{weight} ({recipe.reason})"


def story_screen(
    batch: Batch,
    towards: str | None,
    story: tuple[Entry, ...],
    now_in_it: tuple[Mix, float | None] | None,
    screen: Screen,
) -> str:
    """The batch from its beginning to now."""
    title = f" {batch.name}" + (f", towards {towards}" if towards else "")
    lines = [paint(title, "1", screen.colour), ""]
    head = f" {'when (UTC)':<16}  {'what':<17}  Delta E (95 %)"
    lines += [paint(head, "2", screen.colour)] if screen.columns >= 60 else []
    for when, what, de00, detail in story_steps(batch, story):
        row = f" {when:<16}  {what:<17}  {de00}".rstrip()
        if len(row) > screen.columns:
            row = f" {when}  {what}"
            detail = f"Delta E {de00}. {detail}"
        lines.append(row)
        lines += wrap(detail, screen.columns - 1, "   ", "   ")
    if now_in_it is not None:
        lines += ["", *paragraph(f"In it now: {in_it_now(now_in_it)}", screen)]
    return "\n".join(lines)


def in_it_now(now_in_it: tuple[Mix, float | None]) -> str:
    mix, grams = now_in_it
    return f"{mix_words(mix)} (parts per 100){f', {noted_grams(grams)}' if grams else ''}."


def story_steps(batch: Batch, story: Sequence[Entry]) -> list[tuple[str, str, str, str]]:
    """Each step of a batch: when, what, Delta E with its interval, and the rest in words."""
    from drawdown.book.batches import is_taken

    begun = mix_words(batch.mix, tins=True) or "mix not noted"
    weight = f", {noted_grams(batch.grams)}" if batch.grams else ""
    steps = [(batch.date, "begun", "", begun + weight)]
    for entry in story:
        when = entry.at.replace("T", " ")[:16]
        if entry.kind == "added":
            if is_taken(entry):
                out = noted_grams(-sum(amount for _, amount in entry.added))
                steps.append((when, "taken out", "", "; ".join(filter(None, (out, entry.note)))))
                continue
            unit = "g" if entry.added_unit == "grams" else "parts per 100"
            what = ", ".join(f"{ink} {amount:.3g} {unit}" for ink, amount in entry.added)
            steps.append((when, "added", "", what + (f"; {entry.note}" if entry.note else "")))
            continue
        de00 = (
            f"{words.number(entry.de00, 2)} ({words.number(entry.de00_low95, 2)} to "
            f"{words.number(entry.de00_high95, 2)})"
        )
        said = f"The batch: {entry.words or 'not compared'}"
        said += " (across photos)" if entry.across_photos else ""
        advised = advised_words(entry)
        said += f". Advised first: {advised}" if advised else ""
        steps.append((when, entry.verdict or "no verdict", de00, said + "."))
    return steps


def added_briefly(entry: Entry) -> str:
    """ "+2.4 g": how much went in, without the inks; empty for a portion taken out."""
    whole = sum(amount for _, amount in entry.added)
    if whole <= 0:
        return ""
    return f"+{whole:.3g} {'g' if entry.added_unit == 'grams' else 'parts'}"


def advised_words(entry: Entry) -> str:
    first = (entry.advised or {}).get("add_first") or []
    return ", ".join(f"{a['ink']} {a['parts_per_100']:.3g} per 100" for a in first)
