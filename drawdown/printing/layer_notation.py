"""Layers, papers and orders as they are typed: ``"sky: white=80 PB15:3=5 film=0.8"``."""

from __future__ import annotations

import contextlib
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

from calibration.errors import WrongUsage
from drawdown.ink.shelf import Shelf

_NAME = re.compile(r"^\s*([^=:]+?)\s*:(\s*)(.*)$", re.DOTALL)
_PART = re.compile(r"\s*([^=,]*?)\s*=\s*([^\s,=]+)\s*(?:,|(?=\s)|$)")
_EXAMPLE = '`layers` "sky: white=80 PB15:3=5 base=15"'
_SYNTAX = f"write for example {_EXAMPLE}"
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
            f"give `layers` once for each layer of the print: {_EXAMPLE}",
        )
    layers = [_layer(text, shelf) for text in texts]
    seen: set[str] = set()
    for layer in layers:
        if layer.name.casefold() in seen:
            raise WrongUsage(
                f'two layers are called "{layer.name}"',
                "the answer speaks of them by name",
                'name them, as in `layers` "dark sky: PB15:3=10 base=90"',
            )
        seen.add(layer.name.casefold())
    return layers


def _layer(text: str, shelf: Shelf) -> LayerSpec:
    name, rest = _split_name(text, shelf)
    parts: dict[str, float] = {}
    film, at = 1.0, 0
    named: set[str] = set()
    rest = rest.strip()
    while at < len(rest):
        part = _PART.match(rest, at)
        if part is None or not part[1]:
            raise WrongUsage(
                f'in `layers` "{text}", "{rest[at:].strip()}" is not an ink, an equals sign and '
                "its parts",
                "the parts say what the layer is mixed from",
                f"{_SYNTAX}, with a point for decimals",
            )
        at = part.end()
        what = part[1].casefold()
        if what in named:
            raise WrongUsage(
                f'`layers` "{text}" names {part[1]} twice',
                "it is not clear which of the two amounts is meant",
                "give it once, with all of it",
            )
        named.add(what)
        if what == "film":
            film = _number(part[2], "film", text)
            if film > THICKEST:
                raise WrongUsage(
                    f'in `layers` "{text}", film is {film:g}',
                    "it counts films as thick as an ordinary strip",
                    "use a number like 0.7 for a thin film or 1.5 for a thick one",
                )
        else:
            parts[part[1]] = _number(part[2], part[1], text)
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
            f"give it a name without one: {_EXAMPLE}",
        )
    if len(name) > LONGEST_LAYER_NAME or not name.isprintable():
        raise WrongUsage(
            f"the name of a layer has {len(name)} letters or a sign that does not print",
            "it must fit on the picture",
            f"use up to {LONGEST_LAYER_NAME} plain letters",
        )
    return LayerSpec(name, mix, film)


def _split_name(text: str, shelf: Shelf) -> tuple[str, str]:
    """The name before the colon, if there is one: PB15:3=5 has a colon and no name."""
    named = _NAME.match(text)
    if named is None:
        return "", text
    if not named[2]:
        with contextlib.suppress(WrongUsage):
            shelf.find(text.split("=")[0])
            return "", text
    return named[1], named[3]


def _number(text: str, what: str, layer: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not (value > 0 and math.isfinite(value)):
        raise WrongUsage(
            f'in `layers` "{layer}", {what} is {text}',
            "parts and films are amounts, so they must be numbers above 0",
            _SYNTAX,
        )
    return value


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


def cautions(layers: Sequence[LayerSpec], shelf: Shelf) -> list[str]:
    """What goes with the pigments that the layers name."""
    used = dict.fromkeys(name for layer in layers for name in layer.mix)
    found = {ink.name: ink.caution for ink in shelf if ink.name in used and ink.caution}
    return [f"{name}: {caution}." for name, caution in found.items()]
