"""Raw photos (DNG and what else LibRaw reads): the sensor's own numbers as light. README.md."""

from __future__ import annotations

import io
import struct
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from calibration.colour.spaces import SRGB_TO_XYZ_D50, WHITE_D50, WHITE_D65, adaptation
from calibration.errors import BadFile
from calibration.photo.decode import overheard
from calibration.photo.exif import directory, integer, numbers, read_exif
from calibration.photo.header import Header, check_size, damaged, not_rgb
from calibration.photo.icc import RgbProfile, profile_from

# Beyond this many sensor places, each 2 x 2 of them become one pixel: nothing is guessed,
# it is quick, and strips and card still are some hundred pixels wide.
HALVE_ABOVE = 20_000_000
LEVELS = 65536
OPCODE_LIST_2, SUB_IFDS, PHOTOMETRIC, CFA = 51009, 330, 262, 32803
GAIN_MAP = 9
MOST_GAIN = 64.0
OTHERWISE = "or export it as 16-bit TIFF or JPEG without any automatic looks"


def read_raw(data: bytes, name: str) -> tuple[Header, np.ndarray, RgbProfile, bool]:
    """Header, upright pixels (h, w, 3) uint16 in proportion to light, their profile, and
    whether the file tells how this camera sees colours.

    65535 is where the first colour of the sensor is full, after white balance, so that a
    channel which is not burnt out says nothing false. Raises ``BadFile``.
    """
    rawpy = _library(name)
    raw = rawpy.RawPy()
    try:
        with overheard():
            raw.open_buffer(io.BytesIO(data))
            size = raw.sizes.width, raw.sizes.height
            check_size(size, f"the file {name}", _pixel_bytes(size), len(data))
            raw.unpack()
            matrix = _to_xyz_d50(raw)
            by_daylight = _by_daylight(raw) if matrix is not None else None
            _refuse_odd_sensors(raw, matrix, name)
            full = _full_at(raw)
            settings = _settings(rawpy, raw, full)
            if full is not None:
                apply_gain_maps(raw, gain_maps(data), full)
            rgb = raw.postprocess(**settings)
    except BadFile:
        raise
    except rawpy.LibRawFileUnsupportedError:
        raise _unsupported(name) from None
    except Exception:  # the decoder has many ways to fail
        raise damaged(name) from None
    finally:
        raw.close()
    if rgb.ndim != 3 or rgb.shape[2] != 3:
        raise _unsupported(name)
    header = Header("RAW", (rgb.shape[1], rgb.shape[0]), bits=16, exif=read_exif(data))
    profile = linear_profile(SRGB_TO_XYZ_D50 if matrix is None else matrix)
    profile = replace(profile, by_daylight=by_daylight)
    return header, rgb, profile, matrix is not None


def linear_profile(matrix: np.ndarray) -> RgbProfile:
    """The profile of numbers that are light already."""
    return profile_from("camera's own, linear", lambda v: v, matrix, LEVELS)


def _library(name: str) -> Any:
    try:
        import rawpy
    except (ImportError, OSError):
        raise BadFile(
            f"the file {name} is a raw photo (sensor data, such as DNG), whose decoder is not "
            "installed",
            "it is an optional part of this program",
            f'in drawdown\'s own folder give: python -m pip install ".[raw]", {OTHERWISE}',
        ) from None
    return rawpy


def _unsupported(name: str) -> BadFile:
    return BadFile(
        f"the file {name} is a raw photo of a kind that cannot be read here",
        "every camera writes its own, and not all of them are known",
        f"save it as an uncompressed DNG, {OTHERWISE}",
    )


def _refuse_odd_sensors(raw: Any, matrix: np.ndarray | None, name: str) -> None:
    if raw.num_colors == 1:
        raise not_rgb(name, "a picture without colour (shades of grey)")
    if raw.num_colors != 3 or any(c not in b"RGB" for c in raw.color_desc):
        raise _unsupported(name)
    balance = [raw.camera_whitebalance[k] for k in (0, 2)]  # as shot, of red and blue
    if matrix is None and min(balance) <= 0:
        raise _unsupported(name)  # not even the order of its colours is sure


