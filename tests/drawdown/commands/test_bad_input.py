"""Every bad input of the catalogue is refused: the right exit code, one explanation, no
traceback, nothing on stdout, no file left behind.

The exit codes are those of the guide. What a person sees is the contract here, so there is
no outside reference to check against; each entry also names words its explanation must
hold, so that a refusal for another reason fails.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from bad_input import BadInput, make_all

from calibration.errors import BadFile
from calibration.photo.open import open_photo
from drawdown.commands import main as cli

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def catalogue(tmp_path_factory) -> list[BadInput]:
    return make_all(tmp_path_factory.mktemp("bad"))


def _plain(text: str) -> str:
    return " ".join(text.split()).lower()


def test_the_catalogue_is_long_and_without_doubles(catalogue):
    kinds = [(bad.kind, bad.argv[0]) for bad in catalogue]
    assert len(set(kinds)) == len(kinds) >= 40


def test_photo_files_are_refused_by_open_photo(catalogue):
    """Without the command line: seen, why and what to do are all there."""
    files = {bad.photo: bad for bad in catalogue if bad.photo is not None}
    assert len(files) >= 40
    for path, bad in files.items():
        with pytest.raises(BadFile) as caught:
            open_photo(path)
        error = caught.value
        assert error.exit_code == 6, bad.kind
        assert all((error.seen, error.why, error.todo)), bad.kind
        assert bad.says in _plain(error.paragraph()), (bad.kind, error.paragraph())


def _complaints(bad: BadInput, code: int, out: str, err: str) -> list[str]:
    """What is wrong with one answer of the program."""
    found = []
    if code != bad.exit_code:
        found.append(f"exit {code} instead of {bad.exit_code}")
    if out:
        found.append(f"stdout: {out[:200]!r}")
    if "Traceback" in err or "Error:" in err or "Warning" in err:
        found.append("sounds like a program")
    if "it met something it was not made for" in _plain(err):
        found.append("not explained")
    headline, _, rest = err.partition("\n")
    if not headline or not rest.strip() or "\n\n" in rest.strip():
        found.append("not one headline and one paragraph")
    if _plain(rest).count(". ") < 2:
        found.append("fewer than three sentences: seen, why, what to do")
    if bad.says not in _plain(err).replace("- ", "-"):
        found.append(f"does not say {bad.says!r}")
    if "\x1b" in err:
        found.append("terminal codes")
    return found


def _run_all(inputs: list[BadInput], capfd) -> dict[str, object]:
    wrong = {}
    for bad in inputs:
        capfd.readouterr()
        code = cli.main(list(bad.argv))
        out, err = capfd.readouterr()
        if complaints := _complaints(bad, code, out, err):
            wrong[f"{bad.kind} ({bad.argv[0]})"] = (complaints, err)
    return wrong


GROUPS = (
    "file", "photo", "scene", "usage", "picture", "card", "shelf", "sheet", "definition",
    "opacity", "value", "overprint", "layers", "quantity", "ink", "book",
)  # fmt: skip


@pytest.mark.parametrize("group", GROUPS)
def test_the_program_explains(catalogue, group, capfd, monkeypatch):
    monkeypatch.delenv("DRAWDOWN_DEBUG", raising=False)
    inputs = [bad for bad in catalogue if bad.kind.replace(":", "").split()[0] == group]
    assert inputs
    wrong = _run_all(inputs, capfd)
    assert not wrong, "\n".join(f"{kind}: {what}" for kind, what in wrong.items())


def test_every_entry_belongs_to_a_group(catalogue):
    assert {bad.kind.replace(":", "").split()[0] for bad in catalogue} == set(GROUPS)


def test_refusals_leave_nothing_behind(catalogue, capfd):
    folder = next(b.photo for b in catalogue if b.kind == "photo: folder")
    before = {p: p.stat().st_size for p in _files(folder)}
    writing = [b for b in catalogue if {"card", "sheet", "--picture"} & set(b.argv)]
    assert len(writing) > 10
    _run_all(writing, capfd)
    assert {p: p.stat().st_size for p in _files(folder)} == before


def _files(folder: Path) -> list[Path]:
    return [p for p in sorted(folder.rglob("*")) if p.is_file()]
