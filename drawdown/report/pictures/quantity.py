"""What was counted as printed, as a picture: printed parts black with the share in words."""

from __future__ import annotations

import numpy as np
from PIL import Image

from drawdown.printing.quantity import PrintedArea
from drawdown.report.pictures.canvas import INK, PAGE_PX, PAPER, QUIET, Page
from drawdown.wording import figures as words
from drawdown.wording.quantity import QuantityAnswer, amount, span, verdict


def draw_quantity(answer: QuantityAnswer) -> Image.Image:
    """The picture, 1280 px wide."""
    page, need = Page(PAGE_PX, tallest=320), answer.need
    page.title(f"Mix {amount(need.mix_g)} g for {need.prints} prints")
    likely = f"{amount(need.ink.middle)} ({amount(need.ink.low)} to {amount(need.mix_g)})"
    page.line(f"Probably {likely} g will do.", 3.2)
    if answer.left is not None:
        page.line(verdict(answer.left), 3.6, bold=0.08)
    if answer.area is not None:
        _block(page, answer.area, span(need.area_cm2, "cm2"))
    return page.end([*answer.doubts, *answer.notes], 2.6)


def _block(page: Page, area: PrintedArea, size_cm2: str) -> None:
    """The block with what was counted as printed, and how much of it that is."""
    low, middle, high = (
        words.number(100 * share) for share in (area.share.low, area.share.middle, area.share.high)
    )
    page.y += 1
    page.line(
        f"Black below is what was counted as printed: {middle} % ({low} to {high}), {size_cm2}.", 3
    )
    page.y += 1
    tall, wide = area.printed.shape
    fit = min(94 * page.unit / wide, 150 * page.unit / tall)
    size = max(1, round(wide * fit)), max(1, round(tall * fit))
    ground, ink = np.array(PAPER, np.uint8), np.array(INK, np.uint8)
    seen = Image.fromarray(np.where(area.printed[..., None], ink, ground))
    left, top = page.px(3, page.y)
    page.sheet.paste(seen.resize(size, Image.Resampling.BOX), (left, top))
    page.draw.rectangle((left, top, left + size[0], top + size[1]), outline=QUIET, width=2)
    page.y += size[1] / page.unit + 2
