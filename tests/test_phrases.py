"""Phrases as landlords write them, read by their words. What each says is common practice."""

import csv
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.stock import figures, phrases, years

WALLS = {
    "Solid brick, with external insulation 50mm": "solid_brick external",
    "Brick cavity, never filled": "cavity none",
    "Cavity with bead fill (2011)": "filled_cavity filled_cavity",
    "CAVITY - UN-FILLED": "cavity none",
    "Cav. bk/blk": "cavity",
    '9" solid bk': "solid_brick",
    "9 inch brick": "solid_brick",
    '11" brick': "cavity",
    '4\u00bd" brick': "",
    "brick": "",
    "Whinstone rubble": "stone_granite",
    "Sandstone (red), not insulated": "stone_sandstone none",
    "Stone, drylined inside with insulation": "stone_sandstone internal",
    "Wimpey no-fines": "system_built",
    "No fines": "system_built",
    "Timber fr. brick clad": "timber_frame",
    "Cavity wall, filled cavity and external insulation": "filled_cavity external",
    "Cavity wall, part filled when built": "cavity partly_filled_cavity",
    "Solid brick, as built, no insulation (assumed)": "solid_brick none",
    "unfilled with EWI": "cavity external",
    "Cavity, CWI removed": "cavity none",
    "soild brik": "solid_brick",
    "Ceudod wedi ei lenwi": "filled_cavity filled_cavity",
    "Gwenithfaen, dim inswleiddio": "stone_granite none",
    # a doubt, two walls, or words against each other give nothing
    "Brick - solid or cavity?": "",
    "solid front / cavity rear": "",
    "Stone and cavity": "",
    "Cavity wall, filled cavity / as built, no insulation": "",
    "Solid brick, CWI": "",
    "Cavity believed filled": "",
    # what is planned, or another's, is no fact of this wall
    "Solid brick, EWI planned 2026": "solid_brick",
    "Solid stone. Extension is cavity, filled": "stone_sandstone",
}
HOMES = {
    "End terrace house": "house end_terrace",
    "House - end of terrace": "house end_terrace",
    "3 bed mid-terraced house": "house mid_terrace",
    "Terraced house (mid)": "house mid_terrace",
    "Semi-detached house, 2 storey": "house semi_detached",
    "SD bung": "bungalow semi_detached",
    "GF flat": "flat ground",
    "2nd of 3 floor flat": "flat top",
    "Third floor flat, top of block": "flat top",
    "Upper cottage flat": "flat top",
    "4 in a block lower": "flat ground",
    "Maisonette above shops": "maisonette",
    "Tneement flat": "flat",
    "Block of 6 garages": "",
    "Lock-up shop": "",
    "House / bungalow": "",
    "Flat 1/2?": "",
}
HEATINGS = {
    "Gas combi boiler and radiators": "gas_condensing_boiler",
    "GCH": "gas_condensing_boiler",
    "Combi": "gas_condensing_boiler",
    "old gas boiler": "gas_noncondensing_boiler",
    "Gas boiler, non-condensing": "gas_noncondensing_boiler",
    "Gas fire with back boiler + rads": "gas_back_boiler",
    "gas fires": "gas_room_heater",
    "Oil boiler, radiators": "oil_condensing_boiler",
    "Bulk LPG boiler + rads": "lpg_condensing_boiler",
    "Night storage heaters, off-peak": "electric_storage_heaters",
    "Elec. st. htrs": "electric_storage_heaters",
    "Electric panel heaters, immersion for hot water": "electric_direct",
    "Elec wet system": "electric_boiler",
    "ASHP (2021) and radiators": "air_source_heat_pump",
    "Ground source heat pump, underfloor": "ground_source_heat_pump",
    "Open coal fire, back boiler to 5 rads": "solid_fuel_boiler",
    "coal fire": "solid_fuel_room_heater",
    "District htg (biomass)": "heat_network",
    "mains gas (not community)": "gas_condensing_boiler",
    "Boiler": "",
    "gas and oil boiler": "",
    "Warm air, mains gas": "gas_warm_air",
}
ARCHETYPES = {
    "2B4P mid terr house, pre 1919, solid brick uninsulated, gas CH": (
        "solid_brick none house mid_terrace gas_condensing_boiler", (None, 1918)),
    "3 bed mid terrace 1930s solid": ("solid_brick mid_terrace", (1930, 1939)),
    "2B flat, 65-74, cavity unfilled with EWI, elec storage": (
        "cavity external flat electric_storage_heaters", (1965, 1974)),
}  # fmt: skip
YEARS = {
    "1934": (1934, 1934), "1960/61": (1960, 1961), "1934-37": (1934, 1937), "45-64": (1945, 1964),
    "1999-02": (1999, 2002), "between 1991 and 1993": (1991, 1993), "pre-1919": (None, 1918),
    "before 1900": (None, 1899), "<1900": (None, 1899), "post 2002": (2003, None),
    "2012 onwards": (2012, None), "c.1905": (1905, 1905), "about 1902": (1902, 1902),
    "1930\u2019s": (1930, 1939), "mid 60s": (1964, 1966), "Apr-58": (1958, 1958),
    "C: 1930-1949": (1930, 1949), "England and Wales: 1950-1966": (1950, 1966),
    "completed May 1951": (1951, 1951), "1952 (modernised 1998)": (1952, 1952),
    "between the wars (1919-1939)": (1919, 1939), "Edwardian": (1901, 1914),
    "late Victorian": (1880, 1901), "Cyn 1919 (pre 1919)": (None, 1918), "1950au": (1950, 1959),
    "01/04/1965": (1965, 1965), "1930-01-01 00:00:00": (1930, 1930), "1968.0": (1968, 1968),
    "1936 or 1963": None, "1950?": None, "soon": None, "19344": None, "see block": None,
}  # fmt: skip
FIGURES = {
    ("approx. 102m2", "m2"): 102, ("938 sq. ft.", "m2"): 938 * 0.3048**2, ("2B3P 61m2", "m2"): 61,
    ("66 m2 / 710 sq ft", "m2"): 66, ("about 64", "m2"): 64, ("72 sq metres", "m2"): 72,
    ("topped up to 270mm", "mm"): 270, ("300+ mm", "mm"): 300, ("6 ins", "mm"): 152.4,
    ("Pitched, 270 mm loft insulation", "mm"): 270, ("2.1 (default)", "W/m2K"): 2.1,
    ("80-90 m2", "m2"): None, ("\u00a390", "m2"): None, ("4 bed", "m2"): None, ("85,3", "m2"): 85.3,
    ("66 m2 and 81 m2", "m2"): None,
}  # fmt: skip


