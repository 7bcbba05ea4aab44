"""How well the contrast ratio is read off a photo, on rendered scenes with a black bar.

    python tests/benchmarks/opacity.py --scenes 60 --first-seed 96000

renders scenes that were not used in development (any seed from 96000) in which strips cross
a bar, reads every strip, and compares the reduced contrast ratio with that of the very film
on the bar, computed from its spectra by the renderer's own formulas over a black of
reflectance 0 and a white of 0.80. Odd seeds use the card's measured values, even ones the
nominal definition. ``--reduction`` checks the reduction alone, without any photo.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

EVEN = 0.15  # relative standard deviation of the film on the bar: above, it starts or runs out


def scene(seed: int):
    """A scene with a bar: on the project's test sheet, or on paper with a bar of its own."""
    from fixtures.scenes import random_spec

    for step in range(50):
        spec = random_spec(seed + 100_000 * step)
        if spec.paper in ("bar", "sheet"):
            return spec
    raise AssertionError("no scene with a bar")


def film_on_bar(sheets, layout, index: int) -> np.ndarray:
    """(n,) film of a strip where it lies on the bar, streaks and rims left out."""
    film, box = sheets.films[index], layout.strips[index]
    s = film.strip
    u, v = np.meshgrid(
        np.arange(1.0, s.length_mm - 1, 0.25), np.arange(2.0, s.width_mm - 2, 0.25), indexing="ij"
    )
    x = box.centre[0] + (v - box.size[0] / 2) * box.axes[0, 0]
    x = x + (u - box.size[1] / 2) * box.axes[1, 0]
    y = box.centre[1] + (v - box.size[0] / 2) * box.axes[0, 1]
    y = y + (u - box.size[1] / 2) * box.axes[1, 1]
    cover = sheets.print_cover(5.0)(x, y)
    thickness, streak = film.film(u, v)
    if cover is None:
        return np.empty(0)
    # Only the bar: ticks and letters are small.
    import cv2

    solid = cv2.erode((cover > 0.9).astype(np.uint8), np.ones((13, 13), np.uint8)) > 0
    return thickness[solid & (streak > 0.97)]


def even_film(sheets, index: int) -> np.ndarray:
    """(n,) film of a strip's even part."""
    film = sheets.films[index]
    u0, u1 = film.body_span
    u, v = np.meshgrid(
        np.arange(u0, u1, 0.5), np.arange(2.0, film.strip.width_mm - 2, 0.5), indexing="ij"
    )
    thickness, streak = film.film(u, v)
    return thickness[streak > 0.97]


def true_ratio(spec, sheets, index: int, films: np.ndarray) -> tuple[float, float, float]:
    """Contrast ratio over ideal grounds, and L* over both, from the renderer's spectra."""
    from calibration.colour.spaces import xyz_to_lab
    from fixtures.inkfilm import ink_reflectance
    from fixtures.spectra import WAVELENGTHS_NM, pigments, xyz_d50

    films = np.quantile(films, np.linspace(0.05, 0.95, 10))
    grounds = (np.zeros(len(WAVELENGTHS_NM)), np.full(len(WAVELENGTHS_NM), 0.80))
    shelf = pigments(spec.ink_seed)
    black, white = (
        xyz_d50(ink_reflectance(spec.strips[index].recipe, shelf, films, g, wetting=0.0)).mean(0)
        for g in grounds
    )
    return black[1] / white[1], xyz_to_lab(black)[0], xyz_to_lab(white)[0]


def true_of(spec_data: dict, number: int) -> float:
    """The reduced contrast ratio of strip ``number`` of a scene given as plain data."""
    from fixtures.layout import plan
    from fixtures.sheet import Sheets
    from fixtures.spec import SceneSpec, StripSpec

    strips = tuple(
        StripSpec(**{**s, "recipe": tuple(tuple(r) for r in s["recipe"]),
                     "place_mm": s["place_mm"] and tuple(s["place_mm"])})
        for s in spec_data["strips"]
    )  # fmt: skip
    fields = {k: tuple(v) if isinstance(v, list) else v for k, v in spec_data.items()}
    spec = SceneSpec(**{**fields, "strips": strips})
    layout = plan(spec)
    sheets = Sheets(spec, layout)
    index = layout.numbers.index(number)
    films = film_on_bar(sheets, layout, index)
    if films.std() > EVEN * films.mean():
        films = even_film(sheets, index)
    return true_ratio(spec, sheets, index, films)[0]


