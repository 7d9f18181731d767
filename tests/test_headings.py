"""Which heading holds which column: by words and cells together."""

import csv

import polars as pl
import pytest
import xlsxwriter

from pipeline import stock
from pipeline.stock import Inputs, addresses, doubts, headings, profiles, reading, wording
from pipeline.stock.headings import match
from tests.conftest import GOOD_ROW, HEADINGS, stock_text
from tests.lists.score import HERE, folders

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
        "wall_construction": "Const", "floor_area_m2": "Floor area", "address": "No., Street, Town",
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
    joined = frame.select(addresses.joined({"a": "No.", "b": "Street", "c": "Town"})).to_series()
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


LONG = [
    ("0012", "Wall constuction", "Solid brick", "", "01/02/2005"),
    ("0012", "GIFA", "900", "sq ft", "01/02/2005"),
    ("0012", "Yr of construction", "1934", "", ""),
    ("0012", "Property type", "House", "", "01/02/2005"),
    ("0012", "Roof type", "Slate", "", "01/02/2005"),
    ("0013", "Wall construction", "Cavity", "", "01/02/2005"),
    ("0013", "GIFA", "85", "m2", "01/02/2005"),
    ("0013", "Year of construction", "1955", "", "01/02/2005"),
    ("0013", "Property type", "House", "", "01/02/2005"),
    ("0012", "WALL CONSTRUCTION", "Timber frame", "", "09/10/2004"),
    ("0013", "Year of construction", "1961", "", "01/02/2005"),
    ("", "GIFA", "70", "m2", "01/02/2005"),
]


def test_one_row_to_an_attribute_becomes_one_row_to_a_home(tmp_path):
    heads = ("PROPREF", "ELEMENT", "ANSWER", "UNIT", "DATE")
    raw = reading.read(
        _csv(tmp_path / "l.csv", [dict(zip(heads, row, strict=True)) for row in LONG])
    )
    kept = raw.frame.select(
        "source_row", "home_id", "wall_construction", "floor_area_m2", "construction_year"
    )
    assert kept.rows() == [
        (2, "0012", "Solid brick", "900 sq ft", "1934"),
        (7, "0013", "Cavity", "85 m2", "1955 or 1961"),
    ]
    assert "11 rows, one to each 'ELEMENT', made 2 homes" in raw.notes[0]
    assert "1 row without a key" in raw.notes[0]


def test_the_newest_row_of_a_home_by_date_stays_and_the_others_are_superseded(tmp_path):
    older = [{**row, "Lodgement date": "09/12/2011", "Const": "Whinstone"} for row in ROWS]
    newer = [{**row, "Lodgement date": "01/02/2021", "Built": "n/k"} for row in ROWS[:6]]
    listed = stock.ingest(Inputs(_csv(tmp_path / "list.csv", [*older, *newer])), {})
    assert (listed.rows_read, listed.raw.superseded) == (18, 6)
    assert listed.accepted.height + listed.quarantine.height == 12
    raw = listed.raw.frame
    assert raw["wall_construction"].to_list() == ["Whinstone"] * 6 + ["Red sandstone"] * 6
    assert raw["construction_year"].to_list() == ["1890s"] * 12
    assert "6 older rows of homes are superseded by the newest 'Lodgement date'" in listed.raw.notes


def test_ticks_units_and_years_of_their_own_columns_become_one_cell(tmp_path):
    rows = [
        {
            **{k: v for k, v in row.items() if k not in ("Const", "Wall ins. date")},
            "Built": "1927", "to": "1934", "Floor area": "76", "unit": "m2",
            "Cavity Y/N": "Y" if n else "n", "Solid Y/N": "N" if n else "Yes",
            "CWI Y/N": "Y" if n == 2 else "?" if n == 3 else "N", "EWI Y/N": "N",
            "Cavity survey Y/N": "Y", "Solid floor Y/N": "Y",
        }
        for n, row in enumerate(ROWS)
    ]  # fmt: skip
    order = ["Built", "to", "Floor area", "unit"]
    rows = [{k: row[k] for k in [*(k for k in row if k not in order), *order]} for row in rows]
    frame = reading.read(_csv(tmp_path / "list.csv", rows)).frame
    assert frame["wall_construction"].to_list()[:2] == ["Solid brick", "Cavity"]
    assert frame["wall_insulation"].to_list()[1:4] == ["None", "Filled cavity", "Filled cavity ?"]
    assert frame["construction_year"][0] == "1927-1934"
    assert frame["floor_area_m2"][0] == "76 m2"


