"""Headings that hold an address between them, and how their cells and those of flats are joined."""

from collections.abc import Mapping, Sequence

import polars as pl

from pipeline.stock import wording
from pipeline.stock.profiles import Profile

_WHOLE = {
    frozenset({"address", *others})
    for others in ((), ("property",), ("postcode",), ("property", "postcode"))
}
_LINE = {
    *(frozenset({"address", part}) for part in ("number", "street", "town", "block")),
    *(frozenset({part}) for part in ("street", "town")),
    frozenset({"street", "number"}),
}
_LOCATED = frozenset({"position", "property", "asset", "house", "building"})
"""Parts of a heading under which an address may stand: Location, Property, Premises."""
_OF_FLATS = {
    frozenset({kind, *others})
    for kind in ("house", "asset", "flat")
    for others in ((), ("number",), ("position",), ("key",), ("asset",), ("asset", "number"))
}
_FLAT_WORDS = {"flat", "apartment", "apt", "unit", "fflat", "subbuilding", "saon", "sub"}
_NUMBER = {
    frozenset(parts)
    for parts in (("number",), ("house", "number"), ("address", "number"), ("house",), ("door",))
}


def positions(
    headings: Sequence[str | None], cells: Sequence[Profile], flats: Sequence[int] = ()
) -> tuple[int, ...]:
    """Positions that hold the address: one with all of it, else its lines in the list's order.

    headings: None where a heading is another column's; cells: what stands below them; flats: those
    that tell which flat of a house a home is, which come first, before the house's number.
    """
    whole, lines, numbers = [], [], []
    for place, heading in enumerate(headings):
        parts, unknown = wording.parts_of(heading or "")
        parts -= {"second"}
        if heading is None or unknown > 1:
            continue
        numbered = "number" in parts or any(word.isdigit() for word in wording.tokens(heading))
        located = bool(parts) and parts <= _LOCATED and _are_addresses(place, cells)
        if located or (parts in _WHOLE and not numbered):
            whole.append(place)
        elif place in flats:
            continue
        elif parts in _NUMBER and _are_house_numbers(place, cells):
            numbers.append(place)
        elif parts in _WHOLE | _LINE:
            lines.append(place)
    if whole and (not (lines or numbers) or _has_numbers(whole[0], cells)):
        return (whole[0], *_towns(whole[0], lines, headings, cells))
    found = [*numbers, *sorted([*whole, *lines])]
    return (*(flats if found else ()), *found)


def _towns(
    whole: int, lines: Sequence[int], headings: Sequence[str | None], cells: Sequence[Profile]
) -> list[int]:
    """Where the towns of addresses stand that do not say them: streets of one name are in many."""
    if whole >= len(cells) or cells[whole].share("parted") > 0.2:
        return []
    return [place for place in lines if wording.parts_of(headings[place] or "")[0] == {"town"}]


def is_flat(heading: str) -> bool:
    """Whether a heading tells which flat of a house a home is."""
    words = wording.tokens(heading)
    return bool(_FLAT_WORDS & set(words)) and wording.parts_of(heading)[0] in _OF_FLATS


def _are_addresses(place: int, cells: Sequence[Profile]) -> bool:
    return place < len(cells) and cells[place].share("address") > 0.6


def _are_house_numbers(place: int, cells: Sequence[Profile]) -> bool:
    return place < len(cells) and cells[place].share("house_number") > 0.6


def _has_numbers(place: int, cells: Sequence[Profile]) -> bool:
    return place >= len(cells) or cells[place].share("digits") > 0.3


def joined(lines: Mapping[str, str]) -> pl.Expr:
    """One text of the cells of a row: a house number before its street, else commas between.

    lines: heading by name of the column of cells. A flat's number is told to be one. Null where
    all cells are.
    """
    cells = []
    for name, heading in lines.items():
        cell = pl.col(name).str.strip_chars(" ,")
        bare = cell.str.contains(r"^\S{1,6}$") & pl.lit(is_flat(heading))
        cells.append(pl.when(bare).then(pl.format("Flat {}", cell)).otherwise(cell))
    text = pl.concat_str(cells, separator=", ", ignore_nulls=True)
    closed = text.str.replace_all(r"(^|, )(\d{1,4}[A-Za-z]?), ", "$1$2 ")
    return pl.when(closed != "").then(closed)


_ENDS_WITH_POSTCODE = r"(?i)\b([a-z]{1,2}\d[a-z\d]?)\s*(\d[a-z]{2})\s*$"


def with_postcodes(typed: pl.DataFrame) -> pl.DataFrame:
    """Postcodes from the end of the address, where a home has none of its own."""
    parts = [pl.col("address").str.extract(_ENDS_WITH_POSTCODE, n) for n in (1, 2)]
    own = ~pl.col("postcode" + "__unreadable")
    written = pl.when(own).then(pl.format("{} {}", *parts).str.to_uppercase())
    return typed.with_columns(pl.coalesce("postcode", written).alias("postcode"))


_NUMBERED = r"^(?:\d+(?:/\d+)?|[A-Za-z])$"
_FLOOR = r"(?i)^(?:upper|lower|ground|top|middle|mid|first|second|third|fourth)$"


def parted(typed: pl.DataFrame, cells: pl.DataFrame) -> pl.DataFrame:
    """Addresses that several rows share, with what the floor's own cell says of each before it.

    A list may give a house's flats one address, and tell them apart beside it: 0/1, upper.
    """
    if "floor_position" not in cells.columns or "address" not in cells.columns:
        return typed
    where = typed.select("source_row", "address", "postcode").join(
        cells.select("source_row", _at=pl.col("floor_position").str.strip_chars()), on="source_row"
    )
    shared = pl.struct("address", "postcode").is_duplicated() & pl.col("address").is_not_null()
    told = (
        pl.when(pl.col("_at").str.contains(_NUMBERED))
        .then(pl.format("Flat {}", "_at"))
        .when(pl.col("_at").str.contains(_FLOOR))
        .then(pl.format("{} floor flat", "_at"))
        .otherwise("_at")
    )
    parts = pl.when(shared & (pl.col("_at") != "")).then(pl.format("{}, {}", told, "address"))
    named = where.select("source_row", _parted=parts)
    return (
        typed.join(named, on="source_row", how="left", maintain_order="left")
        .with_columns(pl.coalesce("_parted", "address").alias("address"))
        .drop("_parted")
    )
