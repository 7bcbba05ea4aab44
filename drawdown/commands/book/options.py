"""Options that the commands of the book share, and the completion of names in the book.

Reading one strip of a photo for the book.
"""

from __future__ import annotations

import contextlib
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from calibration.errors import PhotoUnfit, WrongUsage
from drawdown.commands.support import options as opt
from drawdown.commands.support.options import inks
from drawdown.commands.support.output import photo_options, read_photo
from drawdown.commands.support.parse import read_mix

if TYPE_CHECKING:
    from drawdown.book import Book
    from drawdown.book.photos import Stored
    from drawdown.pipeline.read import Judgement
    from drawdown.reading.colour import StripReading


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
    typer.Option("--book", metavar="FOLDER", help="The book's folder; else the studio's own."),
]
Kept = Annotated[
    str, typer.Argument(metavar="NAME", help="A kept original.", autocompletion=originals)
]
TinMarks = Annotated[
    list[str] | None,
    typer.Option(
        "--tin", metavar="INK=MARK", autocompletion=inks,
        help="The maker's batch mark on an ink's tin or tube; repeat for each ink.",
    ),
]  # fmt: skip
OnDate = Annotated[
    str | None, typer.Option("--date", metavar="DAY", help="As 2030-12-31; else today.")
]
Since = Annotated[str | None, typer.Option("--since", metavar="DAY", help="From this day on.")]
Until = Annotated[
    str | None, typer.Option("--until", metavar="DAY", help="Up to and with this day.")
]
SearchText = Annotated[
    str, typer.Option("--text", metavar="WORDS", help="Only what holds these words anywhere.")
]
Reverse = Annotated[bool, typer.Option("--reverse", help="The other way round.")]
Replace = Annotated[
    bool, typer.Option("--replace", help="Write over a file of that name, if there is one.")
]
Limit = Annotated[int | None, typer.Option("--most", metavar="N", help="Show no more than N.")]
Removed = Annotated[bool, typer.Option("--removed", help="What was struck out instead.")]


# Checks ----------------------------------------------------------------------------------


def check_out(out: Path, endings: tuple[str, ...], replace: bool) -> None:
    """Raise ``WrongUsage`` for a file of the wrong ending, and unless asked for with
    ``--replace`` (or by a person at the terminal) for one that is there already."""
    if out.suffix.lower() not in endings:
        raise WrongUsage(
            f"{out} does not end in {' or '.join(endings)}",
            "the ending tells other programs what is in it",
            f"write, for instance: {(out.stem or 'out') + endings[0]}",
        )
    try:
        there = out.is_file()
    except (OSError, ValueError):
        return  # told when it is written
    if not there or replace:
        return
    import sys

    from drawdown.report.text.terminal import is_tty

    if is_tty(sys.stdin) and is_tty(sys.stderr):
        sys.stderr.write(f"{out} is there already. Write over it (y), or stop (n)? ")
        sys.stderr.flush()
        if sys.stdin.readline().strip().lower()[:1] == "y":
            return
    raise WrongUsage(
        f"{out} is there already",
        "nothing is written over without asking",
        "choose another name, or say --replace",
    )


def check_sort(sort: str, allowed: tuple[str, ...]) -> str:
    """Raise ``WrongUsage`` for an order that the list does not know."""
    if sort not in allowed:
        raise WrongUsage(
            f"--sort {sort} is no order of this list",
            "nothing was listed",
            f"sort by {', '.join(allowed[:-1])} or {allowed[-1]}",
        )
    return sort


def check_most(most: int | None) -> int | None:
    if most is not None and most < 1:
        raise WrongUsage(
            f"--most is {most}, and must be 1 or more",
            "a list of nothing says nothing",
            "leave it out to see everything",
        )
    return most


def check_days(since: str | None, until: str | None = None) -> tuple[str | None, str | None]:
    from drawdown.book.shapes import clean_date

    first = None if since is None else clean_date(since, "--since")
    return first, None if until is None else clean_date(until, "--until")


