"""What failed, in words: one line per fault, with the cell it stands in."""

from collections.abc import Iterable
from functools import cache

import polars as pl
from pandera.errors import SchemaErrors

from pipeline.errors import StockListError
from pipeline.plurals import counted
from pipeline.stock import rules
from pipeline.stock.questions import Question
from pipeline.stock.reading import EXTRA

WHOLE_ROW = "(whole row)"
IN_TWO_WAYS = "is said in two ways"
ASKED = "is in question"
_LINES = {
    "source_row": pl.UInt32, "column": pl.String, "heading": pl.String, "text": pl.String,
    "severity": pl.String, "rule": pl.String, "fault": pl.String,
}  # fmt: skip


def find(typed: pl.DataFrame, cells: pl.DataFrame, headings: dict[str, str]) -> pl.DataFrame:
    """Every failure of the schema, by row and column of the dictionary.

    typed: values and flags; cells: the raw texts behind them; headings: the list's own words.
    Returns source_row, column, heading, text, severity, rule (the fault in general) and fault.
    Raises StockListError where a column fails as a whole.
    """
    cases = _cases(typed)
    told = cases.with_columns(
        pl.lit(typed[name]).gather("index") for name in ("source_row", "cloned_rows")
    )
    told = _with_text(told, cells, typed).with_columns(
        rule=pl.format("{} {}", _label(), "check"),
        fault=_sentence(),
        heading=pl.when(pl.col("column") == "source_row")
        .then(pl.lit(WHOLE_ROW))
        .otherwise(pl.col("column").replace_strict(headings, default=_label())),
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
    return pl.concat([told.select(list(_LINES)), extra.select(list(_LINES))]).sort(
        "source_row", maintain_order=True
    )


def failures(typed: pl.DataFrame) -> pl.DataFrame:
    """Column, check and row index of everything the schema finds."""
    schema = pl.Schema({"column": pl.String, "check": pl.String, "index": pl.UInt32})
    try:
        rules.schema(typed).validate(typed, lazy=True)
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
    kinds = cases.select("column", "check").unique()
    severity = pl.Series(
        "severity", [rules.severity_of(*kind) for kind in kinds.iter_rows()], dtype=pl.String
    )
    return cases.join(kinds.with_columns(severity), on=["column", "check"]).sort(
        "index", pl.col("column").replace_strict(rules.ORDER), "check"
    )


def why_refused(found: pl.DataFrame, rows: int, accepted: int) -> str:
    """Why a list is not taken at all: nothing is left of it, or most rows fail a rule that rejects.

    In words with the commonest fault; empty where the list is taken.
    """
    stopping = found.filter(pl.col("severity") != "warn")
    if rows > 1 and accepted:
        stopping = stopping.filter(pl.col("severity") == "reject")
    tally = counts(stopping)
    if tally.is_empty() or (accepted and tally["rows"][0] <= rows * rules.MOST_AT_FAULT):
        return ""
    reason, most = tally.row(0)
    left = "would leave little to rank" if accepted else "leaves nothing to rank"
    return f"{reason} in {most:,} of {counted(rows, 'row')}. A list like this {left}."


def _with_text(cases: pl.DataFrame, cells: pl.DataFrame, typed: pl.DataFrame) -> pl.DataFrame:
    """Add the cell at fault as text: as sent, or the value another source gave and its name."""
    at_fault = sorted(set(cases["column"]) - {"source_row"})
    texts = [
        pl.when(pl.col("column") == name).then(pl.lit(held).gather("index"))
        for name in at_fault
        if (held := _held(name, cells, typed)) is not None
    ]
    return cases.with_columns(text=pl.coalesce(*texts, pl.lit(None, pl.String)))


def _held(column: str, cells: pl.DataFrame, typed: pl.DataFrame) -> pl.Series | None:
    """What each row holds in a column, None where neither the list nor a source has it."""
    sent = cells[column].str.strip_chars() if column in cells.columns else None
    if f"{column}__from" not in typed.columns:
        return sent
    value, source = pl.col(column).cast(pl.String), pl.col(f"{column}__from")
    given = typed.select(pl.format("{} (from {})", value, source)).to_series()
    return given if sent is None else given.fill_null(sent)


@cache
def _label() -> pl.Expr:
    labels = {c: rules.label(c) for c in rules.ORDER}
    return pl.col("column").replace_strict(labels, return_dtype=pl.String)


@cache
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
    """Fault lines of rows that enter a home again; found: source_row, stays, by."""
    return found.select(
        "source_row",
        pl.lit("source_row").alias("column"),
        pl.lit(WHOLE_ROW).alias("heading"),
        pl.lit(None, pl.String).alias("text"),
        pl.lit("quarantine").alias("severity"),
        pl.lit("Row is a second entry of a home").alias("rule"),
        pl.format("Second entry of the home in row {} by {}", "stays", "by").alias("fault"),
    )


def doubts(found: pl.DataFrame, headings: dict[str, str]) -> pl.DataFrame:
    """Warnings of the UPRNs that `uprns.settle` doubts; found: source_row, text, rule and fault."""
    return found.select(
        "source_row",
        pl.lit("uprn").alias("column"),
        pl.lit(headings.get("uprn", WHOLE_ROW)).alias("heading"),
        "text",
        pl.lit("warn").alias("severity"),
        "rule",
        "fault",
    )


def clashes(found: pl.DataFrame, headings: dict[str, str]) -> pl.DataFrame:
    """Warnings of cells that contradict each other; found: as `values.typed` gives them."""
    labels = {name: rules.label(name) for name in rules.ORDER}
    label, other = (
        pl.col(column).replace_strict(labels, return_dtype=pl.String)
        for column in ("column", "other")
    )
    cells = [
        pl.when(pl.col(text).is_null()).then(name).otherwise(pl.format("{} '{}'", name, text))
        for name, text in ((label, "text"), (other, "other_text"))
    ]
    return found.select(
        "source_row",
        "column",
        pl.col("column").replace_strict(headings, default=WHOLE_ROW).alias("heading"),
        "text",
        pl.lit("warn").alias("severity"),
        pl.format("{} {}", label, pl.lit(IN_TWO_WAYS)).alias("rule"),
        pl.format("{} contradicts {}", *cells).alias("fault"),
    )


def asked(
    questions: Iterable[Question], cells: pl.DataFrame, headings: dict[str, str]
) -> pl.DataFrame:
    """Warnings of the homes that a question nobody has answered holds; cells: as sent."""
    lines = [
        cells.filter(_in_question(one)).select(
            "source_row",
            pl.lit(one.column).alias("column"),
            pl.lit(headings[one.column]).alias("heading"),
            pl.col(one.column).alias("text"),
            pl.lit("warn").alias("severity"),
            pl.lit(f"{rules.label(one.column)} {ASKED}").alias("rule"),
            pl.lit(one.about).alias("fault"),
        )
        for one in questions
        if one.holds and one.column in cells.columns
    ]
    return pl.concat(lines) if lines else pl.DataFrame(schema=_LINES)


def _in_question(one: Question) -> pl.Expr:
    """Rows whose results hang on a question."""
    held = pl.col(one.column).is_not_null()
    return held if one.rows is None else held & pl.col("source_row").is_in(sorted(one.rows))


def warnings_of(faults: pl.DataFrame) -> pl.DataFrame:
    """source_row and the warnings of each row in one text."""
    return _joined(faults.filter(pl.col("severity") == "warn"), "warnings")


def held_of(faults: pl.DataFrame) -> pl.DataFrame:
    """source_row and what was said of each accepted home, moves its figures and was not understood.

    Without a hold a default of the tables would stand in silence for what the list says.
    """
    rule = pl.col("rule")
    told = pl.any_horizontal(
        map(rule.str.ends_with, (rules.UNREAD, rules.ONLY_U, IN_TWO_WAYS, ASKED))
    )
    unread = told & (pl.col("severity") == "warn")
    gone = (pl.col("column") == "status") & rule.str.ends_with(IN_TWO_WAYS)
    moves = ~pl.col("column").is_in(rules.ONLY_INFORMS) | gone
    return _joined(faults.filter(unread & moves), "held_for")


def brought_back(faults: pl.DataFrame) -> tuple[pl.DataFrame, int]:
    """Rows that an answer to one text alone would bring back, and rows that all together would.

    Of rows kept out, or held, by nothing but texts that could not be read. Returns heading, text
    and rows, the most first.
    """
    rule = pl.col("rule").str
    unread = rule.ends_with(rules.UNREAD) | rule.ends_with(rules.ONLY_U)
    stops = unread & ~pl.col("column").is_in(rules.ONLY_INFORMS)
    stopping = faults.filter((pl.col("severity") != "warn") | stops)
    only = unread & pl.col("text").is_not_null()
    settled = stopping.filter(only.all().over("source_row"))
    alone = settled.filter(pl.len().over("source_row") == 1)
    tally = alone.group_by("heading", "text").agg(rows=pl.len())
    together = settled["source_row"].n_unique()
    return tally.sort("rows", "heading", "text", descending=[True, False, False]), together


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