def run(seed: int, folder: Path) -> list[dict]:
    from calibration.card.toml import write_card
    from calibration.errors import DrawdownError
    from drawdown.pipeline.options import Options
    from drawdown.pipeline.read import read_strips
    from drawdown.printing.opacity import grade_of, opacity
    from drawdown.reading.over_bar import read_over_bar
    from drawdown.wording.opacity import grade
    from fixtures.layout import plan
    from fixtures.render import render
    from fixtures.sheet import Sheets

    spec = scene(seed)
    photo, card = folder / f"{seed}.jpg", folder / f"{seed}.toml"
    layout = plan(spec)
    sheets = Sheets(spec, layout)
    if not photo.exists():
        made = render(spec)
        made.save_jpeg(photo)
        write_card(card, made.truth.card)
    measured = bool(seed % 2)
    began = time.perf_counter()
    try:
        seen = read_strips(photo, Options(card=card if measured else None), lambda *_: None)
    except DrawdownError as problem:
        return [{"seed": seed, "measured": measured, "failed": problem.seen}]
    read_seconds = time.perf_counter() - began
    rows = []
    ink = np.any([s.strip.mask for s in seen.strips], axis=0)
    for index, box in enumerate(layout.strips):
        films = film_on_bar(sheets, layout, index)
        if len(films) < 30:
            continue
        spread = float(films.std() / films.mean())
        if spread >= EVEN:  # the program reads the film where it is still even
            films = even_film(sheets, index)
        ratio, black_l, white_l = true_ratio(spec, sheets, index, films)
        row = {
            "seed": seed, "measured": measured, "true": ratio, "black_l": black_l,
            "white_l": white_l, "read_seconds": read_seconds, "number": layout.numbers[index],
            "spread": spread,
        }  # fmt: skip
        rows.append(row)
        centre = box.corners.mean(axis=0)
        near = [
            s for s in seen.strips
            if np.linalg.norm(s.strip.corners_mm.mean(axis=0) - centre) < 9
        ]  # fmt: skip
        if not near:
            row["missing"] = "strip"
            continue
        began = time.perf_counter()
        found = read_over_bar(
            near[0].strip, seen.sheet, seen.correction, seen.view.card, ink, seen.photo.jpeg_quality
        )
        if found is None:
            row["missing"] = "bar"
            continue
        o = opacity(found.xyz_d50, found.xyz_samples, seed=found.number)
        row |= {
            "seconds": time.perf_counter() - began, "read": o.ratio.value, "low": o.ratio.low95,
            "high": o.ratio.high95, "as_measured": o.ratio_measured.value, "dark": o.dark,
            "said": grade(o), "grade": o.grade, "true_grade": grade_of(ratio),
            "change": found.film_change, "y": found.xyz_d50[:, 1].tolist(),
            "l_over_black": o.lightness_over_black.value,
            "l_low": o.lightness_over_black.low95, "l_high": o.lightness_over_black.high95,
            "hard": any(f.hard for f in (*seen.flags, *near[0].flags)),
        }  # fmt: skip
    return rows


def whole_process(photos: list[Path]) -> tuple[float, float]:
    """Median seconds and peak megabytes of ``drawdown plan covers`` as a process of its own. The
    child tells its own peak: the one the system keeps counts what it was forked from."""
    run = (
        "import sys; from drawdown.commands.main import main; main(sys.argv[1:]);"
        "peak = [l for l in open('/proc/self/status') if l.startswith('VmHWM')];"
        "print(peak[0].split()[1] if peak else 0, file=sys.stderr)"
    )
    seconds, peaks = [], []
    for photo in photos:
        began = time.perf_counter()
        done = subprocess.run(
            [sys.executable, "-c", run, "plan", "covers", str(photo), "--json"],
            stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True, check=False,
            cwd=Path(__file__).resolve().parents[2],
        )  # fmt: skip
        seconds.append(time.perf_counter() - began)
        peaks.append(float(done.stderr.split()[-1]) / 1024)
    return float(np.median(seconds)), max(peaks)


def _spread(values) -> str:
    values = np.asarray(values)
    return (
        f"median {np.median(values):.4f}  95th percentile {np.quantile(values, 0.95):.4f}  "
        f"worst {values.max():.3f}"
    )


def table(rows: list[dict], title: str) -> None:
    read = [r for r in rows if "read" in r]
    print(f"\n{title}: {len(read)} strips read")
    if not read:
        return
    error = np.array([abs(r["read"] - r["true"]) for r in read])
    print(f"  |contrast ratio - truth|      {_spread(error)}")
    plain = [abs(r["as_measured"] - r["true"]) for r in read]
    print(f"    before the reduction        {_spread(plain)}")
    inside = np.mean([r["low"] <= r["true"] <= r["high"] for r in read])
    print(f"  95 % interval covers truth    {100 * inside:.1f} %")
    width = [(r["high"] - r["low"]) / 2 for r in read]
    print(f"  half width of the interval    median {np.median(width):.3f}")
    l_error = np.array([abs(r["l_over_black"] - r["black_l"]) for r in read])
    l_in = np.mean([r["l_low"] <= r["black_l"] <= r["l_high"] for r in read])
    print(f"  |L* over black - truth|       {_spread(l_error)}  covered {100 * l_in:.1f} %")
    firm = [r for r in read if r["said"] == r["grade"]]
    wrong = [r for r in firm if r["grade"] != r["true_grade"]]
    print(f"  grade said for certain        {len(firm)} of {len(read)}, wrong {len(wrong)}")


