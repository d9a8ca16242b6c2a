"""A small safe arithmetic for limits that follow from earlier readings.

Numbers, the names a step declares, ``+ - * / **``, brackets and a listed few functions:
nothing else is read, and length, depth, powers and results are bounded.
"""

from __future__ import annotations

import ast
import warnings
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from decimal import Context, Decimal, DecimalException
from functools import lru_cache
from math import cos, inf, isfinite, sin
from typing import Any

from faulttree.errors import ReadingError
from faulttree.reading.quantity import EXACT

__all__ = ["FUNCTIONS", "Formula", "read_formula"]

MAX_LENGTH = 200
MAX_NODES = 80
MAX_POWER = 6
MAX_SIZE = Decimal("1E30")

FUNCTIONS: dict[str, Callable[..., Decimal]] = {
    "sqrt": lambda x: x.sqrt(EXACT),
    "abs": lambda x: x.copy_abs(),
    "min": min,
    "max": max,
    "ln": lambda x: x.ln(EXACT),
    "log10": lambda x: x.log10(EXACT),
    "exp": lambda x: _bounded_exp(x),
    # Of an angle in radians, to the 16 digits of a binary float.
    "sin": lambda x: Decimal(repr(sin(float(x)))),
    "cos": lambda x: Decimal(repr(cos(float(x)))),
}
"""What a formula may call."""

# The result has fewer digits than the work, so that u / 3 * 3 is u again.
_ROUNDED = Context(prec=40, Emin=-9999, Emax=9999)

TAKES_MANY = frozenset({"min", "max"})


def _bounded_exp(x: Decimal) -> Decimal:
    if x > 69:
        raise OverflowError
    return x.exp(EXACT)


_OPERATORS: dict[type[ast.operator], Callable[[Decimal, Decimal], Decimal]] = {
    ast.Add: EXACT.add,
    ast.Sub: EXACT.subtract,
    ast.Mult: EXACT.multiply,
    ast.Div: EXACT.divide,
    ast.Pow: EXACT.power,
}


@dataclass(frozen=True)
class Formula:
    """A formula that has been read: its text, the names it takes, and how to work it out."""

    text: str
    names: tuple[str, ...]
    tree: ast.expr

    def value(self, values: Mapping[str, Decimal]) -> Decimal:
        """The result, exact as far as the operations are.

        Args:
            values: one for each of :attr:`names`, in base units.

        Raises:
            ReadingError: it cannot be worked out with these values.
        """
        try:
            result = _ROUNDED.plus(_work_out(self.tree, values))
        except (DecimalException, ArithmeticError):
            raise ReadingError(
                f"the formula '{self.text}' cannot be worked out with these readings",
                remedy="Look for a division by zero or the root of a negative number.",
            ) from None
        if not result.is_finite() or abs(result) > MAX_SIZE:
            raise ReadingError(
                f"the formula '{self.text}' gives a figure beyond any meter",
                remedy="Check the formula and the readings it takes.",
            )
        return result

    def uncertainty(self, values: Mapping[str, tuple[Decimal, float]]) -> float:
        """Standard uncertainty of the result, to first order (GUM 5.1.2).

        Args:
            values: (value, standard uncertainty) for each of :attr:`names`, independent
                of each other.

        Raises:
            ReadingError: it has no finite one at these values.
        """
        from uncertainties import ufloat

        return self.spread(
            {name: ufloat(float(v), u) if u else float(v) for name, (v, u) in values.items()}
        )

    def spread(self, known: Mapping[str, Any]) -> float:
        """The same from uncertain numbers, which may be correlated.

        Args:
            known: one for each of :attr:`names`, as the library ``uncertainties`` makes them.

        Raises:
            ReadingError: it has no finite one at these values.
        """
        try:
            found = float(getattr(_propagate(self.tree, known), "std_dev", 0.0))
        except (ArithmeticError, ValueError):
            found = inf
        if not isfinite(found):
            raise ReadingError(
                f"the uncertainty of '{self.text}' has no bound at these readings",
                remedy="Measure again, away from zero.",
            )
        return found


@lru_cache(maxsize=512)
def read_formula(text: str) -> Formula:
    """Read a formula.

    Raises:
        ReadingError: it is too long, or holds anything but the arithmetic described above.
    """
    if len(text) > MAX_LENGTH:
        raise ReadingError(
            "the formula is too long", remedy=f"Keep it under {MAX_LENGTH} characters."
        )
    try:
        with warnings.catch_warnings():
            # Python warns of spellings such as 1if on standard error; they are refused below.
            warnings.simplefilter("ignore")
            tree = ast.parse(text.strip(), mode="eval").body
    except (SyntaxError, ValueError, MemoryError, RecursionError):
        raise _refused(text, "is no arithmetic") from None
    nodes = list(ast.walk(tree))
    if len(nodes) > MAX_NODES:
        raise _refused(text, "is too long to be followed")
    called = {id(node.func) for node in nodes if isinstance(node, ast.Call)}
    names: dict[str, None] = {}
    for node in nodes:
        _check(node, text)
        if isinstance(node, ast.Name) and id(node) not in called:
            names[node.id] = None
    return Formula(text, tuple(names), tree)


