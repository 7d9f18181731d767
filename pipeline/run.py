"""The whole story on one page: read, check, describe, assess, rank, publish once, write files."""

import datetime
import hashlib
import json
import os
import platform
import sys
import time
from collections.abc import Iterable
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Any

import polars as pl

from pipeline import assess, claims, grades, homes, outputs, programme, reference, stock
from pipeline.columns import by_role
from pipeline.errors import StockListError
from pipeline.exports import csv_bytes
from pipeline.options import catalogue, rates, screens
from pipeline.scenarios import Progress
from pipeline.settings import Settings
from pipeline.stock import answers, mending, questions, reading, workbook
from pipeline.store import FORMAT, Builder, digest


@dataclass(frozen=True)
class Result:
    """What a run leaves: the ranking, the quarantine, and the account of how it was made.

    listed: the list after the checks. Its headings that no column took may name a person, so that
    the terminal shows them and no file keeps them. stood: places of the landlord's dictionary that
    were answered otherwise and stay as they were. not_given: filled workbooks of this list in `out`
    that the run was not given.
    """

    ranking: pl.DataFrame
    listed: stock.Stock
    stood: tuple[str, ...]
    account: dict[str, Any]
    not_given: tuple[Path, ...] = ()


NAMES = ("ranking.csv", "screens.csv", "quarantine.csv", "run.json")
"""Files of a run beside the workbook of its quarantine."""


def run(
    inputs: stock.Inputs,
    store: Path,
    out: Path,
    settings: Settings,
    progress: Progress = lambda stage, done, of: None,
) -> Result:
    """Turn a stock list into a published store and its files in `out`.

    Writes ranking.csv, screens.csv, quarantine.csv, run.json and quarantine.xlsx, or where a person
    filled that in or this run reads it the next free of quarantine-2.xlsx, quarantine-3.xlsx and so
    on; the account names it. All are built before any is put in place, the store first.
    Raises ProgrammeError for what a user can put right, before the work where claims
    would be split.
    """
    clock = _Clock()
    seen = claims.claims_of(claims.ledger_path(store, settings))
    reads = _reads(inputs, store, settings)
    book = outputs.free_place(out / workbook.NAME, reads, "run")
    places = [*(out / name for name in NAMES), book]
    with outputs.writing("run", places, reads, store, grows=inputs.dictionary) as files:
        progress("reading", 0, 0)
        with clock("read and check"):
            listed = stock.ingest(inputs, settings.sources.precedence)
        files.add(out / "quarantine.csv", csv_bytes(listed.quarantine))
        files.add(book, _workbook(listed))
        stood = _keep_answers(inputs.dictionary, listed, files)
        if not listed.refused:
            made = _worked_out(listed, settings, clock, progress)
            ranking_csv = csv_bytes(made.ranking)
            account = _account(inputs, made, ranking_csv)
            with clock("publish"), Builder.open(files.building(store)) as building:
                for name, table in _tables(made, account, store, seen).items():
                    building.write(name, table)
            files.add(out / "ranking.csv", ranking_csv)
            files.add(out / "screens.csv", csv_bytes(made.screened))
            told = {**account, "workbook": book.name, "seconds_per_stage": clock.seconds}
            files.add(out / "run.json", (json.dumps(told, indent=2) + "\n").encode())
    left = mending.not_given(out, (*inputs.mended, book))
    if listed.refused:
        others = "".join(f" {path} is filled in and was not given." for path in left)
        raise StockListError(
            f"{inputs.base.name}: {listed.refused} Nothing was published. {book} has every row and"
            " what was understood of it: answer its sheet Questions, fill its yellow cells, and run"
            f" again with --mended.{others}"
        )
    return Result(made.ranking, listed, stood, told, tuple(left))


def _workbook(listed: stock.Stock) -> bytes:
    asked = questions.table(listed.raw.questions)
    tables = (listed.quarantine, listed.faults, listed.said, asked)
    return workbook.build(*tables, listed.raw.sha256)


def _keep_answers(
    dictionary: Path | None, listed: stock.Stock, files: outputs.Outputs
) -> tuple[str, ...]:
    """Add answers to the landlord's dictionary; tell what stood there with other words."""
    if dictionary is None or listed.to_keep == answers.Answers():
        return ()
    before = dictionary.read_bytes() if dictionary.exists() else b""
    after, stood = answers.added(before, listed.to_keep)
    if after != before:
        files.add(dictionary, after)
    return tuple(stood)


@dataclass(frozen=True)
class _Made:
    """What a run works out before anything is written."""

    listed: stock.Stock
    base: assess.Basis
    ranking: pl.DataFrame
    screened: pl.DataFrame


def _worked_out(
    listed: stock.Stock, settings: Settings, clock: "_Clock", progress: Progress
) -> _Made:
    """The story from the accepted homes to the ranking."""
    tables = catalogue.with_catalogue(reference.load(), settings.works)
    base = assess.basis(tables, settings, rates.read(settings.cost))
    with clock("describe homes"):
        described = homes.describe(listed.accepted, tables, settings)
    with clock("assess options"):
        parts = []
        for part in assess.assess(described, base):
            parts.append(part)
            progress("assessing", sum(p.height for p in parts), described.height)
    with clock("rank"):
        graded = grades.grade(pl.concat(parts), tables)
        ranked = programme.rank(graded, settings)
        ranking = ranked.select(c.name for c in by_role("stock", "home", "result"))
        screened = screens.matrix(ranked, settings, tables)
    return _Made(listed, base, ranking, screened)


