"""The workbook a person mends a list with: questions, how each text was read, faults, rows as sent.

Yellow cells are for answers, with what is allowed to choose from. `mending` reads them back.
"""

import base64
import datetime
import io
import re
import zlib
from collections.abc import Iterable, Mapping, Sequence
from functools import lru_cache
from typing import Any

import polars as pl
import xlsxwriter

from pipeline.columns import dictionary
from pipeline.stock import casting
from pipeline.stock.answers import NOT_KNOWN
from pipeline.stock.faults import WHOLE_ROW
from pipeline.stock.questions import HEADING

NAME = "quarantine.xlsx"
KEEP = "keep"
QUESTIONS, READ, FAULTS, ABOUT = "Questions", "How we read it", "Faults", "About"
AS_SENT = "Rows as sent"
LISTS = "Allowed answers"
COLUMNS = {
    QUESTIONS: ("Column", "About", "What was found", "Answer"),
    READ: ("Column", "Heading", "Cell as sent", "Rows", "Read as", "Not understood", "Correct"),
    FAULTS: ("Row", "Home", "Column", "Heading", "Cell as sent", "Fault", "Corrected"),
}
"""Headings of the sheets with answers; the last is the yellow one."""
_WIDTHS = {
    QUESTIONS: (24, 40, 70, 30),
    READ: (22, 24, 40, 8, 34, 30, 30),
    FAULTS: (7, 16, 22, 22, 26, 60, 26),
}
_MOST_LINES = 1_000_000
"""A sheet holds 1,048,576 rows; quarantine.csv has them all."""


def label(column: str) -> str:
    """A column as the workbook names it."""
    return WHOLE_ROW if column == "source_row" else dictionary()[column].label


def build(
    quarantine: pl.DataFrame,
    faults: pl.DataFrame,
    said: pl.DataFrame,
    questions: pl.DataFrame,
    sha256: str,
) -> bytes:
    """The workbook of a list, from its tables in the store. The same list gives the same bytes."""
    buffer = io.BytesIO()
    options = {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False}
    with xlsxwriter.Workbook(buffer, options) as book:
        book.set_properties({"created": datetime.datetime(2000, 1, 1)})
        made = _Book(book)
        lines = faults.filter(pl.col("severity") != "warn").head(_MOST_LINES)
        homes = dict(quarantine.select("source_row", "home_id").iter_rows())
        sheets: dict[str, list[Line]] = {
            QUESTIONS: [_question(one) for one in questions.iter_rows(named=True)],
            READ: [_reading(line) for line in _unread_first(said)],
            FAULTS: [_fault(line, homes) for line in lines.iter_rows(named=True)],
        }
        for name, filled in sheets.items():
            made.sheet(name, filled)
        sent = quarantine.head(_MOST_LINES)
        made.rows(sent)
        beside: dict[str, list[Sequence[Any]]] = {
            name: [cells for cells, _ in filled] for name, filled in sheets.items()
        }
        beside[AS_SENT] = list(sent.iter_rows())
        made.about(sha256, {name: map(marks, rows) for name, rows in beside.items()})
    return buffer.getvalue()


def marks(cells: Iterable[Any]) -> str:
    """Four letters for each cell of a line, by which an edited one is told from what was written.

    The line's yellow cell is left out.
    """
    return "".join(_mark("" if cell is None else str(cell).strip()) for cell in cells)


@lru_cache(65_536)
def _mark(text: str) -> str:
    return base64.b64encode(zlib.crc32(text.encode()).to_bytes(4)[:3]).decode()


Line = tuple[Sequence[Any], Sequence[str]]
"""Cells of a line but for the yellow one, and the answers it offers."""


def _question(asked: dict[str, Any]) -> Line:
    headings = (HEADING + heading for heading in asked["headings"])
    cells = label(asked["column"]), asked["about"], asked["evidence"]
    return cells, (*headings, *asked["choices"])


def _unread_first(said: pl.DataFrame) -> list[dict[str, Any]]:
    """Texts not understood first, then those of most rows."""
    unread = pl.col("value").is_null() | pl.col("unread").is_not_null()
    ordered = said.sort(~unread, "rows", "column", "text", descending=[False, True, False, False])
    return ordered.head(_MOST_LINES).to_dicts()


def _reading(line: dict[str, Any]) -> Line:
    column = line["column"]
    read_as = "; ".join(filter(None, (_plain(line["value"]), line["also"])))
    unread = line["unread"] or ("" if line["value"] else "the whole cell")
    cells = label(column), line["heading"], line["text"], line["rows"], read_as, unread
    return cells, allowed(column)


def _plain(value: str | None) -> str:
    """A value as a person would write it."""
    long = re.fullmatch(r"-?\d+\.\d{5,}", value or "")
    return f"{float(long[0]):.2f}" if long else (value or "").replace("_", " ")


def allowed(column: str) -> Sequence[str]:
    """The answers a column of codes knows, and that nothing is known; none for other columns."""
    if column not in dictionary() or dictionary()[column].dtype != "code":
        return ()
    return (*(code.replace("_", " ") for code in casting.codes_of(column)), NOT_KNOWN)


