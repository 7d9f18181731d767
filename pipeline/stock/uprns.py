"""What a UPRN proves: a number that many homes carry is none of theirs, or a doubt to be told.

A UPRN names one home. Lists put a block's number on its flats, or one number on every home that
waits for its own. So rows are one home by their UPRN only where nothing speaks against it: their
keys or their addresses agree, or one of two rows has no address.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from itertools import combinations, pairwise

import polars as pl

from pipeline import reference
from pipeline.identity import addresses

_POSTCODE = r"\b[a-z]{1,2}\d[a-z\d]? ?\d[a-z]{2}\b"
_NAMED = 3
_NO_DOUBTS = pl.DataFrame(
    schema={"source_row": pl.UInt32, "text": pl.String, "rule": pl.String, "fault": pl.String}
)
_MOST_ALIKE = 20
"""Rows with one UPRN and one set of numbers that are compared pair by pair; more are no pair."""


@dataclass(frozen=True)
class Settled:
    """The list with its UPRNs weighed.

    typed: placeholders are gone from `uprn`. proof: for each row of `typed` a text that it shares
    with the rows its UPRN proves to be the same home, null without a UPRN. doubts: source_row,
    text (the UPRN), rule and fault, one line for each row whose UPRN is also another home's.
    """

    typed: pl.DataFrame
    proof: pl.Series
    doubts: pl.DataFrame


def settle(typed: pl.DataFrame) -> Settled:
    """Weigh the UPRNs of a typed list by its keys, addresses and postcodes."""
    if not typed["uprn"].drop_nulls().is_duplicated().any():
        return Settled(typed, typed["uprn"], _NO_DOUBTS)
    shared = _shared(typed)
    placeholder = pl.col("_places") > _most_places()
    gone = shared.filter(placeholder)
    rest = typed.with_columns(
        uprn=pl.when(~pl.col("source_row").is_in(gone["source_row"].implode())).then("uprn")
    )
    proof = _proof(rest, shared.filter(~placeholder))
    doubts = pl.concat([_gone(gone), _doubted(rest, proof)]).sort("source_row")
    return Settled(rest, proof, doubts)


@cache
def _most_places() -> float:
    limits = reference.load().table("stock_limits")
    return float(limits.filter(pl.col("name") == "uprn_places")["high"].item())


def _shared(typed: pl.DataFrame) -> pl.DataFrame:
    """Rows whose UPRN stands in another row too, with what their addresses say.

    _numbers and _words of the address, null where it has none; _places: how many postcodes, or
    streets where there are none, carry the UPRN.
    """
    some = typed.filter(pl.col("uprn").is_not_null() & pl.col("uprn").is_duplicated())
    plain = pl.col("address").str.to_lowercase().str.replace_all("['’]", "")
    said = plain.str.replace_all(_POSTCODE, " ")
    words = said.str.extract_all(r"\b[a-z]+\b").list.eval(pl.element().replace(addresses.SHORT))
    numbers = said.str.extract_all(r"\b[a-z0-9]*\d[a-z0-9]*\b")
    told = some.select(
        "source_row", "uprn", "home_id", "postcode",
        _numbers=numbers.list.sort().list.join(" "), _words=words.list.sort(),
    )  # fmt: skip
    place = pl.coalesce("postcode", pl.col("_words").list.join(" "))
    return told.with_columns(_places=place.drop_nulls().n_unique().over("uprn"))


def _proof(typed: pl.DataFrame, shared: pl.DataFrame) -> pl.Series:
    """The text that rows of one home have in common: the UPRN and the first row it proves."""
    first = {row: row for row in shared["source_row"]}
    for one, other in _pairs(shared):
        low, high = sorted((_root(first, one), _root(first, other)))
        first[high] = low
    roots = pl.DataFrame(
        {"source_row": list(first), "_first": [_root(first, row) for row in first]},
        schema={"source_row": typed.schema["source_row"], "_first": pl.Int64},
    )
    beside = typed.select("source_row", "uprn").join(
        roots, on="source_row", how="left", maintain_order="left"
    )
    first_row = pl.col("_first").cast(pl.String).fill_null("")
    return beside.select((pl.col("uprn") + "|" + first_row).alias("proof")).to_series()


def _root(first: dict[int, int], row: int) -> int:
    while first[row] != row:
        row = first[row]
    return row


def _pairs(shared: pl.DataFrame) -> Iterator[tuple[int, int]]:
    """Pairs of rows with one UPRN that nothing tells apart."""
    alone = pl.len().over("uprn") == 2
    told = pl.col("_numbers").is_not_null()
    two = shared.filter(alone & ~told.all().over("uprn"))
    yield from two.group_by("uprn").agg("source_row").select("source_row").to_series().to_list()
    same_key = shared.filter(pl.col("home_id").is_not_null())
    for rows in same_key.group_by("uprn", "home_id").agg("source_row")["source_row"].to_list():
        yield from pairwise(rows)
    alike = shared.filter(told).group_by("uprn", "_numbers").agg("source_row", "postcode", "_words")
    for rows, codes, words in alike.select("source_row", "postcode", "_words").iter_rows():
        if 1 < len(rows) <= _MOST_ALIKE:
            for a, b in combinations(range(len(rows)), 2):
                if _agree((codes[a], codes[b]), (set(words[a]), set(words[b]))):
                    yield rows[a], rows[b]


def _agree(codes: tuple[str | None, str | None], words: tuple[set[str], set[str]]) -> bool:
    """Whether the postcodes do not differ and one address says all words of the other."""
    if None not in codes and codes[0] != codes[1]:
        return False
    fewer, more = sorted(words, key=len)
    return fewer <= more and (bool(fewer) or not more)


def _gone(gone: pl.DataFrame) -> pl.DataFrame:
    rows = pl.len().over("uprn")
    return gone.select(
        "source_row",
        pl.col("uprn").alias("text"),
        pl.lit("UPRN stands in many places: a placeholder").alias("rule"),
        pl.format(
            "UPRN '{}' stands in {} rows of {} places: taken for a placeholder and left out",
            "uprn", rows, "_places",
        ).alias("fault"),
    )  # fmt: skip


def _doubted(typed: pl.DataFrame, proof: pl.Series) -> pl.DataFrame:
    """A line for each row whose UPRN another home carries too."""
    carried = typed.select("source_row", "uprn", proof=proof).filter(
        pl.col("uprn").is_not_null() & (pl.col("proof").n_unique().over("uprn") > 1)
    )
    near = carried.group_by("uprn").agg(
        pl.col("source_row").sort().head(_NAMED + 1).alias("_rows"), pl.len().alias("_count")
    )
    lines = carried.join(near, on="uprn", how="left", maintain_order="left")
    others = [
        _named(row, rows, count)
        for row, rows, count in lines.select("source_row", "_rows", "_count").iter_rows()
    ]
    return lines.select(
        "source_row",
        pl.col("uprn").alias("text"),
        pl.lit("UPRN is also that of another home").alias("rule"),
        pl.format(
            "UPRN '{}' is also that of {} of other keys and addresses: a block's number, or a"
            " mistake; settle it before a claim",
            "uprn",
            pl.Series(others, dtype=pl.String),
        ).alias("fault"),
    )


def _named(row: int, first: list[int], count: int) -> str:
    """The other rows in words: the first few, and how many more."""
    others = [str(other) for other in first if other != row][:_NAMED]
    more = count - 1 - len(others)
    if more:
        return f"rows {', '.join(others)} and {more} more"
    *most, last = others
    return f"rows {', '.join(most)} and {last}" if most else f"row {last}"
