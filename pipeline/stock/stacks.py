"""Several lists of homes as one: sheets and parts under one another, or beside by their key."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import polars as pl

from pipeline.columns import dictionary
from pipeline.stock import addresses, blocks, headings, units
from pipeline.stock.headings import Match
from pipeline.stock.sheet import Sheet

_KEYS = ("home_id", "uprn")
_LEAST_AGAIN = 4
"""Columns that a row further down must name to be headings of another part. Own assumption."""
_FIRST = 12
"""Columns of which two hold well-known headings wherever another part begins. Own assumption."""
_LEAST_KNOWN, _LEAST_SINGLE = 0.5, 0.98
_OF_THE_PLACE = {"estate", "block_ref"}
_KEY_OF_BLOCK = "block_ref"
_OF_A_KIND = {
    *blocks.OF_THE_BUILDING[2:],
    *("property_type", "built_form", "floor_area_m2", "glazing", "loft_insulation_mm", "storeys"),
}
_MOST_KINDS, _EXPLAINED = 500, 0.9


def _match(sheet: Sheet) -> Match:
    return headings.match(sheet.names, cells=sheet.looks)


def _keys(sheet: Sheet, found: Match, column: str) -> pl.Series:
    """Texts of a key below the headings, without outer spaces."""
    cells = sheet.rows.slice(sheet.header + 1)[sheet.rows.columns[found.positions[column]]]
    return cells.drop_nulls().str.strip_chars()


def keyed(sheet: Sheet) -> bool:
    """Whether a heading of a sheet holds keys of homes."""
    return any(key in _match(sheet).positions for key in _KEYS)


def share_known(sheet: Sheet, other: Sheet, by: Sequence[str] = _KEYS) -> float:
    """Share of a sheet's keys that are keys of another, by the first key that both have."""
    one, two = _match(sheet), _match(other)
    for column in by:
        if column in one.positions and column in two.positions:
            keys = _keys(sheet, one, column)
            known = keys.is_in(_keys(other, two, column).unique().implode()).sum()
            return int(known) / max(len(keys), 1)
    return 0.0


def tells_more(sheet: Sheet, homes: Sheet) -> bool:
    """Whether a sheet has one row to a home, block or kind, and columns that the homes lack."""
    return _link(sheet, homes) is not None


def _link(sheet: Sheet, homes: Sheet) -> tuple[int, int, list[str]] | None:
    """Positions of the key of a sheet and of the homes' same key, and the columns it tells.

    Else of the codes of kinds of homes, such as archetypes, of which it tells several columns.
    """
    found, held = _match(sheet), _match(homes)
    if key := _key_of(sheet, homes):
        return found.positions[key], held.positions[key], _told(key, found, held)
    looks = homes.looks
    lacking = {
        c for c in _OF_A_KIND if c not in held.positions or not looks[held.positions[c]].cells
    }
    new = [c for c, place in found.positions.items() if c in lacking and place]
    if len(new) < 2:
        return None
    codes = sheet.rows.slice(sheet.header + 1).to_series(0).drop_nulls().str.strip_chars()
    if codes.is_duplicated().any() or len(codes) > _MOST_KINDS:
        return None
    for place, column in enumerate(homes.rows.columns[: len(homes.names)]):
        cells = homes.rows.slice(homes.header + 1)[column].drop_nulls().str.strip_chars()
        known = cells.is_in(codes.implode())
        if cells.filter(known).n_unique() > 1 and known.sum() >= _EXPLAINED * len(cells):
            return 0, place, new
    return None


def of_blocks(sheet: Sheet, homes: Sheet) -> bool:
    """Whether a sheet has a row to each block of the homes of another."""
    return not keyed(sheet) and _key_of(sheet, homes) == _KEY_OF_BLOCK


