"""A batch's way through Lab to its original, as a picture: a* against b* from above, and L*
beside it. Each stop has its 95 % region; the ring round the original is the tolerance."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw

from calibration.colour.difference import local_metric
from calibration.files import write_atomically
from calibration.uncertainty.intervals import K95
from drawdown.book.columns import Batch, Entry, Original, Reading
from drawdown.report.pictures.answer import png_bytes
from drawdown.report.pictures.canvas import round_values
from drawdown.report.pictures.letters import fitting, font, plain
from drawdown.report.text.terminal import swatch_rgb

WIDTH, HEIGHT = 1280, 900
LEFT, TOP, SIDE = 110, 130, 620  # the a*, b* plane
BAR_LEFT, BAR_WIDTH = 850, 300  # the L* plane: L* upwards, stops from left to right
MOST_TOLD = 4  # readings beside each other whose Delta E has room
INK, FAINT, GROUND = (30, 30, 30), (150, 150, 150), (252, 252, 250)


def save_path(
    path: Path, batch: Batch, original: Original | None, story: tuple[Entry, ...]
) -> None:
    """Draw the way and write it as PNG, whole or not at all. Raises ``BadFile``."""
    write_atomically(path, png_bytes(draw_path(batch, original, story)))


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
    picture = Image.new("RGB", (WIDTH, HEIGHT), GROUND)
    draw = ImageDraw.Draw(picture)
    reads = [e for e in story if e.kind == "read" and e.reading is not None]
    way = stops(story, original)
    target = None
    if original is not None and original.reading is not None:
        target = np.array(original.reading.lab_d50)
    towards = f" on its way to {original.name}" if original else ""
    title = batch.name + towards
    size = fitting(draw, title, 34, WIDTH - 2 * LEFT)
    draw.text((LEFT, 30), plain(title), INK, font(size, title))
    if not len(way):
        draw.text((LEFT, 90), "Nothing was read yet.", INK, font(26))
        return picture
    tolerance = next((e.tolerance for e in reversed(reads) if e.tolerance), 2.0)
    rings = [_region(e) for e in reads]
    reaches = [[0.0, a, b] for a, b in rings]
    around = np.concatenate(
        [way - reaches, way + reaches]
        + ([_tolerance_ring(target, tolerance)] if target is not None else [])
    )
    reach = max(1.08 * float(np.ptp(around[:, 1:], axis=0).max()), 6.0)
    middle = (around.max(axis=0) + around.min(axis=0)) / 2
    scale = SIDE / reach

    def place(lab: np.ndarray) -> tuple[float, float]:
        x = LEFT + SIDE / 2 + (lab[1] - middle[1]) * scale
        return x, TOP + SIDE / 2 - (lab[2] - middle[2]) * scale

    half = SIDE / 2 / scale
    _frame(draw, middle, half)
    if target is not None:
        ring = _tolerance_ring(target, tolerance)
        draw.line([place(p) for p in ring], FAINT, 2)
    places = [place(lab) for lab in way]
    for (x, y), (a, b) in zip(places, rings, strict=True):
        draw.ellipse((x - a * scale, y - b * scale, x + a * scale, y + b * scale), outline=FAINT)
    for k in range(1, len(places)):
        _arrow(draw, places[k - 1], places[k])
    if target is not None:
        x, y = place(target)
        draw.rectangle((x - 17, y - 17, x + 17, y + 17), swatch_rgb(target), INK, 3)
        draw.text((x + 26, y), "original", INK, font(22), anchor="lm")
    for number, ((x, y), lab) in enumerate(zip(places, way, strict=True), 1):
        draw.ellipse((x - 15, y - 15, x + 15, y + 15), swatch_rgb(lab), INK, 2)
        letters = INK if lab[0] > 50 else GROUND
        draw.text((x, y), str(number), letters, font(20), anchor="mm")
    _lightness(draw, way, target, reads)
    notes = [
        f"grey ring round the original: Delta E 2000 of {tolerance:g} at equal lightness",
        "thin ovals and bars: 95 %, of the difference from the original where one photo shows both",
    ]
    for row, note in enumerate(notes):
        draw.text((LEFT, HEIGHT - 68 + 30 * row), note, INK, font(20))
    return picture


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


def _frame(draw: ImageDraw.ImageDraw, middle: np.ndarray, half: float) -> None:
    draw.rectangle((LEFT, TOP, LEFT + SIDE, TOP + SIDE), outline=FAINT)
    for axis, centre in ((1, middle[1]), (2, middle[2])):
        for value in round_values(centre - half, centre + half, 2 * half / 5):
            at = (value - centre) / (2 * half) * SIDE
            text = f"{value:g}"
            if axis == 1:
                x = LEFT + SIDE / 2 + at
                draw.line((x, TOP + SIDE, x, TOP + SIDE + 8), FAINT)
                draw.text((x, TOP + SIDE + 12), text, INK, font(20), anchor="ma")
            else:
                y = TOP + SIDE / 2 - at
                draw.line((LEFT - 8, y, LEFT, y), FAINT)
                draw.text((LEFT - 12, y), text, INK, font(20), anchor="rm")
    draw.text((LEFT + SIDE, TOP + SIDE + 40), "a*  (greener - redder)", INK, font(20), anchor="ra")
    draw.text((LEFT, TOP - 30), "b*  (up: yellower, down: bluer)", INK, font(20))


def _arrow(draw: ImageDraw.ImageDraw, start, end) -> None:
    a, b = np.array(start), np.array(end)
    length = float(np.linalg.norm(b - a))
    if length < 40:
        return
    unit = (b - a) / length
    a, b = a + 18 * unit, b - 18 * unit
    side = np.array([-unit[1], unit[0]])
    draw.line([tuple(a), tuple(b)], INK, 3)
    head = [tuple(b), tuple(b - 16 * unit + 7 * side), tuple(b - 16 * unit - 7 * side)]
    draw.polygon(head, INK)


def _lightness(draw: ImageDraw.ImageDraw, way, target, reads) -> None:
    """L* of each stop from left to right, the original's as a line."""
    bars = [K95 * float(_spread(entry)[0]) for entry in reads]
    values = [
        *(way[:, 0] - bars),
        *(way[:, 0] + bars),
        *([target[0]] if target is not None else []),
    ]
    low, high = min(values) - 3, max(values) + 3

    def height(value: float) -> float:
        return TOP + SIDE - (value - low) / (high - low) * SIDE

    draw.rectangle((BAR_LEFT, TOP, BAR_LEFT + BAR_WIDTH, TOP + SIDE), outline=FAINT)
    draw.text((BAR_LEFT, TOP - 30), "L*  (up: lighter)", INK, font(20))
    for value in round_values(low, high, (high - low) / 6):
        y = height(value)
        draw.line((BAR_LEFT - 8, y, BAR_LEFT, y), FAINT)
        draw.text((BAR_LEFT - 12, y), f"{value:g}", INK, font(20), anchor="rm")
    if target is not None:
        y = height(target[0])
        draw.line((BAR_LEFT, y, BAR_LEFT + BAR_WIDTH, y), INK, 3)
        draw.text((BAR_LEFT + BAR_WIDTH + 8, y), "original", INK, font(20), anchor="lm")
    gap = BAR_WIDTH / (len(way) + 1)
    every = max(1, -(-len(way) // 12))
    told = len(way) <= MOST_TOLD
    for number, (lab, entry, bar) in enumerate(zip(way, reads, bars, strict=True), 1):
        x, y = BAR_LEFT + gap * number, height(lab[0])
        r = min(14.0, 0.4 * gap)
        draw.line((x, height(lab[0] - bar), x, height(lab[0] + bar)), INK, 1)
        draw.ellipse((x - r, y - r, x + r, y + r), swatch_rgb(lab), INK, 2)
        if (number - 1) % every == 0:
            draw.text((x, TOP + SIDE + 12), str(number), INK, font(20), anchor="ma")
        if entry.de00 is not None and entry.de00_low95 is not None and told:
            top = min(y - r, height(lab[0] + bar)) - 6
            interval = f"{entry.de00_low95:.1f}-{entry.de00_high95:.1f}"
            draw.text((x, top - 20), f"{entry.de00:.1f}", INK, font(18), anchor="mb")
            draw.text((x, top), interval, INK, font(15), anchor="mb")
    what = "reading; above it Delta E, 95 %" if told else "reading"
    draw.text((BAR_LEFT, TOP + SIDE + 40), what, INK, font(20))
