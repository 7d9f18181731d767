"""Text to values: commas, shares, units of cell and heading, and words of certificates."""

from pathlib import Path

import polars as pl
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from pipeline import identity, reference, stock
from pipeline.columns import by_role
from pipeline.stock import Inputs, answers, casting, reading, values, years
from pipeline.stock.answers import Answers
from pipeline.stock.headings import by_heading, column_of, match, starter_map, unit_of
from pipeline.stock.rules import UNREADABLE

FIGURES = st.integers(1, 9_999_999)


def _read(caster, text, *more):
    return pl.DataFrame({"t": [text]}).select(caster(pl.col("t"), *more)).item()


def _typed(tmp_path: Path, *lines: str) -> pl.DataFrame:
    path = tmp_path / "source.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return values.typed(reading.read(path, must=()))[0]


@pytest.mark.parametrize(
    "text", ["0,3", "1,7", "2,13", "85,5", "0,300", "1,0123", "12,34,567", ",5", "1.2,5", "£85"]
)
def test_a_comma_that_parts_no_thousands_cannot_be_read(text):
    assert _read(casting.number, text) is None


@settings(deadline=None, max_examples=60)
@given(FIGURES)
def test_thousands_separators_change_no_figure(figure):
    assert _read(casting.number, f"{figure:,}") == _read(casting.number, str(figure)) == figure


@settings(deadline=None, max_examples=60)
@given(st.integers(0, 999), st.integers(0, 99))
def test_a_decimal_comma_is_never_a_figure(whole, hundredths):
    assert _read(casting.number, f"{whole},{hundredths:02}") is None


def test_a_decimal_comma_holds_the_home_and_says_so(tmp_path):
    heading = "Property Ref,Address,Prop Type,Age,Floor Area,Wall Type,Wall U\n"
    good = "T1,1 Alder Row,House,1934,85,Solid brick,1.7\n"
    path = tmp_path / "list.csv"
    path.write_text(heading + good + good.replace("T1,1", "T2,2").replace("1.7", '"0,3"'))
    listed = stock.ingest(Inputs(path), {})
    assert listed.accepted["held_for"].to_list() == [
        None, "Wall U-value today '0,3' could not be read",
    ]  # fmt: skip


@settings(deadline=None, max_examples=60)
@given(st.floats(-1, 300, allow_nan=False).map(lambda x: round(x, 3)), st.sampled_from(["", "%"]))
@example(1.5, "")
@example(1.5, "%")
@example(150, "%")
@example(2, "")
@example(1, "")
def test_a_share_is_a_fraction_or_a_clear_percentage(figure, sign):
    got = _read(casting.share, f"{figure:f}{sign}")
    if figure > 100 or (not sign and 1 < figure <= 2):
        assert got is None
    else:
        assert got == pytest.approx(figure * 0.01 if sign or figure > 2 else figure)


OWN = {"W/m2K": "1.7 W/m²K", "W/K": "210 W/K", "kWh/year": "9,000 kWh p.a.", "no": "2 storeys"}


@pytest.mark.parametrize("unit", OWN)
def test_a_column_reads_its_own_units_alone(unit):
    assert _read(casting.number, OWN[unit], unit) is not None
    for other in set(OWN) - {unit}:
        assert _read(casting.number, OWN[other], unit) is None
    assert _read(casting.number, "2.1 kwh", "W/m2K") is None


def test_every_unit_of_a_stock_column_can_be_written_and_no_word_has_two_codes():
    units = {c.unit for c in by_role("stock") if c.dtype in ("number", "length_mm", "area")}
    assert units <= set(casting.spellings().values())
    codes = pl.read_csv("pipeline/stock/codes.csv", infer_schema=False)
    plain_words = codes.select(
        "column", pl.col("word").str.to_lowercase().str.replace_all("_", " ")
    )
    bands = plain_words.filter(pl.col("column") != "epc_band")
    assert bands.is_duplicated().sum() == 0


