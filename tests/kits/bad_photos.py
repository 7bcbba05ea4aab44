"""Files that are no usable photo, as bytes, and photos that show no usable scene.

Part of the catalogue in bad_input.py.
"""

from __future__ import annotations

import io
import struct
import zlib
from collections.abc import Callable

import numpy as np
from PIL import Image

SIZE = (400, 320)
_RNG = np.random.default_rng(7)


def plain_picture() -> np.ndarray:
    """(320, 400, 3) uint8: a gradient with a little noise, and no card."""
    y, x = np.mgrid[0 : SIZE[1], 0 : SIZE[0]]
    rgb = np.stack([90 + x / 4, 150 - y / 8, 120 + x / 9], axis=-1)
    noise = np.random.default_rng(1).normal(0, 2, rgb.shape)
    return np.clip(rgb + noise, 0, 255).astype(np.uint8)


def saved(rgb: np.ndarray | Image.Image, kind: str, **options: object) -> bytes:
    """A picture as the bytes of a file, written by Pillow."""
    out = io.BytesIO()
    image = rgb if isinstance(rgb, Image.Image) else Image.fromarray(rgb)
    quick = {"compress_level": 1} if kind == "PNG" else {}
    image.save(out, kind, **quick, **options)
    return out.getvalue()


def _tiff(array: np.ndarray, **options: object) -> bytes:
    import tifffile

    out = io.BytesIO()
    tifffile.imwrite(out, array, **{"photometric": "rgb", **options})
    return out.getvalue()


