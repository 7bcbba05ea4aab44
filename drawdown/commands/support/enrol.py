"""``drawdown card --enrol``: the measured colours of a printed card, from photos that show it
beside a known one or from an instrument's readings."""

from __future__ import annotations

from pathlib import Path

import typer

from calibration.errors import BadFile, PhotoUnfit, WrongUsage
from drawdown.commands.support.parse import read_day


def enrol_print(
    sources: list[Path],
    definition: Path,
    shape: str,
    card_file: Path | None,
    known_file: Path | None,
    date: str | None,
) -> None:
    """Measure a printed card from photos or readings and write its definition. Raises
    ``WrongUsage``, ``BadFile`` and ``PhotoUnfit``."""
    day = read_day(date)

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
    from drawdown.pipeline.options import same_photo

    kept: list[Path] = []
    for source in sources:
        if any(same_photo(source, other) for other in kept):
            typer.echo(f"{source} was given before, or is a copy: it counts once.", err=True)
        else:
            kept.append(source)
    return kept


def _photo_readings(sources: list[Path], known, own) -> tuple:
    from calibration.correction.enrol_photo import check_pair, read_photo
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
