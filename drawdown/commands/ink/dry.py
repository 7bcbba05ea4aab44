"""``drawdown ink dry``: what drying does to a colour here, learned from wet and dry photos."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from calibration.errors import WrongUsage
from drawdown.commands.support import options as opt
from drawdown.commands.support.output import deliver, photo_options, read_photo
from drawdown.commands.support.parse import read_strips

if TYPE_CHECKING:
    from drawdown.reading.colour import StripReading
    from drawdown.studio.drying_file import KeptPair

LONGEST_NAME = 80
EXAMPLE = "drawdown ink dry wet.jpg dry.jpg"


def dry(
    photos: Annotated[
        list[Path] | None,
        opt.argument("[WET DRY]", "Photo of the strip while it was wet, and once it was dry."),
    ] = None,
    strip: Annotated[
        list[str] | None,
        opt.option(
            "STRIP",
            "Which strip it is: 2, left, right, or its place X,Y,W,H; given twice, in the wet "
            "photo and in the dry one.",
        ),
    ] = None,
    name: Annotated[
        str | None, opt.option("TEXT", "A name for the pair: the ink, the strip.")
    ] = None,
    anyway: Annotated[
        bool, opt.flag("It is one strip, even if the colours look like two inks.", "--anyway")
    ] = False,
    set_aside: Annotated[int | None, opt.option("N", "Stop counting pair N.")] = None,
    bring_back: Annotated[int | None, opt.option("N", "Count pair N again.")] = None,
    card: opt.CardFile = None,
    json: opt.AsJson = False,
) -> int:
    """Learn from one strip, wet and dry, how colours change; alone, list what is known."""
    _check(photos or [], strip, card, name, set_aside, bring_back)
    from drawdown.report.json.studio import drying_json
    from drawdown.report.text.drying import drying_screen
    from drawdown.report.text.terminal import write_aside
    from drawdown.studio import drying_file

    said = ""
    if set_aside is not None:
        said = f"Pair {drying_file.set_aside(set_aside, True).number} no longer counts."
    elif bring_back is not None:
        said = f"Pair {drying_file.set_aside(bring_back, False).number} counts again."
    elif photos:
        kept = _learn(photos, strip, card, name, anyway)
        said = f"Kept as pair {kept.number}."
    if said:
        write_aside(f"{said} Take that back with: drawdown undo")
    answer = drying_file.read_pairs(), drying_file.own_drying()
    return deliver(json, answer, drying_json, drying_screen)


def _check(photos, strip, card, name, set_aside, bring_back) -> None:
    if photos and len(photos) != 2:
        raise WrongUsage(
            f"{len(photos)} photo{'s were' if len(photos) > 1 else ' was'} given",
            "a change is learned from one strip, photographed twice",
            f"give two, first the wet strip's: {EXAMPLE}",
        )
    if sum((bool(photos), set_aside is not None, bring_back is not None)) > 1:
        raise WrongUsage(
            "several changes were asked for at once",
            "each is made alone, so that each can be undone alone",
            "give two photos, or --set-aside, or --bring-back",
        )
    if not photos and any(v is not None for v in (strip or None, card, name)):
        raise WrongUsage(
            "an option for a new pair was given without photos",
            "there is no pair that it belongs to",
            f"give both photos too: {EXAMPLE}",
        )
    if name is not None and (len(name) > LONGEST_NAME or any(ord(c) < 32 for c in name)):
        raise WrongUsage(
            f"--name must be one line of at most {LONGEST_NAME} letters",
            "it stands in a list",
            "give a short name",
        )
    if photos:
        from drawdown.pipeline.options import same_photo

        if same_photo(*photos):
            raise WrongUsage(
                "both photos are the same",
                "nothing has dried in between",
                f"give two photos of the same strip: {EXAMPLE}",
            )


def _learn(
    photos: list[Path], strip: list[str] | None, card: Path | None, name: str | None, anyway: bool
) -> KeptPair:
    from datetime import date

    from drawdown.matching.drying import DryingPair, can_be_one_ink
    from drawdown.studio import drying_file

    named = strip or []
    first, second = (
        _strip(photo, named[k : k + 1] or named[:1], card) for k, photo in enumerate(photos)
    )
    pair = DryingPair(first.lab_d50, second.lab_d50)
    if not anyway and not can_be_one_ink(pair):
        raise WrongUsage(
            f"the two strips lie {pair.de00:.1f} Delta E apart, and not as wet and dry of one ink",
            "a pair of two inks would spoil every comparison of wet with dry",
            "say which strip it is in each photo, as in --strip 2 --strip 1; if it is one strip "
            "all the same, add --anyway",
        )
    for known in drying_file.read_pairs():
        if known.pair.is_like(pair):
            raise WrongUsage(
                f"these photos are pair {known.number} already",
                "the same reading counts once",
                "photograph another strip, wet and dry",
            )
    return drying_file.add_pair(
        drying_file.KeptPair(
            0, pair, name or "", date.today().isoformat(), (photos[0].name, photos[1].name),
            u95_wet=tuple(first.lab_u95), u95_dry=tuple(second.lab_u95),
        )
    )  # fmt: skip


def _strip(photo: Path, named: list[str], card: Path | None) -> StripReading:
    from drawdown.pipeline.read import strip_of

    numbers, places = read_strips(named)
    seen = read_photo(photo, photo_options(card, strips=places))
    if not numbers and len(seen.strips) > 1:
        raise WrongUsage(
            f"{photo} shows {len(seen.strips)} strips",
            "it is not clear which of them dried",
            "say which, counted from left to right with the card upright: --strip 1",
        )
    found = strip_of(seen, numbers[0] if numbers else 1)
    hard = [f for f in (*seen.flags, *found.flags) if f.hard]
    if hard:
        raise hard[0].unfit(f"{photo}: ")
    return found
