"""The register of remarks. Rules of our own; there is no outside reference."""

from __future__ import annotations

import ast
import pickle
from pathlib import Path

import pytest

from calibration.flags import KINDS, Flag, FlagKind
from drawdown import flags as fl

ROOT = Path(__file__).resolve().parents[2]


def test_a_code_means_one_thing():
    kind = fl.STRIP_UNEVEN
    with pytest.raises(ValueError, match=kind.code):
        FlagKind(kind.code, True, kind.about, kind.seen, kind.why, kind.todo)
    assert fl.kind_of(kind.code) is kind
    assert fl.kind_of("what a later version says") is None


def test_kinds_of_both_packages_are_found_by_their_codes():
    made = {
        node.value.args[0].value
        for path in ("calibration/flags.py", "drawdown/flags.py")
        for node in ast.parse((ROOT / path).read_text(encoding="utf-8")).body
        if isinstance(node, ast.Assign) and isinstance(node.value, ast.Call)
        if getattr(node.value.func, "id", None) == FlagKind.__name__
    }
    assert made == set(KINDS)
    assert {"no-profile", "glare", "film-differs"} <= made


def test_a_flag_holds_numbers_and_says_them():
    flag = fl.STRIP_UNEVEN("about {worst:.1f}", worst=2.345)
    assert flag.numbers == (("worst", 2.345),)
    assert flag.detail == "about 2.3"
    assert "uneven (about 2.3 Delta E)" in flag.seen
    assert fl.STRIP_UNEVEN("a {name} as it came").detail == "a {name} as it came"
    assert pickle.loads(pickle.dumps(flag)) == flag
    assert isinstance(flag, Flag)
