"""Small changes of meaning in source text: comparisons, signs, tails, constants, direction words, return values."""

import ast
import re
from dataclasses import dataclass
from pathlib import Path

__all__ = ["Mutant", "Named", "mutants_of", "named_mutants"]

COMPARED = {
    ast.Lt: ("<", "<="), ast.LtE: ("<=", "<"), ast.Gt: (">", ">="), ast.GtE: (">=", ">"), ast.Eq: ("==", "!="),
    ast.NotEq: ("!=", "=="), ast.In: ("in", "not in"), ast.NotIn: ("not in", "in"), ast.Is: ("is", "is not"),
    ast.IsNot: ("is not", "is"),
}  # fmt: skip
COMPUTED = {
    ast.Add: ("+", "-"), ast.Sub: ("-", "+"), ast.Mult: ("*", "/"), ast.Div: ("/", "*"), ast.Pow: ("**", "*"),
    ast.BitAnd: ("&", "|"), ast.BitOr: ("|", "&"), ast.FloorDiv: ("//", "*"), ast.Mod: ("%", "*"),
}  # fmt: skip
PAIRS = (
    ("sooner", "later"), ("more", "fewer"), ("less", "more"), ("better", "worse"), ("higher", "lower"),
    ("saved", "lost"), ("above", "below"), ("faster", "slower"), ("longer", "shorter"),
)  # fmt: skip
OPPOSITE = {b: a for a, b in reversed(PAIRS)} | dict(reversed(PAIRS))
WORD = re.compile(rf"\b({'|'.join(OPPOSITE)})\b")
CALLED = (("sf", "cdf"), ("isf", "ppf"), ("min", "max"), ("minimum", "maximum"), ("any", "all"), ("low", "high"))
OTHER_NAME = {a: b for pair in CALLED for a, b in (pair, pair[::-1])}


@dataclass(frozen=True, slots=True, kw_only=True)
class Mutant:
    """One change of one file: bytes ``start`` to ``end`` of it become ``after``."""

    path: str
    line: int
    start: int
    end: int
    before: str
    after: str
    name: str = ""

    def of(self, text: bytes) -> bytes:
        """Text of the file, changed."""
        return text[: self.start] + self.after.encode() + text[self.end :]

    @property
    def told(self) -> str:
        """``file:line: before -> after`` on one line."""
        return f"{self.path}:{self.line}: {' '.join(self.before.split())} -> {' '.join(self.after.split())}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Named:
    """A change that must be killed; ``patterns`` are (file glob, regular expression, replacement), all are tried."""

    name: str
    patterns: tuple[tuple[str, str, str], ...]


def named_mutants(root: Path, named: Named) -> list[Mutant]:
    """Every place that a named change fits; empty where one of its patterns fits none."""
    found = []
    for glob, pattern, replacement in named.patterns:
        before = len(found)
        for file in sorted(root.glob(glob)):
            text = file.read_text(encoding="utf-8")
            for match in re.finditer(pattern, text):
                found.append(
                    Mutant(
                        path=file.relative_to(root).as_posix(),
                        line=text.count("\n", 0, match.start()) + 1,
                        start=len(text[: match.start()].encode()),
                        end=len(text[: match.end()].encode()),
                        before=match.group(),
                        after=match.expand(replacement),
                        name=named.name,
                    )
                )
        if len(found) == before:
            return []
    return found


def mutants_of(root: Path, path: str) -> list[Mutant]:
    """Every small change of one file that is still Python and another program, in the order of the file."""
    text = (root / path).read_bytes()
    walk = _Walk(text)
    tree = ast.parse(text)
    walk.visit(tree)
    same = ast.dump(tree)
    found = []
    for start, end, after in sorted(set(walk.changes)):
        line = text.count(b"\n", 0, start) + 1
        mutant = Mutant(path=path, line=line, start=start, end=end, before=text[start:end].decode(), after=after)
        try:
            changed = ast.dump(ast.parse(mutant.of(text)))
        except SyntaxError:
            continue
        if changed != same:
            found.append(mutant)
    return found


