"""``drawdown ink fit``: an ink's figures from a photo of its ladder."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from calibration.errors import PhotoUnfit, WrongUsage
from drawdown.commands.ink.add import shelf_told
from drawdown.commands.support import options as opt
from drawdown.commands.support.output import deliver, photo_options, unfit_in_json

if TYPE_CHECKING:
    from drawdown.ink.shelf import Ink
    from drawdown.pipeline.ladder import Step
    from drawdown.pipeline.ladder_findings import LadderReport
    from drawdown.pipeline.options import Options
    from drawdown.pipeline.read import Judgement


# Long by its options, one parameter each.
def fit(  # long: one parameter a line
    photo: Annotated[
        Path | None, opt.argument("[PHOTO]", "Photo of the ink's strips and the card.")
    ] = None,
    readings: opt.Readings = None,
    instrument: opt.Instrument = None,
    step: Annotated[
        list[str] | None,
        opt.option(
            "N=WHAT",
            "What strip N is: alone, bar (alone, across the black bar), white:10 (10 parts "
            "in 100 with white), base:20, bare-base; repeat for each strip.",
        ),
    ] = None,
    name: Annotated[
        str | None, opt.option("NAME", "Put the ink on the shelf under this name.")
    ] = None,
    pigment: Annotated[
        str | None, opt.option("CI", "The pigment named on the tin, such as PB15:3.")
    ] = None,
    kind: Annotated[
        str | None, opt.option("KIND", "colour, white, base or black; else the pigment's.")
    ] = None,
    white: Annotated[str, opt.option("INK", "The white of the mixtures, on the shelf.")] = "white",
    base: Annotated[str, opt.option("INK", "The base of the mixtures, on the shelf.")] = "base",
    replace: opt.ReplaceInk = False,
    anyway: Annotated[
        bool, opt.flag("Put it on the shelf even if the fit is in doubt.", "--anyway")
    ] = False,
    alone: opt.Alone = False,
    card: opt.CardFile = None,
    card_corners: opt.CardCorners = None,
    shelf: opt.ShelfKept = None,
    json: opt.AsJson = False,
) -> int:
    """Work out an ink's figures from strips of it alone, in white and in base."""
    options = photo_options(card, card_corners, readings=readings, instrument=instrument)
    photo = opt.one_source(photo, readings)
    from dataclasses import replace as changed
    from datetime import date

    from drawdown.pipeline.ladder import read_steps
    from drawdown.report.json.ink import fit_json, unfit_ink_json
    from drawdown.report.text.ink import fit_screen
    from drawdown.report.text.terminal import write_aside
    from drawdown.studio.shelf_file import (
        checked_kind,
        checked_name,
        partner,
        put_inks,
        refuse_taken,
        shelf_in_use,
        shelf_to_change,
    )

    used = shelf_in_use(shelf if shelf is None or shelf.exists() else None)
    known, colour_index = _pigment(pigment)
    kind = checked_kind(kind) if kind else known.kind if known else "colour"
    steps = read_steps(step or [], kind)
    path = shelf_to_change(shelf)
    if name is not None:
        name = checked_name(name)
        if used.path is not None and not replace:
            refuse_taken(used.shelf, name)
    thinner = partner(used.shelf, "white", white), partner(used.shelf, "base", base)
    named = _named(name, kind, known, colour_index)
    with unfit_in_json("ink-fit", photo, json, unfit_ink_json):
        seen, ink, told = _fit_photo(photo, options, steps, named, known, thinner)
    saved, remark = None, ""
    if name is not None and (anyway or not told.not_one_ink):
        before = shelf_in_use(path).shelf.names if path.exists() else None
        dated = changed(ink, source=f"{ink.source}, {date.today().isoformat()}")
        after = put_inks(path, [dated], over=replace, alone=alone)
        saved, remark = path, shelf_told(before, after, [ink.name], path, shelf)
    code = deliver(json, (photo, ink, told, seen, saved), fit_json, fit_screen)
    if name is not None and saved is None:
        remark = (
            f"{name} was not put on the shelf, as the strips do not go together as one ink. If it "
            "is meant all the same, give the command again with --anyway."
        )
        code = PhotoUnfit.exit_code
    if remark and not json:
        write_aside(remark)
    return code


def _fit_photo(
    photo: Path,
    options: Options,
    steps: tuple[Step, ...],
    named: Ink,
    known: Ink | None,
    thinner: tuple[Ink, Ink],
) -> tuple[Judgement, Ink, LadderReport]:
    """The photo as it was read, the ink fitted from its strips, and what is to be said of it."""
    from drawdown.commands.support.progress import ProgressLine
    from drawdown.pipeline.ladder import read_ladder
    from drawdown.pipeline.read import read_strips

    with ProgressLine() as progress:
        seen = read_strips(photo, options, progress)
        hard = next((f for f in seen.flags if f.hard), None)
        if hard is not None:
            raise hard.unfit()
        progress("reading the ladder", 0.9)
        readings = read_ladder(seen, steps)
        progress("fitting the ink", 0.95)
        ink, told = fit_readings(readings, named, known, thinner, photo.name)
    return seen, ink, told


def _pigment(text: str | None) -> tuple[Ink | None, str]:
    """The starter ink of a pigment, and its Colour Index name; a pigment that no starter
    knows is taken at its Colour Index name alone."""
    import re

    from drawdown.ink.shelf import starter_ink

    if text is None:
        return None, ""
    try:
        found = starter_ink(text)
    except WrongUsage:
        if re.fullmatch(r"[PN][A-Za-z]{1,2}\d+(:\d+)?", text.strip()):
            return None, text.strip()
        raise
    return found, found.colour_index


def _named(name: str | None, kind: str, known: Ink | None, colour_index: str) -> Ink:
    """An ink with a name and no figures yet."""
    import numpy as np

    from drawdown.ink.hazards import pigment_caution
    from drawdown.ink.shelf import Ink

    called = name or (known.name if known else colour_index) or "the ink"
    generic = known.generic_name if known else ""
    none = np.zeros(31)
    caution = pigment_caution(colour_index)
    return Ink(called, colour_index, generic, kind, none, none, "", caution=caution)


def fit_readings(readings, named: Ink, known: Ink | None, thinner: tuple[Ink, Ink], photo: str):
    """(fitted ink, its report) from a ladder's readings."""
    from drawdown.ink.ladder_fit import fit_ladder, fitted_ink
    from drawdown.ink.prior import blank_prior, pigment_prior
    from drawdown.ink.shelf import starter_shelf
    from drawdown.pipeline.ladder_findings import ladder_report

    white, base = thinner
    if known is None:
        prior = blank_prior([ink for ink in starter_shelf() if ink.kind == named.kind])
    else:
        prior = pigment_prior(known)
    found = fit_ladder(
        readings.rungs, readings.covariance, prior, white, base, readings.paper_lab,
        readings.bar_lab, bare=readings.bare,
    )  # fmt: skip
    strips = len(found.strips)
    source = (
        f"fitted from {strips} strip"
        f"{'s' if strips > 1 else ''} in {photo}, "
        + ("by wavelength, " if readings.bare else "")
        + ("nothing known of the pigment" if known is None else f"beginning from {known.title}")
        + (", card as drawn" if readings.nominal else "")
    )
    ink = fitted_ink(found, named, white, base, readings.paper_lab, source)
    return ink, ladder_report(found, ink, readings, white, base)
