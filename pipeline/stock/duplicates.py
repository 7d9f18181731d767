"""Homes entered twice, and surveys copied down a street."""

import polars as pl

from pipeline import identity

_KEYS = ("home_id", "uprn", "_address")
_SURVEYED = (
    "floor_area_m2", "wall_area_m2", "window_area_m2", "u_existing_w_m2k", "loft_insulation_mm",
    "wall_thickness_mm", "heating", "glazing",
)  # fmt: skip
LEAST_CLONES = 5


def find(
    typed: pl.DataFrame, cells: pl.DataFrame, faulty: pl.Series, kept: pl.Series
) -> pl.DataFrame:
    """source_row of each second entry of a home, stays: the row that stands for it, and by what.

    faulty: source_row of rows that fail a rule. kept: of rows a person said to keep; they stand
    before all others, and no address makes them a second entry. Rows are one home where the
    home's key, the UPRN, or the postcode with the same words and numbers of the address agree. A
    row without a fault stays before one with; then the fullest; of equally full ones the first in
    text order, so that the order of the rows decides nothing.
    """
    ordered = _ordered(_suspects(typed, kept), cells, faulty, kept)
    firsts = [
        pl.when(pl.col(key).is_not_null()).then(pl.col("_rank").min().over(key)) for key in _KEYS
    ]
    stays = _followed(ordered.select(pl.min_horizontal("_rank", *firsts)).to_series())
    same = [
        pl.when(pl.col(key) == pl.col(key).gather(stays)).then(pl.lit(way))
        for key, way in zip(_KEYS, identity.SURE, strict=True)
    ]
    by = pl.coalesce(*same, pl.lit("a third row"))
    return ordered.select("source_row", stays=pl.col("source_row").gather(stays), by=by).filter(
        pl.col("source_row") != pl.col("stays")
    )


def _suspects(typed: pl.DataFrame, kept: pl.Series) -> pl.DataFrame:
    """source_row and the keys of each row that shares one of them with another row."""
    own = ~pl.col("source_row").is_in(kept.implode())
    keyed = typed.select(
        "source_row", "home_id", "uprn", _address=pl.when(own).then(identity.address_key(typed))
    )
    return keyed.filter(
        pl.any_horizontal(pl.col(key).is_not_null() & pl.col(key).is_duplicated() for key in _KEYS)
    )


def _ordered(
    suspects: pl.DataFrame, cells: pl.DataFrame, faulty: pl.Series, kept: pl.Series
) -> pl.DataFrame:
    """The suspects, the row to stay first: told to, sound, full, early; with their `_rank`."""
    texts = [c for c in cells.columns if c != "source_row"]
    held = cells.join(suspects.select("source_row"), on="source_row", how="semi").select(
        "source_row",
        _told=pl.col("source_row").is_in(kept.implode()),
        _faulty=pl.col("source_row").is_in(faulty.implode()),
        _filled=pl.sum_horizontal(pl.col(c).is_not_null() for c in texts),
        _text=pl.concat_str(pl.col(texts).fill_null(""), separator="\x1f"),
    )
    order = ["_told", "_faulty", "_filled", "_text", "source_row"]
    return (
        suspects.join(held, on="source_row")
        .sort(order, descending=[True, False, True, False, False])
        .with_row_index("_rank")
    )


def _followed(stays: pl.Series) -> pl.Series:
    """Each rank's row that stays, followed on where that row gives way to another in its turn."""
    while not (further := stays.gather(stays)).equals(stays):
        stays = further
    return stays


def mark_clones(typed: pl.DataFrame) -> pl.DataFrame:
    """Add cloned_rows: how many homes of a street share every surveyed figure, from five on.

    Measured figures differ from home to home; a run of equal ones is a survey copied on. Only
    rows with a wall area and at least four surveyed figures, the wall area one of them, are
    compared.
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
