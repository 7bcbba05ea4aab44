"""Enrolling a home-printed card from rendered photos: how near, and how honest.

    python tests/benchmarks/enrol.py --prints 12 --photos 2

Each print comes from an invented home printer and is photographed beside a card with known
values: every other time a chart of 24 colours (colour-science's spectra), else a frame from
another printer, measured with u = 0.3. The two cards change places from photo to photo.
Printed: Delta E 2000 to the truth of what was enrolled and of the drawing, the share of
Lab values within 2 u, and the root mean square of error over u (1 is honest, less is
cautious).

    python tests/benchmarks/enrol.py --raw --prints 30

enrols each print from one raw photo of it alone instead, in daylight or cool LED light, by a camera
of published sensitivities or an invented mosaic sensor, and then reads the strips of an ordinary
photo of another scene three times: by the card as drawn, as enrolled, and as an instrument
measures it.

    python tests/benchmarks/enrol.py --exposures --prints 20

enrols each print from two exposures of it by a phone, 0.8 to 1.3 stops apart, without a word about
how far: odd seeds by the second renderer, even ones by the first. Every other pair notes its
exposure in the file.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "kits"))
sys.path.insert(0, str(Path(__file__).resolve().parent))

from calibration.card.definition import CardDefinition, Marker, Patch
from calibration.card.toml import builtin_cards, card_from_dict, write_card
from calibration.colour.difference import delta_e_2000
from calibration.correction.enrol.exposures import read_exposures
from calibration.correction.enrol.measured import enrolled_card, from_photos
from calibration.correction.enrol.photos import check_pair, read_alone, read_photo
from calibration.errors import DrawdownError
from calibration.photo.open import open_photo, photo_from_bytes
from fixtures import cardprint, render
from fixtures.layout import Box, card_named
from fixtures.optics import tone_table
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


DAYLIGHT = ("D50", "D55", "D65", "D75", "LED-B4", "LED-B5")
MOSAICS = (0, 12, 57, 3, 4, 5, 6, 7)  # 0 is published; 1 is no mosaic, its channels overlap


def run_raw(seed: int, folder: Path) -> dict:
    """One print, enrolled from a raw photo of it alone, and what strips then read."""
    from raw_scenes import raw_scene

    rng = np.random.default_rng([seed, 78])
    lamp, camera = str(rng.choice(DAYLIGHT)), int(rng.choice(MOSAICS))
    spec = random_spec(
        seed, difficulty="easy", card_shape="slip", count=1, lamp=lamp, lamp_2=None, camera=camera,
        card_share=0.6, glare=0.0, shadow="none",
    )  # fmt: skip
    data, truth = raw_scene(spec)
    own = card_named("slip")
    row = {"seed": seed, "lamp": lamp, "camera": camera}
    try:
        made = from_photos(own, (read_alone(photo_from_bytes(data), own),))
    except DrawdownError as error:
        return row | {"refused": error.seen}
    off = made.lab_d50 - truth.card_lab_true
    row |= {"off": off, "u": made.u_lab, "drawn": own.expected_lab_d50 - truth.card_lab_true}
    usual = random_spec(
        seed + 5000, card_shape="slip", printer_seed=spec.printer_seed, card_glow=spec.card_glow,
        print_error_de=spec.print_error_de,
    )  # fmt: skip
    scene = render.render(usual)
    photo = folder / f"{seed}.jpg"
    photo.write_bytes(scene.jpeg())
    told = scene.truth.to_dict()
    cards = {"drawn": own, "enrolled": enrolled_card(made, "raw"),
             "measured": card_from_dict(told["card"])}  # fmt: skip
    for name, card in cards.items():
        path = folder / f"{seed}-{name}.toml"
        write_card(path, card)
        row[name + " strips"] = _strips(photo, path, told)
    return row


def _strips(photo: Path, card: Path, told: dict) -> dict:
    """Errors of the strips' colours, their half widths, and what was flagged of the card."""
    from drawdown.pipeline.options import Options
    from drawdown.pipeline.read import read_strips

    try:
        seen = read_strips(photo, Options(card=card), lambda *_: None)
    except DrawdownError as error:
        return {"refused": error.seen}
    middles = np.array([np.mean(s["corners_mm"], axis=0) for s in told["strips"]])
    off, wide = [], []
    for strip in seen.strips:
        apart = np.linalg.norm(middles - strip.strip.corners_mm.mean(axis=0), axis=1)
        if apart.min() < 8:
            off.append(strip.lab_d50 - told["strips"][int(apart.argmin())]["lab_d50"])
            wide.append(strip.lab_u95)
    flags = sorted({f.code for f in seen.all_flags if f.kind.about == "card"})
    return {"off": off, "wide": wide, "flags": flags}


