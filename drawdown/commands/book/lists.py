"""``drawdown book list``, ``show``, ``batches``, ``packets`` and ``log``: what is there."""

from __future__ import annotations

import inspect
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Annotated, Any

import typer

from drawdown.book.batches import list_batches
from drawdown.book.originals import Wanted, find_original, list_originals, recipes_of
from drawdown.book.packets import list_packets
from drawdown.book.store import Book, list_changes
from drawdown.commands.book import frame
from drawdown.commands.book import options as opt
from drawdown.commands.support import options as shared
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
from drawdown.report.text.terminal import Screen

OnlyInk = Annotated[
    str, typer.Option(metavar="INK", autocompletion=shared.plain_inks, help="Only with this ink.")
]


@dataclass(frozen=True)
class Listed:
    """What a list found, and how the first ``shown`` of it are told."""

    found: Sequence[Any]
    data: Callable[[Any], dict[str, Any]]
    screen: Callable[[int, Screen], str]


def _a_list(kind: str, sorts: tuple[str, ...], sort: str) -> Callable[[Any], Callable[..., int]]:
    """Makes a command of a function (book, text, sort, reverse, removed, options of its own) ->
    ``Listed``: every list has the same options before and behind its own, and the same ending."""

    def parameter(name: str, default: Any, annotation: Any) -> inspect.Parameter:
        return inspect.Parameter(
            name, inspect.Parameter.KEYWORD_ONLY, default=default, annotation=annotation
        )

    by = Annotated[
        str,
        typer.Option(metavar="BY", help=f"By {', '.join(sorts)}.",
                     autocompletion=lambda: list(sorts)),
    ]  # fmt: skip
    behind = [
        parameter("sort", sort, by), parameter("reverse", False, opt.Reverse),
        parameter("most", None, opt.Limit), parameter("removed", False, opt.Removed),
        parameter("book", None, opt.BookFolder), parameter("json", False, shared.AsJson),
    ]  # fmt: skip

    def made(look: Callable[..., Listed]) -> Callable[..., int]:
        own = [
            p for p in inspect.signature(look, eval_str=True).parameters.values()
            if p.name not in ("book", "how")
        ]  # fmt: skip

        def command(*, most: int | None, book: Any, json: bool, **given: Any) -> int:
            how = {name: given.pop(name) for name in ("text", "sort", "reverse", "removed")}
            opt.check_sort(how["sort"], sorts)
            opt.check_most(most)
            given["since"], given["until"] = opt.check_days(given["since"], given["until"])
            with frame.opened(book) as opened:
                listed = look(opened, how, **given)
            shown = len(listed.found) if most is None else most
            rows = [listed.data(one) for one in listed.found[:shown]] if json else []
            data = {"found": len(listed.found), kind: rows}
            return frame.tell(json, kind, data, lambda screen: listed.screen(shown, screen))

        command.__doc__ = look.__doc__
        command.__signature__ = inspect.Signature(  # type: ignore[attr-defined]
            [parameter("text", "", opt.SearchText), *own, *behind]
        )
        return command

    return made


@_a_list("originals", ("name", "date", "edition", "paper", "lightness", "chroma", "hue"), "name")
def list_(
    book: Book,
    how: dict[str, Any],
    *,
    edition: Annotated[
        str,
        typer.Option(metavar="TEXT", autocompletion=opt.editions, help="Only of this edition."),
    ] = "",
    paper: Annotated[str, typer.Option(metavar="TEXT", help="Only on this paper.")] = "",
    ink: OnlyInk = "",
    wet: Annotated[bool, typer.Option("--wet", help="Only those read wet.")] = False,
    dry: Annotated[bool, typer.Option("--dry", help="Only those read dry.")] = False,
    since: opt.Since = None,
    until: opt.Until = None,
) -> Listed:
    """List the kept originals."""
    state = None if wet == dry else "wet" if wet else "dry"
    wanted = Wanted(how["text"], edition, paper, ink, state, since, until, how["removed"])
    found = list_originals(book, wanted, how["sort"], how["reverse"])
    return Listed(found, original_data, lambda shown, s: originals_screen(found, shown, s))


@_a_list("batches", ("name", "date", "grams"), "date")
def batches(
    book: Book,
    how: dict[str, Any],
    *,
    kept: Annotated[
        str | None,
        typer.Option(
            "--kept", metavar="NAME", autocompletion=opt.originals,
            help="Only those mixed towards this original.",
        ),
    ] = None,
    since: opt.Since = None,
    until: opt.Until = None,
) -> Listed:  # fmt: skip
    """List the batches that were logged."""
    original = find_original(book, kept).id if kept else None
    found = list_batches(book, original=original, since=since, until=until, **how)
    names = original_names(book)
    return Listed(found, lambda b: batch_data(b, names),
                  lambda shown, s: batches_screen(found, names, shown, s))  # fmt: skip


@_a_list("packets", ("name", "date", "grams", "place"), "date")
def packets(
    book: Book,
    how: dict[str, Any],
    *,
    where: Annotated[str, typer.Option(metavar="TEXT", help="Only those kept there.")] = "",
    ink: OnlyInk = "",
    since: opt.Since = None,
    until: opt.Until = None,
    used_up: Annotated[
        bool, typer.Option("--used-up", help="Those that are used up, too.")
    ] = False,
) -> Listed:
    """List the packets of ink put by, the oldest first."""
    found = list_packets(
        book, place=where, ink=ink, since=since, until=until, used_up=used_up, **how
    )
    names = original_names(book)
    return Listed(found, lambda p: packet_data(p, names),
                  lambda shown, s: packets_screen(found, names, shown, s))  # fmt: skip


def show(name: opt.Kept, book: opt.BookFolder = None, json: shared.AsJson = False) -> int:
    """Show one kept original with its recipes."""
    with frame.opened(book) as opened:
        found = find_original(opened, name)
        return frame.tell_original(json, opened, found, recipes_of(opened, found.id))


def log(
    text: opt.SearchText = "",
    since: opt.Since = None,
    reverse: opt.Reverse = False,
    most: opt.Limit = None,
    book: opt.BookFolder = None,
    json: shared.AsJson = False,
) -> int:
    """List what was changed in the book, the newest first."""
    opt.check_most(most)
    first, _ = opt.check_days(since)
    with frame.opened(book) as opened:
        found = list_changes(opened, text=text, since=first, limit=most)
    found = found[::-1] if reverse else found
    data = {"changes": [change_data(d) for d in found]}
    return frame.tell(json, "changes", data, lambda screen: changes_screen(found, screen))