@pytest.mark.parametrize(
    ("text", "walls"),
    [
        ("None", "none"),
        ("Back elevation", "rear"),
        ("rear/front", "front_rear"),
        ("Side + back", "rear_gable"),
        ("gable, front", "front_gable"),
        ("FRONT; flank wall", "front_gable"),
        ("front_rear", "front_rear"),
        ("back, side and front", "front_rear_gable"),
        ("All walls", "front_rear_gable"),
        ("front, none", None),
        ("none & no", None),
        ("front and chimney", None),
        ("front,", None),
        ("/", None),
    ],
)
def test_walls_named_in_one_cell_are_read_in_any_order(text, walls):
    assert _read(casting.walls, text, "walls_refused") == walls


LOFTS = [
    ("Loft insulation (m)", "0.27", 270),
    ("Loft insulation (cm)", "27", 270),
    ("Loft insulation (in)", "10", 254),
    ("Loft insulation (inches)", "10", 254),
    ('Loft insulation (")', "10", 254),
    ("Loft insulation (ft)", "1", 304.8),
    ("Loft insulation (ft)", "1 ft", 304.8),
    ("Loft insulation m", "0.27", 270),
    ("Loft insulation (m)", "270mm", 270),
    ("Loft insulation (in)", "25 cm", 250),
    ("Loft ins (mm)", "270", 270),
    ("Loft", "270", 270),
    ("Loft (m)", "2 kwh", None),
]


@pytest.mark.parametrize(("heading", "text", "mm"), LOFTS)
def test_lengths_follow_the_unit_of_cell_then_heading(tmp_path, heading, text, mm):
    quoted = heading.replace('"', '""')
    typed = _typed(tmp_path, f'UPRN,"{quoted}"', f"1,{text}")
    assert typed["loft_insulation_mm"].item() == (None if mm is None else pytest.approx(mm))
    assert typed["loft_insulation_mm" + UNREADABLE].item() is (mm is None)


@settings(deadline=None, max_examples=60)
@given(FIGURES, st.sampled_from(["mm", "cm", "m", "in", "ft"]))
def test_a_heading_in_a_unit_reads_as_cells_in_it(figure, unit):
    told = _read(casting.number, str(figure), "mm", unit_of(f"Wall thickness ({unit})"))
    assert told == pytest.approx(_read(casting.number, f"{figure} {unit}", "mm", unit))


@pytest.mark.parametrize(
    ("heading", "text", "column", "value"),
    [
        ("Gas (MWh)", "12.5", "metered_heating_kwh_per_year", 12_500.0),
        ("Gas kWh", "11.2 MWh", "metered_heating_kwh_per_year", 11_200.0),
        ("Gas kWh", "36 GJ", "metered_heating_kwh_per_year", 10_000.0),
        ("Gas kWh", "100 therms", "metered_heating_kwh_per_year", 2_930.7107),
        ("Pull-out (N)", "1100", "pull_out_kn", 1.1),
        ("Pull-out kN", "0.9kN", "pull_out_kn", 0.9),
        ("Storeys (n)", "2", "storeys", 2.0),
    ],
)
def test_energy_and_force_follow_their_unit(tmp_path, heading, text, column, value):
    """SI Brochure, 9th edition: J and N; one therm is 105,505,585.257 J (Units of Measurement
    Regulations, from memory)."""
    path = tmp_path / "s.csv"
    path.write_text(f"UPRN,{heading}\n1,{text}\n")
    raw = reading.read(path, Answers({column: (heading,)}), must=())
    assert values.typed(raw)[0][column].to_list() == [pytest.approx(value, rel=1e-7)]


def test_a_heading_with_a_unit_of_another_kind_names_no_column():
    assert column_of("Building height (ft)") == "building_height_m"
    assert column_of("Gas use (kWh/yr)") == "metered_heating_kwh_per_year"
    for heading in (
        "U-value (kWh)",
        "Floor area (mm)",
        "Loft insulation (m2)",
        "Built in",
        "Age m",
    ):
        assert column_of(heading) is None, heading
    assert unit_of("Thickness in loft") == ""
    assert unit_of("Sq ft of the home") == "ft2"
    assert unit_of("Floor Area [sq. ft] GIA") == "ft2"


