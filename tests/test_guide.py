"""README.md and the guide: short, complete, and true to what the program prints.

There is no outside reference: the program itself is held against what its pages say.
"""

from __future__ import annotations

import contextlib
import re
from collections.abc import Iterator

import guide_bench as bench
import pytest
import typer
from guide_bench import OUTPUT, ROOT

from calibration.flags import KINDS
from calibration.naming import speak
from drawdown import flags
from drawdown.commands import main as cli
from drawdown.commands.support.option_names import option_name

MOST_BYTES = 12_000
PAGES = bench.pages()
README = PAGES[0].read_text(encoding="utf-8")
ANSWERS = (0, 3, 4, 5)  # done, no match, too close to call, cannot be judged


@pytest.fixture
def studio(tmp_path, monkeypatch):
    """The bench to work at, with a shelf and a book of its own."""
    bench.lay_out(tmp_path)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("DRAWDOWN_SHELF", str(tmp_path / "own" / "shelf.toml"))
    monkeypatch.setenv("DRAWDOWN_BOOK", str(tmp_path / "own" / "book"))
    monkeypatch.setenv("NO_COLOR", "1")
    return tmp_path


def commands(group=None, before: str = "drawdown") -> Iterator[tuple[str, typer.core.TyperCommand]]:
    """Every command that does something, with its whole name."""
    group = group or typer.main.get_command(cli.app)
    for name, command in group.commands.items():
        if hasattr(command, "commands"):
            yield from commands(command, f"{before} {name}")
        else:
            yield f"{before} {name}", command


def test_the_readme_is_short():
    assert len(README.encode()) <= MOST_BYTES


def test_every_command_is_in_the_guide_and_every_option_explains_itself():
    text = "\n".join(page.read_text(encoding="utf-8") for page in PAGES)
    found = list(commands())
    missing = [name for name, _ in found if not re.search(rf"{name}\b", text)]
    assert missing == []
    silent = [(n, p.name) for n, c in found for p in c.params if not getattr(p, "help", None)]
    assert silent == []


def test_a_remark_finds_its_page_and_a_page_reads_well_in_a_terminal(capsys):
    for topic, first, title in (
        ("blurred", "- blurred: The photo is not sharp", "# Remarks about the photo"),
        ("slab", "# At the slab", "# At the slab"),
    ):
        assert cli.main(["guide", topic]) == 0
        shown = capsys.readouterr().out
        assert shown.startswith(first)
        assert title in shown
        assert "<!--" not in shown
        assert "](" not in shown
        assert max(map(len, shown.splitlines())) <= 150


def test_links_lead_somewhere():
    for page in PAGES:
        text = page.read_text(encoding="utf-8")
        for target in re.findall(r"\]\((?!http)([^)#]+)\)", text):
            assert (page.parent / target).is_file(), (page.name, target)
    for page in PAGES[1:]:
        assert f"(drawdown/guide/{page.name})" in README, page.name


@pytest.mark.slow
@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.stem)
def test_examples_run_as_they_are_printed(page, studio, capsys, monkeypatch):
    """One after the other, as a reader of the page would type them."""
    for example in bench.first_examples(page):
        capsys.readouterr()
        code = cli.main(example.argv)
        assert code in ANSWERS, (example.line, capsys.readouterr())


@pytest.mark.slow
@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.stem)
def test_outputs_are_what_the_program_prints(page, studio, capsys, monkeypatch):
    monkeypatch.chdir(ROOT if page.name == "README.md" else studio)
    for found in OUTPUT.finditer(page.read_text(encoding="utf-8")):
        capsys.readouterr()
        assert cli.main(bench.Example(page.stem, found["command"]).argv) in ANSWERS
        printed = "\n".join(line.rstrip() for line in capsys.readouterr().out.splitlines())
        assert found["text"].strip() == printed.strip(), found["command"]


def test_every_remark_has_its_page_in_its_own_words():
    speak(option_name)
    homes: dict[str, str] = {}
    for page in PAGES[1:]:
        text = page.read_text(encoding="utf-8")
        also = re.match(r"<!-- also: (.*?) -->", text)
        named = also[1].split(", ") if also else []
        shown = []
        for codes, points in re.findall(r"<!-- flags: ([^\n]+) -->\n(.*?)<!-- end -->", text, re.S):
            assert points == flags.flag_points(codes.split(", ")), page.name
            shown += codes.split(", ")
        assert sorted(named) == sorted(shown), page.name
        for code in shown:
            assert homes.setdefault(code, page.name) == page.name, code
    assert set(homes) == set(KINDS)


def test_exit_codes_are_explained():
    table = (bench.GUIDE / "scripts.md").read_text(encoding="utf-8")
    for code in (0, 1, 2, 3, 4, 5, 6, 130):
        assert f"| {code} |" in table


def test_the_lines_for_developers_can_be_copied_as_they_are():
    for name, ending in (
        ("verdict", "match fixtures/photos/no-match.jpg"),
        ("test", "-m pytest -n auto --dist loadgroup"),
    ):
        block = README.split(f"<!-- command: {name} -->\n```sh\n")[1].split("\n```")[0]
        assert len(block.splitlines()) == 1
        assert block.startswith("python3 -m venv ")
        assert block.endswith(ending)


@pytest.mark.slow
def test_the_python_example_runs(studio):
    text = (bench.GUIDE / "python.md").read_text(encoding="utf-8")
    names: dict = {}
    with contextlib.chdir(studio):
        exec(text.split("```python\n")[1].split("```")[0], names)
    assert names["m"].verdict == "no match"


def test_no_page_or_sentence_names_a_command_that_is_gone():
    top = typer.main.get_command(cli.app).commands
    said = re.compile(
        r"(?:`|: |with |let |by |ask |see |See )drawdown ([a-z]+)(?: ([a-z]+))?(?![a-z]*[./-])"
    )
    files = [p for root in ("drawdown", "calibration") for p in (ROOT / root).rglob("*.[pm][yd]")]
    gone = []
    for path in (*files, ROOT / "README.md", ROOT / "DEVELOPERS.md"):
        if path.name in ("option_names.py", "usage_errors.py"):  # they know what was once
            continue
        for first, second in said.findall(path.read_text(encoding="utf-8")):
            inside = getattr(top.get(first), "commands", None)
            if first not in top or (inside and second and second not in inside):
                gone.append((str(path.relative_to(ROOT)), f"drawdown {first} {second}"))
    assert gone == []