def main_raw(prints: int, first: int, folder: Path) -> None:
    rows = [run_raw(seed, folder) for seed in range(first, first + prints)]
    good = [r for r in rows if "off" in r]
    for r in rows:
        if "refused" in r:
            print(f"{r['seed']} {r['lamp']} camera {r['camera']}: refused: {r['refused']}")
    off, u = (np.concatenate([r[k] for r in good]) for k in ("off", "u"))
    drawn = np.concatenate([r["drawn"] for r in good])
    print(
        f"{len(good)} prints: |error| of L*, a*, b*, 95 % of patches: "
        f"{np.quantile(np.abs(off), 0.95, axis=0).round(1)} (as drawn "
        f"{np.quantile(np.abs(drawn), 0.95, axis=0).round(1)}); half widths, median "
        f"{(1.96 * np.median(u, axis=0)).round(1)}; hold "
        f"{(100 * np.mean(np.abs(off) <= 1.96 * u, axis=0)).round(1)} %"
    )
    for name in ("drawn", "enrolled", "measured"):
        read = [r[name + " strips"] for r in good]
        some = [r for r in read if r.get("off")]
        off, wide = (np.concatenate([r[k] for r in some]) for k in ("off", "wide"))
        flags = [f for r in some for f in r["flags"]]
        print(
            f"strips by the card {name}: {len(off)}, refused {sum('refused' in r for r in read)}; "
            f"L*, a*, b* off by {np.median(np.abs(off), axis=0).round(1)} (median; L* on average "
            f"{off[:, 0].mean():+.1f}); half widths {np.median(wide, axis=0).round(1)}, hold "
            f"{(100 * np.mean(np.abs(off) <= wide, axis=0)).round(0)} %; "
            + ", ".join(f"{f} {flags.count(f)}" for f in sorted(set(flags)))
        )


def two_exposures(seed: int) -> tuple[list[bytes], np.ndarray, float]:
    """Two photos of one scene, the card's true Lab (n, 3), and how many stops apart."""
    stops = float(np.random.default_rng([seed, 55]).uniform(0.8, 1.3))
    if seed % 2:
        import second_renderer

        made = [second_renderer.render(seed, "plain", light) for light in (1.0, 0.5**stops)]
        lab = [p["lab_d50"] for p in made[0][1]["card"]["patches"]]
        return [jpeg for jpeg, _ in made], np.array(lab), stops
    spec = random_spec(
        seed,
        difficulty="easy",
        card_shape="slip",
        count=1,
        card_share=0.6,
        shadow="none",
        glare=0.0,
    )
    table = tone_table(spec, 8192)
    light = np.linspace(0, 1.25, len(table))
    level = np.interp(spec.exposure, table, light) / 2**stops
    darker = replace(spec, exposure=float(np.interp(level, light, table)))
    scenes = [render.render(one) for one in (spec, darker)]
    return [scene.jpeg() for scene in scenes], scenes[0].truth.card_lab_true, stops


def run_exposures(seed: int) -> dict:
    """One print, enrolled from two exposures."""
    files, truth, stops = two_exposures(seed)
    photos = [photo_from_bytes(data) for data in files]
    row = {"seed": seed, "renderer": 1 + seed % 2, "noted": bool(seed // 2 % 2)}
    if row["noted"]:
        photos = [
            replace(p, exposure=(t, 0.0, 100.0))
            for p, t in zip(photos, (0.01, 0.01 / 2**stops), strict=True)
        ]
    card = next(c for c in builtin_cards() if len(c.patches) == len(truth))
    try:
        made = from_photos(card, read_exposures(photos, card))
    except DrawdownError as error:
        return row | {"refused": error.seen}
    drawn = card.expected_lab_d50 - truth
    return row | {"off": made.lab_d50 - truth, "u": made.u_lab, "drawn": drawn, "lab": truth}


def main_exposures(prints: int, first: int) -> None:
    rows = [run_exposures(seed) for seed in range(first, first + prints)]
    for r in rows:
        if "refused" in r:
            print(f"{r['seed']} refused: {r['refused']}")
    sorts = {
        "all": lambda r: True, "first renderer": lambda r: r["renderer"] == 1,
        "second renderer": lambda r: r["renderer"] == 2, "exposure noted": lambda r: r["noted"],
    }  # fmt: skip
    for name, wanted in sorts.items():
        some = [r for r in rows if "off" in r and wanted(r)]
        if not some:
            continue
        off, u, drawn = (np.concatenate([r[k] for r in some]) for k in ("off", "u", "drawn"))
        print(
            f"{name}: {len(some)} prints; |error| of L*, a*, b*, median "
            f"{np.median(np.abs(off), axis=0).round(1)}, 95 % "
            f"{np.quantile(np.abs(off), 0.95, axis=0).round(1)} (as drawn "
            f"{np.quantile(np.abs(drawn), 0.95, axis=0).round(1)}); half widths, median "
            f"{(1.96 * np.median(u, axis=0)).round(1)}; hold "
            f"{(100 * np.mean(np.abs(off) <= 1.96 * u, axis=0)).round(1)} %"
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--prints", type=int, default=12)
    parser.add_argument("--photos", type=int, default=2)
    parser.add_argument("--first-seed", type=int, default=70000)
    parser.add_argument("--difficulty", default="easy", choices=("easy", "usable"))
    parser.add_argument("--raw", action="store_true", help="each alone on a raw photo")
    parser.add_argument("--exposures", action="store_true", help="each alone, exposed twice")
    given = parser.parse_args()
    if given.exposures:
        return main_exposures(given.prints, given.first_seed)
    if given.raw:
        with tempfile.TemporaryDirectory() as folder:
            return main_raw(given.prints, given.first_seed, Path(folder))
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
