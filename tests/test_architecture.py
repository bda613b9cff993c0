"""The rooms of the house: who may import whom, no circles, and a top level of seven names."""

from __future__ import annotations

import ast
import inspect
import subprocess
import sys
from functools import cache
from graphlib import TopologicalSorter
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
PACKAGE = ROOT / "fitdiag"
MAY_IMPORT = {
    "__init__": set(),
    "__main__": {"cli"},
    "problems": set(),
    "files": {"problems"},
    "units": set(),
    "plausible": {"units", "problems"},
    "templates": {"units"},
    "knowledge": {"plausible", "__init__", "files", "units", "problems"},
    "diagnosis": {"knowledge", "files", "units", "problems"},
    "pattern": {"plausible", "knowledge", "files", "units", "problems"},
    "drape": {"pattern", "files", "units", "problems"},
    "planning": {"plausible", "knowledge", "diagnosis", "pattern", "drape", "files", "units", "problems"},
    "sessions": {"plausible", "__init__", "photos", "knowledge", "diagnosis", "planning", "files", "units", "problems"},
    "interview": {"plausible", "knowledge", "diagnosis", "planning", "sessions", "files", "units", "problems"},
    "photos": {"plausible", "templates", "knowledge", "files", "units", "problems"},
    "reports": {
        "plausible", "templates", "pattern", "drape", "knowledge", "diagnosis", "planning", "sessions", "files",
        "units", "problems",
    },
    "cli": {
        "__init__", "plausible", "photos", "knowledge", "diagnosis", "planning", "sessions", "interview", "reports",
        "pattern", "drape", "templates", "files", "units", "problems",
    },
}  # fmt: skip
ONLY_HOME = {
    "typer": "cli",
    "pydantic": "knowledge pattern photos planning reports sessions",
    "yaml": "knowledge",
    "numpy": "diagnosis drape planning pattern photos",
    "scipy": "drape pattern photos planning",
    "shapely": "drape pattern",
    "svgelements": "pattern",
    "PIL": "drape photos reports",
    "jinja2": "templates",
}


def room(path: Path) -> str:
    relative = path.relative_to(PACKAGE)
    return relative.stem if len(relative.parts) == 1 else relative.parts[0]


@cache
def tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


def imports(path: Path) -> set[str]:
    names: set[str] = set()
    for node in ast.walk(tree(path)):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            names |= {node.module, *(f"{node.module}.{alias.name}" for alias in node.names)}
    return names


FILES = sorted(PACKAGE.rglob("*.py"))


def out_of_place(path: Path) -> list[str]:
    """What a file imports from a room that its own may not see, or from a library that has its home elsewhere."""
    own, wrong = room(path), []
    for name in sorted(imports(path)):
        parts = name.split(".")
        if (
            parts[0] == "fitdiag"
            and len(parts) > 1
            and (PACKAGE / parts[1]).exists() | (PACKAGE / f"{parts[1]}.py").exists()
        ):
            allowed = parts[1] == own or parts[1] in MAY_IMPORT[own]
        elif name == "fitdiag":
            allowed = "__init__" in MAY_IMPORT[own] or own == "__main__"
        else:
            allowed = parts[0] not in ONLY_HOME or own in ONLY_HOME[parts[0]].split()
        if not allowed:
            wrong.append(f"{path.relative_to(PACKAGE)} may not import {name}")
    return wrong


def test_a_room_imports_only_what_the_table_allows() -> None:
    """Data flows one way: each file imports only from the rooms its own room may see."""
    assert [] == [wrong for path in FILES for wrong in out_of_place(path)]


def test_the_table_has_no_circles_and_no_dead_rooms() -> None:
    """The table itself is a one-way street, and every room in it exists."""
    list(TopologicalSorter(MAY_IMPORT).static_order())
    assert {room(path) for path in FILES} == set(MAY_IMPORT)


