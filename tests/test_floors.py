"""Holds the house to its floors: who may import whom, and which third-party packages a room may use."""

from __future__ import annotations

import ast
import graphlib
import re
import sys
import tomllib
from pathlib import Path
from typing import NamedTuple

import pytest

PACKAGE = Path(__file__).parent.parent / "onsetstudy"
PLAN = PACKAGE.parent / "DEVELOPERS.md"


class Room(NamedTuple):
    """A room: its floor, third-party packages that it may use, and its sub-rooms in the order in which they may see."""

    floor: int
    third_party: frozenset[str] = frozenset()
    sub_rooms: tuple[str, ...] = ()


ARRAYS = {"numpy", "pandas", "scipy"}
ROOMS = {
    "core": Room(0, frozenset({"numpy", "pandas"})),
    "inference": Room(1, frozenset(ARRAYS)),
    "protocol": Room(2, frozenset({"pydantic"}), ("guided",)),
    "survival": Room(
        2,
        frozenset({*ARRAYS, "statsmodels"}),
        ("curve", "ranktests", "hazards", "parametric", "testing", "erring", "sequential", "summaries"),
    ),
    "outcomes": Room(2, frozenset({*ARRAYS, "statsmodels"}), ("scores",)),
    "adjustment": Room(2, frozenset({*ARRAYS, "statsmodels"})),
    "doses": Room(2, frozenset(ARRAYS)),
    "watch": Room(2, frozenset({"numpy", "scipy"})),
    "pool": Room(2, frozenset({*ARRAYS, "statsmodels"})),
    "records": Room(3, frozenset({"numpy", "pandas", "pandera"}), ("checks", "derived", "validity", "chair")),
    "design": Room(3, frozenset({*ARRAYS, "statsmodels"}), ("sizes", "interim", "allocation", "trials")),
    "study": Room(4, frozenset(ARRAYS), ("sets", "planning", "answer", "topics", "practice", "counts", "group")),
    "report": Room(
        5,
        frozenset({"numpy", "pandas", "matplotlib", "seaborn", "jinja2", "typst"}),
        ("figures", "sections", "documents", "render"),
    ),
    "files": Room(
        5,
        frozenset({"numpy", "pandas", "openpyxl", "xlsxwriter", "cryptography"}),
        ("sealed", "sources", "ledger", "bulk", "documents"),
    ),
    "cli": Room(6, frozenset({"click", "rich"}), ("before", "during", "after")),
    "cluster": Room(6, frozenset({"dask", "distributed", "pyarrow"})),
    "chairside": Room(6, frozenset({"starlette", "uvicorn"})),
}
LEAVES = {"report/sections": ("appendix", "main", "group", "before")}
"""Sub-rooms of sub-rooms, in the order in which they may see."""
CROWD = 12
"""Modules in one folder; more want a room of their own."""
LONGEST = 400
"""Lines of a module; more hold two ideas."""
WIDEST = 140
"""Signs of a line of a script; of the other modules ruff says it."""
LONGEST_FUNCTION = 60
"""Lines of a function, its head with it and its docstring without; more hold two ideas as well."""
# The two showing rooms stand side by side: files writes what report has rendered.
# A door passes the other hands down.
SAME_FLOOR = {("files", "report"), ("cli", "cluster"), ("cli", "chairside")}
# The recorder knows what was tapped, never what came out of it.
CHAIRSIDE_NEVER_SEES = ("survival", "study", "report", "outcomes", "pool", "watch")
# Report draws results; of the rooms below it may see types and words only.
REPORT_SEES = ("core", "protocol.model", "protocol.vocabulary")
MODULES = sorted(PACKAGE.rglob("*.py"))
SCRIPTS = sorted(PACKAGE.rglob("*.js"))
NAMED = {".".join(p.relative_to(PACKAGE.parent).with_suffix("").parts) for p in MODULES}


