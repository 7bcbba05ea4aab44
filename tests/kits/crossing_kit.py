"""Rendered photos of one strip laid across another, and what is true of them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from calibration.colour.spaces import xyz_to_lab
from fixtures import sheet as fixture_sheet
from fixtures.inkfilm import ink_reflectance
from fixtures.layout import plan
from fixtures.render import Rendered, SceneSpec, render
from fixtures.spec import StripSpec
from fixtures.spectra import pigments, xyz_d50


@dataclass(frozen=True)
class Crossing:
    """A photo in which strip ``specs[1]`` lies over ``specs[0]``; Lab D50 (3,) of the even
    films alone and of the crossing, and the crossing's rectangle in card mm (x, y, w, h)."""

    rendered: Rendered
    lab_lower: np.ndarray
    lab_upper: np.ndarray
    lab_crossing: np.ndarray
    at_mm: tuple[float, float, float, float]


def crossing_spec(lower, upper, seed=5, **scene) -> SceneSpec:
    """A scene below the slip card: a strip pulled downwards and one pulled across it.
    ``lower`` and ``upper`` are ((ink of the renderer, parts), ...)."""
    calm = {"streaks": 0, "unevenness": 0.02, "bead": 0.3, "ridge": 0.1}
    strips = (
        StripSpec(lower, length_mm=80, width_mm=22, place_mm=(40.0, 120.0, 0.0), **calm),
        StripSpec(upper, length_mm=90, width_mm=22, place_mm=(52.0, 122.0, -90.0), **calm),
    )
    return SceneSpec(seed=seed, strips=strips, notes=False, smudges=0, **scene)


def render_crossing(spec: SceneSpec) -> Crossing:
    """Render the scene with the second strip's film over the first's."""
    lower, upper = spec.strips
    layout = plan(spec)
    paint = fixture_sheet.paint_strip
    shelf = pigments(spec.ink_seed)
    paper = fixture_sheet.sheet_paper(spec).reflectance()
    below = ink_reflectance(lower.recipe, shelf, lower.film, paper)[0]

    def paint_over(layer, box, film, ground, print_cover, grain):
        if film.strip is upper:
            ground = replace(ground, black=below)
            under = layout.strips[0]

            def print_cover(x, y):
                u, v = under.local(x, y)
                inside = (u > 0.3) & (u < under.size[0] - 0.3) & (v > 1) & (v < under.size[1] - 12)
                return inside.astype(np.float32)

        return paint(layer, box, film, ground, print_cover, grain)

    fixture_sheet.paint_strip = paint_over
    try:
        rendered = render(spec)
    finally:
        fixture_sheet.paint_strip = paint
    labs = [
        xyz_to_lab(xyz_d50(r))[0]
        for r in (
            below[None],
            ink_reflectance(upper.recipe, shelf, upper.film, paper),
            ink_reflectance(upper.recipe, shelf, upper.film, below, wetting=0.0),
        )
    ]
    boxes = [box.corners for box in layout.strips]
    low = np.maximum(*(b.min(axis=0) for b in boxes))
    high = np.minimum(*(b.max(axis=0) for b in boxes))
    return Crossing(rendered, *labs, (*low, *(high - low)))
