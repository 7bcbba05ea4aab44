"""Pulled prints of an edition, each read at one or more spots, and how they drift from the first
good pull."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from calibration.errors import WrongUsage
from calibration.uncertainty.intervals import K95
from drawdown.book.columns import PULL, Pull
from drawdown.book.originals import the_name
from drawdown.book.shapes import name_key
from drawdown.book.store import Book, Change
from drawdown.matching.compare import compare
from drawdown.printing.control_chart import Limits, beyond, individuals_limits, runs

if TYPE_CHECKING:
    from pathlib import Path

    from drawdown.matching.compare import Comparison
    from drawdown.pipeline.read import Judgement
    from drawdown.reading.colour import StripReading
    from drawdown.reading.instrument import InstrumentReading


def add_pull(
    book: Book,
    change: Change,
    *,
    edition: str,
    number: int,
    date: str,
    reading: int,
    spot: str = "",
    good: bool = False,
    note: str = "",
    beside: int | None = None,
) -> int:
    """Add a pulled print; ``beside`` is the reading of the first good pull in the same photo;
    ``good`` makes it the one that this spot's run is held to (the earlier one no longer is).
    Raises ``WrongUsage`` when that number is in the book."""
    key = name_key(edition)
    spot_rows = book.rows(
        "SELECT id, number, good FROM pull WHERE edition_key = ? AND spot = ? "
        "AND removed IS NULL", (key, spot),
    )  # fmt: skip
    if any(row["number"] == number for row in spot_rows):
        raise WrongUsage(
            f'pull {number} of "{edition}" is already in the book',
            "nothing in the book is ever overwritten",
            "give the number of this pull, or remove the other one first",
        )
    if good:
        for row in spot_rows:
            if row["good"]:
                change.update("pull", row["id"], {"good": 0})
    return change.insert("pull", {
        "edition": edition, "edition_key": key, "number": int(number), "date": date, "spot": spot,
        "good": int(good), "note": note, "reading": reading, "beside": beside,
    })  # fmt: skip


# One parameter for each thing that is noted of a pull.
def note_pull(
    book: Book,
    seen: Judgement,
    colour: StripReading | InstrumentReading,
    photo: Path,
    *,
    edition: str,
    number: int,
    date: str,
    spot: str = "",
    good: bool = False,
    note: str = "",
    beside: StripReading | InstrumentReading | None = None,
) -> None:
    """Keep a photo or table and note a strip of it as a pull; ``beside`` is the first good pull in
    the same photo. Raises ``WrongUsage`` for a strip that is a pull already, and ``BadFile``."""
    from drawdown.book.readings import insert_reading, store_photo

    stored, crop = store_photo(book, photo, seen, colour)
    here = [p for p in run_of(book, edition) if p.spot == spot]
    if (same := _same_strip(book, seen, colour, stored.sha256, here)) is not None:
        raise WrongUsage(
            f'this strip of this photo is pull {same} of "{edition}" already',
            "a reading counts once",
            "photograph the next pull; or name another strip with `strip_number`",
        )
    with book.change(f'noted pull {number} of "{edition}"') as change:
        reading = insert_reading(change, seen, colour, stored, crop)
        lain = None if beside is None else insert_reading(change, seen, beside, stored, None)
        add_pull(
            book, change, edition=edition, number=number, date=date, reading=reading, spot=spot,
            good=good, note=note, beside=lain,
        )  # fmt: skip


def _same_strip(
    book: Book, seen: Judgement, colour: StripReading | InstrumentReading, sha256: str,
    pulls: list[Pull],
) -> int | None:  # fmt: skip
    """The number of the pull that was read from the same place in the same photo or table, if
    any."""
    known = {
        row["id"]
        for row in book.rows(
            "SELECT r.id FROM reading r JOIN photo p ON p.id = r.photo WHERE p.sha256 = ?",
            (sha256,),
        )
    }
    pulls = [pull for pull in pulls if pull.reading.id in known]
    if seen.table is not None:
        same = (p.number for p in pulls if p.reading.strip_number == colour.number)
        return next(same, None)
    (x, y) = seen.view.to_px(colour.strip.corners_mm).mean(axis=0)
    for pull in pulls:
        if corners := pull.reading.corners_px:
            across, down = zip(*corners, strict=True)
            if min(across) <= x <= max(across) and min(down) <= y <= max(down):
                return pull.number
    return None


def known_spelling(book: Book, edition: str) -> str:
    """The edition as it is spelt in the book already."""
    same = [known for known, _ in editions(book) if name_key(known) == name_key(edition)]
    return same[0] if same else edition


def run_of(book: Book, edition: str) -> tuple[Pull, ...]:
    """The pulls of an edition in the order of their numbers, ensembles included."""
    rows = book.rows(
        PULL.select() + "WHERE t.edition_key = ? AND t.removed IS NULL ORDER BY t.spot, t.number",
        (name_key(edition),),
    )
    return tuple(map(PULL.record, rows))


def editions(book: Book) -> list[tuple[str, int]]:
    """Every edition with pulls in the book, and how many there are."""
    rows = book.rows(
        "SELECT min(edition) AS edition, count(*) AS count FROM pull WHERE removed IS NULL "
        "GROUP BY edition_key ORDER BY edition_key"
    )
    return [(row["edition"], row["count"]) for row in rows]


BASELINE = 10
# L* and Delta E: equal readings must not draw the limits together to nothing.
LEAST_SIGMA = 0.05
STOP, SOON, LOOK, GO_ON = "stop and adjust", "adjust soon", "look closer", "go on"


@dataclass(frozen=True)
class Point:
    """One pull on the chart. ``de00`` from the first good pull with its 95 % interval; ``l``
    L* on the scale of the good pull's reading, ``l_u95`` the half width of the 95 % interval
    of its difference; ``signs`` what it tells: "tolerance" (surely beyond), "unsure" (may be
    beyond), "de-limit", "l-limit", "de-run", "l-run"."""

    pull: Pull
    comparison: Comparison | None
    de00: float
    de00_low95: float
    de00_high95: float
    l: float  # noqa: E741 (L* is its name)
    l_u95: float
    across_photos: bool
    signs: tuple[str, ...]


@dataclass(frozen=True)
class Run:
    """The pulls of one spot in order. ``limits_de`` and ``limits_l`` are None while there are
    too few pulls; ``advice`` is ``STOP``, ``SOON``, ``LOOK`` or ``GO_ON``, for the latest pull;
    ``why`` the reasons in words; ``earlier`` the numbers of pulls before it that gave a sign."""

    edition: str
    spot: str
    good: Pull
    points: tuple[Point, ...]
    tolerance: float
    limits_de: Limits | None
    limits_l: Limits | None
    advice: str
    why: tuple[str, ...]
    earlier: tuple[int, ...]


def find_edition(book: Book, name: str) -> str:
    """The edition with pulls in the book that is called so. Raises ``WrongUsage``."""
    known = [edition for edition, _ in editions(book)]
    shown = ", ".join(f'"{edition}"' for edition in known[:5])
    none = "add the first good pull with: `pull_print` PHOTO `edition` NAME `good`"
    return the_name(
        name, known, "edition with pulls", f"the book has pulls of {shown}" if known else none
    )


def drift_of(
    book: Book, edition: str, *, tolerance: float, baseline: int = BASELINE,
    spot: str | None = None,
) -> tuple[Run, ...]:  # fmt: skip
    """The runs of an edition, one for each spot. Raises ``WrongUsage`` when a spot has no
    first good pull, or there is no such spot."""
    pulls = run_of(book, edition)
    spots = list(dict.fromkeys(p.spot for p in pulls))
    if spot is not None:
        spots = [s for s in spots if name_key(s) == name_key(spot)]
        if not spots:
            raise WrongUsage(f'no pull of "{edition}" was read at a spot "{spot}"',
                             "there is nothing to show", "see them all: leave `spot` out"
                             )  # fmt: skip
    return tuple(_run([p for p in pulls if p.spot == one], tolerance, baseline) for one in spots)


def _run(pulls: list[Pull], tolerance: float, baseline: int) -> Run:
    good = next((p for p in pulls if p.good), None)
    if good is None:
        raise WrongUsage(
            f'"{pulls[0].edition}" has no first good pull' + _at(pulls[0].spot),
            "there is nothing to hold the run to",
            "add it with: `pull_print` PHOTO `edition` NAME `number` N `good`",
        )
    measured = [_measure(p, good, tolerance) for p in pulls]
    # The good pull is nought by definition, so it says nothing of how pulls scatter in Delta E.
    others = [m for m in measured if m.pull.id != good.id]
    limits_de = individuals_limits(np.array([m.de00 for m in others[:baseline]]), LEAST_SIGMA)
    limits_l = individuals_limits(np.array([m.l for m in measured[:baseline]]), LEAST_SIGMA)
    points = _signed(measured, good, limits_de, limits_l)
    advice, why = advice_of(points[-1], tolerance)
    earlier = tuple(p.pull.number for p in points[:-1] if set(p.signs) - {"unsure"})
    return Run(pulls[0].edition, good.spot, good, points, tolerance, limits_de, limits_l, advice,
               why, earlier)  # fmt: skip


def _at(spot: str) -> str:
    return f' at "{spot}"' if spot else ""


def _measure(pull: Pull, good: Pull, tolerance: float) -> Point:
    level = good.reading.lab_d50[0]
    if pull.id == good.id:
        return Point(pull, None, 0.0, 0.0, 0.0, level, 0.0, False, ())
    other = pull.beside or good.reading
    across = pull.beside is None and (
        pull.reading.photo is None or pull.reading.photo != good.reading.photo
    )
    c = compare(
        other.colour(),
        pull.reading.colour(),
        tolerance=tolerance,
        nominal_card="nominal" in (pull.reading.card, other.card),
        shaded_card=pull.reading.shaded or other.shaded,
        across_photos=across,
    )
    u95 = K95 * float(np.sqrt(c.d_lab_cov[0, 0]))
    signs = {"no match": ("tolerance",), "too close to call": ("unsure",)}.get(c.verdict or "", ())
    return Point(pull, c, c.de00, c.de00_low95, c.de00_high95, level + float(c.d_lab[0]), u95,
                 across, signs)  # fmt: skip


def _signed(
    measured: list[Point], good: Pull, limits_de: Limits | None, limits_l: Limits | None
) -> tuple[Point, ...]:
    """The points with what the charts say. In Delta E only the upper side is a sign: nearer to
    the good pull than usual is no fault."""
    from dataclasses import replace

    signs: dict[int, list[str]] = {i: list(m.signs) for i, m in enumerate(measured)}
    if limits_de is not None:
        order = [i for i, m in enumerate(measured) if m.pull.id != good.id]
        values = np.array([measured[i].de00 for i in order])
        for name, found in (("de-limit", beyond(values, limits_de)),
                            ("de-run", runs(values, limits_de))):  # fmt: skip
            for i, sign in zip(order, found, strict=True):
                signs[i] += [name] if sign > 0 else []
    if limits_l is not None:
        values = np.array([m.l for m in measured])
        for name, found in (("l-limit", beyond(values, limits_l)),
                            ("l-run", runs(values, limits_l))):  # fmt: skip
            for i, sign in enumerate(found):
                signs[i] += [name] if sign else []
    return tuple(replace(m, signs=tuple(signs[i])) for i, m in enumerate(measured))


_WORDS = {
    "tolerance": "it is beyond {tolerance:g} Delta E from the first good pull, and its uncertainty "
    "does not reach back within it",
    "de-limit": "its Delta E lies above the control limit: further off than this run scatters",
    "l-limit": "its L* lies beyond a control limit: lighter or darker than this run scatters",
    "de-run": "eight pulls in a row lie further off than the mean: a drift, not scatter",
    "l-run": "eight pulls in a row lie on one side of the mean L*: a drift, not scatter",
    "unsure": "it may be beyond {tolerance:g} Delta E; its photo cannot say for sure",
}


def advice_of(last: Point, tolerance: float) -> tuple[str, tuple[str, ...]]:
    """What to do after a pull, and the reasons in words. Stop: surely beyond tolerance, or a
    sign of the control chart on a pull that is not surely within it. Adjust soon: such a sign
    on a pull whose whole 95 % interval is within tolerance. Look closer: no sign, but the photo
    cannot say that it is within."""
    why = tuple(_WORDS[sign].format(tolerance=tolerance) for sign in last.signs)
    chart = set(last.signs) - {"tolerance", "unsure"}
    if "tolerance" in last.signs or (chart and last.de00_high95 > tolerance):
        return STOP, why
    return (SOON if chart else LOOK if last.signs else GO_ON), why
