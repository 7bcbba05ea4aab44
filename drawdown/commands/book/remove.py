"""``drawdown book remove``: something leaves the lists, not the book."""

from __future__ import annotations

from typing import Annotated

import typer

from calibration.errors import WrongUsage
from drawdown.book.store import Book, strike_out
from drawdown.commands.book import frame
from drawdown.commands.support import book_options as opt
from drawdown.commands.support import options as shared
from drawdown.commands.support.output import agreed
from drawdown.report.text.book import UNDO


def _all_names(ctx: typer.Context, incomplete: str) -> list[str]:
    found: list[str] = []
    for complete in (opt.originals, opt.batches, opt.packets):
        found += complete(ctx, incomplete)
    return found


def remove(
    name: Annotated[str, shared.argument("NAME", "What to remove.", complete=_all_names)],
    kind: opt.Kind = None,
    pull: Annotated[int | None, shared.option("N", "NAME is an edition: its pull N.")] = None,
    yes: shared.Yes = False,
    book: opt.BookFolder = None,
    json: shared.AsJson = False,
) -> int:
    """Remove something; it leaves the lists, not the book."""
    with frame.opened(book, write=True) as opened:
        if pull is not None:
            table, (whole, rows) = "pull", _pulls(opened, name, pull)
            what = f'pull {pull} of "{whole}"'
        else:
            table, row, whole = frame.find_anything(opened, name, kind, tuple(opt.TABLES))
            rows, what = [row], f'the {table} "{whole}"'
        if not agreed(f"Remove {what} from the book?", yes):
            return 0
        with opened.change(f"removed {what}") as change:
            for one in rows:
                strike_out(change, table, one)
    data = {"kind": table, "name": whole, **({} if pull is None else {"number": pull})}
    return frame.tell(
        json, "removed", data, lambda _: f" {what[0].upper()}{what[1:]} is removed.", UNDO
    )


def _pulls(opened: Book, name: str, number: int) -> tuple[str, list[int]]:
    """The edition, and the rows of one pull of it at each spot that was read."""
    from drawdown.book.edition import find_edition, run_of

    edition = find_edition(opened, name)
    found = [p.id for p in run_of(opened, edition) if p.number == number]
    if not found:
        raise WrongUsage(
            f'there is no pull {number} of "{edition}" in the book',
            "nothing was removed",
            f'see them with: drawdown book run "{edition}"',
        )
    return edition, found
