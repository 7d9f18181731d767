"""Screens: each bites at its limit and not beyond, says why, and agrees with the ranking.

Limits in law are those of `nation_limits.csv`, which names its sources: England 18 m by regulation
7(2) and 11 m by Approved Document B, Scotland 11 m by its regulations of 2022, Wales 18 m by those
of 2019, Northern Ireland 18 m by those of 2022.
"""

import math
from typing import Any

import numpy as np
import polars as pl
import pytest

from pipeline import assess, homes, programme, reference
from pipeline.errors import SettingsError
from pipeline.options import rates, screens
from pipeline.options.screens import conditions
from pipeline.physics import wind
from pipeline.published import open_run, table
from pipeline.run import run
from pipeline.settings import Details, Settings, Works, build
from pipeline.stock import Inputs
from tests.conftest import GOOD_ROW, HEADINGS, stock_text
from tests.published import drawn

TABLES = reference.load()
CASES = TABLES.table("screen_cases")
GOOD_DETAILS = Details(reveal="reveal_20", base="carried_below", eaves="joined")
POSTCODES = {
    "england": "LS1 1AA",
    "scotland": "EH1 1AA",
    "wales": "CF10 1AA",
    "northern_ireland": "BT1 1AA",
}
WELL: dict[str, Any] = {
    "postcode": "LS1 1AA", "property_type": "house", "built_form": "semi_detached",
    "floor_position": None, "storeys": 2.0, "construction_year": 1934.0, "floor_area_m2": 85.0,
    "wall_construction": "solid_brick", "wall_insulation": "none", "wall_thickness_mm": None,
    "tenure": "social_rent", "heritage": "none", "clearance_mm": 5000.0, "damp": "none",
    "wall_condition": "sound", "structural_frame": "none", "pull_out_kn": 1.5,
    "ventilation": "adequate", "asbestos": "none_found", "services_in_wall": "no",
    "eaves_overhang_mm": 900.0, "exposure_zone": "moderate", "building_height_m": None,
    **dict.fromkeys(f"{name}_length_m" for name in drawn.LONGEST),
}  # fmt: skip
"""A surveyed home that nothing speaks against."""
FLAT = {"property_type": "flat", "floor_position": "mid", "storeys": 1.0}


def ranked(*changes: dict[str, Any], settings: Settings | None = None) -> pl.DataFrame:
    """Homes with these differences from WELL, assessed and ranked, in the order given."""
    chosen = settings or Settings(details=GOOD_DETAILS)
    listed = [{**WELL, **change} for change in changes]
    columns = {name: [home.get(name) for home in listed] for name in {k for h in listed for k in h}}
    stock = drawn.stock(np.random.default_rng(1), len(listed), **columns)
    base = assess.basis(TABLES, chosen, rates.read(chosen.cost))
    described = homes.describe(stock, TABLES, chosen)
    order = programme.rank(pl.concat(assess.assess(described, base)), chosen)
    return order.sort("home_id")


def cells(*changes: dict[str, Any], settings: Settings | None = None) -> list[dict[str, Any]]:
    """The rows of the matrix for such homes."""
    chosen = settings or Settings(details=GOOD_DETAILS)
    return screens.matrix(ranked(*changes, settings=chosen), chosen, TABLES).to_dicts()


def verdicts(home: dict[str, Any]) -> dict[str, str]:
    return {name: (home[name] or screens.NOT_TESTED).split(":")[0] for name in screens.SCREENS}


def test_a_surveyed_home_that_nothing_speaks_against_passes():
    (home,) = cells({})
    assert {home[name] for name in screens.SCREENS} == {"pass"}
    assert (home["screen_verdict"], home["changes_to_pass"]) == ("pass", None)
    assert ranked({})["cautions"].item() is None


def test_every_case_has_its_condition_its_screen_and_its_words():
    found = conditions.before(Settings(), TABLES) | conditions.after() | conditions.option()
    assert sorted(found) == sorted(CASES["case"])
    assert set(CASES["screen"]) == {name.removeprefix("screen_") for name in screens.SCREENS}
    assert set(CASES["verdict"]) == set(screens.VERDICTS[1:])
    for column in ("reason", "change", "rule"):
        assert CASES[column].str.len_chars().min() >= 4


