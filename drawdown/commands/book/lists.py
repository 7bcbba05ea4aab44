"""``drawdown book list`` and ``show``: what is there."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Annotated, Any

from calibration.errors import WrongUsage
from drawdown.book.batches import list_batches
from drawdown.book.originals import Wanted, find_original, list_originals, recipes_of
from drawdown.book.packets import list_packets
from drawdown.book.shapes import clean_date
from drawdown.book.store import Book, list_changes
from drawdown.commands.book import frame
from drawdown.commands.support import book_options as opt
from drawdown.commands.support import options as shared
from drawdown.commands.support.output import save_report
from drawdown.commands.support.parse import read_choice
from drawdown.report.json.book import (
    batch_data,
    change_data,
    original_data,
    original_names,
    packet_data,
)
from drawdown.report.text.book import (
    batches_screen,
    changes_screen,
    originals_screen,
    packets_screen,
)
from drawdown.wording import figures as words

if TYPE_CHECKING:
    from drawdown.book.columns import Original
    from drawdown.report.text.terminal import Screen

Listed = tuple[dict[str, Any], Callable[["Screen"], str]]  # as JSON, and for the terminal
DATED = ("text", "since", "until", "sort", "reverse", "removed")


def _counted(kind: str, found: list[Any], most: int | None, row: Callable[[Any], Any]) -> Any:
    shown = len(found) if most is None else most
    return shown, {"found": len(found), kind: [row(one) for one in found[:shown]]}


def _wanted(how: dict[str, Any], given: dict[str, Any], **more: Any) -> Wanted:
    same = ("edition", "paper", "ink", "state", "since", "until", "used_up")
    return Wanted(
        text=how["text"], removed=how["removed"], place=given["where"],
        owner=given["of"],
        **{name: given[name] for name in same}, **more,
    )  # fmt: skip


def _found(book: Book, how: dict[str, Any], given: dict[str, Any]) -> list[Original]:
    return list_originals(book, _wanted(how, given), how["sort"], how["reverse"])


def _originals(book: Book, how: dict[str, Any], given: dict[str, Any], most: int | None) -> Listed:
    found = _found(book, how, given)
    shown, data = _counted("originals", found, most, original_data)
    return data, lambda screen: originals_screen(found, shown, screen)


def _batches(book: Book, how: dict[str, Any], given: dict[str, Any], most: int | None) -> Listed:
    original = find_original(book, given["kept"]).id if given["kept"] else None
    wanted = _wanted(how, given, original=original)
    found = list_batches(book, wanted, how["sort"], how["reverse"])
    names = original_names(book)
    shown, data = _counted("batches", found, most, lambda b: batch_data(b, names))
    return data, lambda screen: batches_screen(found, names, shown, screen)


def _packets(book: Book, how: dict[str, Any], given: dict[str, Any], most: int | None) -> Listed:
    found = list_packets(book, _wanted(how, given), how["sort"], how["reverse"])
    names = original_names(book)
    shown, data = _counted("packets", found, most, lambda p: packet_data(p, names))
    return data, lambda screen: packets_screen(found, names, shown, screen)


def _runs(book: Book, how: dict[str, Any], given: dict[str, Any], most: int | None) -> Listed:
    from drawdown.book.edition import editions

    found = editions(book)[:most]
    lines = [f" {edition}  {words.count(count, 'pull')}" for edition, count in found]
    data = {"editions": [{"edition": edition, "pulls": count} for edition, count in found]}
    return data, lambda _: "\n".join(lines) or " No pulled print is in the book."


def _changes(book: Book, how: dict[str, Any], given: dict[str, Any], most: int | None) -> Listed:
    found = list_changes(book, text=how["text"], since=given["since"], limit=most)
    found = found[::-1] if how["reverse"] else found
    data = {"changes": [change_data(one) for one in found]}
    return data, lambda screen: changes_screen(found, screen)


# The lists: their orders, the usual one first, the options that they know, and what makes them.
LISTS: dict[str, tuple[tuple[str, ...], tuple[str, ...], Callable[..., Listed]]] = {
    "originals": (
        ("name", "date", "edition", "paper", "lightness", "chroma", "hue"),
        (*DATED, "edition", "paper", "of", "ink", "state", "report"), _originals,
    ),
    "batches": (("date", "name", "grams"), (*DATED, "kept"), _batches),
    "packets": (
        ("date", "name", "grams", "place"), (*DATED, "where", "ink", "used_up"), _packets,
    ),
    "runs": (("name",), (), _runs),
    "changes": (("date",), ("text", "since", "reverse"), _changes),
}  # fmt: skip


# Long by its options, one parameter each.
def list_(  # long: one parameter a line
    kind: Annotated[
        str,
        shared.argument(
            "[KIND]", f"One of {', '.join(LISTS)}; else originals.", complete=lambda: list(LISTS)
        ),
    ] = "originals",
    text: opt.SearchText = "",
    edition: Annotated[
        str, shared.option("TEXT", "Only originals of this edition.", complete=opt.editions)
    ] = "",
    paper: Annotated[str, shared.option("TEXT", "Only originals on this paper.")] = "",
    of: Annotated[str, shared.option("PERSON", "Only originals of this person.")] = "",
    state: Annotated[str | None, shared.option("STATE", "Only originals read wet, or dry.")] = None,
    ink: Annotated[
        str, shared.option("INK", "Only originals or packets with it.", complete=shared.inks)
    ] = "",
    kept: Annotated[
        str | None,
        shared.option("NAME", "Only batches mixed towards this.", complete=opt.originals),
    ] = None,
    where: Annotated[str, shared.option("TEXT", "Only packets stored there.")] = "",
    used_up: Annotated[bool, shared.flag("Packets that are used up, too.", "--used-up")] = False,
    since: opt.Since = None,
    until: opt.Until = None,
    sort: Annotated[str | None, shared.option("BY", "By name, date and the like.")] = None,
    reverse: opt.Reverse = False,
    most: opt.Limit = None,
    removed: opt.Removed = False,
    report: shared.ReportFile = None,
    replace: shared.Replace = False,
    book: opt.BookFolder = None,
    json: shared.AsJson = False,
) -> int:
    """List kept originals, or batches, packets, runs, changes."""
    kind = read_choice("KIND", kind, tuple(LISTS))
    orders, known, listed = LISTS[kind]
    given = {
        "text": text, "edition": edition, "paper": paper, "of": of, "state": state, "ink": ink,
        "kept": kept, "where": where, "used_up": used_up, "since": since, "until": until,
        "sort": sort, "reverse": reverse, "removed": removed, "report": report,
    }  # fmt: skip
    for name, value in given.items():
        if value and name not in known:
            raise WrongUsage(
                f"--{name.replace('_', '-')} is no option for a list of {kind}",
                "nothing was listed",
                "leave it out",
            )
    if state is not None:
        read_choice("--state", state, ("wet", "dry"))
    opt.check_most(most)
    for name, day in (("since", since), ("until", until)):
        given[name] = None if day is None else clean_date(day, f"--{name}")
    order = read_choice("--sort", sort or orders[0], orders)
    shared.check_outputs(None, report, replace)
    how = {"text": text, "sort": order, "reverse": reverse, "removed": removed}
    with frame.opened(book) as opened:
        data, screen = listed(opened, how, given, most)
        whole = None
        if report is not None:
            from drawdown.report.html.book import originals_report

            whole = originals_report(_found(opened, how, given)[:most])
    frame.tell(json, kind if kind != "runs" else "editions", data, screen)
    if report is not None and whole is not None:
        save_report(report, whole)
    return 0


def show(
    name: opt.Kept,
    report: shared.ReportFile = None,
    replace: shared.Replace = False,
    book: opt.BookFolder = None,
    json: shared.AsJson = False,
) -> int:
    """Show one kept original with its recipes."""
    shared.check_outputs(None, report, replace)
    with frame.opened(book) as opened:
        found = find_original(opened, name)
        recipes = recipes_of(opened, found.id)
        code = frame.tell_original(json, opened, found, recipes)
        if report is not None:
            from drawdown.report.html.book import kept_photo, original_report

            save_report(report, original_report(found, recipes, kept_photo(opened, found)))
    return code
