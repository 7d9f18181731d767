"""Which rows are one home: by the landlord's key, the UPRN, and the address with its postcode."""

from collections.abc import Iterable

import polars as pl

NAMED = ("home_id", "uprn", "address", "postcode")
"""Columns by which homes are known again."""
KEY, UPRN, ADDRESS = "the same key", "the same UPRN", "the same address and postcode"
LIKE_KEY = "a key that differs only in case, marks or zeros"
OTHER_UPRN = "the same address and postcode under another UPRN"
LIKE_ADDRESS = "a like address at the same postcode"
SURE = (KEY, UPRN, ADDRESS)
"""Ways to meet that make two rows one home; the others are held until somebody has looked."""
_WAYS = (*SURE, LIKE_KEY, OTHER_UPRN, LIKE_ADDRESS)
SHORT = {
    "rd": "road", "st": "street", "ave": "avenue", "av": "avenue", "ln": "lane", "dr": "drive",
    "cl": "close", "cres": "crescent", "ct": "court", "gdns": "gardens", "pl": "place",
    "sq": "square", "tce": "terrace", "terr": "terrace", "hse": "house", "gr": "grove",
    "pk": "park",
}  # fmt: skip
"""Usual short forms in addresses (common practice)."""
_POSTCODE = r"\b([a-z]{1,2}\d[a-z\d]?) ?(\d[a-z]{2})\b"
_FLAT = r"^(.*)\b(?:flat|flt|apartment|apt|unit) ([a-z]?\d+[a-z]?|[a-z])\b(.*)$"
_PLACES = r"\b(?:ground|first|second|third|fourth|top|upper|lower|basement|garden|left|right)\b"
"""Words that part the flats of one house (common practice)."""
_RUNS = ("123456789012", "987654321098")
_PARTED = r"\d[^a-z0-9]+\d"


def _plain() -> pl.Expr:
    """The address in lower case without marks, its own postcode, and zeros that pad a number.

    The number of a flat stands first, marked: "#2 10b mill road" for "10 B Mill Road, Flat No. 2".
    """
    bare = pl.col("address").str.to_lowercase().str.replace_all(r"['’]", "")
    spaced = bare.str.replace_all(r"[^\pL\d]+", " ").str.replace(_POSTCODE, "")
    numbered = spaced.str.replace_all(r"\b(?:no )?0*(\d)", "$1")
    return numbered.str.replace_all(r"\b(\d+) ([a-z])\b", "$1$2").str.replace(_FLAT, "#$2 $1 $3")


def _postcode() -> pl.Expr:
    """The postcode without spaces: its own column's, else the one that ends the address."""
    own = pl.col("postcode").str.to_lowercase().str.replace_all(r"[^a-z0-9]", "")
    within = pl.col("address").str.to_lowercase()
    written = within.str.extract(_POSTCODE, 1) + within.str.extract(_POSTCODE, 2)
    return pl.coalesce(own, written)


def _read(homes: pl.DataFrame) -> pl.DataFrame:
    """What the address of each row says, reckoned once: at, numbers, words, parting.

    at: the postcode; numbers: that of a flat first, "2 10b"; words: in alphabetical order, short
    forms written out; parting: those that part the flats of a house.
    """
    plain = pl.col("plain")
    found = plain.str.extract_all(r"#[a-z0-9]+|\b[a-z]*\d[a-z0-9]*\b").list.join(" ")
    words = plain.str.extract_all(r"\b\pL+\b").list.eval(pl.element().replace(SHORT))
    return homes.select(at=_postcode(), plain=_plain()).select(
        "at",
        numbers=found.str.replace("#", "", literal=True),
        words=words.list.sort().list.join(" "),
        parting=plain.str.extract_all(_PLACES).list.sort().list.join(" "),
    )


def _joined(*names: str) -> pl.Expr:
    return pl.concat_str(*map(pl.col, names), separator="|")


_ADDRESS = pl.when(pl.col("numbers") != "").then(_joined("at", "numbers", "words"))
_LIKE_ADDRESS = (
    pl.when(pl.col("numbers") != "")
    .then(_joined("at", "numbers", "parting"))
    .when(pl.col("words") != "")
    .then(_joined("at", "words"))
)


def address_key(homes: pl.DataFrame) -> pl.Series:
    """Postcode, numbers in their order and words in alphabetical order, for any style of writing.

    homes: address and postcode. Null without a postcode or without a number.
    """
    return _read(homes).select(_ADDRESS).to_series()


def no_uprn(text: pl.Expr) -> pl.Expr:
    """Whether a text stands in for a UPRN not known: words, zero, 9999, 123456789, 100000000."""
    digits = text.str.replace(r"\.0+$", "").str.replace(r"^0+", "")
    same = "|".join(f"{digit}{{4,}}" for digit in range(1, 10))
    runs = "|".join(run[:size] for run in _RUNS for size in range(5, len(run) + 1))
    return ~text.str.contains(r"[1-9]") | digits.str.contains(rf"^(?:{same}|{runs}|[1-9]0{{6,}})$")


