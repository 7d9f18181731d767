"""The claims ledger: one small DuckDB file that outlives runs. It only ever grows.

One home, one measure, one claim: the keys of the table refuse a second line, whoever writes.
"""

import datetime
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from pipeline.errors import ClaimError

_FILES = ("claim.csv", "claim.xlsx", "claim.json")
_SCHEMA = """
create table if not exists claim (
    claim_id text primary key, measure text not null, made_at text not null,
    csv blob not null, xlsx blob not null, json blob not null
);
create table if not exists line (
    claim_id text not null references claim (claim_id), line integer not null,
    home_id text not null, uprn text, measure text not null,
    unique (measure, home_id), unique (measure, uprn)
);
"""


class Ledger:
    """An open ledger. Use as a context manager; holds the file's lock while open for writing."""

    def __init__(self, path: Path, read_only: bool = False) -> None:
        """Open or create. Raises ClaimError where it is missing, in use, or no ledger."""
        if read_only and not path.exists():
            raise ClaimError(f"No claim was made from this store yet: {path.name} does not exist.")
        path.parent.mkdir(parents=True, exist_ok=True)
        config: dict[str, str | bool | int | float | list[str]] = {
            "autoinstall_known_extensions": False,
            "autoload_known_extensions": False,
        }
        try:
            self._connection = duckdb.connect(str(path), read_only=read_only, config=config)
            if not read_only:
                self._connection.execute(_SCHEMA)
        except (duckdb.IOException, duckdb.ConnectionException) as fault:
            raise ClaimError(
                f"The ledger {path.name} cannot be opened ({str(fault).splitlines()[0]}). If"
                " somebody else is claiming, wait for them and try again."
            ) from None
        except duckdb.Error as fault:
            raise ClaimError(
                f"{path} is not a claims ledger ({str(fault).splitlines()[0]}). Restore it from"
                " your backup; never start a new one while claims stand."
            ) from None

    def __enter__(self) -> "Ledger":
        """The open ledger."""
        return self

    def __exit__(self, *_: object) -> None:
        """Close the file and give its lock back."""
        self._connection.close()

    def add(self, claim_id: str, measure: str, lines: pl.DataFrame, made: dict[str, bytes]) -> None:
        """Freeze a claim with its files. Raises ClaimError naming homes claimed before."""
        rows = lines.to_dicts()
        self._refuse_claimed(measure, rows)
        made_at = datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
        self._connection.begin()
        try:
            self._connection.execute(
                "insert into claim values (?, ?, ?, ?, ?, ?)",
                [claim_id, measure, made_at, *(made[name] for name in _FILES)],
            )
            self._connection.executemany(
                "insert into line values (?, ?, ?, ?, ?)",
                [[claim_id, int(r["line"]), r["home_id"], r["uprn"], measure] for r in rows],
            )
            self._connection.commit()
        except duckdb.Error as fault:
            self._connection.rollback()
            raise ClaimError(
                f"The ledger refused the claim, nothing was recorded: {str(fault).splitlines()[0]}."
            ) from None

    def _refuse_claimed(self, measure: str, rows: list[dict[str, Any]]) -> None:
        before = self._connection.execute(
            "select line.home_id, line.uprn, claim_id, made_at from line join claim using"
            " (claim_id) where line.measure = ?",
            [measure],
        ).fetchall()
        by_home = {home: (claim, made) for home, _, claim, made in before}
        by_uprn = {uprn: (claim, made) for _, uprn, claim, made in before if uprn}
        told = []
        for row in rows:
            found = by_home.get(row["home_id"]) or by_uprn.get(row["uprn"])
            if found:
                told.append(f"{row['home_id']} (claim {found[0]} of {found[1]})")
        if told:
            more = f" and {len(told) - 10} more" if len(told) > 10 else ""
            raise ClaimError(
                f"Claimed before, refused: {', '.join(told[:10])}{more}. Take them off the list;"
                " nothing was recorded."
            )

    def files(self, claim_id: str) -> dict[str, bytes]:
        """The files of a claim as they were made. Raises ClaimError for an unknown number."""
        found = self._connection.execute(
            "select csv, xlsx, json from claim where claim_id = ?", [claim_id]
        ).fetchall()
        if not found:
            rows = self._connection.execute("select claim_id from claim").fetchall()
            known = ", ".join(row[0] for row in rows) or "none"
            raise ClaimError(f"No claim {claim_id} in the ledger. It holds: {known}.")
        return dict(zip(_FILES, map(bytes, found[0]), strict=True))

    def homes(self) -> pl.DataFrame:
        """home_id, claim_id and made_at of every line, by home."""
        rows = self._connection.execute(
            "select line.home_id, claim_id, made_at from line join claim using (claim_id)"
            " order by line.home_id"
        ).fetchall()
        schema = {"home_id": pl.String, "claim_id": pl.String, "made_at": pl.String}
        return pl.DataFrame(rows, schema=schema, orient="row")
