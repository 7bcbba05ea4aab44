"""Raw photos (DNG and what else LibRaw reads): the sensor's own numbers as light. README.md."""

from __future__ import annotations

import io
from typing import Any

import numpy as np

from calibration.colour.spaces import SRGB_TO_XYZ_D50, WHITE_D50, WHITE_D65, adaptation
from calibration.errors import BadFile
from calibration.photo.decode import overheard
from calibration.photo.exif import Buffer, Exif, Tiff, exif_of
from calibration.photo.header import Header, check_size, damaged, not_rgb
from calibration.photo.icc import RgbProfile, profile_from
from calibration.photo.raw_gain import apply_gain_maps, gain_maps

# Beyond this many sensor places, each 2 x 2 of them become one pixel: nothing is guessed,
# it is quick, and strips and card still are some hundred pixels wide.
HALVE_ABOVE = 20_000_000
LEVELS = 65536
OTHERWISE = "or export it as 16-bit TIFF or JPEG without any automatic looks"


def read_raw(data: Buffer, name: str) -> tuple[Header, np.ndarray, RgbProfile, bool]:
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
            check_size((raw.sizes.width, raw.sizes.height), f"the file {name}")
            raw.unpack()
            matrix = _to_xyz_d50(raw)
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
    header = Header("RAW", (rgb.shape[1], rgb.shape[0]), bits=16, exif=_exif(data))
    profile = linear_profile(SRGB_TO_XYZ_D50 if matrix is None else matrix)
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


def _sensible(to_srgb: np.ndarray) -> bool:
    """White stays white, and different colours stay different."""
    return bool(
        np.isfinite(to_srgb).all()
        and np.abs(to_srgb.sum(axis=1) - 1).max() < 0.02
        and abs(np.linalg.det(to_srgb)) > 1e-3
    )


def _exif(data: Buffer) -> Exif:
    """Most raw formats, DNG among them, are TIFF inside."""
    try:
        tiff = Tiff(data)
        return exif_of(tiff, tiff.directory(tiff.first))
    except ValueError:
        return Exif()
