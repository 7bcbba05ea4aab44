"""A rough look by bare paper alone: does its interval hold, and is "no match" ever wrong?

    python tests/benchmarks/without_card.py [--real FOLDER] [--scenes 40] [--first-seed S]

FOLDER holds real photographs of charts as real_charts.py reads them; the chart is hidden, its
lightest patch stands for the bare paper and pairs of patches for two strips (light is not evened
out, though that patch lies up to 25 cm away: harder than paper right beside the ink). Rendered are
scenes of both renderers, the card unused, each as it is and after four ways in which phones work
pictures over: more contrast, more saturation, both, and shadows lifted. Truth is what was painted.
"""

from __future__ import annotations

import argparse
import csv
import io
import itertools
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from calibration.card.toml import card_from_dict, read_card
from calibration.colour.difference import delta_e_2000
from calibration.correction.patches import read_patches
from calibration.errors import DrawdownError
from calibration.locate.by_hand import locate_by_hand
from calibration.locate.sheet import rectify
from calibration.photo.open import open_photo, photo_from_bytes
from drawdown.defaults import TOLERANCE_DE00
from drawdown.pipeline.options import Options
from drawdown.pipeline.read import read_strips
from drawdown.pipeline.rough import rough_look
from drawdown.reading import by_paper

MOST_DE = 25.0
BANDS = ((0.0, 1.0), (1.0, 3.0), (3.0, 8.0), (8.0, 15.0), (15.0, MOST_DE))


def real(folder: Path) -> Iterator[tuple]:
    with (folder / "corners.csv").open(newline="") as file:
        table = list(csv.DictReader(file))
    for line in table:
        corners = tuple((float(line[f"x{k}"]), float(line[f"y{k}"])) for k in range(1, 5))
        card = read_card(folder / f"{line['definition']}.toml")
        photo = open_photo(folder / line["file"])
        try:
            view = locate_by_hand(photo, (card,), corners)
            sheet = rectify(photo, view)
            readings = read_patches(sheet, view.card, view.place_error_mm)
        except DrawdownError as error:
            print(f"{line['file']}: refused: {error}")
            continue
        lab = card.expected_lab_d50
        white = int(np.argmax(lab[:, 0] - 2 * np.hypot(lab[:, 1], lab[:, 2])))
        rgb = readings.rgb
        if rgb[white].max() >= by_paper.BURNT_OUT:
            print(f"{line['file']}: white burnt out")
            continue
        seen = [by_paper.Seen(one, rgb[white], one[None], ()) for one in rgb]
        matrix = photo.profile.to_xyz_d50
        read = by_paper.colours(seen, [(0, 0, 1, 1)] * len(seen), matrix)
        for i, j in itertools.combinations(range(len(lab)), 2):
            true = float(delta_e_2000(lab[i], lab[j]))
            if true > MOST_DE or white in (i, j):
                continue
            ends = by_paper.distance(read[i], read[j], TOLERANCE_DE00)
            yield "real", true, ends, by_paper.least_de00(seen[i], seen[j], matrix)


def worked_over(rgb8: np.ndarray) -> dict[str, np.ndarray]:
    """The photo as it is, and as apps and phones make it."""
    level = rgb8.astype(np.float32) / 255

    def s(x: np.ndarray, strength: float) -> np.ndarray:
        return x - strength * np.sin(2 * np.pi * x) / (2 * np.pi)

    def vivid(x: np.ndarray, gain: float) -> np.ndarray:
        grey = (x @ np.array([0.299, 0.587, 0.114], np.float32))[..., None]
        return grey + gain * (x - grey)

    made = {
        "as it is": level,
        "contrast": s(level, 0.5),
        "saturation": vivid(level, 1.35),
        "both": vivid(s(level, 0.35), 1.25),
        "shadows": level ** np.float32(0.8),
    }
    return {k: np.rint(255 * np.clip(v, 0, 1)).astype(np.uint8) for k, v in made.items()}


def inside(corners: np.ndarray) -> str:
    """A place in the middle of a strip's corners in px, clear of its edges."""
    middle = corners.mean(axis=0)
    short = min(np.linalg.norm(corners[1] - corners[0]), np.linalg.norm(corners[2] - corners[1]))
    half = 0.28 * short
    x, y = middle - half
    return f"{x:.0f},{y:.0f},{2 * half:.0f},{2 * half:.0f}px"


