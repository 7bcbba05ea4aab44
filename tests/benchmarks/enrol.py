"""Enrolling a home-printed card from rendered photos: how near, and how honest.

    python tests/benchmarks/enrol.py --prints 12 --photos 2

Each print comes from an invented home printer and is photographed beside a card with known
values: every other time a chart of 24 colours (colour-science's spectra), else a frame from
another printer, measured with u = 0.3. The two cards change places from photo to photo.
Printed: Delta E 2000 to the truth of what was enrolled and of the drawing, the share of
Lab values within 2 u, and the root mean square of error over u (1 is honest, less is
cautious).
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from calibration.card.definition import CardDefinition, Marker, Patch
from calibration.colour.difference import delta_e_2000
from calibration.correction.enrol import from_photos
from calibration.correction.enrol_photo import check_pair, read_photo
from calibration.errors import DrawdownError
from calibration.photo.open import open_photo
from fixtures import cardprint, render
from fixtures.layout import Box, card_named
from fixtures.printer import make_printer, print_patches
from fixtures.scenes import random_spec
from fixtures.sheet import card_paper
from fixtures.spec import StripSpec
from fixtures.spectra import WAVELENGTHS_NM, lab_d50

RECIPE = (("PBk9", 2.0), ("PW6", 98.0))


@dataclass(frozen=True)
class Known:
    """The card with known values: its measured definition and the spectra of its fields."""

    card: CardDefinition
    spectra: np.ndarray
    ink: np.ndarray
    paper: np.ndarray


def _measured(card: CardDefinition, spectra: np.ndarray, u: float, rng) -> CardDefinition:
    lab = lab_d50(spectra) + rng.normal(0, u, (len(spectra), 3))
    patches = tuple(
        replace(p, lab_d50=tuple(map(float, row)), u_lab=(u,) * 3)
        for p, row in zip(card.patches, lab, strict=True)
    )
    return replace(card, patches=patches, provenance="measured")


def chart(rng) -> Known:
    """24 colours of colour-science's chart in an arrangement of our own."""
    import colour

    fields = list(next(iter(colour.SDS_COLOURCHECKERS.values())).values())
    spectra = np.array([np.interp(WAVELENGTHS_NM, s.wavelengths, s.values) for s in fields])
    patches = []
    for k, lab in enumerate(lab_d50(spectra)):
        row, column = divmod(k, 8)
        chroma = float(np.hypot(lab[1], lab[2]))
        role = "white" if lab[0] > 90 and chroma < 6 else "grey" if chroma < 6 else "colour"
        rect = (20.0 + 14 * column, 18.0 + 14 * row, 12.0, 12.0)
        patches.append(Patch(f"p{k + 1}", rect, tuple(lab), (0.3, 0.3, 0.3), role))
    places = [(3.0, 3.0), (137.0, 3.0), (137.0, 55.0), (3.0, 55.0)]
    markers = tuple(Marker(40 + i, (x, y, 10.0, 10.0)) for i, (x, y) in enumerate(places))
    card = CardDefinition(
        "chart", "chart", (150.0, 68.0), "DICT_5X5_100", markers, tuple(patches), "measured", ""
    )
    plain = np.ones(len(WAVELENGTHS_NM))
    return Known(_measured(card, spectra, 0.3, rng), spectra, 0.03 * plain, 0.88 * plain)


def other_print(rng, spec) -> Known:
    """A frame from another home printer."""
    printer = make_printer(rng, card_paper(spec))
    card = card_named("frame")
    spectra = printer.reflectance(print_patches(printer, card.lab_d50, rng.uniform(2, 6)))
    ink = printer.reflectance(np.array([[0.35, 0.3, 0.3, 1.0]]))[0]
    return Known(_measured(card, spectra, 0.3, rng), spectra, ink, printer.paper.reflectance())


def _paint(layer, known: Known, at: tuple[float, float]) -> None:
    def colours(spectrum):
        return layer.light.colours(lambda uv: spectrum)

    def box(rect):
        x, y, w, h = rect
        return Box((at[0] + x + w / 2, at[1] + y + h / 2), (w, h))

    layer.fill(box((0, 0, *known.card.size_mm)), colours(known.paper))
    for patch, spectrum in zip(known.card.patches, known.spectra, strict=True):
        layer.fill(box(patch.rect_mm), colours(spectrum))
    for marker in known.card.markers:
        cells = _cells(known.card.dictionary, marker.id)
        x, y, w, h = marker.rect_mm
        n = len(cells)
        for row, column in zip(*np.nonzero(cells), strict=True):
            cell = (x + column * w / n, y + row * h / n, w / n, h / n)
            layer.fill(box(cell), colours(known.ink))


def _cells(dictionary: str, number: int) -> np.ndarray:
    import cv2

    words = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, dictionary))
    return cv2.aruco.generateImageMarker(words, number, words.markerSize + 2) < 128