class _Walk(ast.NodeVisitor):
    """Changes as (start, end, new text), in bytes; annotations, decorators, imports and docstrings stay."""

    def __init__(self, text: bytes) -> None:
        self.text = text
        self.lines = [0]
        for line in text.splitlines(keepends=True):
            self.lines.append(self.lines[-1] + len(line))
        self.changes: list[tuple[int, int, str]] = []

    def _span(self, node: ast.expr | ast.stmt) -> tuple[int, int]:
        return (
            self.lines[node.lineno - 1] + node.col_offset,
            self.lines[(node.end_lineno or 0) - 1] + (node.end_col_offset or 0),
        )

    def _swap_between(self, left: ast.expr, right: ast.expr, before: str, after: str) -> None:
        start, end = self._span(left)[1], self._span(right)[0]
        at = self.text.find(before.encode(), start, end)
        if at >= 0:
            self.changes.append((at, at + len(before), after))

    def _wrap(self, node: ast.expr, after: str) -> None:
        start, end = self._span(node)
        self.changes.append((start, end, after.format(self.text[start:end].decode())))

    def visit_FunctionDef(self, node: ast.FunctionDef) -> None:
        for default in (*node.args.defaults, *(d for d in node.args.kw_defaults if d is not None)):
            self.visit(default)
        for statement in node.body:
            self.visit(statement)

    def visit_ClassDef(self, node: ast.ClassDef) -> None:
        for statement in node.body:
            self.visit(statement)

    def visit_AnnAssign(self, node: ast.AnnAssign) -> None:
        if node.value is not None:
            self.visit(node.value)

    def visit_Expr(self, node: ast.Expr) -> None:
        if not isinstance(node.value, ast.Constant):
            self.generic_visit(node)

    def visit_Compare(self, node: ast.Compare) -> None:
        for left, op, right in zip((node.left, *node.comparators), node.ops, node.comparators, strict=False):
            self._swap_between(left, right, *COMPARED[type(op)])
        self.generic_visit(node)

    def visit_BinOp(self, node: ast.BinOp) -> None:
        if type(node.op) in COMPUTED:
            self._swap_between(node.left, node.right, *COMPUTED[type(node.op)])
        self.generic_visit(node)

    def visit_BoolOp(self, node: ast.BoolOp) -> None:
        before, after = ("and", "or") if isinstance(node.op, ast.And) else ("or", "and")
        self._swap_between(node.values[0], node.values[1], before, after)
        self.generic_visit(node)

    def visit_UnaryOp(self, node: ast.UnaryOp) -> None:
        start, end = self._span(node)
        self.changes.append((start, end, self.text[self._span(node.operand)[0] : end].decode()))
        self.generic_visit(node)

    def visit_Constant(self, node: ast.Constant) -> None:
        start, end = self._span(node)
        if isinstance(node.value, bool):
            self.changes.append((start, end, str(not node.value)))
        elif isinstance(node.value, int | float):
            self.changes.append((start, end, repr(node.value + 1)))
        elif isinstance(node.value, str):
            self._words(start, end)

    def visit_JoinedStr(self, node: ast.JoinedStr) -> None:
        self._words(*self._span(node))
        # What stands in braces has no place of its own in all versions of Python, so it is left alone.

    def _words(self, start: int, end: int) -> None:
        text = self.text[start:end].decode()
        for found in WORD.finditer(text):
            at = start + len(text[: found.start()].encode())
            self.changes.append((at, at + len(found.group()), OPPOSITE[found.group()]))

    def visit_Attribute(self, node: ast.Attribute) -> None:
        if node.attr in OTHER_NAME:
            end = self._span(node)[1]
            self.changes.append((end - len(node.attr), end, OTHER_NAME[node.attr]))
        self.generic_visit(node)

    def visit_Call(self, node: ast.Call) -> None:
        if isinstance(node.func, ast.Name) and node.func.id in OTHER_NAME:
            self.changes.append((*self._span(node.func), OTHER_NAME[node.func.id]))
        self.generic_visit(node)

    def visit_If(self, node: ast.If) -> None:
        self._wrap(node.test, "not ({})")
        self.generic_visit(node)

    def visit_IfExp(self, node: ast.IfExp) -> None:
        self._wrap(node.test, "(not ({}))")
        self.generic_visit(node)

    def visit_Return(self, node: ast.Return) -> None:
        if node.value is not None:
            self._wrap(node.value, "None")
        self.generic_visit(node)
