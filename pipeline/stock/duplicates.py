"""The same home entered twice: which row stays, and which are marked as second entries."""

import polars as pl

from pipeline.stock.rules import DUPLICATE

_KEYS = ("home_id", "uprn", "_address")


def mark(typed: pl.DataFrame, raw: pl.DataFrame) -> pl.DataFrame:
    """Add `DUPLICATE`: the row that stays, beside each row that enters its home again.

    Rows are one home where the home's key, the UPRN, or the postcode with the same words and
    numbers of the address agree. The fullest row stays; of equally full ones the first in text
    order, so that the order of the rows decides nothing.
    """
    cells = [c for c in raw.columns if c != "source_row"]
    keyed = typed.select("source_row", "home_id", "uprn", _address=_address_key())
    repeated = pl.any_horizontal(
        pl.col(key).is_not_null() & pl.col(key).is_duplicated() for key in _KEYS
    )
    suspects = keyed.with_columns(
        _filled=pl.sum_horizontal(raw.select(pl.col(cells).is_not_null()).get_columns())
    ).filter(repeated)
    text = raw.join(suspects.select("source_row"), on="source_row").select(
        "source_row", _text=pl.concat_str(cells, separator="\x1f", ignore_nulls=True)
    )
    order = ["_filled", "_text", "source_row"]
    ordered = suspects.join(text, on="source_row").sort(order, descending=[True, False, False])
    kept = [
        pl.when(pl.col(key).is_not_null()).then(pl.col("source_row").first().over(key))
        for key in _KEYS
    ]
    others = [pl.when(first != pl.col("source_row")).then(first) for first in kept]
    marked = ordered.select("source_row", pl.min_horizontal(others).alias(DUPLICATE))
    return typed.join(marked, on="source_row", how="left", maintain_order="left")


def _address_key() -> pl.Expr:
    """Postcode, numbers in their order and words in alphabetical order, for either style."""
    plain = pl.col("address").str.to_lowercase()
    numbers = plain.str.extract_all(r"\b[a-z0-9]*\d[a-z0-9]*\b")
    words = plain.str.extract_all(r"\b[a-z]+\b").list.sort()
    parts = [pl.col("postcode"), numbers.list.join(" "), words.list.join(" ")]
    return pl.when(numbers.list.len() > 0).then(pl.concat_str(parts, separator="|"))