def test_limits_of_law_send_people_to_the_authority_and_nothing_is_called_safe():
    law = CASES.filter(pl.col("screen").is_in(["fire", "boundary", "heritage"]))
    referred = law.filter(pl.col("verdict") == "refer")["reason"]
    assert referred.len() == 5
    assert referred.str.contains("check with the competent authority").all()
    said = " ".join([*CASES["reason"], *CASES["change"]]).lower()
    assert not [w for w in ("approved", "complies", "compliant", "safe", "permitted") if w in said]


BITES: list[tuple[str, dict[str, Any], str]] = [
    ("need", {"wall_insulation": "external"}, "exclude"),
    ("need", {"u_existing_w_m2k": 0.30}, "exclude"),
    ("need", {"u_existing_w_m2k": 0.301}, "pass"),
    ("need", {"treatable_share": 0.0}, "exclude"),
    ("need", {"wall_area_m2": 90.0, "u_existing_w_m2k": 1.7, "measured_htc_w_k": 150.0}, "exclude"),
    ("tenure", {"tenure": "leasehold"}, "exclude"),
    ("tenure", {"tenure": "private"}, "exclude"),
    ("tenure", {"tenure": "shared_ownership"}, "pass"),
    ("tenure", {"tenure": None}, "not surveyed"),
    ("fire", FLAT, "not surveyed"),
    ("fire", {"storeys": 4.0}, "not surveyed"),
    ("fire", {"storeys": 3.0}, "pass"),
    ("boundary", {"clearance_mm": None}, "not surveyed"),
    ("heritage", {"heritage": "listed"}, "exclude"),
    ("heritage", {"heritage": "conservation_area"}, "refer"),
    ("heritage", {"wall_construction": "stone_sandstone"}, "refer"),
    ("heritage", {"heritage": None}, "not surveyed"),
    ("exposure", {"exposure_zone": "severe"}, "pass"),
    ("exposure", {"exposure_zone": "very_severe"}, "refer"),
    ("exposure", {"exposure_zone": None, "postcode": "NR1 1AA"}, "pass"),
    ("exposure", {"exposure_zone": None, "postcode": "PL1 1AA"}, "not surveyed"),
    ("damp", {"damp": "rising"}, "exclude"),
    ("damp", {"damp": "penetrating"}, "exclude"),
    ("damp", {"damp": "kind_not_known"}, "refer"),
    ("damp", {"damp": "condensation"}, "refer"),
    ("damp", {"damp": None}, "not surveyed"),
    ("condition", {"wall_condition": "structural_movement"}, "exclude"),
    ("condition", {"wall_condition": "cracks"}, "refer"),
    ("condition", {"wall_condition": "spalling"}, "refer"),
    ("condition", {"wall_condition": None}, "not surveyed"),
    ("cavity", {"wall_construction": "cavity"}, "exclude"),
    ("cavity", {"wall_construction": "cavity", "wall_insulation": None}, "not surveyed"),
    ("cavity", {"wall_construction": "cavity", "wall_insulation": "internal"}, "not surveyed"),
    ("cavity", {"wall_construction": "cavity", "wall_insulation": "filled_cavity"}, "refer"),
    ("cavity", {"wall_construction": "cavity", "wall_insulation": "partly_filled_cavity"}, "refer"),
    ("cavity", {"wall_construction": "filled_cavity"}, "refer"),
    ("frame", {"wall_construction": "timber_frame"}, "exclude"),
    ("frame", {"structural_frame": "timber"}, "exclude"),
    ("frame", {"structural_frame": "steel"}, "refer"),
    ("frame", {"structural_frame": "concrete"}, "refer"),
    ("frame", {"structural_frame": None}, "pass"),
    ("frame", {"wall_construction": "system_built", "structural_frame": None}, "refer"),
    ("pull_out", {"pull_out_kn": None}, "not surveyed"),
    ("ventilation", {"ventilation": "inadequate"}, "refer"),
    ("ventilation", {"ventilation": None}, "not surveyed"),
    ("asbestos", {"asbestos": "present"}, "refer"),
    ("asbestos", {"asbestos": None}, "not surveyed"),
    ("asbestos", {"asbestos": None, "construction_year": 2002.0}, "not surveyed"),
    ("asbestos", {"asbestos": None, "construction_year": 2003.0}, "pass"),
    ("services", {"services_in_wall": "yes"}, "refer"),
    ("services", {"heating": "gas_room_heater"}, "refer"),
    ("services", {"services_in_wall": None}, "not surveyed"),
    ("eaves", {"eaves_overhang_mm": None}, "not surveyed"),
    ("eaves", {**FLAT, "building_height_m": 6.0, "eaves_overhang_mm": None}, "pass"),
    ("moisture", {"wall_construction": "cob"}, "refer"),
    ("option", {"clearance_mm": 20.0}, "exclude"),
    ("option", {"heritage": "listed"}, "not tested"),
]


