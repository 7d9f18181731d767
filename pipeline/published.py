"""A published run opened again: what claims, what-if, explaining and the dashboard start from."""

import json
import stat
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import polars as pl

from pipeline import assess, identity, programme, reference
from pipeline.columns import Column, by_role, dictionary
from pipeline.errors import SettingsError, StoreError
from pipeline.options import catalogue, rates
from pipeline.settings import Settings, build
from pipeline.store import Store, damaged, digest, run_row


@dataclass(frozen=True)
class Published:
    """A run as it was published, where and when (UTC), and the basis it was worked out on."""

    path: Path
    account: dict[str, Any]
    published_at: str
    ranking: pl.DataFrame
    quarantine: pl.DataFrame
    faults: pl.DataFrame
    base: assess.Basis


def open_run(path: Path) -> Published:
    """Read a whole store.

    Raises StoreError where it is missing, is none of ours, or rests on other reference tables
    than this code ships.
    """
    tables = reference.load()
    with Store(path) as store:
        made = store.table("run").row(0, named=True)
        ranking, quarantine = store.table("ranking"), store.table("quarantine")
        faults, book = store.table("faults"), store.table("rate_book")
        systems = store.table("system_catalogue")
    settings = settings_of(path)
    try:
        account = json.loads(made["account"])
        named, version = account["rate_book"], account["reference_version"]
        _check_columns(ranking, by_role("stock", "home", "result"))
        for what, held in (("rate_book", book), ("system_catalogue", systems)):
            if digest(held) != account[f"{what}_sha256"]:
                raise ValueError(f"table {what} is not the one the run was made with")
    except (KeyError, TypeError, ValueError) as fault:
        raise damaged(path, str(fault).splitlines()[0]) from None
    if version != tables.version:
        raise StoreError(
            f"{path} was made with reference tables {version}, this code has"
            f" {tables.version}. Make it again with `programme run`."
        )
    tables = tables.with_table(catalogue.TABLE, systems)
    base = assess.basis(tables, settings, rates.from_table(book, named))
    return Published(path, account, made["published_at"], ranking, quarantine, faults, base)


@dataclass(frozen=True)
class Run:
    """What a store keeps of a run, without a basis to reckon on: enough to compare two runs."""

    account: dict[str, Any]
    ranking: pl.DataFrame
    rates: pl.DataFrame


_NEEDED = (*identity.NAMED, "rank", *programme.SUMMED)
VERSIONS = ("reference_version", "code_version", "system_catalogue_sha256", "rate_book")
"""What a run rests on beside settings and rates, as its account names it."""


def read_run(path: Path) -> Run:
    """A run of any reference tables. Raises StoreError where it is missing, not ours or damaged."""
    ranking, rates, made = (table(path, name) for name in ("ranking", "rate_book", "run"))
    try:
        account = json.loads(made["account"].item())
        float(account["settings"]["budget_gbp"])
        _check_columns(ranking, [c for c in dictionary().values() if c.name in _NEEDED])
        rates.select("item", "applies_to", "source")
        if lacking := [name for name in VERSIONS if name not in account]:
            raise ValueError(f"the account lacks {', '.join(lacking)}")
    except (KeyError, TypeError, ValueError, pl.exceptions.PolarsError) as fault:
        raise damaged(path, str(fault).splitlines()[0]) from None
    return Run(account, ranking, rates)


def _check_columns(ranking: pl.DataFrame, columns: Sequence[Column]) -> None:
    """Raise ValueError where the ranking lacks one of the columns, or its type."""
    for column in columns:
        found = ranking.schema.get(column.name)
        if found is None or (found == pl.String) != (column.polars_dtype == pl.String):
            raise ValueError(f"column {column.name} of the ranking is {found}")
    if ranking["home_id"].null_count() or ranking["home_id"].is_duplicated().any():
        raise ValueError("a home of the ranking stands twice or has no key")


def remembered(path: Path) -> dict[str, Any]:
    """What the table `run` of a store of any format holds; nothing where there is no such store."""
    try:
        found = path.stat()
    except OSError:
        return {}
    if not stat.S_ISREG(found.st_mode):  # a pipe would be waited for
        return {}
    return _row_of(path, (found.st_ino, found.st_mtime_ns, found.st_size))


@lru_cache(maxsize=4)
def _row_of(path: Path, _: tuple[int, ...]) -> dict[str, Any]:
    """As `remembered`, read once for each published file: a page asks for it many times."""
    return run_row(path)


def settings_of(path: Path) -> Settings:
    """The settings a store's run was made with, without reading its homes."""
    try:
        account = json.loads(table(path, "run").row(0, named=True)["account"])
        return build(account["settings"], f"settings stored in {path.name}")
    except (KeyError, TypeError, ValueError, pl.exceptions.PolarsError, SettingsError) as fault:
        raise damaged(path, str(fault).splitlines()[0]) from None


def table(path: Path, name: str) -> pl.DataFrame:
    """One table of a published store, such as faults, mended, overrides or corrections."""
    with Store(path) as store:
        return store.table(name)
