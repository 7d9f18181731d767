"""Personal data in the cells of a list: what is struck, and what must survive."""

from pathlib import Path

import polars as pl
import pytest

from pipeline.columns import by_role
from pipeline.stock import personal
from tests.conftest import DEMO_STOCK

TEXTS = pl.read_csv(Path(__file__).parent / "personal_texts.csv", infer_schema=False)
"""Invented texts with what must be left of each; telephone numbers of the ranges kept for drama."""


@pytest.mark.parametrize(("column", "text", "left", "struck"), TEXTS.rows())
def test_what_is_struck_and_what_survives(column, text, left, struck):
    found, times = personal.strike(text, column)
    assert (found, times > 0) == (left or "", struck == "yes")
    cells, count = personal.clean(pl.DataFrame({column: [text, None, text]}))
    assert cells[column].to_list() == [left, None, left]
    assert count == 2 * times


def test_there_are_enough_texts_of_either_kind():
    kinds = dict(TEXTS["struck"].value_counts().iter_rows())
    assert min(kinds["yes"], kinds["no"]) >= 60
    assert set(TEXTS["column"]) <= {column.name for column in by_role("stock")}


def test_nothing_is_struck_from_the_demo_list():
    demo = pl.read_csv(DEMO_STOCK, infer_schema=False)
    cells = demo.rename(
        {"Address Line 1": "address", "Estate": "estate", "Property Ref": "home_id"}
    )
    assert demo.height == 2400
    cleaned, struck = personal.clean(cells)
    assert (struck, cleaned.equals(cells)) == (0, True)


NAMES = ["Alder", "St John's", "St. Mary's", "Mr Chips", "Mrs Pym", "Miss Primrose", "Dr Johnson",
         "Sir William Hill", "Lady Margaret", "Lord Nelson", "Canon Brown", "Victoria", "James",
         "Queen Anne's", "O'Connell", "Upper Weir", "Tŷ Gwyn"]  # fmt: skip
FORMS = [
    "{n} {name} {kind}",
    "Flat {n}B, {n}/3 {name} {kind}, Tarnwick, HX77 {m}AB",
    "{name} {kind}",
    "{n}-{m} {name} {kind} (Ground Floor), HX7 {m}AB",
    "Flats {n} {m} 16 18 20 22 {name} {kind} UPRN 1000{n}234567",
    "{name} {kind}, Block {m}",
]


def test_nothing_is_struck_from_british_forms_of_addresses():
    words = pl.read_csv("pipeline/stock/personal_words.csv", infer_schema=False)
    kinds = words.filter(pl.col("kind") == "place")["word"].str.to_titlecase()
    texts = [
        form.format(name=name, kind=kind, n=n % 190 + 1, m=n % 9 + 1)
        for n, (name, kind) in enumerate((name, kind) for name in NAMES for kind in kinds)
        for form in FORMS
    ]
    cells = pl.DataFrame({"address": texts + [text.upper() for text in texts]})
    cleaned, struck = personal.clean(cells)
    changed = cells.filter(cells["address"].ne_missing(cleaned["address"]))
    assert (struck, changed["address"].to_list()) == (0, [])
    assert cells.height > 20_000
