"""Reads a stock list as a landlord sends it: csv, xlsx or parquet, every cell as text.

Nothing is interpreted here. Only the cells of columns the job needs are kept; what looks like an
e-mail address or a telephone number inside them is struck out and counted. The result keeps the
row numbers a spreadsheet would show.
"""

import codecs
import csv
import hashlib
import io
import re
import zipfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

import fastexcel
import polars as pl

from pipeline.errors import StockListError
from pipeline.stock.headings import ESSENTIAL, Match, joined, match, plain

_SAMPLE_BYTES = 1 << 20
_LARGEST_FILE_BYTES = 2 << 30
_LARGEST_UNPACKED_BYTES = 2 << 30
_LARGEST_PACKING = 200
_HEADER_ROWS = 40
_LEAST_HEADINGS = 3
EXTRA = "more cells than headings"

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


@dataclass(frozen=True)
class RawTable:
    """A list as read: `source_row`, one text column per column of the dictionary, and `EXTRA`.

    `EXTRA` counts what a row has to the right of the last heading: its cells may have slipped.
    Those cells are not kept, they may hold anything.
    headings: the words the list uses for each column. struck: e-mail addresses and telephone
    numbers struck out of the cells.
    """

    frame: pl.DataFrame
    headings: dict[str, str]
    match: Match
    struck: int
    sha256: str
    notes: tuple[str, ...]


def read(
    path: Path, settled: Mapping[str, str] | None = None, must: tuple[str, ...] = ESSENTIAL
) -> RawTable:
    """Read one file; `settled` maps plain headings to columns, `must` names columns it must have.

    Raises StockListError with what was found, where, and what to do.
    """
    rows, notes = rows_of(path)
    header, names = find_headings(rows, path.name, settled or {}, must)
    found = match(names, settled)
    absent = sorted(set(settled or {}) - set(map(plain, names)))
    if must and absent:
        raise StockListError(
            f"{path.name}: the column map names headings the list lacks: {', '.join(absent)}."
            f" Headings read: {', '.join(filter(None, found.all))[:400]}."
        )
    cells, struck = _struck(_cells(rows, header, found, path.name))
    headings = {name: found.all[place] for name, place in found.positions.items()}
    return RawTable(cells, headings, found, struck, sha256(path), tuple(notes))


def rows_of(path: Path) -> tuple[pl.DataFrame, list[str]]:
    """Every row of a file as text, headings and titles included, and notes on the reading."""
    _refuse_unusable(path)
    readers: dict[str, Callable[[Path], tuple[pl.DataFrame, list[str]]]] = {
        ".csv": _csv_rows,
        ".tsv": _csv_rows,
        ".txt": _csv_rows,
        ".xlsx": _xlsx_rows,
        ".xlsm": _xlsx_rows,
        ".parquet": _parquet_rows,
    }
    reader = readers.get(path.suffix.lower())
    if reader is None:
        raise StockListError(
            f"{path.name}: the ending '{path.suffix}' is not one this tool reads. Save the list"
            f" as {', '.join(readers)}."
        )
    return reader(path)


def _refuse_unusable(path: Path) -> None:
    if not path.exists():
        raise StockListError(f"{path} does not exist. Check the path.")
    if not path.is_file():
        raise StockListError(f"{path} is a folder, not a file. Name the stock list in it.")
    size = path.stat().st_size
    if size == 0:
        raise StockListError(f"{path.name} is empty (0 bytes). Ask for the list again.")
    if size > _LARGEST_FILE_BYTES:
        raise StockListError(
            f"{path.name} has {size / 2**30:.1f} GiB; the most this tool reads is"
            f" {_LARGEST_FILE_BYTES >> 30} GiB. Split the list or save it as parquet."
        )