def _settings(rawpy: Any, raw: Any, full: int | None) -> dict[str, Any]:
    """How to develop: nothing that is not proportional to light."""
    pattern = raw.raw_pattern
    black = min(int(v) for v in raw.black_level_per_channel)
    sensor = raw.sizes.width * raw.sizes.height
    return {
        "use_camera_wb": True,
        "output_color": rawpy.ColorSpace.raw,
        "output_bps": 16,
        "gamma": (1, 1),
        "no_auto_bright": True,
        "adjust_maximum_thr": 0.0,
        # The library counts it from black.
        "user_sat": None if full in (None, int(raw.white_level)) else full - black,
        # Each missing colour is the plain mean of its neighbours: no edge is sharpened, and
        # the mean over an even area is the mean of the sensor.
        "demosaic_algorithm": rawpy.DemosaicAlgorithm.LINEAR,
        "highlight_mode": rawpy.HighlightMode.Clip,
        "half_size": sensor > HALVE_ABOVE and pattern is not None and pattern.shape == (2, 2),
    }


def _pixel_bytes(size: tuple[int, int]) -> float:
    """What one sensor place needs at most: its number, four colours and three."""
    halved = size[0] * size[1] > HALVE_ABOVE
    return 2 + (8 + 6) / (4 if halved else 1)


def _full_at(raw: Any) -> int | None:
    """The number at which the sensor is full; None when the file holds no mosaic.

    It is the white level that the file names, unless burnt-out places show that it comes
    earlier: they all have the same number, a heap at the upper end, and what is just below
    full lies thinly under it.
    """
    if raw.raw_image is None:
        return None
    values = raw.raw_image_visible
    white, top = int(raw.white_level), int(values.max())
    if not 0.75 * white <= top < white:
        return white
    steps = [int(np.count_nonzero(values == top - k)) for k in range(3)]
    below = int(np.count_nonzero((values > top - 0.02 * white) & (values < top)))
    if steps[0] < max(64, values.size // 100_000) or steps[0] < 4 * max(steps[1:]) or not below:
        return white
    return top


def _to_xyz_d50(raw: Any) -> np.ndarray | None:
    """(3, 3) balanced sensor RGB -> XYZ D50, Y = 1 of white, or None when the file and the
    library do not know the camera. The library gives it as a matrix to linear sRGB, for
    some cameras only as one from XYZ (D65) to the sensor."""
    to_srgb = np.asarray(raw.color_matrix, float)[:3, :3]
    if not _sensible(to_srgb):
        from_xyz = np.asarray(raw.rgb_xyz_matrix, float)[:3]
        if not np.isfinite(from_xyz).all() or not np.any(from_xyz):
            return None
        to_sensor = from_xyz @ adaptation(WHITE_D50, WHITE_D65) @ SRGB_TO_XYZ_D50
        sums = to_sensor.sum(axis=1, keepdims=True)
        if np.abs(sums).min() < 1e-6 or abs(np.linalg.det(to_sensor / sums)) < 1e-3:
            return None
        to_srgb = np.linalg.inv(to_sensor / sums)
    return SRGB_TO_XYZ_D50 @ to_srgb if _sensible(to_srgb) else None


def _by_daylight(raw: Any) -> np.ndarray | None:
    """(3,) factors from the balance that the camera noted to that for D65, None without one."""
    noted, daylight = (
        np.array(v[:3], float) for v in (raw.camera_whitebalance, raw.daylight_whitebalance)
    )
    if min(noted.min(), daylight.min()) <= 0:
        return None
    return np.asarray(daylight / noted * noted[1] / daylight[1])


def _sensible(to_srgb: np.ndarray) -> bool:
    """White stays white, and different colours stay different."""
    return bool(
        np.isfinite(to_srgb).all()
        and np.abs(to_srgb.sum(axis=1) - 1).max() < 0.02
        and abs(np.linalg.det(to_srgb)) > 1e-3
    )


# Shading maps (GainMap, DNG specification 1.4, chapter 6): what a phone's lens loses towards the
# corners, which the raw decoder leaves alone.
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


def gain_maps(data: bytes) -> list[GainMap]:
    """The maps for the sensor mosaic of a DNG; none when there are none or they are damaged."""
    try:
        main, _ = directory(data)
        inner = (directory(data, int(at))[0] for at in numbers(main, SUB_IFDS))
        mosaic = (tags for tags in (main, *inner) if integer(tags, PHOTOMETRIC, -1) == CFA)
        return _maps_of(next(mosaic, {}).get(OPCODE_LIST_2, b""))
    except (ValueError, OverflowError, struct.error):
        return []


def _maps_of(packed: object) -> list[GainMap]:
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
