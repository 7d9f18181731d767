"""Text to values, a distinct text at a time, with a record of every text that was turned."""

from functools import cache

import polars as pl

from pipeline import identity
from pipeline.columns import Column, by_role
from pipeline.stock import casting
from pipeline.stock.answers import NOT_KNOWN
from pipeline.stock.headings import unit_of
from pipeline.stock.reading import RawTable
from pipeline.stock.rules import UNREADABLE


def typed(raw: RawTable) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Every stock column with its dtype, and the texts that became a value of another look.

    First frame: source_row, each column, a flag `<column>__unreadable` where a cell holds text
    but no value, and age_band. Second frame, `said`: what each distinct text was read as, where
    that is worth a look: column, text, rows, value (null: none), unread (the parts nobody
    understood, null: none) and also (other columns the text filled).
    """
    held, said = [raw.frame.select("source_row")], []
    columns = [pl.col("source_row")]
    for column in by_role("stock"):
        if column.name not in raw.headings:
            columns += _absent(column)
            continue
        names = _names(column)
        columns += map(pl.col, names)
        cells = raw.frame.select(text=column.name)
        read = _read(cells, column, unit_of(raw.headings[column.name]))
        said.append(read.select(pl.lit(column.name).alias("column"), *_SAID))
        beside = cells.join(
            read.select("text", *names),
            on="text",
            how="left",
            nulls_equal=True,
            maintain_order="left",
        )
        held.append(beside.select(names))
    return pl.concat(held, how="horizontal").select(columns), _worth_a_look(pl.concat(said))


_SAID = ("text", "rows", "value")


def _names(column: Column) -> list[str]:
    """Columns that a column of the list is read into."""
    return [column.name, column.name + UNREADABLE, *(["age_band"] if column.dtype == "age" else [])]


@cache
def _absent(column: Column) -> tuple[pl.Expr, ...]:
    blank = pl.lit(None, column.polars_dtype).alias(column.name)
    band = [pl.lit(None, pl.String).alias("age_band")] if column.dtype == "age" else []
    return blank, pl.lit(False).alias(column.name + UNREADABLE), *band


def _read(cells: pl.DataFrame, column: Column, unit: str) -> pl.DataFrame:
    """Value and flag of each distinct text, the value as text, and the rows that hold it."""
    distinct = cells.group_by("text", maintain_order=True).agg(rows=pl.len())
    clean = distinct.with_columns(clean=casting.clean("text"))
    if column.name == "uprn":
        said = ~identity.no_uprn(pl.col("clean"))
        clean = clean.with_columns(clean=pl.when(said).then("clean"))
    value = clean.with_columns(_value(column, unit))
    return value.with_columns(_said(column))


@cache
def _value(column: Column, unit: str) -> tuple[pl.Expr, ...]:
    """A value of the column from its clean text; unit: the one its heading states."""
    text = pl.col("clean")
    plain = {
        "share": casting.share,
        "age": casting.year,
        "date": casting.date,
    }
    named = {"postcode": casting.postcode, "uprn": identity.uprn}
    if column.dtype == "code":
        caster = casting.walls if column.name == "walls_refused" else casting.code
        value = caster(text, column.name)
    elif column.dtype in plain:
        value = plain[column.dtype](text)
    elif column.dtype in ("number", "area", "length_mm"):
        value = casting.number(text, column.unit, unit)
    else:
        value = named.get(column.name, casting.whole_number_text)(text)
    read = value.cast(column.polars_dtype).alias(column.name)
    return (read, casting.age_band(text).alias("age_band")) if column.dtype == "age" else (read,)


@cache
def _said(column: Column) -> tuple[pl.Expr, pl.Expr]:
    """A value as text, and whether its cell holds text without giving one.

    'not known' stands for a word that says so.
    """
    value = pl.col(column.name)
    if column.dtype == "age":
        value = pl.coalesce(value.cast(pl.Int64).cast(pl.String), "age_band")
    known = pl.col("clean").is_not_null()
    said = pl.when(known).then(value.cast(pl.String)).otherwise(pl.lit(NOT_KNOWN))
    unreadable = known & value.is_null()
    return said.alias("value"), unreadable.alias(column.name + UNREADABLE)


def _worth_a_look(said: pl.DataFrame) -> pl.DataFrame:
    """Texts without a value, or whose value is written otherwise; by column, most rows first."""
    text, value = pl.col("text"), pl.col("value")
    same_number = text.cast(pl.Float64, strict=False) == value.cast(pl.Float64, strict=False)
    other = (text != value) & ~same_number.fill_null(False)
    place = pl.col("column").rle_id()
    return (
        said.filter(text.is_not_null() & other.fill_null(True))
        .sort(place, "rows", "text", descending=[False, True, False])
        .with_columns(unread=pl.lit(None, pl.String), also=pl.lit(None, pl.String))
    )