def test_each_screen_bites_where_it_must_and_not_beyond():
    found = cells(*(change for _, change, _ in BITES))
    told = [
        (screen, change, verdicts(home)[f"screen_{screen}"])
        for (screen, change, _), home in zip(BITES, found, strict=True)
    ]
    assert told == BITES


@pytest.mark.parametrize("nation", POSTCODES)
def test_height_bites_at_the_limits_of_each_nation(nation):
    heights = (10.99, 11.0, 17.99, 18.0)
    flats = [
        {**FLAT, "postcode": POSTCODES[nation], "building_height_m": height} for height in heights
    ]
    found = cells(*flats)
    assert [verdicts(home)["screen_fire"] for home in found] == ["pass", *["refer"] * 3]
    by_law = ["the law of" in home["screen_fire"] for home in found]
    assert by_law == ([False, True, True, True] if nation == "scotland" else [False] * 3 + [True])
    name = nation.replace("_", " ").title()
    assert all(name in home["screen_fire"] for home in found[1:])
    chosen = ranked(*flats)
    assert set(chosen["rules_nation"]) == {name}
    assert chosen["needs_non_combustible"].to_list() == [False, True, True, True]
    assert set(chosen["system"][1:]) == {"mineral_wool"}


def test_where_the_postcode_tells_no_nation_the_strictest_limit_holds():
    found = cells(
        *({**FLAT, "building_height_m": 11.0, "postcode": code} for code in ("HR3 1AA", None))
    )
    for home in found:
        assert "from 11 m the law of the strictest nation" in home["screen_fire"]


def test_own_heights_replace_the_guidance_of_their_nation_and_never_the_law():
    flats = [
        {**FLAT, "postcode": POSTCODES[nation], "building_height_m": height}
        for nation in ("wales", "england")
        for height in (11.0, 14.99, 15.0, 18.0)
    ]
    own = Settings(details=GOOD_DETAILS, works=Works(non_combustible_from_height_m={"wales": 15.0}))
    told = [verdicts(home)["screen_fire"] for home in cells(*flats, settings=own)]
    assert told == ["pass", "pass", "refer", "refer", *["refer"] * 4]
    high = Settings(details=GOOD_DETAILS, works=Works(non_combustible_from_height_m={"wales": 40}))
    found = cells(*flats[:4], settings=high)
    assert [verdicts(home)["screen_fire"] for home in found] == [*["pass"] * 3, "refer"]
    assert "the law of Wales" in found[3]["screen_fire"]
    with pytest.raises(SettingsError, match="non_combustible_from_height_m"):
        build({"works": {"non_combustible_from_height_m": {"tarnwick": 9.0}}}, "test")


def test_a_finish_certified_for_more_rain_lets_more_zones_pass():
    zones = [{"exposure_zone": zone} for zone in ("moderate", "severe", "very_severe")]
    for zone, passing in (("moderate", 1), ("severe", 2), ("very_severe", 3)):
        own = Settings(details=GOOD_DETAILS, works=Works(finish_exposure_zone=zone))
        told = [verdicts(home)["screen_exposure"] for home in cells(*zones, settings=own)]
        assert told == ["pass"] * passing + ["refer"] * (3 - passing)


def test_clearance_limits_the_build_up_and_eaves_are_held_against_it():
    """Board and 12 mm of adhesive and render (common practice) must fit, and be under the roof."""
    (free,) = ranked({}).to_dicts()
    build_up = free["thickness_mm"] + 12.0
    roofs = [{"eaves_overhang_mm": build_up}, {"eaves_overhang_mm": build_up - 1.0}]
    assert [verdicts(home)["screen_eaves"] for home in cells(*roofs)] == ["pass", "refer"]
    tight = ranked({"clearance_mm": build_up - 1.0}).to_dicts()[0]
    assert tight["thickness_mm"] + 12.0 <= build_up - 1.0
    assert tight["screen_verdict"] == "refer"


