"""A minimal writer of DNG raw photos, for tests: one uncompressed sensor mosaic, RGGB.

Written from TIFF 6.0, TIFF/EP (ISO 12234-2) and the public DNG specification 1.4 (tag
numbers beside each entry); it shares no code with what reads the files.
"""

from __future__ import annotations

import struct

import numpy as np

# XYZ (D65) -> linear sRGB, IEC 61966-2-1: a sensor that sees exactly as sRGB does.
XYZ_TO_SRGB = (
    (3.2406, -1.5372, -0.4986),
    (-0.9689, 1.8758, 0.0415),
    (0.0557, -0.2040, 1.0570),
)
NEUTRAL = (0.5, 1.0, 0.625)


def mosaic_of(rgb: np.ndarray) -> np.ndarray:
    """(h, w) of (h, w, 3): each place sees one colour, R G over G B."""
    out = rgb[..., 1].copy()
    out[0::2, 0::2] = rgb[0::2, 0::2, 0]
    out[1::2, 1::2] = rgb[1::2, 1::2, 2]
    return out


def exposed(
    rgb: np.ndarray,
    black: int = 512,
    white: int = 16383,
    neutral: tuple[float, ...] = NEUTRAL,
    full: float | None = None,
) -> np.ndarray:
    """(h, w) uint16 sensor numbers for linear light (h, w, 3), where a white of 1, 1, 1
    reaches ``neutral`` of the range in red, green and blue; ``full`` is where the sensor
    itself is full (``white`` unless told). A little grain, as every sensor has."""
    level = black + mosaic_of(rgb * np.asarray(neutral)) * (white - black)
    level += np.random.default_rng(5).normal(0, 3e-4 * (white - black), level.shape)
    return np.clip(np.rint(level), 0, white if full is None else full).astype(np.uint16)


def _entry(tag: int, kind: int, values) -> tuple[int, int, int, bytes]:
    if kind in (1, 2, 7):
        body = bytes(values)
        return tag, kind, len(body), body
    if kind in (5, 10):
        fractions = [round(v * 10000) for v in values]
        code = "I" if kind == 5 else "i"
        body = b"".join(struct.pack(f"<{code}{code}", v, 10000) for v in fractions)
        return tag, kind, len(values), body
    code = {3: "H", 4: "I"}[kind]
    return tag, kind, len(values), struct.pack(f"<{len(values)}{code}", *values)


def _directory(entries: list[tuple[int, int, int, bytes]], at: int) -> bytes:
    """The bytes of a directory that starts at offset ``at``, its long values after it."""
    entries = sorted(entries)
    table, extra = struct.pack("<H", len(entries)), b""
    after = at + 2 + 12 * len(entries) + 4
    for tag, kind, count, body in entries:
        if len(body) <= 4:
            value = body.ljust(4, b"\0")
        else:
            value = struct.pack("<I", after + len(extra))
            extra += body + bytes(len(body) % 2)
        table += struct.pack("<HHI", tag, kind, count) + value
    return table + bytes(4) + extra


def dng_bytes(
    sensor: np.ndarray,
    black: int = 512,
    white: int = 16383,
    neutral: tuple[float, ...] = NEUTRAL,
    orientation: int = 1,
    matrix=XYZ_TO_SRGB,
    opcodes: bytes = b"",
    gps: bool = False,
) -> bytes:
    """A DNG file of a mosaic (h, w) uint16."""
    high, wide = sensor.shape
    main = [
        _entry(254, 4, [0]),  # NewSubfileType: the main picture
        _entry(256, 4, [wide]),
        _entry(257, 4, [high]),
        _entry(258, 3, [16]),
        _entry(259, 3, [1]),  # no compression
        _entry(262, 3, [32803]),  # PhotometricInterpretation: colour filter array
        _entry(271, 2, b"Pinhole\0"),
        _entry(272, 2, b"Pinhole 3\0"),
        _entry(273, 4, [0]),  # StripOffsets, filled in below
        _entry(274, 3, [orientation]),
        _entry(277, 3, [1]),
        _entry(278, 4, [high]),
        _entry(279, 4, [2 * high * wide]),
        _entry(33421, 3, [2, 2]),  # CFARepeatPatternDim
        _entry(33422, 1, [0, 1, 1, 2]),  # CFAPattern: R G / G B
        _entry(50706, 1, [1, 4, 0, 0]),  # DNGVersion
        _entry(50707, 1, [1, 1, 0, 0]),
        _entry(50708, 2, b"Pinhole 3\0"),  # UniqueCameraModel
        _entry(50714, 4, [black]),
        _entry(50717, 4, [white]),
        _entry(50728, 5, neutral),  # AsShotNeutral
        _entry(50778, 3, [21]),  # CalibrationIlluminant1: D65
        _entry(0x8769, 4, [0]),
    ]
    if matrix is not None:
        main.append(_entry(50721, 10, np.ravel(matrix)))  # ColorMatrix1
    if opcodes:
        main.append(_entry(51009, 7, opcodes))  # OpcodeList2
    if gps:
        main.append(_entry(0x8825, 4, [0]))
    details = [
        _entry(0x829A, 5, [0.0125]),
        _entry(0x829D, 5, [1.8]),
        _entry(0x8827, 3, [64]),
        _entry(0x9003, 2, b"2026:05:01 09:30:00\0"),
    ]
    place = [
        _entry(1, 2, b"N\0"),
        _entry(2, 5, [51.0, 28.0, 40.0]),
        _entry(3, 2, b"W\0"),
        _entry(4, 5, [0.0, 7.0, 39.0]),
    ]
    start = 8
    size = len(_directory(main, start))
    blocks, at = [], start + size
    offsets = {}
    for tag, entries in ((0x8769, details), (0x8825, place if gps else [])):
        if entries:
            offsets[tag] = at
            blocks.append(_directory(entries, at))
            at += len(blocks[-1])
    at += at % 2
    offsets[273] = at
    main = [_entry(e[0], 4, [offsets[e[0]]]) if e[0] in offsets else e for e in main]
    head = struct.pack("<2sHI", b"II", 42, start) + _directory(main, start) + b"".join(blocks)
    return head.ljust(at, b"\0") + sensor.astype("<u2").tobytes()


def gain_map(gains: np.ndarray, plane: int, top: int, left: int, height: int, width: int) -> bytes:
    """One GainMap opcode (DNG 1.4, chapter 6, opcode 9; big-endian) for the sensor places
    of every second row and column from ``top``, ``left``; ``gains`` (rows, columns) over
    the whole picture."""
    rows, columns = gains.shape
    body = struct.pack(">4I", top, left, height, width)  # area
    body += struct.pack(">4I", plane, 1, 2, 2)  # plane, planes, row pitch, column pitch
    body += struct.pack(">2I", rows, columns)
    body += struct.pack(">4d", 1 / (rows - 1), 1 / (columns - 1), 0.0, 0.0)
    body += struct.pack(">I", 1) + gains.astype(">f4").tobytes()
    return struct.pack(">I4sII", 9, bytes((1, 3, 0, 0)), 1, len(body)) + body
