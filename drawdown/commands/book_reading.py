"""Reading one strip of a photo for the book."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from calibration.errors import PhotoUnfit, WrongUsage
from drawdown.commands import options as opt
from drawdown.commands.answers import read_photo

if TYPE_CHECKING:
    from drawdown.judge import Judgement
    from drawdown.measure import StripColour


def read_strip(
    photo: Path,
    number: int,
    card: Path | None,
    card_corners: str | None,
    *,
    keep: bool,
    by_hand: tuple[str, ...] = (),
) -> tuple[Judgement, StripColour]:
    """The strip of that number and the photo it is in; ``by_hand`` places strips instead of
    looking for them. With ``keep``, a strip that no verdict could rest on is refused. Raises
    ``WrongUsage``, ``PhotoUnfit`` and ``BadFile``."""
    opt.check_strip_numbers(strip_number=number)
    seen = read_photo(photo, card, opt.check_corners_of_one(card_corners), by_hand)
    return seen, strip_of(seen, number, photo, keep=keep)


def strip_of(seen: Judgement, number: int, photo: Path, *, keep: bool) -> StripColour:
    """One more strip of a photo that was read; raises as ``read_strip``."""
    by_number = {s.strip.number: s for s in seen.strips}
    if number not in by_number:
        count = len(by_number)
        raise WrongUsage(
            f"strip {number} was asked for, but {count or 'no'} "
            f"strip{' was' if count == 1 else 's were'} found in {photo}",
            "strips are numbered from left to right with the card upright",
            "see them all with: drawdown read",
        )
    colour = by_number[number]
    hard = [f for f in (*seen.flags, *colour.flags) if f.hard]
    if keep and hard:
        raise PhotoUnfit(
            hard[0].seen,
            f"{hard[0].kind.why}; a colour that is kept must be one to trust",
            hard[0].kind.todo,
        )
    return colour
