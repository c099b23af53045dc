"""No line above the table of quantities turns an estimate: the few places that may are named, each with its reason."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "onsetstudy"
ROOMS = ("study", "report", "files", "cli", "pool")
TURNED = {"estimate", "low", "high", "statistic", "z"}
"""Attributes of results that have a direction."""


def directed(node: ast.AST) -> bool:
    return isinstance(node, ast.Attribute) and node.attr in TURNED


def nought_or_one(node: ast.AST) -> bool:
    return isinstance(node, ast.Constant) and node.value in (0, 1, 0.0, 1.0) and not isinstance(node.value, bool)


def offences(source: str) -> list[tuple[str, int]]:
    """Function and line of every ``-x.estimate``, ``0 - x.low``, ``1 / x.estimate``, ``-1 * x.z`` and the like."""
    found = []

    def visit(node: ast.AST, where: str) -> None:
        if isinstance(node, ast.FunctionDef):
            where = node.name
        if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub) and directed(node.operand):
            found.append((where, node.lineno))
        if isinstance(node, ast.BinOp):
            minus_one = isinstance(node.left, ast.UnaryOp) and isinstance(node.left.op, ast.USub)
            if isinstance(node.op, ast.Sub | ast.Div) and nought_or_one(node.left) and directed(node.right):
                found.append((where, node.lineno))
            if isinstance(node.op, ast.Mult) and minus_one and directed(node.right):
                found.append((where, node.lineno))
        for child in ast.iter_child_nodes(node):
            visit(child, where)

    visit(ast.parse(source), "")
    return found


def test_no_estimate_is_turned_by_hand():
    told = []
    for room in ROOMS:
        for path in sorted((PACKAGE / room).rglob("*.py")):
            name = path.relative_to(PACKAGE).as_posix()
            for function, line in offences(path.read_text(encoding="utf-8")):
                told.append(f"{name}:{line} in {function}")
    assert told == []


@pytest.mark.parametrize(
    "planted",
    ["x = -e.estimate", "x = 0.0 - e.interval.low", "x = 1 - e.estimate", "x = 1 / e.estimate", "x = -1 * v.z"],
)
def test_a_planted_turn_is_found(planted):
    assert offences(f"def f(e, v):\n    {planted}\n") == [("f", 2)]


def test_what_is_no_turn_is_let_through():
    assert offences("def f(e):\n    return e.estimate - e.low, 1 - e.level, -e.size\n") == []
