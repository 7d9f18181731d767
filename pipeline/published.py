"""A published run opened again: what claims, what-if, explaining and the dashboard start from."""

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import polars as pl

from pipeline import assess, reference
from pipeline.errors import StoreError
from pipeline.options import rates
from pipeline.settings import build
from pipeline.store import Store


@dataclass(frozen=True)
class Published:
    """A run as it was published, when (UTC), and the basis it was worked out on."""

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
    account = json.loads(made["account"])
    if account["reference_version"] != tables.version:
        raise StoreError(
            f"{path} was made with reference tables {account['reference_version']}, this code has"
            f" {tables.version}. Make it again with `programme run`."
        )
    settings = build(account["settings"], f"settings stored in {path.name}")
    base = assess.basis(tables, settings, rates.from_table(book, account["rate_book"]))
    return Published(account, made["published_at"], ranking, quarantine, faults, base)


def table(path: Path, name: str) -> pl.DataFrame:
    """One table of a published store, such as faults, mended, overrides or corrections."""
    with Store(path) as store:
        return store.table(name)
