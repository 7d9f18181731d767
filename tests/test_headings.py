"""Which heading holds which column: by words and cells together."""

import polars as pl
import pytest

from pipeline import stock
from pipeline.stock import Inputs, addresses, doubts, profiles, reading, wording
from pipeline.stock.headings import match
from tests.conftest import GOOD_ROW, HEADINGS, stock_text

ROWS = [
    {
        "Prop Code": f"K/{n:03}", "No.": str(n), "Street": "Alder Row", "Town": "Tarnwick",
        "Pcode": f"HX77 {n % 9 + 1}AB", "Area": "North" if n % 2 else "South",
        "House Type": "Semi villa", "Built": "1890s", "Const": "Red sandstone",
        "Floor area": str(60 + n), "Roof": "Slate", "Wall ins. date": "01/02/2003",
        "Floors": "Suspended timber", "Rent (area)": "£81.20", "Household": "Ann Oakbourne",
    }
    for n in range(1, 13)
]  # fmt: skip


def _csv(path, rows):
    path.write_bytes(pl.DataFrame(rows).write_csv().encode())
    return path


def _read(tmp_path, rows=ROWS, **change):
    return reading.read(_csv(tmp_path / "list.csv", [{**row, **change} for row in rows]))


def test_words_and_cells_together_find_the_columns(tmp_path):
    raw = _read(tmp_path)
    assert raw.headings == {
        "home_id": "Prop Code", "postcode": "Pcode", "estate": "Area",
        "property_type": "House Type", "construction_year": "Built",
        "wall_construction": "Const", "floor_area_m2": "Floor area", "address": "No.",
    }  # fmt: skip
    assert raw.frame["address"][0] == "1 Alder Row, Tarnwick"
    assert not raw.questions
    assert {"Roof", "Wall ins. date", "Floors", "Rent (area)"} <= set(raw.match.unused)


@pytest.mark.parametrize(
    ("heading", "column"),
    [
        ("Cyf. Eiddo / Property Ref", "home_id"),
        ("Arwynebedd Llawr (m²)", "floor_area_m2"),
        ("YR_BUILT", "construction_year"),
        ("FloorArea", "floor_area_m2"),
        ("PTYP", "property_type"),
        ("BFORM", "built_form"),
        ("Wall constuction", "wall_construction"),
        ("Construction of main walls", "wall_construction"),
        ("Ext wall - net area", "wall_area_m2"),
        ("Wall gross area", None),
        ("Roof type", None),
        ("Parent UPRN", None),
        ("Wall insulation date", None),
        ("Heating installed", None),
        ("Windows renew", None),
        ("Potential energy rating", None),
        ("Insurance value", None),
    ],
)
def test_what_the_words_of_a_heading_speak_of(heading, column):
    found = wording.scores(heading)
    assert (max(found, key=found.get) if found else None) == column


def test_one_word_means_what_its_cells_say(tmp_path):
    other = [{**row, "Area": str(70 + n)} for n, row in enumerate(ROWS)]
    for row in other:
        del row["Floor area"]
    assert _read(tmp_path, other).headings["floor_area_m2"] == "Area"
    flats = [{**row, "Floors": "GF" if n % 2 else "1st"} for n, row in enumerate(ROWS)]
    assert _read(tmp_path, flats).headings["floor_position"] == "Floors"


def test_two_headings_for_one_column_are_a_question_only_where_their_cells_differ(tmp_path):
    twice = [{**row, "Total floor area": row["Floor area"]} for row in ROWS]
    assert not _read(tmp_path, twice).questions
    twice[3]["Total floor area"] = "160"
    (asked,) = _read(tmp_path, twice).questions
    assert (asked.column, asked.headings, asked.holds) == (
        "floor_area_m2", ("Floor area", "Total floor area"), True,
    )  # fmt: skip
    assert "'160' beside '64'" in asked.evidence
    settled = stock.answers.Answers({"floor_area_m2": ("Total floor area",)})
    raw = reading.read(tmp_path / "list.csv", settled)
    assert (raw.headings["floor_area_m2"], raw.questions) == ("Total floor area", ())


def test_an_age_band_and_a_year_within_it_agree():
    assert doubts.agree("construction_year", "1930-1949", "1934")
    assert doubts.agree("construction_year", "C", "1934")
    assert not doubts.agree("construction_year", "1930-1949", "1995")
    assert doubts.agree("wall_construction", "Cavity", "cavity - filled")
    assert not doubts.agree("wall_construction", "Cavity", "Solid brick")


def test_the_uprn_is_key_enough(tmp_path):
    text = stock_text(*(GOOD_ROW.format(ref=f"10000000{n:04}", n=n) for n in (1, 2)))
    path = tmp_path / "list.csv"
    path.write_text(text.replace(HEADINGS.split(",")[0], "UPRN"))
    listed = stock.ingest(Inputs(path), {})
    assert listed.accepted["home_id"].to_list() == ["100000000001", "100000000002"]
    assert listed.accepted["uprn"].to_list() == ["100000000001", "100000000002"]


def test_a_list_without_a_column_it_must_have_is_asked_not_refused_bare(tmp_path):
    rows = [{k: v for k, v in row.items() if k != "Const"} | {"Mystery": "x7"} for row in ROWS]
    listed = stock.ingest(Inputs(_csv(tmp_path / "list.csv", rows)), {})
    assert "no heading for Wall construction" in listed.refused
    assert listed.quarantine.height == len(rows)
    (asked,) = listed.raw.questions
    assert asked.column == "wall_construction"
    assert "Mystery" in asked.headings
    assert "Household" not in asked.headings


def test_lines_of_an_address_are_joined_and_a_whole_one_stands_alone():
    assert addresses.positions(["Address Line 1", "Address 2", "Town"], ()) == (0, 1, 2)
    assert addresses.positions(["ADDRESS1", "ADDRESS", "POSTTOWN"], ()) == (1,)
    frame = pl.DataFrame({"a": ["12A", None], "b": ["Alder Row", " "], "c": ["Tarnwick, ", None]})
    joined = frame.select(addresses.joined(["a", "b", "c"])).to_series()
    assert joined.to_list() == ["12A Alder Row, Tarnwick", None]


def test_a_profile_says_what_cells_look_like():
    frame = pl.DataFrame({"x": ["1930s", "pre 1919", "n/k", None], "y": ["85 m2", "914", "", "x"]})
    years, areas = profiles.profiles(frame)
    assert (years.share("year"), years.cells, years.filled) == (1.0, 3, 0.75)
    assert areas.share("area") == pytest.approx(2 / 3)


def test_headings_without_cells_are_matched_by_words():
    assert match(["Property Ref", "Yr built", "Roof type"]).positions == {
        "home_id": 0, "construction_year": 1,
    }  # fmt: skip