def test_no_heading_of_the_dictionary_states_another_unit_than_its_column():
    for column in by_role("stock"):
        if column.dtype in ("number", "area", "length_mm"):
            for heading in (column.name, column.label, *column.headings):
                assert unit_of(heading) in ("", column.unit), heading
    assert unit_of("Loft Ins") == ""
    assert unit_of("Loft (ins)") == "in"


def test_a_settled_heading_in_another_unit_leaves_bare_figures_unread(tmp_path):
    path = tmp_path / "s.csv"
    path.write_text("UPRN,Girth (kWh)\n1,12\n2,12 m\n")
    raw = reading.read(path, Answers({"building_height_m": ("Girth (kWh)",)}), must=())
    assert values.typed(raw)[0]["building_height_m"].to_list() == [None, 12]


@settings(deadline=None, max_examples=60)
@given(st.integers(1, 10**12 - 1), st.integers(0, 6))
def test_zeros_before_a_uprn_do_not_count(number, zeros):
    assert _read(identity.uprn, "0" * zeros + str(number)) == str(number)
    assert _read(identity.uprn, "0" * zeros + f"{number}.0") == str(number)


def test_padded_uprns_join_and_other_keys_keep_their_zeros(tmp_path):
    typed = _typed(tmp_path, "Property Ref,UPRN", "0012,000123", "0013,123")
    assert typed["uprn"].to_list() == ["123", "123"]
    assert typed["home_id"].to_list() == ["0012", "0013"]


CERTIFICATE = {
    "LMK_KEY": "k", "ADDRESS1": "1 Alder Row", "POSTCODE": "HX77 3AB",
    "BUILDING_REFERENCE_NUMBER": "77", "CURRENT_ENERGY_RATING": "D",
    "POTENTIAL_ENERGY_RATING": "B", "PROPERTY_TYPE": "House",
    "BUILT_FORM": "Enclosed Mid-Terrace", "INSPECTION_DATE": "2023-04-05",
    "LODGEMENT_DATE": "2023-04-09", "TOTAL_FLOOR_AREA": "85.5", "FLOOR_LEVEL": "NO DATA!",
    "WINDOWS_DESCRIPTION": "Fully double glazed",
    "WALLS_DESCRIPTION": "System built, with external insulation",
    "MAINHEAT_DESCRIPTION": "Boiler and radiators, mains gas",
    "CONSTRUCTION_AGE_BAND": "England and Wales: 1900-1929", "TENURE": "Rented (social)",
    "UPRN": "000000100001",
}  # fmt: skip


@pytest.mark.parametrize("style", [str, lambda h: h.lower().replace("_", "-")])
def test_an_extract_of_certificates_reads_by_its_published_names(tmp_path, style):
    cells = ",".join(f'"{cell}"' for cell in CERTIFICATE.values())
    row = _typed(tmp_path, ",".join(map(style, CERTIFICATE)), cells).to_dicts()[0]
    told = {
        "uprn": "100001", "home_id": None, "epc_band": "D", "property_type": "house",
        "built_form": "mid_terrace", "floor_area_m2": 85.5, "floor_position": None,
        "glazing": "double_2002", "wall_construction": "system_built",
        "wall_insulation": "external", "heating": "gas_condensing_boiler",
        "construction_year": 1914, "tenure": "social_rent",
    }  # fmt: skip
    assert {name: row[name] for name in told} == told
    assert row["survey_date"].isoformat() == "2023-04-05"
    assert not any(value for name, value in row.items() if name.endswith(UNREADABLE))


WALLS = {
    "Solid brick, as built, no insulation (assumed)": ("solid_brick", "none"),
    "Solid brick, as built, insulated (assumed)": ("solid_brick", None),
    "Cavity wall, filled cavity": ("filled_cavity", "filled_cavity"),
    "Cavity wall, filled cavity and external insulation": ("filled_cavity", "external"),
    "Cavity wall, as built, insulated (assumed)": ("filled_cavity", "filled_cavity"),
    "Cavity wall, as built, partial insulation (assumed)": ("cavity", "partly_filled_cavity"),
    "Granite or whinstone, with internal insulation": ("stone_granite", "internal"),
    "Sandstone or limestone, as built, no insulation (assumed)": ("stone_sandstone", "none"),
    "Timber frame, with additional insulation": ("timber_frame", None),
    "Cob, as built": ("cob", "none"),
    "Solid brick, filled cavity": (None, None),
    "Park home wall, as built": (None, "none"),
    "Average thermal transmittance 0.28 W/m²K": (None, None),
}


