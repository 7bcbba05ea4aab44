"""``drawdown ink add``: put inks on the studio's shelf."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from calibration.errors import BadFile, WrongUsage
from drawdown.commands.support import options as opt

if TYPE_CHECKING:
    from drawdown.ink.shelf import Ink, Shelf

STRONGEST = 20.0


def add(  # long: one parameter a line
    pigments: Annotated[
        list[str] | None,
        opt.argument(
            "[PIGMENT]...", "Starter inks to take as stand-ins, by name or Colour Index name."
        ),
    ] = None,
    name: Annotated[str | None, opt.option("NAME", "What you call it (one ink only).")] = None,
    strength: Annotated[
        float, opt.option("X", "How much stronger than the starter: 0.7 is weaker.")
    ] = 1.0,
    figures: Annotated[
        Path | None,
        opt.option("FILE.csv", "K and S of your own: lines ink,k|s,numbers by wavelength."),
    ] = None,
    spectra: Annotated[
        Path | None,
        opt.option(
            "FILE", "Spectra of a film of it: samples paper, black, over paper and over black."
        ),
    ] = None,
    kind: Annotated[str | None, opt.option("KIND", "colour, white, base or black.")] = None,
    colour_index: Annotated[
        str | None, opt.option("CI", "Its Colour Index name, such as PB15:3.")
    ] = None,
    source: Annotated[str | None, opt.option("TEXT", "Where the figures come from.")] = None,
    replace: opt.ReplaceInk = False,
    alone: opt.Alone = False,
    shelf: opt.ShelfKept = None,
    json: opt.AsJson = False,
) -> None:
    """Put inks on the shelf: starter pigments as stand-ins, or figures of your own."""
    from drawdown.ink.shelf import starter_ink
    from drawdown.report.json.ink import change_json
    from drawdown.report.text import terminal
    from drawdown.studio.shelf_file import put_inks, shelf_in_use, shelf_to_change

    wanted = pigments or []
    _check(wanted, name, strength, figures, spectra)
    if spectra is not None:
        inks = [_from_spectra(spectra, name or spectra.stem)]
    else:
        inks = [_from_figures(figures, name)] if figures else [starter_ink(p) for p in wanted]
    inks = [_described(ink, name, strength, kind, colour_index, source) for ink in inks]
    path = shelf_to_change(shelf)
    before = shelf_in_use(path).shelf.names if path.exists() else None
    after = put_inks(path, inks, over=replace, alone=alone)
    if json:
        terminal.write_result(change_json("added", [i.name for i in inks], path))
        return
    terminal.write_result("\n".join(f"{ink.title} is on the shelf {path}." for ink in inks))
    if told := shelf_told(before, after, [ink.name for ink in inks], path, shelf):
        terminal.write_aside(told)


def shelf_told(
    before: tuple[str, ...] | None, after: Shelf, added: list[str], path: Path, given: Path | None
) -> str:
    """What became of the stand-ins."""
    if before is not None:
        gone = [name for name in before if name not in after.names]
        return f"It takes the place of the stand-in {', '.join(gone)}." if gone else ""
    told = "It is used from now on" if given is None else f"Use it with --shelf {path}"
    others = len(after.names) - len(added)
    return (
        f"A new shelf. {told}; it keeps {others} starter inks as stand-ins, until you replace them "
        "or take them off with: drawdown ink remove"
    )


def _check(
    pigments: list[str], name: str | None, strength: float, figures: Path | None,
    spectra: Path | None,
) -> None:  # fmt: skip
    own = [o for o, given in (("--figures", figures), ("--spectra", spectra)) if given is not None]
    if not pigments and not own:
        raise WrongUsage(
            "no ink was named",
            "an ink needs figures: a starter pigment's, or your own",
            "write for example: drawdown ink add PB15:3 white, or fit one from a photo of its "
            "strips with: drawdown ink fit",
        )
    if len(said := [*(["a pigment"] if pigments else []), *own]) > 1:
        raise WrongUsage(
            f"both {said[0]} and {said[1]} were given",
            "an ink's figures come from one of the two",
            "leave one of them out",
        )
    if name is not None and len(pigments) > 1:
        raise WrongUsage(
            f"--name was given with {len(pigments)} pigments",
            "each ink needs a name of its own",
            "add them one by one, or leave --name out",
        )
    if not (math.isfinite(strength) and 1 / STRONGEST <= strength <= STRONGEST):
        raise WrongUsage(
            f"--strength is {strength:g}, and must lie between {1 / STRONGEST:g} and {STRONGEST:g}",
            "it multiplies what the starter pigment absorbs and scatters",
            "1.3 is a third stronger, 0.7 a third weaker",
        )


def _from_figures(path: Path, name: str | None) -> Ink:
    """The ink of that name (or the only one) in a CSV of K and S."""
    from calibration.files import read_bytes
    from drawdown.ink.shelf import Ink
    from drawdown.ink.tables import plain, read_table

    try:
        text = read_bytes(path, "figures of an ink", 10_000_000).decode("utf-8-sig")
    except UnicodeDecodeError:
        raise BadFile(
            f"{path} is not UTF-8 text", "no figure can be read from it", "save it as CSV, UTF-8"
        ) from None
    table = read_table(text, str(path))
    inside = list(dict.fromkeys(key for key, _ in table))
    wanted = plain(name) if name else ""
    if wanted not in inside:
        if len(inside) != 1:
            raise WrongUsage(
                f"{path} holds {len(inside)} inks ({', '.join(inside)})",
                "one of them is to be added",
                "say which with --name",
            )
        wanted = inside[0]
    if (wanted, "k") not in table or (wanted, "s") not in table:
        raise BadFile(
            f"{path} lacks a k or an s line for {wanted}",
            "an ink needs absorption and scattering",
            "add the missing line, in the same units",
        )
    k, s = table[wanted, "k"], table[wanted, "s"]
    return Ink(name or wanted, "", "", "colour", k, s, f"figures in {path.name}")


def _from_spectra(path: Path, name: str) -> Ink:
    """The ink of a film that was measured over paper and over black."""
    from drawdown.ink.shelf import Ink
    from drawdown.ink.tables import figures_of_spectra

    return Ink(name, "", "", "colour", *figures_of_spectra(path), f"spectra in {path.name}")


def _described(ink: Ink, name, strength: float, kind, colour_index, source) -> Ink:
    from dataclasses import replace

    from drawdown.ink.hazards import pigment_caution
    from drawdown.studio.shelf_file import checked_kind, checked_name

    if strength != 1:
        ink = replace(
            ink,
            k=ink.k * strength,
            s=ink.s * strength,
            strength=strength,
            source=f"{ink.source}; strength {strength:g} times that",
        )
    if colour_index is not None:
        ink = replace(
            ink, colour_index=colour_index, caution=pigment_caution(colour_index) or ink.caution
        )
    if kind is not None:
        ink = replace(ink, kind=checked_kind(kind))
    if source is not None:
        ink = replace(ink, source=source)
    if name is not None:
        ink = replace(ink, name=name)
    return replace(ink, name=checked_name(ink.name))
