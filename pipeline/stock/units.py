"""Units that stand apart from their figures: in a line below the headings, or a column beside.

Each is put where another list would write it: into the heading, or behind the figure.
"""

import re
from collections.abc import Sequence
from dataclasses import replace

import polars as pl

from pipeline.stock import headings, long_lists
from pipeline.stock.sheet import Sheet

_UNIT = re.compile(r"^(?:unit|units|uom|unit of measure|measure)$")
_IS_UNIT = re.compile(r"^(?:m2|m²|sq\.? ?m.*|sq\.? ?f.*|ft2|ft²|mm|cm|m|in|ins|inch.*|w/m.*k|%)$")
_KINDS = re.compile(r"^(?:|no|nr|number|years?|y{2,4}|date|dd mm y{2,4}|text|codes?|%|y n|a g)$")
"""What stands in a line of units above cells that have none."""
_BARE = r"^\s*[\d.,]+\s*$"


def below(sheet: Sheet) -> Sheet:
    """A sheet with the units of the line under its headings, where there is one, behind them."""
    if sheet.header + 1 >= sheet.rows.height or not sheet.names:
        return sheet
    row = sheet.rows.row(sheet.header + 1)
    if not are_units(row):
        return sheet
    told = [str(cell).strip(" -") if cell is not None else "" for cell in row]
    names = tuple(
        f"{name} {unit}" if name and unit else name
        for name, unit in zip(sheet.names, told, strict=False)
    )
    return replace(sheet, header=sheet.header + 1, names=names)


def are_units(row: Sequence[object]) -> bool:
    """Whether all a row holds are units, or say of what kind cells without a unit are."""
    texts = [headings.plain(cell) for cell in row if cell is not None]
    units = [text for text in texts if headings.is_unit(text)]
    return bool(units) and all(text in units or _KINDS.match(text) for text in texts)


def beside(sheet: Sheet) -> tuple[Sheet, list[str]]:
    """A sheet with each unit that has a column of its own behind the bare figure left of it; notes.

    That column has no heading any more. A list of attributes has units of all kinds.
    """
    if long_lists.heads(sheet.names):
        return sheet, []
    names, notes = list(sheet.names), []
    rows = sheet.rows
    for place in range(1, min(len(names), rows.width)):
        last = names[place].lower().split()[-1:]
        if not last or not _UNIT.match(last[0]) or not names[place - 1]:
            continue
        figure, unit = (rows.columns[p] for p in (place - 1, place))
        below_ = rows.slice(sheet.header + 1)
        units = below_[unit].drop_nulls().str.strip_chars().str.to_lowercase().unique()
        bare = below_[figure].drop_nulls().str.contains(_BARE)
        if not any(map(_IS_UNIT.match, units)) or not bare.len() or bare.mean() < 0.5:  # type: ignore[operator]
            continue
        rows = rows.with_columns(_behind(pl.col(figure), pl.col(unit), sheet.header).alias(figure))
        notes.append(f"units under '{names[place]}' were put behind '{names[place - 1]}'")
        names[place] = ""
    return replace(sheet, rows=rows, names=tuple(names)), notes


def _behind(cell: pl.Expr, unit: pl.Expr, header: int) -> pl.Expr:
    """Bare figures below the headings with a unit behind them."""
    below_ = pl.int_range(pl.len()) > header
    bare = below_ & cell.str.contains(_BARE) & unit.is_not_null()
    return pl.when(bare).then(pl.format("{} {}", cell, unit.str.strip_chars())).otherwise(cell)


def in_cells(sheet: Sheet, place: int, unit: str) -> Sheet:
    """A sheet with a unit that one of its headings states behind the bare figures below it."""
    column = sheet.rows.columns[place]
    told = _behind(pl.col(column), pl.lit(unit), sheet.header).alias(column)
    return replace(sheet, rows=sheet.rows.with_columns(told))
