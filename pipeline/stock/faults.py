"""What failed, in words: one line per fault, with the cell it stands in."""

import polars as pl
from pandera.errors import SchemaErrors

from pipeline.errors import StockListError
from pipeline.stock import rules
from pipeline.stock.reading import EXTRA

WHOLE_ROW = "(whole row)"


def find(typed: pl.DataFrame, cells: pl.DataFrame, headings: dict[str, str]) -> pl.DataFrame:
    """Every failure of the schema, by row and column of the dictionary.

    typed: values and flags; cells: the raw texts behind them; headings: the list's own words.
    Returns source_row, column, heading, text, severity, rule (the fault in general) and fault.
    Raises StockListError where a column fails as a whole, or over half of the rows fail a rule
    that rejects.
    """
    cases = _cases(typed)
    _refuse_if_most_fail(cases, typed.height)
    numbered = typed.select("source_row", "cloned_rows").with_row_index("index")
    told = cases.join(numbered, on="index")
    told = _naming_sources(_with_text(told, cells), typed).with_columns(
        rule=pl.format("{} {}", _label(), "check"),
        fault=_sentence(),
        heading=pl.col("column").replace_strict(headings, default=WHOLE_ROW),
    )
    extra = cells.filter(pl.col(EXTRA).is_not_null()).select(
        "source_row",
        pl.lit("source_row").alias("column"),
        pl.lit(WHOLE_ROW).alias("heading"),
        pl.col(EXTRA).alias("text"),
        pl.lit("quarantine").alias("severity"),
        pl.lit("Row has cells beyond the last heading").alias("rule"),
        pl.format(
            "Row has {} cells beyond the last heading: its cells may have slipped", EXTRA
        ).alias("fault"),
    )
    columns = ["source_row", "column", "heading", "text", "severity", "rule", "fault"]
    return pl.concat([told.select(columns), extra.select(columns)]).sort(
        "source_row", maintain_order=True
    )


def failures(typed: pl.DataFrame) -> pl.DataFrame:
    """Column, check and row index of everything the schema finds."""
    schema = pl.Schema({"column": pl.String, "check": pl.String, "index": pl.UInt32})
    try:
        rules.schema(_present(typed)).validate(typed, lazy=True)
    except SchemaErrors as fault:
        found: pl.DataFrame = fault.failure_cases
        return found.select("column", "check", "index").cast(schema)
    return pl.DataFrame(schema=schema)


def _cases(typed: pl.DataFrame) -> pl.DataFrame:
    """Failures as index, column, check and severity; a missing cell that was unreadable once."""
    found = failures(typed)
    if found["index"].null_count():
        first = found.filter(pl.col("index").is_null()).row(0)
        raise StockListError(f"Column '{first[0]}' fails as a whole: {first[1]}.")
    cases = found.unique(maintain_order=True)
    missing = pl.col("check") == "is missing"
    unreadable = pl.col("check") == "could not be read"
    cases = cases.filter(~(missing & unreadable.any().over("index", "column")))
    total = pl.col("check") == rules.TOTAL
    cases = cases.filter(total | ~total.any().over("index"))
    kinds = cases.select("column", "check").unique()
    severity = pl.Series(
        "severity", [rules.severity_of(*kind) for kind in kinds.iter_rows()], dtype=pl.String
    )
    return cases.join(kinds.with_columns(severity), on=["column", "check"]).sort(
        "index", pl.col("column").replace_strict(rules.ORDER), "check"
    )


def _present(typed: pl.DataFrame) -> frozenset[str]:
    """Columns with a value or with text that gave none."""
    stock = [name for name in rules.ORDER if name != "source_row"]
    held = typed.select(
        (pl.col(name).is_not_null() | pl.col(name + rules.UNREADABLE)).any() for name in stock
    ).row(0)
    return frozenset(name for name, any_held in zip(stock, held, strict=True) if any_held)


