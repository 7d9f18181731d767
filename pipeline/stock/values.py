"""Text to values, a distinct text at a time, with a record of every text that was turned."""

import polars as pl

from pipeline.columns import Column, by_role
from pipeline.stock import casting
from pipeline.stock.headings import unit_of
from pipeline.stock.reading import RawTable
from pipeline.stock.rules import UNREADABLE


def typed(raw: RawTable) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Every stock column with its dtype, and the texts that became a value of another look.

    First frame: source_row, each column, a flag `<column>__unreadable` where a cell holds text
    but no value, and age_band. Second frame: column, text, value, rows.
    """
    parts = [raw.frame.select("source_row")]
    turned = []
    for column in by_role("stock"):
        if column.name not in raw.headings:
            parts.append(_absent(column, raw.frame.height))
            continue
        cells = raw.frame.select(pl.col(column.name).alias("text"))
        read = _read(cells, column, raw.headings[column.name])
        parts.append(
            cells.join(read, on="text", how="left", nulls_equal=True, maintain_order="left").drop(
                "text", "rows"
            )
        )
        turned.append(_turned(read, column))
    return pl.concat(parts, how="horizontal"), pl.concat(turned)


def _absent(column: Column, rows: int) -> pl.DataFrame:
    return pl.DataFrame(
        {
            column.name: pl.repeat(None, rows, dtype=column.polars_dtype, eager=True),
            column.name + UNREADABLE: pl.repeat(False, rows, eager=True),
        }
    )


def _read(cells: pl.DataFrame, column: Column, heading: str) -> pl.DataFrame:
    """Value and flag of each distinct text, with the number of rows that hold it."""
    distinct = cells.group_by("text", maintain_order=True).agg(pl.len().alias("rows"))
    clean = distinct.with_columns(clean=casting.clean("text"))
    value = _value(column, pl.col("clean"), heading)
    read = clean.with_columns(value.cast(column.polars_dtype).alias(column.name))
    known = pl.col(column.name).is_not_null()
    if column.dtype == "age":
        read = read.with_columns(age_band=casting.age_band(pl.col("clean")))
        known |= pl.col("age_band").is_not_null()
    unreadable = (pl.col("clean").is_not_null() & ~known).alias(column.name + UNREADABLE)
    return read.with_columns(unreadable).drop("clean")


def _value(column: Column, text: pl.Expr, heading: str) -> pl.Expr:
    plain = {
        "share": casting.share,
        "age": casting.year,
        "date": casting.date,
    }
    if column.dtype == "code":
        return casting.code(text, column.name)
    if column.dtype in plain:
        return plain[column.dtype](text)
    if column.dtype in ("number", "area", "length_mm"):
        return casting.number(text, column.unit, unit_of(heading))
    named = {"postcode": casting.postcode, "uprn": casting.uprn}
    return named.get(column.name, casting.whole_number_text)(text)


def _turned(read: pl.DataFrame, column: Column) -> pl.DataFrame:
    """Rows of `mended` for one column: texts whose value is written otherwise."""
    value = pl.col(column.name)
    if column.dtype == "age":
        value = pl.coalesce(value.cast(pl.Int64).cast(pl.String), "age_band")
    said = read.select(
        pl.lit(column.name).alias("column"), "text", value.cast(pl.String).alias("value"), "rows"
    )
    number = pl.col("text", "value").cast(pl.Float64, strict=False)
    same_number = said.select(number).select(
        (pl.col("text") == pl.col("value")).fill_null(False).alias("same")
    )["same"]
    changed = pl.col("value").is_not_null() & (pl.col("text") != pl.col("value"))
    return said.filter(changed & ~same_number).sort("rows", "text", descending=[True, False])
