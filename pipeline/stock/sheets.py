"""Which sheets of a workbook hold the homes, and how those of several areas become one list."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import polars as pl

from pipeline.errors import StockListError
from pipeline.stock import bounds, headings, long_lists, lookups, stacks, units, wording
from pipeline.stock.bounds import Table
from pipeline.stock.sheet import Sheet

HEADER_ROWS = 40
_OF_ATTRIBUTES = 3
"""Columns that a heading for attributes and one for their values count for."""
_SAME_HOMES = 0.1
"""Two sheets that share more of their keys list the same homes. Own assumption."""
_LEAST_OF_A_HOME = 3
"""Cells of a row that may be a home's. Own assumption."""
_OF_A_KEY = 2
"""Columns that a key of homes counts for: a sheet of their blocks may name more of the others."""
_KINDS = re.compile(r"\b(house|bungalow|flat|maisonette)s?\b", re.I)
_OTHER = re.compile(
    r"\b(sold|sales|dispos\w*|demol\w*|archive\w*|leavers|garage\w*|shops?|commercial|old|previous"
    r"|superseded|backup|copy|draft|template|do not use)\b",
    re.I,
)
"""Names of sheets that hold no homes of the landlord's own; common practice."""


def looked_at(name: str, rows: pl.DataFrame, settled: Mapping[str, str]) -> Sheet:
    """A sheet and the row of its headings; a second row below merged ones is joined to them, and
    so is a line of units below these.

    The row counts that names most columns, of the first forty.
    """
    top = list(rows.head(HEADER_ROWS).iter_rows())
    best = Sheet(name, rows, 0, (), 0)
    for index, row in enumerate(top):
        options: list[tuple[Sequence[object], Sequence[object]]] = [(row, ())]
        if index and _may_stand_over(top[index - 1]):
            options.append((headings.joined(top[index - 1], row), top[index - 1]))
        for names, above in options:
            count = headings.named(names)
            count += sum(headings.plain(heading) in settled for heading in names)
            count += any(cell is not None and wording.evidence(str(cell)) != 1 for cell in above)
            count += _OF_ATTRIBUTES if long_lists.heads(names) else 0
            if count > best.count:
                written = tuple(str(n).strip() if n is not None else "" for n in names)
                best = Sheet(name, rows, index, written, count, tuple(above))
    return units.below(best)


def _may_stand_over(row: Sequence[object]) -> bool:
    """Whether a row may be merged headings: some cells are blank, and it is no title."""
    held = [cell is not None for cell in row]
    return not all(held) and (sum(held) > 1 or not held[0])


def of_book(
    path: Path, settled: Mapping[str, str], chosen: str | None
) -> tuple[list[Sheet], list[Table], list[str]]:
    """The sheets that hold homes, the other ones that show, and notes.

    Raises StockListError where there is no sheet of the chosen name, or where two sheets list the
    same homes.
    """
    tables, boxes = [], list[Table]()
    for table in bounds.tables(path):
        rows, told = lookups.boxed(table.name, table.rows)
        tables.append(replace(table, rows=rows))
        boxes += told
    if chosen is not None:
        homes, left, notes = _chosen(path, tables, settled, chosen)
        return homes, [*left, *boxes], notes
    hidden = [table.name for table in tables if not table.shows]
    shown = [table for table in tables if table.shows] or tables
    sheets = [_of_its_kind(looked_at(table.name, table.rows, settled)) for table in shown]
    best = max(sheets, key=lambda sheet: sheet.count + _OF_A_KEY * stacks.keyed(sheet))
    rivals = [s for s in sheets if s is not best and _has_homes(s, best)]
    if again := [s.name for s in rivals if stacks.share_known(s, best) > _SAME_HOMES]:
        raise StockListError(
            f"{path.name}: sheets {', '.join(map(repr, [best.name, *again]))} list the same homes."
            " Choose one with --sheet, or save each as a file."
        )
    homes = [sheet for sheet in sheets if sheet is best or sheet in rivals]
    more = [s for s in sheets if s not in homes and stacks.tells_more(s, best)]
    homes = [stacks.beside(sheet, more) for sheet in homes]
    names = {sheet.name for sheet in (*homes, *more)}
    left = [table for table in shown if table.name not in names]
    notes = []
    if left or len(homes) > 1:
        read = f"read sheet{'s' * (len(homes) > 1)} {', '.join(repr(s.name) for s in homes)}"
        notes.append(read + "".join(f", left {t.name!r}" for t in left))
    notes += [f"sheet {s.name!r} was put beside the homes by their key" for s in more]
    if hidden and shown is not tables:
        notes.append(f"hidden sheets were not read: {', '.join(map(repr, hidden))}")
    return homes, [*left, *boxes], notes


def _chosen(
    path: Path, tables: Sequence[Table], settled: Mapping[str, str], chosen: str
) -> tuple[list[Sheet], list[Table], list[str]]:
    wanted = chosen.strip().casefold()
    found = [table for table in tables if table.name.casefold() == wanted]
    if not found:
        known = ", ".join(repr(table.name) for table in tables)
        raise StockListError(f"{path.name} has no sheet {chosen!r}. Its sheets are {known}.")
    rest = [table for table in tables if table is not found[0]]
    return [looked_at(found[0].name, found[0].rows, settled)], rest, [f"read sheet '{chosen}'"]


def _of_its_kind(sheet: Sheet) -> Sheet:
    """A sheet without types of homes, with the one that its name tells behind its last column."""
    kinds = {kind.lower() for kind in _KINDS.findall(sheet.name)}
    if len(kinds) != 1 or not sheet.names:
        return sheet
    held = headings.match(sheet.names, cells=sheet.looks).positions
    if {"property_type", "description"} & set(held):
        return sheet
    below = pl.int_range(pl.len()) > sheet.header
    some = pl.sum_horizontal(pl.all().is_not_null()) >= _LEAST_OF_A_HOME
    told = pl.when(below & some).then(pl.lit(kinds.pop())).alias("kind")
    names = (*sheet.names, *("" for _ in range(sheet.rows.width - len(sheet.names))))
    names = (*names, "Property type")
    return replace(sheet, rows=sheet.rows.with_columns(told), names=names)


def _has_homes(sheet: Sheet, best: Sheet) -> bool:
    """Whether a sheet is another list of homes, not of something about them."""
    if _OTHER.search(sheet.name) or stacks.of_blocks(sheet, best):
        return False
    held = set(headings.match(sheet.names, cells=sheet.looks).positions)
    told = len(held & {*headings.ESSENTIAL, "description"})
    rows = sheet.rows.height - sheet.header - 1
    keyed = bool(held & {"home_id", "uprn", "address"})
    return rows > 0 and keyed and told >= 3 and sheet.count >= 0.6 * best.count