def _refuse_if_most_fail(cases: pl.DataFrame, rows: int) -> None:
    worst = (
        cases.filter(pl.col("severity") == "reject")
        .group_by("column", "check")
        .agg(pl.len().alias("rows"))
        .sort("rows", "column", descending=[True, False])
        .filter(pl.col("rows") > rows * rules.MOST_AT_FAULT)
    )
    if rows > 1 and worst.height:
        row = worst.row(0, named=True)
        raise StockListError(
            f"{rules.label(row['column'])} {row['check']} in {row['rows']:,} of {rows:,} rows."
            " A list like this would leave little to rank, so it was not taken at all. Check that"
            " the column holds what its heading says, or settle the headings with --columns."
        )


def _with_text(cases: pl.DataFrame, cells: pl.DataFrame) -> pl.DataFrame:
    """Add the raw text of the cell at fault, a column at a time; the order is kept."""
    numbered = cases.with_row_index("_order")
    parts = []
    for (column,), part in numbered.group_by("column"):
        is_cell = column in cells.columns and column != "source_row"
        held = pl.col(str(column)).str.strip_chars() if is_cell else pl.lit(None, pl.String)
        text = cells.select("source_row", held.alias("text"))
        parts.append(part.join(text, on="source_row", how="left"))
    empty = numbered.clear().with_columns(text=pl.lit(None, pl.String))
    return pl.concat([empty, *parts]).sort("_order").drop("_order")


def _naming_sources(cases: pl.DataFrame, typed: pl.DataFrame) -> pl.DataFrame:
    """Where another source gave the value at fault, that value and the source's name as text."""
    parts = []
    for (column,), part in cases.with_row_index("_order").group_by("column"):
        named = part
        if f"{column}__from" in typed.columns:
            value, source = pl.col(str(column)).cast(pl.String), pl.col(f"{column}__from")
            said = typed.select("source_row", _said=pl.format("{} (from {})", value, source))
            named = part.join(said, on="source_row", how="left").with_columns(
                text=pl.coalesce("_said", "text")
            )
        parts.append(named.select("_order", *cases.columns))
    return pl.concat([cases.with_row_index("_order").clear(), *parts]).sort("_order").drop("_order")


def _label() -> pl.Expr:
    labels = {c: rules.label(c) for c in rules.ORDER}
    return pl.col("column").replace_strict(labels, return_dtype=pl.String)


def _sentence() -> pl.Expr:
    label = _label()
    clone = pl.format("Figures equal to those of {} homes of its street", pl.col("cloned_rows") - 1)
    return (
        pl.when(pl.col("column") == "source_row")
        .then(clone)
        .when(pl.col("text").is_null())
        .then(pl.format("{} {}", label, "check"))
        .otherwise(pl.format("{} '{}' {}", label, "text", "check"))
    )


def second_entries(found: pl.DataFrame) -> pl.DataFrame:
    """Fault lines of rows that enter a home again; found: source_row and stays."""
    return found.select(
        "source_row",
        pl.lit("source_row").alias("column"),
        pl.lit(WHOLE_ROW).alias("heading"),
        pl.lit(None, pl.String).alias("text"),
        pl.lit("quarantine").alias("severity"),
        pl.lit("Row is a second entry of a home").alias("rule"),
        pl.format("Second entry of the home in row {}", "stays").alias("fault"),
    )


def warnings_of(faults: pl.DataFrame) -> pl.DataFrame:
    """source_row and the warnings of each row in one text."""
    return _joined(faults.filter(pl.col("severity") == "warn"), "warnings")


def reasons_of(faults: pl.DataFrame) -> pl.DataFrame:
    """source_row and the reasons that keep each row out, in one text."""
    return _joined(faults.filter(pl.col("severity") != "warn"), "reasons")


def _joined(faults: pl.DataFrame, name: str) -> pl.DataFrame:
    return faults.group_by("source_row", maintain_order=True).agg(
        pl.col("fault").unique(maintain_order=True).str.join("; ").alias(name)
    )


def counts(faults: pl.DataFrame, warnings: bool = False) -> pl.DataFrame:
    """Faults by the rule that found them, and the rows that have each, commonest first."""
    chosen = faults.filter((pl.col("severity") == "warn") == warnings)
    return (
        chosen.group_by(pl.col("rule").alias("reason"))
        .agg(pl.col("source_row").n_unique().alias("rows"))
        .sort("rows", "reason", descending=[True, False])
    )
