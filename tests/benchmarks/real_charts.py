"""Real photographs of charts: patches held out, pairs of patches, and plain ways beside ours.

    python tests/benchmarks/real_charts.py FOLDER [--folds 6] [--each] [--drawn [--printed 4]]

FOLDER holds photos, ``corners.csv`` (file, definition, width, height, x1, y1 ... x4, y4) and the
definitions it names, as TOML. The photos are not part of the project. Each patch is asked of a
correction that never saw it (folds over the patches; the lightest patch is in no fold, since all
ways need a white). Pairs of patches of one photo stand for two strips: the difference is asked of
corrections that saw neither. Reference values belong to other prints of the same chart, so that
errors have a floor of 1 to 2 Delta E.

With --drawn the definitions count as drawn; --printed moves their values away by a smooth error
of so many Delta E in the middle (a quadratic of Lab, as a home printer errs), and the truth is what
they said before.

* white: sRGB decoded, scaled to the lightest neutral patches
* 3x3: least squares from decoded RGB to XYZ, no offset
* ours: the whole correction, with its lamp field
"""

from __future__ import annotations

import argparse
import csv
import itertools
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from calibration.card.toml import builtin_cards, read_card
from calibration.colour.difference import delta_e_2000
from calibration.colour.spaces import lab_to_xyz, xyz_to_lab
from calibration.correction.correct import correct
from calibration.correction.lamp_field import sample_light
from calibration.correction.patches import read_patches
from calibration.errors import DrawdownError
from calibration.locate.by_hand import locate_by_hand
from calibration.locate.sheet import rectify
from calibration.photo.open import open_photo
from drawdown.defaults import TOLERANCE_DE00
from drawdown.matching.compare import MATCH, NO_MATCH, TOO_CLOSE, compare
from drawdown.reading.area import Area, read_areas
from drawdown.reading.colour import Colour
from drawdown.reading.strip import colour_of

NEAR_DE = 15.0


def lightest(card) -> int:
    lab = card.expected_lab_d50
    return int(np.argmax(lab[:, 0] - 2 * np.hypot(lab[:, 1], lab[:, 2])))


