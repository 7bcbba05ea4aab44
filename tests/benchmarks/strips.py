"""How well are strips found? ``python tests/benchmarks/strips.py --first 5000 --count 100``

Renders scenes, looks for the strips as the program does, and compares with the truth of
the renderer: strips missed and invented, overlap (IoU) of the rectangles, share of body
pixels that lie in the true strip, and time. ``--pictures DIR`` saves what went wrong.
"""

from __future__ import annotations

import argparse
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from calibration.card.toml import builtin_cards
from calibration.correction.lamp_field import fit_field, flatten, sample_light
from calibration.correction.patches import read_patches
from calibration.errors import DrawdownError
from calibration.locate.find_card import locate
from calibration.locate.sheet import Sheet, rectify
from calibration.photo.open import open_photo
from drawdown.strips.find import find_strips


@dataclass(frozen=True)
class Case:
    """One prepared scene: what ``find_strips`` gets, and the truth."""

    seed: int
    sheet: Sheet
    view: object
    corners_mm: list[np.ndarray]
    body_mm: list[np.ndarray]
    about: str


def prepare(seed: int, folder: Path, **scene) -> Case | None:
    """Render a scene and take it as far as the rectified, evenly lit sheet. None when the
    card is not found: that is another benchmark's matter."""
    from fixtures.render import random_spec, render

    spec = random_spec(seed, **scene)
    path = folder / f"scene_{seed}.jpg"
    rendered = render(spec)
    path.write_bytes(rendered.jpeg())
    try:
        photo = open_photo(path)
        view = locate(photo, builtin_cards())
        sheet = rectify(photo, view)
        readings = read_patches(sheet, view.card)
        samples = sample_light(sheet, view.card, readings)
        sheet = flatten(sheet, fit_field(samples, samples.rgb))
    except DrawdownError as problem:
        print(f"seed {seed}: {problem.seen}", file=sys.stderr)
        return None
    finally:
        path.unlink()
    truth = rendered.truth
    about = (
        f"{spec.paper} on {spec.table}, {len(spec.strips)} strips {spec.layout} "
        f"{spec.direction}, shadow {spec.shadow}, {view.pixels_per_mm:.1f} px/mm"
    )
    return Case(
        seed,
        sheet,
        view,
        [np.asarray(s.corners_mm) for s in truth.strips],
        [np.asarray(s.body_mm) for s in truth.strips],
        about,
    )


def iou(a: np.ndarray, b: np.ndarray) -> float:
    """Intersection over union of two convex quadrilaterals (4, 2)."""
    a, b = np.asarray(a, np.float32), np.asarray(b, np.float32)
    shared, _ = cv2.intersectConvexConvex(a, b)
    return shared / (cv2.contourArea(a) + cv2.contourArea(b) - shared)


def pair(found: list[np.ndarray], true: list[np.ndarray]) -> list[tuple[int, int, float]]:
    """Greedy pairs (found, true, IoU) with IoU above 0.6."""
    table = np.array([[iou(f, t) for t in true] for f in found]).reshape(len(found), len(true))
    pairs = []
    while table.size and table.max() > 0.6:
        i, j = np.unravel_index(int(table.argmax()), table.shape)
        pairs.append((int(i), int(j), float(table[i, j])))
        table[i, :], table[:, j] = 0, 0
    return pairs


def within(sheet: Sheet, mask: np.ndarray, corners: np.ndarray, grow_mm: float = 0.3) -> float:
    """Share of a mask's pixels that lie within a rectangle (its printed outline, give or
    take the renderer's ragged edge)."""
    rows, columns = np.nonzero(mask)
    if not len(rows):
        return 1.0
    p = np.asarray(sheet.origin_mm) + (np.stack([columns, rows], axis=1) + 0.5) / sheet.px_per_mm
    ok = np.ones(len(p), bool)
    for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        side = (b - a) / np.linalg.norm(b - a)
        ok &= (p - a) @ np.array([-side[1], side[0]]) > -grow_mm
    return float(ok.mean())