def uprn(text: pl.Expr) -> pl.Expr:
    """A UPRN as text without the zeros that pad it and the '.0' that a spreadsheet may add."""
    return text.str.replace(r"^0*(\d+?)(?:\.0+)?$", "$1")


def _uprn() -> pl.Expr:
    """The UPRN of a row; null for a placeholder."""
    text = pl.col("uprn").str.strip_chars()
    return pl.when(~no_uprn(text)).then(uprn(text))


def _key_core() -> pl.Expr:
    """A key without case, marks and the zeros that pad its numbers."""
    bare = pl.col("home_id").str.to_lowercase().str.replace_all(r"[^a-z0-9]", "")
    return bare.str.replace_all(r"(^|[a-z])0+(\d)", "$1$2")


def _key_parts(column: str) -> pl.Expr:
    """Letters and numbers of a key, apart: 1-23 is another key than 12-3."""
    parts = pl.col(column).str.to_lowercase().str.extract_all(r"[a-z]+|\d+")
    return parts.list.eval(pl.element().str.replace(r"^0+(\d)", "$1")).list.join("-")


def met(homes: pl.DataFrame, before: pl.DataFrame) -> pl.DataFrame:
    """Homes that meet a row of `before`, with the surest way in which they do; one line a home.

    homes, before: the columns NAMED (before has others too, which are kept).
    Returns home_id, `other` (the key it meets), `way`, and the further columns of `before`.
    """
    here = before.select(_postcode()).to_series().drop_nulls().unique()
    near = homes.filter(_postcode().is_in(here.implode()))  # few lie where something was claimed
    return _surest(
        _pairs(_keyed(near if way in _BY_ADDRESS else homes, way), _keyed(before, way), way)
        for way in (*SURE, LIKE_KEY, LIKE_ADDRESS)
    )


def doubles(homes: pl.DataFrame) -> pl.DataFrame:
    """Homes that meet one further up in the same table: home_id, `other` and `way`."""
    found = []
    for way in (*SURE, LIKE_KEY, LIKE_ADDRESS):
        keyed = _keyed(homes.select(NAMED), way)
        firsts = keyed.unique("_key", keep="first", maintain_order=True)
        found.append(_pairs(keyed, firsts, way).filter(pl.col("home_id") != pl.col("other")))
    return _surest(found)


_BY_ADDRESS = {ADDRESS: _ADDRESS, LIKE_ADDRESS: _LIKE_ADDRESS}


def _keyed(homes: pl.DataFrame, way: str) -> pl.DataFrame:
    """Rows that have what they are known by in this way, as `_key`, with the UPRN in one form."""
    if way in _BY_ADDRESS:
        key = _read(homes).select(_BY_ADDRESS[way]).to_series()
    else:
        own = {KEY: pl.col("home_id"), UPRN: _uprn(), LIKE_KEY: _key_core()}
        key = homes.select(own[way]).to_series()
    keyed = homes.with_columns(key.alias("_key"), uprn=_uprn()).drop("address", "postcode")
    return keyed.drop_nulls("_key")


def _pairs(these: pl.DataFrame, those: pl.DataFrame, way: str) -> pl.DataFrame:
    """Rows of one key with the way they meet.

    Two UPRNs make one address a doubt, and like addresses none: flats share numbers. Keys whose
    numbers are parted in two ways are no more alike.
    """
    other = those.rename({"home_id": "other", "uprn": "_other_uprn"})
    pairs = these.select("home_id", "uprn", "_key").join(
        other, on="_key", maintain_order="left_right"
    )
    apart = (pl.col("uprn") != pl.col("_other_uprn")).fill_null(False)
    if way == LIKE_ADDRESS:
        pairs = pairs.filter(~apart)
    if way == LIKE_KEY:
        both = pl.col("home_id").str.contains(_PARTED) & pl.col("other").str.contains(_PARTED)
        pairs = pairs.filter(~(both & (_key_parts("home_id") != _key_parts("other"))))
    doubted = apart if way == ADDRESS else pl.lit(False)
    told = pl.when(doubted).then(pl.lit(OTHER_UPRN)).otherwise(pl.lit(way))
    return pairs.with_columns(way=told).drop("uprn", "_key", "_other_uprn")


def _surest(found: Iterable[pl.DataFrame]) -> pl.DataFrame:
    pairs = pl.concat(found)
    rank = pl.col("way").replace_strict(_WAYS, range(len(_WAYS)), return_dtype=pl.Int64)
    ordered = pairs.sort(rank, maintain_order=True)
    return ordered.unique("home_id", keep="first", maintain_order=True)
