"""Tables of workbooks and parquet files, read apart so that no file can take this process along.

See `apart` for the bounds and why they stand where they stand.
"""

import json
import os
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.errors import StockListError
from pipeline.stock import apart, characters, personal

_MOST_FILE_BYTES = 384 << 20
"""A million homes by thirty columns are 210 MB as CSV, measured on the demo's columns. polars takes
four times its bytes for one long quoted cell, measured; this keeps it under 2 GB."""
_MOST_SECONDS = 600
"""By the clock, if the limit of processor time in `apart` does not bite."""


@dataclass(frozen=True)
class Table:
    """A sheet or table as sent: its name, whether it shows, every row as text without headings."""

    name: str
    shows: bool
    headings: tuple[str, ...]
    rows: pl.DataFrame


def refuse_large(path: Path) -> None:
    """Raises StockListError for a file with more bytes than this tool reads."""
    size = path.stat().st_size
    if size > _MOST_FILE_BYTES:
        raise StockListError(
            f"{path.name} has {size / 2**20:,.0f} MiB; the most this tool reads is"
            f" {_MOST_FILE_BYTES >> 20} MiB. Split the list or save it as parquet."
        )


def tables(path: Path) -> list[Table]:
    """The sheets of a workbook, or the one table of a parquet file, in the file's order.

    Raises StockListError where the file is none, is beyond the bounds, or breaks its reader.
    """
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as folder:
        told = _read_apart(path, Path(folder))
        if "refused" in told:
            raise StockListError(f"{path.name} {told['refused']}")
        names = _names([one["name"] for one in told["tables"]])
        return [
            _table(name, one, pl.read_ipc((Path(folder) / one["file"]).read_bytes()))
            for name, one in zip(names, told["tables"], strict=True)
        ]


def _names(sent: list[str]) -> list[str]:
    """Names of sheets that may be shown and kept; the sheet's number where one may not."""
    names: list[str] = []
    for number, name in enumerate(map(characters.visible, sent), start=1):
        free = name and name not in names and not personal.strike(name)[1]
        names.append(name if free else f"sheet {number}")
    return names


def _table(name: str, told: dict[str, Any], frame: pl.DataFrame) -> Table:
    columns = [f"column_{i}" for i in range(frame.width)]
    rows = frame.rename(dict(zip(frame.columns, columns, strict=True)))
    return Table(name, told["visible"] == "visible", tuple(frame.columns), rows)


def _read_apart(path: Path, folder: Path) -> dict[str, Any]:
    """What `apart` says of the file. Raises StockListError where it did not live to say it."""
    command = [sys.executable, "-I", apart.__file__, str(path.absolute()), str(folder)]
    threads = {"POLARS_MAX_THREADS": "2", "MALLOC_ARENA_MAX": "2", "RUST_BACKTRACE": "0"}
    try:
        done = subprocess.run(
            command,
            env={**os.environ, **threads},
            capture_output=True,
            timeout=_MOST_SECONDS,
            check=False,
        )
        told: dict[str, Any] = json.loads(done.stdout)
    except (subprocess.TimeoutExpired, ValueError):
        raise StockListError(
            f"{path.name} could not be read with the memory and time this tool gives one file: it"
            " is damaged, holds far more than a list of homes, or has a cell far outside the list"
            " (Ctrl+End in a spreadsheet goes to the last one). Delete what is not the list, or"
            " save it as CSV."
        ) from None
    return told
