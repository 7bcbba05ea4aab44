"""Match hand-mixed printmaking ink to its kept draw-down from one photograph.

``read`` measures the strips in a photo, ``match`` holds a batch to its original and says what to
add, ``compare`` and ``advise`` do so with colours from anywhere, ``open_book`` opens the studio
book. Nothing heavy is loaded before one of them is used.
"""

__version__ = "0.1.0"

TYPE_CHECKING = False  # typing takes longer to load than all of this

if TYPE_CHECKING:
    from calibration.card.definition import CardDefinition as Card
    from calibration.errors import BadFile, DrawdownError, PhotoUnfit, WrongUsage
    from calibration.flags import Flag
    from drawdown.api import advise, compare, match, open_book, read
    from drawdown.book import Book
    from drawdown.ink.shelf import Ink, Shelf
    from drawdown.matching.advise import Advice
    from drawdown.matching.compare import Comparison
    from drawdown.reading.colour import Colour, StripReading
    from drawdown.reading.instrument import InstrumentReading
    from drawdown.results import Match, Reading

# Where each public name lives; "as" where it has another name there.
_HOMES = {
    "read": "drawdown.api",
    "match": "drawdown.api",
    "compare": "drawdown.api",
    "advise": "drawdown.api",
    "open_book": "drawdown.api",
    "Card": "calibration.card.definition:CardDefinition",
    "Shelf": "drawdown.ink.shelf",
    "Ink": "drawdown.ink.shelf",
    "Book": "drawdown.book",
    "Reading": "drawdown.results",
    "Match": "drawdown.results",
    "Colour": "drawdown.reading.colour",
    "StripReading": "drawdown.reading.colour",
    "InstrumentReading": "drawdown.reading.instrument",
    "Comparison": "drawdown.matching.compare",
    "Advice": "drawdown.matching.advise",
    "Flag": "calibration.flags",
    "DrawdownError": "calibration.errors",
    "WrongUsage": "calibration.errors",
    "PhotoUnfit": "calibration.errors",
    "BadFile": "calibration.errors",
}

__all__ = [
    "Advice", "BadFile", "Book", "Card", "Colour", "Comparison", "DrawdownError", "Flag", "Ink",
    "InstrumentReading", "Match", "PhotoUnfit", "Reading", "Shelf", "StripReading", "WrongUsage",
    "advise", "compare", "match", "open_book", "read",
]  # fmt: skip


def __getattr__(name: str) -> object:
    import importlib

    home = _HOMES.get(name)
    if home is None:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    module, _, there = home.partition(":")
    found = getattr(importlib.import_module(module), there or name)
    globals()[name] = found
    return found


def __dir__() -> list[str]:
    return sorted({*globals(), *_HOMES})
