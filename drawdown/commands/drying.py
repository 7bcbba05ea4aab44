"""``drawdown drying``: what drying does to a colour here, learned from wet and dry photos."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from calibration.errors import WrongUsage
from drawdown.commands.support import options as opt
from drawdown.commands.support.output import deliver, photo_options, read_photo

if TYPE_CHECKING:
    from drawdown.reading.colour import StripReading
    from drawdown.studio.drying_file import KeptPair

LONGEST_NAME = 80


def drying(
    wet: Annotated[
        Path | None, typer.Option(metavar="PHOTO", help="Photo of the strip while it was wet.")
    ] = None,
    dry: Annotated[
        Path | None, typer.Option(metavar="PHOTO", help="Photo of the same strip once dry.")
    ] = None,
    strip_number: Annotated[
        int | None,
        typer.Option(metavar="N", help="Which strip it is in the wet photo, and in the dry one."),
    ] = None,
    dry_number: Annotated[
        int | None,
        typer.Option(metavar="N", help="Which strip it is in the dry photo, if not the same."),
    ] = None,
    card: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Definition of the card in both photos, if not ours."),
    ] = None,
    name: Annotated[
        str | None, typer.Option(metavar="TEXT", help="A name for the pair: the ink, the strip.")
    ] = None,
    set_aside: Annotated[
        int | None, typer.Option(metavar="N", help="Let pair N count no longer.")
    ] = None,
    bring_back: Annotated[
        int | None, typer.Option(metavar="N", help="Let pair N count again.")
    ] = None,
    json: opt.AsJson = False,
) -> int:
    """Learn from the same strip wet and dry how colours change; without options, list what
    is known."""
    _check(wet, dry, strip_number, dry_number, card, name, set_aside, bring_back)
    from drawdown.report.json.studio import drying_json
    from drawdown.report.text.drying import drying_screen
    from drawdown.report.text.terminal import write_aside
    from drawdown.studio import drying_file

    again = "to undo: drawdown drying"
    if set_aside is not None:
        kept = drying_file.set_aside(set_aside, True)
        write_aside(f"Pair {kept.number} no longer counts; {again} --bring-back {kept.number}")
    elif bring_back is not None:
        kept = drying_file.set_aside(bring_back, False)
        write_aside(f"Pair {kept.number} counts again; {again} --set-aside {kept.number}")
    elif wet is not None and dry is not None:
        kept = _learn(wet, dry, strip_number, dry_number, card, name)
        write_aside(f"Kept as pair {kept.number}; {again} --set-aside {kept.number}")
    answer = drying_file.read_pairs(), drying_file.own_drying()
    return deliver(json, answer, drying_json, drying_screen)


def _check(wet, dry, strip_number, dry_number, card, name, set_aside, bring_back) -> None:
    if (wet is None) != (dry is None):
        raise WrongUsage(
            "only one of --wet and --dry was given",
            "a change is learned from the same strip twice",
            "give the photo of the wet strip with --wet and of the dry one with --dry",
        )
    changes = [wet is not None, set_aside is not None, bring_back is not None]
    if sum(changes) > 1:
        raise WrongUsage(
            "several changes were asked for at once",
            "each is made alone, so that each can be undone alone",
            "give --wet and --dry, or --set-aside, or --bring-back",
        )
    if wet is None and any(v is not None for v in (strip_number, dry_number, card, name)):
        raise WrongUsage(
            "an option for a new pair was given without --wet and --dry",
            "there is no pair that it belongs to",
            "give both photos too",
        )
    opt.check_strip_numbers(strip_number=strip_number, dry_number=dry_number)
    if name is not None and (len(name) > LONGEST_NAME or any(ord(c) < 32 for c in name)):
        raise WrongUsage(
            f"--name must be one line of at most {LONGEST_NAME} letters",
            "it stands in a list",
            "give a short name",
        )
    if wet is not None and wet.exists() and dry.exists() and wet.samefile(dry):
        raise WrongUsage(
            "--wet and --dry are the same photo",
            "nothing has dried in between",
            "give two photos of the same strip",
        )


def _learn(wet: Path, dry: Path, number, dry_number, card, name) -> KeptPair:
    from datetime import date

    from drawdown.matching.drying import MOST_SHIFT_DE, DryingPair
    from drawdown.studio import drying_file

    options = photo_options(card)
    first = _strip(read_photo(wet, options), number, wet, "--strip-number")
    second = _strip(
        read_photo(dry, options), dry_number or number, dry,
        "--dry-number" if dry_number else "--strip-number",
    )  # fmt: skip
    pair = DryingPair(first.lab_d50, second.lab_d50)
    if pair.de00 > MOST_SHIFT_DE:
        raise WrongUsage(
            f"the two strips lie {pair.de00:.0f} Delta E apart",
            "drying does not change a colour so much, so they are hardly the same strip",
            "check the photos, and say which strip it is with --strip-number and --dry-number",
        )
    return drying_file.add_pair(
        drying_file.KeptPair(
            0, pair, name or "", date.today().isoformat(), (wet.name, dry.name),
            u95_wet=tuple(first.lab_u95), u95_dry=tuple(second.lab_u95),
        )
    )  # fmt: skip


def _strip(seen, number: int | None, photo: Path, option: str) -> StripReading:
    by_number = {s.strip.number: s for s in seen.strips}
    if number is None and len(by_number) > 1:
        raise WrongUsage(
            f"{photo} shows {len(by_number)} strips",
            "it is not clear which of them dried",
            "say which with --strip-number, counted from left to right with the card upright",
        )
    found = by_number.get(1 if number is None else number)
    if found is None:
        raise WrongUsage(
            f"{photo} has no strip {number}; {len(by_number)} were found",
            "the number says which strip is meant",
            f"give another {option}",
        )
    hard = [f for f in (*seen.flags, *found.flags) if f.hard]
    if hard:
        raise hard[0].unfit(f"{photo}: ")
    return found
