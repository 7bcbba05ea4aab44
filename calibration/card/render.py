"""A page as PDF, SVG or PNG bytes, from one list of primitives."""

from __future__ import annotations

import io
from xml.sax.saxutils import escape

from calibration.card.artwork import Line, Page, Polygon, Rect, Rgb, Text

POINTS_PER_MM = 72.0 / 25.4
DPI_DEFAULT, DPI_LEAST, DPI_MOST = 600, 72, 2400


def render(page: Page, suffix: str, dpi: int = DPI_DEFAULT) -> bytes:
    """The page as ".pdf", ".svg" or ".png"; ``dpi`` matters to PNG only. Raises ``ValueError``
    for another suffix or a dpi outside 72..2400."""
    if suffix == ".pdf":
        return pdf_bytes(page)
    if suffix == ".svg":
        return svg_text(page).encode("utf-8")
    if suffix == ".png":
        return png_bytes(page, dpi)
    raise ValueError(f"no such format: {suffix!r}")


def pdf_bytes(page: Page) -> bytes:
    """A PDF of one page: vectors, built-in Helvetica, DeviceRGB of the same 8-bit colours."""
    from reportlab.pdfgen.canvas import Canvas

    k = POINTS_PER_MM
    width, height = page.size_mm
    stream = io.BytesIO()
    # invariant: the same page gives the same bytes, so a print can be traced to its artwork.
    canvas = Canvas(stream, pagesize=(width * k, height * k), pageCompression=0, invariant=1)
    canvas.setTitle(page.title)
    canvas.setAuthor("drawdown")
    canvas.setViewerPreference("PrintScaling", "None")  # asks the viewer for 100 %

    def up(y: float) -> float:
        return (height - y) * k

    for item in page.items:
        fill = tuple(v / 255.0 for v in item.rgb)
        if isinstance(item, Rect):
            x, y, w, h = item.rect_mm
            canvas.setFillColorRGB(*fill)
            canvas.rect(x * k, up(y + h), w * k, h * k, stroke=0, fill=1)
        elif isinstance(item, Line):
            canvas.setStrokeColorRGB(*fill)
            canvas.setLineWidth(item.width_mm * k)
            canvas.setDash([v * k for v in item.dash_mm] if item.dash_mm else [])
            (x1, y1), (x2, y2) = item.start_mm, item.end_mm
            canvas.line(x1 * k, up(y1), x2 * k, up(y2))
        elif isinstance(item, Polygon):
            canvas.setFillColorRGB(*fill)
            path = canvas.beginPath()
            for i, (x, y) in enumerate(item.points_mm):
                (path.lineTo if i else path.moveTo)(x * k, up(y))
            path.close()
            canvas.drawPath(path, stroke=0, fill=1)
        else:
            canvas.setFillColorRGB(*fill)
            canvas.setFont("Helvetica", item.size_mm * k)
            canvas.drawString(item.left_mm * k, up(item.at_mm[1]), item.text)
    canvas.showPage()
    canvas.save()
    return stream.getvalue()


def svg_text(page: Page) -> str:
    """An SVG 1.1 document in millimetres (viewBox unit = 1 mm)."""
    width, height = page.size_mm
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        f'<svg xmlns="http://www.w3.org/2000/svg" version="1.1" width="{_n(width)}mm" '
        f'height="{_n(height)}mm" viewBox="0 0 {_n(width)} {_n(height)}">',
        f"<title>{escape(page.title)}</title>",
        f'<rect width="{_n(width)}" height="{_n(height)}" fill="#ffffff"/>',
    ]
    lines += [_svg_item(item) for item in page.items]
    return "\n".join([*lines, "</svg>", ""])


def _svg_item(item: Rect | Line | Polygon | Text) -> str:
    colour = "#{:02x}{:02x}{:02x}".format(*item.rgb)
    if isinstance(item, Rect):
        x, y, w, h = (_n(v) for v in item.rect_mm)
        return (
            f'<rect x="{x}" y="{y}" width="{w}" height="{h}" fill="{colour}" '
            'shape-rendering="crispEdges"/>'
        )
    if isinstance(item, Line):
        (x1, y1), (x2, y2) = item.start_mm, item.end_mm
        on_off = " ".join(map(_n, item.dash_mm or ()))
        dash = f' stroke-dasharray="{on_off}"' if on_off else ""
        return (
            f'<line x1="{_n(x1)}" y1="{_n(y1)}" x2="{_n(x2)}" y2="{_n(y2)}" '
            f'stroke="{colour}" stroke-width="{_n(item.width_mm)}"{dash}/>'
        )
    if isinstance(item, Polygon):
        points = " ".join(f"{_n(x)},{_n(y)}" for x, y in item.points_mm)
        return f'<polygon points="{points}" fill="{colour}"/>'
    # textLength holds the line to its width whatever font stands in for Helvetica.
    return (
        f'<text x="{_n(item.left_mm)}" y="{_n(item.at_mm[1])}" font-size="{_n(item.size_mm)}" '
        f'font-family="Helvetica, Arial, sans-serif" fill="{colour}" '
        f'textLength="{_n(item.width_mm)}" lengthAdjust="spacingAndGlyphs">'
        f"{escape(item.text)}</text>"
    )


