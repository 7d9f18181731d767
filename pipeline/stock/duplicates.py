"""Homes entered twice, and surveys copied down a street."""

import polars as pl

from pipeline.stock.rules import DUPLICATE

_KEYS = ("home_id", "uprn", "_address")
_SURVEYED = (
    "floor_area_m2", "wall_area_m2", "window_area_m2", "u_existing_w_m2k", "loft_insulation_mm",
    "wall_thickness_mm", "heating", "glazing",
)  # fmt: skip
LEAST_CLONES = 5


def mark(typed: pl.DataFrame, cells: pl.DataFrame) -> pl.DataFrame:
    """Add `DUPLICATE`: the row that stays, beside each row that enters its home again.

    Rows are one home where the home's key, the UPRN, or the postcode with the same words and
    numbers of the address agree. The fullest row stays; of equally full ones the first in text
    order, so that the order of the rows decides nothing.
    """
    texts = [c for c in cells.columns if c != "source_row"]
    keyed = typed.select("source_row", "home_id", "uprn", _address=_address_key())
    repeated = pl.any_horizontal(
        pl.col(key).is_not_null() & pl.col(key).is_duplicated() for key in _KEYS
    )
    suspects = keyed.with_columns(
        _filled=pl.sum_horizontal(cells.select(pl.col(texts).is_not_null()).get_columns())
    ).filter(repeated)
    text = cells.join(suspects.select("source_row"), on="source_row").select(
        "source_row", _text=pl.concat_str(texts, separator="\x1f", ignore_nulls=True)
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


def mark_clones(typed: pl.DataFrame) -> pl.DataFrame:
    """Add cloned_rows: how many homes of a street share every surveyed figure, from five on.

    Measured figures differ from home to home; a run of equal ones is a survey copied on. Only
    rows with at least three surveyed figures, a floor area among them, are compared.
    """
    figures = pl.sum_horizontal(pl.col(c).is_not_null() for c in _SURVEYED)
    judged = typed.filter((figures >= 4) & pl.col("wall_area_m2").is_not_null())
    suspects = judged.filter(pl.len().over(_SURVEYED) >= LEAST_CLONES)
    words = pl.col("address").str.to_lowercase().str.extract_all(r"\b[a-z]{2,}\b").list.sort()
    found = suspects.with_columns(_street=words.list.join(" ")).select(
        "source_row", cloned_rows=pl.len().over("_street", *_SURVEYED)
    )
    clones = found.filter(pl.col("cloned_rows") >= LEAST_CLONES)
    return typed.join(clones, on="source_row", how="left", maintain_order="left")


def _address_key() -> pl.Expr:
    """Postcode, numbers in their order and words in alphabetical order, for either style."""
    plain = pl.col("address").str.to_lowercase()
    numbers = plain.str.extract_all(r"\b[a-z0-9]*\d[a-z0-9]*\b")
    words = plain.str.extract_all(r"\b[a-z]+\b").list.sort()
    parts = [pl.col("postcode"), numbers.list.join(" "), words.list.join(" ")]
    return pl.when(numbers.list.len() > 0).then(pl.concat_str(parts, separator="|"))
