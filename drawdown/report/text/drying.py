"""Pairs of wet and dry strips and what they say together: terminal text and JSON."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from drawdown.matching.drying import READING_SD, learn
from drawdown.report.json.match import dump, rounded
from drawdown.report.text.terminal import wrap

if TYPE_CHECKING:
    from pathlib import Path

    from drawdown.studio.drying_file import KeptPair

DE_U95 = 1.96 * READING_SD  # of a pair's Delta E: what reading it from two photos leaves open
NOTHING_YET = (
    "No strip was read wet and dry yet. Photograph a strip wet, let it dry, photograph it again "
    "with the same card in the same light, and give both photos: drawdown drying --wet wet.jpg "
    "--dry dry.jpg"
)


def drying_screen(kept: Sequence[KeptPair], columns: int) -> str:
    """Every pair, then what those that count say of the next strip."""
    if not kept:
        return "\n".join(wrap(NOTHING_YET, columns))
    lines = []
    for k in kept:
        head = f"pair {k.number}   {k.day}   {k.name}".rstrip()
        lines.append(head + ("   (set aside)" if k.aside else ""))
        wet = _lab(k.pair.lab_wet, k.u95_wet)
        dry = _lab(k.pair.lab_dry, k.u95_dry)
        change = f"Delta E {k.pair.de00:.1f} ± {DE_U95:.1f}"
        for row in (f"wet {wet}", f"dry {dry}", change):
            lines += wrap(row, columns, "   ")
    lines.append("")
    counted = [k.pair for k in kept if not k.aside]
    if not counted:
        lines += wrap("No pair counts, so nothing is known of drying.", columns)
        return "\n".join(lines)
    known = learn(counted)
    power, light = known.mean
    more = f"{100 * abs(power):.0f} % {'more' if power >= 0 else 'less'}"
    pairs = "1 pair" if len(counted) == 1 else f"{len(counted)} pairs"
    lines += wrap(
        f"From {pairs}: dry ink absorbs {more} (± {196 * known.sd[0]:.0f} %) as a film, and its "
        f"surface adds {100 * light:+.1f} % (± {196 * known.sd[1]:.1f} %) of white. Here ± holds "
        "the next strip with 95 % probability; it shrinks with more pairs that agree. Of a pair "
        "it holds the strip's own colour, and how far that went, with 95 % probability.",
        columns,
    )
    return "\n".join(lines)


def _lab(lab: Sequence[float], u95: Sequence[float] | None) -> str:
    halves = [""] * 3 if u95 is None else [f" ± {u:.1f}" for u in u95]
    return ", ".join(f"{a}* {v:.1f}{h}" for a, v, h in zip("Lab", lab, halves, strict=True))


def drying_json(kept: Sequence[KeptPair], path: Path) -> str:
    """Schema ``drawdown.drying/1``; ``known`` is null while no pair counts."""
    counted = [k.pair for k in kept if not k.aside]
    return dump(
        {
            "schema": "drawdown.drying/1",
            "path": str(path),
            "pairs": [_pair(k) for k in kept],
            "known": _known(counted) if counted else None,
        }
    )


def _pair(k: KeptPair) -> dict[str, Any]:
    return {
        "number": k.number,
        "name": k.name or None,
        "day": k.day or None,
        "photo_wet": k.photos[0] or None,
        "photo_dry": k.photos[1] or None,
        "lab_wet_d50": [rounded(v, 2) for v in k.pair.lab_wet],
        "lab_wet_u95": None if k.u95_wet is None else [rounded(v, 2) for v in k.u95_wet],
        "lab_dry_d50": [rounded(v, 2) for v in k.pair.lab_dry],
        "lab_dry_u95": None if k.u95_dry is None else [rounded(v, 2) for v in k.u95_dry],
        "de00": rounded(k.pair.de00, 2),
        "de00_u95": rounded(DE_U95, 2),
        "counts": not k.aside,
    }


def _known(counted) -> dict[str, Any]:
    known = learn(counted)
    return {
        "pairs": known.count,
        "absorbs_more_log": rounded(known.mean[0], 4),
        "absorbs_more_log_u95": rounded(1.96 * known.sd[0], 4),
        "surface_white": rounded(known.mean[1], 5),
        "surface_white_u95": rounded(1.96 * known.sd[1], 5),
    }