def test_rows_between_homes_are_counted_and_a_street_above_them_is_kept(tmp_path):
    heads = ["Ref", "House No.", "Prop Type", "Age", "Floor Area", "Wall Type"]
    home = ["House", 1934, 85, "Solid brick"]
    lines = [
        ["LARCH ROAD  HX77 3AB"], ["T1", 1, *home], ["T2", 3, *home], ["T3", 5, *home], [],
        heads, ["FORGE STREET  HX77 4CD"], ["T4", 2, *home], ["T5", 4, *home], ["T6", 6, *home],
        ["T7", "", "", "", "", ""], ["N.B. figures from the rent books"],
    ]  # fmt: skip
    path = tmp_path / "list.csv"
    path.write_text("\n".join(",".join(map(str, row)) for row in [heads, *lines]))
    listed = stock.ingest(Inputs(path), {})
    assert listed.accepted.select("source_row", "address", "postcode").rows()[2:4] == [
        (5, "5 LARCH ROAD", "HX77 3AB"), (9, "2 FORGE STREET", "HX77 4CD"),
    ]  # fmt: skip
    assert listed.quarantine["home_id"].to_list() == ["T7"]
    assert listed.raw.notes[:2] == (
        "1 row of headings between the homes was left out",
        "3 rows with a single text between the homes were left out",
    )


@pytest.mark.parametrize("shape", ["a column in front", "beside", "under"])
def test_a_sheet_of_codes_is_applied_to_the_column_it_names(tmp_path, shape):
    path = tmp_path / "list.xlsx"
    pairs = {"Prop Type": ["House", "Flat"], "Wall Type": ["Cavity", "Solid brick"]}
    with xlsxwriter.Workbook(path) as book:
        sheet = book.add_worksheet("Homes")
        sheet.write_row(0, 0, ["Ref", "Prop Type", "Age", "Floor Area", "Wall Type", "Tenure"])
        for n in range(1, 9):
            sheet.write_row(n, 0, [f"T{n}", n % 2 + 1, 1934, 85, n % 2 + 1, "GN"])
        codes = book.add_worksheet("Codes")
        for table, (name, meanings) in enumerate(pairs.items()):
            top, left = {"beside": (0, 3 * table), "under": (4 * table, 0)}.get(
                shape, (2 * table, 1)
            )
            if shape == "a column in front":
                codes.write(top, 0, name)
            else:
                codes.write(top, left, name)
                top += 1
            for code, meaning in enumerate(meanings, start=1):
                codes.write_row(top + code - 1, left, [code, meaning])
    frame = reading.read(path).frame
    assert frame["property_type"].to_list()[:2] == ["Flat", "House"]
    assert frame["wall_construction"].to_list()[:2] == ["Solid brick", "Cavity"]


def test_square_feet_under_square_metres_are_asked_held_and_taken_as_confirmed(tmp_path):
    rows = [GOOD_ROW.format(ref=f"T{n}", n=n).replace(",85,", f",{350 + n},") for n in range(24)]
    path = tmp_path / "list.csv"
    path.write_text(stock_text(*rows))
    listed = stock.ingest(Inputs(path), {})
    (asked,) = listed.raw.questions
    assert (asked.column, asked.choices, asked.holds) == ("floor_area_m2", ("ft2", "m2"), True)
    assert listed.accepted["held_for"].unique().to_list() == [asked.about]
    told = tmp_path / "ours.toml"
    told.write_text('[confirmed]\nfloor_area_m2 = "ft2"\n')
    settled = stock.ingest(Inputs(path, dictionary=told), {})
    assert settled.raw.questions == ()
    assert settled.accepted["floor_area_m2"][0] == pytest.approx(350 * 0.09290304)
    assert settled.accepted["held_for"].null_count() == settled.accepted.height > 0
    told.write_text('[confirmed]\nfloor_area_m2 = "m2"\n')
    assert stock.ingest(Inputs(path, dictionary=told), {}).accepted["floor_area_m2"][0] == 350