def _refused(text: str, why: str) -> ReadingError:
    listed = ", ".join(FUNCTIONS)
    return ReadingError(
        f"the formula '{text[:60]}' {why}",
        remedy=f"It takes numbers, declared names, + - * / **, brackets and {listed}.",
    )


def _check(node: ast.AST, text: str) -> None:
    if isinstance(node, ast.Constant):
        if isinstance(node.value, bool) or not isinstance(node.value, int | float):
            raise _refused(text, f"holds {node.value!r}, which is no number")
        if not abs(Decimal(repr(node.value))) <= MAX_SIZE:
            raise _refused(text, "holds a number beyond any meter")
    elif isinstance(node, ast.Call):
        _check_call(node, text)
    elif isinstance(node, ast.BinOp):
        if type(node.op) not in _OPERATORS:
            raise _refused(text, "uses an operation it may not")
        if isinstance(node.op, ast.Pow) and not _is_small_power(node.right):
            raise _refused(text, f"has a power that is no plain number up to {MAX_POWER}")
    elif isinstance(node, ast.UnaryOp):
        if not isinstance(node.op, ast.USub | ast.UAdd):
            raise _refused(text, "uses an operation it may not")
    elif not isinstance(node, ast.Name | ast.operator | ast.unaryop | ast.Load):
        raise _refused(text, "holds more than arithmetic")


def _check_call(node: ast.Call, text: str) -> None:
    if not isinstance(node.func, ast.Name) or node.func.id not in FUNCTIONS or node.keywords:
        raise _refused(text, "calls a function it may not")
    if any(isinstance(argument, ast.Starred) for argument in node.args):
        raise _refused(text, "calls a function it may not")
    name, count = node.func.id, len(node.args)
    if (count < 2) if name in TAKES_MANY else (count != 1):
        raise _refused(text, f"gives {name} the wrong count of figures")


def _is_small_power(node: ast.expr) -> bool:
    if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub):
        node = node.operand
    return isinstance(node, ast.Constant) and (
        isinstance(node.value, int | float) and abs(node.value) <= MAX_POWER
    )


def _work_out(node: ast.AST, values: Mapping[str, Decimal]) -> Decimal:
    if isinstance(node, ast.Constant):
        return Decimal(repr(node.value))
    if isinstance(node, ast.Name):
        return values[node.id]
    if isinstance(node, ast.UnaryOp):
        inner = _work_out(node.operand, values)
        return -inner if isinstance(node.op, ast.USub) else inner
    if isinstance(node, ast.BinOp):
        operator = _OPERATORS[type(node.op)]
        return operator(_work_out(node.left, values), _work_out(node.right, values))
    assert isinstance(node, ast.Call)
    assert isinstance(node.func, ast.Name)
    return FUNCTIONS[node.func.id](*(_work_out(argument, values) for argument in node.args))


def _propagate(node: ast.AST, values: Mapping[str, Any]) -> Any:
    if isinstance(node, ast.Constant):
        return float(str(node.value))
    if isinstance(node, ast.Name):
        return values[node.id]
    if isinstance(node, ast.UnaryOp):
        inner = _propagate(node.operand, values)
        return -inner if isinstance(node.op, ast.USub) else inner
    if isinstance(node, ast.BinOp):
        left, right = _propagate(node.left, values), _propagate(node.right, values)
        return _float_operation(type(node.op), left, right)
    assert isinstance(node, ast.Call)
    assert isinstance(node.func, ast.Name)
    return _float_function(node.func.id, [_propagate(arg, values) for arg in node.args])


def _float_operation(operator: type[ast.operator], left: Any, right: Any) -> Any:
    if operator is ast.Add:
        return left + right
    if operator is ast.Sub:
        return left - right
    if operator is ast.Mult:
        return left * right
    return left / right if operator is ast.Div else left**right


def _float_function(name: str, arguments: list[Any]) -> Any:
    if name in TAKES_MANY:
        return (min if name == "min" else max)(arguments, key=lambda a: getattr(a, "n", a))
    if name == "abs":
        return abs(arguments[0])
    from uncertainties import umath

    return getattr(umath, {"ln": "log"}.get(name, name))(arguments[0])
