"""A batch's way through Lab to its original, as a picture: a* against b* from above, and L*
beside it. Each stop has its 95 % region; the ring round the original is the tolerance."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from PIL import Image

from calibration.colour.difference import local_metric
from calibration.files import write_atomically
from calibration.uncertainty.intervals import K95
from drawdown.book.columns import Batch, Entry, Original, Reading
from drawdown.report.pictures.answer import picture_bytes
from drawdown.report.pictures.canvas import FAINT, INK, Page, Plot, on_top
from drawdown.report.text.terminal import swatch_rgb

WIDTH, HEIGHT = 1280, 900
LEFT, TOP, SIDE = 110, 130, 620  # the a*, b* plane
BAR_LEFT, BAR_WIDTH = 850, 300  # the L* plane: L* upwards, stops from left to right
MOST_TOLD = 4  # readings beside each other whose Delta E has room


def save_path(
    path: Path, batch: Batch, original: Original | None, story: tuple[Entry, ...]
) -> None:
    """Draw the way and write it as PNG, whole or not at all. Raises ``BadFile``."""
    write_atomically(path, picture_bytes(draw_path(batch, original, story), path))


def stops(story: tuple[Entry, ...], original: Original | None) -> np.ndarray:
    """(n, 3) Lab of each reading of the batch. Where it was compared with the original in one
    photo it is put as far from the original as kept as the photo shows the two apart: so the
    photos' own errors do not bend the way."""
    target = original.reading.lab_d50 if original and original.reading else None
    points = []
    for entry in story:
        if entry.kind != "read" or entry.reading is None:
            continue
        lab = np.array(entry.reading.lab_d50)
        beside = entry.original_reading
        if target is not None and beside is not None and not entry.across_photos:
            lab = np.array(target) + lab - np.array(beside.lab_d50)
        points.append(lab)
    return np.array(points).reshape(-1, 3)


def draw_path(batch: Batch, original: Original | None, story: tuple[Entry, ...]) -> Image.Image:
    """The picture, 1280 x 900 px, sRGB."""
    page = Page(WIDTH, HEIGHT, (252, 252, 250), unit_px=1)
    reads = [e for e in story if e.kind == "read" and e.reading is not None]
    way, target = stops(story, original), None
    if original is not None and original.reading is not None:
        target = np.array(original.reading.lab_d50)
    towards = f" on its way to {original.name}" if original else ""
    page.put(batch.name + towards, 34, LEFT, 30, room=WIDTH - 2 * LEFT)
    if not len(way):
        page.put("Nothing was read yet.", 26, LEFT, 90)
        return page.sheet
    tolerance = next((e.tolerance for e in reversed(reads) if e.tolerance), 2.0)
    ring = np.zeros((0, 3)) if target is None else _tolerance_ring(target, tolerance)
    regions = [_region(e) for e in reads]
    reaches = [[0.0, a, b] for a, b in regions]
    around = np.concatenate([way - reaches, way + reaches, ring])[:, 1:]
    half = max(1.08 * float(np.ptp(around, axis=0).max()), 6.0) / 2
    a, b = (around.max(axis=0) + around.min(axis=0)) / 2
    plane = (LEFT, TOP, LEFT + SIDE, TOP + SIDE)
    plot = Plot(page, plane, (b - half, b + half), (a - half, a + half))
    page.put("a*  (greener - redder)", 20, LEFT + SIDE, TOP + SIDE + 40, anchor="ra")
    page.put("b*  (up: yellower, down: bluer)", 20, LEFT, TOP - 30)
    page.stroke([(plot.x(p[1]), plot.y(p[2])) for p in ring], 2, FAINT)
    places = [(plot.x(lab[1]), plot.y(lab[2])) for lab in way]
    scale = SIDE / (2 * half)
    for place, (wide, tall) in zip(places, regions, strict=True):
        page.dot(*place, wide * scale, tall * scale, edge=FAINT)
    for k in range(1, len(places)):
        _arrow(page, places[k - 1], places[k])
    if target is not None:
        x, y = plot.x(target[1]), plot.y(target[2])
        page.field((x - 17, y - 17, x + 17, y + 17), target, INK, 3)
        page.put("original", 22, x + 26, y, anchor="lm")
    for number, (place, lab) in enumerate(zip(places, way, strict=True), 1):
        page.dot(*place, 15, 15, swatch_rgb(lab))
        page.put(str(number), 20, *place, on_top(lab), anchor="mm")
    _lightness(page, way, target, reads)
    notes = [
        f"grey ring round the original: Delta E 2000 of {tolerance:g} at equal lightness",
        "thin ovals and bars: 95 %, of the difference from the original where one photo shows both",
    ]
    for row, note in enumerate(notes):
        page.put(note, 20, LEFT, HEIGHT - 68 + 30 * row)
    return page.sheet


