"""Signs that steer a terminal or turn a line of text around, made visible where text leaves."""

from __future__ import annotations

import re

# Controls but tab and line feed (ISO/IEC 6429, sets C0 and C1), line and paragraph separators,
# what sets the direction of writing (UAX #9, table 4), halves of a sign (file names that are no
# UTF-8), and noncharacters.
_UNSEEN = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069"
    "\ud800-\udfff\ufdd0-\ufdef\ufffe\uffff]"
)


def visible(text: str) -> str:
    """The text with a stand-in such as ``<U+001B>`` for each such sign."""
    return _UNSEEN.sub(lambda found: f"<U+{ord(found[0]):04X}>", text)


def escaped(json_text: str) -> str:
    """JSON that keeps people's letters as they are, with these signs as JSON's own escapes."""
    return _UNSEEN.sub(lambda found: f"\\u{ord(found[0]):04x}", json_text)
