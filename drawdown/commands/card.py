"""``drawdown card``: the printable reference card, its definition, or the enrolment of a print.

Raises ``WrongUsage`` for options that make no sense, ``BadFile`` when a file cannot be used
or written and ``PhotoUnfit`` when a photo is no good for enrolling. stdout gets the path of
each file written.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from calibration.errors import BadFile, WrongUsage

SHAPES = ("slip", "frame")
PAPERS = ("a4", "letter")
FORMATS = (".pdf", ".svg", ".png")


def card(
    out: Annotated[
        Path | None,
        typer.Argument(
            metavar="OUT.pdf",
            help="File to draw the card in: .pdf, .svg or .png.",
            show_default=False,
        ),
    ] = None,
    shape: Annotated[
        str,
        typer.Option(
            metavar="SHAPE", help="slip: lay it beside the strips. frame: lay it over them."
        ),
    ] = "slip",
    paper: Annotated[
        str, typer.Option(metavar="SIZE", help="Size of the page: a4 or letter.")
    ] = "a4",
    dpi: Annotated[
        int | None,
        typer.Option(
            metavar="N",
            help="Pixels per inch of a PNG, 72 to 2400 (else 600).",
            show_default=False,
        ),
    ] = None,
    definition: Annotated[
        Path | None,
        typer.Option(
            metavar="OUT.toml",
            help="File to write the card's definition in: places, colours, uncertainty.",
            show_default=False,
        ),
    ] = None,
    enrol: Annotated[
        list[Path] | None,
        typer.Option(
            metavar="SOURCE",
            help="Write the measured colours of your print into --definition, from a photo that "
            "shows it beside the --known card, or from an instrument's readings (CSV or "
            "CGATS.17). Once for each photo or table.",
            show_default=False,
        ),
    ] = None,
    known: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            help="Definition of the card with known values in the photos.",
            show_default=False,
        ),
    ] = None,
    card_file: Annotated[
        Path | None,
        typer.Option(
            "--card",
            metavar="FILE",
            help="Definition of the card to enrol, if it is not ours as drawn.",
            show_default=False,
        ),
    ] = None,
    date: Annotated[
        str | None,
        typer.Option(
            metavar="DAY", help="When it was read, as 2030-12-31 (else today).", show_default=False
        ),
    ] = None,
) -> None:
    """Make the reference card to print, write its definition, or enrol your print of it."""
    if enrol:
        _enrol(out, shape, definition, enrol, known, card_file, date)
        return
    _refuse_alone(known=known, card=card_file, date=date)
    if out is None and definition is None:
        raise WrongUsage(
            "no file was named",
            "the card has to go somewhere",
            "write, for instance: drawdown card card.pdf",
        )
    shape = check_choice("--shape", shape, SHAPES)
    if out is not None:
        paper = check_drawing(out, paper, dpi)
    if definition is not None:
        _check_definition(definition)

    from calibration.card.toml import builtin_cards, write_card

    chosen = next(c for c in builtin_cards() if c.name == shape)
    if out is None:
        write_card(definition, chosen)
    else:
        from calibration.card.artwork import card_page
        from calibration.files import writing_atomically

        data = drawing(card_page(chosen, paper), out, dpi)
        with writing_atomically(out) as stream:  # both files are written, or neither
            stream.write(data)
            if definition is not None:
                write_card(definition, chosen)
    for path in (definition, out):
        if path is not None:
            typer.echo(str(path))
    if out is not None:
        typer.echo(
            "Print it at 100 % on plain matt paper and check the 100 mm scale with a ruler.",
            err=True,
        )


def _refuse_alone(**options: object) -> None:
    for name, value in options.items():
        if value is not None:
            raise WrongUsage(
                f"--{name} was given without --enrol",
                "it tells how a printed card is enrolled",
                "write, for instance: drawdown card --enrol photo.jpg --known known.toml "
                "--definition my-card.toml",
            )


def _enrol(
    out: Path | None,
    shape: str,
    definition: Path | None,
    sources: list[Path],
    known_file: Path | None,
    card_file: Path | None,
    date: str | None,
) -> None:
    """Measure a printed card from photos or readings and write its definition."""
    if out is not None or definition is None:
        raise WrongUsage(
            "--enrol writes a definition, so it needs --definition OUT.toml and no drawing",
            "the measured colours have to go somewhere",
            "write, for instance: drawdown card --enrol readings.csv --definition my-card.toml",
        )
    _check_definition(definition)
    shape = check_choice("--shape", shape, SHAPES)
    if card_file is not None and shape != SHAPES[0]:
        raise WrongUsage("--shape and --card were both given", "each names the card to enrol",
                         "give the one that holds")  # fmt: skip
    day = _day(date)

    from calibration.card.instrument import is_table
    from calibration.card.toml import builtin_cards, read_card, write_card
    from calibration.correction.enrol import enrolled_card, from_instrument, from_photos

    own = read_card(card_file) if card_file else next(c for c in builtin_cards() if c.name == shape)
    _check_sources(sources)
    sources = _once(sources)
    tables = [is_table(source) for source in sources]
    if any(tables) and not all(tables):
        raise WrongUsage(
            "photos and tables of readings were given together",
            "an instrument is better than any photo, so a mean of both is worse than the readings",
            "give the tables alone",
        )
    if all(tables):
        if known_file is not None:
            raise WrongUsage("--known was given with an instrument's readings",
                             "only a photo needs a card with known values beside it",
                             "leave it out")  # fmt: skip
        made = from_instrument(own, *_readings(sources, own))
        how = f"read by an instrument, {_times(made.count, 'reading')}, {day}"
    else:
        if known_file is None:
            raise WrongUsage(
                "--known is missing",
                "a photo tells colours only beside a card whose colours are known",
                "add --known with that card's definition",
            )
        known = read_card(known_file)
        made = from_photos(own, _photo_readings(sources, known, own))
        how = f'read on {_times(made.count, "photo")} beside "{known.title}", {day}'
    source = f"enrolled: {how}"
    if made.unread:
        source += f"; not read, as drawn: {', '.join(made.unread)}"
    write_card(definition, enrolled_card(made, source[:1000]))
    typer.echo(str(definition))
    _tell(made)


def _day(date: str | None) -> str:
    import datetime

    if date is None:
        return datetime.date.today().isoformat()
    try:
        return datetime.date.fromisoformat(date).isoformat()
    except ValueError as error:
        raise WrongUsage(f'--date is "{date}", which is no day', "the definition says when its "
                         "card was read", "write it as 2030-12-31") from error  # fmt: skip


def _readings(sources: list[Path], own):
    import numpy as np

    from calibration.card.instrument import read_readings

    patches = tuple(p.name for p in own.patches)
    tables = [read_readings(source, patches) for source in sources]
    names = tuple(str(s) for s, table in zip(sources, tables, strict=True) for _ in table)
    return np.concatenate(tables), names


def _check_sources(sources: list[Path]) -> None:
    """Before anything is said of photos or tables: are these files at all?"""
    for source in sources:
        if source.is_dir() or not source.exists():
            raise BadFile(
                f"{source} is a folder" if source.is_dir() else f"there is no file {source}",
                "the colours of your print are read from a photo or a table",
                "give --enrol a photo, or a table of readings (CSV or CGATS.17)",
            )


def _once(sources: list[Path]) -> list[Path]:
    """Each file once: a reading counted twice would seem surer than it is."""
    from drawdown.pipeline.roles import same_photo

    kept: list[Path] = []
    for source in sources:
        if any(same_photo(source, other) for other in kept):
            typer.echo(f"{source} was given before, or is a copy: it counts once.", err=True)
        else:
            kept.append(source)
    return kept


def _photo_readings(sources: list[Path], known, own) -> tuple:
    from calibration.correction.enrol_photo import check_pair, read_photo
    from calibration.errors import PhotoUnfit
    from calibration.photo.open import open_photo
    from drawdown.commands.support.progress import ProgressLine

    check_pair(known, own)
    readings = []
    with ProgressLine() as progress:
        for k, source in enumerate(sources):
            progress(f"reading {source.name}", k / len(sources))
            try:
                readings.append(read_photo(open_photo(source), known, own))
            except PhotoUnfit as unfit:
                raise PhotoUnfit(f"{source}: {unfit.seen}", unfit.why, unfit.todo) from unfit
    return tuple(readings)


def _times(count: int, what: str) -> str:
    return f"{count} {what}" + ("s" if count != 1 else "")


def _tell(made) -> None:
    """What came out of it, on stderr."""
    words = (
        f"Your print is {made.print_error_de:.1f} Delta E from the definition it was enrolled "
        f"against (median); its values now have a standard uncertainty of about "
        f"{made.typical_u_de:.1f}."
    )
    if made.scatter_de is not None:
        words += f" Single readings scatter by {made.scatter_de:.1f}."
    if made.unread:
        words += f" Not read, left as drawn: {', '.join(made.unread)}."
    if made.doubtful:
        words += (
            f" The readings contradict each other on {', '.join(made.doubtful)}: half their "
            "difference went into the uncertainty there. Look for a slip, and read those again."
        )
    typer.echo(words, err=True)
    if made.scatter_de is None:
        typer.echo(
            "A second photo with the two cards in each other's place, or a second reading, "
            "would show and lessen the scatter.",
            err=True,
        )


def _check_definition(definition: Path) -> None:
    if definition.suffix.lower() != ".toml":
        raise WrongUsage(
            f"{definition} does not end in .toml",
            "a card definition is a TOML file",
            "write, for instance: drawdown card --definition card.toml",
        )
    if definition.exists():
        # It may hold values that someone paid to have measured.
        raise WrongUsage(
            f"{definition} exists already",
            "a definition may hold measured colours, so it is never written over",
            "choose another name, or move that file away first",
        )


def check_choice(option: str, value: str, allowed: tuple[str, ...]) -> str:
    """The option's value in small letters; ``WrongUsage`` unless it is one of its own."""
    if value.lower() not in allowed:
        raise WrongUsage(
            f'{option} is "{value}", which is unknown',
            "only these can be drawn: " + ", ".join(allowed),
            f"write, for instance: {option} {allowed[0]}",
        )
    return value.lower()


def check_drawing(out: Path, paper: str, dpi: int | None) -> str:
    """The paper's size; raises ``WrongUsage`` unless a page can be drawn so."""
    if out.suffix.lower() not in FORMATS:
        ending = f'"{out.suffix}"' if out.suffix else "no ending"
        raise WrongUsage(
            f"{out} has {ending}, which names no format that can be drawn",
            "the ending decides the format",
            "let the name end in .pdf (best for printing), .svg or .png",
        )
    paper = check_choice("--paper", paper, PAPERS)
    if dpi is not None and not 72 <= dpi <= 2400:
        raise WrongUsage(
            f"--dpi is {dpi}",
            "below 72 nothing is legible and above 2400 no printer follows",
            "choose a number from 72 to 2400; 600 suits most printers",
        )
    return paper


def drawing(page, out: Path, dpi: int | None) -> bytes:
    """A page in the format that the file's ending names."""
    from calibration.card.render import DPI_DEFAULT, render

    suffix = out.suffix.lower()
    if dpi is not None and suffix != ".png":
        typer.echo(f"--dpi matters to PNG only; {suffix} is drawn in exact lines.", err=True)
    return render(page, suffix, dpi or DPI_DEFAULT)