def judge(case: Case) -> dict:
    """The figures of one scene."""
    start = time.perf_counter()
    try:
        strips, problem = find_strips(case.sheet, case.view), ""
    except DrawdownError as error:
        strips, problem = (), error.seen
    seconds = time.perf_counter() - start
    pairs = pair([s.corners_mm for s in strips], case.corners_mm)
    purity = [within(case.sheet, strips[i].body, case.corners_mm[j]) for i, j, _ in pairs]
    area = [strips[i].body.sum() / case.sheet.px_per_mm**2 for i, _, _ in pairs]
    return {
        "strips": strips,
        "true": len(case.corners_mm),
        "found": len(pairs),
        "invented": len(strips) - len(pairs),
        "iou": [p[2] for p in pairs],
        "purity": purity,
        "area": area,
        "seconds": seconds,
        "problem": problem,
        "exact": len(pairs) == len(strips) == len(case.corners_mm),
    }


def picture(case: Case, strips, path: Path) -> None:
    """The sheet with true rectangles in magenta, found ones in cyan, bodies in green."""
    rgb = case.sheet.rgb_linear / np.quantile(case.sheet.rgb_linear[::8, ::8], 0.97)
    image = (np.clip(rgb, 0, 1) ** (1 / 2.2) * 255).astype(np.uint8)[..., ::-1].copy()
    for strip in strips:
        rim = strip.mask & ~strip.body
        image[rim] = image[rim] // 2 + np.array([0, 0, 127], np.uint8)
        image[strip.body] = image[strip.body] // 2 + np.array([0, 127, 0], np.uint8)
    sets = [(case.corners_mm, (255, 0, 255)), ([s.corners_mm for s in strips], (255, 255, 0))]
    for boxes, colour in sets:
        for box in boxes:
            px = (np.asarray(box) - case.sheet.origin_mm) * case.sheet.px_per_mm - 0.5
            cv2.polylines(image, [np.round(px).astype(np.int32)], True, colour, 1)
    cv2.imwrite(str(path), image)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--first", type=int, default=5000)
    parser.add_argument("--count", type=int, default=40)
    parser.add_argument("--difficulty", default="usable", choices=("easy", "usable"))
    parser.add_argument("--pictures", type=Path)
    given = parser.parse_args()
    import tempfile

    rows = []
    with tempfile.TemporaryDirectory() as folder:
        for seed in range(given.first, given.first + given.count):
            case = prepare(seed, Path(folder), difficulty=given.difficulty)
            if case is None:
                continue
            row = judge(case)
            rows.append(row)
            if not row["exact"]:
                print(
                    f"seed {seed}: {row['found']} of {row['true']} found, "
                    f"{row['invented']} invented; {case.about}; {row['problem']}"
                )
                if given.pictures:
                    given.pictures.mkdir(parents=True, exist_ok=True)
                    picture(case, row["strips"], given.pictures / f"{seed}.png")
    report(rows)


def report(rows: list[dict]) -> None:
    """The figures of many scenes."""
    true = sum(r["true"] for r in rows)
    found = sum(r["found"] for r in rows)
    overlaps = np.concatenate([r["iou"] for r in rows])
    if not len(overlaps):
        print("no strip was found in any scene")
        return
    purity = np.concatenate([r["purity"] for r in rows])
    area = np.concatenate([r["area"] for r in rows])
    seconds = np.array([r["seconds"] for r in rows])
    print(f"scenes {len(rows)}, exactly right {np.mean([r['exact'] for r in rows]):.1%}")
    print(f"strips {true}, found {found / true:.1%}, invented {sum(r['invented'] for r in rows)}")
    print(f"IoU median {np.median(overlaps):.3f}, lowest {overlaps.min():.3f}")
    print(f"body purity mean {purity.mean():.4%}, lowest {purity.min():.2%}")
    print(f"body area mm2: median {np.median(area):.0f}, lowest {area.min():.0f}")
    ms = 1e3 * np.quantile(seconds, [0.5, 0.95])
    print(f"time ms: median {ms[0]:.0f}, 95 % {ms[1]:.0f}")


if __name__ == "__main__":
    main()
