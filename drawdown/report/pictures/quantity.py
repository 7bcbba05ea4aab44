"""What was counted as printed, as a picture: printed parts black with the share in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from drawdown.report.pictures.canvas import INK, PAPER, QUIET, Page
from drawdown.wording import figures as words
from drawdown.wording.quantity import amount, span, verdict

if TYPE_CHECKING:
    from PIL import Image

    from drawdown.wording.quantity import QuantityAnswer

WIDTH_PX = 1280


def draw_quantity(answer: QuantityAnswer) -> Image.Image:
    """The picture, 1280 px wide."""
    from PIL import Image

    page = Page(WIDTH_PX, tallest=320)
    need, area = answer.need, answer.area
    page.title(f"Mix {amount(need.mix_g)} g for {need.prints} prints")
    likely = f"{amount(need.ink.middle)} ({amount(need.ink.low)} to {amount(need.mix_g)})"
    page.line(f"Probably {likely} g will do.", 3.2)
    if answer.left is not None:
        page.line(verdict(answer.left), 3.6, bold=0.08)
    page.y += 1
    share = area.share
    page.line(
        f"Black below is what was counted as printed: {words.number(100 * share.middle)} % "
        f"({words.number(100 * share.low)} to {words.number(100 * share.high)}), "
        f"{span(need.area_cm2, 'cm2')}.",
        3,
    )
    page.y += 1
    fit = min(94 * page.unit / area.printed.shape[1], 150 * page.unit / area.printed.shape[0])
    size = tuple(max(1, round(side * fit)) for side in area.printed.shape[::-1])
    ground, ink = np.array(PAPER, np.uint8), np.array(INK, np.uint8)
    seen = Image.fromarray(np.where(area.printed[..., None], ink, ground))
    at = page.px(3, page.y)
    page.sheet.paste(seen.resize(size, Image.Resampling.BOX), at)
    page.draw.rectangle((*at, at[0] + size[0], at[1] + size[1]), outline=QUIET, width=2)
    page.y += size[1] / page.unit + 2
    return page.end(answer.notes, 2.6)