def _n(value: float) -> str:
    return f"{value:.4f}".rstrip("0").rstrip(".")


def png_bytes(page: Page, dpi: int = DPI_DEFAULT) -> bytes:
    """A PNG whose edges lie on whole pixels: every colour is exact, nothing is smoothed."""
    from PIL import Image, ImageDraw, PngImagePlugin

    if not DPI_LEAST <= dpi <= DPI_MOST:
        raise ValueError(f"dpi must lie between {DPI_LEAST} and {DPI_MOST}")
    scale = dpi / 25.4
    colours = list(dict.fromkeys([(255, 255, 255), *(item.rgb for item in page.items)]))
    size = tuple(round(side * scale) for side in page.size_mm)
    if len(colours) <= 256:  # one byte a pixel: a large page stays affordable
        image = Image.new("P", size, 0)
        image.putpalette([v for rgb in colours for v in rgb])
        ink = {rgb: index for index, rgb in enumerate(colours)}
    else:
        image = Image.new("RGB", size, (255, 255, 255))
        ink = {rgb: rgb for rgb in colours}
    draw = ImageDraw.Draw(image)
    draw.fontmode = "1"
    for item in page.items:
        _png_item(draw, item, ink[item.rgb], scale)
    info = PngImagePlugin.PngInfo()
    info.add(b"sRGB", b"\x01")  # relative colorimetric
    info.add_text("Title", page.title)
    stream = io.BytesIO()
    image.save(stream, "PNG", dpi=(dpi, dpi), pnginfo=info)
    return stream.getvalue()


def _png_item(draw, item: Rect | Line | Polygon | Text, ink: int | Rgb, scale: float) -> None:
    if isinstance(item, Rect):
        _fill(draw, item.rect_mm, ink, scale)
    elif isinstance(item, Line):
        for start, end in _dashes(item):
            _stroke(draw, start, end, item.width_mm, ink, scale)
    elif isinstance(item, Polygon):
        draw.polygon([(x * scale - 0.5, y * scale - 0.5) for x, y in item.points_mm], fill=ink)
    else:
        from PIL import ImageFont

        size, width = item.size_mm * scale, item.width_mm * scale
        font = ImageFont.load_default(size)
        # The built-in font is a little wider than Helvetica at times, and its letters are
        # set on whole pixels, so the fit has to be tried.
        # Letters may reach beyond their advance.
        while size > 2 and width < max(
            draw.textlength(item.text, font), font.getbbox(item.text, mode="1")[2]
        ):
            size = 0.99 * size
            font = ImageFont.load_default(size)
        spare = width - draw.textlength(item.text, font)
        at = (item.left_mm * scale + item.before * spare, item.at_mm[1] * scale)
        draw.text(at, item.text, fill=ink, font=font, anchor="ls")


def _fill(draw, rect_mm, ink: int | Rgb, scale: float) -> None:
    x, y, w, h = rect_mm
    left, top = round(x * scale), round(y * scale)
    right, bottom = round((x + w) * scale), round((y + h) * scale)
    # Pillow's rectangle includes its far edge.
    draw.rectangle((left, top, max(right - 1, left), max(bottom - 1, top)), fill=ink)


def _stroke(draw, start, end, width_mm: float, ink: int | Rgb, scale: float) -> None:
    # All strokes of one width get the same whole number of pixels, at least one.
    wide = max(1, round(width_mm * scale))
    along = 0 if start[1] == end[1] else 1
    side = round(start[1 - along] * scale - wide / 2)
    first, last = sorted((round(start[along] * scale), round(end[along] * scale)))
    box = ((first, side), (max(last - 1, first), side + wide - 1))
    draw.rectangle([corner if along == 0 else corner[::-1] for corner in box], fill=ink)


def _dashes(line: Line) -> list[tuple[tuple[float, float], tuple[float, float]]]:
    """The (start, end) of each dash of an upright or level stroke, from its start on."""
    (x1, y1), (x2, y2) = line.start_mm, line.end_mm
    if x1 != x2 and y1 != y2:
        raise ValueError("only upright or level lines are drawn")
    length = abs(x2 - x1) + abs(y2 - y1)
    on, off = line.dash_mm or (length, 0.0)
    dashes, at = [], 0.0
    while at < length:
        ends = [min(v, length) / length for v in (at, at + on)]
        dashes.append(tuple((x1 + (x2 - x1) * v, y1 + (y2 - y1) * v) for v in ends))
        at += on + off
    return dashes
