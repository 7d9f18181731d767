"""Reads a workbook or parquet file in a process of its own, with little memory and time.

Run as a script, not imported: it must start fast, and a file made to break its reader may break
this process only. `bounds.tables` starts it. Prints one line of JSON: the tables it left in the
folder as Arrow files, or why the file was not read.

    python -I apart.py LIST FOLDER
"""

import json
import re
import sys
import zipfile
from pathlib import Path
from typing import Any

MOST_ROWS = 2_000_000
"""Own assumption: twice the largest list this tool is tried with."""
MOST_COLUMNS = 702
"""Columns A to ZZ of a spreadsheet. Lists of homes have tens of columns, few have hundreds."""
MOST_CELLS = 40_000_000
"""A million rows by forty columns: 640 MB at the 16 bytes that polars takes for a cell."""
_MOST_SHEET_CELLS = 16_000_000
"""300,000 rows by forty columns and a third more. A workbook's reader takes 80 bytes for a cell,
measured."""
_MOST_SHEETS = 200
_MOST_PARTS = 10_000
_MOST_UNPACKED_BYTES = 1 << 30
"""300,000 rows by 46 columns unpack to 340 MB, measured."""
_MOST_PACKING, _PACKED_TIGHT_FROM_BYTES = 200, 100 << 20
"""Real sheets pack to a tenth; repeated nothing packs to a thousandth."""
_MOST_MEMORY_BYTES = 1500 << 20
"""With the quarter of a gigabyte of the calling process under 2 GB."""
_MOST_FILE_BYTES = 2 << 30
_MOST_SECONDS = 60
"""Of processor time: three times what the largest workbook within the bounds takes."""
_PIECE_BYTES = 1 << 22
_AS_CSV = "Delete what is not the list of homes, or save that sheet as CSV."


class _Refused(Exception):
    """The file is beyond the bounds or no such file; the text goes behind its name."""


def _limit() -> None:
    """Bound this process, where the system can: data, processor time, file size, no core dump."""
    try:
        import resource
    except ImportError:  # not on Windows: the bounds before reading hold there
        return
    for limit, most in (
        (resource.RLIMIT_DATA, _MOST_MEMORY_BYTES),
        (resource.RLIMIT_CPU, _MOST_SECONDS),
        (resource.RLIMIT_FSIZE, _MOST_FILE_BYTES),
        (resource.RLIMIT_CORE, 0),
    ):
        resource.setrlimit(limit, (most, most))


def _measure(path: Path) -> None:
    """Refuse an archive that holds more than a workbook with a list of homes does.

    Every part is unpacked in pieces that are dropped, whatever size the archive states.
    """
    packed, unpacked, cells, sheets = path.stat().st_size, 0, 0, 0
    with zipfile.ZipFile(path) as archive:
        parts = archive.infolist()
        if len(parts) > _MOST_PARTS:
            raise _Refused(f"holds {len(parts):,} parts, as no workbook of homes does. {_AS_CSV}")
        for part in parts:
            part.file_size = sys.maxsize  # read what is there, not what is said
            with archive.open(part) as file:
                while piece := file.read(_PIECE_BYTES):
                    unpacked += len(piece)
                    cells += piece.count(b"<v") + piece.count(b"<is")
                    sheets += piece.count(b"<sheet ")
                    _refuse_unlike(packed, unpacked, cells, sheets)
                    _refuse_far_cell(piece)


def _refuse_unlike(packed: int, unpacked: int, cells: int, sheets: int) -> None:
    tight = unpacked > _PACKED_TIGHT_FROM_BYTES and unpacked > packed * _MOST_PACKING
    if unpacked > _MOST_UNPACKED_BYTES or tight:
        raise _Refused(
            f"would unpack from {packed:,} to more than {unpacked:,} bytes, as no real stock list"
            " does. It was not opened. Ask the sender for the list as CSV."
        )
    if cells > _MOST_SHEET_CELLS:
        raise _Refused(
            f"holds more than {_MOST_SHEET_CELLS:,} filled cells, the most this tool reads from a"
            f" workbook. {_AS_CSV}"
        )
    if sheets > _MOST_SHEETS:
        raise _Refused(f"has more than {_MOST_SHEETS} sheets. {_AS_CSV}")


def _refuse_far_cell(piece: bytes) -> None:
    far = re.search(rb'<c r="([A-Z]{3}\d{1,7})"[^>]*[^/]>', piece)
    if far:
        raise _Refused(
            f"has a filled cell at {far[1].decode()}; the most this tool reads is {MOST_COLUMNS}"
            f" columns, A to ZZ. {_AS_CSV}"
        )


def _workbook(path: Path, folder: Path) -> list[dict[str, str]]:
    """Every sheet as text, in the order of the book."""
    try:
        _measure(path)
    except (zipfile.BadZipFile, RuntimeError, NotImplementedError, EOFError, OSError) as fault:
        raise _Refused(
            f"is not an .xlsx workbook ({fault}). If it is an old .xls or has a password, open it"
            " in a spreadsheet and save it as .xlsx without one."
        ) from None
    import fastexcel

    tables = []
    try:
        book = fastexcel.read_excel(path)
        for number, name in enumerate(book.sheet_names):
            sheet = book.load_sheet(
                number, header_row=None, skip_rows=0, dtypes="string", whitespace_as_null=True
            )
            told = {"name": name, "visible": sheet.visible, "file": f"{number}.arrow"}
            frame = sheet.to_polars()
            del sheet
            frame.write_ipc(folder / told["file"])
            tables.append(told)
    except fastexcel.FastExcelError as fault:
        raise _Refused(
            f"could not be opened as a workbook ({str(fault).splitlines()[0]}). Open it in a"
            " spreadsheet and save it again as .xlsx, without a password."
        ) from None
    return tables


def _parquet(path: Path, folder: Path) -> list[dict[str, str]]:
    """The table as text; its size is looked up before a page is read."""
    import polars as pl

    try:
        lazy = pl.scan_parquet(path, glob=False)
        schema = lazy.collect_schema()
        rows = int(lazy.select(pl.len()).collect().item())
        if rows > MOST_ROWS or len(schema) > MOST_COLUMNS or rows * len(schema) > MOST_CELLS:
            raise _Refused(
                f"holds {rows:,} rows of {len(schema):,} columns; the most this tool reads is"
                f" {MOST_ROWS:,} rows, {MOST_COLUMNS} columns and {MOST_CELLS:,} cells. Write"
                " fewer columns, or the homes in several lists."
            )
        nested = [name for name, dtype in schema.items() if dtype.is_nested()]
        if nested:
            raise pl.exceptions.SchemaError(f"column '{nested[0]}' is nested")
        lazy.select(pl.all().cast(pl.String)).sink_ipc(folder / "0.arrow")
    except (pl.exceptions.PolarsError, OSError) as fault:
        raise _Refused(
            f"could not be read as a flat parquet table ({str(fault).splitlines()[0][:200]})."
            " Write it again, one plain column per heading."
        ) from None
    return [{"name": path.stem, "visible": "visible", "file": "0.arrow"}]


def _told(path: Path, folder: Path) -> dict[str, Any]:
    reader = _parquet if path.suffix.lower() == ".parquet" else _workbook
    try:
        return {"tables": reader(path, folder)}
    except _Refused as fault:
        return {"refused": str(fault)}


if __name__ == "__main__":
    _limit()
    print(json.dumps(_told(Path(sys.argv[1]), Path(sys.argv[2]))))