def test_a_boundary_is_near_within_a_metre_of_the_finished_face_in_every_nation():
    """1000 mm: Approved Document B Table 10.1 and the Scottish domestic handbook 2.6.4, memory."""
    places = [{"postcode": code} for code in POSTCODES.values()]
    build_ups = [mm + 12.0 for mm in ranked(*places)["thickness_mm"]]
    for room, verdict in ((1000.0, "pass"), (999.0, "refer")):
        rows = [
            {**place, "clearance_mm": build_up + room}
            for place, build_up in zip(places, build_ups, strict=True)
        ]
        assert [verdicts(home)["screen_boundary"] for home in cells(*rows)] == [verdict] * 4


def test_the_peak_velocity_pressure_of_a_published_calculation():
    """27 m/s, terrain category I, 3.5 m, air 1.25 kg/m3: 0.989 kN/m2.

    Source: worked output dated 31.08.2021, "Calculation of wind peak velocity pressure, Eurocode
    1", scribd.com document 538539973 (read as an excerpt). z0 = 0.01 m and z_min = 1 m of category
    I: BS EN 1991-1-4 Table 4.1, from memory.
    """
    found = wind.peak_velocity_pressure(np.array([27.0]), np.array([3.5]), 0.01, 1.0, 1.25)
    assert found[0] == pytest.approx(989.0, abs=0.5)
    low, least = (
        wind.peak_velocity_pressure(np.array([27.0]), np.array([z]), 0.01, 1.0, 1.25)
        for z in (0.2, 1.0)
    )
    assert low[0] == least[0]


def _suction_by_hand(speed_m_s: float, height_m: float) -> float:
    """kN/m2 at a corner in terrain category II, BS EN 1991-1-4 expressions (4.3) to (4.8)."""
    log = math.log(height_m / 0.05)
    mean = 0.19 * log * speed_m_s * (1.0 + 0.001 * 100.0)
    return 1.4 * (1.0 + 7.0 / log) * 0.5 * 1.226 * mean**2 / 1000.0


def test_fixings_against_wind_by_hand():
    """n N_Rk / 2.0 = 1.5 w, N_Rk at most 1.5 kN; partial factors of BS EN 1990 and, from memory,
    of anchors in masonry. Region 11 (East Pennines) 24 m/s; a house of two storeys is 5 m high, a
    flat's wall ends one storey of 2.5 m above its top floor."""
    tall = {**FLAT, "building_height_m": 17.0, "pull_out_kn": 0.6}
    house, flat, strong = ranked({"pull_out_kn": 0.6}, tall, {"pull_out_kn": 9.0}).to_dicts()
    for home, height, resistance in ((house, 5.0, 0.6), (flat, 19.5, 0.6), (strong, 5.0, 1.5)):
        suction = _suction_by_hand(24.0, height)
        assert home["wind_suction_kn_m2"] == pytest.approx(suction, rel=1e-12)
        assert home["fixings_for_wind_per_m2"] == math.ceil(1.5 * 2.0 * suction / resistance)
        needed = 1.5 * 2.0 * suction / 8.0
        assert home["pull_out_needed_kn"] == math.ceil(needed * 100.0) / 100.0


def test_pull_out_bites_at_eight_and_at_twelve_fixings():
    eight, twelve = (3.0 * _suction_by_hand(24.0, 5.0) / n for n in (8, 12))
    resistances = (eight * 1.001, eight * 0.999, twelve * 1.001, twelve * 0.999)
    found = cells(*({"pull_out_kn": value} for value in resistances))
    told = [verdicts(home)["screen_pull_out"] for home in found]
    assert told == ["pass", "refer", "refer", "exclude"]
    needed = f"{math.ceil(eight * 100) / 100:.2f} kN"
    assert "needs 9 fixings per m2, over the usual 8" in found[1]["screen_pull_out"]
    assert all(needed in home["changes_to_pass"] for home in found[1:])
    (untested,) = cells({"pull_out_kn": None})
    assert needed in untested["screen_pull_out"]
    assert "for estimate only" in untested["screen_pull_out"]
    assert untested["changes_to_pass"] == f"find out: pull-out test (about {needed} each)"


def test_a_home_of_which_nothing_is_surveyed_is_referred_for_survey_and_stays_ranked():
    asked = ("heritage", "clearance_mm", "damp", "wall_condition", "pull_out_kn", "ventilation",
             "asbestos", "services_in_wall", "eaves_overhang_mm")  # fmt: skip
    home = ranked(dict.fromkeys(asked)).to_dicts()[0]
    assert home["rank"] == 1
    assert home["screen_verdict"] == "not surveyed"
    assert home["cautions"].startswith("not surveyed: clearance to boundary and footway, ")
    assert home["changes_to_pass"] == home["cautions"].replace("not surveyed", "find out")
    one = cells(*({name: None} for name in asked))
    for found in one:
        told = [v for v in verdicts(found).values() if v != "pass"]
        assert told == ["not surveyed"], found


