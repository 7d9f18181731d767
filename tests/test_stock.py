"""Reading and checking a stock list: nothing lost, nothing turned in silence."""

import datetime
from pathlib import Path

import polars as pl
import pytest
import xlsxwriter

from data_demo.generate import stock_list_and_faults
from pipeline import reference, stock
from pipeline.columns import by_role
from pipeline.stock import casting, faults, reading, rules
from pipeline.stock.headings import match
from tests.conftest import DEMO_STOCK, GOOD_ROW, HEADINGS, stock_text


def _listed(path: Path, **more: Path) -> stock.Stock:
    return stock.ingest(stock.Inputs(path, **more), {})


def _ingest(tmp_path: Path, content: str | bytes, name: str = "a.csv") -> stock.Stock:
    path = tmp_path / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return _listed(path)


def test_the_demo_list_keeps_out_or_holds_exactly_the_planted_faults():
    listed = _listed(DEMO_STOCK)
    _, planted = stock_list_and_faults()
    expected = set()
    for row in planted.iter_rows(named=True):
        expected.add(frozenset(filter(None, (row["source_row"], row["first_entry_row"]))))
    found = set(listed.quarantine["source_row"])
    held = listed.accepted.filter(pl.col("held_for").is_not_null())  # its U-value is known
    assert held.select("home_id").item() == "TH0004649"
    found |= set(held["source_row"])
    assert listed.rows_read == 2400
    assert listed.accepted.height + listed.quarantine.height == 2400
    assert len(found) == len(expected) == 119
    assert all(len(found & pair) == 1 for pair in expected)


def test_a_quarantined_row_keeps_its_cells_its_number_and_every_reason(tmp_path):
    bad = 'T9,"9 Alder Row, Tarnwick",HX77 3AB,House,N/K,abc,see file,17'
    listed = _ingest(tmp_path, stock_text(GOOD_ROW.format(ref="T1", n=1), bad))
    row = listed.quarantine.to_dicts()[0]
    assert row["source_row"] == 3
    assert [row[h] for h in HEADINGS.split(",")] == [
        "T9", "9 Alder Row, Tarnwick", "HX77 3AB", "House", "N/K", "abc", "see file", "17",
    ]  # fmt: skip
    assert row["reasons"].split("; ") == [
        "Age 'N/K' is missing",
        "Floor area 'abc' could not be read",
        "Wall construction 'see file' could not be read",
        "Wall U-value today '17' is outside 0.1 to 3.5 W/m2K",
    ]


@pytest.mark.parametrize(
    ("encoding", "separator"), [("utf-8-sig", ","), ("utf-16", "\t"), ("cp1252", ";")]
)
def test_encodings_and_separators_give_the_same_homes(tmp_path, encoding, separator):
    rows = [HEADINGS, *(f"T{n},{n} Café Row,HX77 3AB,House,1934,85,Solid brick," for n in (1, 2))]
    text = "Tarnwick Homes, invented\n".replace(",", "") + "\n".join(rows).replace(",", separator)
    listed = _ingest(tmp_path, text.encode(encoding))
    assert listed.accepted["address"].to_list() == ["1 Café Row", "2 Café Row"]
    assert listed.accepted["source_row"].to_list() == [3, 4]


def test_a_row_with_too_many_cells_is_in_quarantine_and_what_is_beyond_is_not_kept(tmp_path):
    rows = [GOOD_ROW.format(ref="T1", n=1), "T2,2 Alder Row,x,House,1934,85,SB,,Ann Oakbourne,z"]
    listed = _ingest(tmp_path, stock_text(*rows))
    row = listed.quarantine.to_dicts()[0]
    assert "Row has 2 cells beyond the last heading" in row["reasons"]
    assert "Oakbourne" not in str(listed.quarantine.rows()) + str(listed.faults.rows())


def test_a_workbook_reads_as_the_same_homes_as_its_csv(tmp_path):
    table = pl.read_csv(DEMO_STOCK, infer_schema=False)
    path = tmp_path / "list.xlsx"
    with xlsxwriter.Workbook(path) as book:
        cover, sheet = book.add_worksheet("About"), book.add_worksheet("Homes")
        cover.write(0, 0, "An invented list")
        sheet.write(0, 0, "Homes of Tarnwick, invented")
        sheet.write_row(2, 0, table.columns)
        for number, row in enumerate(table.iter_rows(), start=3):
            sheet.write_row(number, 0, [cell or "" for cell in row])
    from_book, from_csv = _listed(path), _listed(DEMO_STOCK)
    drop = ["source_row"]
    assert from_book.accepted.drop(drop).equals(from_csv.accepted.drop(drop))
    assert (from_book.accepted["source_row"] - from_csv.accepted["source_row"]).unique().item() == 2
    assert from_book.raw.notes == ("read sheet 'Homes', left 'About'",)


def test_parquet_reads_as_the_same_homes(tmp_path):
    path = tmp_path / "list.parquet"
    pl.read_csv(DEMO_STOCK, infer_schema=False).write_parquet(path)
    assert _listed(path).accepted.equals(_listed(DEMO_STOCK).accepted)


