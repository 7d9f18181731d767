"""Thousands of messy tables: nothing lost, no traceback, no value turned without a record."""

import csv
import io
import os
from pathlib import Path

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline import stock
from pipeline.columns import dictionary
from pipeline.errors import ProgrammeError
from pipeline.stock import Inputs

TABLES = int(os.environ.get("TABLES", "2000"))
"""TABLES=10000 by choice: ten minutes of one core."""
SHARES = 2

HEADINGS = {
    "home_id": ["Property Ref", "UPRN local", "Ref"],
    "address": ["Address", "Address Line 1"],
    "postcode": ["Post Code", "Postcode"],
    "property_type": ["Prop Type", "Dwelling type"],
    "construction_year": ["Age", "Year built"],
    "floor_area_m2": ["Floor Area", "TFA (m2)", "Floor area (sq ft)"],
    "wall_construction": ["Wall Type", "WALL_CONSTRUCTION"],
    "u_existing_w_m2k": ["Wall U", "U-value"],
    "wall_thickness_mm": ["Wall Thk"],
    "treatable_share": ["Treatable"],
    "uprn": ["UPRN"],
    "survey_date": ["Survey Date"],
    "": ["Notes", "Tenant Name", "???", "", "Total"],
}
CELLS = {
    "home_id": ["T1", "T2", "T3", "0012", "Total", "=cmd", "-1"],
    "address": ["1 Alder Row", "ALDER ROW 1", "Flat 2, 1 Weir Ct", "'quoted", "+44 1632 960001"],
    "postcode": ["HX77 3AB", "hx773ab", "nowhere", "HX773A"],
    "property_type": ["House", "flt", "FLAT", "castle", "Bungalow"],
    "construction_year": [
        "1934",
        "C",
        "1930-1949",
        "pre 1900",
        "1930s",
        "2999",
        "1934-01-01",
        "x1",
    ],
    "floor_area_m2": ["85", "914 sq ft", "85 m2", "9", "8500", "1,012", "abc", "-4", "1e3", "85,5"],
    "wall_construction": ["Solid brick", "SB", "soild brick", "Cavity", "straw", "No-fines"],
    "u_existing_w_m2k": ["1.7", "17", "0", "1.7 W/m2K", "one", "2,1"],
    "wall_thickness_mm": ["9 in", "215mm", "0.23 m", "9 ft", "215"],
    "treatable_share": ["80%", "0.8", "80", "180", "most"],
    "uprn": ["100001", "100001.0", "12345678901234", "ten"],
    "survey_date": ["01/02/2012", "2025-03-01", "30/02/2020", "soon"],
    "": ["x", "see file", "Ann", "0", "\u00e9"],
}
GOOD = {
    "home_id": "G{n}", "address": "{n} Good Row", "postcode": "HX77 3AB", "property_type": "House",
    "construction_year": "1934", "floor_area_m2": "9{n} m2", "wall_construction": "Solid brick",
    "uprn": "20000{n}",
}  # fmt: skip
HEADING_OF = {name: st.sampled_from(words) for name, words in HEADINGS.items()}
CELL_OF = {name: st.sampled_from(cells) for name, cells in CELLS.items()}
ESSENTIAL = ["home_id", "property_type", "construction_year", "floor_area_m2", "wall_construction"]
OTHERS = st.lists(st.sampled_from([name for name in HEADINGS if name not in ESSENTIAL]), max_size=4)
ROWS, OUT_OF_TEN, OUT_OF_TWENTY, OUT_OF_THIRTY = (st.integers(0, n) for n in (4, 9, 19, 29))
MARKS, ENDS = st.sampled_from(",;\t"), st.sampled_from(["\n", "\r\n"])
ENCODINGS = st.sampled_from(["utf-8", "utf-8-sig", "utf-16"])
ANYTHING = st.text(st.characters(exclude_categories=("Cs", "Cc")), max_size=8)
NOTHING = st.sampled_from(["", " ", "N/K", "unknwn", "TBC", "-"])


