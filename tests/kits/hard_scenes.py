"""Scenes that a careful renderer leaves out: windows mirrored in glossy ink, other jobs' swatches,
offcuts with hardly any margin, coloured papers, strips that touch, ends under the card, pictures
that a phone has worked over. The first two strips of each are the pair that is compared."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from fixtures.layout import plan
from fixtures.scenes import LEAST_WIDTH_MM, random_recipe, random_spec
from fixtures.spec import SceneSpec, StripSpec

KINDS = (
    "window", "strangers", "offcuts", "kraft", "blue", "black", "touching", "overlapping",
    "at-card", "under-card", "worked-over",
)  # fmt: skip


def hard_spec(kind: str, seed: int, **overrides) -> SceneSpec:
    """A scene of that kind; anything else about it is random, as in a hurried photo."""
    rng = np.random.default_rng([seed, 301])
    plain = {"count": 2, "card_shape": "slip", "paper": "plain", "layout": "below"}
    make = {
        "window": _window, "strangers": _strangers, "offcuts": _offcuts, "touching": _touching,
        "overlapping": _touching, "at-card": _at_card, "under-card": _at_card,
    }.get(kind)  # fmt: skip
    if kind == "worked-over":
        more = {"local_tone": float(rng.uniform(0.1, 0.3)), "sharpen": float(rng.uniform(0.9, 2.0))}
        return random_spec(seed, count=2, **more | overrides)
    if make is None:
        return random_spec(seed, **plain, paper_tint=kind, card_on_paper=False, **overrides)
    return make(rng, random_spec(seed, **plain | overrides), kind)


def _window(rng, spec: SceneSpec, _) -> SceneSpec:
    gloss = float(rng.uniform(0.5, 1.0))
    return replace(
        spec, strips=tuple(replace(s, gloss=gloss) for s in spec.strips), glare_on="strips",
        glare_shape="window", glare=float(10 ** rng.uniform(-1.7, -0.3)),
    )  # fmt: skip


def _strangers(rng, spec: SceneSpec, _) -> SceneSpec:
    """Swatches of other jobs: of another size, turned another way, farther from the card."""
    placed = plan(spec)
    block = placed.block
    one = spec.strips[0]
    down = block.centre[1] + block.size[1] / 2 if spec.direction == "vertical" else (
        block.centre[1] + block.size[0] / 2
    )  # fmt: skip
    strangers = []
    for k in range(int(rng.integers(1, 4))):
        width = float(np.clip(one.width_mm * rng.choice([0.6, 1.5]), LEAST_WIDTH_MM + 1, 30))
        length = float(np.clip(one.length_mm * rng.choice([0.6, 1.3]), max(24, 1.3 * width), 90))
        lies = rng.random() < 0.5
        high = width if lies else length
        x = block.centre[0] + (k - 0.8) * (max(length, width) + 12)
        place = (float(x), float(down + 14 + high / 2), 90.0 if lies else float(rng.normal(0, 4)))
        kind = str(rng.choice(["tint", "let-down", "masstone"]))
        recipe = one.recipe if rng.random() < 0.2 else random_recipe(rng, kind)
        strangers.append(
            StripSpec(recipe, one.film, length, width, place_mm=place, gloss=one.gloss)
        )
    return replace(spec, strips=spec.strips + tuple(strangers))


def _offcuts(rng, spec: SceneSpec, _) -> SceneSpec:
    return replace(
        spec, paper="separate", offcut_mm=float(rng.uniform(1.5, 5.0)), card_on_paper=False,
        strip_gap_mm=float(rng.uniform(8, 20)),
    )  # fmt: skip


def _touching(rng, spec: SceneSpec, kind: str) -> SceneSpec:
    gap = -float(rng.uniform(1.0, 4.0)) if kind == "overlapping" else float(rng.uniform(0.0, 1.0))
    strips = tuple(replace(s, turn_deg=0.3 * s.turn_deg, streaks=1) for s in spec.strips)
    return replace(spec, strips=strips, strip_gap_mm=gap)


def _at_card(rng, spec: SceneSpec, kind: str) -> SceneSpec:
    """Ends at the card's edge, or a little under it."""
    hidden = float(rng.uniform(2.0, 10.0)) if kind == "under-card" else float(rng.uniform(0, 1.0))
    gap = -hidden if kind == "under-card" else hidden
    return replace(spec, gap_mm=gap, direction="vertical", block_turn_deg=0.0, notes=False)