def test_one_date_on_every_row_and_survey_dates_for_ages_are_asked(tmp_path):
    rows = [
        {
            **ROWS[0],
            "Prop Code": f"K{n}",
            "Built": f"0{n % 9 + 1}/05/2021",
            "Survey date": "1/4/2024",
        }
        for n in range(24)
    ]
    raw = _read(tmp_path, rows)
    assert {q.column: q.holds for q in raw.questions} == {
        "construction_year": True, "survey_date": False,
    }  # fmt: skip


def test_a_flat_is_told_apart_by_its_number_and_its_storey_by_those_of_the_block(tmp_path):
    rows = [
        {"Flat Posn": f"{n}/1", "Storeys in blk": "3", **row, "No.": "12"}
        for n, row in zip([0, 1, 2] * 4, ROWS, strict=True)
    ]
    frame = _read(tmp_path, rows).frame
    assert frame["address"][1] == "Flat 1/1, 12 Alder Row, Tarnwick"
    assert frame["floor_position"].to_list()[:3] == ["0 of 3", "1 of 3", "2 of 3"]


def test_ditto_is_the_line_above(tmp_path):
    rows = [{**row, "Const": "Cavity" if n == 0 else "ditto"} for n, row in enumerate(ROWS)]
    assert _read(tmp_path, rows).frame["wall_construction"].to_list() == ["Cavity"] * 12


def test_the_block_of_other_rows_is_no_home_and_tells_what_they_leave_to_it(tmp_path):
    block = {**ROWS[0], "Prop Code": "B1", "Parent ref": None, "Const": "Cavity"}
    homes = [
        {**row, "Parent ref": "B1" if n % 2 else None,
         "Const": "see block" if n == 1 else row["Const"]}
        for n, row in enumerate(ROWS)
    ]  # fmt: skip
    raw = _read(tmp_path, [block, *homes])
    assert raw.frame.height == 12
    assert raw.frame["wall_construction"].to_list()[:2] == ["Red sandstone", "Cavity"]
    assert raw.frame["block_ref"].to_list()[:2] == [None, "B1"]
    assert raw.notes == ("1 row of blocks was left out: it is no home",)


def test_lists_under_one_another_are_one_by_the_columns_of_their_headings(tmp_path):
    lines = [
        "Prop Ref,Address,Prop Type,Year Built,Floor Area,Wall Type",
        *(f"A{n},{n} Alder Row,House,1934,85,Solid brick" for n in range(1, 6)),
        "",
        "Walls,Unit No,Dwelling Type,Address,Age,GIA",
        *(f"Cavity,B{n},Flat,{n} Weir Court,1961,55" for n in range(1, 6)),
    ]
    path = tmp_path / "list.csv"
    path.write_text("\n".join(lines))
    raw = reading.read(path)
    kept = raw.frame.select("source_row", "home_id", "wall_construction", "floor_area_m2")
    assert kept.rows()[4:6] == [(6, "A5", "Solid brick", "85"), (9, "B1", "Cavity", "55")]
    assert raw.notes == ("2 lists under one another with headings of their own were made one",)


def test_a_sheet_with_more_of_the_same_homes_is_put_beside_them(tmp_path):
    path = tmp_path / "list.xlsx"
    with xlsxwriter.Workbook(path) as book:
        one = book.add_worksheet("Homes")
        one.write_row(0, 0, ["Prop Ref", "Address", "Prop Type", "Age", "Floor Area"])
        two = book.add_worksheet("Energy")
        two.write_row(0, 0, ["Prop Ref", "Wall Type", "Heating", "EPC"])
        for n in range(1, 9):
            one.write_row(n, 0, [f"T{n}", f"{n} Alder Row", "House", 1934, 85])
            two.write_row(9 - n, 0, [f"T{n}", "Cavity" if n == 3 else "Solid brick", "GCH", "D"])
    raw = reading.read(path)
    assert raw.frame["wall_construction"].to_list()[1:4] == ["Solid brick", "Cavity", "Solid brick"]
    assert raw.frame["source_row"].to_list() == list(range(2, 10))
    assert "sheet 'Energy' was put beside the homes by their key" in raw.notes


def test_a_line_of_units_under_the_headings_is_of_them(tmp_path):
    rows = [{**row, "Floor area": "900"} for row in ROWS]
    units = {key: "sq ft" if key == "Floor area" else None for key in ROWS[0]}
    raw = _read(tmp_path, [units, *rows])
    assert (raw.headings["floor_area_m2"], raw.frame.height) == ("Floor area sq ft", 12)
    assert raw.frame["source_row"][0] == 3
    assert not raw.questions


