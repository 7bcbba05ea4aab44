"""Which strip is the original and which the batch, when not all of it is said."""

from __future__ import annotations

import filecmp
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from calibration.errors import WrongUsage

if TYPE_CHECKING:
    from calibration.photo.open import Photo

_SELF = "a strip compared with itself always matches"


@dataclass(frozen=True)
class WhichStrips:
    """Numbers of the two strips. ``assumed`` names the role ("original" or "batch") whose
    number is only the other one of two: with more strips in the photo it must be given."""

    original: int
    batch: int
    assumed: str | None = None


def which_strips(original: int | None, batch: int | None, apart: bool) -> WhichStrips:
    """What was given, completed: 1 against 2, or 1 against 1 when the strips are in two
    photos (``apart``). Raises ``WrongUsage`` for one strip named twice."""
    if apart:
        return WhichStrips(1 if original is None else original, 1 if batch is None else batch)
    if original is not None and original == batch:
        raise WrongUsage(
            f"`original` and `batch` are both {original}", _SELF, "give two different strips"
        )
    if batch is None and original == 2:
        return WhichStrips(2, 1, "batch")
    if original is None and batch == 1:
        return WhichStrips(2, 1, "original")
    return WhichStrips(1 if original is None else original, 2 if batch is None else batch)


def refuse_assumed(assumed: str | None, count: int) -> None:
    """Raise ``WrongUsage`` when "the other strip" is one of several (``count`` were found)."""
    if assumed is None or count < 3:
        return
    given = "original" if assumed == "batch" else "batch"
    raise WrongUsage(
        f"`{given}` was given without `{assumed}`, and there are {count} strips",
        f"only with two strips is the other one sure to be the {assumed}",
        f"add `{assumed}` with the number of its strip",
    )


def same_photo(one: Path | Photo, other: Path | Photo) -> bool:
    """Whether two names lead to one file, or to two copies of it; of opened photos, whether they
    are one."""
    if not (isinstance(one, Path) and isinstance(other, Path)):
        return one is other
    try:
        return one.samefile(other) or filecmp.cmp(one, other, shallow=False)
    except (OSError, ValueError):  # what is wrong with them is told when they are opened
        return False


def refuse_itself(photo: Path | Photo, original_photo: Path | Photo, which: WhichStrips) -> None:
    """Raise ``WrongUsage`` when both photos are the same and so are the strips."""
    if which.original == which.batch and same_photo(photo, original_photo):
        raise WrongUsage(
            f"`original_photo` is the photo itself, and strip {which.batch} is both original "
            "and batch",
            _SELF,
            "give the photo that shows the kept original; or, if this one shows both strips, "
            "leave `original_photo` out",
        )