def _key_of(sheet: Sheet, homes: Sheet) -> str | None:
    """The key by which a sheet tells more of the homes of another."""
    found, held = _match(sheet), _match(homes)
    for key in (*_KEYS, _KEY_OF_BLOCK):
        if key in found.positions and key in held.positions and _told(key, found, held):
            keys = _keys(sheet, found, key)
            single = keys.n_unique() >= _LEAST_SINGLE * max(len(keys), 1)
            if single and share_known(homes, sheet, [key]) >= _LEAST_KNOWN:
                return key
    return None


def _told(key: str, found: Match, held: Match) -> list[str]:
    """Columns of a sheet that the homes lack; of a block's those that its flats share."""
    new = [c for c in found.positions if c not in {*held.positions, *_OF_THE_PLACE}]
    return [c for c in new if c in blocks.OF_THE_BUILDING] if key == _KEY_OF_BLOCK else new


def beside(homes: Sheet, others: Sequence[Sheet]) -> Sheet:
    """A list of homes with the columns that other sheets tell of them by their key."""
    for sheet in others:
        link = _link(sheet, homes)
        if link is None:
            continue
        at, own_at, columns = link
        other = _with_one_address(sheet)
        found = _match(other)
        new = [found.positions[column] for column in columns]
        told = other.rows.slice(other.header + 1).select(
            pl.col(other.rows.columns[at]).str.strip_chars().alias("key"),
            *(pl.col(other.rows.columns[p]).alias(f"{other.name} {p}") for p in new),
        )
        told = told.drop_nulls("key").unique("key", keep="first", maintain_order=True)
        own = pl.col(homes.rows.columns[own_at]).str.strip_chars()
        rows = homes.rows.with_columns(key=own).join(
            told, on="key", how="left", maintain_order="left"
        )
        rows = rows.drop("key")
        width = len(homes.names)
        names = (*homes.names, *("" for _ in range(homes.rows.width - width)))
        names = (*names, *(other.names[p] for p in new))
        rows.columns = [f"column_{n}" for n in range(rows.width)]
        homes = replace(homes, rows=rows, names=names)
    return homes


def parts(sheet: Sheet) -> list[Sheet]:
    """The lists that stand under one another on a sheet, each with headings of its own.

    A row further down that names several columns, in other words than the first, begins another.
    """
    starts = [sheet.header]
    known = headings.known_words()
    cells = sheet.rows.slice(sheet.header + 1).with_row_index("place", offset=sheet.header + 1)
    told = pl.sum_horizontal(
        pl.col(c).str.strip_chars().str.to_lowercase().is_in(known).fill_null(False)
        for c in sheet.rows.columns[:_FIRST]
    )
    own = [headings.plain(name) for name in sheet.names]
    for place in cells.filter(told >= 2)["place"]:
        row = sheet.rows.row(place)
        words = [headings.plain(cell) if cell is not None else "" for cell in row]
        other = [
            word
            for place_, word in enumerate(words)
            if word and not f" {(own[place_] if place_ < len(own) else '')}".endswith(f" {word}")
        ]
        if headings.named(row) >= _LEAST_AGAIN and len(other) >= 2:
            starts.append(place)
    if len(starts) == 1:
        return [sheet]
    found = []
    for start, end in zip(starts, [*starts[1:], sheet.rows.height], strict=True):
        top = 0 if start == sheet.header else start
        names = sheet.names if start == sheet.header else _written(sheet.rows.row(start))
        rows = sheet.rows.slice(top, end - top)
        part = Sheet(sheet.name, rows, start - top, names, headings.named(names))
        found.append(part if start == sheet.header else units.below(part))
    return found


def _written(row: Sequence[object]) -> tuple[str, ...]:
    return tuple(str(cell).strip() if cell is not None else "" for cell in row)