def test_modules_import_one_another_without_circles() -> None:
    """No two modules need each other, not even inside a room."""
    graph: dict[str, set[str]] = {}
    modules = {
        ".".join(("fitdiag", *path.relative_to(PACKAGE).with_suffix("").parts)).removesuffix(".__init__")
        for path in FILES
    }
    for path in FILES:
        name = ".".join(("fitdiag", *path.relative_to(PACKAGE).with_suffix("").parts)).removesuffix(".__init__")
        for node in tree(
            path
        ).body:  # what only a type checker imports stands under `if TYPE_CHECKING:`, not in the body
            if isinstance(node, ast.ImportFrom) and node.module:
                targets = {node.module, *(f"{node.module}.{alias.name}" for alias in node.names)} & modules
                graph.setdefault(name, set()).update(targets - {name, "fitdiag"})
    list(TopologicalSorter(graph).static_order())


def test_the_top_level_holds_seven_names() -> None:
    """Beside hidden files the top level is exactly what was agreed on."""
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False)
    if listed.returncode:
        pytest.skip("not a git checkout")
    names = {line.split("/")[0] for line in listed.stdout.splitlines() if not line.startswith(".")}
    assert names == {"README.md", "DEVELOPERS.md", "pyproject.toml", "fitdiag", "rules", "tests", "sample_sessions"}


@pytest.mark.parametrize(
    ("module", "heavy"),
    [
        ("fitdiag.cli.main", "numpy yaml rich pydantic"),
        ("fitdiag.cli.case", "numpy scipy shapely PIL jinja2"),
        ("fitdiag.cli.start", "numpy scipy shapely PIL jinja2"),
    ],
)
def test_starting_up_loads_nothing_heavy(module: str, heavy: str) -> None:
    """`fitdiag --help` imports neither numpy nor yaml nor rich; start screen and cases nothing that measures or draws."""
    code = f"import sys, {module}; print([name for name in {heavy.split()} if name in sys.modules])"
    shown = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert shown.strip() == "[]"


def test_a_command_and_its_work_take_the_same_names() -> None:
    """What is declared as options is what the work takes: nothing is dropped, nothing it needs is missing."""
    from fitdiag.cli.main import COMMANDS, _runner, work_of

    assert len(COMMANDS) > 40
    for command in COMMANDS:
        takes = inspect.signature(work_of(command)).parameters.values()
        names = {one.name for one in takes if one.kind is not one.VAR_KEYWORD}
        needed = {one.name for one in takes if one.default is one.empty and one.kind is not one.VAR_KEYWORD}
        given = set(inspect.signature(_runner(command)).parameters)
        assert needed <= given, command
        assert given <= names or any(one.kind is one.VAR_KEYWORD for one in takes), command


def test_a_file_says_what_it_is_for_and_reads_in_one_sitting() -> None:
    """Every module begins with a sentence about its job and stays under 650 lines."""
    assert [] == [path for path in FILES if not ast.get_docstring(tree(path))]
    assert [] == [path for path in FILES if path.read_text(encoding="utf-8").count("\n") >= 650]


CHANGES = {"write_text", "write_bytes", "mkdir", "makedirs", "unlink", "rmdir", "rmtree", "rename", "renames", "touch", "symlink_to",
           "hardlink_to", "chmod", "truncate", "ftruncate", "mkstemp", "mkdtemp", "NamedTemporaryFile", "TemporaryDirectory",
           "copyfile", "copytree", "fsync"}  # fmt: skip


def changed(path: Path) -> list[str]:
    """Where a file calls what changes the disk, or opens a file to write."""
    found = []
    for node in ast.walk(tree(path)):
        if not isinstance(node, ast.Call):
            continue
        if isinstance(node.func, ast.Attribute) and node.func.attr in CHANGES:
            changes = not (isinstance(node.func.value, ast.Name) and node.func.value.id == "disk")
        else:
            opens = getattr(node.func, "id", getattr(node.func, "attr", "")) == "open"
            words = [arg.value for arg in node.args if isinstance(arg, ast.Constant) and isinstance(arg.value, str)]
            changes = opens and any(set(word) & set("wax+") and len(word) <= 3 for word in words)
        if changes:
            found.append(f"{path.relative_to(PACKAGE)}:{node.lineno}")
    return found


def test_only_the_file_layer_changes_the_disk() -> None:
    """No other file calls what makes, renames, writes or removes one; `disk` itself may be asked."""
    assert changed(PACKAGE / "files.py"), "what changes the disk is found where it is"
    assert [] == [place for path in FILES if path != PACKAGE / "files.py" for place in changed(path)]