@pytest.mark.parametrize("words", WALLS)
def test_wall_words_give_what_they_say_and_no_more(tmp_path, words):
    typed = _typed(tmp_path, "uprn,walls-description", f'1,"{words}"')
    got = typed.select("wall_construction", "wall_insulation")
    assert got.row(0) == WALLS[words]
    for name in got.columns:
        by_age = "as built, insulated" in words  # the age of such a wall tells how much
        other = by_age or "Park home" in words or "transmittance" in words
        unread = typed[name].item() is None and not other
        assert typed[name + UNREADABLE].item() is unread


@pytest.mark.parametrize(
    ("column", "words"),
    [
        ("glazing", ["Some double glazing", "Partial double glazing", "High performance glazing"]),
        ("heating", ["Warm air, mains gas", "No system present: electric heaters assumed"]),
        ("property_type", ["Park home"]),
        ("floor_position", ["Basement", "2nd", "21st or above"]),
    ],
)
def test_ambiguous_words_of_certificates_stay_unread(column, words):
    assert [_read(casting.code, text, column) for text in words] == [None] * len(words)


def test_a_band_of_a_certificate_reads_as_a_year_of_that_band():
    prefix = {
        "england_wales": "England and Wales",
        "scotland": "Scotland",
        "northern_ireland": "Northern Ireland",
    }
    for band in reference.load().table("age_bands").iter_rows(named=True):
        first, last = band["first_year"], band["last_year"]
        words = f"{first:g}-{last:g}" if first and last else f"{first or 0:g} onwards"
        words = f"before {last + 1:g}" if not first else words
        span = (first or None, last or None)
        assert years.read(f"{prefix[band['nation']]}: {words}") == span, words


def test_one_heading_feeds_two_columns_only_where_it_can():
    alone = match(["UPRN", "walls-description"])
    assert alone.positions == {"uprn": 0, "wall_construction": 1, "wall_insulation": 1}
    beside = match(["UPRN", "walls-description", "Wall Insulation"])
    assert beside.positions == {"uprn": 0, "wall_construction": 1, "wall_insulation": 2}
    stock_list = match(["Property Ref", "UPRN", "walls-description"])
    assert "wall_insulation" not in stock_list.positions
    other = match(["UPRN", "walls-description"], {"walls description": "estate"})
    assert other.positions == {"uprn": 0, "estate": 1}


def test_the_starter_map_of_an_extract_can_be_read_back(tmp_path):
    found = match(list(CERTIFICATE))
    path = tmp_path / "map.toml"
    path.write_text(starter_map(found))
    assert (
        match(list(CERTIFICATE), by_heading(answers.read(columns=path))).positions
        == found.positions
    )


def test_certificates_beside_a_list_fill_gaps_and_log_what_they_cannot_say(tmp_path):
    base, extract = tmp_path / "list.csv", tmp_path / "certificates.csv"
    base.write_text(
        "Property Ref,UPRN,Address,Prop Type,Age,Floor Area,Wall Type,Wall Insul\n"
        "T1,100001,1 Alder Row,House,1934,85,Solid brick,\n"
        "T2,100002,2 Alder Row,House,1934,85,Cavity,\n"
    )
    extract.write_text(
        "uprn,walls-description\n"
        '000000100001,"Solid brick, with external insulation"\n'
        '000000100002,"Timber frame, with additional insulation"\n'
    )
    listed = stock.ingest(Inputs(base, {"epc": extract}), {})
    assert listed.accepted["wall_insulation"].to_list() == ["external", None]
    log = {(r["home_id"], r["column"]): r["outcome"] for r in listed.overrides.to_dicts()}
    assert log["T1", "wall_insulation"] == "filled a gap"
    assert log["T2", "wall_insulation"] == "could not be read: not used"