def sha256(path: Path) -> str:
    """Digest of a file's bytes."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _csv_rows(path: Path) -> tuple[pl.DataFrame, list[str]]:
    with path.open("rb") as file:
        sample = file.read(_SAMPLE_BYTES)
    kind = next((kind for magic, kind in _OTHER_KINDS.items() if sample.startswith(magic)), None)
    if kind:
        raise StockListError(
            f"{path.name} is {kind}, whatever its name says. Export the list as CSV or XLSX."
        )
    wide = b"\xff\xfe", b"\xfe\xff"
    if b"\n" not in sample and b"\r" not in sample and len(sample) == _SAMPLE_BYTES:
        raise StockListError(
            f"{path.name}: the first line is longer than 1 MiB. This is no list of homes, one"
            " home to a line; export it again."
        )
    if b"\0" in sample and not sample.startswith(wide):
        raise StockListError(
            f"{path.name} holds zero bytes: it is not text, or text in an encoding that does not"
            " say so. Save it as 'CSV UTF-8'."
        )
    content, encoding = _as_utf8(path)
    top = content[:_SAMPLE_BYTES].decode(errors="ignore")
    separator = _separator(top)
    notes = [] if encoding == "utf-8" else [f"read as {encoding}"]
    if separator != ",":
        notes.append("separated by " + {";": "semicolons", "\t": "tabs", "|": "bars"}[separator])
    _refuse_open_quote(content, separator, path.name)
    try:
        return _split_rows(content, top, separator), notes
    except csv.Error as fault:
        raise StockListError(
            f"{path.name} cannot be told apart into cells ({fault}). Look for a stray double"
            " quote, or export the list again."
        ) from None


def _as_utf8(path: Path) -> tuple[bytes, str]:
    """The file as UTF-8 with line feeds, and the encoding it came in.

    Most lists are UTF-8 already: those bytes are checked in pieces and not copied.
    """
    content = path.read_bytes()
    encodings = ["utf-8-sig", "cp1252"]
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        encodings = ["utf-16"]
    elif _is_utf8(content):
        content = content.removeprefix(codecs.BOM_UTF8)
        lone = b"\r" in content[:_SAMPLE_BYTES] and b"\n" not in content[:_SAMPLE_BYTES]
        return (content.replace(b"\r", b"\n") if lone else content), "utf-8"
    for encoding in encodings:
        try:
            text = content.decode(encoding)
        except UnicodeDecodeError as fault:
            last = fault
            continue
        return text.replace("\r\n", "\n").replace("\r", "\n").encode(), encoding
    raise StockListError(
        f"{path.name}: byte {last.start} fits no encoding this tool reads (UTF-8, UTF-16,"
        " Windows-1252). Save it as 'CSV UTF-8'."
    ) from None


def _is_utf8(content: bytes) -> bool:
    decoder = codecs.getincrementaldecoder("utf-8")()
    try:
        for start in range(0, len(content), 1 << 24):
            decoder.decode(content[start : start + (1 << 24)])
        decoder.decode(b"", final=True)
    except UnicodeDecodeError:
        return False
    return True


def _separator(top: str) -> str:
    lines = top.splitlines()[:_HEADER_ROWS]
    return max(",;\t|", key=lambda mark: sum(line.count(mark) for line in lines))


def _refuse_open_quote(content: bytes, separator: str, name: str) -> None:
    """Refuse a quote that opens a cell and never closes; a quote inside a cell is an inch mark."""
    if content.count(b'"') % 2 == 0:
        return
    mark = re.escape(separator.encode())
    start, end = rb"(?:^|" + mark + rb")", rb"(?=" + mark + rb"|\r?$)"
    closed = re.compile(start + rb'"(?:[^"]|"")*"' + end, re.MULTILINE)
    opens = re.compile(start + rb'"', re.MULTILINE)
    if opens.search(closed.sub(b"", content)):
        lines = enumerate(content.split(b"\n"), start=1)
        line = next(n for n, text in lines if text.count(b'"') % 2 and opens.search(text))
        raise StockListError(
            f'{name} line {line}: a double quote (") is opened and never closed, so the cells'
            " after it cannot be told apart. Close it or take it out, then run again."
        )


def _split_rows(content: bytes, top: str, separator: str) -> pl.DataFrame:
    """All rows, headings included, as columns column_0...; short rows are filled with nulls."""
    sample = csv.reader(io.StringIO(top), delimiter=separator)
    width = max((len(row) for row, _ in zip(sample, range(_HEADER_ROWS), strict=False)), default=1)
    names = [f"column_{i}" for i in range(width)]
    try:
        return pl.read_csv(
            content,
            has_header=False,
            separator=separator,
            schema=dict.fromkeys(names, pl.String),
            missing_columns="insert",
        )
    except pl.exceptions.PolarsError:
        pass  # a row further down is wider than the sample: read slowly, keep every cell
    text = io.StringIO(content.decode(), newline="")
    rows = [[cell or None for cell in row] for row in csv.reader(text, delimiter=separator)]
    width = max(map(len, rows))
    names = [f"column_{i}" for i in range(width)]
    padded = [row + [None] * (width - len(row)) for row in rows]
    return pl.DataFrame(padded, schema=dict.fromkeys(names, pl.String), orient="row")


def _xlsx_rows(path: Path) -> tuple[pl.DataFrame, list[str]]:
    _refuse_bomb(path)
    try:
        book = fastexcel.read_excel(path)
        sheets = {}
        for sheet in book.sheet_names:
            loaded = book.load_sheet(
                sheet, header_row=None, skip_rows=0, dtypes="string", whitespace_as_null=True
            )
            sheets[sheet] = loaded.to_polars()
    except fastexcel.FastExcelError as fault:
        raise StockListError(
            f"{path.name} could not be opened as a workbook ({str(fault).splitlines()[0]})."
            " Open it in a spreadsheet and save it again as .xlsx, without a password."
        ) from None
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
    frame = sheets[best]
    return frame.rename({name: f"column_{i}" for i, name in enumerate(frame.columns)}), notes


def _refuse_bomb(path: Path) -> None:
    try:
        with zipfile.ZipFile(path) as archive:
            parts = archive.infolist()
    except zipfile.BadZipFile:
        raise StockListError(
            f"{path.name} is not an .xlsx workbook. If it is an old .xls or has a password, open"
            " it in a spreadsheet and save it as .xlsx without one."
        ) from None
    unpacked = sum(part.file_size for part in parts)
    packed = sum(part.compress_size for part in parts) or 1
    if unpacked > _LARGEST_UNPACKED_BYTES or (
        unpacked > 100 << 20 and unpacked / packed > _LARGEST_PACKING
    ):
        raise StockListError(
            f"{path.name} would unpack from {packed:,} to {unpacked:,} bytes, as no real stock"
            " list does. It was not opened. Ask the sender for the list as CSV."
        )


def _parquet_rows(path: Path) -> tuple[pl.DataFrame, list[str]]:
    try:
        frame = pl.read_parquet(path)
        text = frame.cast(pl.String)
    except (pl.exceptions.PolarsError, OSError) as fault:
        raise StockListError(
            f"{path.name} could not be read as a flat parquet table"
            f" ({str(fault).splitlines()[0]}). Write it again, one plain column per heading."
        ) from None
    names = [f"column_{i}" for i in range(text.width)]
    head = pl.DataFrame([frame.columns], schema=names, orient="row")
    return pl.concat([head, text.rename(dict(zip(frame.columns, names, strict=True)))]), []


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
            count = match(names, settled).count
            if count > best[2]:
                best = (index, names, count)
    return best


def find_headings(
    rows: pl.DataFrame, name: str, settled: Mapping[str, str], must: tuple[str, ...]
) -> tuple[int, list[object]]:
    """Index of the row above the homes, and the headings.

    Raises StockListError where no row reads as headings or a column of `must` has none.
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
    found = match(names, settled)
    if any(column not in found.positions for column in must):
        raise StockListError(
            f"{name} row {header + 1}: no heading for {', '.join(found.missing)}. Headings read:"
            f" {', '.join(filter(None, found.all))[:400]}.{found.hint} Rename the columns, or"
            " settle them with --columns (`programme headings FILE` prints a map to start from)."
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
        *(pl.col(cells[place]).alias(column) for column, place in found.positions.items()),
        pl.when(more > 0).then(more.cast(pl.String)).alias(EXTRA),
    )


_EMAIL = r"[\w.+-]+@[\w-]+\.[\w.]+"
_TELEPHONE = r"(?:\+44[\s-]?|\b0)\d{2,4}[\s-]?\d{3,4}[\s-]?\d{3,4}\b"


def _struck(cells: pl.DataFrame) -> tuple[pl.DataFrame, int]:
    """Strike e-mail addresses and telephone numbers out of free text; count them."""
    free = [c for c in ("address", "estate", "block_ref") if c in cells.columns]
    if not free:
        return cells, 0
    pattern = f"{_EMAIL}|{_TELEPHONE}"
    counts = cells.select(pl.col(free).str.count_matches(pattern).sum())
    struck = cells.with_columns(
        pl.col(free).str.replace_all(pattern, "").str.strip_chars().replace("", None)
    )
    return struck, sum(int(count or 0) for count in counts.row(0))
