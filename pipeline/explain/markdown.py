"""The sheet as Markdown: sections, a table of lines, a table per grid, numbered sources."""

import re

from pipeline.explain.layout import Column, Grid, Line, Section, pretty
from pipeline.explain.paper import Paper
from pipeline.explain.step import MARKS, show

_HEADINGS = (
    "No.", "What", "Symbol", "Formula", "With figures", "Value", "Unit", "Source", "Stored as",
)  # fmt: skip


def write(paper: Paper, drawing_name: str) -> bytes:
    """The document as UTF-8. drawing_name: file name of the drawing beside it, if any."""
    parts = [f"# {_plain(paper.title)}", *(f"> **{_plain(told)}**" for told in paper.cautions)]
    parts += [_pairs("Where it comes from", paper.origin), _pairs("In short", paper.short)]
    parts += [_section(section) for section in paper.layout.sections]
    if drawing_name:
        parts.append(f"![{_plain(paper.drawn)}](<{drawing_name}>)\n\n{_plain(paper.drawn)}")
    parts.append(f"## Check\n\n{_plain(paper.check.words())}")
    sources = [f"{n}. {_plain(source)}" for n, source in enumerate(paper.layout.sources, start=1)]
    parts.append("\n".join(["## Sources", "", MARKS, "", *sources]))
    return ("\n\n".join(parts) + "\n").encode()


def _pairs(title: str, pairs: tuple[tuple[str, str], ...]) -> str:
    return "\n".join([f"## {title}", "", *(f"- {k}: {_plain(v)}" for k, v in pairs)])


def _section(section: Section) -> str:
    blocks = (_grid(b) if isinstance(b, Grid) else _lines(b) for b in section.blocks)
    return "\n\n".join([f"## {section.title}", *blocks])


def _lines(lines: tuple[Line, ...]) -> str:
    return "\n".join([*_head(_HEADINGS), *map(_line, lines)])


def _line(line: Line) -> str:
    step = line.step
    return _row(
        line.number, _plain(step.what), _code(step.symbol), _code(step.formula),
        _code(step.working), f"**{_plain(show(step.value))}**", pretty(step.unit),
        _plain(line.source), _code(step.column),
    )  # fmt: skip


def _grid(grid: Grid) -> str:
    keys = [_key(column) for column in grid.columns]
    head = _head((f"{grid.number} {grid.title}", *(_code(c.symbol) for c in grid.columns)))
    rows = [_row(_plain(row[0]), *row[1:]) for row in grid.rows]
    return "\n".join([*keys, "", *head, *rows])


def _key(column: Column) -> str:
    found = "".join(f" = {_code(formula)}" for formula in column.formulas)
    unit = f" [{pretty(column.unit)}]" if column.unit else ""
    sources = _plain("; ".join(column.sources))
    return f"- {_code(column.symbol)}{found}: {_plain(column.what)}{unit}; {sources}"


def _head(names: tuple[str, ...]) -> list[str]:
    return [_row(*names), _row(*("---" for _ in names))]


def _row(*cells: str) -> str:
    return f"| {' | '.join(cells)} |"


def _code(text: str) -> str:
    return f"`{text}`" if text else ""


def _plain(text: str) -> str:
    """Text on one line with nothing that Markdown would read as a mark."""
    return re.sub(r"([\\`*_\[\]<>|#~])", r"\\\1", " ".join(text.split()))