@pytest.mark.parametrize("name", sorted(path.name for path in folders()))
def test_headings_of_lists_by_others_are_taken_as_a_person_would(name):
    """tests/lists/headings.csv: what a careful person takes each heading for."""
    wanted = {
        row["column"]: row["heading"]
        for row in csv.DictReader((HERE / "headings.csv").read_text().splitlines())
        if row["list"] == name
    }
    taken = reading.read(next((HERE / name).glob("list.*"))).headings
    wrong = {c for c in {*wanted, *taken} if wanted.get(c) != taken.get(c)}
    assert len(wrong) <= len(wanted) / 20, {c: (wanted.get(c), taken.get(c)) for c in wrong}


def test_repeated_headings_of_two_rows_begin_no_other_list(tmp_path):
    path = tmp_path / "list.xlsx"
    upper = ["Prop.", None, None, None, "Areas (m2)", None, None]
    lower = ["No.", "Address", "Type", "Built", "Floor", "Wall net", "Walls"]
    with xlsxwriter.Workbook(path) as book:
        sheet = book.add_worksheet()
        for top in (0, 6):
            sheet.write_row(top, 0, upper)
            sheet.write_row(top + 1, 0, lower)
            for n in range(top + 2, top + 6):
                sheet.write_row(n, 0, [f"T/{n}", f"{n} Alder Row", "Hse", 1934, 85, 60, "Solid"])
    raw = reading.read(path)
    assert raw.frame["floor_area_m2"].to_list() == ["85"] * 8
    assert raw.frame["home_id"][4] == "T/8"
    assert raw.notes == ("2 rows of headings between the homes were left out",)


def test_a_row_without_a_date_is_a_second_entry_not_superseded(tmp_path):
    twice = [{**row, "Survey date": "01/02/2021"} for row in ROWS]
    twice += [{**row, "Survey date": None} for row in ROWS[:3]]
    listed = stock.ingest(Inputs(_csv(tmp_path / "list.csv", twice)), {})
    assert (listed.raw.superseded, listed.accepted.height) == (0, 12)
    assert "Second entry" in listed.quarantine["reasons"][0]


def _homes(count, **cells):
    """Homes with usual cells under headings of their own; a function makes a cell from a number."""
    usual = {
        "Ref": lambda n: f"R{n:03}", "Address": lambda n: f"{n} Alder Row, Tarnwick",
        "Postcode": "HX7 1AB", "Type": "Semi-detached house", "Built": "1934",
        "Floor area": lambda n: str(70 + n), "Wall": "Solid brick",
    }  # fmt: skip
    kept = {name: cell for name, cell in (usual | cells).items() if cell is not None}
    return [
        {name: cell(n) if callable(cell) else cell for name, cell in kept.items()}
        for n in range(1, count + 1)
    ]


def _sheet_of(book, name, rows, over=()):
    sheet = book.add_worksheet(name)
    table = [*over, *(list(row.values()) for row in rows)]
    for place, cells in enumerate(table):
        sheet.write_row(place, 0, ["" if c is None else c for c in cells])


def test_the_unit_of_each_sheet_is_that_of_its_own_heading_or_of_the_column_beside(tmp_path):
    path = tmp_path / "list.xlsx"
    feet = _homes(8, **{"Floor area": lambda n: str(900 + n)})
    metres = _homes(8, Ref=lambda n: f"S{n:03}", Address=lambda n: f"{n} Fell View")
    beside = [
        {"Ref": f"V{n}", "Address": f"{n} Mill Road", "Postcode": "HX7 1AB", "Size": "1000",
         "Unit": "sq ft", "Type": "Bungalow", "Built": "1934", "Wall": "Cavity"}
        for n in range(1, 9)
    ]  # fmt: skip
    with xlsxwriter.Workbook(str(path)) as book:
        _sheet_of(book, "North", feet, [["Ref", "Address", "Postcode", "Type", "Built",
                                         "Floor area (sq ft)", "Wall"]])  # fmt: skip
        _sheet_of(book, "South", metres, [list(metres[0])])
        _sheet_of(book, "West", beside, [list(beside[0])])
    found = stock.ingest(Inputs(path), {}).accepted.sort("source_row")
    assert found["floor_area_m2"].round(1).to_list() == [
        *(round((900 + n) * 0.09290304, 1) for n in range(1, 9)),
        *(70.0 + n for n in range(1, 9)),
        *([92.9] * 8),
    ]


