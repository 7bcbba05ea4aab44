"""The house: who may import whom, and how large things may grow. See DEVELOPERS.md.

Rules of our own; there is no outside reference for them.
"""

from __future__ import annotations

import ast
import re
import sys
import tomllib
from importlib.metadata import packages_distributions
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
# From the ground up: a module imports from its own folder and from those above it in this list,
# wherever the import stands (inside functions and for type checking too).
ORDER = (
    "calibration",
    "calibration.uncertainty",
    "calibration.colour",
    "calibration.photo",
    "calibration.card",
    "calibration.locate",
    "calibration.correction",
    "drawdown.flags",
    "drawdown.defaults",
    "drawdown.ink",
    "drawdown.strips",
    "drawdown.reading",
    "drawdown.matching",
    "drawdown.printing",
    "drawdown.studio",
    "drawdown.pipeline",
    "drawdown.book",
    "drawdown.book.repair",
    "drawdown.book.share",
    "drawdown.book.memory",
    "drawdown.wording",
    "drawdown.report.text",
    "drawdown.report.json",
    "drawdown.report.pictures",
    "drawdown.report.paper",
    "drawdown.report.html",
    "drawdown.results",
    "drawdown.api",
    "drawdown",
    "drawdown.page",
    "drawdown.commands.support",
    "drawdown.commands.ink",
    "drawdown.commands.plan",
    "drawdown.commands.book",
    "drawdown.commands",
    "drawdown.__main__",
)
MOST_MODULES, MOST_LINES, MOST_PARAMETERS = 13, 60, 10
MOST_GUIDE_BYTES = 12_000
OPTION = re.compile(r"(?<![\w-])--[a-z]")


