"""Small wrongs that a person might write: where they fit into a source, and what the source is with one of them.

A mutant replaces one expression or statement in the text and leaves every other character as it was. Words, docstrings,
annotations and decorators are left alone: what a sentence says is not what these wrongs are about.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from typing import NamedTuple

SWAPPED: dict[type[ast.AST], tuple[type[ast.AST], ...]] = {
    ast.Lt: (ast.LtE, ast.GtE),
    ast.LtE: (ast.Lt, ast.Gt),
    ast.Gt: (ast.GtE, ast.LtE),
    ast.GtE: (ast.Gt, ast.Lt),
    ast.Eq: (ast.NotEq,),
    ast.NotEq: (ast.Eq,),
    ast.Is: (ast.IsNot,),
    ast.IsNot: (ast.Is,),
    ast.In: (ast.NotIn,),
    ast.NotIn: (ast.In,),
    ast.Add: (ast.Sub,),
    ast.Sub: (ast.Add,),
    ast.Mult: (ast.Div,),
    ast.Div: (ast.Mult,),
    ast.FloorDiv: (ast.Mult,),
    ast.Pow: (ast.Mult,),
    ast.Mod: (ast.Mult,),
    ast.BitAnd: (ast.BitOr,),
    ast.BitOr: (ast.BitAnd,),
    ast.And: (ast.Or,),
    ast.Or: (ast.And,),
}


class Mutant(NamedTuple):
    kind: str
    line: int
    start: int
    """Where in the source, in bytes of UTF-8, the replaced text begins."""
    before: str
    after: str
    inside: tuple[str, ...]
    """The classes and functions around it, outermost first."""

    def applied(self, source: str) -> str:
        text, old = source.encode(), self.before.encode()
        assert text[self.start : self.start + len(old)] == old
        return (text[: self.start] + self.after.encode() + text[self.start + len(old) :]).decode()


def mutants(source: str) -> list[Mutant]:
    """All that fit, in the order of the source."""
    text, starts = source.encode(), [0]
    for line in text.splitlines(keepends=True):
        starts.append(starts[-1] + len(line))
    found = []
    tree = ast.parse(source)
    asked = {id(node.test) for node in ast.walk(tree) if isinstance(node, ast.If | ast.While)}
    for node, inside in _nodes(tree, ()):
        wrongs = list(_wrongs(node))
        at = starts[node.lineno - 1] + node.col_offset
        before = text[at : starts[(node.end_lineno or 0) - 1] + (node.end_col_offset or 0)].decode()
        if id(node) in asked and before != "TYPE_CHECKING":
            wrongs.append(("condition", f"(not ({before}))"))
        found += [Mutant(kind, node.lineno, at, before, after, inside) for kind, after in wrongs]
    return found


def _nodes(tree: ast.AST, inside: tuple[str, ...]) -> Iterator[tuple[ast.expr | ast.stmt, tuple[str, ...]]]:
    for name, value in ast.iter_fields(tree):
        if name in ("annotation", "returns", "decorator_list", "bases", "type_params"):
            continue
        for child in value if isinstance(value, list) else [value]:
            if not isinstance(child, ast.AST) or isinstance(child, ast.JoinedStr | ast.Raise | ast.Assert):
                continue
            around = inside
            if isinstance(child, ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef):
                around = (*inside, child.name)
            elif isinstance(child, ast.expr | ast.stmt):
                yield child, inside
            yield from _nodes(child, around)


def _wrongs(node: ast.expr | ast.stmt) -> Iterator[tuple[str, str]]:
    """Each kind of wrong that fits this node, with the text that replaces it."""
    match node:
        case ast.Compare(left=left, ops=[op, *more], comparators=right):
            for other in SWAPPED[type(op)]:
                yield "comparison", _text(ast.Compare(left, [other(), *more], right))  # type: ignore[list-item]
        case ast.BinOp(left=one, op=op, right=two) if not _words(one, two):
            for other in SWAPPED.get(type(op), ()):
                yield "arithmetic", _text(ast.BinOp(one, other(), two))  # type: ignore[arg-type]
        case ast.BoolOp(op=op, values=values):
            yield "and/or", _text(ast.BoolOp(SWAPPED[type(op)][0](), values))  # type: ignore[arg-type]
        case ast.UnaryOp(op=ast.USub() | ast.Not() | ast.Invert(), operand=operand):
            yield "sign" if isinstance(node.op, ast.USub) else "negation", _text(operand)
        case ast.Constant(value=bool() as value):
            yield "truth", str(not value)
        case ast.Constant(value=int() | float() as value):
            yield "number", repr(value + 1)
            yield "number", f"({value - 1!r})"
        case ast.IfExp(test=test, body=body, orelse=otherwise):
            yield "condition", _text(ast.IfExp(ast.UnaryOp(ast.Not(), test), body, otherwise))
        case ast.Return(value=ast.expr() as value) if not (isinstance(value, ast.Constant) and value.value is None):
            yield "return", "return None"
        case ast.Expr(value=ast.Call() | ast.Yield() | ast.YieldFrom()):
            yield "dropped", "pass"
        case ast.AugAssign(target=target, op=op, value=value):
            for other in SWAPPED.get(type(op), ()):
                yield "arithmetic", ast.unparse(ast.AugAssign(target, other(), value))  # type: ignore[arg-type]
        case ast.Continue() | ast.Break():
            yield "dropped", "pass"
        case _:
            pass


def _text(node: ast.expr) -> str:
    return f"({ast.unparse(node)})"


def _words(*sides: ast.expr) -> bool:
    """Whether words are put together here, which no other operator could do."""
    return any(isinstance(one, ast.JoinedStr) or isinstance(getattr(one, "value", None), str) for one in sides)
