"""Options that the commands of the book share, their checks, and the completion of names in
the book."""

from __future__ import annotations

import contextlib
from pathlib import Path
from typing import Annotated

import typer

from calibration.errors import WrongUsage
from drawdown.commands.support.options import argument, flag, inks, number, option


def folder_of(book: Path | None) -> Path:
    """The book's folder: as said, or the studio's own."""
    if book is not None:
        return book
    from drawdown.studio.locations import own_book

    return own_book()


# Completion ------------------------------------------------------------------------------
# A key press must never print an error or make a book, so whatever fails completes nothing.


def _said_book(context: typer.Context) -> Path:
    said = context.params.get("book") if context is not None else None
    return folder_of(Path(said) if said else None)


def _names(context: typer.Context, sql: str, incomplete: str) -> list[str]:
    from drawdown.book import open_book

    with contextlib.suppress(Exception), open_book(_said_book(context)) as book:
        return [row[0] for row in book.rows(sql) if row[0].startswith(incomplete)]
    return []


def originals(ctx: typer.Context, incomplete: str) -> list[str]:
    sql = "SELECT name FROM original WHERE removed IS NULL ORDER BY name_key"
    return _names(ctx, sql, incomplete)


def batches(ctx: typer.Context, incomplete: str) -> list[str]:
    sql = "SELECT name FROM batch WHERE removed IS NULL ORDER BY name_key"
    return _names(ctx, sql, incomplete)


def packets(ctx: typer.Context, incomplete: str) -> list[str]:
    sql = "SELECT name FROM packet WHERE removed IS NULL AND grams > 0 ORDER BY name_key"
    return _names(ctx, sql, incomplete)


def editions(ctx: typer.Context, incomplete: str) -> list[str]:
    sql = (
        "SELECT DISTINCT edition FROM original WHERE removed IS NULL AND edition != '' "
        "UNION SELECT DISTINCT edition FROM pull WHERE removed IS NULL"
    )
    return _names(ctx, sql, incomplete)


# Options ---------------------------------------------------------------------------------

BookFolder = Annotated[
    Path | None,
    option("FOLDER", "The book's folder; else the studio's own.", "--book"),
]
Kept = Annotated[str, argument("NAME", "A kept original.", complete=originals)]
TABLES = ("original", "packet", "batch")
Kind = Annotated[
    str | None,
    option(
        "KIND",
        "What NAME is, if several things have that name: original, packet or batch.",
        complete=lambda: list(TABLES),
    ),
]
TinMarks = Annotated[
    list[str] | None,
    option(
        "INK=MARK",
        "The maker's batch mark on an ink's tin or tube; repeat for each ink.",
        "--tin",
        complete=inks,
    ),
]
OnDate = Annotated[str | None, option("DAY", "As 2030-12-31; else today.", "--date")]
Since = Annotated[str | None, option("DAY", "From this day on.", "--since")]
Until = Annotated[str | None, option("DAY", "Up to and including this day.", "--until")]
SearchText = Annotated[str, option("WORDS", "Only entries with these words.", "--text")]
Reverse = Annotated[bool, flag("The other way round.", "--reverse")]
Note = Annotated[str, option("TEXT", "Anything else.", "--note")]
Tolerance = Annotated[
    float,
    number("T", "Largest Delta E 2000 that counts as the same.", "--tolerance"),
]
UnknownInks = Annotated[
    bool, flag("Note inks that are not on the shelf as you name them.", "--unknown-inks")
]
MixGrams = Annotated[float | None, number("G", "What the whole mix weighed.", "--grams")]
PhotoOfStrip = Annotated[Path, argument("PHOTO", "Photo of the strip and card.")]
Limit = Annotated[int | None, option("N", "Show no more than N.", "--most")]
Removed = Annotated[bool, flag("What was removed, instead.", "--removed")]


# Checks ----------------------------------------------------------------------------------


def check_most(most: int | None) -> int | None:
    if most is not None and most < 1:
        raise WrongUsage(
            f"--most is {most}, and must be 1 or more",
            "a list of nothing says nothing",
            "leave it out to see everything",
        )
    return most