def _png_header(width: int, height: int, rest: bytes = b"") -> bytes:
    """A PNG that promises a size; ``rest`` is its image data."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        check = struct.pack(">I", zlib.crc32(kind + body))
        return struct.pack(">I", len(body)) + kind + body + check

    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    data = zlib.compress(rest, 1)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", data) + chunk(b"IEND", b"")


def _packed_as(tiff: bytes, code: int) -> bytes:
    """An uncompressed little-endian TIFF that claims another compression (tag 259)."""
    entry = struct.pack("<HHIHH", 259, 3, 1, 1, 0)
    assert tiff.count(entry) == 1
    return tiff.replace(entry, struct.pack("<HHIHH", 259, 3, 1, code, 0))


def _spoilt(data: bytes, at: float, length: int = 40) -> bytes:
    start = int(len(data) * at)
    return data[:start] + b"\x55" * length + data[start + length :]


def bad_files() -> dict[str, tuple[bytes, str]]:
    """{file name: (content, words that its refusal must hold)}; all exit with 6."""
    rgb = plain_picture()
    image = Image.fromarray(rgb)
    other = rgb[::-1].copy()
    deep = (rgb.astype(np.uint16) * 257).astype(np.uint16)
    jpeg, png, webp = saved(rgb, "JPEG"), saved(rgb, "PNG"), saved(rgb, "WEBP")
    tiff = saved(rgb, "TIFF")
    floats = (rgb / 255).astype(np.float32)
    holes = floats.copy()
    holes[5, 5] = np.nan
    clear = np.dstack([rgb, np.full(rgb.shape[:2], 255, np.uint8)])
    clear[:9, :9, 3] = 0
    twice = {"save_all": True, "append_images": [Image.fromarray(other)], "duration": 100}
    huge_jpeg = jpeg.replace(struct.pack(">HH", SIZE[1], SIZE[0]), struct.pack(">HH", 60000, 50000))
    lab = Image.merge("LAB", image.split())
    return {
        "empty.jpg": (b"", "empty"),
        "zeros.jpg": (bytes(4000), "zeros"),
        "random.jpg": (b"\x80" + _RNG.bytes(5000), "unknown kind"),
        "text.jpg": ("Dear printer, the photo follows — later.\n".encode() * 9, "a text"),
        "text-in-utf16.jpg": ("two strips, one card".encode("utf-16"), "a text"),
        "web-page.jpg": (b"<!DOCTYPE html>\n<html><body>Sign in</body></html>", "a web page"),
        "drawing.svg": (b"<svg xmlns='http://www.w3.org/2000/svg'/>", "a drawing"),
        "document.pdf": (b"%PDF-1.7\n%\xe2\xe3\xcf\xd3\n", "PDF"),
        "archive.jpg": (b"PK\3\4" + bytes(200), "ZIP"),
        "video.mp4": (b"\0\0\0\x20ftypisom" + bytes(500), "a video"),
        "video.mov": (b"\0\0\0\x14ftypqt  " + bytes(500), "a video"),
        "modern.avif": (b"\0\0\0\x20ftypavif" + bytes(500), "AVIF"),
        "painting.psd": (b"8BPS\0\1" + bytes(500), "layered"),
        "window.bmp": (saved(rgb, "BMP"), "BMP"),
        "moving.gif": (saved(image.convert("P"), "GIF", **twice), "GIF"),
        "moving.png": (saved(rgb, "PNG", **twice), "animation"),
        "moving.webp": (saved(rgb, "WEBP", **twice), "animation"),
        "pages.tif": (_tiff(np.stack([rgb, other])), "2 pages"),
        "palette.png": (saved(image.convert("P"), "PNG"), "palette"),
        "palette.tif": (saved(image.convert("P"), "TIFF"), "palette"),
        "grey.jpg": (saved(image.convert("L"), "JPEG"), "grey"),
        "grey.png": (saved(image.convert("L"), "PNG"), "grey"),
        "grey-alpha.png": (saved(image.convert("LA"), "PNG"), "grey"),
        "grey-16.png": (saved(deep[..., 0], "PNG"), "grey"),
        "grey-16.tif": (_tiff(deep[..., 0], photometric="minisblack"), "grey"),
        "one-bit.png": (saved(image.convert("1"), "PNG"), "grey"),
        "one-bit.tif": (saved(image.convert("1"), "TIFF"), "black and white"),
        "print-colours.jpg": (saved(image.convert("CMYK"), "JPEG"), "CMYK"),
        "print-colours.tif": (saved(image.convert("CMYK"), "TIFF"), "CMYK"),
        "lab.tif": (saved(lab, "TIFF"), "TIFF code 8"),
        "transparent.png": (saved(clear, "PNG"), "transparent"),
        "transparent.webp": (saved(clear, "WEBP", lossless=True), "transparent"),
        "transparent.tif": (saved(clear, "TIFF"), "transparent"),
        "decimal.tif": (_tiff(floats), "decimal"),
        "not-a-number.tif": (_tiff(holes), "decimal"),
        "32-bit.tif": (_tiff(deep.astype(np.uint32)), "32, 32, 32 bits"),
        "planes.tif": (
            _tiff(np.ascontiguousarray(np.moveaxis(deep, 2, 0)), planarconfig="separate"),
            "separate colour planes"),
        "rare-16.tif": (_tiff(deep, compression="lzma"), "LZMA"),
        "rare-8.tif": (_packed_as(tiff, 34712), "JPEG 2000"),
        "raw.dng": (_tiff(rgb, extratags=[(50706, "B", 4, (1, 4, 0, 0), True)]), "raw photo"),
        "mosaic.tif": (_tiff(deep[..., 0], photometric="cfa"), "raw photo"),
        "half.jpg": (jpeg[: len(jpeg) // 2], "breaks off"),
        "head-only.jpg": (jpeg[:200], "breaks off"),
        "start-only.jpg": (jpeg[:4], "breaks off"),
        "half.png": (png[: len(png) // 2], "breaks off"),
        "half.tif": (tiff[: len(tiff) // 2], "damaged"),
        "half.webp": (webp[: len(webp) // 2], "breaks off"),
        "spoilt.jpg": (_spoilt(saved(rgb, "JPEG", quality=95), 0.5), "damaged"),
        "spoilt.png": (_spoilt(png, 0.5), "damaged"),
        "spoilt.heic": (b"\0\0\0\x18ftypheic\0\0\0\0mif1heic" + bytes(900), "spoilt.heic"),
        "enormous.jpg": (huge_jpeg, "million"),
        "enormous.png": (_png_header(30000, 30000), "million"),
        "bomb.png": (_png_header(20000, 15000, bytes(40_000_000)), "million"),
        "promise.png": (_png_header(2000, 1500), "damaged"),
        "tiny.jpg": (saved(image.resize((200, 160)), "JPEG"), "200 x 160"),
        "strip.png": (saved(image.resize((2000, 120)), "PNG"), "2000 x 120"),
    }  # fmt: skip


def good_scene() -> np.ndarray:
    """(h, w, 3) uint8: our card on paper, two strips below it, even light. Not a rendered
    photograph: just enough for the chain to run to its end."""
    from calibration.card.artwork import card_page
    from calibration.card.render import render
    from calibration.card.toml import builtin_cards

    png = render(card_page(builtin_cards()[0], "a4"), ".png", 130)
    page = np.asarray(Image.open(io.BytesIO(png)).convert("RGB"))[30:880, 120:1000].astype(float)
    page[420:] = 255
    page[470:800, 240:360] = (60, 130, 150)
    page[470:800, 470:590] = (64, 140, 158)
    noise = np.random.default_rng(3).normal(0, 1.2, page.shape)
    return np.clip(page * 0.86 + 8 + noise, 0, 255).astype(np.uint8)


def unfit_photos() -> dict[str, tuple[Callable[[np.ndarray], np.ndarray], str]]:
    """{kind: (what is done to the good scene, words of the refusal)}; all exit with 5."""
    import cv2

    flat = np.full((600, 800, 3), 128, np.uint8)
    noise = np.random.default_rng(5).integers(0, 256, (600, 800, 3), dtype=np.uint8)

    def without_strips(scene: np.ndarray, first: int) -> np.ndarray:
        scene = scene.copy()
        scene[440:, first:] = scene[430, 300]
        return scene

    return {
        "black": (lambda s: flat * 0, "card"),
        "white": (lambda s: flat * 0 + 255, "card"),
        "grey": (lambda s: flat, "card"),
        "noise": (lambda s: noise, "card"),
        "no-card": (lambda s: s[420:], "card"),
        "card-cropped": (lambda s: s[:, 200:][100:], "card"),
        "card-far": (_on_table, "small"),
        "mirrored": (lambda s: s[:, ::-1], "card"),
        "blurred": (lambda s: cv2.GaussianBlur(s, (0, 0), 9), "blurred"),
        "shaken": (lambda s: cv2.blur(s, (25, 1)), "shaken"),
        "shrunk": (lambda s: cv2.resize(s[420:], (640, 313)), "only 640 x 313 pixels"),
        "burnt-out": (lambda s: np.clip(s * 1.6 + 20.0, 0, 255).astype(np.uint8), "burnt"),
        "too-dark": (lambda s: (s * 0.1).astype(np.uint8), "dark"),
        "no-strips": (lambda s: without_strips(s, 0), "strip"),
        "one-strip": (lambda s: without_strips(s, 420), "needs two"),
    }


def _on_table(scene: np.ndarray) -> np.ndarray:
    """The scene so small that its card is a stamp on a table."""
    import cv2

    small = cv2.resize(scene, None, fx=0.15, fy=0.15, interpolation=cv2.INTER_AREA)
    table = np.full((900, 1200, 3), (120, 100, 80), np.uint8)
    table[300 : 300 + small.shape[0], 400 : 400 + small.shape[1]] = small
    return table
