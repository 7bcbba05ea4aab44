"""``drawdown card``: the printable reference card and test sheet, the card's definition, or the
enrolment of a print.

Raises ``WrongUsage`` for options that make no sense, ``BadFile`` when a file cannot be used
or written and ``PhotoUnfit`` when a photo is no good for enrolling. stdout gets the path of
each file written.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from calibration.errors import BadFile, PhotoUnfit, WrongUsage
from drawdown.book.shapes import clean_date
from drawdown.commands.support import options as opt
from drawdown.commands.support.parse import read_choice
from drawdown.report.text import terminal
from drawdown.wording.figures import count

SHAPES = ("slip", "frame", "sheet")
PAPERS = ("a4", "letter")
FORMATS = (".pdf", ".svg", ".png")

PaperSize = Annotated[str, opt.option("SIZE", "Size of the page: a4 or letter.")]
Dpi = Annotated[int | None, opt.option("N", "Pixels per inch of a PNG, 72 to 2400 (else 600).")]


# Long by its options, one parameter each.
def card(  # long: one parameter a line
    out: Annotated[
        Path | None, opt.argument("OUT.pdf", "File to draw it in: .pdf, .svg or .png.")
    ] = None,
    shape: Annotated[
        str,
        opt.option(
            "SHAPE",
            "slip: lay it beside the strips. frame: lay it over them. sheet: the test sheet, with "
            "lanes for strips, a black bar and a place for the card.",
        ),
    ] = "slip",
    paper: PaperSize = "a4",
    dpi: Dpi = None,
    definition: Annotated[
        Path | None,
        opt.option(
            "OUT.toml", "File to write the card's definition in: places, colours, uncertainty."
        ),
    ] = None,
    enrol: Annotated[
        list[Path] | None,
        opt.option(
            "SOURCE",
            "Write the measured colours of your print into --definition, from a photo that "
            "shows it beside the --known card, from a raw photo (DNG) of it alone in daylight, "
            "from two ordinary photos of one scene, the second about a stop darker, or from an "
            "instrument's readings (CSV or CGATS.17). Once for each photo or table.",
        ),
    ] = None,
    known: Annotated[
        Path | None, opt.option("FILE", "Definition of the card with known values in the photos.")
    ] = None,
    card_file: Annotated[
        Path | None,
        opt.option(
            "FILE", "Definition of the card to enrol, if it is not ours as drawn.", "--card"
        ),
    ] = None,
    date: Annotated[
        str | None, opt.option("DAY", "When it was read, as 2030-12-31 (else today).")
    ] = None,
    replace: opt.Replace = False,
) -> None:
    """Make the reference card or test sheet to print; measure your print."""
    if enrol:
        if out is not None and out.is_file():
            enrol, out = [*enrol, out], None  # --enrol a.jpg b.jpg
        if out is not None or definition is None:
            raise WrongUsage(
                "--enrol writes a definition, so it needs --definition OUT.toml and no drawing",
                "the measured colours have to go somewhere",
                "write, for instance: drawdown card --enrol readings.csv --definition my-card.toml",
            )
        opt.check_out(definition, (".toml",), replace)
        shape = read_choice("--shape", shape, SHAPES[:2])
        if card_file is not None and shape != SHAPES[0]:
            raise WrongUsage("--shape and --card were both given", "each names the card to enrol",
                             "give the one that holds")  # fmt: skip
        _enrol_print(enrol, definition, shape, card_file, known, date)
    else:
        _refuse_alone(known=known, card=card_file, date=date)
        _draw(out, definition, shape, paper, dpi, replace)


def _draw(
    out: Path | None, definition: Path | None, shape: str, paper: str, dpi: int | None,
    replace: bool,
) -> None:  # fmt: skip
    """Write the drawing, the definition, or both."""
    if out is None and definition is None:
        raise WrongUsage(
            "no file was named",
            "the card has to go somewhere",
            "write, for instance: drawdown card card.pdf",
        )
    shape = read_choice("--shape", shape, SHAPES)
    if out is not None:
        paper = _check_drawing(out, paper, dpi, replace)
    if shape == "sheet":
        _draw_sheet(out, definition, paper, dpi)
        return
    opt.check_out(definition, (".toml",), replace)

    from calibration.card.toml import builtin_cards, write_card

    chosen = next(c for c in builtin_cards() if c.name == shape)
    if out is None and definition is not None:
        write_card(definition, chosen)
    elif out is not None:
        from calibration.card.artwork import card_page
        from calibration.files import writing_atomically

        data = _drawing(card_page(chosen, paper), out, dpi)
        with writing_atomically(out) as stream:  # both files are written, or neither
            stream.write(data)
            if definition is not None:
                write_card(definition, chosen)
    for path in (definition, out):
        if path is not None:
            terminal.write_result(str(path))
    if out is not None:
        terminal.write_aside(
            "Print it at 100 % on plain matt paper and check the 100 mm scale with a ruler."
        )


def _draw_sheet(out: Path | None, definition: Path | None, paper: str, dpi: int | None) -> None:
    """Write the test sheet."""
    if definition is not None or out is None:
        raise WrongUsage(
            "the test sheet has no definition",
            "only a card's colours are defined",
            "write: drawdown card sheet.pdf --shape sheet",
        )
    from calibration.files import write_atomically
    from drawdown.strips.test_sheet import builtin_sheets, sheet_page

    write_atomically(out, _drawing(sheet_page(builtin_sheets()[paper]), out, dpi))
    terminal.write_result(str(out))
    terminal.write_aside(
        "Print it at 100 % on the paper you pull on, or one like it. Let the black bar dry well: "
        "some printers' black runs under water-based ink."
    )


def _check_drawing(out: Path, paper: str, dpi: int | None, replace: bool) -> str:
    """The paper's size; raises ``WrongUsage`` unless a page can be drawn so."""
    opt.check_out(out, FORMATS, replace)
    paper = read_choice("--paper", paper, PAPERS)
    if dpi is not None and not 72 <= dpi <= 2400:
        raise WrongUsage(
            f"--dpi is {dpi}",
            "below 72 nothing is legible and above 2400 no printer follows",
            "choose a number from 72 to 2400; 600 suits most printers",
        )
    return paper


