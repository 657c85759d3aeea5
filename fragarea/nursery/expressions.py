"""Rules that a nursery writes itself: comparisons of measures, read without running any code."""

from __future__ import annotations

import ast
import math
import operator
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass

MAX_LETTERS = 300
_DEEPEST = 30

_COMPARISONS: dict[type[ast.cmpop], Callable[[float, float], bool]] = {
    ast.Lt: operator.lt,
    ast.LtE: operator.le,
    ast.Gt: operator.gt,
    ast.GtE: operator.ge,
    ast.Eq: operator.eq,
    ast.NotEq: operator.ne,
}
_ARITHMETIC: dict[type[ast.operator], Callable[[float, float], float]] = {
    ast.Add: operator.add,
    ast.Sub: operator.sub,
    ast.Mult: operator.mul,
    ast.Div: operator.truediv,
}
_FUNCTIONS: dict[str, Callable[..., float]] = {"min": min, "max": max, "abs": abs}
_JOINS = {ast.And: all, ast.Or: any}


class ExpressionFault(ValueError):
    """What is wrong with an expression, as an end of a sentence."""


@dataclass(frozen=True)
class Expression:
    """A rule of a nursery's own.

    Attributes
    ----------
    text : str
        As it was written.
    names : tuple of str
        The measures that it uses, in order of name.
    """

    text: str
    names: tuple[str, ...]

    def holds(self, measures: Mapping[str, float]) -> bool:
        """Whether it is true of these measures, which must hold all of its `names`."""
        return bool(_value(ast.parse(self.text, mode="eval").body, measures))


def parse_expression(text: str, known: Collection[str]) -> Expression:
    """Read an expression such as ``area_cm2 >= 3 and (bleached < 0.05 or age_days > 200)``.

    Parameters
    ----------
    text : str
    known : collection of str
        Names of measures that it may use.

    Returns
    -------
    Expression

    Raises
    ------
    ExpressionFault
        If it holds anything but comparisons, ``and``, ``or``, ``not``, ``+ - * /``, ``min``, ``max``, ``abs``,
        numbers and known names; or if it is not a comparison at all.

    Notes
    -----
    The text is parsed with :mod:`ast` and its tree is walked by a list of what may stand in it; nothing is compiled
    or run.
    """
    if len(text) > MAX_LETTERS:
        raise ExpressionFault(f"is longer than {MAX_LETTERS} letters")
    try:
        tree = ast.parse(text, mode="eval").body
    except (SyntaxError, ValueError, RecursionError, MemoryError) as error:
        raise ExpressionFault("cannot be read; write it like: area_cm2 >= 3 and bleached < 0.05") from error
    names: set[str] = set()
    if not _check(tree, known, names, 0):
        raise ExpressionFault("compares nothing; write it like: area_cm2 >= 3")
    return Expression(text, tuple(sorted(names)))


def _check(node: ast.expr, known: Collection[str], names: set[str], depth: int) -> bool:
    """Refuse what may not stand here; whether the node is true or false rather than a number."""
    if depth > _DEEPEST:
        raise ExpressionFault("has too many brackets within brackets")

    def truth(inner: ast.expr, wanted: bool) -> None:
        if _check(inner, known, names, depth + 1) is not wanted:
            what = "a comparison" if wanted else "a number"
            raise ExpressionFault(f"has {ast.unparse(inner)!r} where {what} belongs")

    match node:
        case ast.BoolOp(values=values):
            for value in values:
                truth(value, True)
            return True
        case ast.UnaryOp(op=ast.Not(), operand=operand):
            truth(operand, True)
            return True
        case ast.Compare(left=left, ops=ops, comparators=others) if all(type(op) in _COMPARISONS for op in ops):
            for value in (left, *others):
                truth(value, False)
            return True
        case ast.BinOp(left=left, op=op, right=right) if type(op) in _ARITHMETIC:
            truth(left, False)
            truth(right, False)
            return False
        case ast.UnaryOp(op=ast.USub() | ast.UAdd(), operand=operand):
            truth(operand, False)
            return False
        case ast.Call(func=ast.Name(id=name), args=args, keywords=[]) if name in _FUNCTIONS and args:
            if any(isinstance(one, ast.Starred) for one in args) or (name == "abs") is not (len(args) == 1):
                raise ExpressionFault(f"gives {name} another number of values than it takes")
            for value in args:
                truth(value, False)
            return False
        case ast.Constant(value=int() | float() as number) if not isinstance(number, bool) and math.isfinite(number):
            return False
        case ast.Name(id=name) if name in known:
            names.add(name)
            return False
        case ast.Name(id=name):
            raise ExpressionFault(f"names {name!r}, which is no measure. Measures: {', '.join(sorted(known))}")
        case _:
            raise ExpressionFault(f"holds {ast.unparse(node)[:40]!r}, which may not stand in a rule")


def _value(node: ast.expr, measures: Mapping[str, float]) -> float:
    """Value of a checked node; what is divided by zero is not a number, of which no comparison but != is true."""
    match node:
        case ast.BoolOp(op=op, values=values):
            return _JOINS[type(op)](_value(one, measures) for one in values)
        case ast.UnaryOp(op=op, operand=operand):
            value = _value(operand, measures)
            return not value if isinstance(op, ast.Not) else -value if isinstance(op, ast.USub) else value
        case ast.Compare(left=left, ops=ops, comparators=others):
            numbers = [_value(one, measures) for one in (left, *others)]
            pairs = zip(numbers, ops, numbers[1:], strict=False)
            return all(_COMPARISONS[type(op)](first, second) for first, op, second in pairs)
        case ast.BinOp(left=left, op=op, right=right):
            first, second = _value(left, measures), _value(right, measures)
            return math.nan if isinstance(op, ast.Div) and second == 0 else _ARITHMETIC[type(op)](first, second)
        case ast.Call(func=ast.Name(id=name), args=args):
            return _FUNCTIONS[name](*(_value(one, measures) for one in args))
        case ast.Constant(value=int() | float() as number):
            return number
        case ast.Name(id=name):
            return measures[name]
        case _:  # pragma: no cover - parse_expression refused it
            raise ExpressionFault("was not checked")
