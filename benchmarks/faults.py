"""Faults that :mod:`mutants` puts into a file, one at a time: other signs and constants, negated
conditions, dropped statements, swapped names, other return values. Messages, docstrings, type hints
and told progress are left as they are.
"""

from __future__ import annotations

import ast
import copy
from collections.abc import Iterator

SWAPPED_NAMES = dict(
    pair
    for one, other in (
        ("min", "max"), ("minimum", "maximum"), ("argmin", "argmax"), ("any", "all"),
        ("ceil", "floor"), ("cos", "sin"), ("zeros", "ones"),
    )
    for pair in ((one, other), (other, one))
)  # fmt: skip
SWAPPED_SIGNS: dict[type, tuple[type, ...]] = {
    ast.Lt: (ast.LtE, ast.GtE), ast.LtE: (ast.Lt, ast.Gt), ast.Gt: (ast.GtE, ast.LtE),
    ast.GtE: (ast.Gt, ast.Lt), ast.Eq: (ast.NotEq,), ast.NotEq: (ast.Eq,), ast.Is: (ast.IsNot,),
    ast.IsNot: (ast.Is,), ast.Add: (ast.Sub,), ast.Sub: (ast.Add,), ast.Mult: (ast.Div,),
    ast.Div: (ast.Mult,), ast.FloorDiv: (ast.Mult,), ast.Mod: (ast.FloorDiv,), ast.Pow: (ast.Mult,),
    ast.BitAnd: (ast.BitOr,), ast.BitOr: (ast.BitAnd,), ast.BitXor: (ast.Sub,), ast.And: (ast.Or,),
    ast.Or: (ast.And,),
}  # fmt: skip
DOUBLED, NEGATED = ("Floats", "float"), ("Bools", "bool")
SILENT = (ast.Raise, ast.Assert, ast.JoinedStr, ast.Import, ast.ImportFrom)
NOT_CODE = ("annotation", "returns", "decorator_list", "bases")


def faults_of(node: ast.AST, returns: str) -> Iterator[ast.AST]:
    """What may stand in place of a node; of a condition's statement, in place of its test."""
    match node:
        case ast.Compare(ops=[sign]) | ast.BinOp(op=sign) | ast.BoolOp(op=sign):
            for kind in SWAPPED_SIGNS.get(type(sign), ()):
                other = copy.deepcopy(node)
                if isinstance(other, ast.Compare):
                    other.ops = [kind()]
                else:
                    other.op = kind()
                yield other
        case ast.UnaryOp(op=ast.USub() | ast.Not() | ast.Invert(), operand=operand):
            yield operand
        case ast.Constant(value=bool(value)):
            yield ast.Constant(not value)
        case ast.Constant(value=int(value)):
            yield ast.Constant(value + 1)
        case ast.Constant(value=float(value)):
            yield ast.Constant(2.0 * value or 1.0)
        case ast.Attribute(attr=name) if name in SWAPPED_NAMES:
            yield ast.Attribute(node.value, SWAPPED_NAMES[name])
        case ast.Name(id="min" | "max" | "any" | "all" as name):
            yield ast.Name(SWAPPED_NAMES[name])
        case ast.If() | ast.While():
            yield ast.UnaryOp(ast.Not(), node.test)
        case ast.IfExp():
            yield ast.IfExp(ast.UnaryOp(ast.Not(), node.test), node.body, node.orelse)
        case ast.Return(value=ast.expr() as value) if returns in DOUBLED:
            yield ast.Return(ast.BinOp(ast.Constant(2.0), ast.Mult(), value))
        case ast.Return(value=ast.expr() as value) if returns in NEGATED:
            yield ast.Return(ast.UnaryOp(ast.Not() if returns == "bool" else ast.Invert(), value))
        case ast.AugAssign() | ast.Expr() | ast.Break() | ast.Continue():
            yield ast.Pass()
        case ast.Assign(targets=[ast.Subscript()]):
            yield ast.Pass()


def walked(node: ast.AST, returns: str = "") -> Iterator[tuple[ast.AST, str]]:
    """All nodes in which a fault may lie, with what their function returns."""
    if isinstance(node, SILENT):
        return
    if isinstance(node, ast.Expr):
        says = ast.unparse(node.value).split("(")[0] in ("progress", "notes.append")
        if says or isinstance(node.value, ast.Constant):
            return
    yield node, returns
    if isinstance(node, ast.FunctionDef):
        returns = ast.unparse(node.returns) if node.returns else ""
    for name, value in ast.iter_fields(node):
        for child in value if isinstance(value, list) else [value]:
            if isinstance(child, ast.AST) and name not in NOT_CODE:
                yield from walked(child, returns)


def mutants_of(source: str) -> list[tuple[int, str, str]]:
    """Line, what was changed into what, and the whole text of every mutant of a file."""
    text = source.encode()
    begins = [0]
    for line in text.splitlines(keepends=True):
        begins.append(begins[-1] + len(line))
    found = {}
    for node, returns in walked(ast.parse(source)):
        at = node.test if isinstance(node, ast.If | ast.While) else node
        for fault in faults_of(node, returns):
            a = begins[at.lineno - 1] + at.col_offset
            b = begins[at.end_lineno - 1] + at.end_col_offset
            new = ast.unparse(ast.fix_missing_locations(fault))
            if at is not node:
                new = f"(not ({ast.unparse(at)}))"
            elif isinstance(at, ast.expr) and not isinstance(at, ast.Attribute | ast.Name):
                new = f"({new})"
            said = f"{' '.join(text[a:b].decode().split())} -> {new}"
            found[a, b, new] = (node.lineno, said, (text[:a] + new.encode() + text[b:]).decode())
    return [found[key] for key in sorted(found)]