def modules() -> dict[str, Path]:
    paths = [p for room in ("calibration", "drawdown") for p in (ROOT / room).rglob("*.py")]
    return {
        ".".join(p.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__"): p
        for p in paths
    }


MODULES = modules()
TEXTS = {name: path.read_text(encoding="utf-8") for name, path in MODULES.items()}
TREES = {name: ast.parse(text) for name, text in TEXTS.items()}
NODES = {name: list(ast.walk(tree)) for name, tree in TREES.items()}


def imports() -> dict[str, set[str]]:
    """What each module of ours imports of ours."""
    found: dict[str, set[str]] = {}
    for name, nodes in NODES.items():
        found[name] = set()
        for node in nodes:
            names = []
            if isinstance(node, ast.ImportFrom) and node.module:
                assert not node.level, f"{name}:{node.lineno} imports relatively"
                names = [
                    deeper if (deeper := f"{node.module}.{a.name}") in MODULES else node.module
                    for a in node.names
                ]
            elif isinstance(node, ast.Import):
                names = [a.name for a in node.names]
            found[name] |= {n for n in names if n in MODULES and n != name}
    return found


IMPORTS = imports()


def floor(module: str) -> int:
    """How high in the house a module stands: its longest name in ``ORDER``."""
    fitting = [place for place in ORDER if module == place or module.startswith(f"{place}.")]
    return ORDER.index(max(fitting, key=len))


def test_imports_go_downwards_only():
    upwards = {
        (module, other)
        for module, others in IMPORTS.items()
        for other in sorted(others)
        if floor(other) > floor(module) and TEXTS[other].strip()
    }
    assert upwards == set()


def test_no_imports_in_a_circle():
    done: set[str] = set()
    path: list[str] = []

    def visit(module: str) -> None:
        if module in path:
            pytest.fail(" -> ".join([*path[path.index(module) :], module]))
        if module in done:
            return
        path.append(module)
        for other in sorted(IMPORTS[module]):
            visit(other)
        path.pop()
        done.add(module)

    for module in IMPORTS:
        visit(module)


def strings(module: str) -> list[str]:
    """The strings of a module without its docstrings, which speak to us, not to a person."""
    plain = {
        id(node.body[0].value)
        for node in NODES[module]
        if isinstance(node, ast.Module | ast.FunctionDef | ast.ClassDef)
        and node.body
        and isinstance(node.body[0], ast.Expr)
    }
    return [
        node.value
        for node in NODES[module]
        if isinstance(node, ast.Constant) and isinstance(node.value, str)
        and id(node) not in plain
    ]  # fmt: skip


BELOW = {m: strings(m) for m in MODULES if ".commands" not in m}


def test_only_commands_name_options():
    """Below them a parameter stands in backticks: calibration/naming.py."""
    named = {m for m, texts in BELOW.items() if any(map(OPTION.search, texts))}
    assert named == set()


def test_what_sentences_call_a_parameter_can_be_given():
    """Each name in backticks is an option of some command, or a command."""
    import typer

    from drawdown.commands.main import app
    from drawdown.commands.support.option_names import OPTION_NAMES, option_name

    options, whole = set(), set()

    def collect(command, path: str) -> None:
        whole.add(path)
        for parameter in command.params:
            options.update(parameter.opts)
        for name, below in getattr(command, "commands", {}).items():
            collect(below, f"{path} {name}")

    collect(typer.main.get_command(app), "drawdown")
    names = {
        name
        for texts in BELOW.values()
        for text in texts if "`" in text
        for name in re.findall(r"(?<!`)`([a-z_]+)`(?!`)", text)
    }  # fmt: skip
    assert "strips" in names
    for name in names | set(OPTION_NAMES):
        spoken = option_name(name)
        command = spoken.split(" --")[0]
        if command.startswith("drawdown"):  # perhaps with an argument, as in "book list packets"
            assert {command, command.rpartition(" ")[0]} & whole - {"drawdown book"}, name
        else:
            assert spoken in options, name


def test_no_folder_is_crowded():
    crowded = {}
    for folder in {p.parent for p in MODULES.values()}:
        count = sum(p.name != "__init__.py" for p in folder.glob("*.py"))
        if count > MOST_MODULES:
            crowded[str(folder.relative_to(ROOT))] = count
    assert crowded == {}


def test_what_is_declared_is_imported_and_what_is_imported_is_declared():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    extras = project["optional-dependencies"]
    wanted = [*project["dependencies"], *extras["raw"]]
    declared = {re.split(r"[<>=!~\[ ]", text)[0] for text in wanted}
    loaded: set[str] = set()
    for nodes in NODES.values():
        for node in nodes:
            if isinstance(node, ast.ImportFrom) and node.module:
                loaded.add(node.module)
            elif isinstance(node, ast.Import):
                loaded |= {alias.name for alias in node.names}
            elif isinstance(node, ast.Call) and ast.unparse(node.func).endswith("import_module"):
                loaded |= {a.value for a in node.args if isinstance(a, ast.Constant)}
    tops = {name.partition(".")[0] for name in loaded}
    tops -= {*sys.stdlib_module_names, "calibration", "drawdown", "__future__"}
    sold_as = packages_distributions()
    used = {re.sub(r"[-_.]+", "-", sold_as[top][0]).lower() for top in tops}
    # Starlette reads forms with it, and finds it by itself.
    assert used | {"python-multipart"} == declared


def test_long_and_wide_functions_say_why():
    """Over 60 lines or 10 parameters: a comment stands above or beside."""
    unexplained = []
    for module, nodes in NODES.items():
        lines = TEXTS[module].splitlines()
        for node in nodes:
            if not isinstance(node, ast.FunctionDef):
                continue
            wide = len(node.args.args) + len(node.args.kwonlyargs) > MOST_PARAMETERS
            long = (node.end_lineno or 0) - node.lineno + 1 > MOST_LINES
            first = min([node.lineno, *(d.lineno for d in node.decorator_list)])
            reason = lines[first - 2].lstrip().startswith("#") or "  # " in lines[node.lineno - 1]
            if (wide or long) and not reason:
                unexplained.append(f"{module}.{node.name}")
    assert unexplained == []


# Modules that only one other imports, and no command: each with the reason why it stands alone.
ALONE = {
    "calibration.colour.optimal_colours": "a published table beside its colour science",
    "calibration.correction.card_drift": "a stage of the correction with thresholds of its own",
    "calibration.correction.grid": "interpolation, which knows nothing of lamps",
    "calibration.correction.map_choice": "a stage of the correction: which map the patches bear",
    "calibration.correction.spoiled": "a stage of the correction with thresholds of its own",
    "calibration.locate.by_hand": "the other way to find a card: no marker is looked for",
    "calibration.photo.raw": "a file format",
    "drawdown.api": "the Python interface, behind names that are loaded when asked for",
    "drawdown.book.memory.earlier": "what versions before left, loaded only where it lies",
    "drawdown.book.repair.rebuild": "a book made anew, which checking one never does",
    "drawdown.book.share.validation": "what a stranger's file may hold, apart from what is done",
    "drawdown.matching.addition_search": "the search, which knows nothing of strips or advice",
    "drawdown.pipeline.several": "which photos count, before any two strips are compared",
    "drawdown.reading.wedge": "the one reading that chooses its place by another colour",
    "drawdown.reading.which_two": "its sizes speak of strips, not of what was asked",
    "drawdown.strips.choose": "which candidates are strips; finding them is another act",
}


def test_a_module_with_one_importer_has_a_reason():
    """Those of one command, page or report are a boundary; the rest say why."""
    boundary = ("drawdown.commands", "drawdown.page", "drawdown.report")
    alone = set()
    for name, path in MODULES.items():
        importers = [other for other, found in IMPORTS.items() if name in found]
        near = [name, *importers]
        if len(near) == 2 and path.name != "__init__.py" and not any(
            module.startswith(boundary) for module in near
        ):  # fmt: skip
            alone.add(name)
    assert alone <= set(ALONE)


def test_a_constant_has_one_value():
    """One name, one value: two modules that mean two things call them two names."""
    values: dict[str, set[object]] = {}
    for tree in TREES.values():
        for node in tree.body:
            if isinstance(node, ast.Assign) and isinstance(node.value, ast.Constant):
                for target in node.targets:
                    if isinstance(target, ast.Name) and isinstance(node.value.value, int | float):
                        values.setdefault(target.id, set()).add(node.value.value)
    assert {name for name, found in values.items() if len(found) > 1} == set()


def test_each_folder_says_what_lives_there():
    folders = {p.parent for p in MODULES.values()} | {ROOT / "fixtures"}
    for folder in folders - {ROOT / "drawdown"}:
        near = (folder / "README.md", folder.parent / "README.md")
        assert any(page.is_file() for page in near), folder


def test_the_guide_for_developers_is_short_and_names_nothing_that_is_gone():
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    assert len(text.encode()) < MOST_GUIDE_BYTES
    changes = text.split("## Ten changes")[1].split("\n## ")[0]
    rows = [row for row in changes.splitlines() if row.startswith("| ")][1:]
    assert len(rows) == 10
    for row in rows:
        (first,) = re.findall(r"`([^`]+)`", row.split("|")[2])
        assert (ROOT / first).is_file(), first
    rooms = text.split("## The rooms")[1].split("\n## ")[0]
    for folder in re.findall(r"^\| `([^`]+)/`", rooms, re.MULTILINE):
        assert (ROOT / folder).is_dir(), folder
    for link in re.findall(r"\]\(([^)#]+)\)", text):
        assert (ROOT / link).exists(), link
