"""How the steps are laid out in every form: lines and tables, sources numbered once."""

import re
from collections.abc import Callable
from dataclasses import dataclass
from itertools import count, groupby

from pipeline.explain.step import Step, show

_SHORT = 34
"""Sources up to this many characters are printed in place."""


@dataclass(frozen=True)
class Line:
    """One step with its number and the mark of its source."""

    number: str
    step: Step
    source: str


@dataclass(frozen=True)
class Column:
    """One column of a table: the symbol, what it is, and how its cells are found, if they are."""

    symbol: str
    what: str
    unit: str
    formulas: tuple[str, ...]
    sources: tuple[str, ...]


@dataclass(frozen=True)
class Grid:
    """Steps that repeat row by row: `rows` of a name and one cell per column, empty for none."""

    number: str
    title: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True)
class Section:
    """A numbered part of the sheet: runs of lines, and grids, in order."""

    title: str
    blocks: tuple[tuple[Line, ...] | Grid, ...]


@dataclass(frozen=True)
class Layout:
    """The whole sheet, and its long sources in the order of their numbers."""

    sections: tuple[Section, ...]
    sources: tuple[str, ...]


def lay_out(steps: list[Step]) -> Layout:
    """Number the steps and gather rows into tables and sources into one list."""
    sources: dict[str, str] = {}

    def mark(source: str) -> str:
        if len(source) <= _SHORT:
            return source
        return sources.setdefault(source, f"[{len(sources) + 1}]")

    sections = []
    for number, (part, members) in enumerate(groupby(steps, lambda step: step.part), start=1):
        blocks: list[tuple[Line, ...] | Grid] = []
        place = count(1)
        for table, found in groupby(members, lambda step: step.table):
            if table:
                blocks.append(_grid(f"{number}.{next(place)}", table, list(found), mark))
            else:
                lines = [Line(f"{number}.{next(place)}", s, mark(s.source)) for s in found]
                blocks.append(tuple(lines))
        sections.append(Section(f"{number} {part}", tuple(blocks)))
    return Layout(tuple(sections), tuple(sources))


def _grid(number: str, table: str, steps: list[Step], mark: Callable[[str], str]) -> Grid:
    by_symbol: dict[str, list[Step]] = {}
    rows: dict[str, dict[str, str]] = {}
    for step in steps:
        by_symbol.setdefault(step.symbol, []).append(step)
        rows.setdefault(step.row, {})[step.symbol] = show(step.value)
    columns = tuple(
        Column(
            symbol,
            found[0].what,
            found[0].unit,
            tuple(dict.fromkeys(step.formula for step in found if step.formula)),
            tuple(dict.fromkeys(mark(step.source) for step in found)),
        )
        for symbol, found in by_symbol.items()
    )
    cells = tuple(
        (name, *(held.get(symbol, "") for symbol in by_symbol)) for name, held in rows.items()
    )
    return Grid(number, table, columns, cells)


def pretty(unit: str) -> str:
    """A unit of the dictionary as print has it: m² for m2, °C for degC."""
    raised = re.sub(r"(?<=m)[234]", lambda found: "²³⁴"[int(found[0]) - 2], unit)
    return raised.replace("degC", "°C").replace("deg", "°")
