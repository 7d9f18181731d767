"""The whole story on one page: read, check, describe, assess, rank, publish once, write files."""

import datetime
import hashlib
import json
import platform
import sys
import time
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Any

import polars as pl

from pipeline import assess, grades, homes, programme, reference, stock
from pipeline.columns import by_role
from pipeline.exports import csv_bytes, make_folder, write_whole
from pipeline.options import catalogue, rates, screens
from pipeline.scenarios import Progress
from pipeline.settings import Settings
from pipeline.stock import mending, reading
from pipeline.store import FORMAT, Builder, digest


@dataclass(frozen=True)
class Result:
    """What a run leaves: the ranking, the quarantine, and the account of how it was made.

    headings_not_used: the words of the list no column took. They may name a person, so that the
    terminal shows them and no file keeps them.
    """

    ranking: pl.DataFrame
    quarantine: pl.DataFrame
    faults: pl.DataFrame
    headings_not_used: tuple[str, ...]
    account: dict[str, Any]


def run(
    inputs: stock.Inputs,
    store: Path,
    out: Path,
    settings: Settings,
    progress: Progress = lambda stage, done, of: None,
) -> Result:
    """Turn a stock list into a published store and its files in `out`.

    Writes ranking.csv, screens.csv, quarantine.csv, quarantine.xlsx and run.json; each appears
    whole or not at all, the store first. Raises ProgrammeError for what a user can put right.
    """
    clock = _Clock()
    tables = catalogue.with_catalogue(reference.load(), settings.works)
    base = assess.basis(tables, settings, rates.read(settings.cost))
    progress("reading", 0, 0)
    with clock("read and check"):
        listed = stock.ingest(inputs, settings.sources.precedence)
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
    make_folder(out)
    with clock("write tables"):
        content = {
            "ranking.csv": csv_bytes(ranking),
            "screens.csv": csv_bytes(screened),
            "quarantine.csv": csv_bytes(listed.quarantine),
            "quarantine.xlsx": mending.workbook(
                listed.faults, listed.quarantine, listed.raw.sha256
            ),
        }
    account = _account(inputs, listed, base, ranking, content["ranking.csv"])
    with clock("publish"), Builder.open(store) as building:
        building.write("run", _run_table(account))
        building.write("ranking", ranking)
        building.write("screens", screened)
        building.write("quarantine", listed.quarantine)
        building.write("faults", listed.faults)
        building.write("mended", listed.mended)
        building.write("overrides", listed.overrides)
        building.write("corrections", listed.corrections)
        building.write("rate_book", base.book.table)
        building.write("system_catalogue", tables.table(catalogue.TABLE))
        building.write("reference", _in_long_form(tables))
    with clock("write files"):
        for name, table in content.items():
            write_whole(out / name, table)
    told = {**account, "seconds_per_stage": clock.seconds}
    write_whole(out / "run.json", (json.dumps(told, indent=2) + "\n").encode())
    return Result(ranking, listed.quarantine, listed.faults, listed.raw.match.unused, told)


def _run_table(account: dict[str, Any]) -> pl.DataFrame:
    """Format, account and time of publishing; the time stays out of the account, which repeats."""
    now = datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
    return pl.DataFrame(
        {"format": [FORMAT], "account": [json.dumps(account)], "published_at": [now]}
    )


def _account(
    inputs: stock.Inputs,
    listed: stock.Stock,
    base: assess.Basis,
    ranking: pl.DataFrame,
    ranking_csv: bytes,
) -> dict[str, Any]:
    """Counts, versions and settings: all that a reader needs to make the run again."""
    settings = base.settings.model_dump(mode="json")
    rests_on = {
        "stock_list_sha256": listed.raw.sha256,
        "other_sources_sha256": {n: reading.sha256(p) for n, p in inputs.others.items()},
        "column_map_sha256": reading.sha256(inputs.columns) if inputs.columns else None,
        "mended_sha256": reading.sha256(inputs.mended) if inputs.mended else None,
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
            "accepted": listed.accepted.height,
            "quarantined": listed.quarantine.height,
            "ranked": int(ranking["rank"].count()),
        },
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