def read_parts(pairs: list[str] | None, tins: list[str] | None, shelf: Path | None = None):
    """``--mix`` and ``--tin`` as a mix. An ink that the shelf knows under another name keeps
    the shelf's name; one that it does not know is kept as it was said."""
    from drawdown.book.columns import MixPart
    from drawdown.book.shapes import clean_name

    parts = read_mix(pairs or []) or {}
    marks: dict[str, str] = {}
    for pair in tins or []:
        ink, sign, mark = pair.partition("=")
        if not sign or not ink.strip() or not mark.strip():
            raise WrongUsage(
                f"--tin {pair} is not an ink, an equals sign and the mark on its tin",
                "the mark says from which of the maker's batches the ink came",
                "write for example: --tin phthalo-blue=L2041",
            )
        marks[ink.strip()] = clean_name(mark, "--tin")
    known = shelf_names(list({**parts, **marks}), shelf)
    stray = [ink for ink in marks if known[ink] not in {known[name] for name in parts}]
    if marks and not parts:
        raise WrongUsage(
            "--tin is given without --mix",
            "a mark belongs to an ink of the mix, and would be lost",
            "give the whole mix with --mix as well",
        )
    if stray:
        raise WrongUsage(
            f"--tin names {stray[0]}, which is not in the mix",
            "a mark belongs to an ink of the mix",
            "give the same name with --mix",
        )
    by_name = {known[ink]: mark for ink, mark in marks.items()}
    return tuple(
        MixPart(clean_name(ink, "--mix"), amount, by_name.get(ink, ""))
        for ink, amount in by_shelf(parts, shelf).items()
    )


def not_on_shelf(inks: list[str], shelf: Path | None) -> list[str]:
    """Those inks that the shelf in use does not know."""
    from drawdown.studio.shelf_file import shelf_in_use

    known = shelf_in_use(shelf).shelf
    strange = []
    for ink in inks:
        try:
            known.find(ink)
        except WrongUsage:
            strange.append(ink)
    return strange


def tell_strange(inks: list[str], shelf: Path | None) -> None:
    """Say on stderr which inks the shelf in use does not know: a name may be mistyped."""
    strange = not_on_shelf(inks, shelf)
    if strange:
        from drawdown.report.text.terminal import write_aside

        write_aside(
            f"Not on the shelf in use: {', '.join(strange)}. It is noted as you said it, but "
            "advice can only guess with such inks; put them on the shelf with drawdown ink add."
        )


def shelf_names(inks: list[str], shelf: Path | None) -> dict[str, str]:
    """Each ink under the shelf's name for it, or as it was said."""
    if not inks:
        return {}
    from drawdown.studio.shelf_file import shelf_in_use

    known = shelf_in_use(shelf).shelf
    names = {}
    for ink in inks:
        names[ink] = " ".join(ink.split())
        with contextlib.suppress(WrongUsage):
            names[ink] = known.find(ink).name
    return names


def by_shelf(amounts: dict[str, float], shelf: Path | None) -> dict[str, float]:
    """The amounts under the shelf's names; those of one ink under two names are added up."""
    names = shelf_names(list(amounts), shelf)
    total: dict[str, float] = {}
    for ink, amount in amounts.items():
        total[names[ink]] = total.get(names[ink], 0.0) + amount
    return total


def read_strip(
    photo: Path,
    number: int,
    card: Path | None,
    card_corners: str | None,
    *,
    keep: bool,
    by_hand: tuple[str, ...] = (),
) -> tuple[Judgement, StripReading]:
    """The strip of that number and the photo it is in; ``by_hand`` places strips instead of
    looking for them. With ``keep``, a strip that no verdict could rest on is refused. Raises
    ``WrongUsage``, ``PhotoUnfit`` and ``BadFile``."""
    opt.check_strip_numbers(strip_number=number)
    seen = read_photo(photo, photo_options(card, card_corners, by_hand))
    return seen, strip_of(seen, number, photo, keep=keep)


def strip_of(seen: Judgement, number: int, photo: Path, *, keep: bool) -> StripReading:
    """One more strip of a photo that was read; raises as ``read_strip``."""
    by_number = {s.strip.number: s for s in seen.strips}
    if number not in by_number:
        count = len(by_number)
        raise WrongUsage(
            f"strip {number} was asked for, but {count or 'no'} "
            f"strip{' was' if count == 1 else 's were'} found in {photo}",
            "strips are numbered from left to right with the card upright",
            "see them all with: drawdown read",
        )
    colour = by_number[number]
    hard = [f for f in (*seen.flags, *colour.flags) if f.hard]
    if keep and hard:
        raise PhotoUnfit(
            hard[0].seen,
            f"{hard[0].kind.why}; a colour that is kept must be one to trust",
            hard[0].kind.todo,
        )
    return colour


def store(
    opened: Book, photo: Path, seen: Judgement, colour: StripReading
) -> tuple[Stored, Stored]:
    """Keep a photo and the strip's crop, before the change that names them begins. Raises
    ``BadFile``."""
    from PIL import Image

    from drawdown.book.readings import crop_of
    from drawdown.report.pictures.answer import png_bytes

    crop = png_bytes(Image.fromarray(crop_of(seen, colour)))
    return opened.photos.add_file(photo), opened.photos.add_bytes(crop, ".png")
