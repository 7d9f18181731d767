"""The claims ledger: one small SQLite file that outlives runs. It only ever grows.

SQLite, because a claim told as made must be in the one file that is copied and backed up: its
rollback journal is gone once a commit is done, a process killed at any byte leaves the old state
or the new, and writers wait for one another.
"""

import datetime
import glob
import hashlib
import json
import os
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from pipeline import identity
from pipeline.errors import ClaimError
from pipeline.identity import Another
from pipeline.outputs import PART, half_built, is_left

_FILES = ("claim.csv", "claim.xlsx", "claim.json")
KIND = 0x5250434C
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
pragma application_id = {KIND};
pragma user_version = {_FORMAT};
"""
OLDER = "claims.duckdb"
"""Name of the ledgers of earlier versions."""
_ALONE: dict[str, str | bool | int | float | list[str]] = {
    "autoinstall_known_extensions": False,
    "autoload_known_extensions": False,
}
_REFUSED = (
    sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY, sqlite3.SQLITE_IOERR, sqlite3.SQLITE_FULL,
    sqlite3.SQLITE_PERM, sqlite3.SQLITE_NOMEM, sqlite3.SQLITE_NOLFS,
)  # fmt: skip
"""What the disk or the system refuses; other faults lie in the file."""


class Ledger:
    """An open ledger. Use as a context manager; a writer waits for the one before it."""

    def __init__(self, path: Path, create: bool = False) -> None:
        """Open, or create where there is none. Raises ClaimError where it is no sound ledger."""
        self.path = path
        try:
            if not os.path.lexists(path) and (create or path.with_name(OLDER).exists()):
                _create(path)
            if not os.path.lexists(path):
                raise ClaimError(f"No claim was made yet: there is no ledger at {path}.")
            if not path.is_file():
                raise ClaimError(
                    f"{path} is no file, so no ledger of claims. If it stands for a drive, connect"
                    " it; else name another place under [claims] ledger."
                )
            _clear(path)
            # a reader too may have to undo what a killed writer left, so nobody opens read-only;
            # where a file may not be written SQLite reads it all the same
            self._connection = sqlite3.connect(
                f"{path.absolute().as_uri()}?mode=rw",
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
        except BaseException:
            self._connection.close()
            raise

    def _check(self) -> None:
        """Raise ClaimError where the file is no ledger, of another version, or damaged."""
        (kind,) = self._all("pragma application_id")[0]
        if kind != KIND:
            raise self._strange("it does not bear the number of a ledger")
        (version,) = self._all("pragma user_version")[0]
        if version != _FORMAT:
            raise ClaimError(
                f"{self.path} is a ledger of format {version}; this program knows {_FORMAT}. Use"
                " the program it was made with, or a newer one."
            )
        (state,) = self._all("pragma integrity_check(1)")[0]
        if state != "ok":
            raise self._strange(state)
        for rule in ("synchronous = extra", "foreign_keys = on", "journal_mode = delete"):
            self._all(f"pragma {rule}")

    def _strange(self, why: object) -> ClaimError:
        """What is wrong with a file that SQLite cannot use as a ledger, by its first bytes."""
        with self.path.open("rb") as file:
            head = file.read(100)
        size, pages = self.path.stat().st_size, int.from_bytes(head[28:32])
        page = int.from_bytes(head[16:18])
        whole = pages * (65536 if page == 1 else page)
        if not head:
            said = "is empty: 0 bytes. A copy broke off, or the disk was full"
        elif head[8:12] == b"DUCK":
            said = f"is of an earlier version's kind. Give it the name {OLDER} in its folder"
            return ClaimError(f"The ledger {self.path} {said}: its claims are then taken over.")
        elif not head.startswith(b"SQLite format 3\0"):
            said = f"is no ledger: another kind of file, which begins with {head[:12]!r}"
        elif int.from_bytes(head[68:72]) != KIND:
            said = "is a database of another program, no ledger of claims"
        elif size < whole:
            said = f"is cut short: {size:,} of {whole:,} bytes are there"
        else:
            said = f"is damaged ({why})"
        return ClaimError(
            f"The ledger {self.path} {said}. Restore it from your backup; never start a new one"
            " while claims stand."
        )

    def _told(self, fault: sqlite3.Error) -> ClaimError:
        """The fault in words: only a file that is locked is worth waiting for."""
        code = getattr(fault, "sqlite_errorcode", 0) & 0xFF
        if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
            return ClaimError(
                f"Somebody else is claiming in {self.path}, and was not done in"
                f" {_PATIENCE_S:.0f} seconds. Wait for them and try again; nothing was recorded."
            )
        if code in _REFUSED:
            return ClaimError(
                f"The ledger {self.path} cannot be read or written ({fault}). Check its folder,"
                " its rights and the room on the disk; nothing was recorded."
            )
        return self._strange(fault)

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
        another: Another,
    ) -> None:
        """Freeze a claim with its files; it is on disk when this returns.

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
                         _reason(r["home_id"], another)]
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

    def _refuse(self, lines: pl.DataFrame, another: Another) -> None:
        found = identity.met(lines, self.homes())
        refuse_met(held_open(found, another))

    def files(self, claim_id: str) -> dict[str, bytes]:
        """The files of a claim as they were made. Raises ClaimError for an unknown number."""
        found = self._all("select csv, xlsx, json from claim where claim_id = ?", [claim_id])
        if not found:
            known = ", ".join(row[0] for row in self._all("select claim_id from claim")) or "none"
            raise ClaimError(f"No claim {claim_id} in the ledger. It holds: {known}.")
        made = dict(zip(_FILES, map(bytes, found[0]), strict=True))
        try:
            told = json.loads(made["claim.json"])["sha256"]
            whole = all(hashlib.sha256(made[name]).hexdigest() == told[name] for name in told)
        except (ValueError, KeyError, TypeError):
            whole = False
        if not whole:
            raise self._strange(f"the files of claim {claim_id} are not those that were made")
        return made

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


