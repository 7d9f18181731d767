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
