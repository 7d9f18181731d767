"""UPRNs that are none, and one UPRN on several homes: nothing lost, the doubt told."""

import random

import polars as pl
import pytest

from pipeline import identity, stock

HEADINGS = "Property Ref,UPRN,Address,Post Code,Prop Type,Age,Floor Area,Wall Type,Block"
PLACEHOLDERS = [
    "0", "000000000000", "0.0", "9999", "999999999999", "111111111", "123456789012", "12345678",
    "012345678901", "987654321", "100000000000", "to follow", "Pending", "TBC", "awaiting council",
    "none yet", "-", "N/A",
]  # fmt: skip
NUMBERS = ["1", "12", "999", "100021234567", "999770000000", "010001234567", "10001234567.0"]


def _row(key: str, uprn: str, address: str, postcode: str = "HX77 3AB") -> str:
    return f'{key},{uprn},"{address}",{postcode},Flat,1934,85,Solid brick,B{key}'


def _ingest(tmp_path, rows) -> stock.Stock:
    path = tmp_path / "list.csv"
    path.write_text("\n".join([HEADINGS, *rows]) + "\n")
    return stock.ingest(stock.Inputs(path), {})


def _uprn_warnings(listed: stock.Stock) -> dict[int, str]:
    told = listed.faults.filter(pl.col("column") == "uprn", pl.col("severity") == "warn")
    return dict(told.select("source_row", "fault").iter_rows())


@pytest.mark.parametrize("text", PLACEHOLDERS)
def test_a_placeholder_is_no_uprn_and_costs_no_home(tmp_path, text):
    listed = _ingest(tmp_path, [_row(f"T{n}", text, f"{n} Alder Row") for n in (1, 2, 3)])
    assert listed.accepted.height == 3
    assert listed.accepted["uprn"].null_count() == 3
    assert _uprn_warnings(listed) == {}


@pytest.mark.parametrize("text", NUMBERS)
def test_a_uprn_is_no_placeholder(text):
    read = pl.DataFrame({"t": [text]}).select(
        none=identity.no_uprn(pl.col("t")), value=identity.uprn(pl.col("t"))
    )
    assert read["none"].item() is False
    assert read["value"].item() == str(int(float(text)))


def test_one_number_in_many_places_is_a_placeholder_and_told(tmp_path):
    rows = [_row(f"T{n}", "100021234567", f"{n} Alder Row", f"HX7{n} 3AB") for n in range(6)]
    listed = _ingest(tmp_path, rows)
    assert listed.accepted.height == 6
    assert listed.accepted["uprn"].null_count() == 6
    told = _uprn_warnings(listed)
    assert sorted(told) == [2, 3, 4, 5, 6, 7]
    assert told[2] == (
        "UPRN '100021234567' stands in 6 rows of 6 places: taken for a placeholder and left out"
    )


def test_flats_that_carry_the_uprn_of_their_block_are_all_kept_and_told(tmp_path):
    rows = [_row(f"T{n}", "100021234567", f"Flat {n}, 12 Weir Court") for n in range(1, 13)]
    rows += [_row("T13", "100021234567", "Flat A, 12 Weir Court")]
    rows += [_row("T14", "100021234567", "Flat B, 12 Weir Court")]
    listed = _ingest(tmp_path, rows)
    assert listed.accepted.height == 14
    assert listed.accepted["uprn"].unique().to_list() == ["100021234567"]
    assert _uprn_warnings(listed)[2] == (
        "UPRN '100021234567' is also that of rows 3, 4, 5 and 10 more of other keys and"
        " addresses: a block's number, or a mistake; settle it before a claim"
    )
    assert "rows 3, 4, 5 and 10 more" in listed.accepted["warnings"][0]


def test_two_homes_with_one_uprn_are_a_doubt_and_not_proof(tmp_path):
    rows = [_row("T1", "100021234567", "1 Alder Row"), _row("T2", "100021234567", "9 Birch Way")]
    listed = _ingest(tmp_path, rows)
    assert listed.accepted["home_id"].to_list() == ["T1", "T2"]
    assert "is also that of row 3 of other keys" in _uprn_warnings(listed)[2]
    assert "is also that of row 2 of other keys" in _uprn_warnings(listed)[3]


@pytest.mark.parametrize(
    ("first", "second"),
    [
        (("1 Alder Row, Tarnwick", "HX77 3AB"), ("ALDER ROW 1", "HX77 3AB")),
        (("1 Alder Row", "HX77 3AB"), ("1 Alder Row, Tarnwick, HX77 3AB", "")),
        (("Flat 2, 1 Alder Road", "HX77 3AB"), ("1 Alder Rd Flat 2", "HX77 3AB")),
        (("1 Alder Row", "HX77 3AB"), ("", "")),
        (("", ""), ("", "")),
    ],
)
def test_a_second_entry_under_another_key_is_still_found(tmp_path, first, second):
    rows = [_row("T1", "100021234567", *first), _row("T2", "100021234567", *second)]
    listed = _ingest(tmp_path, rows)
    assert listed.accepted.height == 1
    assert "Second entry of the home in row" in listed.quarantine["reasons"][0]
    assert _uprn_warnings(listed) == {}


def test_three_keys_with_one_uprn_and_no_address_are_a_doubt(tmp_path):
    listed = _ingest(tmp_path, [_row(f"T{n}", "100021234567", "") for n in (1, 2, 3)])
    assert listed.accepted.height == 3
    assert len(_uprn_warnings(listed)) == 3


def test_the_order_of_the_rows_decides_nothing(tmp_path):
    rows = [_row(f"T{n}", "100021234567", f"Flat {n}, 12 Weir Court") for n in (1, 2, 3)]
    rows += [_row("S2", "100021234567", "12 Weir Court Flat 2 Tarnwick")]
    rows += [_row("S9", "100021234567", "Weir Court"), _row("S8", "100021234567", "")]
    kept = set()
    for seed in range(5):
        random.Random(seed).shuffle(rows)
        listed = _ingest(tmp_path, rows)
        kept.add((listed.accepted.height, *sorted(set(listed.accepted["home_id"]) - {"T2", "S2"})))
    assert kept == {(5, "S8", "S9", "T1", "T3")}
