"""How far to trust it: the points behind the guide's page, and its plots.

    python tests/benchmarks/trust.py measure --scenes FOLDER --first-seed 330000 --count 100
                                             --charts FOLDER
    python tests/benchmarks/trust.py draw

``measure`` writes data/trust.csv: pairs of strips of rendered scenes (match.py) and pairs of
patches of real photographs of charts (real_charts.py), each with the true and the read difference,
and with the stated interval. ``draw`` makes the plots of drawdown/guide/trust.md
of it, and fills in its figures.
"""

from __future__ import annotations

import argparse
import csv
import re
import sys
from collections.abc import Iterable
from pathlib import Path

import numpy as np

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
sys.path[:0] = [str(ROOT), str(HERE)]
POINTS = HERE / "data" / "trust.csv"
GUIDE = ROOT / "drawdown" / "guide"
SIDE, LEFT, TOP = 360, 64, 24  # pixels of a plot
STATED = (0.5, 0.6, 0.7, 0.8, 0.9, 0.95)


def measure(scenes: str, first: int, count: int, charts: Path | None) -> None:
    import match

    rows = []
    for seed in range(first, first + count):
        seen = match.run(seed, scenes)
        for p in seen.get("pairs", ()):
            rows.append(("rendered", p["true"], p["de00"], p["low"], p["high"]))
    if charts is not None:
        import real_charts

        from calibration.errors import DrawdownError

        with (charts / "corners.csv").open(newline="") as file:
            table = list(csv.DictReader(file))
        for line in table:
            corners = tuple((float(line[f"x{k}"]), float(line[f"y{k}"])) for k in range(1, 5))
            definition = charts / f"{line['definition']}.toml"
            try:
                found = real_charts.judged(charts / line["file"], definition, corners, 6)
            except DrawdownError:
                continue
            rows += [("real", *point) for point in found["points"]]
    with POINTS.open("w", newline="") as file:
        out = csv.writer(file, lineterminator="\n")
        out.writerow(["kind", "true_de00", "read_de00", "low95", "high95"])
        for kind, *numbers in rows:
            out.writerow([kind, *(f"{v:.3f}" for v in numbers)])


def points() -> dict[str, np.ndarray]:
    """(n, 4) of true, read, low, high for each kind."""
    with POINTS.open(newline="") as file:
        rows = list(csv.DictReader(file))
    keys = ("true_de00", "read_de00", "low95", "high95")
    return {
        kind: np.array([[float(r[k]) for k in keys] for r in rows if r["kind"] == kind])
        for kind in ("real", "rendered")
    }


def held(pairs: np.ndarray) -> list[float]:
    """The share of pairs that an interval of each stated probability holds: the 95 % interval,
    narrowed on both sides as a normal distribution narrows."""
    from scipy.stats import norm

    true, read, low, high = pairs.T
    shares = []
    for p in STATED:
        narrower = norm.ppf(0.5 + p / 2) / norm.ppf(0.975)
        down, up = read - narrower * (read - low), read + narrower * (high - read)
        shares.append(float(np.mean((true >= down - 1e-9) & (true <= up + 1e-9))))
    return shares


def draw() -> None:
    both = points()
    real, rendered = both["real"], both["rendered"]
    write("trust-real", "true Delta E 2000", "read Delta E 2000", real[:, :2], 15)
    write("trust-rendered", "true Delta E 2000", "read Delta E 2000", rendered[:, :2], 15)
    shares = {kind: 100 * np.array([STATED, held(rows)]).T for kind, rows in both.items()}
    write("trust-intervals", "stated, %", "held in real photographs, %", shares["real"], 100, 40)
    page = GUIDE / "trust.md"
    said = "\n".join(
        ["| | pairs | error, median | error, 95th percentile | 95 % interval holds |",
         "|---|---|---|---|---|",
         *(row(kind, rows, shares[kind][-1, 1]) for kind, rows in both.items())]
    )  # fmt: skip
    block = re.compile(r"(<!-- figures -->\n).*?(<!-- end -->)", re.S)
    page.write_text(
        block.sub(lambda found: f"{found[1]}{said}\n{found[2]}", page.read_text("utf-8")), "utf-8"
    )
    print(said)


NAMES = {"real": "real photographs, two patches of a chart", "rendered": "rendered, two strips"}


def row(kind: str, rows: np.ndarray, holds: float) -> str:
    median, high = np.quantile(np.abs(rows[:, 1] - rows[:, 0]), [0.5, 0.95])
    return f"| {NAMES[kind]} | {len(rows)} | {median:.2f} | {high:.2f} | {holds:.0f} % |"


def write(name: str, across: str, up: str, xy: np.ndarray, most: float, least: float = 0) -> None:
    """A square plot with the line where both agree."""
    scale = SIDE / (most - least)

    def at(x: float, y: float) -> tuple[float, float]:
        return LEFT + (x - least) * scale, TOP + SIDE - (y - least) * scale

    items = [f'<rect x="{LEFT}" y="{TOP}" width="{SIDE}" height="{SIDE}" fill="none"/>']
    for value in np.linspace(least, most, 4):
        x, y = at(value, value)
        items.append(f'<path d="M{x:.1f} {TOP + SIDE}v5M{LEFT} {y:.1f}h-5"/>')
        items += text(x, TOP + SIDE + 20, f"{value:g}") + text(LEFT - 9, y + 4, f"{value:g}", "end")
    (x0, y0), (x1, y1) = at(least, least), at(most, most)
    items.append(f'<path d="M{x0:.1f} {y0:.1f}L{x1:.1f} {y1:.1f}" stroke-dasharray="4 4"/>')
    for x, y in xy[(xy >= least).all(axis=1) & (xy <= most).all(axis=1)]:
        px, py = at(x, y)
        items.append(f'<circle cx="{px:.1f}" cy="{py:.1f}" r="3" fill="#1d5fa8" stroke="none"/>')
    items += text(LEFT + SIDE / 2, TOP + SIDE + 42, across)
    turn = f'transform="rotate(-90 16 {TOP + SIDE / 2})"'
    items += text(16, TOP + SIDE / 2, up, more=turn)
    size = f'width="{LEFT + SIDE + 24}" height="{TOP + SIDE + 56}"'
    style = 'stroke="#333" fill="none" font-family="sans-serif" font-size="14"'
    head = f'<svg xmlns="http://www.w3.org/2000/svg" {size} {style}>'
    ground = '<rect width="100%" height="100%" fill="#fff" stroke="none"/>'
    (GUIDE / f"{name}.svg").write_text("\n".join([head, ground, *items, "</svg>", ""]))


def text(x: float, y: float, said: str, anchor: str = "middle", more: str = "") -> Iterable[str]:
    kind = f'text-anchor="{anchor}" fill="#333" stroke="none" {more}'.rstrip()
    return [f'<text x="{x:.1f}" y="{y:.1f}" {kind}>{said}</text>']


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("what", choices=("measure", "draw"))
    parser.add_argument("--scenes", default="scenes", help="folder of match.py's photos")
    parser.add_argument("--first-seed", type=int, default=330000)
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument("--charts", type=Path, help="folder of real_charts.py")
    given = parser.parse_args()
    if given.what == "measure":
        measure(given.scenes, given.first_seed, given.count, given.charts)
    else:
        draw()


if __name__ == "__main__":
    main()
