"""Rows of a CSV file in any usual encoding and separator, every cell as text, within bounds.

What could take more memory than its bytes is looked at first: the longest line, the widest row,
and rows times columns, because a short row is filled up to the widest one.
"""

import codecs
import csv
import io
import mmap
import re
from collections.abc import Iterator
from itertools import islice
from pathlib import Path

import polars as pl

from pipeline.errors import StockListError
from pipeline.stock.apart import MOST_CELLS, MOST_COLUMNS, MOST_ROWS

_SAMPLE_BYTES = 1 << 20
_SAMPLE_ROWS = 40
_LONGEST_LINE_BYTES = 1 << 20
_PIECE_BYTES = 1 << 24
_BATCH_ROWS = 20_000
_OTHER_KINDS = {
    b"%PDF": "a PDF document",
    b"PK\x03\x04": "a zip archive or workbook",
    b"\x89PNG": "a picture",
    b"\xff\xd8\xff": "a picture",
    b"\xd0\xcf\x11\xe0": "an old binary office file",
    b"PAR1": "a parquet file",
    b"\x1f\x8b": "a gzip archive",
    b"{\\rtf": "a rich text document",
    b"<htm": "a web page",
    b"<!DO": "a web page",
}
_WIDE = b"\xff\xfe", b"\xfe\xff"


def rows(path: Path) -> tuple[pl.DataFrame, list[str]]:
    """Every row as column_0..., headings and titles included, and notes on the reading.

    Raises StockListError for a file that is no CSV or is beyond the bounds.
    """
    _refuse_other_kinds(path)
    _refuse_long_lines(path)
    content, encoding = _as_utf8(path)
    top = content[:_SAMPLE_BYTES].decode(errors="ignore")
    separator = _separator(top)
    notes = [] if encoding == "utf-8" else [f"read as {encoding}"]
    if separator != ",":
        notes.append("separated by " + {";": "semicolons", "\t": "tabs", "|": "bars"}[separator])
    try:
        width = _width(content, top, separator, path.name)
        _refuse_open_quote(content, separator, path.name)
        return _split_rows(content, width, separator, path.name), notes
    except csv.Error as fault:
        raise StockListError(
            f"{path.name} cannot be told apart into cells ({fault}). Look for a stray double"
            " quote, or export the list again."
        ) from None


def _refuse_other_kinds(path: Path) -> None:
    with path.open("rb") as file:
        sample = file.read(_SAMPLE_BYTES)
    kind = next((kind for magic, kind in _OTHER_KINDS.items() if sample.startswith(magic)), None)
    if kind:
        raise StockListError(
            f"{path.name} is {kind}, whatever its name says. Export the list as CSV or XLSX."
        )
    if b"\0" in sample and not sample.startswith(_WIDE):
        raise StockListError(
            f"{path.name} holds zero bytes: it is not text, or text in an encoding that does not"
            " say so. Save it as 'CSV UTF-8'."
        )


