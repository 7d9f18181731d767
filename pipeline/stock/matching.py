"""Which home of the list each row of another source is about.

A row is matched by the home's key as it stands; then by a key that differs only in zeros, capitals
or marks; then by UPRN; then by address with postcode. Each only where it points to one home.
"""

import polars as pl

from pipeline import identity

KEY, LIKE_KEY = "the home's key", identity.LIKE_KEY
UPRN, ADDRESS = "UPRN", "address and postcode"
_WAYS = (
    ("home_id", KEY), ("_parts", LIKE_KEY), ("_bare", LIKE_KEY), ("uprn", UPRN),
    ("_address", ADDRESS),
)  # fmt: skip
NAMELESS = "no key, no UPRN and no address with postcode"
STRANGE = "no home of the list has this key, UPRN or address"
UNDATED = "several rows of the source for this home, without dates that tell the newest: none used"
OLDER = "the source has a newer row for this home"
TAKEN = "another row of the source names this home more surely"
DOUBT = "{} points to several homes or rows: not matched"


def match(rows: pl.DataFrame, homes: pl.DataFrame) -> pl.DataFrame:
    """For each row of a source the home it is about, and how that is known or why it is not.

    rows, homes: typed, with source_row, survey_date and the columns `identity.NAMED`.
    Returns source_row, named (how the row names its home), home (home_id of the list, null where
    there is none) and told (the way of matching, or the reason against it); one line a row.
    """
    these, those = _keyed(rows), _keyed(homes).drop_nulls("home_id")
    blank = pl.lit(None, pl.String)
    found = these.with_columns(home=blank, told=blank, doubt=blank)
    for key, way in _WAYS:
        found = _by(found, those, key, way)
    nameless = pl.all_horizontal(pl.col(key).is_null() for key, _ in _WAYS)
    why = pl.when(nameless).then(pl.lit(NAMELESS)).otherwise(pl.lit(STRANGE))
    place = pl.format("row {}", "source_row")
    return found.select(
        "source_row",
        named=pl.coalesce("home_id", "uprn", place),
        home="home",
        told=pl.coalesce("told", "doubt", why),
    )


def _keyed(table: pl.DataFrame) -> pl.DataFrame:
    """What a row is known by. Marks between two numbers count where both keys have some."""
    keys = identity.like_keys(table)
    said = keys["parts"] != ""
    return table.select(
        "source_row", "survey_date", "home_id", "uprn",
        _parts=pl.when(said).then(keys["parts"]), _bare=pl.when(said).then(keys["core"]),
        _address=identity.address_key(table), _parted=keys["parted"],
    )  # fmt: skip


def _by(found: pl.DataFrame, homes: pl.DataFrame, key: str, way: str) -> pl.DataFrame:
    """Rows not settled yet, matched in one way; of several rows for a home the newest is used."""
    one = homes.drop_nulls(key).group_by(key).agg(
        _home=pl.first("home_id"), _homes=pl.n_unique("home_id"),
        _uprn=pl.first("uprn"), _other_parted=pl.first("_parted"),
    )  # fmt: skip
    spellings = pl.col("home_id").n_unique().over(key)
    beside = found.with_columns(_spelt=spellings).join(
        one, on=key, how="left", maintain_order="left"
    )
    doubtful = pl.col("_homes") > 1
    if way in (LIKE_KEY, ADDRESS):
        doubtful |= (pl.col("uprn") != pl.col("_uprn")).fill_null(False)
    if way == LIKE_KEY:
        doubtful |= pl.col("_spelt") > 1
    if key == "_bare":
        doubtful |= pl.col("_parted") & pl.col("_other_parted")
    meets = pl.col("told").is_null() & pl.col("_home").is_not_null()
    sure = meets & ~doubtful
    taken = pl.col("_home").is_in(found["home"].drop_nulls().implode())
    day = pl.when(sure).then("survey_date")
    last = day.max().over(key)
    alone = (sure & (pl.col("survey_date") == last)).sum().over(key) == 1
    single = sure.sum().over(key) == 1
    told = (
        pl.when(meets & ~sure)
        .then(None)
        .when(sure & taken)
        .then(pl.lit(TAKEN))
        .when(sure & ~single & ~alone)
        .then(pl.lit(UNDATED))
        .when(sure & ~single & (pl.col("survey_date") != last).fill_null(True))
        .then(pl.lit(OLDER))
        .when(sure)
        .then(pl.lit(way))
    )
    settled = beside.with_columns(
        told=pl.coalesce("told", told),
        doubt=pl.coalesce("doubt", pl.when(meets & doubtful).then(pl.lit(DOUBT.format(way)))),
        _now=told == way,
    )
    home = pl.when(pl.col("_now").fill_null(False)).then("_home").otherwise("home")
    return settled.with_columns(home=home).select(found.columns)