def imports(path: Path):
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from ((alias.name, node.lineno) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}:{node.lineno} uses a relative import"
            yield node.module, node.lineno
            if node.module.partition(".")[0] == "onsetstudy":
                of = (f"{node.module}.{alias.name}" for alias in node.names)
                yield from ((name, node.lineno) for name in of if node.module == "onsetstudy" or name in NAMED)


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_a_room_imports_only_from_floors_below(path):
    parts = path.relative_to(PACKAGE).parts
    if len(parts) == 1:
        return  # the front door gathers names from every floor
    room = parts[0]
    faults = []
    for name, line in imports(path):
        top, *rest = name.split(".")
        if top == "onsetstudy":
            if not rest or rest[0] == room:
                continue
            other = rest[0]
            if other == "__version__":
                continue
            below = ROOMS[other].floor < ROOMS[room].floor or (room, other) in SAME_FLOOR
            if not below:
                faults.append(
                    f"line {line}: {room} (floor {ROOMS[room].floor}) imports {other} (floor {ROOMS[other].floor})"
                )
            if room == "chairside" and other in CHAIRSIDE_NEVER_SEES:
                faults.append(f"line {line}: chairside imports {name}")
            if room == "report" and not ".".join(rest).startswith(REPORT_SEES) and not rest[-1].endswith("results"):
                faults.append(f"line {line}: report imports {name}, which is not a results module")
        elif top not in sys.stdlib_module_names and top not in ROOMS[room].third_party:
            faults.append(f"line {line}: {room} may not use {top}")
    assert not faults, faults


def place(name: str) -> tuple[int, ...]:
    """Order of the sub-rooms that a dotted name lies in; what lies directly in a room comes before all of them."""
    room, *rest = name.split(".")[1:]
    found, above = [], room
    for part in rest:
        order = folders().get(above, ())
        if part not in order:
            return (*found, 0)
        found.append(order.index(part) + 1)
        above = f"{above}/{part}"
    return (*found, 0)


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_a_sub_room_sees_only_those_written_before_it(path):
    parts = path.relative_to(PACKAGE).with_suffix("").parts
    if len(parts) == 1:
        return
    own = ".".join(("onsetstudy", *parts))
    faults = [
        f"line {line}: {name}"
        for name, line in imports(path)
        if name.startswith(f"onsetstudy.{parts[0]}.") and place(name) > place(own)
    ]
    assert not faults, faults


def test_no_module_needs_itself():
    """No circle of modules, imports for types alone included."""
    needs = {
        ".".join(path.relative_to(PACKAGE.parent).with_suffix("").parts): {n for n, _ in imports(path)} & NAMED
        for path in MODULES
        if path.parent != PACKAGE
    }
    assert sum(len(found) for found in needs.values()) > 1000
    with pytest.raises(graphlib.CycleError):
        graphlib.TopologicalSorter({**needs, "onsetstudy.core.errors": {"onsetstudy.cli.main"}}).prepare()
    graphlib.TopologicalSorter(needs).prepare()


def needed_by(script: Path) -> set[str]:
    """Scripts that a script imports; every name that it takes of them has to be given away there."""
    text = script.read_text(encoding="utf-8")
    found = re.findall(r'^import (.+) from "/(.+)";$', text, re.MULTILINE)
    assert len(found) == len(re.findall("^import ", text, re.MULTILINE)), script.name
    for taken, name in found:
        other = (script.parent / name).read_text(encoding="utf-8")
        given = re.findall(r"^export (?:async )?(?:function|const) ([\w$]+)", other, re.MULTILINE)
        if taken.startswith("* as "):
            wanted = set(re.findall(rf"(?<![/\w]){taken.removeprefix('* as ')}\.(\w+)", text))
        else:
            wanted = {one.split(" as ")[0].strip() for one in taken.strip("{}").split(",")}
        assert wanted <= set(given), (script.name, name, wanted - set(given))
    return {name for _, name in found}


def test_no_script_needs_itself_and_each_is_reached():
    """Scripts of the page: no circle, every name that is imported is there, and none lies about unused."""
    needs = {path.name: needed_by(path) for path in SCRIPTS}
    graphlib.TopologicalSorter(needs).prepare()
    assert set(needs) - set().union(*needs.values()) == {"main.js", "sw.js"}


def folders() -> dict[str, tuple[str, ...]]:
    """Every room and sub-room as the table has them, with their sub-rooms in order."""
    found = {name: room.sub_rooms for name, room in ROOMS.items()}
    found |= {
        f"{name}/{sub}": LEAVES.get(f"{name}/{sub}", ()) for name, room in ROOMS.items() for sub in room.sub_rooms
    }
    return found | {f"{above}/{leaf}": () for above, leaves in LEAVES.items() for leaf in leaves}


def test_every_folder_stands_in_the_table_and_none_is_a_crowd():
    there = {p.parent.relative_to(PACKAGE).as_posix() for p in MODULES if p.parent != PACKAGE}
    assert there == set(folders())
    counts = {name: sum(p.parent == PACKAGE / name and p.name != "__init__.py" for p in MODULES) for name in folders()}
    assert {name: n for name, n in counts.items() if n > CROWD} == {}


