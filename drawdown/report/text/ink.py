"""The shelf, single inks, and what a fit from a ladder found and left open, as terminal text."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from calibration.naming import named
from drawdown.report.text.lines import Lines
from drawdown.report.text.terminal import Screen
from drawdown.wording.flags import shared
from drawdown.wording.ladder import left_open, misfits, step_text

if TYPE_CHECKING:
    from drawdown.ink.shelf import Ink
    from drawdown.pipeline.ladder_findings import Band, LadderReport, Use
    from drawdown.pipeline.read import Judgement
    from drawdown.studio.shelf_file import ShelfInUse

_ORIGINS = {
    "given": "The shelf {path}:",
    "own": "The studio's own shelf, {path}:",
    "starter": "The starter inks; there is no shelf of your own yet (`add_ink` makes one):",
}
_FROM = {"starter": "stand-in", "fitted": "fitted from strips", "own figures": "own figures"}
_WIDE = 78  # columns that the tables need
_HARMLESS = "No caution here does not mean harmless: read the safety data sheet of every ink."


def shelf_screen(used: ShelfInUse, screen: Screen) -> str:
    """The shelf in use: name, kind, Colour Index name, what the figures rest on."""
    lines = Lines(screen, indent="")
    lines.say(named(_ORIGINS[used.origin]).format(path=used.path))
    lines.add()
    lines.table(
        [("ink", "kind", "Colour Index", "figures", "strength known to")]
        + [
            (i.name, i.kind, i.colour_index or "-", _FROM[i.known_from], f"± {100 * i.k_sd:.0f} %")
            for i in used.shelf
        ]
    )
    toxic = [i.name for i in used.shelf if i.caution]
    if toxic:
        lines.add()
        lines.say(named(f"With a caution (see `show_ink`): {', '.join(toxic)}."))
    return str(lines)


def catalogue_screen(used: ShelfInUse, screen: Screen) -> str:
    """The shelf in use by its inks' names, kinds and generic names, with the cautions whole."""
    shelf, lines = used.shelf, Lines(screen, indent="  ")
    if shelf.title:
        lines.add(shelf.title)
        lines.add()
    lines.table(
        [("ink", "kind", "Colour Index", "also called")]
        + [(i.name, i.kind, i.colour_index or "-", i.generic_name or "-") for i in shelf]
    )
    by_text: dict[str, list[str]] = {}
    for ink in shelf:
        if ink.caution:
            by_text.setdefault(ink.caution, []).append(ink.name)
    if by_text:
        lines.add()
        lines.add("Cautions")
        for text, names in by_text.items():
            lines.say(f"{', '.join(names)}: {text}.", later="    ")
        lines.say(_HARMLESS, later="    ")
    return str(lines)


def ink_screen(ink: Ink, bands: Sequence[Band], uses: Sequence[Use], screen: Screen) -> str:
    """One ink: what it is, its K and S, how it looks in use, where that comes from."""
    lines = Lines(screen, indent="")
    lines.say(ink.title + (f", {ink.generic_name}" if ink.generic_name else ""), later="  ")
    lines.say(f"kind: {ink.kind}; figures: {_FROM[ink.known_from]}", later="  ")
    lines.say(f"source: {ink.source}", later="  ")
    _figures(lines, bands, uses)
    if ink.known_from == "starter":
        lines.add()
        lines.say(
            named(
                "A stand-in, measured on another paint: your ink may be stronger or weaker. Fit "
                "your own with: `fit_ink`"
            )
        )
    lines.add()
    if ink.caution:
        lines.say(f"Caution: {ink.caution}.")
    lines.say(_HARMLESS)
    return str(lines)


