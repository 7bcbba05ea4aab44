"""The studio's pairs of wet and dry readings: a TOML file beside its shelf.

A pair is never deleted, only set aside, so that it can be brought back. A change locks the
file, so that two at once lose none.
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from calibration.errors import BadFile, WrongUsage
from calibration.files import locked, read_bytes, write_atomically
from drawdown.matching.drying import Drying, DryingPair, learn
from drawdown.studio import last_change
from drawdown.studio.locations import own_shelf

FORMAT = "drawdown.drying/1"
_LOCK = ("the file of pairs,", "set DRAWDOWN_SHELF to a place of your own")
_HEAD = "# The same strips read wet and dry: `drawdown ink dry` lists, adds and sets aside.\n"


@dataclass(frozen=True)
class KeptPair:
    """A pair with its number (from 1), name, day (ISO) and the two photos' names; ``aside``
    pairs do not count. ``u95_wet`` and ``u95_dry`` are the half widths (3,) of what holds each
    colour with 95 % probability; None in files of earlier versions."""

    number: int
    pair: DryingPair
    name: str = ""
    day: str = ""
    photos: tuple[str, str] = ("", "")
    aside: bool = False
    u95_wet: tuple[float, ...] | None = None
    u95_dry: tuple[float, ...] | None = None


def own_drying() -> Path:
    """The studio's file; it need not exist."""
    return own_shelf().parent / "drying.toml"


def read_pairs() -> tuple[KeptPair, ...]:
    """All pairs of the file; none when there is no file. Raises ``BadFile``."""
    path = own_drying()
    if not path.exists():
        return ()
    data = read_bytes(path, "pairs of wet and dry readings", 2_000_000)
    try:
        top = tomllib.loads(data.decode("utf-8"))
        if top.get("format") != FORMAT:
            raise ValueError(f'its first entry is not format = "{FORMAT}"')
        return tuple(_pair(entry, n) for n, entry in enumerate(top.get("pairs", []), 1))
    except (ValueError, TypeError, AttributeError, KeyError, RecursionError) as error:
        raise BadFile(
            f"{path} cannot be read ({' '.join(str(error).split())})",
            "without it nothing is known of how ink dries here",
            "repair the file, or move it away to start over",
        ) from error


def _pair(entry: dict, number: int) -> KeptPair:
    def three(key: str, least, most) -> np.ndarray:
        values = entry.get(key, ())
        if [type(v) in (int, float) for v in values] != [True] * 3:
            raise ValueError(f"pair {number} has no {key} of three numbers")
        if not ((np.array(least) <= values) & (values <= np.array(most))).all():  # refuses nan too
            raise ValueError(f"pair {number}: {key} is not a colour")
        return np.array(values, dtype=float)

    def lab(key: str) -> np.ndarray:
        return three(key, (0, -200, -200), (110, 200, 200))

    def u95(key: str) -> tuple[float, ...] | None:
        return tuple(three(key, 0, 1000).tolist()) if key in entry else None

    return KeptPair(
        number,
        DryingPair(lab("lab_wet"), lab("lab_dry")),
        str(entry.get("name", "")),
        str(entry.get("day", "")),
        (str(entry.get("photo_wet", "")), str(entry.get("photo_dry", ""))),
        bool(entry.get("aside", False)),
        u95("u95_wet"),
        u95("u95_dry"),
    )


def learned() -> Drying:
    """What the pairs that count say; with no pair, what is thought of any ink."""
    return learn([kept.pair for kept in read_pairs() if not kept.aside])


def add_pair(pair: KeptPair) -> KeptPair:
    """Put a pair at the end; returns it with its number. Raises ``BadFile``."""

    def add(pairs: list[KeptPair]) -> KeptPair:
        pairs.append(replace(pair, number=len(pairs) + 1))
        return pairs[-1]

    return _change(add)


def set_aside(number: int, aside: bool) -> KeptPair:
    """Let a pair count no longer, or again. Raises ``WrongUsage`` for an unknown number, or
    when nothing would change, and ``BadFile``."""

    def change(pairs: list[KeptPair]) -> KeptPair:
        if not 1 <= number <= len(pairs):
            have = f"there are {len(pairs)}" if pairs else "there is none yet"
            raise WrongUsage(f"there is no pair {number}", have, "list them with: drawdown ink dry")
        if pairs[number - 1].aside is aside:
            raise WrongUsage(
                f"pair {number} {'is set aside already' if aside else 'counts already'}",
                "nothing was changed",
                "list the pairs with: drawdown ink dry",
            )
        pairs[number - 1] = replace(pairs[number - 1], aside=aside)
        return pairs[number - 1]

    return _change(change)


def step_pairs(*, redo: bool = False) -> None:
    """Take the last change of the pairs back, or make it again. Raises ``BadFile``."""
    path = own_drying()
    with locked(path, *_LOCK):
        last_change.step(path, redo=redo)


def _change(work: Callable[[list[KeptPair]], KeptPair]) -> KeptPair:
    path = own_drying()
    with locked(path, *_LOCK):
        pairs = list(read_pairs())
        done = work(pairs)
        last_change.keep_before(path, path.read_bytes() if path.exists() else b"")
        write_atomically(path, _text(pairs).encode("utf-8"))
    return done


def _text(pairs: list[KeptPair]) -> str:
    import tomli_w

    rows = []
    for kept in pairs:
        row: dict[str, Any] = {"name": kept.name, "day": kept.day, "aside": kept.aside}
        row |= dict(zip(("photo_wet", "photo_dry"), kept.photos, strict=True))
        row |= {"lab_wet": kept.pair.lab_wet, "lab_dry": kept.pair.lab_dry}
        row |= {"u95_wet": kept.u95_wet, "u95_dry": kept.u95_dry}
        rows.append({key: _plain(value) for key, value in row.items() if value is not None})
    return f"{_HEAD}{tomli_w.dumps({'format': FORMAT, 'pairs': rows})}"


def _plain(value: Any) -> Any:
    """As TOML may hold it: colours to three decimals, no lone surrogates of a file's name."""
    if isinstance(value, str | bool):
        return value.encode("utf-8", "replace").decode("utf-8") if isinstance(value, str) else value
    return [round(float(v), 3) for v in value]
