"""Printed pages as PDF: millimetres from the upper left corner, words that fit their room."""

from __future__ import annotations

import functools
import io
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass

from calibration.card.artwork import ASCENT, DESCENT, Rgb
from calibration.card.render import POINTS_PER_MM
from calibration.photo.decode import pillow_picture
from calibration.photo.header import check_room
from calibration.signs import visible

BLACK, GREY, LIGHT = (0, 0, 0), (90, 90, 90), (170, 170, 170)
Box = tuple[float, float, float, float]  # x, y, width, height
LEADING = 1.18  # of the em

# Encodings tell which letters these typefaces have; the viewer of the PDF brings them.
_FAR = (("shift_jis", "HeiseiKakuGo-W5"), ("gb2312", "STSong-Light"), ("euc_kr", "HYGothic-Medium"))


@functools.cache
def _wide(bold: bool):
    """The wider typeface: its name, and which letters it has."""
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    name, file = ("DrawdownWideBold", "VeraBd.ttf") if bold else ("DrawdownWide", "Vera.ttf")
    font = TTFont(name, file)
    pdfmetrics.registerFont(font)
    return name, font.face.charToGlyph


@functools.cache
def _far(name: str) -> str:
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.cidfonts import UnicodeCIDFont

    pdfmetrics.registerFont(UnicodeCIDFont(name))
    return name


def _encodes(letter: str, encoding: str) -> bool:
    try:
        letter.encode(encoding)
    except UnicodeEncodeError:
        return False
    return True


@functools.cache
def _letter(letter: str, bold: bool) -> tuple[str, str]:
    """(typeface, what is drawn); ("", "?") for a letter that no typeface has."""
    plain = "Helvetica-Bold" if bold else "Helvetica"
    if _encodes(letter, "cp1252"):
        return plain, letter
    name, glyphs = _wide(bold)
    if ord(letter) in glyphs:
        return name, letter
    for encoding, font in _FAR:
        if _encodes(letter, encoding):
            return _far(font), letter
    bare = "".join(c for c in unicodedata.normalize("NFKD", letter) if not unicodedata.combining(c))
    if bare and bare != letter and all(_encodes(c, "cp1252") for c in bare):
        return plain, bare
    return "", "" if unicodedata.category(letter)[0] in "MC" else "?"


@functools.lru_cache(maxsize=4096)
def _runs(text: str, bold: bool) -> tuple[tuple[str, str], ...]:
    runs: list[tuple[str, str]] = []
    for letter in visible(text).replace("\u00a0", " "):
        font, drawn = _letter(letter, bold)
        font = font or ("Helvetica-Bold" if bold else "Helvetica")
        if runs and runs[-1][0] == font:
            runs[-1] = (font, runs[-1][1] + drawn)
        else:
            runs.append((font, drawn))
    return tuple(runs)


def lost_letters(text: str) -> str:
    """The letters of a text that no typeface has."""
    return "".join(dict.fromkeys(c for c in text if _letter(c, False)[0] == ""))


def width_mm(text: str, size_mm: float, bold: bool = False) -> float:
    """How wide a line is; ``size_mm`` is the em."""
    from reportlab.pdfbase.pdfmetrics import stringWidth

    return sum(stringWidth(part, font, size_mm) for font, part in _runs(text, bold))


def broken(text: str, size_mm: float, room_mm: float, bold: bool = False) -> list[str]:
    """The text in lines no wider than the room: between words, or within a word that is too
    wide by itself. A no-break space holds two words together."""
    lines: list[str] = []
    for word in filter(None, text.split(" ")):
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and width_mm(longer, size_mm, bold) <= room_mm:
            lines[-1] = longer
            continue
        while width_mm(word, size_mm, bold) > room_mm and len(word) > 1:
            most = next(
                (n for n in range(len(word) - 1, 1, -1)
                 if width_mm(word[:n], size_mm, bold) <= room_mm), 1,
            )  # fmt: skip
            lines.append(word[:most])
            word = word[most:]
        lines.append(word)
    return lines


def held(text: str, size_mm: float, room_mm: float) -> str:
    """A short fact as one word; one of over half a line may be broken."""
    fits = width_mm(text, size_mm) <= 0.6 * room_mm
    return text.replace(" ", "\u00a0") if fits else text


def shortened(text: str, size_mm: float, room_mm: float, bold: bool = False) -> str:
    """The text, or as much of it as fits with dots behind."""
    if width_mm(text, size_mm, bold) <= room_mm:
        return text
    while text and width_mm(text + "...", size_mm, bold) > room_mm:
        text = text[:-1]
    return text.rstrip() + "..."


