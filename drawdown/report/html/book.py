"""What is in the book as a report: a batch's story, an edition's run, kept originals."""

from __future__ import annotations

from collections.abc import Sequence

from PIL import Image

from drawdown.book.columns import Batch, Entry, Mix, Original, Reading, Recipe
from drawdown.book.edition import Run
from drawdown.book.store import Book
from drawdown.report.html import sheet
from drawdown.report.html.plot import Dot, dots_svg
from drawdown.report.html.sheet import Part, Points, Report, Say, Swatch, Swatches, Table
from drawdown.report.json.book import photo_path
from drawdown.report.pictures.answer import small_srgb
from drawdown.report.text import edition as running
from drawdown.report.text.book import (
    NO_MIX,
    UNCERTAIN,
    added_briefly,
    colour_words,
    facts,
    in_it_now,
    recipe_words,
    story_steps,
)
from drawdown.wording.book import mix_words
from drawdown.wording.figures import count, not_known, well_known

MOST_ADDED = 5  # photos of a batch whose additions have room below the plot


def batch_report(
    batch: Batch,
    original: Original | None,
    story: Sequence[Entry],
    now_in_it: tuple[Mix, float | None] | None,
) -> Report:
    """A batch from its beginning to now."""
    last = next((e.reading for e in reversed(story) if e.reading is not None), None)
    fields = [("original", original.reading if original else None), ("batch, as last read", last)]
    told = [Swatch(name, _lab(r), [colour_words(r)]) for name, r in fields if r is not None]
    found: list[Part] = [Swatches(told)] if told else []
    found += story_parts(batch, story)
    if now_in_it is not None:
        found.append(Say([in_it_now(now_in_it)], "In it now", strong=True))
    towards = f", towards {original.name}" if original else ""
    return Report(f"{batch.name}{towards}", found, [f"Begun {batch.date}", batch.note])


def story_parts(batch: Batch, story: Sequence[Entry]) -> list[Part]:
    """A batch's story: how its Delta E went, and every step."""
    steps = story_steps(batch, story)
    rows = [(when, what, de00, detail) for when, what, de00, detail in steps]
    table = Table(("when (UTC)", "what", "Delta E (95 %)", "and"), rows, "Step by step")
    plot = story_svg(story)
    alt = "Delta E of each photo with its 95 % interval; the table below has the numbers"
    return [*([sheet.drawing(plot, alt, "The story so far")] if plot else []), table]


def story_svg(story: Sequence[Entry]) -> str:
    """Delta E from photo to photo, with what went in before each, of those that could be judged;
    empty where none could."""
    reads = [e for e in story if e.kind == "read" and e.verdict and e.de00 is not None]
    if not reads:
        return ""
    few, dots, before = len(reads) <= MOST_ADDED, [], 0
    for k, e in enumerate(reads, 1):
        went_in = [s for s in story if before < s.id < e.id and s.kind == "added"] if few else []
        more = ", ".join(filter(None, map(added_briefly, went_in)))
        name = f"{k} ({more})" if more else str(k)
        dots.append(Dot(name, e.de00 or 0.0, e.de00_low95 or 0.0, e.de00_high95 or 0.0))
        before = e.id
    tolerance = next((e.tolerance for e in reversed(reads) if e.tolerance), None)
    lines = [] if tolerance is None else [(tolerance, "tolerance")]
    return dots_svg(dots, "Delta E 2000 from the original, with 95 %", lines)


