"""Rows between homes that are none: headings again, totals, titles of streets, notes."""

from collections.abc import Sequence

import polars as pl

from pipeline.identity.addresses import STREETS
from pipeline.plurals import counted
from pipeline.stock import profiles, wording

_LEAST_FILLED = 5
"""Only in a list this wide can a row with a single cell be no home. Own assumption."""
_FIRST = 4
"""One of the first headings stands in its column again wherever all do. Own assumption."""
_MOST_FILLED = 0.6
"""A row of totals fills no more of the cells that a home fills. Own assumption."""
_MOST_BELOW = 2
"""Cells of a line below the last home. Own assumption."""
_HOMES = r"(?:properties|property|homes?|units?|dwellings?|flats?|houses?|bungalows?|eiddo)"
_MANY = rf"\(?(?:\d+ (?:no\.? )?{_HOMES}|no\.? of {_HOMES}:? *\d+)\b[^,\d]*"
"""How many homes follow, as it stands behind or beside a title."""
_IS_TOTAL = r"^(?:(?:grand|sub|overall)[ -]?)*(?:totals?|cyfanswm)[:.]?$"
_TOTAL = (
    r"^(?:(?:(?:grand|sub|overall)[ -]?)*total(?:s|led)?\b|cyfanswm\b|[cb]arried forward|of which\b"
    r"|(?:sum|average|avg|mean|count)[:.]?$|(?:sum|average|mean|count|no\.?|number) (?:of|for) "
    rf"|(?:average|mean) {_HOMES}|{_MANY}$)"
)
_OF_A_PAGE = (
    r"^(?:page \d+|run (?:on|date|at)?:? ?\d|printed\b|print date\b|report (?:no|ref|date)\b)"
)
"""A cell of the lines that a report prints on every page; common practice."""
_WITH_POSTCODE = r"(?i)^(.*?)[\s,]+([a-z]{1,2}\d[a-z\d]?\s*\d[a-z]{2})\s*$"
_STREET = rf"(?i)^((?:[\w'.-]+ ){{1,4}}(?:{'|'.join(STREETS)}))$"


def without(
    body: pl.DataFrame, names: Sequence[str], above: Sequence[object]
) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame, list[str]]:
    """Homes without the rows that are none, the titles among those, what stands below, and notes.

    body: `source_row` and one text column to a heading; above: the upper row of two of headings.
    """
    cells = body.columns[1:]
    told = pl.sum_horizontal(pl.col(cells).is_not_null())
    wide = (body.select((told >= _LEAST_FILLED).filter(told > 2).mean()).item() or 0) > 0.5
    again = pl.concat([_again(body, cells, row) for row in (names, above)]).unique()
    rest = _but(body, again)
    titles = (
        _titles(rest, cells, told) if wide else rest.clear().select("source_row", text=cells[0])
    )
    rest = _but(rest, titles["source_row"])
    totals = _totals(rest, cells, told)
    rest = _but(rest, totals)
    below = _below(rest, told) if wide else totals.clear()
    counts = (
        (again, "row of headings", "between the homes"),
        (titles, "row with a single text", "between the homes"),
        (totals, "row of totals", "between the homes"),
        (below, "row", "below the last home"),
    )
    notes = [
        f"{counted(len(rows), what)} {where} {'was' if len(rows) == 1 else 'were'} left out"
        for rows, what, where in counts
        if len(rows)
    ]
    at_foot = body.filter(pl.col("source_row").is_in(below.implode())).select(cells)
    return _but(rest, below), titles, at_foot, notes


def _but(rows: pl.DataFrame, gone: pl.Series) -> pl.DataFrame:
    return rows.filter(~pl.col("source_row").is_in(gone.implode())) if len(gone) else rows


def _plain(cell: pl.Expr) -> pl.Expr:
    return cell.str.strip_chars().str.to_lowercase().str.replace_all(r"\s+", " ")


def _titles(rows: pl.DataFrame, cells: Sequence[str], told: pl.Expr) -> pl.DataFrame:
    """Rows with a single text that is no key, and those that count homes beside it; their text."""
    rows = rows.filter(told <= 2)
    many = [_plain(pl.col(c)).str.contains(rf"^{_MANY}$").fill_null(False) for c in cells]
    text = pl.coalesce(
        pl.when(~counts).then(pl.col(c)) for c, counts in zip(cells, many, strict=True)
    )
    beside = (told == 2) & (pl.sum_horizontal(many) == 1)
    alone = (told == 1) & ~_plain(pl.coalesce(cells)).str.contains(_TOTAL)
    found = rows.filter((alone | beside) & ~_is_code(text) & ~_plain(text).str.contains(_TOTAL))
    without_count = text.str.strip_chars().str.replace(rf"(?i)[\s,:–-]*{_MANY}$", "")
    return found.select("source_row", text=without_count)


