"""From a landlord's file to accepted homes and a quarantine in which nothing is lost."""

from dataclasses import dataclass
from pathlib import Path

import polars as pl
from pandera.errors import SchemaErrors

from pipeline.columns import dictionary
from pipeline.errors import StockListError
from pipeline.stock import duplicates, rules, values
from pipeline.stock.reading import EXTRA, RawTable, read


@dataclass(frozen=True)
class Stock:
    """A stock list after the checks.

    accepted: one typed row per home. quarantine: source_row, home_id, reasons and the raw cells.
    mended: distinct texts that were turned into a value of another look, with their row counts.
    """

    accepted: pl.DataFrame
    quarantine: pl.DataFrame
    mended: pl.DataFrame
    rows_read: int
    sha256: str
    unused_headings: tuple[str, ...]
    notes: tuple[str, ...]


def ingest(path: Path) -> Stock:
    """Read, cast and check one stock list. Raises StockListError if it fails as a whole.

    Every row read is either accepted or in quarantine, with every reason; asserted here.
    """
    raw = read(path)
    typed, mended = values.typed(raw)
    typed = duplicates.mark(typed, raw.frame)
    reasons = _reasons(typed, raw)
    bad = pl.col("source_row").is_in(reasons["source_row"].implode())
    drop = [c for c in typed.columns if c.endswith(rules.UNREADABLE) or c == rules.DUPLICATE]
    accepted = typed.filter(~bad).drop(drop)
    quarantine = _quarantine(raw, typed, reasons)
    if accepted.height + quarantine.height != raw.frame.height:
        raise AssertionError("rows read differ from rows accepted plus rows quarantined")
    if accepted.height == 0:
        worst = quarantine["reasons"].value_counts(sort=True)["reasons"][0]
        raise StockListError(
            f"{path.name}: all {raw.frame.height} rows failed the checks; the commonest reason is:"
            f" {worst}. Check that the columns hold what their headings say."
        )
    return Stock(
        accepted,
        quarantine,
        mended,
        raw.frame.height,
        raw.sha256,
        raw.match.unused,
        raw.notes,
    )


def _reasons(typed: pl.DataFrame, raw: RawTable) -> pl.DataFrame:
    """Rows at fault with all their reasons in words, sorted by row."""
    try:
        rules.schema().validate(typed, lazy=True)
        cases = pl.DataFrame(schema={"column": pl.String, "check": pl.String, "index": pl.Int32})
    except SchemaErrors as fault:
        cases = fault.failure_cases.select("column", "check", "index")
    if cases["index"].null_count():
        first = cases.filter(pl.col("index").is_null()).row(0)
        raise StockListError(f"Column '{first[0]}' fails as a whole: {first[1]}.")
    labels = {c.name: c.label for c in dictionary().values()}
    numbered = typed.select("source_row", rules.DUPLICATE).with_row_index("index")
    cases = cases.with_columns(pl.col("index").cast(pl.UInt32)).join(numbered, on="index")
    cases = _with_cell_text(cases, raw)
    missing = pl.col("check") == "is missing"
    unreadable = pl.col("check") == "could not be read"
    cases = cases.filter(~(missing & unreadable.any().over("index", "column")))
    sentence = (
        pl.when(pl.col("column") == "source_row")
        .then(pl.format("second entry of the home in row {}", pl.col(rules.DUPLICATE)))
        .when(pl.col("text").is_null())
        .then(pl.format("{} {}", pl.col("column").replace(labels), pl.col("check")))
        .otherwise(
            pl.format(
                "{} '{}' {}", pl.col("column").replace(labels), pl.col("text"), pl.col("check")
            )
        )
    )
    told = cases.select("source_row", sentence.alias("reason"))
    extra = raw.frame.filter(pl.col(EXTRA).is_not_null()).select(
        "source_row", pl.format("row has more cells than headings: '{}'", EXTRA).alias("reason")
    )
    told = pl.concat([told, extra])
    return (
        told.group_by("source_row")
        .agg(pl.col("reason").unique(maintain_order=True))
        .sort("source_row")
    )


def _with_cell_text(cases: pl.DataFrame, raw: RawTable) -> pl.DataFrame:
    """Add the raw text of the cell at fault to each case."""
    told = [cases.filter(~pl.col("column").is_in(list(raw.match.positions)))]
    told[0] = told[0].with_columns(text=pl.lit(None, pl.String))
    for name, position in raw.match.positions.items():
        text = raw.frame.select("source_row", pl.nth(position + 1).str.strip_chars().alias("text"))
        part = cases.filter(pl.col("column") == name)
        told.append(part.join(text, on="source_row", how="left", maintain_order="left"))
    order = {name: i for i, name in enumerate(["source_row", *raw.match.positions])}
    return pl.concat(told).sort(
        "index", pl.col("column").replace_strict(order, default=len(order)), maintain_order=True
    )


def _quarantine(raw: RawTable, typed: pl.DataFrame, reasons: pl.DataFrame) -> pl.DataFrame:
    """The raw cells under their own headings, with row, home and reasons in front."""
    names: list[str] = []
    for heading in (*raw.headings, EXTRA):
        taken = [*names, "source_row", "home_id", "reasons"]
        repeats = sum(name.split(" (copy")[0].lower() == heading.lower() for name in taken)
        names.append(f"{heading} (copy {repeats})" if repeats else heading)
    cells = [c for c in raw.frame.columns if c != "source_row"]
    named = raw.frame.rename(dict(zip(cells, names, strict=True)))
    told = reasons.select("source_row", pl.col("reason").list.join("; ").alias("reasons"))
    return (
        told.join(typed.select("source_row", "home_id"), on="source_row")
        .select("source_row", "home_id", "reasons")
        .join(named, on="source_row", how="left", maintain_order="left")
    )
