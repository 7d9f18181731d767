"""A step of the sheet, and the sheet itself: each value is reckoned from its formula as printed.

A formula such as "U_2 = 1 / (1 / U_1 + R) + ΔU" is read, its symbols are looked up among the steps
before it, and its value worked out here with plain floats, so that what the sheet says is what it
did. Whether it meets the stored figures is found by comparing them (`steps.check`).
"""

import ast
import math
import operator
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

from pipeline.columns import dictionary
from pipeline.physics import moisture
from pipeline.reference import Reference

Value = float | str
CAUTION = (
    "A screening calculation. It approves nothing: fire, damp, structure, asbestos, electricity"
    " and work at height need a survey and licensed people under local codes."
)

MARKS = (
    "Marks: seen, read in a published page; practice, common practice; memory, recalled from the"
    " publication named and not read; assumed, own assumption."
)


@dataclass(frozen=True)
class Step:
    """One figure or fact. formula is empty where it is given; working is it with its figures.

    row and table place it in a table whose columns are symbols; column names the column of
    ranking.csv, if any, that must hold `stored`: the value itself, or the code behind its words.
    """

    part: str
    what: str
    symbol: str
    formula: str
    working: str
    value: Value
    unit: str
    source: str
    column: str = ""
    stored: Value | None = None
    table: str = ""
    row: str = ""


def show(value: Value) -> str:
    """A figure as the sheet prints it: seven significant digits."""
    return value if isinstance(value, str) else f"{value:.7g}"


Row = dict[str, Any]
"""One row of a reference table."""


def one(reference: Reference, table: str, **where: object) -> Row:
    """The row of a table whose columns hold these values. Raises ValueError unless there is one."""
    (row,) = reference.table(table).filter(**where).to_dicts()
    return row


def cited(row: Row) -> str:
    """Source and mark of a reference row."""
    return f"{row['source']} ({row['checked']})"


class Sheet:
    """Steps in the order they are taken, and the value of every symbol so far."""

    def __init__(self, reference: Reference) -> None:
        """An empty sheet that may cite the reference tables."""
        self.steps: list[Step] = []
        self._reference = reference
        self._known: dict[str, float] = {}
        self._cells: dict[str, float] = {}
        self._columns: dict[str, list[float]] = {}
        self._part, self._table, self._row = "", "", ""

    def __getitem__(self, symbol: str) -> float:
        """Value of a symbol, that of the row in hand first. Raises KeyError for an unknown one."""
        return self._cells[symbol] if symbol in self._cells else self._known[symbol]

    def __contains__(self, symbol: str) -> bool:
        """Whether a symbol has a value."""
        return symbol in self._cells or symbol in self._known

    def part(self, title: str) -> None:
        """Begin a section."""
        self._part, self._table, self._row, self._cells = title, "", "", {}

    def row(self, table: str, name: str) -> None:
        """Begin a row of a table; a table begins with its first row. Steps follow in the row."""
        if table != self._table:
            self._columns = {}
        self._table, self._row, self._cells = table, name, {}

    def end(self) -> None:
        """Leave the table; its columns stay open to Σ."""
        self._table, self._row, self._cells = "", "", {}

    def fact(self, what: str, text: str | None, source: str, printed: str = "") -> None:
        """Something known in words. what: a column of ranking.csv, or words.

        text: what the column must hold; printed: what the sheet says instead of it.
        """
        said = printed or (text or "").replace("_", " ")
        self._add(what, Step("", "", "", "", "", said, "", source, stored=text))

    def given(self, symbol: str, value: float, unit: str, source: str, what: str) -> float:
        """A figure that is not worked out here: from the stock list, a table or a solver."""
        return self._keep(what, Step("", "", symbol, "", "", float(value), unit, source))

    def found(self, formula: str, unit: str, source: str, what: str) -> float:
        """A figure worked out from symbols before it. formula: "symbol = expression"."""
        symbol, _, expression = formula.partition(" = ")
        working, value = self._filled(expression), self.value(expression)
        return self._keep(what, Step("", "", symbol, expression, working, value, unit, source))

    def constant(self, symbol: str, name: str, what: str = "") -> float:
        """A row of constants.csv."""
        row = one(self._reference, "constants", name=name)
        unit = "" if row["unit"] in ("-", "no") else row["unit"]
        what = what or name.replace("_", " ").capitalize()
        return self.given(symbol, row["value"], unit, cited(row), what)

    def value(self, expression: str) -> float:
        """What an expression comes to with the symbols so far."""
        return _reckon(_tree(expression), self.__getitem__, self._columns)

    def meets(self, expression: str, value: float) -> bool:
        """Whether an expression comes to a value, but for rounding."""
        return math.isclose(self.value(expression), value, rel_tol=1e-12, abs_tol=1e-12)

    def _keep(self, what: str, step: Step) -> float:
        value = float(step.value)
        step = replace(step, stored=value)
        if self._row:
            self._cells[step.symbol] = value
            self._columns.setdefault(step.symbol, []).append(value)
        else:
            self._known[step.symbol] = value
        self._add(what, step)
        return value

    def _add(self, what: str, step: Step) -> None:
        column = what if what in dictionary() else ""
        label = dictionary()[what].label if column else what
        place = {"part": self._part, "table": self._table, "row": self._row}
        self.steps.append(replace(step, what=label, column=column, **place))

    def _filled(self, expression: str) -> str:
        """The expression with each symbol replaced by its figure; empty for one over a column."""
        if any(f"{name}(" in expression for name in _OF_COLUMN):
            return ""

        def figure(found: re.Match[str]) -> str:
            if found[0] in _FUNCTIONS or found[0] == "π":
                return found[0]
            value = self[found[0]]
            return f"({show(value)})" if value < 0.0 else show(value)

        return re.sub(r"\b[^\W\d²³][^\W²³]*", figure, expression)


