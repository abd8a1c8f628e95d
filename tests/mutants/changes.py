"""One small change to a program's text: what a slip of the pen would make of it.

`of_sql` walks sqlglot's tree of a statement, `of_python` the tree of a module; both name every change that they can make, and
make one when asked. Kinds: an operator for its opposite, a boundary in or out, a condition or a join key dropped, a coalesce
without its fallback, least for greatest, sum for max, low for high, a constant or a factor of a unit a little off, a key of a
window dropped, a CASE without its first branch.

Why not a kept library: mutmut and cosmic-ray change Python alone and run the whole test command for each change. Half of what
must be changed here is SQL, one report has to speak of both, and most changes die on tables that stand in memory (oracles.py).
"""

from __future__ import annotations

import ast
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import sqlglot
from sqlglot import exp

SWAPS: dict[type[exp.Expression], type[exp.Expression]] = {
    exp.Add: exp.Sub, exp.Sub: exp.Add, exp.Mul: exp.Div, exp.Div: exp.Mul,
    exp.GT: exp.GTE, exp.GTE: exp.GT, exp.LT: exp.LTE, exp.LTE: exp.LT, exp.Or: exp.And,
}  # fmt: skip
CALLS: dict[type[exp.Expression], type[exp.Expression]] = {
    exp.Greatest: exp.Least, exp.Least: exp.Greatest, exp.Max: exp.Min, exp.Min: exp.Max, exp.Sum: exp.Max, exp.Avg: exp.Max,
}  # fmt: skip


@dataclass(frozen=True)
class Change:
    """A change that can be made: `text()` is the whole changed program."""

    kind: str
    line: int
    before: str
    after: str
    text: Callable[[], str]


def short(text: str, most: int = 90) -> str:
    one = " ".join(text.split())
    return one if len(one) <= most else one[: most - 3] + "..."


def other_end(name: str) -> str | None:
    """The other end of an interval: te_low for te_high."""
    for one, other in (("_low", "_high"), ("_high", "_low")):
        if name.endswith(one):
            return name.removesuffix(one) + other
    return None


def of_number(text: str) -> str:
    """A number a little off."""
    value = float(text)
    if "." in text or "e" in text.lower():
        return repr(value * 1.1) if value else "0.1"
    return str(int(value) + 1)


def _counts(value: float) -> bool:
    """Neither a tolerance of rounding nor a number that stands for no end."""
    return value == 0 or 1e-6 <= abs(value) <= 1e12


# --- SQL ------------------------------------------------------------------------------------------------------------------


def of_sql(text: str) -> list[Change]:
    """Every change of a statement, in the order of its tree."""
    tree = sqlglot.parse_one(text, dialect="duckdb")
    found = []
    for at, node in enumerate(tree.walk()):
        for kind, new in _sql(node):
            before, after = (short(one.sql(dialect="duckdb")) for one in (node, new))
            if before != after:
                shown = _inside(node, new) if isinstance(node, exp.Literal) else (before, after)
                found.append(Change(kind, _line(text, before), *shown, _made(tree, at, new)))
    return found


def _inside(node: exp.Expression, new: exp.Expression) -> tuple[str, str]:
    """A number and its change within what it stands in: alone it says nothing."""
    around = node
    while around.parent and not isinstance(around.parent, (exp.Query, exp.Join)) and len(around.sql()) < 25:
        around = around.parent
    changed = around.copy()
    at = next(place for place, one in enumerate(around.walk()) if one is node)
    list(changed.walk())[at].replace(new.copy())
    return short(around.sql(dialect="duckdb")), short(changed.sql(dialect="duckdb"))


def _made(tree: exp.Expression, at: int, new: exp.Expression) -> Callable[[], str]:
    def make() -> str:
        changed = tree.copy()
        for place, node in enumerate(changed.walk()):
            if place == at:
                node.replace(new.copy())
                break
        return changed.sql(dialect="duckdb", pretty=True) + "\n"

    return make


def _line(text: str, part: str) -> int:
    """Where it stands, as near as the text tells."""
    place = text.find(part.removesuffix("..."))
    return text.count("\n", 0, place) + 1 if place >= 0 else 0