def reduction(count: int = 600) -> None:
    """The reduction alone: computed spectra in, no photo."""
    from drawdown.printing.opacity import opacity
    from fixtures.inkfilm import ink_reflectance
    from fixtures.scenes import random_recipe
    from fixtures.spectra import WAVELENGTHS_NM, pigments, random_paper, xyz_d50

    rng = np.random.default_rng(41)
    error, plain = [], []
    for _ in range(count):
        family = str(rng.choice(["tint", "let-down", "masstone", "dark"], p=[0.45, 0.3, 0.15, 0.1]))
        recipe, shelf = random_recipe(rng, family), pigments(int(rng.integers(1 << 30)))
        paper = random_paper(rng, rng.uniform(0.8, 0.9), rng.uniform(-0.02, 0.1), 0).reflectance()
        flat = np.ones(len(WAVELENGTHS_NM))
        bar, film = rng.uniform(0.02, 0.05) * flat, rng.uniform(0.75, 1.5)

        def look(ground, wet, recipe=recipe, shelf=shelf, film=film):
            return xyz_d50(ink_reflectance(recipe, shelf, film, ground, wetting=wet))[0]

        best = np.stack([look(paper, 0.015), look(bar, 0.0), *xyz_d50(np.stack([paper, bar]))])
        true = look(0 * flat, 0.0)[1] / look(0.8 * flat, 0.0)[1]
        o = opacity(best, np.repeat(best[None], 4, axis=0))
        error.append(abs(o.ratio.value - true))
        plain.append(abs(o.ratio_measured.value - true))
    print(f"{count} computed films, no photo: |contrast ratio - truth|")
    print(f"  as measured over paper and bar  {_spread(plain)}")
    print(f"  reduced to Y = 0 and Y = 0.80   {_spread(error)}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--scenes", type=int, default=60)
    parser.add_argument("--first-seed", type=int, default=96000)
    parser.add_argument("--keep", help="folder for the photos; a temporary one by default")
    parser.add_argument("--reduction", action="store_true")
    parser.add_argument("--worst", type=int, default=0)
    args = parser.parse_args()
    if args.reduction:
        reduction()
        return
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(args.keep or scratch)
        folder.mkdir(parents=True, exist_ok=True)
        rows = []
        for seed in range(args.first_seed, args.first_seed + args.scenes):
            rows += run(seed, folder)
        process = whole_process(sorted(folder.glob("*.jpg"))[:5])
    refused = [r for r in rows if "failed" in r]
    crossing = [r for r in rows if "true" in r]
    print(f"{args.scenes} scenes, {len(crossing)} strips across a bar; photos refused "
          f"{len(refused)}")  # fmt: skip
    for what, words in (("strip", "strip not found"), ("bar", "said to cross no bar")):
        lost = [r for r in crossing if r.get("missing") == what]
        even = sum(r["spread"] < EVEN for r in lost)
        print(f"  {words:<28} {len(lost)}, of them with even film on the bar {even}")
    thin = [r for r in crossing if r["spread"] >= EVEN]
    print(f"  film starts or runs out on the bar in {len(thin)}")
    usable = [r for r in crossing if not r.get("hard")]
    table(usable, "All")
    table([r for r in usable if r["measured"]], "Card with measured values")
    table([r for r in usable if not r["measured"]], "Card as drawn (nominal)")
    table([r for r in usable if r["white_l"] >= 35], "Not dark (L* over white from 35)")
    table([r for r in usable if r["spread"] >= EVEN], "Film starts or runs out on the bar")
    table([r for r in usable if r["white_l"] < 35], "Dark (L* over white below 35)")
    seconds = [r["seconds"] for r in usable if "seconds" in r]
    if seconds:
        print(f"\n  seconds for a strip's opacity  median {np.median(seconds):.3f}")
        print(f"  seconds to read the photo      "
              f"median {np.median([r['read_seconds'] for r in usable]):.2f}")  # fmt: skip
    if process:
        print("  whole process of the command   {:.2f} s, {:.0f} MB".format(*process))
    ranked = sorted((r for r in usable if "read" in r), key=lambda r: -abs(r["read"] - r["true"]))
    for r in ranked[: args.worst]:
        y = " ".join(f"{v:.4f}" for v in r["y"])
        print(f"  {r['seed']}/{r['number']} {'m' if r['measured'] else 'n'} true {r['true']:.3f} "
              f"read {r['read']:.3f} [{r['low']:.3f} {r['high']:.3f}] Lw {r['white_l']:.0f} "
              f"Lk {r['black_l']:.0f} change {r['change']:.2f} "
              f"spread {r['spread']:.2f} Y {y}")  # fmt: skip


if __name__ == "__main__":
    main()