def _region(entry: Entry) -> tuple[float, float]:
    """Half widths in a* and b* of a reading's 95 % region."""
    spread = _spread(entry)
    return 2.45 * float(spread[1]), 2.45 * float(spread[2])  # chi-square, 2 degrees: 5.99


def _spread(entry: Entry) -> np.ndarray:
    """(3,) standard uncertainty of a reading's L*, a*, b*: of the difference from the
    original where both lie in one photo (their shared errors cancel), else of the colour."""
    reading, beside = entry.reading, entry.original_reading
    assert reading is not None
    if not entry.across_photos and beside is not None and _paired(reading, beside):
        return (reading.colour().members() - beside.colour().members()).std(axis=0)
    return reading.colour().widest_u95 / K95


def _paired(one: Reading, other: Reading) -> bool:
    return bool(one.samples and other.samples and len(one.samples) == len(other.samples))


def _tolerance_ring(lab: np.ndarray, tolerance: float) -> np.ndarray:
    """(k, 3) the colours that are ``tolerance`` from ``lab`` at its lightness, in the metric
    of CIEDE2000 there."""
    angle = np.linspace(0, 2 * np.pi, 73)
    step = np.zeros((len(angle), 3))
    step[:, 1], step[:, 2] = np.cos(angle), np.sin(angle)
    size = np.linalg.norm(step @ local_metric(lab).T, axis=1)
    return lab + step * (tolerance / size)[:, None]


def _arrow(page: Page, start, end) -> None:
    a, b = np.array(start), np.array(end)
    length = float(np.linalg.norm(b - a))
    if length < 40:
        return
    unit = (b - a) / length
    a, b = a + 18 * unit, b - 18 * unit
    side = np.array([-unit[1], unit[0]])
    page.stroke([a, b], 3)
    page.shape([b, b - 16 * unit + 7 * side, b - 16 * unit - 7 * side], 2, INK)


def _lightness(page: Page, way, target, reads) -> None:
    """L* of each stop from left to right, the original's as a line."""
    bars = [K95 * float(_spread(entry)[0]) for entry in reads]
    values = [*(way[:, 0] - bars), *(way[:, 0] + bars), *([] if target is None else target[:1])]
    box = (BAR_LEFT, TOP, BAR_LEFT + BAR_WIDTH, TOP + SIDE)
    plot = Plot(page, box, (min(values) - 3, max(values) + 3))
    page.put("L*  (up: lighter)", 20, BAR_LEFT, TOP - 30)
    if target is not None:
        plot.level(target[0], 3)
        page.put("original", 20, BAR_LEFT + BAR_WIDTH + 8, plot.y(target[0]), anchor="lm")
    gap = BAR_WIDTH / (len(way) + 1)
    every = max(1, -(-len(way) // 12))
    told = len(way) <= MOST_TOLD
    for number, (lab, entry, bar) in enumerate(zip(way, reads, bars, strict=True), 1):
        x, y = BAR_LEFT + gap * number, plot.y(lab[0])
        r = min(14.0, 0.4 * gap)
        plot.bar(x, lab[0] - bar, lab[0] + bar, 1)
        page.dot(x, y, r, r, swatch_rgb(lab))
        if (number - 1) % every == 0:
            page.put(str(number), 20, x, TOP + SIDE + 12, anchor="ma")
        if entry.de00 is not None and entry.de00_low95 is not None and told:
            top = min(y - r, plot.y(lab[0] + bar)) - 6
            page.put(f"{entry.de00:.1f}", 18, x, top - 20, anchor="mb")
            page.put(f"{entry.de00_low95:.1f}-{entry.de00_high95:.1f}", 15, x, top, anchor="mb")
    what = "reading; above it Delta E, 95 %" if told else "reading"
    page.put(what, 20, BAR_LEFT, TOP + SIDE + 40)
