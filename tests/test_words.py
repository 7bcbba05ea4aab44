"""Plain words: phrases that no printmaker would write are in no sentence, comment or page.

The list is our own: each was once read aloud and stumbled over. There is no outside reference.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
PLACES = [
    *(
        path
        for root in ("drawdown", "calibration")
        for ending in ("*.py", "*.md", "*.toml")
        for path in sorted((ROOT / root).rglob(ending))
    ),
    ROOT / "README.md",
    ROOT / "DEVELOPERS.md",
]
NEVER = (
    r"\b(is|are|be|being) told\b",
    r"\bdifference that can be\b",
    r"\bbatch less original\b",
    r"\b(put|puts|putting)[ -]by\b",
    r"\b(strike|strikes|struck|striking)( \w+)? out\b",
    r"\bblotted\b",
    r"\bin nature\b",
    r"\blays? it to the ink\b",
    r"\blies it\b",
    r"\bone that cannot be read\b",
    r"\bstands? beside each\b",
    r"\bthat is none of\b",
    r"(?<!there )\bis no (day|number|plain|name|colour|text|format)\b",
    r"\bsuffices?\b(?!\()",
    r"\bWestern Electric\b",
    r"(?-i:\bMunsell\b(?! renotation))",
)
# Ink on a slab is worked in with the knife; only a tin that has separated is stirred.
STIR = re.compile(r"\bstir(s|red|ring)?\b", re.IGNORECASE)
# What a command was once called, and a set of data.
KEPT = re.compile(r"book put-by|Munsell renotation")


def lines(path: Path):
    text = re.sub(r"\s*\n\s*(?:#|\||\"|')?\s*", "\n", path.read_text(encoding="utf-8"))
    return KEPT.sub("", text).splitlines()


@pytest.mark.parametrize("phrase", NEVER)
def test_no_phrase_that_nobody_would_say(phrase):
    found = [
        f"{path.relative_to(ROOT)}: {line.strip()[:100]}"
        for path in PLACES
        for line in lines(path)
        if re.search(phrase, line, re.IGNORECASE)
    ]
    assert found == []


def test_only_a_separated_tin_is_stirred():
    found = [
        f"{path.relative_to(ROOT)}: {line.strip()[:100]}"
        for path in PLACES
        for line in lines(path)
        if STIR.search(line) and "separated" not in line
    ]
    assert found == []


def test_nobody_is_sent_to_an_index_for_a_package_of_our_name():
    """The name may be another's there; the program is installed from its own folder."""
    wrong = re.compile(r"(pip|pipx|uv tool|uv pip)\s+install\s+(-\S+\s+)*['\"]?drawdown\b")
    found = [p for p in PLACES if wrong.search(p.read_text(encoding="utf-8"))]
    assert found == []
