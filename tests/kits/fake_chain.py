"""A made-up chain for tests of the command line: what it was asked, what it is to answer."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import fake_judgement


class FakeChain:
    """Stands in for drawdown.pipeline.match: notes what it was asked, answers what it was told."""

    def __init__(self) -> None:
        self.answer = fake_judgement.judgement("match")
        self.error: Exception | None = None
        self.asked: list[tuple] = []

    def run(self, photo_path, options, progress):
        progress("opening the photo", 0.1)
        self.asked.append((photo_path, options))
        if self.error is not None:
            raise self.error
        return self.answer


@dataclasses.dataclass(frozen=True)
class FakeOptions:
    original: int = 1
    batch: int = 2
    card_path: Path | None = None
    shelf_path: Path | None = None
    mix: dict | None = None
    batch_grams: float | None = None
    scale_step: float = 0.1
    slab: str | None = None
    added: dict = dataclasses.field(default_factory=dict)
    tolerance: float = 2.0
    other_inks: bool = False
    pulled_alike: bool = False
    wet: frozenset = frozenset()
    strips_by_hand: tuple = ()
    crossing: bool = False
    original_photo: Path | None = None
    card_corners: tuple = ()
    assumed: str | None = None
    kept: object = None
