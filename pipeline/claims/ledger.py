"""The claims ledger: one small SQLite file that outlives runs. It only ever grows.

SQLite, because a claim told as made must be in the one file that is copied and backed up: its
rollback journal is gone once a commit is done, a process killed at any byte leaves the old state
or the new, and writers wait for one another.
"""

import datetime
import os
import sqlite3
from collections.abc import Mapping
from contextlib import closing
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from pipeline import identity
from pipeline.errors import ClaimError

_FILES = ("claim.csv", "claim.xlsx", "claim.json")
_KIND = 0x5250434C
"""Number in the head of the file by which a ledger of this tool is known."""
_FORMAT = 1
_PATIENCE_S = 30.0
_SCHEMA = f"""
create table claim (
    claim_id text primary key, measure text not null, made_at text not null,
    csv blob not null, xlsx blob not null, json blob not null
) strict;
create table line (
    claim_id text not null references claim (claim_id), line integer not null,
    home_id text not null, uprn text, address text, postcode text, measure text not null,
    another text, unique (measure, home_id)
) strict;
pragma application_id = {_KIND};
pragma user_version = {_FORMAT};
"""
OLDER = "claims.duckdb"
"""Name of the ledgers of earlier versions."""


class Ledger:
    """An open ledger. Use as a context manager; a writer waits for the one before it."""

    def __init__(self, path: Path, read_only: bool = False) -> None:
        """Open or create. Raises ClaimError where it is missing, in use, or no ledger."""
        self.path = path
        try:
            if not path.exists() and (not read_only or path.with_name(OLDER).exists()):
                _create(path)
            if not path.is_file():
                raise ClaimError(f"No claim was made yet: there is no ledger at {path}.")
            mode = "ro" if read_only else "rw"
            self._connection = sqlite3.connect(
                f"{path.absolute().as_uri()}?mode={mode}",
                uri=True,
                timeout=_PATIENCE_S,
                isolation_level=None,
            )
        except (sqlite3.Error, OSError) as fault:
            raise ClaimError(
                f"The ledger {path} cannot be opened ({fault}). Check its folder and rights."
            ) from None
        try:
            self._check()
            self._connection.execute("pragma synchronous = extra")
            self._connection.execute("pragma foreign_keys = on")
        except BaseException:
            self._connection.close()
            raise

    def _check(self) -> None:
        """Raise ClaimError where the file is no ledger, of another version, or damaged."""
        try:
            (kind,) = self._connection.execute("pragma application_id").fetchone()
            (version,) = self._connection.execute("pragma user_version").fetchone()
            (state,) = self._connection.execute("pragma quick_check(1)").fetchone()
        except sqlite3.Error as fault:
            raise self._told(fault) from None
        if kind != _KIND:
            raise ClaimError(
                f"{self.path} is not a claims ledger. Restore the ledger from your backup; never"
                " start a new one while claims stand."
            )
        if version != _FORMAT:
            raise ClaimError(
                f"{self.path} is a ledger of version {version}; this program writes {_FORMAT}. Use"
                " the program it was made with, or a newer one."
            )
        if state != "ok":
            raise self._damaged(state)

    def _damaged(self, why: object) -> ClaimError:
        return ClaimError(
            f"The ledger {self.path} is damaged ({why}). Restore it from your backup; never start"
            " a new one while claims stand."
        )

    def _told(self, fault: sqlite3.Error) -> ClaimError:
        """The fault in words: only a file that is locked is worth waiting for."""
        if isinstance(fault, sqlite3.OperationalError) and "locked" in str(fault):
            return ClaimError(
                f"Somebody else is claiming in {self.path}, and was not done in"
                f" {_PATIENCE_S:.0f} seconds. Wait for them and try again; nothing was recorded."
            )
        if isinstance(fault, sqlite3.OperationalError):
            return ClaimError(
                f"The ledger {self.path} cannot be read or written ({fault}). Check its folder,"
                " its rights and the room on the disk; nothing was recorded."
            )
        return self._damaged(fault)

    def __enter__(self) -> "Ledger":
        """The open ledger."""
        return self

    def __exit__(self, *_: object) -> None:
        """Close the file."""
        self._connection.close()

    def add(
        self,
        claim_id: str,
        measure: str,
        lines: pl.DataFrame,
        made: dict[str, bytes],
        another: Mapping[str, str],
    ) -> None:
        """Freeze a claim with its files; it is on disk when this returns.

        another: homes that somebody found to be others than those they look like, with the reason.
        Raises ClaimError naming homes claimed before, or held because they look like one.
        """
        made_at = datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
        rows = lines.select("line", *identity.NAMED).to_dicts()
        try:
            self._connection.execute("begin immediate")
            try:
                self._refuse(lines, another)
                self._connection.execute(
                    "insert into claim values (?, ?, ?, ?, ?, ?)",
                    [claim_id, measure, made_at, *(made[name] for name in _FILES)],
                )
                self._connection.executemany(
                    "insert into line values (?, ?, ?, ?, ?, ?, ?, ?)",
                    [
                        [claim_id, int(r["line"]), *(r[name] for name in identity.NAMED), measure,
                         another.get(r["home_id"])]
                        for r in rows
                    ],
                )  # fmt: skip
                self._connection.execute("commit")
            except BaseException:
                if self._connection.in_transaction:
                    self._connection.execute("rollback")
                raise
        except sqlite3.Error as fault:
            raise self._told(fault) from None

    def _refuse(self, lines: pl.DataFrame, another: Mapping[str, str]) -> None:
        found = identity.met(lines, self.homes())
        open_to = pl.col("home_id").is_in(list(another)) & (pl.col("way") != identity.KEY)
        refuse_met(found.filter(~open_to))

    def files(self, claim_id: str) -> dict[str, bytes]:
        """The files of a claim as they were made. Raises ClaimError for an unknown number."""
        found = self._all("select csv, xlsx, json from claim where claim_id = ?", [claim_id])
        if not found:
            known = ", ".join(row[0] for row in self._all("select claim_id from claim")) or "none"
            raise ClaimError(f"No claim {claim_id} in the ledger. It holds: {known}.")
        return dict(zip(_FILES, map(bytes, found[0]), strict=True))

    def homes(self) -> pl.DataFrame:
        """identity.NAMED, claim_id and made_at of every line, by home."""
        named = ", ".join(f"line.{name}" for name in identity.NAMED)
        rows = self._all(
            f"select {named}, claim_id, made_at from line join claim using (claim_id)"
            " order by line.home_id"
        )
        return pl.DataFrame(rows, schema=SCHEMA, orient="row")

    def _all(self, query: str, values: list[str] | None = None) -> list[Any]:
        try:
            return self._connection.execute(query, values or []).fetchall()
        except sqlite3.Error as fault:
            raise self._told(fault) from None


