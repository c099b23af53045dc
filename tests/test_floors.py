"""Holds the house to its floors: who may import whom, and which third-party packages a room may use."""

from __future__ import annotations

import ast
import sys
import tomllib
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "onsetstudy"

FLOOR = {
    "core": 0,
    "inference": 1,
    "protocol": 2,
    "adjustment": 2,
    "survival": 2,
    "outcomes": 2,
    "doses": 2,
    "watch": 2,
    "pool": 2,
    "records": 3,
    "design": 3,
    "study": 4,
    "report": 5,
    "files": 5,
    "cli": 6,
    "cluster": 6,
    "chairside": 6,
}
THIRD_PARTY = {
    "core": {"numpy", "pandas"},
    "inference": {"numpy", "scipy"},
    "protocol": {"pydantic"},
    "survival": {"numpy", "pandas", "scipy", "lifelines", "statsmodels"},
    "outcomes": {"numpy", "pandas", "scipy", "statsmodels"},
    "adjustment": {"numpy", "pandas", "scipy", "statsmodels"},
    "doses": {"numpy", "pandas", "scipy"},
    "watch": {"numpy", "scipy"},
    "pool": {"numpy", "pandas", "scipy", "statsmodels"},
    "records": {"numpy", "pandas", "pandera"},
    "design": {"numpy", "pandas", "scipy", "statsmodels"},
    "study": {"numpy", "pandas", "scipy"},
    "report": {"numpy", "pandas", "matplotlib", "seaborn", "jinja2", "typst"},
    "files": {"numpy", "pandas", "openpyxl", "xlsxwriter", "cryptography"},
    "cli": {"click", "rich"},
    "cluster": {"dask", "distributed", "pyarrow"},
    "chairside": {"starlette", "uvicorn"},
}
# The two showing rooms stand side by side: files writes what report has rendered.
# A door passes the other hands down.
SAME_FLOOR = {("files", "report"), ("cli", "cluster"), ("cli", "chairside")}
# The recorder knows what was tapped, never what came out of it.
CHAIRSIDE_NEVER_SEES = ("survival", "study", "report", "outcomes", "pool", "watch")
# Report draws results; of the rooms below it may see types only.
REPORT_SEES = ("core", "protocol.model")
MODULES = sorted(PACKAGE.rglob("*.py"))


def imports(path: Path):
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from ((alias.name, node.lineno) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}:{node.lineno} uses a relative import"
            yield node.module, node.lineno
            if node.module == "onsetstudy":
                yield from ((f"onsetstudy.{alias.name}", node.lineno) for alias in node.names)


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
            below = FLOOR[other] < FLOOR[room] or (room, other) in SAME_FLOOR
            if not below:
                faults.append(f"line {line}: {room} (floor {FLOOR[room]}) imports {other} (floor {FLOOR[other]})")
            if room == "chairside" and other in CHAIRSIDE_NEVER_SEES:
                faults.append(f"line {line}: chairside imports {name}")
            if room == "report" and not ".".join(rest).startswith(REPORT_SEES) and not rest[-1].endswith("results"):
                faults.append(f"line {line}: report imports {name}, which is not a results module")
        elif top not in sys.stdlib_module_names and top not in THIRD_PARTY[room]:
            faults.append(f"line {line}: {room} may not use {top}")
    assert not faults, faults


def test_every_room_stands_in_the_plan():
    rooms = {p.name for p in PACKAGE.iterdir() if p.is_dir() and p.name != "__pycache__"}
    assert rooms == set(FLOOR)


def test_every_package_used_is_declared():
    project = tomllib.loads((PACKAGE.parent / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    optional = project["optional-dependencies"]
    lines = [*project["dependencies"], *optional["cluster"], *optional["chairside"]]
    declared = {line.split(">")[0].split("=")[0].split("<")[0].strip() for line in lines}
    assert set().union(*THIRD_PARTY.values()) <= declared


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
        if len(parts) == 1 or FLOOR[parts[0]] > 3:
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
