"""Rows between homes that are none: headings again, a title of a street, a note."""

from collections.abc import Sequence

import polars as pl

_LEAST_FILLED = 5
"""Only in a list this wide can a row with a single cell be no home. Own assumption."""
_FIRST = 4
"""One of the first headings stands in its column again wherever all do. Own assumption."""
_STREET = r"(?i)^(.*?)[\s,]+([a-z]{1,2}\d[a-z\d]?\s*\d[a-z]{2})\s*$"


def without(
    body: pl.DataFrame, names: Sequence[str], above: Sequence[object]
) -> tuple[pl.DataFrame, pl.DataFrame, list[str]]:
    """Homes without the rows between them, those rows with a single text, and notes.

    body: `source_row` and one text column to a heading; above: the upper row of two of headings.
    """
    cells = body.columns[1:]
    told = pl.sum_horizontal(pl.col(cells).is_not_null())
    headings = [_again(body, cells, row) for row in (names, above)]
    again = pl.col("source_row").is_in(pl.concat(headings).implode())
    few = body.filter(told == 1)
    wide = body.select((told >= _LEAST_FILLED).mean()).item() > 0.5
    alone = few.filter(~_code() & ~again) if wide else few.clear()
    alone = alone.select("source_row", text=pl.coalesce(cells))
    gone = pl.concat([*headings, alone["source_row"]]).unique()
    if gone.is_empty():
        return body, alone, []
    kept = body.filter(~pl.col("source_row").is_in(gone.implode()))
    repeats = gone.len() - alone.height
    notes = [
        f"{rows:,} {what} between the homes were left out"
        for rows, what in ((repeats, "rows of headings"), (alone.height, "rows with a single text"))
        if rows
    ]
    return kept, alone, notes


def _again(body: pl.DataFrame, cells: Sequence[str], row: Sequence[object]) -> pl.Series:
    """Row numbers at which a row of headings stands again: in two cells, and in half of them."""
    known = [(c, str(name)) for c, name in zip(cells, row, strict=False) if name]
    if len(known) < 2:
        return body["source_row"].clear()
    first = pl.any_horizontal(_ends_alike(pl.col(c), name) for c, name in known[:_FIRST])
    near = body.filter(first)
    same = pl.sum_horizontal(_ends_alike(pl.col(c), name) for c, name in known)
    told = pl.sum_horizontal(pl.col(cells).is_not_null())
    return near.filter((same >= 2) & (same >= told / 2))["source_row"]


def _ends_alike(cell: pl.Expr, name: str) -> pl.Expr:
    """Whether a cell is the heading again; under merged headings it is its last words."""
    text = cell.str.strip_chars().str.to_lowercase()
    plain = " ".join(name.lower().split())
    return (
        (pl.lit(plain) == text) | pl.lit(plain).str.ends_with(pl.format(" {}", text))
    ).fill_null(False)


def _code() -> pl.Expr:
    """Whether the only text of a row may be a home's key."""
    text = pl.coalesce(pl.exclude("source_row")).str.strip_chars()
    return text.str.contains(r"^\S*\d\S*$")


def with_streets(
    body: pl.DataFrame, names: Sequence[str], titles: pl.DataFrame
) -> tuple[pl.DataFrame, list[str], list[str]]:
    """Put street and postcode that stand once above their homes beside each, with a note.

    titles: rows with a single text. One that ends with a postcode is a street's.
    """
    found = titles.select(
        "source_row",
        pl.col("text").str.extract(_STREET, 1).alias("Street"),
        pl.col("text").str.extract(_STREET, 2).alias("Postcode"),
    ).drop_nulls()
    if found.height < 2:
        return body, list(names), []
    beside = body.select("source_row").join_asof(found, on="source_row").drop("source_row")
    beside = beside.rename({"Street": "street above", "Postcode": "postcode above"})
    note = "streets and postcodes that stand above their homes were put beside them"
    return body.hstack(beside), [*names, "Street", "Postcode"], [note]


_DITTO = ("ditto", "Ditto", "DITTO", "do.", "Do.", "DO.", "do", "Do", '"', "''", "〃", "as above")


def without_ditto(body: pl.DataFrame) -> tuple[pl.DataFrame, list[str]]:
    """The rows with a mark for "as the line above" turned to what stands there, and a note."""
    cells = [column for column in body.columns if column != "source_row"]
    marks = body.select(pl.col(cells).is_in(_DITTO).sum()).row(0)
    marked = [column for column, count in zip(cells, marks, strict=True) if count]
    if not marked:
        return body, []
    told = [
        pl.when(~pl.col(c).is_in(_DITTO).fill_null(False)).then(pl.col(c).fill_null("")).forward_fill()
        for c in marked
    ]  # fmt: skip
    filled = [pl.when(text != "").then(text).alias(c) for c, text in zip(marked, told, strict=True)]
    note = f"{sum(marks):,} cells that say ditto were read as the line above"
    return body.with_columns(filled), [note]