SCHEMA = dict.fromkeys((*identity.NAMED, "claim_id", "made_at"), pl.String)


def refuse_met(found: pl.DataFrame) -> None:
    """Raise ClaimError naming homes claimed before, and homes that look like one that was.

    found: as `identity.met` gives it, with claim_id and made_at.
    """
    sure = found.filter(pl.col("way").is_in(identity.SURE))
    if sure.height:
        raise ClaimError(
            f"Claimed before, refused: {_listed(sure)}. Take them off the list; nothing was"
            " recorded."
        )
    if found.height:
        raise ClaimError(
            f"Held, as they look like homes claimed before: {_listed(found)}. Take them off the"
            " list, or, where somebody has seen that a home is another one, add --another"
            " HOME=REASON; the reason is kept in the claim. Nothing was recorded."
        )


def _listed(found: pl.DataFrame) -> str:
    told = []
    for row in found.head(10).iter_rows(named=True):
        as_other = "" if row["way"] == identity.KEY else f", {row['way']} as {row['other']}"
        told.append(f"{row['home_id']} (claim {row['claim_id']} of {row['made_at']}{as_other})")
    more = f" and {found.height - 10} more" if found.height > 10 else ""
    return ", ".join(told) + more


def _create(path: Path) -> None:
    """Make an empty ledger beside its place and link it in; the first of several makers wins."""
    path.parent.mkdir(parents=True, exist_ok=True)
    building = path.with_name(f".{path.name}.{os.getpid()}.building")
    building.unlink(missing_ok=True)
    try:
        with closing(sqlite3.connect(building)) as connection:
            connection.executescript(_SCHEMA)
            older = path.with_name(OLDER)
            if older.exists():
                _take_over(connection, older)
        with building.open("rb") as file:
            os.fsync(file.fileno())
        try:
            os.link(building, path)
        except FileExistsError:
            return
        folder = os.open(path.parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)
    finally:
        building.unlink(missing_ok=True)


def _take_over(connection: sqlite3.Connection, older: Path) -> None:
    """Copy the claims of an earlier version's ledger, whose lines stand in its CSV files."""
    try:
        with duckdb.connect(str(older), read_only=True) as old:
            found = old.execute("select claim_id, measure, made_at, csv, xlsx, json from claim")
            claims = found.fetchall()
    except duckdb.Error as fault:
        raise ClaimError(
            f"{older} is a ledger of an earlier version and cannot be read"
            f" ({str(fault).splitlines()[0]}). Restore it from your backup: its claims stand."
        ) from None
    for claim in claims:
        connection.execute("insert into claim values (?, ?, ?, ?, ?, ?)", claim)
        lines = pl.read_csv(claim[3], infer_schema=False)
        as_sent = pl.col(identity.NAMED).str.replace(r"^'(.)", "$1")
        for row in lines.with_columns(as_sent).iter_rows(named=True):
            named = (row[name] for name in identity.NAMED)
            connection.execute(
                "insert into line values (?, ?, ?, ?, ?, ?, ?, null)",
                [claim[0], int(row["line"]), *named, claim[1]],
            )
    connection.commit()