_FUNCTIONS: Mapping[str, Callable[..., float]] = {
    "exp": math.exp, "ln": math.log, "sqrt": math.sqrt, "cos": lambda x: math.cos(math.radians(x)),
    "min": min, "max": max, "p_sat": lambda t: float(moisture.saturation_pressure(t)),
}  # fmt: skip
_OF_COLUMN: Mapping[str, Callable[[list[float]], float]] = {
    "Σ": sum, "lowest": min, "highest": max,
}  # fmt: skip
_SIGNS: Mapping[type[ast.operator], Callable[[float, float], float]] = {
    ast.Add: operator.add, ast.Sub: operator.sub, ast.Mult: operator.mul,
    ast.Div: operator.truediv, ast.Pow: operator.pow,
}  # fmt: skip


@cache
def _tree(expression: str) -> ast.expr:
    text = expression
    for sign, meant in (("×", "*"), ("−", "-"), ("²", "**2"), ("³", "**3"), ("^", "**")):
        text = text.replace(sign, meant)
    return ast.parse(text.replace("√", "sqrt"), mode="eval").body


def _reckon(
    node: ast.expr, look_up: Callable[[str], float], columns: Mapping[str, list[float]]
) -> float:
    """The value of an expression. Only figures, symbols, the four rules, powers and functions."""
    match node:
        case ast.Constant(value=int() | float() as figure):
            found = float(figure)
        case ast.Name(id=symbol):
            found = math.pi if symbol == "π" else look_up(symbol)
        case ast.UnaryOp(op=ast.USub(), operand=inner):
            found = -_reckon(inner, look_up, columns)
        case ast.BinOp(left=left, op=sign, right=right):
            one, other = (_reckon(side, look_up, columns) for side in (left, right))
            found = _SIGNS[type(sign)](one, other)
        case ast.Call(func=ast.Name(id=name), args=[ast.Name(id=symbol)]) if name in _OF_COLUMN:
            found = _OF_COLUMN[name](columns[symbol])
        case ast.Call(func=ast.Name(id=name), args=inputs):
            found = _FUNCTIONS[name](*(_reckon(one, look_up, columns) for one in inputs))
        case _:
            raise ValueError(f"the sheet has no meaning for '{ast.unparse(node)}'")
    return found
