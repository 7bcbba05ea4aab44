"""The book as JSON."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from drawdown.report.json.document import fields, numbers
from drawdown.wording.verdict import differs

if TYPE_CHECKING:
    from drawdown.book import Book
    from drawdown.book.columns import Batch, Entry, Mix, Original, Packet, Reading, Recipe
    from drawdown.book.edition import Run
    from drawdown.book.store import Done
    from drawdown.printing.control_chart import Limits


def mix_data(mix: Mix) -> list[dict[str, Any]]:
    return [
        {"ink": p.ink, "parts": round(p.parts, 4), "ink_batch": p.ink_batch or None} for p in mix
    ]


def reading_data(reading: Reading | None, book: Book | None = None) -> dict[str, Any] | None:
    """A reading; with an open book also where its photo and crop lie."""
    if reading is None:
        return None
    r = reading
    return {
        **fields(r, 2, "lab_d50", "lab_u95", "munsell_value"),
        **fields(r, 3, "evenness_de00", "card", "strip_number"),
        "corners_px": [list(c) for c in r.corners_px],
        "flags": list(dict.fromkeys(code for code, _ in r.flags)),
        **fields(r, None, "captured", "read_at"),
        "photo": None if book is None else photo_path(book, r.photo),
        "crop": None if book is None else photo_path(book, r.crop),
    }


def photo_path(book: Book, photo: int | None) -> str | None:
    """Where a photo of the book lies."""
    if photo is None:
        return None
    found = book.rows("SELECT * FROM photo WHERE id = ?", (photo,))
    return str(book.photos.path(found[0]["sha256"], found[0]["ending"])) if found else None


def recipe_data(recipe: Recipe | None) -> dict[str, Any] | None:
    if recipe is None:
        return None
    return {
        **fields(recipe, None, "made_at"),
        "mix": mix_data(recipe.mix),
        **fields(recipe, None, "grams", "reason"),
    }


def original_data(
    o: Original, book: Book | None = None, recipes: tuple[Recipe, ...] | None = None
) -> dict[str, Any]:
    return {
        **fields(o, None, "name", "date", "paper", "state", "edition", "owner", "note", "removed"),
        "reading": reading_data(o.reading, book),
        "recipe": recipe_data(o.recipe),
        **({} if recipes is None else {"recipes": [recipe_data(r) for r in recipes]}),
    }


def batch_data(b: Batch, names: dict[int, str]) -> dict[str, Any]:
    return {
        **fields(b, None, "name", "date"),
        "original": names.get(b.original or 0),
        "mix": mix_data(b.mix),
        **fields(b, None, "grams", "note", "removed"),
    }


def packet_data(p: Packet, names: dict[int, str], book: Book | None = None) -> dict[str, Any]:
    return {
        **fields(p, None, "name", "date", "grams", "place"),
        "original": names.get(p.original or 0),
        "mix": mix_data(p.mix),
        **fields(p, None, "note", "removed", "own_reading"),
        "reading": reading_data(p.reading, book),
    }


def entry_data(e: Entry, book: Book) -> dict[str, Any]:
    return {
        **fields(e, None, "at", "kind", "verdict"),
        **fields(e, 3, "de00", "de00_low95", "de00_high95"),
        **fields(e, None, "tolerance"),
        **fields(e, 4, "p_within", "words"),
        "across_photos": e.across_photos if e.kind == "read" else None,
        "reading": reading_data(e.reading, book),
        "original_reading": reading_data(e.original_reading, book),
        "advised": e.advised,
        "added": [{"ink": ink, e.added_unit or "amount": amount} for ink, amount in e.added],
        **fields(e, None, "note"),
    }


def change_data(d: Done) -> dict[str, Any]:
    return {"number": d.id, **fields(d, None, "at", "what", "state")}


def original_names(book: Book) -> dict[int, str]:
    """Every original's name by its id, removed ones too."""
    return {row["id"]: row["name"] for row in book.rows("SELECT id, name FROM original")}


def run_data(run: Run, only: int | None = None) -> dict[str, Any]:
    """A run as JSON; ``only`` one pull of it."""

    def limits(found: Limits | None) -> dict[str, Any] | None:
        names = "centre", "lower", "upper", "sigma"
        return found and fields(found, 4, *names, pulls="count")

    return {
        **fields(run, None, "edition", "spot"),
        "first_good": run.good.number,
        **fields(run, None, "tolerance", "advice"),
        "why": list(run.why),
        "earlier_signs": list(run.earlier),
        "limits_de00": limits(run.limits_de),
        "limits_l": limits(run.limits_l),
        "pulls": [
            {
                **fields(p.pull, None, "number", "date", "good", "note"),
                "lab_d50": numbers(p.pull.reading.lab_d50),
                **fields(p, 3, "de00", "de00_low95", "de00_high95", "l", "l_u95", "across_photos"),
                "verdict": p.comparison.verdict if p.comparison else None,
                "words": differs(p.comparison) if p.comparison else None,
                "signs": list(p.signs),
            }
            for p in run.points
            if only in (None, p.pull.number)
        ],
    }
