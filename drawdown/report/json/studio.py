"""What the studio has learnt, as JSON: wet and dry pairs "drawdown.drying/1", batches that were
followed "drawdown.learnt/1"."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from calibration.uncertainty.intervals import K95
from drawdown.matching.batch_history import BatchStory
from drawdown.matching.drying import READING_SD, learn
from drawdown.matching.learn import Learnt
from drawdown.report.json.document import document, document_as_typed, fields, numbers, rounded
from drawdown.studio.drying_file import KeptPair


def drying_json(kept: Sequence[KeptPair], path: Path) -> str:
    """JSON text of ``drawdown ink dry``; ``known`` is null while no pair counts."""
    data = {"path": str(path), "pairs": [_pair(k) for k in kept], "known": _drying(kept)}
    return document("drying", data)


def _pair(k: KeptPair) -> dict[str, Any]:
    return {
        **fields(k, 2, "number", "name", "day"),
        **dict(zip(("photo_wet", "photo_dry"), (photo or None for photo in k.photos), strict=True)),
        "lab_wet_d50": numbers(k.pair.lab_wet),
        "lab_wet_u95": numbers(k.u95_wet),
        "lab_dry_d50": numbers(k.pair.lab_dry),
        "lab_dry_u95": numbers(k.u95_dry),
        "de00": rounded(k.pair.de00, 2),
        "de00_u95": rounded(K95 * READING_SD, 2),
        "counts": not k.aside,
    }


def _drying(kept: Sequence[KeptPair]) -> dict[str, Any] | None:
    counted = [k.pair for k in kept if not k.aside]
    if not counted:
        return None
    known = learn(counted)
    return {
        "pairs": known.count,
        "absorbs_more_log": rounded(known.mean[0], 4),
        "absorbs_more_log_u95": rounded(K95 * known.sd[0], 4),
        "surface_white": rounded(known.mean[1], 5),
        "surface_white_u95": rounded(K95 * known.sd[1], 5),
    }


def learnt_json(stories: Sequence[BatchStory], learnt: tuple[Learnt, ...], path: Path) -> str:
    """JSON text of ``drawdown ink list --learnt``."""
    factors = ("absorbs", "absorbs_log_sd", "absorbs_log_sd_before",
               "scatters", "scatters_log_sd", "scatters_log_sd_before")  # fmt: skip
    data = {
        "path": str(path),
        "inks": [
            {"ink": row.name} | {key: round(getattr(row, key), 4) for key in factors}
            for row in learnt
        ],
        "batches": [_batch(story) for story in stories],
    }
    return document_as_typed("learnt", data)


def _batch(story: BatchStory) -> dict[str, Any]:
    return {
        "name": story.name,
        "mix": _parts(story.mix, 1),
        "photos": [
            {
                "path": photo.path,
                "when": photo.when,
                "added": _parts(photo.step.added, 100),
                "grams": photo.grams,
            }
            for photo in story.photos
        ],
    }


def _parts(mix: Mapping[str, float], whole: float) -> list[dict[str, Any]]:
    return [{"ink": ink, "parts_per_100": round(whole * x, 4)} for ink, x in mix.items()]
