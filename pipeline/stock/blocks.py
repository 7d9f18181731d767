"""Rows of a list that are no homes but the block of other rows, and what they tell of these."""

from dataclasses import replace

import polars as pl

from pipeline.stock import wording
from pipeline.stock.headings import Match

_KNOWN = 0.5
"""Least share of parents' keys that are keys of the list. Own assumption."""
_SEE_BLOCK = ("see block", "as block", "per block", "as for block", "see parent")


def left_out(
    body: pl.DataFrame, found: Match, settled: bool
) -> tuple[pl.DataFrame, Match, list[str]]:
    """The rows without those that are no homes, the match, and notes on how many there were.

    body: `source_row` and one text column to a heading. A row that others name as their parent is
    their block: where a home says "see block" it takes the cell of that row, and the parent's key
    is its block where no heading is. settled: whether that is settled otherwise.
    """
    key = found.positions.get("home_id")
    parent = _parent(body, found, key) if key is not None else None
    if key is None or parent is None:
        return body, found, []
    own, other = (pl.col(body.columns[p + 1]) for p in (key, parent))
    named = body.select(other.drop_nulls().unique()).to_series()
    is_block = own.is_in(named.implode()) & other.is_null()
    blocks = body.filter(is_block)
    if blocks.is_empty():
        return body, found, []
    homes = _told_by_blocks(body.filter(~is_block), blocks, body.columns[key + 1], other)
    notes = [f"{blocks.height:,} rows that other rows name as their block were left out"]
    if "block_ref" not in found.positions and not settled:
        positions = {**found.positions, "block_ref": parent}
        unused = tuple(h for h in found.unused if h != found.all[parent])
        found = replace(found, positions=positions, unused=unused)
    return homes, found, notes


def _parent(body: pl.DataFrame, found: Match, key: int) -> int | None:
    """Position of the key of the block a row belongs to."""
    keys = body[body.columns[key + 1]]
    for place, heading in enumerate(found.all[: body.width - 1]):
        parts = wording.parts_of(heading)[0]
        if place == key or "block" not in parts or not parts & {"uprn", "key", "asset", "number"}:
            continue
        parents = body[body.columns[place + 1]].drop_nulls().unique()
        if parents.len() and parents.is_in(keys.implode()).mean() >= _KNOWN:  # type: ignore[operator]
            return place
    return None


def _told_by_blocks(
    homes: pl.DataFrame, blocks: pl.DataFrame, key: str, parent: pl.Expr
) -> pl.DataFrame:
    """Homes with the cells of their block where they say to see there."""
    for column in homes.columns[1:]:
        says = pl.col(column).str.strip_chars().str.to_lowercase().is_in(_SEE_BLOCK)
        if homes.select(says.any()).item():
            meanings = dict(blocks.select(key, column).unique(key).iter_rows())
            told = parent.replace_strict(meanings, default=None, return_dtype=pl.String)
            homes = homes.with_columns(
                pl.when(says).then(pl.coalesce(told, column)).otherwise(column).alias(column)
            )
    return homes