def _fault(line: dict[str, Any], homes: Mapping[int, str | None]) -> Line:
    row, column = line["source_row"], line["column"]
    offered = (KEEP,) if column == "source_row" else allowed(column)
    fault = line["fault"]
    if column == "source_row":
        fault += f". Type '{KEEP}' to take this row as it stands; nothing, to leave it out"
    cells = (row, homes.get(row), label(column), line["heading"], line["text"], fault)
    return cells, offered


class _Book:
    """Sheets in one style."""

    def __init__(self, book: Any) -> None:
        self._book = book
        self._head = book.add_format(
            {"bold": True, "bottom": 1, "text_wrap": True, "valign": "top"}
        )
        self._plain = book.add_format({"text_wrap": True, "valign": "top", "num_format": "@"})
        self._yellow = book.add_format({"bg_color": "#fff4b8", "border": 4, "num_format": "@"})
        self._lists: dict[Sequence[str], str] = {}
        self._offered: Any = None

    def sheet(self, name: str, lines: Sequence[Line]) -> None:
        """A sheet whose last column is for answers."""
        sheet, last = self._book.add_worksheet(name), len(COLUMNS[name]) - 1
        sheet.write_row(0, 0, COLUMNS[name], self._head)
        spans: dict[Sequence[str], list[int]] = {}
        for row, (cells, offered) in enumerate(lines, start=1):
            for place, cell in enumerate(cells):
                if isinstance(cell, int):
                    sheet.write_number(row, place, cell)
                else:
                    sheet.write_string(row, place, cell or "", self._plain)
            sheet.write_blank(row, last, None, self._yellow)
            spans.setdefault(tuple(offered), []).append(row)
        for offered, rows in spans.items():
            if offered:
                self._choose(sheet, last, rows, offered)
        sheet.freeze_panes(1, 0)
        sheet.autofilter(0, 0, max(len(lines), 1), last)
        for column, width in enumerate(_WIDTHS[name]):
            sheet.set_column(column, column, width)

    def _choose(self, sheet: Any, column: int, rows: Sequence[int], offered: Sequence[str]) -> None:
        """Let the yellow cells of some rows offer answers; others may be written all the same."""
        rule = {"validate": "list", "source": self._place_of(offered), "error_type": "warning"}
        for first, last in _runs(rows):
            sheet.data_validation(first, column, last, column, rule)

    def _place_of(self, offered: Sequence[str]) -> str:
        """Where the answers are listed, on a hidden sheet."""
        if self._offered is None:
            self._offered = self._book.add_worksheet(LISTS)
            self._offered.hide()
        if offered not in self._lists:
            place = len(self._lists)
            self._offered.write_column(0, place, offered)
            letter = xlsxwriter.utility.xl_col_to_name(place)
            self._lists[offered] = f"='{LISTS}'!${letter}$1:${letter}${len(offered)}"
        return self._lists[offered]

    def rows(self, quarantine: pl.DataFrame) -> None:
        """The rows as sent."""
        sheet = self._book.add_worksheet(AS_SENT)
        sheet.write_row(0, 0, quarantine.columns, self._head)
        for number, cells in enumerate(quarantine.iter_rows(), start=1):
            for column, value in enumerate(cells):
                sheet.write_string(number, column, "" if value is None else str(value), self._plain)
        sheet.freeze_panes(1, 3)

    def about(self, sha256: str, beside: Mapping[str, Iterable[str]]) -> None:
        """Whose workbook it is and how to fill it; hidden, the marks of each sheet's lines."""
        sheet = self._book.add_worksheet(ABOUT)
        sheet.set_column(0, 0, 100)
        sheet.set_column(1, len(beside), None, None, {"hidden": True})
        named = [(name, *lines) for name, lines in beside.items()]
        for column, texts in enumerate(((sha256, *_GUIDE), *named)):
            for row, text in enumerate(texts):
                sheet.write_string(row, column, text)


def _runs(rows: Sequence[int]) -> list[tuple[int, int]]:
    """First and last of each run of row numbers without a gap."""
    runs: list[tuple[int, int]] = []
    for row in rows:
        if runs and runs[-1][1] == row - 1:
            runs[-1] = (runs[-1][0], row)
        else:
            runs.append((row, row))
    return runs


_GUIDE = (
    "The line above is a digest of the stock list these rows come from. Leave it.",
    "Fill yellow cells and leave the rest. Where a cell offers answers, choose one of them;"
    f" '{NOT_KNOWN}' takes the default of the tables knowingly.",
    f"{QUESTIONS}: what has to be settled for the list as a whole.",
    f"{READ}: what each text of the list was taken for. An answer counts for every row with it.",
    f"{FAULTS}: single cells that keep a row out. An answer here counts before one for the text.",
    f"A second entry of a home, or a row with cells too many: write '{KEEP}' to take this row as it"
    " stands, in place of the other where both have one key; nothing, to leave it out.",
    "Then run again with --mended and this file; with --dictionary and a file of your own the"
    " answers are kept there and serve every later list. Every cell changed is kept in the trail.",
    "A run never writes over a workbook you filled: the next is quarantine-2.xlsx, and so on."
    " Give all you filled, the oldest first: --mended quarantine.xlsx --mended quarantine-2.xlsx."
    " Where two settle one cell the later counts.",
)