def test_mould_and_moisture_of_the_chosen_option_are_referred():
    poor = Settings(details=Details(base="stopped_at_dpc", eaves="not_joined"))
    home = ranked({}, settings=poor).to_dicts()[0]
    said = f"mould risk at {home['mould_risk_at']}: designer to detail"
    assert home["cautions"] == said
    assert cells({}, settings=poor)[0]["screen_mould"] == f"refer: {said}"
    assert "temperature factor of at least 0.75" in home["changes_to_pass"]
    wet = ranked({}).with_columns(moisture_verdict=pl.lit("accumulates"))
    settled = screens.settle(wet, Settings(), TABLES)
    assert settled["cautions"].item().startswith("condensate accumulates in the wall")


def test_the_matrix_agrees_with_the_ranking(demo, demo_folder):
    found = table(demo_folder / "demo.duckdb", "screens")
    ranking = demo.ranking
    assert found["home_id"].equals(ranking["home_id"])
    assert found["rank"].equals(ranking["rank"])
    words = {name: n for n, name in enumerate(screens.VERDICTS)}
    for home, row in zip(found.to_dicts(), ranking.to_dicts(), strict=True):
        told = verdicts(home)
        given = [v for v in told.values() if v != screens.NOT_TESTED]
        assert row["screen_verdict"] == max(given, key=words.__getitem__)
        assert (row["rank"] is None) == ("exclude" in told.values())
        assert (row["system"] is None) == (told["screen_mould"] == screens.NOT_TESTED)
        excluding = [home[name] for name in told if told[name] == "exclude"]
        if row["held_for"]:
            assert row["reason"] == f"held: {row['held_for']}"
        elif excluding:
            assert excluding[0] == f"exclude: {row['reason']}"
        for name in told:
            if told[name] == "refer":
                assert home[name].removeprefix("refer: ") in row["cautions"]
        assert (row["changes_to_pass"] is None) == (row["screen_verdict"] == "pass")
    assert set(ranking["screen_verdict"]) == {"not surveyed", "refer", "exclude"}
    by_screen = screens.counts(found, "screen")
    assert by_screen.group_by("group").agg(pl.col("homes").sum())["homes"].unique().to_list() == [
        ranking.height
    ]


def test_the_file_is_the_table(demo_folder):
    stored = table(demo_folder / "demo.duckdb", "screens")
    written = pl.read_csv(demo_folder / "screens.csv", infer_schema=False)
    assert written.equals(stored.cast(pl.String))


def test_a_word_nobody_can_read_counts_as_not_surveyed_with_a_warning(tmp_path):
    heads, good = f"{HEADINGS},Damp,Pull-out kN,Asbestos", GOOD_ROW
    rows = [
        f"{good.format(ref='T1', n=1)},see file,0.6,None",
        f"{good.format(ref='T2', n=2)},Dry,600,Clear",
    ]
    stock = tmp_path / "list.csv"
    stock.write_text("\n".join([heads, *rows]) + "\n")
    run(Inputs(stock), tmp_path / "s.duckdb", tmp_path, Settings())
    opened = open_run(tmp_path / "s.duckdb")
    assert opened.ranking["home_id"].to_list() == ["T1"]
    assert "Damp 'see file' could not be read" in opened.ranking["warnings"].item()
    found = table(tmp_path / "s.duckdb", "screens")
    assert found["screen_damp"].item() == "not surveyed: damp in the walls"
    assert found["screen_asbestos"].item().startswith("not surveyed: ")
    assert "is outside 0.01 to 10 kN" in opened.quarantine["reasons"].item()


def test_the_command_tells_every_screen_and_what_would_have_to_change(call, tmp_path):
    stock, store = tmp_path / "list.csv", tmp_path / "s.duckdb"
    stock.write_text(stock_text())
    run(Inputs(stock), store, tmp_path, Settings())
    told = call("screens", "T1", "--store", store)
    assert told.code == 0
    assert "Worst verdict: refer" in told.out
    assert "Pull-out and wind not surveyed" in told.out
    assert "To pass every screen:" in told.out
    assert "It approves nothing" in told.out
    missing = call("screens", "T9", "--store", store)
    assert missing.code == 2
    assert "No accepted home 'T9'" in missing.err
