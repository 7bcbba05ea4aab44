"""The colour map and its interval without any renderer: published spectra alone.

    python tests/benchmarks/spectral.py --seed 40 --shots 30

Camera sensitivities, lamps and the reflectances of charts are a general colour library's
(colour-science: MSDS_CAMERA_SENSITIVITIES, SDS_ILLUMINANTS, SDS_COLOURCHECKERS, SDS_VS), further
cameras are those shifted and widened. The card is the measured spectra of a 24-patch chart; with
--drawn it counts as drawn, its values moved by a smooth error. Inks are mixes of one or two vivid
Munsell papers with a white, opaque, K/S by parts (Duncan 1940): no film, no light field, no
picture; of what a photo does only the curve, noise and rounding. Prints the errors of single
colours and of differences between an original and a batch, and whether the intervals hold.
"""

from __future__ import annotations

import argparse
import sys
import warnings
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from real_charts import as_drawn, colours

from calibration.card.definition import CardDefinition, Patch
from calibration.card.toml import builtin_cards
from calibration.colour.difference import delta_e_2000
from calibration.colour.spaces import (
    SRGB_TO_XYZ_D50,
    WHITE_D50,
    lab_to_xyz,
    srgb_decode,
    xyz_to_lab,
)
from calibration.correction.correct import correct
from calibration.correction.even_surfaces import LightSamples
from calibration.correction.patches import PatchReadings
from drawdown.matching.compare import MATCH, NO_MATCH, compare

# The library tells at import that plotting is off without matplotlib; nothing here plots.
warnings.filterwarnings("ignore", message=".*related API features are not available.*")

NM = np.arange(400, 701, 10)
TOLERANCE = 2.0
PRINTED_DE, MEASURED_SD = 4.0, 0.4
ENCODED_SD, LIGHT_SD = 0.0005, 0.002  # as in colour_map.py
# Kinds of lamps there are in a studio: daylight, filament, tubes, diodes.
LAMPS = ("D50", "D65", "A", "FL2", "FL11", "LED-B1", "LED-B3", "LED-V1")


def _on(sd) -> np.ndarray:
    """(31,) of a spectrum, ends held."""
    return np.interp(NM, sd.wavelengths, sd.values)


def spectra() -> dict[str, np.ndarray]:
    """Of the chart (24, 31), of vivid papers (n, 31), cameras (c, 31, 3), lamps (l, 31), and the
    observer (31, 3)."""
    import colour
    from colour.quality.datasets import SDS_VS

    charts = [c for c in colour.SDS_COLOURCHECKERS.values() if len(c) == 24]
    cameras = [
        np.stack([np.interp(NM, s.wavelengths, s.values[:, k]) for k in range(3)], axis=1)
        for s in colour.MSDS_CAMERA_SENSITIVITIES.values()
    ]
    observer = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    return {
        "chart": np.array([_on(s) for s in charts[0].values()]),
        "papers": np.array([_on(s) for some in SDS_VS.values() for s in some.values()]),
        "cameras": np.array(cameras),
        "lamps": np.array([_on(colour.SDS_ILLUMINANTS[name]) for name in LAMPS]),
        "observer": np.stack(
            [np.interp(NM, observer.wavelengths, observer.values[:, k]) for k in range(3)], axis=1
        ),
        "d50": _on(colour.SDS_ILLUMINANTS["D50"]),
    }


def lab_of(reflectance: np.ndarray, known: dict[str, np.ndarray]) -> np.ndarray:
    weights = known["d50"][:, None] * known["observer"]
    return xyz_to_lab(reflectance @ weights / weights.sum(axis=0) * WHITE_D50)


