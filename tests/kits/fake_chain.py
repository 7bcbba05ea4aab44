"""A made-up chain for tests of the command line: what it was asked, what it is to answer."""

from __future__ import annotations

import fake_judgement


class FakeChain:
    """Stands in for matching and reading: notes what it was asked, answers what it was told."""

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