def _totals(rows: pl.DataFrame, cells: Sequence[str], told: pl.Expr) -> pl.Series:
    """Row numbers of totals, counts and averages, by the first text, and of heads of pages."""
    usual = rows.select(told.quantile(0.8)).item() or 0.0
    first = _plain(pl.coalesce(cells))
    few = rows.filter(told <= _MOST_FILLED * usual)
    pages = pl.any_horizontal(_plain(pl.col(c)).str.contains(_OF_A_PAGE) for c in cells)
    sums = rows.filter(first.str.contains(_IS_TOTAL))["source_row"]
    others = few.filter(first.str.contains(_TOTAL) | pages)["source_row"]
    return pl.concat([sums, others]).unique()


def _below(rows: pl.DataFrame, told: pl.Expr) -> pl.Series:
    """Row numbers of lines with a text or two below the last home, such as what codes mean.

    One whose first cell is formed as those above it is a home of which little is known.
    """
    last = rows.filter(told > _MOST_BELOW)["source_row"].max()
    found = rows.filter(pl.col("source_row") > last)
    if found.is_empty():
        return found["source_row"]
    key = found.columns[1]
    shapes = rows.filter(pl.col("source_row") <= last).select(_shape(key)).to_series()
    return found.filter(
        ~_shape(key).is_in(shapes.drop_nulls().unique().implode()).fill_null(False)
    )["source_row"]


def _shape(column: str) -> pl.Expr:
    """A text with every letter and every figure alike, as keys are."""
    letters = pl.col(column).str.strip_chars().str.replace_all(r"\pL", "A")
    return letters.str.replace_all(r"\d", "0")


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


def _is_code(text: pl.Expr) -> pl.Expr:
    """Whether the only text of a row may be a home's key."""
    return text.str.strip_chars().str.contains(r"^\S*\d\S*$")


def with_streets(
    body: pl.DataFrame, names: Sequence[str], titles: pl.DataFrame
) -> tuple[pl.DataFrame, list[str], list[str]]:
    """Put street and postcode that stand once above their homes beside each, with a note.

    titles: rows with a single text. One that ends with a postcode is a street's; so is one that
    ends as streets do, where no column tells the street.
    """
    text = pl.col("text").str.strip_chars()
    found = titles.select(
        "source_row", Street=text.str.extract(_WITH_POSTCODE, 1),
        Postcode=text.str.extract(_WITH_POSTCODE, 2),
    ).drop_nulls()  # fmt: skip
    if found.height < 2 and not _tells_streets(body, names):
        found = titles.select("source_row", Street=text.str.extract(_STREET, 1)).drop_nulls()
    if found.height < 2:
        return body, list(names), []
    beside = body.select("source_row").join_asof(found, on="source_row").drop("source_row")
    told = beside.columns
    beside.columns = [f"{name} above" for name in told]
    what = " and ".join(f"{name.lower()}s" for name in told)
    note = f"{what} that stand above their homes were put beside them"
    return body.hstack(beside), [*names, *told], [note]


def _tells_streets(body: pl.DataFrame, names: Sequence[str]) -> bool:
    """Whether a column holds streets or whole addresses."""
    looks = profiles.profiles(body.drop("source_row"))
    return any("street" in wording.parts_of(name)[0] for name in names) or any(
        held.share("address") > 0.5 for held in looks
    )


_LEAST_BLANK = 0.4
"""A street that stands once for its homes leaves more of its column blank. Own assumption."""


def with_merged(body: pl.DataFrame, names: Sequence[str]) -> tuple[pl.DataFrame, list[str]]:
    """The rows with streets and postcodes that stand only on the first of their homes on each.

    Each stands once: no two that follow one another are equal.
    """
    filled = []
    for place, name in enumerate(names):
        parts = wording.parts_of(name)[0]
        cells = body[body.columns[place + 1]]
        held = cells.drop_nulls()
        if parts not in ({"street"}, {"postcode"}, {"street", "address"}) or len(held) < 2:
            continue
        once = not (held == held.shift()).any()
        if once and cells[0] is not None and len(held) < (1 - _LEAST_BLANK) * len(cells):
            filled.append(place)
    if not filled:
        return body, []
    columns = [body.columns[place + 1] for place in filled]
    what = " and ".join(f"'{names[place]}'" for place in filled)
    note = f"{what}, told once for several homes, was put on each of them"
    return body.with_columns(pl.col(columns).forward_fill()), [note]


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
    say = "cell that says ditto was" if sum(marks) == 1 else "cells that say ditto were"
    note = f"{sum(marks):,} {say} read as the line above"
    return body.with_columns(filled), [note]