@dataclass(frozen=True)
class Words:
    """One line of text: ``at_mm`` on the baseline at its left end."""

    at_mm: tuple[float, float]
    size_mm: float
    text: str
    bold: bool = False
    rgb: Rgb = BLACK

    @property
    def box_mm(self) -> Box:
        x, y = self.at_mm
        wide = width_mm(self.text, self.size_mm, self.bold)
        return (x, y - ASCENT * self.size_mm, wide, (ASCENT + DESCENT) * self.size_mm)


Line = tuple[str, float, bool, Rgb]  # text, em, bold, colour


def set_lines(lines: Sequence[Line], x: float, y: float) -> list[Words]:
    """Lines below each other, the first with its upper edge at ``y``."""
    words = []
    for text, em, bold, rgb in lines:
        words.append(Words((x, y + ASCENT * em), em, text, bold, rgb))
        y += LEADING * em
    return words


@dataclass(frozen=True)
class Field:
    """A rectangle; ``rgb`` None leaves it empty, with a cross through it when ``crossed``."""

    box_mm: Box
    rgb: Rgb | None
    edge: Rgb | None = GREY
    edge_mm: float = 0.15
    crossed: bool = False
    dashed: bool = False


@dataclass(frozen=True)
class Stroke:
    start_mm: tuple[float, float]
    end_mm: tuple[float, float]
    width_mm: float = 0.15
    rgb: Rgb = LIGHT


@dataclass(frozen=True)
class Photo:
    """A picture (its file's bytes) fitted into a box, never distorted."""

    box_mm: Box
    data: bytes


Item = Words | Field | Stroke | Photo


def pdf_of(pages: Sequence[Sequence[Item]], size_mm: tuple[float, float], title: str) -> bytes:
    """The pages as one PDF; the same pages give the same bytes."""
    from reportlab.pdfgen.canvas import Canvas

    k = POINTS_PER_MM
    stream = io.BytesIO()
    canvas = Canvas(stream, pagesize=(size_mm[0] * k, size_mm[1] * k), invariant=1)
    canvas.setTitle(title)
    canvas.setAuthor("drawdown")
    canvas.setViewerPreference("PrintScaling", "None")  # asks the viewer for 100 %
    for page in pages:
        for item in page:
            _draw(canvas, item, size_mm[1])
        canvas.showPage()
    canvas.save()
    return stream.getvalue()


def _draw(canvas, item: Item, height_mm: float) -> None:
    k = POINTS_PER_MM
    if isinstance(item, Words):
        canvas.setFillColorRGB(*(v / 255 for v in item.rgb))
        x, y = item.at_mm[0] * k, (height_mm - item.at_mm[1]) * k
        for font, part in _runs(item.text, item.bold):
            canvas.setFont(font, item.size_mm * k)
            canvas.drawString(x, y, part)
            x += canvas.stringWidth(part, font, item.size_mm * k)
    elif isinstance(item, Stroke):
        _pen(canvas, item.rgb, item.width_mm)
        (x1, y1), (x2, y2) = item.start_mm, item.end_mm
        canvas.line(x1 * k, (height_mm - y1) * k, x2 * k, (height_mm - y2) * k)
    elif isinstance(item, Photo):
        _draw_photo(canvas, item, height_mm)
    else:
        x, y, w, h = item.box_mm
        left, low = x * k, (height_mm - y - h) * k
        if item.rgb is not None:
            canvas.setFillColorRGB(*(v / 255 for v in item.rgb))
        if item.edge is not None:
            _pen(canvas, item.edge, item.edge_mm)
        if item.dashed:
            canvas.setDash([2 * k, 1.5 * k])
        stroke, fill = int(item.edge is not None), int(item.rgb is not None)
        canvas.rect(left, low, w * k, h * k, stroke=stroke, fill=fill)
        canvas.setDash([])
        if item.crossed:
            canvas.line(left, low, left + w * k, low + h * k)
            canvas.line(left, low + h * k, left + w * k, low)


def _pen(canvas, rgb: Rgb, wide_mm: float) -> None:
    canvas.setStrokeColorRGB(*(v / 255 for v in rgb))
    canvas.setLineWidth(wide_mm * POINTS_PER_MM)


def _draw_photo(canvas, item: Photo, height_mm: float) -> None:
    from PIL import Image
    from reportlab.lib.utils import ImageReader

    k = POINTS_PER_MM
    try:  # it may have come with a shared file
        with pillow_picture(item.data, ("PNG",)) as picture:
            check_room(picture.size, "the strip's picture", 12, len(item.data))
            small = picture.convert("RGB")
    except Image.DecompressionBombError as error:
        raise OSError(str(error)) from error
    small.thumbnail((600, 600))
    x, y, w, h = item.box_mm
    scale = min(w / small.width, h / small.height)
    wide, high = small.width * scale, small.height * scale
    canvas.drawImage(ImageReader(small), x * k, (height_mm - y - high) * k, wide * k, high * k)
