"""The book as JSON. Schemas are listed in DEVELOPERS.md, "JSON"; unknown is null."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from calibration.signs import escaped
from drawdown.wording.verdict import differs

if TYPE_CHECKING:
    from drawdown.book import Book
    from drawdown.book.columns import Batch, Entry, Mix, Original, Packet, Reading, Recipe
    from drawdown.book.edition import Run
    from drawdown.book.store import Done
    from drawdown.printing.control_chart import Limits


def dump_book(schema: str, data: dict[str, Any]) -> str:
    """JSON text of one answer; letters are kept as they are."""
    whole = {"schema": f"drawdown.{schema}/1", **data}
    return escaped(json.dumps(whole, indent=2, ensure_ascii=False, allow_nan=False))


def _plain(record: Any, *keys: str) -> dict[str, Any]:
    """What a record says as it stands; what was left empty is null."""
    return {key: None if (value := getattr(record, key)) == "" else value for key in keys}


def _rounded(record: Any, decimals: int, *keys: str) -> dict[str, Any]:
    return {
        key: None if (value := getattr(record, key)) is None else round(value, decimals)
        for key in keys
    }


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
        "lab_d50": [round(v, 2) for v in r.lab_d50],
        "lab_u95": None if r.lab_u95 is None else [round(v, 2) for v in r.lab_u95],
        **_rounded(r, 2, "munsell_value"),
        **_rounded(r, 3, "evenness_de00"),
        **_plain(r, "card", "strip_number"),
        "corners_px": [list(c) for c in r.corners_px],
        "flags": list(dict.fromkeys(code for code, _ in r.flags)),
        **_plain(r, "captured", "read_at"),
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
        **_plain(recipe, "made_at"),
        "mix": mix_data(recipe.mix),
        **_plain(recipe, "grams", "reason"),
    }


def original_data(
    o: Original, book: Book | None = None, recipes: tuple[Recipe, ...] | None = None
) -> dict[str, Any]:
    return {
        **_plain(o, "name", "date", "paper", "state", "edition", "note", "removed"),
        "reading": reading_data(o.reading, book),
        "recipe": recipe_data(o.recipe),
        **({} if recipes is None else {"recipes": [recipe_data(r) for r in recipes]}),
    }


def batch_data(b: Batch, names: dict[int, str]) -> dict[str, Any]:
    return {
        **_plain(b, "name", "date"),
        "original": names.get(b.original or 0),
        "mix": mix_data(b.mix),
        **_plain(b, "grams", "note", "removed"),
    }


def packet_data(p: Packet, names: dict[int, str], book: Book | None = None) -> dict[str, Any]:
    return {
        **_plain(p, "name", "date", "grams", "place"),
        "original": names.get(p.original or 0),
        "mix": mix_data(p.mix),
        **_plain(p, "note", "removed", "own_reading"),
        "reading": reading_data(p.reading, book),
    }


def entry_data(e: Entry, book: Book) -> dict[str, Any]:
    return {
        **_plain(e, "at", "kind", "verdict"),
        **_rounded(e, 3, "de00", "de00_low95", "de00_high95"),
        **_plain(e, "tolerance"),
        **_rounded(e, 4, "p_within"),
        **_plain(e, "words"),
        "across_photos": e.across_photos if e.kind == "read" else None,
        "reading": reading_data(e.reading, book),
        "original_reading": reading_data(e.original_reading, book),
        "advised": e.advised,
        "added": [{"ink": ink, e.added_unit or "amount": amount} for ink, amount in e.added],
        **_plain(e, "note"),
    }


def change_data(d: Done) -> dict[str, Any]:
    return {"number": d.id, **_plain(d, "at", "what", "state")}


def original_names(book: Book) -> dict[int, str]:
    """Every original's name by its id, struck out ones too."""
    return {row["id"]: row["name"] for row in book.rows("SELECT id, name FROM original")}


def run_data(run: Run, only: int | None = None) -> dict[str, Any]:
    """A run as JSON; ``only`` one pull of it."""

    def limits(found: Limits | None) -> dict[str, Any] | None:
        return None if found is None else {
            "centre": round(found.centre, 4), "lower": round(found.lower, 4),
            "upper": round(found.upper, 4), "sigma": round(found.sigma, 4), "pulls": found.count,
        }  # fmt: skip

    return {
        "edition": run.edition,
        "spot": run.spot or None,
        "first_good": run.good.number,
        "tolerance": run.tolerance,
        "advice": run.advice,
        "why": list(run.why),
        "earlier_signs": list(run.earlier),
        "limits_de00": limits(run.limits_de),
        "limits_l": limits(run.limits_l),
        "pulls": [
            {
                "number": p.pull.number, "date": p.pull.date, "good": p.pull.good,
                "note": p.pull.note or None,
                "lab_d50": [round(v, 2) for v in p.pull.reading.lab_d50],
                "de00": round(p.de00, 3), "de00_low95": round(p.de00_low95, 3),
                "de00_high95": round(p.de00_high95, 3), "l": round(p.l, 3),
                "l_u95": round(p.l_u95, 3), "across_photos": p.across_photos,
                "verdict": p.comparison.verdict if p.comparison else None,
                "words": differs(p.comparison) if p.comparison else None,
                "signs": list(p.signs),
            }
            for p in run.points if only in (None, p.pull.number)
        ],
    }  # fmt: skip
