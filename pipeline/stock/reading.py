"""Reads a stock list as a landlord sends it: csv, xlsx or parquet, every cell as text.

Nothing is interpreted here. Only the cells of columns the job needs are kept, without personal
data (`personal`) and characters that nobody sees (`characters`). The result keeps the row numbers a
spreadsheet would show.
"""

import hashlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from pipeline.errors import StockListError
from pipeline.stock import addresses, bounds, characters, csv_files, doubts, personal, profiles
from pipeline.stock.answers import NOTHING, Answers
from pipeline.stock.headings import (
    ESSENTIAL,
    Match,
    by_heading,
    joined,
    match,
    named,
    plain,
    with_key,
)
from pipeline.stock.questions import Question

_LONGEST_CELL_BYTES = 1 << 20
_MOST_TEXT_BYTES = 1 << 30
"""More than any CSV file may hold: in parquet one text may stand in many rows."""
_LONGEST_TEXT = 1_000
"""Own assumption: an address has a hundred characters, a remark some hundreds."""
_HEADER_ROWS = 40
_LEAST_HEADINGS = 3
EXTRA = "more cells than headings"


@dataclass(frozen=True)
class RawTable:
    """A list as read: `source_row`, one text column per column of the dictionary, and `EXTRA`.

    `EXTRA` counts what a row has to the right of the last heading: its cells may have slipped.
    Those cells are not kept, they may hold anything.
    headings: the words the list uses for each column. struck: pieces of personal data struck out
    of the cells. notes: how the file was read, in words. questions: what only the landlord can say.
    """

    frame: pl.DataFrame
    headings: dict[str, str]
    match: Match
    struck: int
    sha256: str
    notes: tuple[str, ...]
    questions: tuple[Question, ...] = ()
    refused: str = ""


def read(path: Path, answers: Answers = NOTHING, must: tuple[str, ...] = ESSENTIAL) -> RawTable:
    """Read one file with what is settled of its headings; `must` names columns it must have.

    Raises StockListError with what was found, where, and what to do.
    """
    rows, notes = rows_of(path)
    settled = by_heading(answers)
    header, names = find_headings(rows, path.name, settled, must)
    body = rows.slice(header + 1)
    looks = profiles.profiles(body)
    found = match(names, settled, looks)
    if must:
        found = with_key(found, looks)
        _refuse_absent(answers, found, path.name)
    cells, cut = _cut(_cells(rows, header, found, path.name))
    cells, struck = personal.clean(cells)
    headings = {n: personal.strike(found.all[p])[0] for n, p in found.positions.items()}
    asked = (*doubts.rivals(found, body), *(doubts.missing(found) if must else ()))
    return RawTable(
        cells,
        headings,
        found,
        struck,
        sha256(path),
        (*notes, *cut),
        asked,
        doubts.refusal(found) if must else "",
    )


def _refuse_absent(answers: Answers, found: Match, name: str) -> None:
    """Refuse settled headings that a list lacks; of several for one column it needs one."""
    written = set(map(plain, found.all))
    absent = [
        heading
        for some in answers.columns.values()
        for heading in some
        if not written & set(map(plain, some))
    ]
    if absent:
        raise StockListError(
            f"{name}: the column map names headings the list lacks: {', '.join(sorted(absent))}."
            f" Headings read: {', '.join(filter(None, found.all))[:400]}."
        )


def _cut(cells: pl.DataFrame) -> tuple[pl.DataFrame, list[str]]:
    """The cells with no text longer than a person would write there, and a note where one was."""
    long = pl.col(pl.String).str.len_chars() > _LONGEST_TEXT
    cut = sum(count or 0 for count in cells.select(long.sum()).row(0))
    if not cut:
        return cells, []
    note = f"{cut:,} cells were longer than {_LONGEST_TEXT:,} characters and were cut there"
    return cells.with_columns(pl.col(pl.String).str.head(_LONGEST_TEXT)), [note]


def rows_of(path: Path) -> tuple[pl.DataFrame, list[str]]:
    """Every row of a file as text, headings and titles included, and notes on the reading."""
    _refuse_unusable(path)
    readers: dict[str, Callable[[Path], tuple[pl.DataFrame, list[str]]]] = {
        ".csv": csv_files.rows,
        ".tsv": csv_files.rows,
        ".txt": csv_files.rows,
        ".xlsx": _book_rows,
        ".xlsm": _book_rows,
        ".parquet": _parquet_rows,
    }
    reader = readers.get(path.suffix.lower())
    if reader is None:
        raise StockListError(
            f"{path.name}: the ending '{path.suffix}' is not one this tool reads. Save the list"
            f" as {', '.join(readers)}."
        )
    rows, notes = reader(path)
    _refuse_long(rows, path.name)
    rows, unseen = characters.without_unseen(rows)
    told = [f"control characters were taken out of {unseen:,} cells"] if unseen else []
    return rows, [*notes, *told]