def _sql(node: exp.Expression) -> Iterator[tuple[str, exp.Expression]]:
    kind = type(node)
    if kind in SWAPS:
        yield "operator", SWAPS[kind](this=node.this.copy(), expression=node.expression.copy())
    if kind in CALLS:
        arguments = {k: v.copy() if isinstance(v, exp.Expression) else v for k, v in node.args.items()}
        if kind in (exp.Greatest, exp.Least):
            arguments["expressions"] = [one.copy() for one in node.expressions]
        else:
            arguments.pop("expressions", None)
        yield "function", CALLS[kind](**arguments)
    if isinstance(node, exp.And):
        in_join = isinstance(node.parent, (exp.Join, exp.And)) and node.find_ancestor(exp.Join) is not None
        yield "join key" if in_join else "condition", node.this.copy()
        yield "join key" if in_join else "condition", node.expression.copy()
    if isinstance(node, exp.EQ) and isinstance(node.expression, (exp.Literal, exp.Boolean)):
        yield "comparison", exp.NEQ(this=node.this.copy(), expression=node.expression.copy())
    if isinstance(node, exp.Coalesce):
        yield "coalesce", node.this.copy()
    if isinstance(node, exp.Is) and isinstance(node.expression, exp.Null) and not isinstance(node.parent, exp.Not):
        yield "null", exp.Not(this=node.copy())
    if isinstance(node, exp.Literal) and not node.is_string and _counts(float(node.this)):
        yield "constant", exp.Literal.number(of_number(node.this))
    if isinstance(node, exp.Column) and other_end(node.name) and not isinstance(node.parent, exp.Alias):
        yield "end", exp.column(str(other_end(node.name)), table=node.table or None)
    if isinstance(node, exp.Alias) and isinstance(node.this, exp.Column) and other_end(node.this.name):
        swapped = exp.column(str(other_end(node.this.name)), table=node.this.table or None)
        yield "end", exp.alias_(swapped, node.alias)
    if isinstance(node, exp.Window) and len(node.args.get("partition_by") or []) > 1:
        fewer = node.copy()
        fewer.set("partition_by", fewer.args["partition_by"][:-1])
        yield "window key", fewer
    if isinstance(node, exp.Case) and len(node.args["ifs"]) > 1:
        less = node.copy()
        less.set("ifs", less.args["ifs"][1:])
        yield "branch", less


# --- Python ---------------------------------------------------------------------------------------------------------------

OPERATORS: dict[type[ast.AST], type[ast.AST]] = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult,
    ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Eq: ast.NotEq, ast.And: ast.Or, ast.Or: ast.And,
}  # fmt: skip
NAMES = {"min": "max", "max": "min", "sum": "max", "mean": "max", "min_horizontal": "max_horizontal",
         "max_horizontal": "min_horizontal", "maximum": "minimum", "minimum": "maximum"}  # fmt: skip


def of_python(text: str, only: tuple[str, ...] = ()) -> list[Change]:
    """Every change of a module, or of these functions of it."""
    tree = ast.parse(text)
    skipped: set[int] = set()
    for node in ast.walk(tree):
        if isinstance(node, (ast.Module, ast.FunctionDef, ast.ClassDef)) and ast.get_docstring(node):
            skipped.add(id(node.body[0].value))  # type: ignore[attr-defined]
        for child in ast.walk(getattr(node, "annotation", None) or ast.Pass()):
            skipped.add(id(child))
        for child in ast.walk(getattr(node, "returns", None) or ast.Pass()):
            skipped.add(id(child))
        if isinstance(node, ast.Raise):
            skipped |= {id(child) for child in ast.walk(node)}
    roots = [n for n in ast.walk(tree) if isinstance(n, ast.FunctionDef) and n.name in only] if only else [tree]
    found = []
    for node in [n for root in roots for n in ast.walk(root)]:
        if id(node) in skipped or not hasattr(node, "lineno"):
            continue
        for kind, new in _python(node):
            before = ast.get_source_segment(text, node) or ""
            after = ast.unparse(new)
            found.append(Change(kind, node.lineno, short(before), short(after), _spliced(text, node, after)))
    return found


def _spliced(text: str, node: ast.AST, after: str) -> Callable[[], str]:
    lines = text.encode().splitlines(keepends=True)
    begin = sum(map(len, lines[: node.lineno - 1])) + node.col_offset  # type: ignore[attr-defined]
    end = sum(map(len, lines[: node.end_lineno - 1])) + node.end_col_offset  # type: ignore[attr-defined]
    return lambda: (text.encode()[:begin] + f"({after})".encode() + text.encode()[end:]).decode()


def _python(node: ast.AST) -> Iterator[tuple[str, ast.expr]]:
    if isinstance(node, ast.BinOp) and type(node.op) in OPERATORS:
        if not (isinstance(node.op, ast.Add) and isinstance(node.right, (ast.List, ast.JoinedStr))):
            yield "operator", ast.BinOp(node.left, OPERATORS[type(node.op)](), node.right)  # type: ignore[arg-type]
    if isinstance(node, ast.Compare) and len(node.ops) == 1 and type(node.ops[0]) in OPERATORS:
        yield "comparison", ast.Compare(node.left, [OPERATORS[type(node.ops[0])]()], node.comparators)  # type: ignore[list-item]
    if isinstance(node, ast.BoolOp):
        yield "operator", ast.BoolOp(OPERATORS[type(node.op)](), node.values)  # type: ignore[arg-type]
    if isinstance(node, ast.Constant) and type(node.value) in (int, float) and _counts(node.value):
        yield "constant", ast.parse(of_number(repr(node.value)), mode="eval").body
    if isinstance(node, ast.Constant) and isinstance(node.value, str) and other_end(node.value):
        yield "end", ast.Constant(other_end(node.value))
    if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
        if node.func.attr in NAMES:
            yield "function", ast.Call(ast.Attribute(node.func.value, NAMES[node.func.attr]), node.args, node.keywords)
        if node.func.attr in ("fill_null", "fill_nan", "clip", "abs"):
            yield "coalesce", node.func.value
    if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in NAMES:
        yield "function", ast.Call(ast.Name(NAMES[node.func.id]), node.args, node.keywords)
    if isinstance(node, ast.IfExp):
        yield "branch", node.body
