"""Which sheets of a workbook hold the homes, and how those of several areas become one list."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from pipeline.errors import StockListError
from pipeline.stock import bounds, headings, long_lists
from pipeline.stock.bounds import Table

HEADER_ROWS = 40
_OF_ATTRIBUTES = 3
"""Columns that a heading for attributes and one for their values count for."""
_ALIKE = 0.7
"""Share of headings that two sheets of one list have in common at least. Own assumption."""


@dataclass(frozen=True)
class Sheet:
    """Rows as sent, where the headings end, what they are, and how many columns they name.

    above: the upper one of two rows of headings.
    """

    name: str
    rows: pl.DataFrame
    header: int
    names: tuple[str, ...]
    count: int
    above: tuple[object, ...] = ()

    @property
    def body(self) -> pl.DataFrame:
        """The rows below the headings with their numbers, one text column to a heading."""
        numbered = self.rows.with_row_index("source_row", offset=1)
        return numbered.slice(self.header + 1)


def looked_at(name: str, rows: pl.DataFrame, settled: Mapping[str, str]) -> Sheet:
    """A sheet and the row of its headings; a second row below merged ones is joined to them.

    The row counts that names most columns, of the first forty.
    """
    top = list(rows.head(HEADER_ROWS).iter_rows())
    best = Sheet(name, rows, 0, (), 0)
    for index, row in enumerate(top):
        options: list[tuple[Sequence[object], Sequence[object]]] = [(row, ())]
        if index and any(cell is None for cell in top[index - 1]):
            options.append((headings.joined(top[index - 1], row), top[index - 1]))
        for names, above in options:
            count = headings.named(names)
            count += sum(headings.plain(heading) in settled for heading in names)
            count += _OF_ATTRIBUTES if long_lists.heads(names) else 0
            if count > best.count:
                written = tuple(str(n).strip() if n is not None else "" for n in names)
                best = Sheet(name, rows, index, written, count, tuple(above))
    return best


def of_book(
    path: Path, settled: Mapping[str, str], chosen: str | None
) -> tuple[list[Sheet], list[Table], list[str]]:
    """The sheets that hold homes, the other ones that show, and notes.

    Raises StockListError where there is no sheet of the chosen name, or where sheets that all look
    like homes have other headings.
    """
    tables = bounds.tables(path)
    if chosen is not None:
        return _chosen(path, tables, settled, chosen)
    hidden = [table.name for table in tables if not table.shows]
    shown = [table for table in tables if table.shows] or tables
    sheets = [looked_at(table.name, table.rows, settled) for table in shown]
    best = max(sheets, key=lambda sheet: sheet.count)
    rivals = [s for s in sheets if s is not best and _has_homes(s, best)]
    strange = [s.name for s in rivals if not _alike(s, best)]
    if strange:
        raise StockListError(
            f"{path.name}: sheets {', '.join(map(repr, [best.name, *strange]))} all look like lists"
            " of homes, with other headings. Choose one with --sheet, or save each as a file."
        )
    homes = [sheet for sheet in sheets if sheet is best or sheet in rivals]
    names = {sheet.name for sheet in homes}
    left = [table for table in shown if table.name not in names]
    notes = []
    if left or len(homes) > 1:
        read = f"read sheet{'s' * (len(homes) > 1)} {', '.join(repr(s.name) for s in homes)}"
        notes.append(read + "".join(f", left {t.name!r}" for t in left))
    if hidden and shown is not tables:
        notes.append(f"hidden sheets were not read: {', '.join(map(repr, hidden))}")
    return homes, left, notes


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


def _has_homes(sheet: Sheet, best: Sheet) -> bool:
    """Whether a sheet is another list of homes, not of something about them."""
    held = set(headings.match(sheet.names).positions)
    told = len(held & {*headings.ESSENTIAL, "description"})
    rows = sheet.rows.height - sheet.header - 1
    keyed = bool(held & {"home_id", "uprn", "address"})
    return rows > 0 and keyed and told >= 3 and sheet.count >= 0.6 * best.count


def _alike(sheet: Sheet, best: Sheet) -> bool:
    one, other = ({headings.plain(n) for n in s.names if n} for s in (sheet, best))
    return len(one & other) >= _ALIKE * max(len(one | other), 1)


def stacked(sheets: Sequence[Sheet]) -> tuple[Sheet, list[str]]:
    """Sheets of one list under one another, by their headings; a note on how rows are numbered.

    Rows of a later sheet are numbered on from the last row of the sheet before.
    """
    first = sheets[0]
    if len(sheets) == 1:
        return first, []
    names = list(first.names)
    for sheet in sheets[1:]:
        known = set(map(headings.plain, names))
        names += [n for n in sheet.names if n and headings.plain(n) not in known]
    parts, notes, offset = [], [], 0
    for sheet in sheets:
        parts.append(_placed(sheet, names, skip=sheet is not first))
        if offset:
            notes.append(f"row 1 of sheet {sheet.name!r} counts as row {offset + 1:,}")
        offset += sheet.rows.height
    return Sheet(first.name, pl.concat(parts), first.header, tuple(names), first.count), notes


def _placed(sheet: Sheet, names: Sequence[str], skip: bool) -> pl.DataFrame:
    """All rows of a sheet under the headings of the list; skip: blank what is above its homes."""
    places = {headings.plain(n): p for p, n in reversed(list(enumerate(sheet.names))) if n}
    columns = [
        pl.col(sheet.rows.columns[places[plain]]) if (plain := headings.plain(n)) in places
        else pl.lit(None, pl.String)
        for n in names
    ]  # fmt: skip
    rows = sheet.rows.select(c.alias(f"column_{i}") for i, c in enumerate(columns))
    if skip:
        above = pl.int_range(pl.len()) <= sheet.header
        rows = rows.with_columns(pl.when(~above).then(pl.all()))
    return rows