def white_alone(rgb, lab, matrix):
    rank = lab[:, 0] - 2 * np.hypot(lab[:, 1], lab[:, 2])
    white = rank >= np.sort(rank)[-max(1, len(rank) // 8)]
    target = lab_to_xyz(lab[white]) @ np.linalg.inv(matrix).T
    gain = np.exp(np.mean(np.log(target) - np.log(rgb[white]), axis=0))
    return lambda x: xyz_to_lab(x * gain @ matrix.T)


def three_by_three(rgb, lab, matrix):
    fitted = np.linalg.lstsq(rgb, lab_to_xyz(lab), rcond=None)[0]
    return lambda x: xyz_to_lab(np.maximum(x @ fitted, 1e-6))


PLAIN = {"white": white_alone, "3x3": three_by_three}


def colours(correction, rgb, centre_mm, card) -> list[Colour]:
    """The patches as strips are read: best estimate, ensemble, and what card and camera leave."""
    xyz = correction.xyz_d50(correction.light(rgb, centre_mm))
    areas = [Area(*one, np.zeros((3, 3))) for one in zip(rgb, centre_mm, xyz, strict=True)]
    samples = read_areas(areas, correction, 1, 95)
    read = [colour_of(area, samples[:, k], correction, card) for k, area in enumerate(areas)]
    light = correction.field.scatter_at(centre_mm)
    # A printed patch is even.
    return [
        replace(c, light_sd=float(s), evenness_de00=0.0) for c, s in zip(read, light, strict=True)
    ]


def halves(sheet, card, index: int) -> tuple[np.ndarray, np.ndarray]:
    """Mean colours (2, 3) of the left and right half of a patch, and their middles (2, 2)."""
    x, y, w, h = card.rects_mm[index]
    parts = [(x + (0.15 + 0.38 * k) * w, y + 0.2 * h, 0.32 * w, 0.6 * h) for k in range(2)]
    rgb = [sheet.rgb_linear[sheet.window(part)].mean(axis=(0, 1)) for part in parts]
    return np.array(rgb, float), np.array([(a + c / 2, b + d / 2) for a, b, c, d in parts])


def as_drawn(card, printed_de: float, seed: int):
    """The card as if it had been drawn so and not measured, its print off by ``printed_de``."""
    lab = card.lab_d50
    x = np.stack([lab[:, 0] / 50 - 1, lab[:, 1] / 50, lab[:, 2] / 50], axis=1)
    terms = np.concatenate([x, x**2, x * np.roll(x, 1, axis=1)], axis=1)
    shift = terms @ np.random.default_rng([seed, 17]).normal(0, 1, (9, 3))
    shift = shift - shift[lightest(card)]  # paper takes no ink
    sizes = np.linspace(0, 12, 241) if printed_de else np.zeros(1)
    size = [abs(np.median(delta_e_2000(lab, lab + s * shift)) - printed_de) for s in sizes]
    lab = lab + sizes[int(np.argmin(size))] * shift
    u = tuple(np.median(builtin_cards()[0].u_lab, axis=0))
    patches = tuple(
        replace(p, u_lab=u, lab_d50=tuple(map(float, v)))
        for p, v in zip(card.patches, lab, strict=True)
    )
    return replace(card, provenance="nominal", patches=patches)


def judged(
    path: Path,
    definition: Path,
    corners,
    folds: int,
    printed_de: float | None = None,
    seed: int = 0,
) -> dict:
    """Errors of each way for each usable patch, and of each pair of near patches. ``printed_de``
    is for a card as drawn."""
    card = read_card(definition)
    drawn, lab = printed_de is not None, card.expected_lab_d50
    if drawn:
        card = as_drawn(card, printed_de, seed)
    photo = open_photo(path)
    view = locate_by_hand(photo, (card,), corners)
    sheet = rectify(photo, view)
    readings = read_patches(sheet, view.card, view.place_error_mm)
    samples = sample_light(sheet, view.card, readings)
    matrix = photo.profile.to_xyz_d50
    told_lab, usable = card.expected_lab_d50, readings.usable
    asked = np.setdiff1d(np.flatnonzero(usable), [lightest(card)])
    order = np.random.default_rng(5).permutation(asked)
    parts = np.array_split(order, folds)

    def ours(without):
        keep = usable.copy()
        keep[without] = False
        part = replace(readings, usable=keep)
        # A held-out white must not tell the lamp's field either.
        gone = readings.centre_mm[without]
        apart = np.linalg.norm(samples.xy_mm[:, None] - gone[None], axis=-1)
        hit = (samples.surface == 0) & (apart < 0.5).any(axis=1)
        light = replace(samples, surface=np.where(hit, -1, samples.surface))
        made = correct(part, light, card, matrix)
        here = readings.centre_mm[without]
        return colours(made, readings.rgb[without], here, card), made

    def plain(fit, without):
        keep = usable.copy()
        keep[without] = False
        return fit(readings.rgb[keep], told_lab[keep], matrix)(readings.rgb[without])

    read = {name: np.full(lab.shape, np.nan) for name in (*PLAIN, "ours")}
    flags: set[str] = set()
    held, wide, told, points = [], [], [], []
    for part in parts:
        for name, fit in PLAIN.items():
            read[name][part] = plain(fit, part)
        found, made = ours(part)
        read["ours"][part] = [c.lab_d50 for c in found]
        held += [np.abs(c.lab_d50 - lab[i]) <= c.lab_u95 for c, i in zip(found, part, strict=True)]
        wide += [c.lab_u95 for c in found]
        flags |= {f.code for f in made.flags}
    errors = {name: delta_e_2000(lab[asked], value[asked]) for name, value in read.items()}
    near = [
        (i, j)
        for i, j in itertools.combinations(asked, 2)
        if delta_e_2000(lab[i], lab[j]) < NEAR_DE
    ]
    pairs = {name: [] for name in read}
    for i, j in near:
        both = np.array([i, j])
        true = float(delta_e_2000(lab[i], lab[j]))
        for name, fit in PLAIN.items():
            one, two = plain(fit, both)
            pairs[name].append(abs(float(delta_e_2000(one, two)) - true))
        (one, two), _ = ours(both)
        pairs["ours"].append(abs(float(delta_e_2000(one.lab_d50, two.lab_d50)) - true))
        said = compare(one, two, nominal_card=drawn)
        told.append((true, said.de00_low95, said.de00_high95, said.verdict))
        points.append((true, said.de00, said.de00_low95, said.de00_high95))
    twice = [
        compare(*colours(whole, *halves(sheet, card, i), card), nominal_card=drawn).verdict
        for whole in [correct(readings, samples, card, matrix)]
        for i in np.flatnonzero(usable)
    ]
    return {
        "twice": twice, "errors": errors, "pairs": pairs, "flags": sorted(flags),
        "patches": len(asked), "held": held, "wide": wide, "told": told, "points": points,
    }  # fmt: skip


def row(name: str, values) -> str:
    values = np.asarray(values, float)
    if not len(values):
        return f"{name:8} none"
    median, high = np.quantile(values, [0.5, 0.9])
    return f"{name:8} median {median:5.2f}   90th {high:5.2f}   worst {values.max():5.1f}"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--folds", type=int, default=6)
    parser.add_argument("--each", action="store_true", help="a line for each photo")
    parser.add_argument("--drawn", action="store_true", help="as if the card had not been measured")
    parser.add_argument("--printed", type=float, default=0.0, help="and its print off by so much")
    parser.add_argument("--only", default="", help="photos whose name begins so")
    given = parser.parse_args()
    everything: dict[str, list] = {}
    between: dict[str, list] = {}
    held, wide, told, twice = [], [], [], []
    refused = 0
    with (given.folder / "corners.csv").open(newline="") as file:
        table = list(csv.DictReader(file))
    for line_number, line in enumerate(table):
        if not line["file"].startswith(given.only):
            continue
        corners = tuple((float(line[f"x{k}"]), float(line[f"y{k}"])) for k in range(1, 5))
        try:
            found = judged(
                given.folder / line["file"],
                given.folder / f"{line['definition']}.toml",
                corners,
                given.folds,
                given.printed if given.drawn else None,
                line_number,
            )
        except DrawdownError as error:
            refused += 1
            print(f"{line['file']}: refused: {error}")
            continue
        held, wide, told = held + found["held"], wide + found["wide"], told + found["told"]
        twice += found["twice"]
        for name, errors in found["errors"].items():
            everything.setdefault(name, []).extend(errors)
            between.setdefault(name, []).extend(found["pairs"][name])
        if given.each:
            said = "  ".join(
                f"{n} {np.median(e):4.1f}/{np.quantile(e, 0.9):4.1f}"
                for n, e in found["errors"].items()
            )
            print(f"{line['file']:28} {found['patches']:2} patches  {said}  {found['flags']}")
    print(f"\nheld-out patches, CIEDE2000 ({len(everything['ours'])}; photos refused: {refused})")
    for name, values in everything.items():
        print("  " + row(name, values))
    print(
        f"error of the difference of two patches below {NEAR_DE:g} ({len(between['ours'])} pairs)"
    )
    for name, values in between.items():
        print("  " + row(name, values))
    shares, widths = 100 * np.mean(held, axis=0), np.median(wide, axis=0)
    print("stated 95 % intervals of L*, a*, b* hold " + ", ".join(f"{s:.0f} %" for s in shares))
    print("  median half widths " + ", ".join(f"{w:.1f}" for w in widths))
    said = [sum(v == verdict for v in twice) for verdict in (MATCH, TOO_CLOSE, NO_MATCH)]
    print("one patch's two halves: match {}, too close {}, no match {}".format(*said))
    inside = [low <= true <= high for true, low, high, _ in told]
    widths = [high - low for _, low, high, _ in told]
    wrong = [v for true, _, _, v in told if v == (MATCH if true > TOLERANCE_DE00 else NO_MATCH)]
    print(
        f"of pairs {100 * np.mean(inside):.0f} %, median width {np.median(widths):.1f}; "
        f"wrong and sure {len(wrong)}"
    )


if __name__ == "__main__":
    main()