def held_open(found: pl.DataFrame, another: Another) -> pl.DataFrame:
    """Pairs met without those that only look like one and that somebody said to be two homes."""
    pair = pl.struct("home_id", "other")
    said = [{"home_id": a, "other": b} for one in another for a, b in (one, one[::-1])]
    settled = pair.is_in(pl.Series(said, dtype=_PAIR).implode()) & ~pl.col("way").is_in(
        identity.SURE
    )
    return found.filter(~settled)


_PAIR = pl.Struct(dict.fromkeys(("home_id", "other"), pl.String))


def _reason(home_id: str, another: Another) -> str | None:
    """Why a home is none of those that it looks like; null where it looks like none."""
    return (
        "; ".join(f"{other}: {why}" for (one, other), why in another.items() if one == home_id)
        or None
    )


def refuse_met(found: pl.DataFrame) -> None:
    """Raise ClaimError naming homes claimed before, and homes that look like one that was.

    found: as `identity.met` gives it, with claim_id and made_at.
    """
    sure = found.filter(pl.col("way").is_in(identity.SURE))
    if sure.height:
        raise ClaimError(
            f"Claimed before, refused: {_listed(sure)}. Take them off the list; where a UPRN or an"
            " address is another home's, correct it in the stock list and run again. --again"
            " NUMBER writes the files of a claim made before. Nothing was recorded."
        )
    if found.height:
        raise ClaimError(
            f"Held, as they look like homes claimed before: {_listed(found)}. Take them off the"
            " list, or, where somebody has seen that two are two homes, add --another"
            " HOME=CLAIMED=REASON for each two; the reason is kept in the claim. Nothing was"
            " recorded."
        )


def _listed(found: pl.DataFrame) -> str:
    told = []
    for row in found.head(10).iter_rows(named=True):
        as_other = "" if row["way"] == identity.KEY else f", {row['way']} as {row['other']}"
        told.append(f"{row['home_id']} (claim {row['claim_id']} of {row['made_at']}{as_other})")
    more = f" and {found.height - 10} more" if found.height > 10 else ""
    return ", ".join(told) + more


def content(ledger: Path) -> tuple[frozenset[str], Path | None]:
    """Numbers of the claims a ledger holds, and where the last of them says that it lay.

    Ledgers of earlier versions are read too, and do not say it. Raises ClaimError as Ledger does:
    the whole file is checked by whoever opens it to use it, so here only where the query fails.
    """
    with suppress(sqlite3.Error):
        return _content(ledger)
    with suppress(OSError), ledger.open("rb") as file:
        if file.read(12)[8:] == b"DUCK":
            with _older(ledger) as old:
                claims = old.execute("select claim_id from claim").fetchall()
            return frozenset(str(claim) for (claim,) in claims), None
    with Ledger(ledger) as opened:
        return frozenset(opened.homes()["claim_id"]), None