def _told(said: phrases.Phrase) -> str:
    return " ".join(said.values.values())


@pytest.mark.parametrize("text", WALLS)
def test_walls(text):
    assert _told(phrases.read(text, "wall_construction")) == WALLS[text]


@pytest.mark.parametrize("text", HOMES)
def test_homes(text):
    assert _told(phrases.read(text, "property_type")) == HOMES[text]


@pytest.mark.parametrize("text", HEATINGS)
def test_heatings(text):
    assert _told(phrases.read(text, "heating")) == HEATINGS[text]


@pytest.mark.parametrize("text", ARCHETYPES)
def test_one_phrase_fills_many_columns(text):
    said = phrases.read(text, "description")
    assert (_told(said), said.age) == ARCHETYPES[text]


YEARS |= {
    "1920s/30s": (1920.0, 1939.0), "1920's-30's": (1920.0, 1939.0), "62/63": (1962.0, 1963.0),
    "between wars": (1919.0, 1939.0), "19th century": (1801.0, 1900.0), "67": None,
    "1930-1949 (assumed)": (1930.0, 1949.0), "late 19th century": (1867.0, 1900.0),
}  # fmt: skip
FIGURES |= {
    ("88,4", "m2"): 88.4, ("88,4 m\u00b2", "m2"): 88.4, ("1,012 sq ft", "m2"): 94.01787648,
    ("joists 100", "mm"): 100.0, ("200-250", "mm"): None, ("100 + 170", "mm"): None,
}  # fmt: skip


@pytest.mark.parametrize("text", YEARS)
def test_years(text):
    assert years.read(text) == YEARS[text]