def stacked(sheets: Sequence[Sheet]) -> tuple[Sheet, list[str]]:
    """Lists under one another, by the columns their headings hold; a note on how rows are numbered.

    Rows of a later sheet are numbered on from the last row of the sheet before; parts of one sheet
    keep their numbers.
    """
    with_units = [units.beside(sheet) for sheet in sheets]
    sheets, notes = [sheet for sheet, _ in with_units], [n for _, told in with_units for n in told]
    first = sheets[0]
    if len(sheets) == 1:
        return first, notes
    if len({_address_of(sheet) for sheet in sheets}) > 1:
        sheets = [_with_one_address(sheet) for sheet in sheets]
        first = sheets[0]
    held = {column: first.names[p] for column, p in _match(first).positions.items()}
    alike = [first, *(_in_words_of(held, sheet) for sheet in sheets[1:])]
    names = list(first.names)
    for sheet in alike[1:]:
        known = set(map(headings.plain, names))
        names += [n for n in sheet.names if n and headings.plain(n) not in known]
    rows, offset, told = [], 0, list[str]()
    for sheet in alike:
        rows.append(_placed(sheet, names, skip=sheet is not first))
        if sheet.name != first.name:
            told.append(f"row 1 of sheet {sheet.name!r} counts as row {offset + 1:,}")
        offset += sheet.rows.height
    if not told:
        told = [f"{len(sheets)} lists under one another with headings of their own were made one"]
    return replace(first, rows=pl.concat(rows), names=tuple(names)), [*notes, *told]


def _address_of(sheet: Sheet) -> tuple[str, ...]:
    """The headings that hold the address."""
    found = _match(sheet)
    places = found.several.get("address", (found.positions.get("address", len(sheet.names)),))
    return tuple(headings.plain(sheet.names[p]) for p in places if p < len(sheet.names))


def _with_one_address(sheet: Sheet) -> Sheet:
    """A sheet whose address stands in one column, the first of those that hold its parts."""
    places = _match(sheet).several.get("address")
    if not places:
        return sheet
    cells = sheet.rows.columns
    below = pl.int_range(pl.len()) > sheet.header
    whole = addresses.joined({cells[p]: sheet.names[p] for p in places})
    rows = sheet.rows.with_columns(pl.when(below).then(whole).alias(cells[places[0]]))
    gone = dict.fromkeys(places[1:], "") | {places[0]: "Address"}
    return replace(
        sheet, rows=rows, names=tuple(gone.get(p, name) for p, name in enumerate(sheet.names))
    )


def _in_words_of(held: Mapping[str, str], sheet: Sheet) -> Sheet:
    """A sheet with the headings of the first list where they hold the same column.

    Where the first states another unit, its own stands behind the figures.
    """
    own = {p: held[c] for c, p in _match(sheet).positions.items() if c in held}
    for column, place in _match(sheet).positions.items():
        if column in held and dictionary()[column].dtype in ("area", "number", "length_mm"):
            unit = headings.unit_of(sheet.names[place])
            if unit != headings.unit_of(held[column]):
                sheet = units.in_cells(sheet, place, unit or dictionary()[column].unit)
    taken = set(map(headings.plain, own.values()))
    names = [
        own.get(p, "" if headings.plain(name) in taken else name)
        for p, name in enumerate(sheet.names)
    ]
    return replace(sheet, names=tuple(names))


def _placed(sheet: Sheet, names: Sequence[str], skip: bool) -> pl.DataFrame:
    """All rows of a sheet under the headings of the list; skip: blank what is above its homes."""
    places = {name: p for p, name in enumerate(_numbered(sheet.names))}
    columns = [
        pl.col(sheet.rows.columns[places[name]]) if name in places else pl.lit(None, pl.String)
        for name in _numbered(names)
    ]
    rows = sheet.rows.select(c.alias(f"column_{i}") for i, c in enumerate(columns))
    if skip:
        above = pl.int_range(pl.len()) <= sheet.header
        rows = rows.with_columns(pl.when(~above).then(pl.all()))
    return rows


def _numbered(names: Sequence[str]) -> list[tuple[str, int]]:
    """Plain headings, each with how often it stood before."""
    plain = [headings.plain(name) for name in names]
    return [(name, plain[:place].count(name)) for place, name in enumerate(plain)]