def _drawing(page, out: Path, dpi: int | None) -> bytes:
    """A page in the format that the file's ending names."""
    from calibration.card.render import DPI_DEFAULT, render

    suffix = out.suffix.lower()
    if dpi is not None and suffix != ".png":
        terminal.write_aside(f"--dpi matters to PNG only; {suffix} is drawn in exact lines.")
    return render(page, suffix, dpi or DPI_DEFAULT)


def _refuse_alone(**options: object) -> None:
    for name, value in options.items():
        if value is not None:
            raise WrongUsage(
                f"--{name} was given without --enrol",
                "it says how to enrol a printed card",
                "write, for instance: drawdown card --enrol photo.jpg --known known.toml "
                "--definition my-card.toml",
            )


# Enrolment ---------------------------------------------------------------------------------


def _enrol_print(
    sources: list[Path],
    definition: Path,
    shape: str,
    card_file: Path | None,
    known_file: Path | None,
    date: str | None,
) -> None:
    """Measure a printed card from photos or readings and write its definition. Raises
    ``WrongUsage``, ``BadFile`` and ``PhotoUnfit``."""
    day = clean_date(date, "--date")

    from calibration.card.toml import builtin_cards, read_card, write_card
    from calibration.colour.tables import is_table
    from calibration.correction.enrol.measured import enrolled_card, from_instrument, from_photos

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
        how = f"read by an instrument, {count(made.count, 'reading')}, {day}"
    else:
        known = read_card(known_file) if known_file is not None else None
        readings, beside = _photo_readings(sources, known, own)
        made = from_photos(own, readings)
        how = f"read on {count(made.count, 'photo')} {beside}, {day}"
    source = f"enrolled: {how}"
    if made.unread:
        source += f"; not read, as drawn: {', '.join(made.unread)}"
    write_card(definition, enrolled_card(made, source[:1000]))
    terminal.write_result(str(definition))
    _say_enrolled(made)


def _readings(sources: list[Path], own):
    import numpy as np

    from calibration.card.tables import read_readings

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
            terminal.write_aside(f"{source} was given before, or is a copy: it counts once.")
        else:
            kept.append(source)
    return kept


def _photo_readings(sources: list[Path], known, own) -> tuple[tuple, str]:
    """The print as each photo shows it, and in a few words what its colours were read by."""
    from calibration.correction.enrol.exposures import read_exposures
    from calibration.correction.enrol.photos import check_alone, check_pair, read_alone, read_photo
    from calibration.files import read_bytes
    from calibration.photo.open import MAX_BYTES, photo_from_bytes
    from drawdown.commands.support.progress import ProgressLine

    if known is None:
        check_alone(own)
    else:
        check_pair(known, own)
    files = [read_bytes(source, "a photo", MAX_BYTES) for source in sources]
    exposures = known is None and _are_exposures(sources, files)
    seen = []
    with ProgressLine() as progress:
        for k, (source, data) in enumerate(zip(sources, files, strict=True)):
            progress(f"reading {source.name}", k / len(sources))
            photo = photo_from_bytes(data, str(source))
            try:
                if exposures:
                    seen.append(photo)
                elif known is None:
                    seen.append(read_alone(photo, own))
                else:
                    seen.append(read_photo(photo, known, own))
            except PhotoUnfit as unfit:
                raise PhotoUnfit(f"{source}: {unfit.seen}", unfit.why, unfit.todo) from unfit
        if exposures:
            return read_exposures(seen, own), "of one scene, exposed differently"
    if known is None:
        return tuple(seen), "beside nothing, by the camera's own matrix"
    return tuple(seen), f'beside "{known.title}"'


def _are_exposures(sources: list[Path], files: list[bytes]) -> bool:
    """Whether these photos of the print alone are ordinary ones, exposed differently; False for raw
    photos. Raises ``WrongUsage`` for one ordinary photo, or both kinds together."""
    from calibration.photo.formats import kind_of

    raw = [kind_of(data, str(source)) == "RAW" for source, data in zip(sources, files, strict=True)]
    if any(raw) and not all(raw):
        raise WrongUsage(
            "raw photos and ordinary ones were given together",
            "a raw photo measures your print by itself, ordinary ones only against each other",
            "give the raw photos alone",
        )
    if len(raw) == 1 and not raw[0]:
        raise WrongUsage(
            "--known is missing",
            f"{sources[0]} is an ordinary photo: alone it cannot tell your print's colours from "
            "what the phone made of them",
            "add a second photo of the same scene, about a stop darker; or give a raw photo (DNG); "
            "or add --known with the definition of a measured card that lies beside your print",
        )
    return not raw[0]


def _say_enrolled(made) -> None:
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
    terminal.write_aside(words)
    if made.scatter_de is None:
        terminal.write_aside(
            "A second photo with the two cards in each other's place, or a second reading, "
            "would show and lessen the scatter."
        )
