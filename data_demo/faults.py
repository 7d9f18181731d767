"""The catalogue of faults that nobody can mend at a desk: each spoils a row for quarantine.

A row carries one planted fault at most, so that a test can tell which rule caught it.
"""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import polars as pl

from data_demo import dirt

Ints = npt.NDArray[np.int64]
FIRST_DATA_ROW = 2  # a spreadsheet counts the heading as row 1


class Fault(NamedTuple):
    """Cells overwritten by `words` in turn (an empty word empties the cell) in a share of rows."""

    kind: str
    share: float
    heading: str
    words: Sequence[str]
    houses_only: bool = False


CELL_FAULTS = (
    Fault("wall_area_too_small", 0.002, "Ext Wall Area", ("4",), houses_only=True),
    Fault("wall_area_too_large", 0.002, "Ext Wall Area", ("1900",), houses_only=True),
    Fault("floor_area_too_small", 0.003, "Floor Area", ("9",)),
    Fault("floor_area_too_large", 0.003, "Floor Area", ("8500",)),
    Fault("floor_area_missing", 0.004, "Floor Area", ("",)),
    Fault("floor_area_unreadable", 0.003, "Floor Area", ("tbc", "abc")),
    Fault("u_value_zero", 0.003, "Wall U", ("0",)),
    Fault("u_value_too_large", 0.003, "Wall U", ("17",)),
    Fault("age_missing", 0.004, "Age", ("",)),
    Fault("age_not_known", 0.004, "Age", ("N/K",)),
    Fault("wall_construction_not_known", 0.004, "Wall Type", ("N/K",)),
    Fault("wall_construction_not_a_word", 0.003, "Wall Type", ("see file",)),
    Fault("property_ref_empty", 0.003, "Property Ref", ("",)),
)
TWIN_SHARES = {"address_twice": 0.004, "property_ref_twice": 0.004}
LEAST_HOMES = 100


def plant_all(
    homes: pl.DataFrame, listed: pl.DataFrame, rng: np.random.Generator
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The list with faults planted, and a table of them: source_row, kind, first_entry_row.

    homes: true homes; listed: the same rows as text. `first_entry_row` is filled for a home or
    ref entered twice: the sound row above it. Raises ValueError below 100 homes.
    """
    if listed.height < LEAST_HOMES:
        raise ValueError(
            f"{listed.height} homes asked for; every fault needs at least {LEAST_HOMES}."
        )
    rows, first_entries = deal_rows(homes, rng)
    columns = {heading: listed[heading] for heading in {fault.heading for fault in CELL_FAULTS}}
    for fault in CELL_FAULTS:
        columns[fault.heading] = overwrite(columns[fault.heading], rows[fault.kind], fault.words)
    listed = listed.with_columns(**columns)
    listed = enter_addresses_twice(
        homes, listed, rows["address_twice"], first_entries["address_twice"]
    )
    listed = use_refs_twice(listed, rows["property_ref_twice"], first_entries["property_ref_twice"])
    return listed, _fault_table(rows, first_entries)


def deal_rows(
    homes: pl.DataFrame, rng: np.random.Generator
) -> tuple[dict[str, Ints], dict[str, Ints]]:
    """Rows for each fault, no row twice; and for twins the sound row above each faulty one."""
    n = homes.height
    deck = rng.permutation(n)
    is_house = (homes["property_type"] == "house").to_numpy()
    rows: dict[str, Ints] = {}
    for fault in CELL_FAULTS:
        fits = deck[is_house[deck]] if fault.houses_only else deck
        dealt = fits[: _count(fault.share, n)]
        rows[fault.kind] = np.sort(dealt)
        deck = deck[~np.isin(deck, dealt)]
    first_entries: dict[str, Ints] = {}
    for kind, share in TWIN_SHARES.items():
        count = _count(share, n)
        pairs = np.sort(deck[: 2 * count].reshape(count, 2), axis=1)
        pairs = pairs[np.argsort(pairs[:, 1])]
        first_entries[kind], rows[kind] = pairs[:, 0], pairs[:, 1]
        deck = deck[2 * count :]
    return rows, first_entries


def _count(share: float, homes: int) -> int:
    """Rows of a fault: its share, and one at least."""
    return max(1, round(share * homes))


def overwrite(column: pl.Series, rows: Ints, words: Sequence[str]) -> pl.Series:
    """The column with `words` by turns in the given rows; an empty word leaves an empty cell."""
    texts = pl.Series([words[i % len(words)] or None for i in range(len(rows))], dtype=pl.String)
    return column.scatter(rows, texts)


def enter_addresses_twice(
    homes: pl.DataFrame, listed: pl.DataFrame, rows: Ints, first_rows: Ints
) -> pl.DataFrame:
    """Rows become copies of earlier ones under a ref of their own and without a UPRN.

    Every other copy has its address in the other style, as when two systems were merged. Both
    entries keep a full postcode, without which nobody could tell that they are one home.
    """
    source = np.arange(listed.height)
    source[rows] = first_rows
    copied = listed[source].with_columns(listed["Property Ref"])
    styles = homes[first_rows].select(tidy=dirt.tidy_address(), shouted=dirt.shouted_address())
    address = copied["Address Line 1"].gather(rows)
    other_style = styles.select(
        pl.when(pl.col("tidy") == address).then("shouted").otherwise("tidy")
    ).to_series()
    turned = rows[1::2]
    both = np.concatenate([rows, first_rows])
    return copied.with_columns(
        copied["Post Code"].scatter(both, homes["postcode"].gather(np.tile(first_rows, 2))),
        copied["UPRN"].scatter(rows, pl.Series([None] * len(rows), dtype=pl.String)),
        copied["Address Line 1"].scatter(turned, other_style.gather_every(2, 1)),
    )


def use_refs_twice(listed: pl.DataFrame, rows: Ints, first_rows: Ints) -> pl.DataFrame:
    """Homes that carry the ref of another home further up."""
    refs = listed["Property Ref"]
    return listed.with_columns(refs.clone().scatter(rows, refs.gather(first_rows)))


def _fault_table(rows: dict[str, Ints], first_entries: dict[str, Ints]) -> pl.DataFrame:
    """One row per planted fault, in the order of the list."""
    parts = [
        pl.DataFrame(
            {
                "source_row": at + FIRST_DATA_ROW,
                "kind": [kind] * len(at),
                "first_entry_row": first_entries[kind] + FIRST_DATA_ROW
                if kind in first_entries
                else [None] * len(at),
            },
            schema={"source_row": pl.Int64, "kind": pl.String, "first_entry_row": pl.Int64},
        )
        for kind, at in rows.items()
    ]
    return pl.concat(parts).sort("source_row")