@pytest.mark.parametrize(("text", "unit"), FIGURES)
def test_figures(text, unit):
    wanted = FIGURES[text, unit]
    assert figures.read(text, unit, "") == (None if wanted is None else pytest.approx(wanted))


def test_words_nobody_understands_stay_visible():
    said = phrases.read("Solid brick with glimmerstone", "wall_construction")
    assert (said.values["wall_construction"], said.unread) == ("solid_brick", ("glimmerstone",))
    assert phrases.read("glimmerstone", "wall_construction").values == {}


@given(st.sampled_from(sorted(WALLS)), st.randoms())
@settings(max_examples=60, deadline=None)
def test_case_spaces_and_marks_around_a_phrase_change_nothing(text, random):
    """Of the whole phrase; its words keep their order and their marks between."""
    changed = random.choice([str.upper, str.lower, str.title])(text)
    changed = random.choice(["  ", ""]) + changed.replace(" ", random.choice([" ", "  "])) + " "
    same = phrases.read(text, "wall_construction")
    assert phrases.read(changed, "wall_construction").values == same.values


with (Path(__file__).parent / "phrases_read.csv").open(encoding="utf-8", newline="") as file:
    LISTED = [tuple(row.values()) for row in csv.DictReader(file)]
"""column, text, what it says of the column ("" for nothing), and of the wall's insulation."""


@pytest.mark.parametrize(("column", "text", "value", "insulation"), LISTED)
def test_phrases_of_the_trade(column, text, value, insulation):
    """Common practice: words of certificates, surveys and housing systems of the four nations."""
    said = phrases.read(text, column)
    weak = said.weak if column == "property_type" else ""
    assert said.values.get(column, weak) == value
    if column == "wall_construction":
        assert said.values.get("wall_insulation", "") == insulation


@pytest.mark.parametrize(
    ("text", "u_value"),
    [
        ("Average thermal transmittance 0.35 W/m\u00b2K", "0.35"),
        ("Average thermal transmittance 0.21 W/m-\u00a6K", "0.21"),
        ("Trawsyriannedd thermol cyfartalog 0.29 W/m\u00b2K", "0.29"),
        ("solid brick, U-value 1.9", "1.9"),
    ],
)
def test_a_wall_told_by_its_u_value(text, u_value):
    assert phrases.read(text, "wall_construction").values["u_existing_w_m2k"] == u_value


@pytest.mark.parametrize("column", ["heating", "wall_construction", "property_type"])
def test_a_code_nobody_explained_is_said_and_not_read(column):
    said = phrases.read("4", column)
    assert (said.values, said.unread, said.empty) == ({}, ("4",), False)


def test_a_cottage_that_is_a_bungalow_is_one():
    said = phrases.read("cottage, all on one floor (bungalow)", "property_type")
    assert said.values["property_type"] == "bungalow"


@pytest.mark.parametrize("text", ["part dg", "Partial double glazing", "some double glazed"])
def test_glazing_of_a_part_is_not_that_of_most_windows(text):
    assert "glazing" not in phrases.read(text, "glazing").values


@pytest.mark.parametrize(
    ("remark", "told", "kept"),
    [
        ("SOLD RTB 2017", {"tenure": "private"}, "sold"),
        ("demolished 2019", {"status": "gone"}, "demolished"),
        ("Mrs Jones reports damp, phone first", {"damp": "kind_not_known"}, "damp"),
        ("asbestos soffit; rot works 2011", {"asbestos": "present"}, "asbestos"),
        ("Grade II listed, tenant keeps hens", {"heritage": "listed"}, "grade ii"),
        ("in conservation area", {"heritage": "conservation_area"}, "conservation area"),
        ("EWI 2014", {"wall_insulation": "external"}, "EWI 2014"),
        ("tenant keeps hens", {}, None),
        ("no damp; asbestos removed 2018; garage demolished", {}, None),
        ("asbestos survey booked, damp-proof course 1990", {}, None),
    ],
)
def test_of_remarks_only_what_they_tell_of_the_home_is_kept(remark, told, kept):
    assert phrases.read(remark, "remarks").values == told
    assert phrases.kept_remark(remark) == kept
