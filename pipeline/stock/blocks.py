"""Rows of a list that are no homes but the block of other rows, and what they tell of these."""

from dataclasses import replace

import polars as pl

from pipeline.plurals import counted
from pipeline.stock import wording
from pipeline.stock.headings import Match

_KNOWN = 0.5
"""Least share of parents' keys that are keys of the list. Own assumption."""
_SEE_BLOCK = ("see block", "as block", "per block", "as for block", "see parent")
_IS_BLOCK = r"(?i)^\s*(?:block|building|parent|core|bloc)(?: of flats| level| record)?\s*$"
_IS_FLAT = r"(?i)\b(?:flats?|maisonettes?|mais|apartments?|bedsits?|studios?|units?|fflat)\b"
_FEW_KINDS = 20
"""Different cells of a column that tells the level of a row. Own assumption."""
OF_THE_BUILDING = (
    "address", "postcode", "construction_year", "wall_construction", "wall_insulation",
    "wall_thickness_mm", "u_existing_w_m2k", "heritage", "heating", "heating_fuel",
)  # fmt: skip
"""Columns that a flat's row may leave to its block's."""
_ONLY_FLAT = r"(?i)^\s*(?:flats?|apartment|apt|unit|fflat|no\.?)?\s*[\w/.-]{1,5}\s*$"


def left_out(
    body: pl.DataFrame, found: Match, settled: bool
) -> tuple[pl.DataFrame, Match, list[str]]:
    """The rows without those that are no homes, the match, and notes on how many there were.

    body: `source_row` and one text column to a heading. A block is a row that others name as their
    parent, or that calls itself a block above its flats. These take from it what they leave to it,
    and its key is their block where no heading is. settled: whether that is settled otherwise.
    """
    place = found.positions.get("home_id")
    if place is None:
        return body, found, []
    key = body.columns[place + 1]
    parent = _parent(body, found, place)
    named = pl.col(body.columns[parent + 1]) if parent is not None else _above(body, found, key)
    if named is None:
        return body, found, []
    rows = body.with_columns(_block=named)
    blocks = rows.filter(pl.col(key).is_in(rows["_block"].drop_nulls().unique().implode()))
    blocks = blocks.filter(pl.col("_block").is_null() | (pl.col("_block") == pl.col(key)))
    if blocks.is_empty():
        return body, found, []
    homes = rows.filter(~pl.col("source_row").is_in(blocks["source_row"].implode()))
    homes = _told_by_blocks(homes, blocks, key, found, fills=parent is None)
    are = "it is no home" if blocks.height == 1 else "they are no homes"
    was = "was" if blocks.height == 1 else "were"
    notes = [f"{counted(blocks.height, 'row')} of blocks {was} left out: {are}"]
    if "block_ref" in found.positions or settled:
        return homes.drop("_block"), found, notes
    if parent is None:
        found = replace(
            found,
            positions={**found.positions, "block_ref": len(found.all)},
            all=(*found.all, "block above"),
        )
        return homes.rename({"_block": "block above"}), found, notes
    positions = {**found.positions, "block_ref": parent}
    unused = tuple(h for h in found.unused if h != found.all[parent])
    return homes.drop("_block"), replace(found, positions=positions, unused=unused), notes


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


def _above(body: pl.DataFrame, found: Match, key: str) -> pl.Expr | None:
    """Of each flat the key of the block's row above it; None where no row calls itself a block.

    A flat's key begins with that of its block, or it is a flat at the block's postcode.
    """
    levels = [
        column
        for column in body.columns[1 : len(found.all) + 1]
        if body[column].drop_nulls().str.contains(_IS_BLOCK).any()
        and body[column].n_unique() <= _FEW_KINDS
    ]
    if not levels:
        return None
    level = pl.col(levels[0])
    is_block = level.str.contains(_IS_BLOCK).fill_null(False)
    block = pl.when(is_block).then(key).forward_fill()
    related = pl.col(key).str.starts_with(block) & (pl.col(key) != block)
    is_flat = level.str.contains(_IS_FLAT)
    if "postcode" in found.positions:
        code = pl.col(body.columns[found.positions["postcode"] + 1])
        at_block = pl.when(is_block).then(code).forward_fill()
        is_flat &= (code == at_block).fill_null(True)
    return pl.when(~is_block & (related | is_flat).fill_null(False)).then(block)


def _told_by_blocks(
    homes: pl.DataFrame, blocks: pl.DataFrame, key: str, found: Match, fills: bool
) -> pl.DataFrame:
    """Homes with the cells of their block where they say to see there.

    fills: whether they leave to it also what their own cells of the building do not tell.
    """
    left = (
        [found.positions[c] for c in OF_THE_BUILDING[1:] if c in found.positions] if fills else []
    )
    of_building = {homes.columns[place + 1] for place in left}
    where = {homes.columns[p + 1] for p in (found.positions.get("address"),) if p is not None}
    for column in homes.columns[1:-1]:
        cell = pl.col(column)
        says = cell.str.strip_chars().str.to_lowercase().is_in(_SEE_BLOCK)
        empty = cell.is_null() & pl.lit(column in of_building)
        only = cell.str.contains(_ONLY_FLAT) & pl.lit(fills and column in where)
        if homes.select((says | empty | only).any()).item():
            meanings = dict(blocks.select(key, column).unique(key).iter_rows())
            told = pl.col("_block").replace_strict(meanings, default=None, return_dtype=pl.String)
            whole = pl.format("{}, {}", cell, told)
            homes = homes.with_columns(
                pl.when(says | empty)
                .then(pl.coalesce(told, cell))
                .when(only)
                .then(pl.coalesce(whole, cell))
                .otherwise(cell)
                .alias(column)
            )
    return homes
