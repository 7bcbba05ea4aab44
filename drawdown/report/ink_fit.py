"""What a fit from a ladder found and left open, as text and as JSON."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from calibration.flags import codes
from drawdown.report.ink import (
    WIDE,
    band_data,
    band_lines,
    ink_data,
    spectra_data,
    use_data,
    use_lines,
)
from drawdown.report.json import dump
from drawdown.report.terminal import wrap
from drawdown.report.words import once

if TYPE_CHECKING:
    from calibration.errors import PhotoUnfit
    from calibration.flags import Flag
    from drawdown.inks import Ink
    from drawdown.judge import Judgement
    from drawdown.ladder_report import LadderReport


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
