"""The DuckDB store of one run: published whole as a new file, opened read-only by everyone else.

No process ever writes the published file in place. A run builds a file beside it, checks it,
and renames it over the old one; a killed run leaves the old one as it was.
"""

import hashlib
import os
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path

import duckdb
import polars as pl

from pipeline.errors import StoreError
from pipeline.exports import make_folder

FORMAT = 3
_TABLES = (
    "run", "ranking", "screens", "quarantine", "faults", "mended", "overrides", "corrections",
    "rate_book", "system_catalogue", "reference",
)  # fmt: skip
_CONFIG: dict[str, str | bool | int | float | list[str]] = {
    "autoinstall_known_extensions": False,
    "autoload_known_extensions": False,
    "enable_external_access": False,
}


class Builder:
    """A store under construction beside its final place; `Builder.open` publishes or removes it."""

    def __init__(self, path: Path, connection: duckdb.DuckDBPyConnection) -> None:
        """Use `Builder.open` instead."""
        self._path = path
        self._connection = connection

    @classmethod
    @contextmanager
    def open(cls, target: Path, tables: tuple[str, ...] = _TABLES) -> Iterator["Builder"]:
        """Yield a builder; on leaving without error check the new file and rename it into place.

        tables: those the file must hold.

        Raises StoreError where the folder cannot be written or the new file fails its check.
        """
        if target.is_dir():
            raise StoreError(f"{target} is a folder. Name a file for the store.")
        make_folder(target.parent)
        building = target.with_name(f".{target.name}.{os.getpid()}.building")
        for left in target.parent.glob(f".{target.name}.*.building*"):
            if not _is_running(left):
                left.unlink(missing_ok=True)
        try:
            connection = duckdb.connect(str(building), config=_CONFIG)
        except (duckdb.Error, OSError) as fault:
            raise StoreError(f"No store can be written at {target.parent}: {fault}.") from None
        try:
            with connection:
                yield cls(building, connection)
                connection.execute("checkpoint")
            _check(building, tables)
            with building.open("rb") as file:
                os.fsync(file.fileno())
            building.replace(target)
        finally:
            building.unlink(missing_ok=True)
            building.with_name(building.name + ".wal").unlink(missing_ok=True)

    def write(self, table: str, frames: pl.DataFrame | Iterable[pl.DataFrame]) -> None:
        """Create a table from one frame, or from frames of one schema in turn."""
        parts = [frames] if isinstance(frames, pl.DataFrame) else frames
        for number, part in enumerate(parts):
            verb = f"create table {table} as" if number == 0 else f"insert into {table}"
            self._connection.register("part", part)
            self._connection.execute(f"{verb} select * from part")
            self._connection.unregister("part")


def _is_running(building: Path) -> bool:
    """Whether the process whose number a half-built file bears still runs."""
    number = building.name.split(".building")[0].rsplit(".", 1)[-1]
    try:
        os.kill(int(number), 0)
    except (ProcessLookupError, ValueError):
        return False
    except OSError:
        return True
    return int(number) != os.getpid()


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