def _refuse_long_lines(path: Path) -> None:
    """Step from line end to line end, at most a longest line ahead; nothing is copied."""
    with path.open("rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as seen:
        start, size = 0, len(seen)
        while size - start > _LONGEST_LINE_BYTES:
            ahead = start + _LONGEST_LINE_BYTES
            end = max(seen.rfind(b"\n", start, ahead), seen.rfind(b"\r", start, ahead))
            if end < 0:
                raise StockListError(
                    f"{path.name}: a line near byte {start:,} is longer than 1 MiB. This is no"
                    " list of homes, one home to a line; export it again."
                )
            start = end + 1


def _as_utf8(path: Path) -> tuple[bytes, str]:
    """The file as UTF-8 with line feeds, and the encoding it came in.

    Most lists are UTF-8 already: those bytes are checked in pieces and not copied. Others are
    turned a piece at a time.
    """
    content = path.read_bytes()
    if not content.startswith(_WIDE) and _is_utf8(content):
        content = content.removeprefix(codecs.BOM_UTF8)
        lone = b"\r" in content[:_SAMPLE_BYTES] and b"\n" not in content[:_SAMPLE_BYTES]
        return (content.replace(b"\r", b"\n") if lone else content), "utf-8"
    encoding = "utf-16" if content.startswith(_WIDE) else "cp1252"
    decoder = io.IncrementalNewlineDecoder(codecs.getincrementaldecoder(encoding)(), translate=True)
    pieces = []
    for start in range(0, len(content), _PIECE_BYTES):
        piece = content[start : start + _PIECE_BYTES]
        try:
            text = decoder.decode(piece, final=start + _PIECE_BYTES >= len(content))
        except UnicodeDecodeError as fault:
            raise StockListError(
                f"{path.name}: byte {start + fault.start} fits no encoding this tool reads (UTF-8,"
                " UTF-16, Windows-1252). Save it as 'CSV UTF-8'."
            ) from None
        pieces.append(text.encode(errors="replace"))
    del content
    return b"".join(pieces), encoding


def _is_utf8(content: bytes) -> bool:
    decoder = codecs.getincrementaldecoder("utf-8")()
    try:
        for start in range(0, len(content), _PIECE_BYTES):
            decoder.decode(content[start : start + _PIECE_BYTES])
        decoder.decode(b"", final=True)
    except UnicodeDecodeError:
        return False
    return True


def _separator(top: str) -> str:
    lines = top.splitlines()[:_SAMPLE_ROWS]
    return max(",;\t|", key=lambda mark: sum(line.count(mark) for line in lines))


def _width(content: bytes, top: str, separator: str, name: str) -> int:
    """Columns of the widest row of the sample. Raises StockListError beyond the bounds."""
    sample = csv.reader(io.StringIO(top), delimiter=separator)
    width = max((len(row) for row in islice(sample, _SAMPLE_ROWS)), default=1)
    lines = content.count(b"\n") + 1
    if width > MOST_COLUMNS or lines > MOST_ROWS or lines * width > MOST_CELLS:
        _measured(content, separator, name)  # a cell may hold line ends: count rows
    return width


def _read(content: bytes, separator: str) -> Iterator[list[str]]:
    text = io.TextIOWrapper(io.BytesIO(content), encoding="utf-8", newline="")
    return csv.reader(text, delimiter=separator)


def _measured(content: bytes, separator: str, name: str) -> int:
    """Columns of the widest row of all. Raises StockListError beyond the bounds."""
    width = 1
    for number, row in enumerate(_read(content, separator), start=1):
        width = max(width, len(row))
        if width > MOST_COLUMNS or number > MOST_ROWS or number * width > MOST_CELLS:
            raise StockListError(
                f"{name} row {number:,}: {number:,} rows of up to {width:,} columns so far; the"
                f" most this tool reads is {MOST_ROWS:,} rows, {MOST_COLUMNS} columns and"
                f" {MOST_CELLS:,} cells. Look for a row with separators too many, or send fewer"
                " columns."
            )
    return width


def _refuse_open_quote(content: bytes, separator: str, name: str) -> None:
    """Refuse a quote that opens a cell and never closes; a quote inside a cell is an inch mark."""
    if content.count(b'"') % 2 == 0:
        return
    mark = re.escape(separator.encode())
    start, end = rb"(?:^|" + mark + rb")", rb"(?=" + mark + rb"|\r?$)"
    closed = re.compile(start + rb'"[^"]*+(?:""[^"]*+)*+"' + end, re.MULTILINE)
    opens = re.compile(start + rb'"', re.MULTILINE)
    if opens.search(closed.sub(b"", content)):
        odd = (n for n, text in _lines(content) if text.count(b'"') % 2 and opens.search(text))
        open_ = (n for n, text in _lines(content) if opens.search(closed.sub(b"", text)))
        line = next(odd, None) or next(open_, 1)
        raise StockListError(
            f'{name} line {line}: a double quote (") is opened and never closed, so the cells'
            " after it cannot be told apart. Close it or take it out, then run again."
        )


def _lines(content: bytes) -> Iterator[tuple[int, bytes]]:
    return enumerate(io.BytesIO(content), start=1)


def _split_rows(content: bytes, width: int, separator: str, name: str) -> pl.DataFrame:
    """All rows, headings included, as columns column_0...; short rows are filled with nulls.

    A row further down may be wider than the sample; then all are measured. Quotes that polars
    does not take are left to the slower reader of Python, some rows at a time.
    """
    try:
        return _by_polars(content, width, separator)
    except pl.exceptions.PolarsError:
        width = _measured(content, separator, name)
    try:
        return _by_polars(content, width, separator)
    except pl.exceptions.PolarsError:
        return _by_python(content, width, separator)


def _by_polars(content: bytes, width: int, separator: str) -> pl.DataFrame:
    return pl.read_csv(
        content,
        has_header=False,
        separator=separator,
        schema=_schema(width),
        missing_columns="insert",
    )


def _by_python(content: bytes, width: int, separator: str) -> pl.DataFrame:
    read, parts = _read(content, separator), []
    while batch := list(islice(read, _BATCH_ROWS)):
        padded = [[cell or None for cell in row] + [None] * (width - len(row)) for row in batch]
        parts.append(pl.DataFrame(padded, schema=_schema(width), orient="row"))
    return pl.concat(parts)


def _schema(width: int) -> dict[str, type[pl.String]]:
    return {f"column_{i}": pl.String for i in range(width)}
