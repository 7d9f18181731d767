"""Finds what a person changed in a workbook beside the yellow cells, and says where to write.

A run keeps marks of the cells it wrote on a hidden part of the sheet About.
"""

from collections.abc import Iterator, Mapping, Sequence
from typing import NamedTuple

import polars as pl
from xlsxwriter.utility import xl_rowcol_to_cell

from pipeline.errors import StockListError
from pipeline.stock import workbook
from pipeline.stock.workbook import ABOUT, AS_SENT, COLUMNS, FAULTS, LISTS, QUESTIONS, READ

_MOST_SHOWN = 10
_NAMING = {
    QUESTIONS: ("Column", "About"),
    READ: ("Column", "Heading", "Cell as sent"),
    FAULTS: ("Row", "Column"),
}
"""Cells of a line that say what its answer is for."""
_NONE = workbook.marks([None])
_MOST_COMPARED = 1_000_000
"""Pairs of lines up to which one that was edited and moved is sought among all."""


class _Line(NamedTuple):
    """A line of a sheet that is not as the run wrote it.

    cells: its texts by heading, without the answer; was: marks by heading as the run wrote them,
    empty for a line that somebody added; changed: headings of the cells that differ.
    """

    sheet: str
    number: int
    cells: dict[str, str]
    answer: str
    was: dict[str, str]
    changed: list[str]


def told(book: str, sheets: Mapping[str, pl.DataFrame]) -> tuple[str, ...]:
    """What was edited and is not read, cell by cell, each with where to write it instead.

    Raises StockListError for an answer beside a changed cell that says what it is for.
    """
    found: list[str] = []
    for line in _edited(sheets):
        where = f"sheet {line.sheet}, line {line.number}"
        naming = [name for name in line.changed if name in _NAMING.get(line.sheet, ())]
        if line.answer and naming:
            raise StockListError(
                f"{book}: {where} is answered, and its cell {naming[0]} was changed, so it is not"
                " sure what the answer is for. Put that cell back as the run wrote it, or take the"
                " answer out and write it into the line it is for."
            )
        for name in line.changed:
            at = xl_rowcol_to_cell(line.number - 1, sheets[line.sheet].row(0).index(name or None))
            found.append(f"sheet {line.sheet}, cell {at} ({_instead(line, name, sheets)})")
        if not line.was and not line.answer:
            found.append(f"{where} (added)")
    others = sorted(set(sheets) - {ABOUT, AS_SENT, LISTS, *COLUMNS})
    found += [f"sheet {name} (write into the sheets that the run made)" for name in others]
    if not found:
        return ()
    more = f"; and {len(found) - _MOST_SHOWN} more" if len(found) > _MOST_SHOWN else ""
    shown = "; ".join(found[:_MOST_SHOWN])
    return (f"{book}: changed beside the yellow cells, and not read: {shown}{more}",)


def _instead(line: _Line, heading: str, sheets: Mapping[str, pl.DataFrame]) -> str:
    """Where to write what somebody wrote into a cell that is not read."""
    if line.sheet in COLUMNS:
        return f"write into {COLUMNS[line.sheet][-1]} of that line"
    row, sent = line.cells.get("source_row"), heading.removesuffix(" as sent")
    for number, cells in enumerate(_lines(sheets[FAULTS]), start=2):
        if (cells["Row"], cells["Heading"]) == (row, sent):
            return f"write into sheet {FAULTS}, line {number}"
    for number, cells in enumerate(_lines(sheets[READ]), start=2):
        same = workbook.marks([cells["Cell as sent"]]) == line.was[heading]
        if cells["Heading"] == sent and same:
            return f"write into sheet {READ}, line {number}, for every row with that text"
    return "no yellow cell is for it: correct the list"


def _lines(sheet: pl.DataFrame) -> Iterator[dict[str, str]]:
    """The lines below the headings, each by heading."""
    headings, *lines = sheet.rows()
    for line in lines:
        yield {head or "": cell or "" for head, cell in zip(headings, line, strict=True)}


def _edited(sheets: Mapping[str, pl.DataFrame]) -> Iterator[_Line]:
    """Lines of which a cell that is not for an answer is another than the run wrote."""
    for name, *kept in (column.to_list() for column in sheets[ABOUT].get_columns()[1:]):
        if name in sheets and sheets[name].height:
            yield from _of_sheet(name, sheets[name], [text for text in kept if text])


def _of_sheet(name: str, sheet: pl.DataFrame, kept: Sequence[str]) -> Iterator[_Line]:
    written = COLUMNS.get(name, ())
    headings = (*written[:-1], *(h or "" for h in sheet.row(0) if h not in written))
    free: dict[int, str] = dict(enumerate(kept))
    places: dict[str, list[int]] = {}
    for place, marks in free.items():
        places.setdefault(_bare(marks), []).append(place)
    strange = []
    for number, cells in enumerate(_lines(sheet)):
        beside = {heading: cells[heading] for heading in headings}
        same = places.get(_bare(workbook.marks(beside.values())))
        if same:
            del free[same.pop()]
        elif any(cells.values()):
            strange.append((number, beside, cells[written[-1]] if written else ""))
    every = len(strange) * len(free) <= _MOST_COMPARED
    for number, beside, answer in strange:
        now = _by_heading(headings, workbook.marks(beside.values()))
        likely = [number, *(free if every else ())]
        alike = {n: _alike(now, _by_heading(headings, free[n])) for n in likely if n in free}
        best = max(alike, key=alike.__getitem__, default=None)
        was = {} if best is None or alike[best] < 0.5 else _by_heading(headings, free.pop(best))
        changed = [heading for heading in was if was[heading] != now[heading]]
        yield _Line(name, number + 2, beside, answer, was, changed)


def _by_heading(headings: Sequence[str], marks: str) -> dict[str, str]:
    size = len(_NONE)
    return {
        heading: marks[place * size : (place + 1) * size] or _NONE
        for place, heading in enumerate(headings)
    }


def _alike(now: Mapping[str, str], was: Mapping[str, str]) -> float:
    """Share of the cells that were filled and are as they were."""
    filled = [heading for heading, mark in was.items() if mark != _NONE]
    return sum(now[heading] == was[heading] for heading in filled) / max(len(filled), 1)


def _bare(marks: str) -> str:
    """Marks without those of empty cells at the end."""
    while marks.endswith(_NONE):
        marks = marks.removesuffix(_NONE)
    return marks
