"""Several dated rows of one home, as in extracts of certificates: the newest by date stays."""

from collections.abc import Sequence

import polars as pl

from pipeline.plurals import counted
from pipeline.stock import wording
from pipeline.stock.profiles import Profile

_FORMS = ("%Y-%m-%d %H:%M:%S", "%d/%m/%Y %H:%M:%S", "%d/%m/%Y %H:%M", "%Y-%m-%d", "%d/%m/%Y")
_LEAST_SHARE = 0.1
"""Fewer rows that share a key are second entries, not a history. Own assumption."""
_RECORD = {"survey", "origin", "epc", "certificate"}
_OTHER = {"plan", "build", "installed", "tenure", "rent", "money", "insulation"}


def only(
    cells: pl.DataFrame, body: pl.DataFrame, names: Sequence[str], looks: Sequence[Profile]
) -> tuple[pl.DataFrame, int, list[str]]:
    """The newest row of each home, how many older ones are superseded, and a note.

    cells: columns of the dictionary; body: the same rows as sent, `source_row` first. An age that
    the newest row does not tell is taken from the newest that does: a building keeps its age. A row
    without a date is superseded by none: it is a second entry.
    """
    if "home_id" not in cells.columns or not _often(cells["home_id"]):
        return cells, 0, []
    place = _dated(body, names, looks, cells["home_id"])
    if place is None:
        return cells, 0, []
    when = body.select(_moment(pl.col(body.columns[place + 1]))).to_series()
    dated = cells.with_columns(when.alias("_when"), pl.int_range(pl.len()).alias("_order"))
    if "construction_year" in cells.columns:
        told = pl.when(pl.col("construction_year").str.contains(r"\d")).then("construction_year")
        earlier = told.sort_by("_when", nulls_last=False).drop_nulls().last().over("home_id")
        dated = dated.with_columns(
            pl.when(pl.col("home_id").is_not_null() & told.is_null())
            .then(pl.coalesce(earlier, "construction_year"))
            .otherwise("construction_year")
            .alias("construction_year")
        )
    latest = pl.col("_when").max().over("home_id")
    older = pl.col("home_id").is_not_null() & (pl.col("_when") < latest)
    kept = dated.filter(~older.fill_null(False)).sort("_order").drop("_when", "_order")
    gone = cells.height - kept.height
    are = "is" if gone == 1 else "are"
    note = f"{counted(gone, 'older row of homes')} {are} superseded by the newest '{names[place]}'"
    return kept, gone, [note] if gone else []


def _often(keys: pl.Series) -> bool:
    held = keys.drop_nulls()
    return held.len() > 0 and held.is_duplicated().sum() > held.len() * _LEAST_SHARE


def _dated(
    body: pl.DataFrame, names: Sequence[str], looks: Sequence[Profile], keys: pl.Series
) -> int | None:
    """Position of the date by which rows of a home follow each other, to the second if it can."""
    found = {}
    for place, (heading, held) in enumerate(zip(names, looks, strict=True)):
        parts, _ = wording.parts_of(heading)
        if held.share("date") > 0.8 and parts & _RECORD and not parts & _OTHER:
            moments = body.select(when=_moment(pl.col(body.columns[place + 1]))).with_columns(keys)
            differ = moments.drop_nulls().unique().height / max(moments.height, 1)
            found[place] = differ
    return max(found, key=lambda place: found[place]) if found else None


def _moment(text: pl.Expr) -> pl.Expr:
    plain = text.str.strip_chars().str.replace("T", " ", literal=True)
    return pl.coalesce(plain.str.to_datetime(form, strict=False) for form in _FORMS)