def card_of(known: dict[str, np.ndarray], rng: np.random.Generator) -> CardDefinition:
    """The chart as a measured card of six by four."""
    lab = lab_of(known["chart"], known)
    seen = lab + MEASURED_SD * rng.standard_normal(lab.shape)
    grey = np.hypot(lab[:, 1], lab[:, 2]) < 5
    patches = tuple(
        Patch(
            f"P{k + 1}", (4.0 + 14 * (k % 6), 4.0 + 14 * (k // 6), 12.0, 12.0),
            tuple(map(float, seen[k])), (MEASURED_SD,) * 3,
            "white" if grey[k] and lab[k, 0] > 90 else "grey" if grey[k] else "colour",
        )
        for k in range(len(lab))
    )  # fmt: skip
    return replace(
        builtin_cards()[0], name="chart", size_mm=(90.0, 62.0), markers=(), patches=patches,
        provenance="measured", source="published spectra", paper_lab_d50=None, window_mm=None,
        scale_mm=None, text_mm=None,
    )  # fmt: skip


def pair_of(known: dict[str, np.ndarray], rng: np.random.Generator) -> np.ndarray:
    """(2, 31): an original, and a batch of the same inks at most 8 Delta E off."""
    two = known["papers"][rng.choice(len(known["papers"]), 2, replace=False)]
    white = np.full(len(NM), 0.90) - 0.25 * np.exp(-(NM - 400) / 15.0)
    inks = np.clip(np.stack([*two, white]), 0.02, 0.98)
    ks = (1 - inks) ** 2 / (2 * inks)
    parts = np.array([rng.uniform(0.02, 0.9), rng.uniform(0, 0.4), 1.0]) * (
        1,
        1,
        rng.random() < 0.8,
    )
    target = rng.uniform(0, 8) if rng.random() < 0.6 else rng.uniform(0, 1.5)
    way = rng.standard_normal(3)
    low, high = 0.0, 2.0

    def made(t: float) -> np.ndarray:
        q = parts * np.exp(t * way) @ ks / (parts * np.exp(t * way)).sum()
        return 1 + q - np.sqrt(q * q + 2 * q)

    for _ in range(30):
        t = (low + high) / 2
        off = delta_e_2000(lab_of(made(0), known), lab_of(made(t), known))
        low, high = (t, high) if off < target else (low, t)
    return np.stack([made(0), made(low)])


def camera_of(known: dict[str, np.ndarray], rng: np.random.Generator) -> np.ndarray:
    """(31, 3) one of the published cameras, its channels shifted and widened."""
    base = known["cameras"][rng.integers(len(known["cameras"]))]
    out = np.empty_like(base)
    for k in range(3):
        peak = NM[int(base[:, k].argmax())]
        wide, shift = np.exp(rng.normal(0, 0.08)), rng.normal(0, 5)
        out[:, k] = np.interp((NM - peak - shift) / wide + peak, NM, base[:, k], left=0, right=0)
    return out


def matrix_of(
    known: dict[str, np.ndarray], weights: np.ndarray, rng: np.random.Generator
) -> np.ndarray:
    """(3, 3) a phone's own, from its balanced channels to linear sRGB: what suits vivid papers,
    white kept, more or less of it."""
    seen = known["papers"] @ weights / weights.sum(axis=0)
    wanted = lab_to_xyz(lab_of(known["papers"], known)) @ np.linalg.inv(SRGB_TO_XYZ_D50).T
    best = np.linalg.lstsq(seen, wanted, rcond=None)[0].T
    best = best / best.sum(axis=1, keepdims=True)
    share = rng.uniform(0.6, 1.1)
    return np.asarray(share * best + (1 - share) * np.eye(3))


def encoded(light: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """What the file holds: a curve near sRGB's with an S of its own, noise, 8-bit means."""
    curve = np.clip(light, 0, 1) ** (1 / rng.uniform(2.1, 2.4))
    s = rng.uniform(0, 0.3)
    curve = curve - s * np.sin(2 * np.pi * curve) / (2 * np.pi)
    return np.asarray(curve + ENCODED_SD * rng.standard_normal(curve.shape))


def shot(known: dict[str, np.ndarray], seed: int, drawn: bool, pairs: int) -> list[dict]:
    """One photo: of each pair, what was read and said."""
    rng = np.random.default_rng([seed, 31])
    card = card_of(known, rng)
    if drawn:
        card = as_drawn(card, PRINTED_DE, seed)
    inks = np.array([pair_of(known, rng) for _ in range(pairs)])
    lamp, camera = known["lamps"][rng.integers(len(LAMPS))], camera_of(known, rng)
    seen = np.concatenate([known["chart"], inks.reshape(-1, len(NM))]) @ (lamp[:, None] * camera)
    white = int(card.expected_lab_d50[:, 0].argmax())
    seen = seen / seen[white] * (1 + 0.04 * rng.uniform(-1, 1, 3))
    light = np.maximum(seen @ matrix_of(known, lamp[:, None] * camera, rng).T, 0.0)
    light = light * rng.uniform(0.65, 0.85)
    light = light * np.exp(LIGHT_SD * rng.standard_normal((len(light), 1)))
    rgb = srgb_decode(np.clip(encoded(light, rng), 0.3 / 255, 1))
    n = len(card.patches)
    usable = rgb[:n].min(axis=1) > 2 / 255 / 12.92
    noise = np.maximum(ENCODED_SD * 2 * np.sqrt(rgb[:n]), 1e-5)
    readings = PatchReadings(rgb[:n], noise, np.zeros(n), card.centres_mm, usable, 1.0 - usable)
    at = card.centres_mm[[white]]
    samples = LightSamples(rgb[[white]], at, np.zeros(1, int), np.full((2, 2), -1), (0.0, 0.0), 4.0)
    made = correct(readings, samples, card, SRGB_TO_XYZ_D50)
    out = []
    middle = np.tile(np.array(card.size_mm) / 2, (2, 1))
    for k in range(pairs):
        ours = rgb[n + 2 * k : n + 2 * k + 2]
        if ours.min() < 4 / 255 / 12.92:
            continue  # a channel sees nothing
        # Right at the card: no light field is judged here.
        read = [replace(c, light_sd=0.0) for c in colours(made, ours, middle, card)]
        true = lab_of(inks[k], known)
        said = compare(*read, tolerance=TOLERANCE, nominal_card=drawn)
        inside = [np.abs(c.lab_d50 - t) <= c.lab_u95 for c, t in zip(read, true, strict=True)]
        out.append({
            "true": float(delta_e_2000(*true)), "said": said, "inside": inside,
            "off": [float(delta_e_2000(c.lab_d50, t)) for c, t in zip(read, true, strict=True)],
        })  # fmt: skip
    return out


def report(rows: list[dict], title: str) -> None:
    error = np.array([abs(r["said"].de00 - r["true"]) for r in rows])
    off = np.concatenate([r["off"] for r in rows])
    holds = [r["said"].de00_low95 - 1e-9 <= r["true"] <= r["said"].de00_high95 for r in rows]
    width = [r["said"].de00_high95 - r["said"].de00_low95 for r in rows]
    labs = 100 * np.mean([i for r in rows for i in r["inside"]], axis=0)
    print(f"{title}: {len(rows)} pairs")
    print(f"  colours: median {np.median(off):.2f}, 90th {np.quantile(off, 0.9):.2f}; "
          f"L*, a*, b* hold {labs[0]:.0f}, {labs[1]:.0f}, {labs[2]:.0f} %")  # fmt: skip
    middle, most = np.quantile(error, [0.5, 0.95])
    print(f"  error of Delta E: median {middle:.2f}, 95th {most:.2f}; interval holds "
          f"{100 * np.mean(holds):.1f} %, median width {np.median(width):.2f}")  # fmt: skip
    told = [(r["true"], r["said"].verdict) for r in rows if r["said"].verdict is not None]
    near, far = ([v for t, v in told if t < 1], [v for t, v in told if t > 3])
    wrong = sum(v == (MATCH if t > TOLERANCE else NO_MATCH) for t, v in told)
    print(f"  below 1 told match {near.count(MATCH)}/{len(near)}; above 3 told no match "
          f"{far.count(NO_MATCH)}/{len(far)}; wrong and sure {wrong}")  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seed", type=int, default=40)
    parser.add_argument("--shots", type=int, default=30)
    parser.add_argument("--pairs", type=int, default=10)
    given = parser.parse_args()
    known = spectra()
    for drawn, title in ((False, "card measured"), (True, f"as drawn, off by {PRINTED_DE:g}")):
        rows = [
            row
            for k in range(given.shots)
            for row in shot(known, 1000 * given.seed + k, drawn, given.pairs)
        ]
        report(rows, title)


if __name__ == "__main__":
    main()
