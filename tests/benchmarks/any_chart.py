"""Charts of others, the whole way: 24 published spectra in 6 x 4 or 4 x 6 fields, two to eight
markers or corners by hand, photographed through published sensitivities; prints the held-out
error of the card and the error of strips of the CIE test colour samples (CIE 13.3-1995), both
CIEDE2000.

    python tests/benchmarks/any_chart.py [--lamp D65] [--lens 0.02] [--quick]
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import warnings
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "kits"))
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import charts
import spectral_kit as spectral
import synthetic

from calibration.card.toml import write_card
from calibration.colour.difference import delta_e_2000
from calibration.errors import DrawdownError
from drawdown.pipeline.options import Options
from drawdown.pipeline.read import read_strips

IDS = (13, 2, 9, 5, 21, 3, 17, 8)
SIZE = (1800, 2000)
BELOW = 90.0


def run(folder: Path, card, *, lamp: str, lens: float, turn: int, by_hand: bool, seed: int):
    """Held-out median and strip errors of one photo, or what went wrong."""
    chart, samples = spectral.chart_spectra(), spectral.sample_spectra()[:8]
    exposure, width = 0.8, card.size_mm[0]
    step = width / 4
    fields = [
        synthetic.Field(
            (step * (k % 4) + 1, card.size_mm[1] + 8 + 41 * (k // 4), step - 7, 36.0), tuple(rgb)
        )
        for k, rgb in enumerate(exposure * spectral.camera_rgb(samples, lamp))
    ]
    matrix = charts.view_of(card, SIZE, turn=turn, share=0.93, below=BELOW, seed=seed)
    photo = charts.shot(
        folder / "photo.jpg", card, matrix, SIZE, rgb=exposure * spectral.camera_rgb(chart, lamp),
        fields=fields, below=BELOW, lens=lens, tone=0.25, quality=92, seed=seed,
    )  # fmt: skip
    write_card(folder / "card.toml", card)
    options = Options(card=folder / "card.toml")
    if by_hand:
        corners = charts.card_corners_px(card, matrix)
        click = 0.01 * np.linalg.norm(corners[0] - corners[1])
        corners = corners + np.random.default_rng(seed).uniform(-click, click, (4, 2))
        options = replace(options, card_corners=(tuple(map(tuple, corners)),))
    try:
        seen = read_strips(photo, options, lambda *_: None)
    except DrawdownError as unfit:
        return unfit.seen
    got = [s.lab_d50 for s in seen.strips]
    error = np.array([])
    if len(got) == len(samples):
        error = delta_e_2000(np.array(got), spectral.lab_d50(samples))
    return seen, error


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--lamp", default="D65")
    parser.add_argument("--lens", type=float, default=0.0)
    parser.add_argument("--quick", action="store_true", help="one turn of each instead of two")
    wanted = parser.parse_args()
    warnings.simplefilter("ignore")  # colour-science on what it lacks for plotting
    lab = spectral.lab_d50(spectral.chart_spectra())
    print(f"{'markers':>10} {'fields':>6} {'turn':>4} {'held out':>8} {'strips: median':>14} "
          f"{'worst':>6}  place")  # fmt: skip
    with tempfile.TemporaryDirectory() as name:
        for count in (2, 3, 4, 8, 0):
            for columns in (6, 4):
                for turn in (0,) if wanted.quick else (0, 90):
                    card = charts.chart(lab, columns=columns, ids=IDS[:count])
                    out = run(
                        Path(name), card, lamp=wanted.lamp, lens=wanted.lens, turn=turn,
                        by_hand=count == 0, seed=count + turn,
                    )  # fmt: skip
                    label = f"{count or 'by hand':>10} {columns}x{24 // columns:<4} {turn:>4}"
                    if isinstance(out, str):
                        print(label, out)
                        continue
                    seen, error = out
                    strips = (
                        f"{np.median(error):14.2f} {error.max():6.2f}"
                        if error.size
                        else f"{len(seen.strips):>3} strips, not 8 "
                    )
                    flags = ", ".join(f.code for f in seen.flags)
                    print(f"{label} {seen.correction.held_out_median:8.2f} {strips}  "
                          f"{seen.view.place_error_mm:.2f} mm  {flags}")  # fmt: skip


if __name__ == "__main__":
    main()