@st.composite
def tables(draw: st.DrawFn) -> bytes:
    """A file as somebody might send it: headings in some order, cells good, bad and odd."""
    names = draw(st.permutations(ESSENTIAL + draw(OTHERS)))
    if draw(OUT_OF_TWENTY) == 0:
        names = names[1:]
    rows = [[draw(HEADING_OF[name]) for name in names]]
    for _ in range(draw(ROWS)):
        kinds = [draw(OUT_OF_TEN) for _ in names]
        row = [
            draw(CELL_OF[n] if k < 7 else NOTHING if k < 9 else ANYTHING)
            for n, k in zip(names, kinds, strict=True)
        ]
        slip = draw(OUT_OF_THIRTY)
        rows.append(row[:-1] if slip == 0 else [*row, "slipped"] if slip == 1 else row)
    rows += [[GOOD.get(name, "").format(n=n) for name in names] for n in range(len(rows))]
    if draw(st.booleans()):
        rows.insert(0, ["Tarnwick Homes, invented"])
    buffer = io.StringIO()
    writer = csv.writer(buffer, delimiter=draw(MARKS), lineterminator=draw(ENDS))
    writer.writerows(rows)
    return buffer.getvalue().encode(draw(ENCODINGS))


def _same(sent: str, value: object) -> bool:
    """Whether a value is what its cell says, but for spaces, case of numbers and a leading '."""
    text = " ".join(sent.split())
    try:
        return float(text) == float(str(value))
    except ValueError:
        return text == str(value)


def _check_a_share(path: Path) -> None:
    """Every row of each table is accepted or in quarantine, every turned value on record."""
    seen = {"tables": 0, "accepted": 0, "quarantined": 0, "refused": 0}

    @settings(
        max_examples=TABLES // SHARES,
        deadline=None,
        database=None,
        derandomize=False,
        suppress_health_check=list(HealthCheck),
    )
    @given(tables())
    def check(content: bytes) -> None:
        seen["tables"] += 1
        path.write_bytes(content)
        try:
            listed = stock.ingest(Inputs(path), {})
        except ProgrammeError:
            seen["refused"] += 1
            return
        seen["refused"] += bool(listed.refused)
        kept = listed.accepted.height + listed.quarantine.height
        assert listed.rows_read == kept + listed.raw.superseded
        rows = [*listed.accepted["source_row"], *listed.quarantine["source_row"]]
        assert sorted(rows) == listed.raw.frame["source_row"].to_list()
        assert listed.quarantine["reasons"].null_count() == 0
        _every_turned_value_is_recorded(listed)
        seen["accepted"] += listed.accepted.height
        seen["quarantined"] += listed.quarantine.height

    check()
    assert seen["tables"] >= TABLES // SHARES
    assert min(seen.values()) > TABLES // SHARES // 50, seen


@pytest.mark.timeout(900)
class TestOneHalf:
    """Two classes, so that two workers share the tables."""

    def test_nothing_is_lost_and_turned_values_are_recorded(self, tmp_path):
        _check_a_share(tmp_path / "list.csv")


@pytest.mark.timeout(900)
class TestOtherHalf:
    def test_nothing_is_lost_and_turned_values_are_recorded(self, tmp_path):
        _check_a_share(tmp_path / "list.csv")


def _every_turned_value_is_recorded(listed: stock.Stock) -> None:
    record = {(r["column"], r["text"]): r["value"] for r in listed.said.to_dicts()}
    joined = listed.accepted.join(listed.raw.frame, on="source_row", suffix="__sent")
    for row in joined.iter_rows(named=True):
        for column in listed.raw.headings:
            sent, value = row[f"{column}__sent"], row[column]
            if column == "construction_year" and value is None:
                value = row["age_band"]
            if sent is None or value is None or _same(sent, value):
                continue
            told = record[column, sent]
            if dictionary()[column].polars_dtype == pl.Float64 and value != row.get("age_band"):
                assert float(told) == value
            else:
                assert told == str(value)
