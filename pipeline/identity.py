"""Which rows are one home: by the landlord's key, the UPRN, and the address with its postcode."""

from collections.abc import Iterable

import polars as pl

NAMED = ("home_id", "uprn", "address", "postcode")
"""Columns by which homes are known again."""
KEY, UPRN, ADDRESS = "the same key", "the same UPRN", "the same address and postcode"
LIKE_KEY = "a key that differs only in marks, case or zeros"
LIKE_ADDRESS = "the same numbers at the same postcode"
SURE = (KEY, UPRN, ADDRESS)
"""Ways to meet that make two rows one home; the others are held until somebody has looked."""
SHORT = {
    "rd": "road", "st": "street", "ave": "avenue", "av": "avenue", "ln": "lane", "dr": "drive",
    "cl": "close", "cres": "crescent", "ct": "court", "gdns": "gardens", "pl": "place",
    "sq": "square", "tce": "terrace", "terr": "terrace", "apt": "flat", "apartment": "flat",
    "hse": "house", "gr": "grove", "pk": "park",
}  # fmt: skip
"""Usual short forms in addresses (common practice)."""


def numbers() -> pl.Expr:
    """Numbers of the address in their order, such as 2 10b."""
    plain = pl.col("address").str.to_lowercase()
    return plain.str.extract_all(r"\b[a-z0-9]*\d[a-z0-9]*\b").list.join(" ")


def address_key() -> pl.Expr:
    """Postcode, numbers in their order and words in alphabetical order, for any style of writing.

    Null without a postcode or without a number.
    """
    words = (
        pl.col("address")
        .str.to_lowercase()
        .str.replace_all(r"['’]", "")
        .str.extract_all(r"\b[a-z]+\b")
        .list.eval(pl.element().replace(SHORT))
        .list.sort()
    )
    parts = [pl.col("postcode"), numbers(), words.list.join(" ")]
    return pl.when(numbers() != "").then(pl.concat_str(parts, separator="|"))


def _key_core() -> pl.Expr:
    """A key without marks, case and the zeros that pad its numbers."""
    bare = pl.col("home_id").str.to_lowercase().str.replace_all(r"[^a-z0-9]", "")
    return bare.str.replace_all(r"(^|[a-z])0+(\d)", "$1$2")


def _ways() -> dict[str, pl.Expr]:
    """A key for each way in which two rows can be one home, the surest first."""
    at = pl.concat_str(pl.col("postcode"), numbers(), separator="|")
    return {
        KEY: pl.col("home_id"),
        UPRN: pl.col("uprn"),
        ADDRESS: address_key(),
        LIKE_KEY: _key_core(),
        LIKE_ADDRESS: pl.when(numbers() != "").then(at),
    }


def met(homes: pl.DataFrame, before: pl.DataFrame) -> pl.DataFrame:
    """Homes that meet a row of `before`, with the surest way in which they do; one line a home.

    homes, before: the columns NAMED (before has others too, which are kept).
    Returns home_id, `other` (the key it meets), `way`, and the further columns of `before`.
    """
    return _surest(
        _pairs(_keyed(homes, key), _keyed(before, key), way) for way, key in _ways().items()
    )


def doubles(homes: pl.DataFrame) -> pl.DataFrame:
    """Homes that meet one further up in the same table: home_id, `other` and `way`."""
    found = []
    for way, key in _ways().items():
        keyed = _keyed(homes.select(NAMED), key)
        firsts = keyed.unique("_key", keep="first", maintain_order=True)
        found.append(_pairs(keyed, firsts, way).filter(pl.col("home_id") != pl.col("other")))
    return _surest(found)


def _keyed(homes: pl.DataFrame, key: pl.Expr) -> pl.DataFrame:
    return homes.with_columns(_key=key).drop("address", "postcode").drop_nulls("_key")


def _pairs(these: pl.DataFrame, those: pl.DataFrame, way: str) -> pl.DataFrame:
    """Rows of one key. Different UPRNs at like addresses are no doubt: flats share numbers."""
    other = those.rename({"home_id": "other", "uprn": "_other_uprn"})
    pairs = these.select("home_id", "uprn", "_key").join(
        other, on="_key", maintain_order="left_right"
    )
    if way == LIKE_ADDRESS:
        pairs = pairs.filter((pl.col("uprn") == pl.col("_other_uprn")).fill_null(True))
    return pairs.drop("uprn", "_key", "_other_uprn").with_columns(way=pl.lit(way))


def _surest(found: Iterable[pl.DataFrame]) -> pl.DataFrame:
    return pl.concat(found).unique("home_id", keep="first", maintain_order=True)