def photograph(known: Known, spec, path: Path, side: str) -> np.ndarray:
    """Render a photo of spec's printed card with the known card beside it; (n, 3) true Lab."""
    (w, h), (kw, kh) = card_named(spec.card_shape).size_mm, known.card.size_mm
    gap = 12.0
    at = {"below": (0.0, h + gap), "above": (0.0, -kh - gap), "right": (w + gap, 0.0)}[side]
    strip = StripSpec(
        RECIPE, length_mm=kh, width_mm=kw, place_mm=(at[0] + kw / 2, at[1] + kh / 2, 0.0)
    )
    spec = replace(spec, strips=(strip,), paper="plain", layout="below", sheet_print=None)
    plain = cardprint.paint_card

    def both(layer, printed, given):
        _paint(layer, known, at)
        plain(layer, printed, given)

    render.paint_card = both
    try:
        made = render.render(spec)
    finally:
        render.paint_card = plain
    path.write_bytes(made.jpeg())
    return made.truth.card_lab_true


def run(seed: int, photos: int, difficulty: str, folder: Path) -> dict:
    """One print, enrolled from some photos."""
    rng = np.random.default_rng([seed, 77])
    first = random_spec(seed, difficulty=difficulty, card_shape="slip", count=1)
    known = chart(rng) if seed % 2 else other_print(rng, first)
    own = card_named("slip")
    check_pair(known.card, own)
    readings, refused = [], []
    for k in range(photos):
        other = random_spec(
            seed + 1000 * k, difficulty=difficulty, card_shape="slip", count=1,
            printer_seed=first.printer_seed, print_error_de=first.print_error_de,
            card_glow=first.card_glow, card_share=0.6, glare=0.0, shadow="none", lamp_2=None,
        )  # fmt: skip
        path = folder / f"{seed}-{k}.jpg"
        truth = photograph(known, other, path, ("below", "above")[k % 2])
        try:
            readings.append(read_photo(open_photo(path), known.card, own))
        except DrawdownError as error:
            refused.append(f"{error.seen} [{other.lamp}]")
    row = {"seed": seed, "known": known.card.name, "refused": refused, "lamp": other.lamp}
    if readings:
        made = from_photos(own, tuple(readings))
        read = np.array([p.name not in made.unread for p in own.patches])
        off = (made.lab_d50 - truth)[read]
        row |= {
            "photos": len(readings), "unread": len(made.unread), "u": made.typical_u_de,
            "enrolled": delta_e_2000(made.lab_d50, truth)[read],
            "drawn": delta_e_2000(own.expected_lab_d50, truth)[read],
            "z": off / made.u_lab[read], "off": off, "lab": truth[read],
            "z_drawn": ((own.expected_lab_d50 - truth) / own.u_lab)[read],
            "held_out": np.median([r.held_out_median for r in readings]),
        }  # fmt: skip
    return row


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--prints", type=int, default=12)
    parser.add_argument("--photos", type=int, default=2)
    parser.add_argument("--first-seed", type=int, default=70000)
    parser.add_argument("--difficulty", default="easy", choices=("easy", "usable"))
    given = parser.parse_args()
    rows = []
    with tempfile.TemporaryDirectory() as folder:
        for seed in range(given.first_seed, given.first_seed + given.prints):
            row = run(seed, given.photos, given.difficulty, Path(folder))
            rows.append(row)
            for words in row["refused"]:
                print(f"{seed} refused: {words}")
            if "z" in row:
                print(
                    f"{seed} {row['known']:5} {row['lamp']:7} photos {row['photos']}"
                    f" unread {row['unread']}  held out {row['held_out']:.1f}"
                    f"  enrolled {np.median(row['enrolled']):.2f} (max {row['enrolled'].max():.1f})"
                    f"  drawn {np.median(row['drawn']):.2f}  u {row['u']:.2f}"
                    f"  within 2u {np.mean(np.abs(row['z']) < 2):.2f}"
                    f"  rms z {np.sqrt(np.mean(row['z'] ** 2)):.2f}"
                )
    good = [r for r in rows if "z" in r]
    for name in ("all", "chart", "frame"):
        some = [r for r in good if name in ("all", r["known"])]
        if some:
            z = np.concatenate([r["z"] for r in some])
            drawn = np.concatenate([r["z_drawn"] for r in some])
            print(
                f"{name}: {len(some)} prints; enrolled median "
                f"{np.median(np.concatenate([r['enrolled'] for r in some])):.2f}, 95 % "
                f"{np.quantile(np.concatenate([r['enrolled'] for r in some]), 0.95):.2f}; drawn "
                f"{np.median(np.concatenate([r['drawn'] for r in some])):.2f}; within 2u "
                f"{np.mean(np.abs(z) < 2):.3f}; rms z L* a* b* "
                f"{np.round(np.sqrt(np.mean(z**2, axis=0)), 2)}; drawn within 2u "
                f"{np.mean(np.abs(drawn) < 2):.3f}"
            )


if __name__ == "__main__":
    main()
