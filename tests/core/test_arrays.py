"""Names of kinds of arrays and of results are said once."""

from __future__ import annotations

import ast
from collections import Counter
from pathlib import Path

import onsetstudy

PACKAGE = Path(onsetstudy.__file__).parent


def aliases(path: Path) -> set[str]:
    """Names of types that a module gives to arrays or to unions of classes."""
    found = set()
    for node in ast.parse(path.read_text(encoding="utf-8")).body:
        if isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name):
            told = ast.unparse(node.value)
            if told.startswith("NDArray[") or (isinstance(node.value, ast.BinOp) and "NotAvailable" in told):
                found.add(f"{node.targets[0].id} = {told}")
    return found


def test_a_kind_of_array_has_one_definition_and_one_name():
    said = {str(p.relative_to(PACKAGE)): aliases(p) for p in PACKAGE.rglob("*.py")}
    meanings = Counter(alias.split(" = ")[1] for found in said.values() for alias in found)
    assert {told: times for told, times in meanings.items() if times > 1} == {}
    kinds = ("FloatArray", "IntArray", "IndexArray", "AnyInt", "BoolArray", "StrArray")
    assert {alias.split(" = ")[0] for alias in said["core/arrays.py"]} == set(kinds)
    assert said["core/results.py"] == {"EstimateLike = Estimate | NotAvailable"}
