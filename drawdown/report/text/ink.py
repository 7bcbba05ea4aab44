"""The shelf and single inks, as text and as JSON (schemas "drawdown.ink-*/1").

What a fit from a ladder found and left open, as text and as JSON.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from calibration.flags import codes
from drawdown.report.json.match import dump
from drawdown.report.text.terminal import wrap
from drawdown.wording.figures import once

if TYPE_CHECKING:
    from collections.abc import Sequence

    from calibration.errors import PhotoUnfit
    from calibration.flags import Flag
    from drawdown.ink.shelf import Ink
    from drawdown.pipeline.ladder_findings import Band, LadderReport, Use
    from drawdown.pipeline.read import Judgement
    from drawdown.studio.shelf_file import ShelfInUse


ORIGINS = {
    "given": "The shelf {path}:",
    "own": "The studio's own shelf, {path}:",
    "starter": "The starter inks; there is no shelf of your own yet (drawdown ink add makes one):",
}
FROM = {"starter": "stand-in", "fitted": "fitted from strips", "own figures": "own figures"}
WIDE = 78  # columns that the tables need
_HARMLESS = "No caution here does not mean harmless: read the safety data sheet of every ink."


def shelf_screen(used: ShelfInUse, columns: int) -> str:
    """The shelf as a table: name, kind, Colour Index name, what the figures rest on."""
    rows = [("ink", "kind", "Colour Index", "figures", "strength known to")]
    rows += [
        (i.name, i.kind, i.colour_index or "-", FROM[i.known_from], f"± {100 * i.k_sd:.0f} %")
        for i in used.shelf
    ]
    widths = [max(len(row[c]) for row in rows) for c in range(4)]
    lines = [*wrap(ORIGINS[used.origin].format(path=used.path), columns), ""]
    for row in rows:
        start = "  ".join(cell.ljust(w) for cell, w in zip(row, widths, strict=False))
        if len(start) + 2 + len(row[4]) <= columns:
            lines.append(f"{start}  {row[4]}".rstrip())
        else:  # a narrow screen: the name alone, the rest below
            lines += [row[0], *wrap(", ".join(row[1:]), columns, "   ")]
    toxic = [i.name for i in used.shelf if i.caution]
    if toxic:
        lines += [
            "",
            *wrap(f"With a caution (see drawdown ink show): {', '.join(toxic)}.", columns),
        ]
    return "\n".join(lines)


def ink_screen(ink: Ink, white: Ink, base: Ink, columns: int) -> str:
    """One ink: what it is, its K and S, how it looks in use, where that comes from."""
    bands, uses = _known(ink, white, base)
    titled = ink.title + (f", {ink.generic_name}" if ink.generic_name else "")
    lines = wrap(titled, columns, "", "  ")
    lines += wrap(f"kind: {ink.kind}; figures: {FROM[ink.known_from]}", columns, "", "  ")
    lines += wrap(f"source: {ink.source}", columns, "", "  ")
    lines += ["", *band_lines(bands, columns), "", *use_lines(uses, columns)]
    if ink.known_from == "starter":
        text = (
            "A stand-in, measured on another paint: your ink may be stronger or weaker. Fit your "
            "own with: drawdown ink fit"
        )
        lines += ["", *wrap(text, columns)]
    lines += [""]
    if ink.caution:
        lines += wrap(f"Caution: {ink.caution}.", columns)
    lines += wrap(_HARMLESS, columns)
    return "\n".join(lines)


def band_lines(bands: Sequence[Band], columns: int) -> list[str]:
    """K and S by thirds of the spectrum, with the factor that holds 95 %."""
    lines = wrap(
        "Absorption K and scattering S of an ordinary film; the true value is within the factor "
        "after ×÷ with 95 % probability.",
        columns,
    )
    if columns < WIDE:
        for b in bands:
            lines.append(f"  {b.quantity}, {b.name}: {_short(b.value)} ×÷ {_factor(b.factor95)}")
        return lines
    names = list(dict.fromkeys(b.name for b in bands))
    lines.append("     " + "".join(f"{name:<18}" for name in names).rstrip())
    for quantity in ("K", "S"):
        cells = [
            f"{_short(b.value)} ×÷ {_factor(b.factor95)}" for b in bands if b.quantity == quantity
        ]
        lines.append(f"  {quantity}  " + "".join(f"{cell:<18}" for cell in cells).rstrip())
    return lines


def use_lines(uses: Sequence[Use], columns: int) -> list[str]:
    """How an ink looks in use: Lab, and the Delta E 2000 that holds 95 %."""
    lines = wrap(
        "How it looks as an ordinary film on white paper, and within how much of that it truly "
        "is with 95 % probability:",
        columns,
    )
    if columns < WIDE:
        for use in uses:
            lab = " ".join(f"{v:.0f}" for v in use.lab_d50)
            text = f"{use.name}: L* a* b* {lab}, within {use.de00_within95:.1f} Delta E 2000"
            lines += wrap(text, columns, "  ", "    ")
        return lines
    lines.append(f"  {'':24}     L*     a*     b*   Delta E 2000 within")
    for use in uses:
        lab = " ".join(f"{v:6.1f}" for v in use.lab_d50)
        lines.append(f"  {use.name:24} {lab}   {use.de00_within95:.1f}")
    return lines


def _short(value: float) -> str:
    return f"{value:.2g}" if value >= 0.001 else "<0.001"


def _factor(factor: float) -> str:
    return f"{factor:.2g}" if factor < 10 else "10 or more"


def _known(ink: Ink, white: Ink, base: Ink):
    import numpy as np

    from drawdown.ink.forward import PAPER_LAB
    from drawdown.ink.ladder_fit import ink_rows
    from drawdown.pipeline.ladder_findings import ink_bands, ink_uses

    paper = np.array(PAPER_LAB)
    return ink_bands(ink.k, ink.s, ink_rows(ink)), ink_uses(ink, white, base, paper)


# JSON --------------------------------------------------------------------------------------


def ink_data(ink: Ink) -> dict[str, Any]:
    """What identifies an ink and what its figures rest on."""
    return {
        "name": ink.name,
        "colour_index": ink.colour_index or None,
        "generic_name": ink.generic_name or None,
        "kind": ink.kind,
        "figures": ink.known_from,
        "k_sd": round(ink.k_sd, 4),
        "s_sd": round(ink.s_sd, 4),
        "source": ink.source,
        "caution": ink.caution or None,
    }


def spectra_data(ink: Ink) -> dict[str, Any]:
    return {
        "wavelengths_nm": [int(v) for v in ink.wavelengths_nm],
        "k": [float(f"{v:.6g}") for v in ink.k],
        "s": [float(f"{v:.6g}") for v in ink.s],
        "doubt": None
        if ink.doubt is None
        else [[float(f"{v:.3g}") for v in row] for row in ink.doubt],
    }


def band_data(bands: Sequence[Band]) -> list[dict[str, Any]]:
    return [
        {
            "quantity": b.quantity,
            "band": b.name,
            "value": float(f"{b.value:.4g}"),
            "factor95": round(b.factor95, 3),
            "factor95_before": None if b.factor95_before is None else round(b.factor95_before, 3),
        }
        for b in bands
    ]


def use_data(uses: Sequence[Use]) -> list[dict[str, Any]]:
    return [
        {
            "use": u.name,
            "lab_d50": [round(float(v), 2) for v in u.lab_d50],
            "lab_u95": [round(float(v), 2) for v in u.lab_u95],
            "de00_within95": round(u.de00_within95, 2),
        }
        for u in uses
    ]


def shelf_json(used: ShelfInUse) -> str:
    return dump(
        {
            "schema": "drawdown.ink-list/1",
            "origin": used.origin,
            "path": None if used.path is None else str(used.path),
            "inks": [ink_data(ink) for ink in used.shelf],
        }
    )


def ink_json(ink: Ink, white: Ink, base: Ink) -> str:
    bands, uses = _known(ink, white, base)
    return dump(
        {
            "schema": "drawdown.ink-show/1",
            "ink": ink_data(ink) | spectra_data(ink),
            "bands": band_data(bands),
            "uses": use_data(uses),
        }
    )


def change_json(change: str, ink: str | list[str] | None, path: Path) -> str:
    names = [ink] if isinstance(ink, str) else ink
    return dump(
        {"schema": "drawdown.ink-change/1", "change": change, "inks": names, "shelf": str(path)}
    )


def fit_screen(
    photo: Path,
    ink: Ink,
    told: LadderReport,
    seen: Judgement,
    saved: Path | None,
    columns: int,
) -> str:
    """The fit for people."""
    lines = [*wrap(f"{ink.title}: {ink.source}.", columns), ""]
    lines += _strip_lines(told, columns)
    lines += ["", *band_lines(told.bands, columns), "", *use_lines(told.uses, columns)]
    if not told.open:
        lines += ["", "The strips left nothing large open."]
    for heading, remarks in (
        ("WHAT THE STRIPS LEFT OPEN", told.open),
        ("WHAT DOES NOT FIT", told.doubtful),
        ("WORTH KNOWING", _remarks(seen, told)),
    ):
        if remarks:
            lines += ["", heading]
            for text in remarks:
                lines += wrap(text, columns, " · ", "   ")
    lines += [""]
    if ink.caution:
        lines += wrap(f"Caution: {ink.caution}.", columns)
    if saved is not None:
        lines += wrap(
            f"{ink.name} is on the shelf {saved}. Take that back with: drawdown ink undo", columns
        )
    else:
        lines += wrap("Nothing was kept: put the ink on your shelf with --name NAME.", columns)
    return "\n".join(lines)


def _strip_lines(told: LadderReport, columns: int) -> list[str]:
    narrow = columns < WIDE
    lines = (
        [] if narrow else [" strip  what it is               film           misfit, Delta E 2000"]
    )
    for s in told.strips:
        film = f"{s.film:.2f} ({s.film_low95:.2f}-{s.film_high95:.2f})"
        bar = "" if s.de00_bar is None else f", over the bar {s.de00_bar:.1f}"
        if narrow:
            text = (
                f"strip {s.step.number}, {s.step.text}: film {film}, misfit {s.de00_paper:.1f}{bar}"
            )
            lines += wrap(text, columns, " ", "   ")
            continue
        lines.append(f" {s.step.number:5d}  {s.step.text:22} {film:18} {s.de00_paper:.1f}{bar}")
    lines += wrap(
        "Film is how thick the strip was pulled, 1 being ordinary (95 % interval); misfit is how "
        "far the fitted ink is from the strip as read.",
        columns,
    )
    return lines


def _remarks(seen: Judgement, told: LadderReport) -> list[str]:
    """What photo, card and strips have to say; what several strips share is said once."""
    out = [flag.text for flag in seen.flags]
    used = {s.step.number for s in told.strips}
    by_kind: dict[str, tuple[Flag, list[int]]] = {}
    for strip in seen.strips:
        for flag in strip.flags if strip.strip.number in used else ():
            by_kind.setdefault(flag.code, (flag, []))[1].append(strip.strip.number)
    for flag, numbers in by_kind.values():
        one = len(numbers) == 1
        named = f"Strip{'' if one else 's'} {' and '.join(map(str, numbers))}"
        out.append(f"{named}: {flag.text}")
    return out


def _flags(seen: Judgement, told: LadderReport) -> list:
    used = {s.step.number for s in told.strips}
    return once([*seen.flags, *(f for s in seen.strips if s.strip.number in used for f in s.flags)])


def fit_json(photo: Path, ink: Ink, told: LadderReport, seen: Judgement, saved: Path | None) -> str:
    """Schema "drawdown.ink-fit/1"."""
    return dump(
        {
            "schema": "drawdown.ink-fit/1",
            "photo": str(photo),
            "ink": ink_data(ink) | spectra_data(ink),
            "strips": [
                {
                    "number": s.step.number,
                    "what": s.step.what,
                    "parts": {
                        "ink": round(s.step.parts[0], 5),
                        "white": round(s.step.parts[1], 5),
                        "base": round(s.step.parts[2], 5),
                    },
                    "film": round(s.film, 4),
                    "film_low95": round(s.film_low95, 4),
                    "film_high95": round(s.film_high95, 4),
                    "misfit_de00_paper": round(s.de00_paper, 3),
                    "misfit_de00_bar": None if s.de00_bar is None else round(s.de00_bar, 3),
                }
                for s in told.strips
            ],
            "bands": band_data(told.bands),
            "uses": use_data(told.uses),
            "open": list(told.open),
            "doubtful": list(told.doubtful),
            "flags": codes(tuple(_flags(seen, told))),
            "saved_to": None if saved is None else str(saved),
        }
    )


def unfit_json(photo: Path, error: PhotoUnfit) -> str:
    """The same schema for a photo that an ink cannot be fitted from."""
    return dump(
        {
            "schema": "drawdown.ink-fit/1",
            "photo": str(photo),
            "ink": None,
            "strips": [],
            "bands": [],
            "uses": [],
            "open": [],
            "doubtful": [error.paragraph()],
            "flags": [],
            "saved_to": None,
        }
    )
