"""Shading maps in DNG files (GainMap, DNG specification 1.4, chapter 6): what a phone's lens
loses towards the corners, which the raw decoder leaves alone.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import Any

import numpy as np

from calibration.photo.exif import Buffer, Directory, Tiff

OPCODE_LIST_2, SUB_IFDS, PHOTOMETRIC, CFA = 51009, 330, 262, 32803
GAIN_MAP = 9
MOST_GAIN = 64.0


@dataclass(frozen=True, eq=False)
class GainMap:
    """``area`` top, left, bottom, right and ``pitch`` (rows, columns) choose sensor places;
    ``gains`` (v, h) float32 at ``origin`` + index x ``spacing`` (vertical, horizontal) in
    shares of the picture's height and width."""

    area: tuple[int, int, int, int]
    pitch: tuple[int, int]
    spacing: tuple[float, float]
    origin: tuple[float, float]
    gains: np.ndarray


def gain_maps(data: Buffer) -> list[GainMap]:
    """The maps for the sensor mosaic of a DNG; none when there are none or they are damaged."""
    try:
        tiff = Tiff(data)
        main = tiff.directory(tiff.first)
        places = main.tags.get(SUB_IFDS, ())
        inner = [tiff.directory(int(at)) for at in places] if isinstance(places, tuple) else []
        for directory in (main, *inner):
            if directory.integer(PHOTOMETRIC, -1) == CFA:
                return _maps_of(directory)
        return []
    except (ValueError, struct.error):
        return []


def _maps_of(directory: Directory) -> list[GainMap]:
    packed = directory.tags.get(OPCODE_LIST_2, b"")
    if not isinstance(packed, bytes) or len(packed) < 4:
        return []
    maps, at = [], 4
    for _ in range(min(struct.unpack_from(">I", packed)[0], 64)):
        number, _version, _flags, size = struct.unpack_from(">I4sII", packed, at)
        if number == GAIN_MAP:
            maps.append(_map(packed[at + 16 : at + 16 + size]))
        at += 16 + size
    return maps


def _map(body: bytes) -> GainMap:
    top, left, bottom, right, _plane, _planes, rows, columns, v, h = struct.unpack_from(
        ">10I", body
    )
    spacing_v, spacing_h, origin_v, origin_h = struct.unpack_from(">4d", body, 40)
    (planes,) = struct.unpack_from(">I", body, 72)
    if not 1 <= v * h * planes <= 1_000_000 or not rows or not columns:
        raise ValueError("a gain map without gains")
    gains = np.frombuffer(body, ">f4", v * h * planes, 76).reshape(v, h, planes)[..., 0]
    gains = gains.astype(np.float32)
    numbers = np.array([spacing_v, spacing_h, origin_v, origin_h])
    if not np.isfinite(numbers).all() or not np.isfinite(gains).all():
        raise ValueError("a gain map without numbers")
    if gains.min() <= 0 or gains.max() > MOST_GAIN:
        raise ValueError("a gain map that makes no sense")
    return GainMap(
        (top, left, bottom, right),
        (rows, columns),
        (spacing_v, spacing_h),
        (origin_v, origin_h),
        gains,
    )


def apply_gain_maps(raw: Any, maps: list[GainMap], full: int) -> None:
    """Raise the mosaic of an opened raw photo in place; what is at ``full`` stays full."""
    if not maps:
        return
    values = raw.raw_image_visible
    blacks, colours = raw.black_level_per_channel, raw.raw_colors_visible
    for each in maps:
        top, left, bottom, right = each.area
        rows = slice(top, min(bottom, values.shape[0]), each.pitch[0])
        columns = slice(left, min(right, values.shape[1]), each.pitch[1])
        part = values[rows, columns]
        if not part.size:
            continue
        black = float(blacks[int(colours[rows, columns][0, 0])])
        gain = _at(each, values.shape, rows, columns)
        raised = np.clip((part - black) * gain + black + 0.5, 0, full)
        # A place that was full must count as burnt out, whatever the gain.
        values[rows, columns] = np.where(part >= full, part, raised)


def _at(each: GainMap, shape: tuple[int, ...], rows: slice, columns: slice) -> np.ndarray:
    """(rows, columns) float32 gains at these places, by straight lines between the nodes;
    beyond the outer nodes their value holds."""

    def weights(chosen: slice, size: int, axis: int) -> np.ndarray:
        middle = (np.arange(chosen.start, chosen.stop, chosen.step) + 0.5) / size
        count = each.gains.shape[axis]
        spacing = each.spacing[axis] or 1.0
        at = np.clip((middle - each.origin[axis]) / spacing, 0, count - 1)
        out = np.zeros((len(at), count), np.float32)
        low = np.minimum(at.astype(int), max(count - 2, 0))
        line = np.arange(len(at))
        out[line, low] = 1 - (at - low)
        if count > 1:
            out[line, low + 1] = at - low
        return out

    return weights(rows, shape[0], 0) @ each.gains @ weights(columns, shape[1], 1).T