def scene(seed: int, second: bool) -> tuple[bytes, list, float] | None:
    """A photo, the corners of two strips in px, and their true Delta E."""
    if second:
        from second_renderer import render

        jpeg, truth = render(seed, "worked-over" if seed % 2 else "plain")
        card = card_from_dict(truth["card"])
        try:
            found = read_strips(photo_from_bytes(jpeg), Options(card=card), lambda *_: None)
        except DrawdownError:
            return None
        pair = [k for k, s in enumerate(truth["strips"]) if s["pair"]]
        if len(pair) != 2 or len(found.strips) != len(truth["strips"]):
            return None
        corners = [found.view.to_px(found.strips[k].corners_mm) for k in pair]
        return jpeg, corners, truth["de00"][pair[0]][pair[1]]
    from fixtures.render import render as paint
    from fixtures.scenes import random_spec

    made = paint(random_spec(seed))
    truth = made.truth.to_dict()
    if not truth["usable"] or len(truth["strips"]) < 2:
        return None
    corners = [np.array(s["body_px"]) for s in truth["strips"][:2]]
    return made.jpeg(), corners, truth["de00"][0][1]


def rendered(seeds: range, second: bool) -> Iterator[tuple]:
    from PIL import Image

    for seed in seeds:
        made = scene(seed, second)
        if made is None or made[2] > MOST_DE:
            continue
        jpeg, corners, true = made
        places = tuple(inside(c) for c in corners)
        picture = Image.open(io.BytesIO(jpeg))
        icc = picture.info.get("icc_profile")
        for how, rgb8 in worked_over(np.asarray(picture.convert("RGB"))).items():
            out = io.BytesIO()
            Image.fromarray(rgb8).save(out, "JPEG", quality=88, icc_profile=icc)
            try:
                look = rough_look(
                    [photo_from_bytes(out.getvalue())],
                    Options(strips=places, without_card=True),
                    lambda *_: None,
                )
            except DrawdownError as error:
                print(f"seed {seed} {how}: {error}")
                continue
            c = look.comparison
            if c.verdict is None:
                print(f"seed {seed} {how}: {[flag.code for flag in look.flags if flag.hard]}")
                continue
            yield how, true, (c.de00, c.de00_low95, c.de00_high95, c.p_within), look.least_de00


def table(name: str, rows: list[tuple]) -> None:
    print(f"\n{name}: {len(rows)} pairs")
    print("true Delta E      n  holds  below  above  width  error  no match  of them wrong")
    bands = [(band, [r for r in rows if band[0] <= r[1] < band[1]]) for band in BANDS]
    for (low, high), some in [*bands, ((0.0, MOST_DE), rows)]:
        if not some:
            continue
        true = np.array([r[1] for r in some])
        ends = np.array([(r[2][1], r[2][2], r[2][0]) for r in some])
        below, above = true < ends[:, 0], true > ends[:, 1]
        sure = np.array([min(ends[1], least) > TOLERANCE_DE00 for _, _, ends, least in some])
        print(
            f"{low:4.0f} to {high:2.0f} {len(some):9} {100 * np.mean(~below & ~above):5.1f}% "
            f"{below.sum():6} {above.sum():6} {np.median(ends[:, 1] - ends[:, 0]):6.1f} "
            f"{np.median(np.abs(ends[:, 2] - true)):6.2f} {100 * sure.mean():7.0f} % "
            f"{int((sure & (true <= TOLERANCE_DE00)).sum()):8}"
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--real", type=Path)
    parser.add_argument("--scenes", type=int, default=40, help="of each renderer")
    parser.add_argument("--first-seed", type=int, default=820000)
    given = parser.parse_args()
    if given.real:
        table("real photographs of charts, chart hidden", list(real(given.real)))
    seeds = range(given.first_seed, given.first_seed + given.scenes)
    for second in (False, True) if given.scenes else ():
        rows = list(rendered(seeds, second))
        table(f"rendered, {'second' if second else 'first'} renderer", rows)
        for how in dict.fromkeys(r[0] for r in rows):
            some = [r for r in rows if r[0] == how]
            held = np.mean([ends[1] <= true <= ends[2] for _, true, ends, _ in some])
            print(f"  {how:12} {len(some):4} pairs, holds {100 * held:.1f} %")


if __name__ == "__main__":
    main()
