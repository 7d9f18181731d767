"""The DuckDB store of one run: published whole as a new file, opened read-only by everyone else.

No process ever writes the published file in place. A run builds a file beside it and checks it;
`pipeline.outputs` renames it over the old one, so that a killed run leaves the old one as it was.
"""

import hashlib
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from pipeline.errors import StoreError

FORMAT = 4
_TABLES = (
    "run", "ranking", "screens", "quarantine", "faults", "said", "questions", "overrides",
    "corrections", "rate_book", "system_catalogue", "reference",
)  # fmt: skip
_CONFIG: dict[str, str | bool | int | float | list[str]] = {
    "autoinstall_known_extensions": False,
    "autoload_known_extensions": False,
    "enable_external_access": False,
}


class Builder:
    """A store under construction, in a file that `pipeline.outputs` puts in place when whole."""

    def __init__(self, connection: duckdb.DuckDBPyConnection) -> None:
        """Use `Builder.open` instead."""
        self._connection = connection

    @classmethod
    @contextmanager
    def open(cls, building: Path, tables: tuple[str, ...] = _TABLES) -> Iterator["Builder"]:
        """Yield a builder of a new file; on leaving without error check the file.

        tables: those the file must hold.

        Raises StoreError where it cannot be written or fails its check.
        """
        with _in_words(building):
            with duckdb.connect(str(building), config=_CONFIG) as connection:
                yield cls(connection)
                connection.execute("checkpoint")
            _check(building, tables)

    def write(self, table: str, frames: pl.DataFrame | Iterable[pl.DataFrame]) -> None:
        """Create a table from one frame, or from frames of one schema in turn."""
        parts = [frames] if isinstance(frames, pl.DataFrame) else frames
        for number, part in enumerate(parts):
            verb = f"create table {table} as" if number == 0 else f"insert into {table}"
            self._connection.register("part", part)
            self._connection.execute(f"{verb} select * from part")
            self._connection.unregister("part")


@contextmanager
def _in_words(building: Path) -> Iterator[None]:
    """Turn what the disk or the memory refuses DuckDB into a StoreError; other faults are ours."""
    try:
        yield
    except (duckdb.OperationalError, duckdb.FatalException) as fault:
        raise StoreError(
            f"The store could not be written in {building.parent}"
            f" ({str(fault).splitlines()[0]}). Free the place, or name another with --store."
        ) from None


def why_strange(path: Path) -> str:
    """Why a DuckDB file is no store of this tool, in words after its name; empty for a store.

    A store of an earlier format is one; a file in which anybody keeps further tables is not.
    """
    try:
        with duckdb.connect(str(path), read_only=True, config=_CONFIG) as connection:
            rows = connection.execute(
                "select table_name, column_name from information_schema.columns"
            ).fetchall()
    except duckdb.Error as fault:
        return f"is a database that could not be opened ({str(fault).splitlines()[0]})"
    tables = {table for table, _ in rows}
    if {"claim", "line"} & tables:
        return "is a ledger of claims"
    if further := sorted(tables - set(_TABLES)):
        return f"is a database with tables no store has ({', '.join(further[:3])})"
    if not {("run", "format"), ("run", "account"), ("ranking", "home_id")} <= set(rows):
        return "is a database but no store of this tool"
    return ""


def run_row(path: Path) -> dict[str, Any]:
    """The row of table `run` in a store of any format; empty where no such file can be read."""
    try:
        with duckdb.connect(str(path), read_only=True, config=_CONFIG) as connection:
            row: dict[str, Any] = connection.sql("from run").pl().row(0, named=True)
            return row
    except (duckdb.Error, pl.exceptions.PolarsError):
        return {}


def _check(path: Path, tables: tuple[str, ...]) -> None:
    with duckdb.connect(str(path), read_only=True, config=_CONFIG) as connection:
        found = {row[0] for row in connection.execute("show tables").fetchall()}
    if lacking := set(tables) - found:
        raise StoreError(f"The new store lacks {', '.join(sorted(lacking))}; it was not published.")


class Store:
    """A published store, read-only. Use as a context manager."""

    def __init__(self, path: Path) -> None:
        """Open the store. Raises StoreError where it is missing or is none of ours."""
        self._path = path
        if not path.is_file():
            raise StoreError(
                f"No store at {path}. Make one with `programme run STOCK --store {path}`."
            )
        try:
            self._connection = duckdb.connect(str(path), read_only=True, config=_CONFIG)
            try:
                version = self._connection.execute("select format from run").fetchall()
            except duckdb.Error:
                self._connection.close()
                raise
        except duckdb.Error as fault:
            raise StoreError(
                f"{path} could not be opened as a store of this tool"
                f" ({str(fault).splitlines()[0]}). Make it again with `programme run`."
            ) from None
        if version != [(FORMAT,)]:
            self._connection.close()
            raise StoreError(f"{path} was written by another version. Run `programme run` again.")

    def __enter__(self) -> "Store":
        """The open store."""
        return self

    def __exit__(self, *_: object) -> None:
        """Close the file."""
        self._connection.close()

    def table(self, name: str) -> pl.DataFrame:
        """One whole table, rows in the order they were written. Raises StoreError if damaged."""
        try:
            frame: pl.DataFrame = self._connection.sql(f"from {name}").pl()
        except duckdb.Error as fault:
            raise damaged(self._path, str(fault).splitlines()[0]) from None
        return frame


def digest(table: pl.DataFrame) -> str:
    """Digest of a small table, by which a store shows that it is as the run left it."""
    return hashlib.sha256(table.write_csv().encode()).hexdigest()


def damaged(path: Path, why: str) -> StoreError:
    """The fault of a store that is not as a run left it."""
    return StoreError(
        f"{path} is damaged, or was changed by another program ({why}). Take it from a backup, or"
        " make it again with `programme run`."
    )