def test_units_stand_below_two_rows_of_headings_and_a_title_is_no_heading(tmp_path):
    path = tmp_path / "list.xlsx"
    over = [
        ["Tarnwick Homes property list"],
        ["", "Place", "", "Dwelling", "", "Dimensions", "Fabric"],
        ["Ref", "Address", "Postcode", "Type", "Built", "Floor area", "Wall"],
        ["", "-", "", "", "year", "sq ft", ""],
    ]
    with xlsxwriter.Workbook(str(path)) as book:
        _sheet_of(book, "List", _homes(8, **{"Floor area": "1000"}), over)
    listed = stock.ingest(Inputs(path), {})
    assert listed.quarantine.is_empty()
    assert listed.accepted["floor_area_m2"].round(1).unique().to_list() == [92.9]
    assert listed.raw.headings["home_id"] == "Ref"


@pytest.mark.parametrize(
    "heading", ["Flat no", "Flat/Unit", "FLAT_UNIT", "Apartment", "Sub-building"]
)
def test_a_flat_of_its_own_column_stands_in_the_address_once(tmp_path, heading):
    rows = _homes(12, Address=None, Type="Flat")
    rows = [
        {**row, heading: cell, "House no": str(1 + n // 3), "Street": "Alder Row"}
        for n, row in enumerate(rows)
        for cell in [("Flat 1", "2", "3A")[n % 3] if heading == "Flat no" else str(n % 3 + 1)]
    ]
    raw = reading.read(_csv(tmp_path / "list.csv", rows))
    assert raw.headings["address"] == f"{heading}, House no, Street"
    assert raw.frame["address"].to_list()[:2] == ["Flat 1, 1 Alder Row", "Flat 2, 1 Alder Row"]


def test_an_address_under_another_heading_tells_the_postcode_too(tmp_path):
    at = lambda n: f"{n} Chapel Terrace, Tarnwick, HX7 {n % 9 + 1}AB"  # noqa: E731
    rows = _homes(12, Address=None, Postcode=None, Property=at, Type="Flat")
    listed = stock.ingest(Inputs(_csv(tmp_path / "list.csv", rows)), {})
    assert listed.raw.headings["address"] == "Property"
    assert listed.accepted["postcode"].to_list()[0] == "HX7 2AB"


def test_sheets_that_write_the_address_otherwise_are_one_list(tmp_path):
    path = tmp_path / "list.xlsx"
    lines = [
        {"Ref": f"S{n}", "House No": "Flat 2, 5" if n == 3 else str(n), "Street": "Fell View",
         **{k: v for k, v in row.items() if k not in ("Ref", "Address")}}
        for n, row in enumerate(_homes(8))
    ]  # fmt: skip
    with xlsxwriter.Workbook(str(path)) as book:
        _sheet_of(book, "North", _homes(8), [list(_homes(1)[0])])
        _sheet_of(book, "South", lines, [list(lines[0])])
    found = stock.ingest(Inputs(path), {}).accepted["address"].to_list()
    assert found[0] == "1 Alder Row, Tarnwick"
    assert found[9] == "1 Fell View"


def test_totals_and_titles_with_counts_are_no_homes_and_no_faults(tmp_path):
    heads = ["Ref", "No.", "Postcode", "Type", "Yr", "Wall", "Area (m2)", "Rent"]
    home = ["HX77 3AB", "House", 1934, "Solid brick", 85, 80]
    lines = [
        ["Mill Street (2 properties)"], ["T1", 1, *home], ["T2", 3, *home],
        ["Total Mill Street", 2, "", "", "", "", 170, 160], [],
        ["Alder Row", "2 homes"], ["T3", 2, *home], ["T4", 4, *home],
        ["Sub-total", "", "", "", "", "", 170], ["Grand total", "", "", "", "", "", 340, 320],
        ["Average", "", "", "", "", "", 85], ["T5", "see office"], ["Prepared by", "the clerk"],
    ]  # fmt: skip
    path = tmp_path / "list.csv"
    path.write_text("\n".join(",".join(map(str, row)) for row in [heads, *lines]))
    listed = stock.ingest(Inputs(path), {})
    assert listed.accepted["address"].to_list() == [
        "1 Mill Street", "3 Mill Street", "2 Alder Row", "4 Alder Row",
    ]  # fmt: skip
    assert listed.quarantine["home_id"].to_list() == ["T5"]
    assert listed.raw.notes == (
        "2 rows with a single text between the homes were left out",
        "4 rows of totals between the homes were left out",
        "1 row below the last home was left out",
        "streets that stand above their homes were put beside them",
    )


@pytest.mark.parametrize("place", ["beside", "below"])
def test_a_box_on_the_list_of_homes_says_what_codes_mean(tmp_path, place):
    rows = _homes(12, Wall=lambda n: "W1" if n % 2 else "W2")
    box = [("Wall", "Meaning"), ("W1", "Cavity, unfilled"), ("W2", "Sandstone")]
    table = [list(rows[0]), *(list(row.values()) for row in rows)]
    if place == "below":
        table += [[], *map(list, box)]
    else:
        table = [[*row, "", "", *(box[n] if n < len(box) else ())] for n, row in enumerate(table)]
    path = tmp_path / "list.xlsx"
    with xlsxwriter.Workbook(str(path)) as book:
        _sheet_of(book, "List", [], table)
    listed = stock.ingest(Inputs(path), {})
    assert listed.quarantine.is_empty()
    assert listed.accepted["wall_construction"].to_list()[:2] == ["cavity", "stone_sandstone"]


def test_flats_below_the_row_of_their_block_take_what_only_it_tells(tmp_path):
    path = tmp_path / "list.csv"
    lines = [
        "Asset no,Level,Address,Postcode,Year,Construction,Wall insulation,GIA (m2),Floor,Heating",
        'B1,Block,"Alder Court, 1-2 Mill Lane",LE1 1XJ,1965,Cavity,None,,,',
        "B1-1,Flat,Flat 1,LE1 1XJ,,,,45,Ground,Gas boiler",
        "B1-2,Flat,Flat 2,LE1 1XJ,,,,46,1st,Gas boiler",
        ",,2 flats in block,,,,,91,,",
        'B2,Block,"Beech Court, 3 Mill Lane",LE1 2XJ,1905,Solid brick,None,,,',
        "B2-1,Flat,Flat 1,LE1 2XJ,,,,45,Ground,Gas boiler",
        'H1,House,"5 Mill Lane",LE1 2XJ,1934,Solid brick,,80,,Gas boiler',
        'H2,House,"7 Mill Lane",LE1 2XJ,,,,80,,Gas boiler',
    ]
    path.write_text("\n".join(lines))
    listed = stock.ingest(Inputs(path), {})
    columns = ["home_id", "address", "block_ref", "construction_year", "wall_construction"]
    assert listed.accepted.select(columns).rows() == [
        ("B1-1", "Flat 1, Alder Court, 1-2 Mill Lane", "B1", 1965.0, "cavity"),
        ("B1-2", "Flat 2, Alder Court, 1-2 Mill Lane", "B1", 1965.0, "cavity"),
        ("B2-1", "Flat 1, Beech Court, 3 Mill Lane", "B2", 1905.0, "solid_brick"),
        ("H1", "5 Mill Lane", None, 1934.0, "solid_brick"),
    ]
    assert listed.quarantine["home_id"].to_list() == ["H2"]
    assert "2 rows of blocks were left out: they are no homes" in listed.raw.notes


@pytest.mark.parametrize(
    ("heading", "column"),
    [
        ("Cyfeirnod yr Eiddo\nProperty Reference", "home_id"),
        ("Blwyddyn Adeiladu / Year of Construction", "construction_year"),
        ("Inswleiddio'r Atig (mm) / Loft Insulation (mm)", "loft_insulation_mm"),
        ("Adeiladwaith y Waliau / Wall Construction", "wall_construction"),
        ("Sgôr EPC / EPC Rating", "epc_band"),
        ("Nifer Ystafelloedd Gwely / Number of Bedrooms", None),
        ("BLK LLORIAU", None),
        ("Wall (as inspected)", "wall_construction"),
        ("Floor area measured", "floor_area_m2"),
        ("Year surveyed", "survey_date"),
        ("NIA", "floor_area_m2"),
    ],
)
def test_headings_in_two_languages_or_with_their_evidence(heading, column):
    found = wording.scores(heading)
    assert (max(found, key=lambda name: found[name]) if found else None) == column


@pytest.mark.parametrize("merged", [False, True])
def test_what_was_inspected_counts_before_what_was_assumed_and_is_filled_from_it(tmp_path, merged):
    rows = [
        {**row, "Wall (as assumed)": "Cavity", "Wall (as inspected)": seen, "Net floor area": "60"}
        for n, row in enumerate(_homes(8, Wall=None))
        for seen in ["Solid brick" if n < 3 else ""]
    ]
    heads = [list(rows[0])]
    if merged:
        heads = [["", "", "", "", "", "", "As assumed", "As inspected", ""],
                 [*heads[0][:6], "Wall", "Wall", "Net floor area"]]  # fmt: skip
    path = tmp_path / "list.xlsx"
    with xlsxwriter.Workbook(str(path)) as book:
        _sheet_of(book, "List", rows, heads)
    listed = stock.ingest(Inputs(path), {})
    walls = listed.accepted["wall_construction"].to_list()
    assert walls == ["solid_brick"] * 3 + ["cavity"] * 5
    assert listed.accepted["floor_area_m2"].to_list()[0] == 71.0
    assert not listed.raw.questions
    assert "which fills 5 cells; the two differ in 3 rows" in listed.raw.notes[0]


def test_sheets_beside_the_homes_tell_addresses_by_key_and_buildings_by_block(tmp_path):
    path = tmp_path / "list.xlsx"
    flats = [
        {"Flat ref": f"F{n:02}", "Block": f"Block {'AB'[n % 2]}", "Flat": n, "GIA": 50,
         "Floor": "Top", "Heating": "Gas boiler"}
        for n in range(1, 13)
    ]  # fmt: skip
    blocks = [
        ["Block", "Block address", "Postcode", "Year built", "Wall construction", "GIA"],
        ["Block A", "Alder Court, Mill Lane", "LE1 1XJ", 1965, "Cavity", 600],
        ["Block B", "Beech Court, Mill Lane", "LE1 2XJ", 1905, "Solid brick", 600],
    ]
    with xlsxwriter.Workbook(str(path)) as book:
        _sheet_of(book, "Flats", flats, [list(flats[0])])
        _sheet_of(book, "Blocks", [], blocks)
        _sheet_of(
            book,
            "UPRNs",
            [],
            [["Flat ref", "UPRN"], *([f"F{n:02}", 100100 + n] for n in range(1, 13))],
        )
    listed = stock.ingest(Inputs(path), {})
    columns = [
        "home_id",
        "uprn",
        "address",
        "postcode",
        "property_type",
        "wall_construction",
        "floor_area_m2",
    ]
    assert listed.accepted.select(columns).rows()[:2] == [
        ("F01", "100101", "Flat 1, Beech Court, Mill Lane", "LE1 2XJ", "flat", "solid_brick", 50.0),
        ("F02", "100102", "Flat 2, Alder Court, Mill Lane", "LE1 1XJ", "flat", "cavity", 50.0),
    ]


def test_streets_on_the_first_of_their_homes_and_numbers_behind_them_make_addresses(tmp_path):
    rows = [
        {"Street": street, "Postcode": code, "No": n % 6 + 1, "Flat": None, **row}
        for n, row in enumerate(_homes(12, Address=None, Postcode=None))
        for street, code in [
            {0: ("Mill Road", "HX77 3AB"), 6: ("Fell View", "HX77 4CD")}.get(n, (None, None))
        ]
    ]
    raw = reading.read(_csv(tmp_path / "list.csv", rows))
    assert raw.frame["address"].to_list()[5:7] == ["6 Mill Road", "1 Fell View"]
    assert raw.frame["postcode"].to_list()[5:7] == ["HX77 3AB", "HX77 4CD"]
    assert "told once for several homes" in raw.notes[0]


def test_lines_that_a_report_prints_on_every_page_are_no_homes(tmp_path):
    table = [list(row.values()) for row in _homes(12)]
    heads = list(_homes(1)[0])
    page = ["Report HS104", "", "Run 04/11/2026 09:14", "", "", "Page 2", ""]
    path = tmp_path / "list.csv"
    path.write_text(
        "\n".join(
            ",".join(f'"{cell}"' for cell in row)
            for row in [heads, *table[:6], page, heads, *table[6:]]
        )
    )
    listed = stock.ingest(Inputs(path), {})
    assert (listed.accepted.height, listed.quarantine.height) == (12, 0)


def test_years_from_and_to_and_everyday_words_for_walls_and_doors(tmp_path):
    rows = [
        {"Period from": "1930", "Period to": "1939", "Wall make-up": "Solid brick",
         "Door": str(n), "Road": "Mill Road", "Prop sub-category": "Semi-detached house", **row}
        for n, row in enumerate(_homes(12, Address=None, Built=None, Wall=None, Type=None), 1)
    ]  # fmt: skip
    frame = reading.read(_csv(tmp_path / "list.csv", rows)).frame
    assert frame["construction_year"][0] == "1930-1939"
    assert frame["wall_construction"][0] == "Solid brick"
    assert frame["address"][0] == "1 Mill Road"


def test_a_rival_holds_only_the_homes_whose_cells_differ_and_a_second_system_is_none(tmp_path):
    rows = [
        {**row, "Outer walls": "Cavity" if n == 3 else "Brick, solid", "Heating": "Gas boiler",
         "SEC_HTG": "Electric fire"}
        for n, row in enumerate(_homes(12, Wall=None, **{"Main walls": "Solid brick"}))
    ]  # fmt: skip
    listed = stock.ingest(Inputs(_csv(tmp_path / "list.csv", rows)), {})
    (asked,) = listed.raw.questions
    assert asked.column == "wall_construction"
    assert asked.found.endswith(
        f"Type 'heading: {asked.headings[0]}' or 'heading: {asked.headings[1]}'."
    )
    assert listed.accepted["held_for"].count() == 1


def test_a_heading_is_likened_to_a_column_only_where_its_cells_agree(tmp_path):
    rows = [
        {**row, "Rent pw": "81.20", "Glaze kind": "Double", "Tenure": None}
        for row in _homes(12, **{"Windows": "Double glazed"})
    ]
    found = reading.read(_csv(tmp_path / "list.csv", rows)).match
    assert set(headings.suggestions(found)) <= {"Glaze kind", "Windows"}


def test_a_line_above_the_headings_says_what_codes_mean(tmp_path):
    over = [
        ["Key to walls: SB = solid brick; CU = cavity unfilled; NT = non traditional"],
        ["Ref", "Address", "Postcode", "Type", "Built", "Floor area", "Walls (see key)"],
    ]
    path = tmp_path / "list.xlsx"
    with xlsxwriter.Workbook(str(path)) as book:
        _sheet_of(book, "List", _homes(12, Wall=lambda n: ("SB", "CU")[n % 2]), over)
    found = stock.ingest(Inputs(path), {}).accepted
    assert found["wall_construction"].to_list()[:2] == ["cavity", "solid_brick"]


def test_a_sheet_of_archetypes_tells_all_it_says_of_a_home(tmp_path):
    path = tmp_path / "list.xlsx"
    homes = _homes(12, Type=None, Wall=None, Arch=lambda n: f"A{n % 3}", **{"Wall desc": ""})
    kinds = [
        ["Archetype", "Type", "Walls"],
        ["A0", "Semi-detached house", "Solid brick"],
        ["A1", "Detached bungalow", "Sandstone"],
        ["A2", "Mid terrace house", "Cavity"],
    ]
    with xlsxwriter.Workbook(str(path)) as book:
        _sheet_of(book, "Homes", homes, [list(homes[0])])
        _sheet_of(book, "Archetypes", [], kinds)
        _sheet_of(book, "Homes old", homes[:5], [list(homes[0])])
    found = stock.ingest(Inputs(path), {}).accepted
    assert found.select("property_type", "wall_construction").rows()[:2] == [
        ("bungalow", "stone_sandstone"), ("house", "cavity"),
    ]  # fmt: skip


def test_keys_without_a_heading_and_postcodes_under_code_are_taken(tmp_path):
    rows = _homes(24, **{"Code": lambda n: f"HX77 {n % 9 + 1}AB"}, Postcode=None)
    path = tmp_path / "list.xlsx"
    with xlsxwriter.Workbook(str(path)) as book:
        _sheet_of(book, "List", rows, [["", *list(rows[0])[1:]]])
    raw = reading.read(path)
    assert raw.headings["home_id"] == "column 1"
    assert raw.frame.select("home_id", "postcode").row(0) == ("R001", "HX77 2AB")