def edition_report(runs: Sequence[Run]) -> Report:
    """An edition's pulls against its first good one, spot by spot."""
    found: list[Part] = []
    for run in runs:
        said = [*running.told(run, run.points[-1]), running.look_again(run)]
        found.append(Say(said, run.spot, strong=True))
        pulls = [
            Swatch(f"{p.pull.number}{', first good' if p.pull.good else ''}", _lab(p.pull.reading))
            for p in run.points
        ]
        for svg, what in zip(run_svgs(run), ("Delta E", "L*"), strict=True):
            alt = f"{what} from pull to pull with 95 % intervals; the table has the numbers"
            found.append(sheet.drawing(svg, alt))
        found.append(Table(running.HEAD, [running.row(p) for p in run.points], "Pull by pull"))
        found.append(Say([running.SIGN_WORDS, *running.notes(run)]))
        found.append(Swatches(pulls, wall=True, title="As each photo read them"))
    edition = runs[0].edition
    return Report(f"{edition}: {count(len(runs[0].points), 'pull')}", found)


def run_svgs(run: Run) -> tuple[str, str]:
    """The control charts of a run: Delta E, and L*. Squares are pulls with a sign."""
    charts = []
    for ours, limits, line, floor, title in (
        (running.OF_DE, run.limits_de, (run.tolerance, "tolerance"), 0.0,
         "Delta E 2000 from the first good pull, 95 %"),
        (running.OF_L, run.limits_l, (float(run.good.reading.lab_d50[0]), "first good"), None,
         "L* (up: lighter), with 95 %"),
    ):  # fmt: skip
        lines = [line]
        if limits is not None:
            ends = (limits.lower, limits.upper)
            lines += [(end, "limit") for end in ends if floor is None or end > floor]
        dots = []
        for p in run.points:
            value, low, high = p.de00, p.de00_low95, p.de00_high95
            if floor is None:
                value, low, high = p.l, p.l - p.l_u95, p.l + p.l_u95
            dots.append(Dot(str(p.pull.number), value, low, high, bool(set(p.signs) & set(ours))))
        charts.append(dots_svg(dots, title, lines, floor))
    return charts[0], charts[1]


def originals_report(found: Sequence[Original]) -> Report:
    """Kept originals as a wall of swatches."""
    fields = [
        Swatch(o.name, _lab(o.reading), [
            ", ".join(filter(None, (o.date, o.state, o.edition, o.paper))),
            colour_words(o.reading) if _known(o.reading) else "",
            mix_words(o.recipe.mix) if o.recipe else "",
        ])
        for o in found
    ]  # fmt: skip
    unsure = [o.name for o in found if not _known(o.reading)]
    said = [UNCERTAIN, f"L*a*b* {not_known(True)}: {', '.join(unsure)}." if unsure else ""]
    parts: list[Part] = [Swatches(fields, wall=True), Say(said)]
    return Report(count(len(found), "kept original"), parts)


def original_report(o: Original, recipes: Sequence[Recipe], photo: Image.Image | None) -> Report:
    """One kept original with its recipes and its ``photo``."""
    found: list[Part] = [Swatches([Swatch(o.name, _lab(o.reading))]), Table((), facts(o))]
    rows = [recipe_words(recipe) for recipe in reversed(recipes)]
    title = "Recipe, the newest first (parts by weight)"
    found.append(Points(title, rows or [NO_MIX]))
    if photo is not None:
        found.append(
            sheet.photo(photo, "The photo of its strip, as the book keeps it", "The strip")
        )
    return Report(o.name, [*found, Say([UNCERTAIN])])


def kept_photo(book: Book, o: Original) -> Image.Image | None:
    """The photo of an original's strip, small and in sRGB; None where none can be opened."""
    from calibration.errors import DrawdownError
    from calibration.photo.open import open_photo

    path = photo_path(book, o.reading.photo) if o.reading else None
    if path is None:
        return None
    try:
        small, _ = small_srgb(open_photo(path), sheet.PHOTO_PX, sheet.PHOTO_PX)
    except DrawdownError:  # lost or damaged; `check_book` tells of it
        return None
    return Image.fromarray(small)


def _known(reading: Reading | None) -> bool:
    nominal = reading is not None and reading.card == "nominal"
    return reading is not None and well_known(reading.lab_u95, nominal)


def _lab(reading: Reading | None) -> list[float] | None:
    return None if reading is None else [float(value) for value in reading.lab_d50]