def test_of_two_entries_the_fuller_stays_whatever_the_order(tmp_path):
    full = 'T1,"1 Alder Row, Tarnwick",HX77 3AB,House,1934,85,Solid brick,1.6'
    bare = "T2,ALDER ROW 1 TARNWICK,HX77 3AB,House,1934,90,Solid brick,"
    for rows in ([full, bare], [bare, full]):
        listed = _ingest(tmp_path, stock_text(*rows))
        assert listed.accepted["home_id"].to_list() == ["T1"]
        assert "Second entry of the home in row" in listed.quarantine["reasons"][0]


def test_flats_of_one_block_are_not_taken_for_one_home(tmp_path):
    rows = [
        f'T{n},"Flat {n}, 12 Weir Court, Tarnwick",HX77 3AB,Flat,1960,55,Solid brick,'
        for n in (1, 2, 12)
    ]
    assert _ingest(tmp_path, stock_text(*rows)).accepted.height == 3


def test_every_turned_text_is_recorded(tmp_path):
    row = "T1,1 Alder Row,hx773ab,Hse,1930s,914 sq ft,soild brick,"
    said = _ingest(tmp_path, stock_text(row)).said
    told = {(r["column"], r["text"]): r["value"] for r in said.to_dicts()}
    assert told["property_type", "Hse"] == "house"
    assert told["construction_year", "1930s"] == "1934"
    assert told["wall_construction", "soild brick"] == "solid_brick"
    assert told["postcode", "hx773ab"] == "HX77 3AB"
    assert float(told["floor_area_m2", "914 sq ft"]) == pytest.approx(914 * 0.3048**2)


CAST = {
    casting.length_mm: {
        "9 in": 228.6,
        "215mm": 215,
        "0.23 m": 230,
        '9"': 228.6,
        "21.5 cm": 215,
        "9 ft": None,
    },
    casting.share: {"80%": 0.8, "0.8": 0.8, "80": 0.8, "x": None},
    casting.number: {"1,012": 1012, "1.7 W/m2K": 1.7, "1.7.1": None},
}


@pytest.mark.parametrize(
    ("caster", "text", "value"),
    [(caster, text, value) for caster, cells in CAST.items() for text, value in cells.items()],
)
def test_casting(caster, text, value):
    got = pl.DataFrame({"t": [text]}).select(caster(pl.col("t"))).item()
    assert got == (pytest.approx(value) if value is not None else None)


@pytest.mark.parametrize(
    ("heading", "text", "square_metres"),
    [
        ("Floor Area", "85 m2", 85.0),
        ("Floor Area", "85m²", 85.0),
        ("Floor Area", "1,012 sq ft", 1012 * 0.3048**2),
        ("Floor Area (sq ft)", "1012", 1012 * 0.3048**2),
        ("Floor Area (sq ft)", "85 m2", 85.0),
        ("Floor Area", "85sqq", None),
    ],
)
def test_areas_follow_the_unit_of_cell_or_heading(tmp_path, heading, text, square_metres):
    row = f'T1,1 Alder Row,HX77 3AB,House,1934,"{text}",Solid brick,'
    content = stock_text(row, GOOD_ROW.format(ref="T2", n=2)).replace("Floor Area", heading, 1)
    listed = _ingest(tmp_path, content.replace(",85,", ",85 m2,"))
    found = listed.accepted.filter(pl.col("home_id") == "T1")["floor_area_m2"].to_list()
    assert found == ([] if square_metres is None else [pytest.approx(square_metres)])


def test_headings_of_the_trade_are_known_and_none_is_claimed_twice():
    words = [heading for column in by_role("stock") for heading in column.headings]
    assert len(words) == len(set(words))
    found = match(["TFA (m2)", "Wall U-value", "POST_CODE", "Patch Officer", None])
    assert found.positions == {"floor_area_m2": 0, "u_existing_w_m2k": 1, "postcode": 2}
    assert found.unused == ("Patch Officer",)