def test_tests_stand_in_rooms_named_like_those_that_they_are_of():
    tests = Path(__file__).parent
    rooms = {p.parent.relative_to(tests).as_posix() for p in tests.rglob("test_*.py")} - {"."}
    assert rooms - set(folders()) == {"attacks", "mutation"}
    assert set(folders()) - rooms == set()


def test_every_module_can_be_read_in_one_sitting():
    texts = {p.relative_to(PACKAGE).as_posix(): p.read_text(encoding="utf-8") for p in (*MODULES, *SCRIPTS)}
    assert {name: n for name, text in texts.items() if (n := text.count("\n")) > LONGEST} == {}
    widths = {p.name: max(map(len, p.read_text(encoding="utf-8").splitlines())) for p in SCRIPTS}
    assert len(widths) > 10
    assert {name: n for name, n in widths.items() if n > WIDEST} == {}


def lines_of(function: ast.FunctionDef | ast.AsyncFunctionDef) -> int:
    first = function.body[0]
    said = 0 if ast.get_docstring(function, clean=False) is None else first.end_lineno - first.lineno + 1
    return function.end_lineno - function.lineno + 1 - said


def test_every_function_can_be_read_at_a_glance():
    assert lines_of(ast.parse('def f(\n    x,\n):\n    """A.\n\n    B.\n    """\n    return x').body[0]) == 4
    found = {
        f"{path.relative_to(PACKAGE).as_posix()}: {node.name}": lines_of(node)
        for path in MODULES
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
    }
    assert len(found) > 2000
    assert {name: n for name, n in found.items() if n > LONGEST_FUNCTION} == {}


def test_the_plan_of_the_house_is_the_house():
    """Floors, rooms, sub-rooms, their order and their first line, as DEVELOPERS.md prints them."""
    text = PLAN.read_text(encoding="utf-8")
    floors = {
        int(number): names.split()
        for number, names in re.findall(r"^ (\d) \S+ +(.+)$", text.split("```")[1], re.MULTILINE)
    }
    assert {name: n for n, names in floors.items() for name in names} == {n: r.floor for n, r in ROOMS.items()}
    lines = dict(re.findall(r"^\| `([a-z/]+)` \| (.+) \|$", text, re.MULTILINE))
    first = {
        name: ast.get_docstring(ast.parse((PACKAGE / name / "__init__.py").read_text(encoding="utf-8"))).split("\n")[0]
        for name in folders()
    }
    assert lines == first
    assert [name for name in lines if "/" not in name] == list(ROOMS)
    for name, subs in folders().items():
        assert tuple(n.rsplit("/", 1)[1] for n in lines if n.rsplit("/", 1)[0] == name and n != name) == subs


def said(name: str, *words: str) -> bool:
    """Whether the docstring of a room has one of the words."""
    return bool(set(words) & set(re.findall(r"\w+", (PACKAGE / name / "__init__.py").read_text(encoding="utf-8"))))


def test_every_room_says_what_it_takes_gives_and_must_not_know():
    silent = [
        name
        for name in folders()
        if not said(name, "Takes")
        or not said(name, "gives", "writes", "appends")
        or not said(name, "not", "no", "never")
    ]
    assert not silent


def test_every_package_used_is_declared():
    project = tomllib.loads((PACKAGE.parent / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    optional = project["optional-dependencies"]
    lines = [*project["dependencies"], *optional["cluster"], *optional["chairside"]]
    declared = {line.split(">")[0].split("=")[0].split("<")[0].strip() for line in lines}
    assert set().union(*(room.third_party for room in ROOMS.values())) <= declared


def test_no_name_that_pytest_would_collect():
    taken = [
        f"{path.name}: {node.name}"
        for path in MODULES
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.FunctionDef | ast.ClassDef) and node.name.startswith(("test_", "Test"))
    ]
    assert not taken, taken


def test_domain_floors_do_not_print_warn_or_read_the_clock():
    forbidden = {"print", "open", "input"}
    faults = []
    for path in MODULES:
        parts = path.relative_to(PACKAGE).parts
        if len(parts) == 1 or ROOMS[parts[0]].floor > 3:
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call):
                if isinstance(node.func, ast.Name) and node.func.id in forbidden:
                    faults.append(f"{path.name}:{node.lineno} calls {node.func.id}")
                if isinstance(node.func, ast.Attribute) and ast.unparse(node.func) in {
                    "warnings.warn",
                    "dt.date.today",
                    "datetime.now",
                    "dt.datetime.now",
                    "time.time",
                }:
                    faults.append(f"{path.name}:{node.lineno} calls {ast.unparse(node.func)}")
    assert not faults, faults