def _content(ledger: Path) -> tuple[frozenset[str], Path | None]:
    """As `content`, with what SQLite says of a file that is no sound ledger."""
    address = f"{ledger.absolute().as_uri()}?mode=ro"
    with closing(sqlite3.connect(address, uri=True, timeout=0)) as opened:
        claims = frozenset(str(claim) for (claim,) in opened.execute("select claim_id from claim"))
        last = opened.execute("select json from claim order by made_at desc, rowid desc limit 1")
        with suppress(ValueError, KeyError, TypeError):  # earlier versions did not say it
            return claims, Path(str(json.loads(last.fetchone()[0])["ledger"]))
    return claims, None


@contextmanager
def _older(path: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    """A ledger of an earlier version, open. Raises ClaimError where it cannot be read."""
    try:
        with duckdb.connect(str(path), read_only=True, config=_ALONE) as old:
            yield old
    except (duckdb.Error, sqlite3.Error, pl.exceptions.PolarsError) as fault:
        why = str(fault).splitlines()[0]
        if isinstance(fault, duckdb.IOException) and "lock" in why:
            raise ClaimError(f"Somebody has {path} open. Wait for them and try again.") from None
        raise ClaimError(
            f"{path} is a ledger of an earlier version and cannot be read ({why}). Restore it from"
            " your backup, for its claims stand; move it away only if no claim was ever told as"
            " made."
        ) from None


def _create(path: Path) -> None:
    """Make an empty ledger beside its place and link it in; the first of several makers wins."""
    with closing(sqlite3.connect(":memory:")) as connection:
        connection.executescript(_SCHEMA)
        older = path.with_name(OLDER)
        if older.exists():
            _take_over(connection, older)
        content = connection.serialize()
    building = half_built(path)
    try:
        with building.open("wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        with suppress(FileExistsError):
            os.link(building, path)
        _settle(path.parent)
    except FileNotFoundError:
        if not path.exists():  # else another maker won and cleared what was left to build
            raise
    finally:
        building.unlink(missing_ok=True)


def _settle(folder: Path) -> None:
    """Bring a folder's names to the disk, where the system lets a program do so."""
    if hasattr(os, "O_DIRECTORY"):
        opened = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(opened)
        finally:
            os.close(opened)


def _clear(path: Path) -> None:
    """Remove what killed makers left; once there is a ledger nobody needs it."""
    for left in path.parent.glob(f".{glob.escape(path.name)}.*.{PART}"):
        with suppress(OSError):
            if is_left(left) and _is_empty(left, path):
                left.unlink()


def _is_empty(left: Path, ledger: Path) -> bool:
    """Whether a file holds nothing, or is the ledger by another name, or has no other claims."""
    if left.is_symlink() or not left.is_file():
        return False
    if not left.stat().st_size or left.samefile(ledger):
        return True
    with left.open("rb") as file:
        head = file.read(72)
    with suppress(sqlite3.Error):
        return is_ledger(head) and _content(left)[0] <= _content(ledger)[0]
    return False


def is_ledger(head: bytes) -> bool:
    """Whether a file that begins so is a ledger of this tool."""
    return head.startswith(b"SQLite format 3\0") and int.from_bytes(head[68:72]) == KIND


def _take_over(connection: sqlite3.Connection, older: Path) -> None:
    """Copy the claims of an earlier version's ledger, whose lines stand in its CSV files."""
    with _older(older) as old:
        found = old.execute("select claim_id, measure, made_at, csv, xlsx, json from claim")
        for claim in found.fetchall():
            connection.execute("insert into claim values (?, ?, ?, ?, ?, ?)", claim)
            lines = pl.read_csv(claim[3], infer_schema=False)
            as_sent = pl.col(identity.NAMED).str.replace(r"^'(.)", "$1")
            for row in lines.with_columns(as_sent).iter_rows(named=True):
                values = [claim[0], row["line"], *(row[name] for name in identity.NAMED), claim[1]]
                connection.execute("insert into line values (?, ?, ?, ?, ?, ?, ?, null)", values)
        connection.commit()