GOOD_HOME = {
    "home_id": "T1", "property_type": "house", "built_form": "mid_terrace", "storeys": 2.0,
    "construction_year": 1934.0, "floor_area_m2": 85.0, "wall_construction": "solid_brick",
    "wall_area_m2": 62.0, "window_area_m2": 14.0, "u_existing_w_m2k": 1.7, "uprn": "100001",
    "postcode": "HX77 3AB", "survey_date": datetime.date(2025, 3, 1),
}  # fmt: skip
BAD = [
    ({"home_id": None}, "Home is missing"),
    ({"property_type": None}, "Property type is missing"),
    ({"wall_construction": None, "u_existing_w_m2k": None}, "Wall construction is missing"),
    ({"wall_construction": None, "u_existing_w_m2k": 1.7}, "is not known, only the U-value"),
    ({"floor_area_m2": None}, "Floor area is missing"),
    ({"construction_year": None}, "Age is missing"),
    ({"status": "gone"}, "says that it is no longer the landlord's"),
    ({"status": "no_home"}, "says that it is no dwelling"),
    ({"uprn": "12x"}, "UPRN is not a number"),
    ({"postcode": "HX7"}, "form of a postcode"),
    ({"construction_year": 1200.0}, "outside 1500"),
    ({"floor_area_m2": 9.0}, "is outside what homes have"),
    ({"wall_area_m2": 900.0}, "Net wall area cannot belong"),
    ({"wall_area_m2": 22.0}, "unusual for the floor area"),
    ({"window_area_m2": 80.0}, "Window area cannot belong"),
    ({"floor_area_m2": 21.0, "storeys": 3.0}, "under 10 m2 to a storey"),
    ({"storeys": 9.0}, "Storeys is outside"),
    ({"property_type": "flat", "storeys": 9.0}, "is taken for that of its block"),
    ({"building_height_m": 900.0}, "Building height is outside"),
    ({"wall_thickness_mm": 9.0}, "Wall thickness is outside"),
    ({"treatable_share": 1.4}, "Treatable share is outside"),
    ({"front_wall_area_m2": 900.0}, "Front wall area is outside"),
    ({"rear_wall_area_m2": -1.0}, "Rear wall area is outside"),
    ({"gable_wall_area_m2": 500.0}, "Gable wall area is outside"),
    ({"front_wall_area_m2": 40.0, "rear_wall_area_m2": 30.0}, "differs by over a tenth"),
    ({"jamb_length_m": -10.0}, "Jamb length is outside 0 to 400 m"),
    ({"head_length_m": 4200.0}, "Head length is outside"),
    ({"sill_length_m": -0.1}, "Sill length is outside"),
    ({"base_length_m": 7300.0}, "Base length is outside"),
    ({"eaves_length_m": -7.0}, "Eaves length is outside"),
    ({"neighbour_length_m": 500.0}, "Neighbour length is outside"),
    ({"corner_length_m": -5.0}, "Corner length is outside"),
    ({"u_existing_w_m2k": 17.0}, "U-value today is outside"),
    ({"loft_insulation_mm": 5000.0}, "Loft insulation is outside"),
    ({"metered_heating_kwh_per_year": 1e6}, "Metered heating fuel is outside"),
    ({"metered_heating_kwh_per_year": 12.5}, "is under 500 kWh in a year"),
    ({"measured_htc_w_k": 3.0}, "heat transfer coefficient is outside"),
    ({"clearance_mm": -4.0}, "Clearance is outside"),
    ({"pull_out_kn": 600.0}, "Pull-out resistance is outside"),
    ({"eaves_overhang_mm": 9000.0}, "Eaves overhang is outside"),
    ({"construction_year": 1995.0}, "late for a solid wall"),
    ({"construction_year": None, "age_band": "H"}, "late for a solid wall"),
    ({"construction_year": 1890.0, "wall_construction": "cavity"}, "early for a cavity wall"),
    ({"u_existing_w_m2k": 0.5}, "low for an uninsulated solid wall"),
    ({"u_existing_w_m2k": 1.5, "wall_construction": "filled_cavity"}, "high for a filled cavity"),
    ({"property_type": "flat"}, "has no block"),
    ({"survey_date": datetime.date(2012, 1, 1)}, "treat the record as stale"),
    ({"cloned_rows": 6}, "run of equal records"),
]


def _fault_rules(change: dict[str, object]) -> list[str]:
    schema = {c.name: c.polars_dtype for c in by_role("stock")}
    schema |= {"age_band": pl.String, "cloned_rows": pl.UInt32}
    values = {**dict.fromkeys(schema), **GOOD_HOME, **change}
    typed = pl.DataFrame({name: [value] for name, value in values.items()}, schema=schema)
    flags = {c.name + rules.UNREADABLE: pl.lit(False) for c in by_role("stock")}
    typed = typed.with_columns(source_row=pl.lit(2, pl.UInt32), **flags)
    cells = typed.select("source_row", pl.lit(None, pl.String).alias(reading.EXTRA))
    return faults.find(typed, cells, {})["rule"].to_list()


def test_a_good_home_breaks_no_rule():
    assert _fault_rules({}) == []


@pytest.mark.parametrize(("change", "words"), BAD, ids=[words for _, words in BAD])
def test_every_rule_catches_its_bad_row(change, words):
    assert any(words in rule for rule in _fault_rules(change))


def test_every_rule_has_its_bad_row():
    told = [f"{rules.label(rule.column)} {rule.says}" for rule in rules.RULES]
    assert all(any(words in rule for _, words in BAD) for rule in told)


def test_codes_cover_what_the_tables_need():
    tables = reference.load()
    codes = pl.read_csv("pipeline/stock/codes.csv", infer_schema=False)
    for column, table, key in (
        ("wall_construction", "wall_u_by_age", "construction"),
        ("heating", "heating_systems", "heating"),
        ("glazing", "glazing", "glazing"),
        ("wall_construction", "wall_thickness_by_age", "construction"),
    ):
        known = set(codes.filter(pl.col("column") == column)["code"])
        assert known == set(tables.table(table)[key]), (column, table)