def fit_screen(
    photo: Path, ink: Ink, told: LadderReport, seen: Judgement, saved: Path | None, screen: Screen
) -> str:
    """What a fit from a photo found, and what it left open."""
    lines = Lines(screen, indent="")
    lines.say(f"{ink.title}: {ink.source}.")
    lines.add()
    _strips(lines, told)
    _figures(lines, told.bands, told.uses)
    still_open = left_open(told)
    if not still_open:
        lines.add()
        lines.add("The strips left nothing large open.")
    for heading, remarks in (
        ("WHAT THE STRIPS LEFT OPEN", still_open),
        ("WHAT DOES NOT FIT", misfits(told)),
        ("WORTH KNOWING", _remarks(seen, told)),
    ):
        if remarks:
            lines.add()
            lines.add(heading)
            lines.points(remarks)
    lines.add()
    if ink.caution:
        lines.say(f"Caution: {ink.caution}.")
    if saved is None:
        lines.say(named("Nothing was kept: put the ink on your shelf with `name` NAME."))
    else:
        lines.say(named(f"{ink.name} is on the shelf {saved}. Take that back with: `undo_change`"))
    return str(lines)


def _figures(lines: Lines, bands: Sequence[Band], uses: Sequence[Use]) -> None:
    """K and S by thirds of the spectrum with the factor that holds 95 %; then how the ink looks
    in use, with the Delta E 2000 that does."""
    narrow = lines.columns < _WIDE
    lines.add()
    lines.say(
        "Absorption K and scattering S of an ordinary film; the true value is within the factor "
        "after ×÷ with 95 % probability."
    )
    cells = {(b.quantity, b.name): f"{_short(b.value)} ×÷ {_factor(b.factor95)}" for b in bands}
    if narrow:
        for (quantity, name), cell in cells.items():
            lines.add(f"  {quantity}, {name}: {cell}")
    else:
        names = list(dict.fromkeys(b.name for b in bands))
        lines.add("     " + "".join(f"{name:<18}" for name in names).rstrip())
        for quantity in ("K", "S"):
            row = "".join(f"{cells[quantity, name]:<18}" for name in names)
            lines.add(f"  {quantity}  {row}".rstrip())
    lines.add()
    lines.say(
        "How it looks as an ordinary film on white paper, and within how much of that it truly "
        "is with 95 % probability:"
    )
    if not narrow:
        lines.add(f"  {'':24}     L*     a*     b*   Delta E 2000 within")
    for use in uses:
        if narrow:
            lab = " ".join(f"{v:.0f}" for v in use.lab_d50)
            text = f"{use.name}: L* a* b* {lab}, within {use.de00_within95:.1f} Delta E 2000"
            lines.say(text, "  ", "    ")
        else:
            lab = " ".join(f"{v:6.1f}" for v in use.lab_d50)
            lines.add(f"  {use.name:24} {lab}   {use.de00_within95:.1f}")


def _short(value: float) -> str:
    return f"{value:.2g}" if value >= 0.001 else "<0.001"


def _factor(factor: float) -> str:
    return f"{factor:.2g}" if factor < 10 else "10 or more"


def _strips(lines: Lines, told: LadderReport) -> None:
    narrow = lines.columns < _WIDE
    if not narrow:
        lines.add(" strip  what it is               film           misfit, Delta E 2000")
    for s in told.strips:
        film = f"{s.film:.2f} ({s.film_low95:.2f}-{s.film_high95:.2f})"
        misfit = f"{s.de00_paper:.1f}"
        misfit += "" if s.de00_bar is None else f", over the bar {s.de00_bar:.1f}"
        if narrow:
            text = f"strip {s.step.number}, {step_text(s.step)}: film {film}, misfit {misfit}"
            lines.say(text, " ", "   ")
        else:
            lines.add(f" {s.step.number:5d}  {step_text(s.step):22} {film:18} {misfit}")
    lines.say(
        "Film is how thick the strip was pulled, 1 being ordinary (95 % interval); misfit is how "
        "far the fitted ink is from the strip as read."
    )


def _remarks(seen: Judgement, told: LadderReport) -> list[str]:
    """What photo, card and strips have to say; what several strips share is said once."""
    used = {s.step.number for s in told.strips}
    on_strips = [(s.number, f) for s in seen.strips if s.number in used for f in s.flags]
    return [
        *(flag.text for flag in seen.flags),
        *(whose + flag.text for whose, flag in shared(on_strips)),
    ]
