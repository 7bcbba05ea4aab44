"""The shelf, single inks and their fits as JSON: "drawdown.ink-list/1", "drawdown.ink-show/1",
"drawdown.ink-change/1", "drawdown.ink-fit/1"."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from calibration.colour.spectra import WAVELENGTHS_NM
from calibration.flags import codes
from drawdown.report.json.document import document, fields
from drawdown.wording.flags import once
from drawdown.wording.ladder import left_open, misfits

if TYPE_CHECKING:
    from calibration.errors import PhotoUnfit
    from drawdown.ink.shelf import Ink
    from drawdown.pipeline.ladder_findings import Band, LadderReport, Use
    from drawdown.pipeline.read import Judgement
    from drawdown.studio.shelf_file import ShelfInUse


def shelf_json(used: ShelfInUse) -> str:
    """JSON text of ``drawdown ink list``."""
    data = {
        "origin": used.origin,
        "path": None if used.path is None else str(used.path),
        "inks": [_ink(ink) for ink in used.shelf],
    }
    return document("ink-list", data)


def ink_json(ink: Ink, bands: Sequence[Band], uses: Sequence[Use]) -> str:
    """JSON text of ``drawdown ink show``."""
    data = {"ink": _ink(ink) | _spectra(ink), "bands": _bands(bands), "uses": _uses(uses)}
    return document("ink-show", data)


def change_json(change: str, names: list[str] | None, path: Path) -> str:
    """JSON text of ``drawdown ink add``, ``remove`` and ``undo``."""
    return document("ink-change", {"change": change, "inks": names, "shelf": str(path)})


def fit_json(photo: Path, ink: Ink, told: LadderReport, seen: Judgement, saved: Path | None) -> str:
    """JSON text of ``drawdown ink fit``."""
    used = {s.step.number for s in told.strips}
    flags = [*seen.flags, *(f for s in seen.strips if s.number in used for f in s.flags)]
    data = {
        "photo": str(photo),
        "ink": _ink(ink) | _spectra(ink),
        "strips": [
            {
                "number": s.step.number,
                "what": s.step.what,
                "parts": {
                    name: round(share, 5)
                    for name, share in zip(("ink", "white", "base"), s.step.parts, strict=True)
                },
                **fields(s, 4, "film", "film_low95", "film_high95"),
                **fields(s, 3, misfit_de00_paper="de00_paper", misfit_de00_bar="de00_bar"),
            }
            for s in told.strips
        ],
        "bands": _bands(told.bands),
        "uses": _uses(told.uses),
        "open": left_open(told),
        "doubtful": misfits(told),
        "flags": codes(tuple(once(flags))),
        "saved_to": None if saved is None else str(saved),
    }
    return document("ink-fit", data)


def unfit_ink_json(photo: Path, error: PhotoUnfit) -> str:
    """The same for a photo that an ink cannot be fitted from."""
    data: dict[str, Any] = {"photo": str(photo), "ink": None}
    data |= {key: [] for key in ("strips", "bands", "uses", "open")}
    return document(
        "ink-fit", data | {"doubtful": [error.paragraph()], "flags": [], "saved_to": None}
    )


def _ink(ink: Ink) -> dict[str, Any]:
    """What identifies an ink and what its figures rest on."""
    return {
        **fields(ink, 4, "name", "colour_index", "generic_name", "kind", figures="known_from"),
        **fields(ink, 4, "k_sd", "s_sd"),
        "source": ink.source,
        "caution": ink.caution or None,
    }


def _spectra(ink: Ink) -> dict[str, Any]:
    return {
        "wavelengths_nm": [int(v) for v in WAVELENGTHS_NM],
        "k": [float(f"{v:.6g}") for v in ink.k],
        "s": [float(f"{v:.6g}") for v in ink.s],
        "doubt": None
        if ink.doubt is None
        else [[float(f"{v:.3g}") for v in row] for row in ink.doubt],
    }


def _bands(bands: Sequence[Band]) -> list[dict[str, Any]]:
    return [
        {"quantity": b.quantity, "band": b.name, "value": float(f"{b.value:.4g}")}
        | fields(b, 3, "factor95", "factor95_before")
        for b in bands
    ]


def _uses(uses: Sequence[Use]) -> list[dict[str, Any]]:
    return [{"use": u.name} | fields(u, 2, "lab_d50", "lab_u95", "de00_within95") for u in uses]
