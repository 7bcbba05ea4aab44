"""Layers, papers and orders as they are typed: ``"sky: white 80, PB15:3 5, film 0.8"``."""

from __future__ import annotations

import contextlib
import re
from collections.abc import Sequence
from dataclasses import dataclass

from calibration.errors import WrongUsage
from drawdown.ink.mix_notation import read_amounts
from drawdown.ink.shelf import Ink, Shelf

_NAME = re.compile(r"^\s*([^=:]+?)\s*:(\s*)(.*)$", re.DOTALL)
_EXAMPLE = '"sky: white 80, PB15:3 5, base 15"'
_SYNTAX = f"write for example `layers` {_EXAMPLE}"
LONGEST_LAYER_NAME = 40
THICKEST = 20.0


@dataclass(frozen=True)
class LayerSpec:
    """A layer as asked for: its mix in parts that sum to 100, by the shelf's names; ``film``
    1 is an ordinary strip."""

    name: str
    mix: dict[str, float]
    film: float


def read_layers(texts: Sequence[str], shelf: Shelf, least: int, most: int) -> list[LayerSpec]:
    """``least`` to ``most`` layers, in the order given; raises ``WrongUsage``."""
    if not least <= len(texts) <= most:
        count = "once" if len(texts) == 1 else f"{len(texts)} times"
        raise WrongUsage(
            f"`layers` was given {count}" if texts else "no `layers` was given",
            f"it takes {least} to {most} layers" if most > least else f"it takes {most} layers",
            f"give `layers` once for each layer of the print: `layers` {_EXAMPLE}",
        )
    layers = [_layer(text, shelf) for text in texts]
    seen: set[str] = set()
    for layer in layers:
        if layer.name.casefold() in seen:
            raise WrongUsage(
                f'two layers are called "{layer.name}"',
                "the answer speaks of them by name",
                'name them, as in `layers` "dark sky: PB15:3 10, base 90"',
            )
        seen.add(layer.name.casefold())
    return layers


def _layer(text: str, shelf: Shelf) -> LayerSpec:
    name, rest = _split_name(text, shelf)
    parts = read_amounts(rest, "layers", _EXAMPLE).amounts
    film = next((parts.pop(ink) for ink in list(parts) if ink.casefold() == "film"), 1.0)
    if film > THICKEST:
        raise WrongUsage(
            f'in `layers` "{text}", film is {film:g}',
            "it counts films as thick as an ordinary strip",
            "use a number like 0.7 for a thin film or 1.5 for a thick one",
        )
    if not parts:
        raise WrongUsage(f'`layers` "{text}" names no ink', "a layer needs a colour", _SYNTAX)
    mix = shelf.named_mix(parts)
    if not name:
        tinting = [n for n in mix if shelf.find(n).kind not in ("white", "base")] or list(mix)
        name = max(tinting, key=lambda n: mix[n])
    if "," in name:  # an order could not tell it from two
        raise WrongUsage(
            f'the layer "{name}" has a comma in its name',
            "commas part the names of an order",
            f"give it a name without one: `layers` {_EXAMPLE}",
        )
    if len(name) > LONGEST_LAYER_NAME or not name.isprintable():
        raise WrongUsage(
            f"the name of a layer has {len(name)} letters or a sign that does not print",
            "it must fit on the picture",
            f"use up to {LONGEST_LAYER_NAME} plain letters",
        )
    return LayerSpec(name, mix, film)


def _split_name(text: str, shelf: Shelf) -> tuple[str, str]:
    """The name before the colon, if there is one: PB15:3 5 has a colon and no name."""
    named = _NAME.match(text)
    if named is None:
        return "", text
    if not named[2]:
        with contextlib.suppress(WrongUsage):
            shelf.find(re.split(r"\s|=", text.strip())[0])
            return "", text
    return named[1], named[3]


def read_paper(text: str | None) -> tuple[float, float, float] | None:
    """``"L,a,b"`` as Lab D50; None for an ordinary white one."""
    if text is None:
        return None
    try:
        lab = tuple(float(part) for part in text.split(","))
    except ValueError:
        lab = ()
    if len(lab) != 3 or not (20 <= lab[0] <= 100) or not all(abs(v) <= 60 for v in lab[1:]):
        raise WrongUsage(
            f'`paper` "{text}" is not a paper\'s colour',
            "every layer is seen against the paper",
            "give its L*, a*, b* as drawdown read shows them, for example `paper` 93,0,4; L* "
            "must lie between 20 and 100",
        )
    return lab


def read_order(text: str, layers: Sequence[LayerSpec]) -> tuple[int, ...]:
    """``"sky, reed, key"`` as places in the list of layers."""
    wanted = [part.strip().casefold() for part in text.split(",")]
    names = [layer.name.casefold() for layer in layers]
    if sorted(wanted) != sorted(names):
        listed = ", ".join(layer.name for layer in layers)
        raise WrongUsage(
            f'`order` "{text}" does not name every layer once',
            "an order says for each layer when it is printed",
            f"put these in the order you want: {listed}",
        )
    return tuple(names.index(name) for name in wanted)


def inks_of(layers: Sequence[LayerSpec], shelf: Shelf) -> list[Ink]:
    """The inks that the layers name."""
    used = {name for layer in layers for name in layer.mix}
    return [ink for ink in shelf if ink.name in used]
