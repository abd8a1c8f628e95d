"""Imports go one way: each floor of the house sees only those below it."""

import ast
import collections
import graphlib
from pathlib import Path

import pytest

HOME = Path(__file__).resolve().parents[2]
PACKAGES = ("schemas", "pipelines", "reports", "seed_data")

# From the ground up. Neighbours on a floor do not know each other.
FLOORS = (
    ("schemas", "pipelines.units", "pipelines.toml_texts"),
    ("pipelines.settings", "pipelines.workspace", "seed_data"),
    ("pipelines.intake", "pipelines.ledger", "pipelines.transfer", "reports"),
    ("pipelines.workbench", "pipelines.checks", "pipelines.adoption", "pipelines.alerts", "pipelines.database"),
    ("pipelines.spark",),
    ("pipelines.run",),
    ("pipelines.taking_in",),
    ("pipelines.steps", "pipelines.forgetting"),
    ("pipelines.results",),
    ("pipelines.defs",),
    ("pipelines.definitions",),
    ("pipelines.commands",),
    ("pipelines.cli",),
)
# Inside a floor: each room sees only those before it in its line.
ROOMS = (
    ("pipelines.intake.messages", "pipelines.intake.reading", "pipelines.intake.recognising"),
    ("pipelines.intake.messages", "pipelines.intake.reading", "pipelines.intake.bringing_together"),
    ("pipelines.transfer.solver", "pipelines.transfer.model", "pipelines.transfer.decisions"),
)
# Below defs only these may write, and intake, ledger, transfer and reports know no paths of the workspace.
LOWER = ("schemas", "pipelines/intake", "pipelines/ledger", "pipelines/transfer", "reports")
WRITERS = set("write_text write_bytes write_parquet write_csv sink_parquet sink_csv mkdir unlink touch".split())


def modules() -> dict[str, Path]:
    found = {}
    for package in PACKAGES:
        for path in (HOME / package).rglob("*.py"):
            parts = list(path.relative_to(HOME).with_suffix("").parts)
            found[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
    return found


MODULES = modules()


def floor_of(module: str) -> tuple[int, str] | None:
    """Number and name of the room a module is in; None for a bare package such as `pipelines`."""
    for number, rooms in enumerate(FLOORS):
        for room in rooms:
            if module == room or module.startswith(room + "."):
                return number, room
    return None


def imports(module: str) -> set[str]:
    """Every module of ours that `module` imports, at its top or inside a function; names as deep as they are modules."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(MODULES[module].read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{module}: relative imports hide the floor they lead to"
            found |= {
                f"{node.module}.{a.name}" if f"{node.module}.{a.name}" in MODULES else node.module for a in node.names
            }
    return {name for name in found if name.split(".")[0] in PACKAGES}


def test_every_module_has_a_floor():
    for module in MODULES:
        assert floor_of(module) or module in ("pipelines",), f"{module} stands on no floor; give it one in FLOORS"


@pytest.mark.parametrize("module", sorted(MODULES))
def test_a_module_imports_only_from_its_own_room_or_from_below(module):
    here = floor_of(module)
    for name in imports(module):
        there = floor_of(name)
        assert there, f"{module} imports {name}, which stands on no floor"
        assert here is None or there[1] == here[1] or there[0] < here[0], f"{module} must not import {name}"


@pytest.mark.parametrize("rooms", ROOMS, ids=lambda rooms: rooms[-1])
def test_rooms_of_one_floor_see_only_those_before_them(rooms: tuple[str, ...]) -> None:
    for number, room in enumerate(rooms):
        inside = [module for module in MODULES if module == room or module.startswith(room + ".")]
        assert inside, f"{room} is no more"
        for module in inside:
            above = [
                name for name in imports(module) for later in rooms[number + 1 :] if f"{name}.".startswith(f"{later}.")
            ]
            assert not above, f"{module} must not import {above}"


def test_imports_make_no_circle() -> None:
    graphlib.TopologicalSorter({module: imports(module) - {module} for module in MODULES}).prepare()


def test_every_module_name_stands_once() -> None:
    """In the program and its tests: a name alone says which module is meant."""
    tests = [path.stem for path in (HOME / "tests").rglob("*.py") if path.stem not in ("__init__", "conftest")]
    names = collections.Counter([*(module.split(".")[-1] for module in MODULES), *tests])
    assert [name for name, count in names.items() if count > 1] == []


@pytest.mark.parametrize("module", sorted(MODULES))
def test_a_module_says_what_belongs_in_it(module):
    assert ast.get_docstring(ast.parse(MODULES[module].read_text(encoding="utf-8"))), f"{module} has no docstring"


def test_the_command_line_and_the_floors_for_it_import_nothing_heavy_at_their_top():
    light = [module for module in MODULES if module.startswith("pipelines.workspace")]
    for module in ("pipelines.cli", "pipelines.commands", "pipelines.run", *light):
        tree = ast.parse(MODULES[module].read_text(encoding="utf-8"))
        for node in tree.body:
            names = [a.name for a in node.names] if isinstance(node, ast.Import) else []
            names += [node.module] if isinstance(node, ast.ImportFrom) and node.module else []
            for name in names:
                assert name.split(".")[0] not in "polars duckdb dagster pandera pydantic numpy scipy pyspark".split()


@pytest.mark.parametrize(
    "module", sorted(m for m, p in MODULES.items() if p.relative_to(HOME).as_posix().startswith(LOWER))
)
def test_only_the_workspace_writes(module):
    for node in ast.walk(ast.parse(MODULES[module].read_text(encoding="utf-8"))):
        if isinstance(node, ast.Attribute):
            assert node.attr not in WRITERS, f"{module} line {node.lineno}: {node.attr} belongs into workspace/"
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "open":
            mode = [a.value for a in node.args[1:2] if isinstance(a, ast.Constant)]
            assert not mode or "w" not in mode[0], f"{module} line {node.lineno}: writes belong into workspace/"


@pytest.mark.parametrize(
    "module", sorted(m for m in MODULES if floor_of(m) and floor_of(m)[1] in ("reports", "pipelines.transfer"))
)
def test_pages_and_model_see_no_paths_but_their_own(module):
    text = MODULES[module].read_text(encoding="utf-8")
    for reader in ("read_parquet", "read_csv", "scan_parquet", "scan_csv"):
        assert reader not in text, f"{module} reads a file; frames come in from outside"


@pytest.mark.parametrize(
    "module",
    sorted(m for m in MODULES if m.startswith(("pipelines.ledger", "pipelines.transfer", "reports.site.page_sums"))),
)
def test_groups_are_added_up_in_one_order(module: str) -> None:
    """polars adds the parts of a large group in the order in which its threads end, unless the order is kept; the last digit
    of a sum would change from run to run."""
    for node in ast.walk(ast.parse(MODULES[module].read_text(encoding="utf-8"))):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr == "group_by":
            assert "maintain_order" in {one.arg for one in node.keywords}, f"{module}, line {node.lineno}"