def _reads(inputs: stock.Inputs, store: Path, settings: Settings) -> outputs.Reads:
    """Every file the run rests on, and the ledger of the store's folder: none is written over."""
    owned = {
        "the rate book": settings.cost.rate_book,
        "the catalogue of systems": settings.works.system_catalogue,
    }
    return {
        "the stock list": inputs.base,
        **{f"the source '{name}'": path for name, path in inputs.others.items()},
        "the map of headings": inputs.columns,
        **{f"the mended workbook {path}": path for path in inputs.mended},
        "the settings": inputs.settings,
        **{what: Path(name) for what, name in owned.items() if name},
        "the ledger of claims": claims.named_ledger(store, settings),
    }


def _tables(
    made: _Made, account: dict[str, Any], store: Path, seen: Iterable[str]
) -> dict[str, pl.DataFrame]:
    """The tables of the store by name."""
    listed = made.listed
    return {
        "run": _run_table(account, store, seen),
        "ranking": made.ranking,
        "screens": made.screened,
        "quarantine": listed.quarantine,
        "faults": listed.faults,
        "said": listed.said,
        "questions": questions.table(listed.raw.questions),
        "overrides": listed.overrides,
        "corrections": listed.corrections,
        "rate_book": made.base.book.table,
        "system_catalogue": made.base.reference.table(catalogue.TABLE),
        "reference": _in_long_form(made.base.reference),
    }


def _run_table(account: dict[str, Any], store: Path, seen: Iterable[str]) -> pl.DataFrame:
    """Format and account, and outside the account, which repeats, when and where it was published.

    seen: the claims that the ledger held, so that its loss is noticed.
    """
    now = datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
    return pl.DataFrame(
        {
            "format": [FORMAT],
            "account": [json.dumps(account)],
            "published_at": [now],
            "published_as": [os.path.realpath(store)],
            "claims_seen": [" ".join(sorted(seen))],
        }
    )


def _account(inputs: stock.Inputs, made: _Made, ranking_csv: bytes) -> dict[str, Any]:
    """Counts, versions and settings: all that a reader needs to make the run again."""
    listed, base = made.listed, made.base
    settings = base.settings.model_dump(mode="json")
    rests_on = {
        "stock_list_sha256": listed.raw.sha256,
        **({"sheet": inputs.sheet} if inputs.sheet else {}),
        "other_sources_sha256": {n: reading.sha256(p) for n, p in inputs.others.items()},
        "column_map_sha256": reading.sha256(inputs.columns) if inputs.columns else None,
        "answers_sha256": answers.digest(listed.answers),
        "mended_sha256": [reading.sha256(path) for path in inputs.mended],
        "settings": settings,
        "rate_book_sha256": digest(base.book.table),
        "system_catalogue_sha256": digest(base.reference.table(catalogue.TABLE)),
        "reference_version": base.reference.version,
        "code_version": code_version(),
    }
    identity = hashlib.sha256(json.dumps(rests_on, sort_keys=True).encode()).hexdigest()
    return {
        "run_id": identity[:16],
        "stock_list": inputs.base.name,
        "rate_book": base.book.name,
        "rate_book_source": base.book.source,
        **rests_on,
        "ranking_sha256": hashlib.sha256(ranking_csv).hexdigest(),
        "rows": {
            "read": listed.rows_read,
            "superseded": listed.raw.superseded,
            "accepted": listed.accepted.height,
            "quarantined": listed.quarantine.height,
            "ranked": int(made.ranking["rank"].count()),
        },
        "sources": listed.sources,
        "headings_not_used": len(listed.raw.match.unused),
        "personal": {
            "columns_dropped": listed.raw.match.personal,
            "pieces_struck_out": listed.raw.struck,
        },
        "notes": list(listed.raw.notes),
        "libraries": {name: version(name) for name in ("polars", "duckdb", "pandera", "numpy")},
        "python": platform.python_version(),
        "platform": sys.platform,
    }


def code_version() -> str:
    """Version of the package and a digest of its code and tables, so that an edit shows."""
    folder = Path(__file__).parent
    digest = hashlib.sha256()
    kinds = {".py", ".csv"}
    for path in sorted(p for p in folder.rglob("*") if p.suffix in kinds):
        digest.update(path.relative_to(folder).as_posix().encode() + b"\0" + path.read_bytes())
    return f"{version('retrofit-programme')}+{digest.hexdigest()[:12]}"


def _in_long_form(tables: reference.Reference) -> pl.DataFrame:
    """Every reference row as table, row and mark: what the run could rest on."""
    return pl.concat(
        table.select(
            pl.lit(name).alias("table_name"),
            pl.struct(pl.exclude("source", "checked")).struct.json_encode().alias("row"),
            "source",
            "checked",
        )
        for name, table in tables.tables.items()
    )


class _Clock:
    """Seconds spent in each stage."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}
        self._stage, self._start = "", 0.0

    def __call__(self, stage: str) -> "_Clock":
        self._stage, self._start = stage, time.perf_counter()
        return self

    def __enter__(self) -> None:
        return None

    def __exit__(self, *_: object) -> None:
        self.seconds[self._stage] = round(time.perf_counter() - self._start, 3)