def _refuse_long(rows: pl.DataFrame, name: str) -> None:
    """Refuse a cell, or all cells together, with more text than a list of homes has."""
    if not rows.width:
        return
    size = pl.all().str.len_bytes()
    bytes_ = rows.select(size.max().name.prefix("max "), size.sum().name.prefix("sum ")).row(0)
    longest = max((count or 0 for count in bytes_[: rows.width]), default=0)
    if longest > _LONGEST_CELL_BYTES:
        holds = pl.any_horizontal(size == longest).fill_null(False)
        row = rows.select(holds.arg_max()).item() + 1
        raise StockListError(
            f"{name} row {row}: a cell of {longest:,} bytes; the most this tool reads is"
            f" {_LONGEST_CELL_BYTES:,}. A double quote opened there may close much further down."
        )
    total = sum(count or 0 for count in bytes_[rows.width :])
    if total > _MOST_TEXT_BYTES:
        raise StockListError(
            f"{name} holds {total:,} bytes of text; the most this tool reads is"
            f" {_MOST_TEXT_BYTES:,}. Send fewer columns, without notes."
        )


def _refuse_unusable(path: Path) -> None:
    if not path.exists():
        raise StockListError(f"{path} does not exist. Check the path.")
    if not path.is_file():
        raise StockListError(f"{path} is a folder, not a file. Name the stock list in it.")
    if path.stat().st_size == 0:
        raise StockListError(f"{path.name} is empty (0 bytes). Ask for the list again.")
    bounds.refuse_large(path)


def sha256(path: Path) -> str:
    """Digest of a file's bytes."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _book_rows(path: Path) -> tuple[pl.DataFrame, list[str]]:
    """The rows of the sheet that looks most like a list of homes."""
    sheets = {sheet.name: sheet.rows for sheet in bounds.tables(path)}
    best = max(sheets, key=lambda sheet: _header(sheets[sheet], {})[2])
    others = [sheet for sheet in sheets if sheet != best]
    counts = {sheet: _header(sheets[sheet], {})[1] for sheet in others}
    rivals = [s for s in others if set(ESSENTIAL) <= set(match(counts[s]).positions)]
    if rivals:
        raise StockListError(
            f"{path.name}: sheets {', '.join(map(repr, [best, *rivals]))} all look like lists of"
            " homes. Put the homes on one sheet, or save each sheet as a file of its own."
        )
    notes = [f"read sheet '{best}', left {', '.join(map(repr, others))}"] if others else []
    return sheets[best], notes


def _parquet_rows(path: Path) -> tuple[pl.DataFrame, list[str]]:
    (table,) = bounds.tables(path)
    head = pl.DataFrame([table.headings], schema=table.rows.columns, orient="row")
    return pl.concat([head, table.rows]), []


def _header(rows: pl.DataFrame, settled: Mapping[str, str]) -> tuple[int, list[object], int]:
    """Index of the last row of headings, the headings, and how many columns they name.

    A second row below merged headings is joined to them where that names more columns.
    """
    top = list(rows.head(_HEADER_ROWS).iter_rows())
    best: tuple[int, list[object], int] = (0, [], 0)
    for index, row in enumerate(top):
        options = [list(row)]
        if index and any(cell is None for cell in top[index - 1]):
            options.append(joined(top[index - 1], row))
        for names in options:
            count = named(names) + sum(plain(heading) in settled for heading in names)
            if count > best[2]:
                best = (index, names, count)
    return best


def find_headings(
    rows: pl.DataFrame, name: str, settled: Mapping[str, str], must: tuple[str, ...]
) -> tuple[int, list[object]]:
    """Index of the row above the homes, and the headings.

    Raises StockListError where no row reads as headings.
    """
    header, names, count = _header(rows, settled)
    if count < min(_LEAST_HEADINGS, len(must) + 1):
        shown = [str(cell) for cell in rows.row(0) if cell][:8] if rows.height else []
        raise StockListError(
            f"{name}: no row of headings was found in the first {_HEADER_ROWS} rows (the first"
            f" reads: {', '.join(shown)[:200] or 'nothing'}). Put one row of headings above the"
            " homes, one heading to a column, no merged cells: for instance Property Ref,"
            " Postcode, Property Type, Age, Floor Area, Wall Construction. Or settle the headings"
            " in a file: `programme headings FILE` prints one to start from."
        )
    return header, names


def _cells(rows: pl.DataFrame, header: int, found: Match, name: str) -> pl.DataFrame:
    """The cells of known columns below the headings, row numbers in front; blank rows dropped."""
    body = rows.with_row_index("source_row", offset=1).slice(header + 1)
    cells = [column for column in body.columns if column != "source_row"]
    body = body.filter(~pl.all_horizontal(pl.col(cells).is_null()))
    if body.height == 0:
        raise StockListError(f"{name} has headings but no homes below them. Ask for it again.")
    last = max(i for i, heading in enumerate(found.all) if heading)
    beyond = cells[last + 1 :]
    more = pl.sum_horizontal(pl.col(beyond).is_not_null()) if beyond else pl.lit(0)
    return body.select(
        "source_row",
        *(_cell(column, place, found, cells) for column, place in found.positions.items()),
        pl.when(more > 0).then(more.cast(pl.String)).alias(EXTRA),
    )


def _cell(column: str, place: int, found: Match, cells: list[str]) -> pl.Expr:
    """The cell of a column, or those it is joined of."""
    several = found.several.get(column)
    whole = addresses.joined([cells[p] for p in several]) if several else pl.col(cells[place])
    return whole.alias(column)
