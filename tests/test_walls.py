"""Fixings and air voids, wall build-ups, least thickness, walls that may not be treated."""

import itertools
import math

import numpy as np
import polars as pl
import pytest

from pipeline import assess, explain, homes, reference, stock, wall_build_ups
from pipeline.errors import ReferenceTableError, SettingsError
from pipeline.options import catalogue, rates
from pipeline.physics import wall
from pipeline.reference import Reference
from pipeline.settings import Settings, build
from tests.published import drawn

TABLES = reference.load()
PIN = {"chi_w_k": None, "fixing_lambda_w_mk": 17.0, "fixing_section_mm2": 50.26548}
"""A solid stainless pin of 8 mm, BS EN ISO 10456 conductivity: cases D3 of the published tests."""


def tables(**changes: float | None) -> Reference:
    """The reference tables with some columns of every insulation system replaced."""
    systems = TABLES.table("insulation_systems").with_columns(
        pl.lit(value, pl.Float64).alias(name) for name, value in changes.items()
    )
    return Reference({**TABLES.tables, "insulation_systems": systems}, "changed")


def basis(known: Reference, settings: Settings | None = None) -> assess.Basis:
    chosen = settings or Settings()
    return assess.basis(known, chosen, rates.read(chosen.cost))


def assessed(stock: pl.DataFrame, base: assess.Basis) -> pl.DataFrame:
    described = homes.describe(stock, base.reference, base.settings)
    return pl.concat(list(assess.assess(described, base)))


def test_fixings_by_declared_chi_or_by_annex_f():
    """D3, mineral wool of 100 mm with six stainless pins: 0.3022 + 0.0289 W/m2K."""
    declared = catalogue.losses({**_wool(), "chi_w_k": 0.002, "fixings_per_m2": 6.0}, TABLES)
    assert declared == (0.012, 0.0, 0.0)
    row = {**_wool(), **PIN, "fixings_per_m2": 6.0}
    none, voids, pierced = catalogue.losses(row, TABLES)
    assert (none, voids) == (0.0, 0.0)
    u = wall.u_after(1.92188, 0.100 / 0.036, 0.008 / 0.70, none, voids + pierced / 0.100)
    assert u == pytest.approx(0.3311, abs=5e-5)


def test_air_voids_by_level():
    """D4: levels 1 and 2 add 0.00704 and 0.02818 W/m2K to 100 mm of mineral wool."""
    bare, r = 1.92188, 0.100 / 0.036
    plain = wall.u_after(bare, r, 0.008 / 0.70, 0.0)
    for level, added in ((0.0, 0.0), (1.0, 0.00704), (2.0, 0.02818)):
        _, voids, _ = catalogue.losses({**_wool(), "air_voids": level}, TABLES)
        own = wall.u_after(bare, r, 0.008 / 0.70, 0.0, voids)
        assert own - plain == pytest.approx(added, abs=5e-6)


def _wool() -> dict[str, object]:
    return (
        TABLES.table("insulation_systems").filter(pl.col("system") == "mineral_wool").to_dicts()[0]
    )


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"chi_w_k": None}, "neither chi_w_k nor fixing_lambda_w_mk"),
        ({"chi_w_k": None, "fixing_lambda_w_mk": 17.0}, "neither chi_w_k"),
        ({"air_voids": 3.0}, "air_voids is 3.0. Give 0, 1 or 2"),
        ({"air_voids": None}, "air_voids is None"),
    ],
)
def test_a_system_without_fixings_or_level_is_refused(change, words):
    with pytest.raises(ReferenceTableError, match=words):
        basis(tables(**change))


@pytest.mark.parametrize("changes", [{}, {"air_voids": 1.0}, {**PIN, "air_voids": 2.0}])
def test_least_thickness_against_all_stocked_boards(changes):
    """Each home's least thickness is the first board of its system that brute force finds."""
    base = basis(tables(**changes))
    found = assessed(drawn.stock(np.random.default_rng(6946), 150), base)
    chosen = found.filter(pl.col("system").is_not_null())
    assert chosen.height > 40
    finish = base.reference.constant("finish_resistance")
    for home in chosen.iter_rows(named=True):
        boards = base.options.filter(pl.col("system") == home["system"]).sort("thickness_mm")
        reach = [
            board["thickness_mm"]
            for board in boards.iter_rows(named=True)
            if wall.u_after(
                home["u_existing_w_m2k"], board["r_insulation_m2k_w"], finish,
                board["delta_u_w_m2k"], board["bypass_w_m2k"],
            ) <= base.settings.works.target_u_w_m2k
        ]  # fmt: skip
        assert home["least_thickness_mm"] == reach[0] <= home["thickness_mm"]


def test_options_left_out_never_win_with_pins_and_voids(monkeypatch):
    """The choice among options that bounds let through is the choice among all of them."""
    base = basis(tables(**PIN, air_voids=1.0))
    stock = drawn.stock(np.random.default_rng(10211), 120)
    prepared = assess.prepare(homes.describe(stock, base.reference, base.settings), base)
    kept = assess.choose(prepared, base)
    anything = lambda homes, heat_loss, *_: (heat_loss - np.inf, heat_loss + np.inf)  # noqa: E731
    monkeypatch.setattr(assess, "_saved_between", anything)
    every = assess.choose(prepared, base)
    assert kept.equals(every)
    assert kept["system"].count() > 40


def test_the_sheet_shows_pins_and_voids():
    base = basis(tables(**PIN, air_voids=1.0))
    found = assessed(drawn.stock(np.random.default_rng(7), 60), base)
    home = found.filter(pl.col("system").is_not_null()).row(0, named=True)
    steps = explain.sheet(home, base)
    assert explain.check(home, steps).agrees
    said = {step.what: step for step in steps}
    assert "Fixings" not in said
    assert said["Air voids and fixings without χ"].value > 0.01
    least = said["Least thickness for the target"]
    assert least.value == home["least_thickness_mm"]
    assert least.value <= home["thickness_mm"]


BLOCK_CAVITY = {  # D5 of the published cases: mortar-bridged block of 0.18, cavity wall
    "layers": [
        {"name": "plaster", "thickness_mm": 13, "lambda_w_mk": 0.18},
        {"name": "block", "thickness_mm": 100, "lambda_w_mk": 0.18,
         "bridge_share": 1 - 440 * 215 / (450 * 225), "bridge_lambda_w_mk": 0.88},
        {"name": "cavity", "thickness_mm": 50, "air": "still"},
        {"name": "brick", "thickness_mm": 102.5, "lambda_w_mk": 0.77},
    ]
}  # fmt: skip
BRICK = {  # A2 of the published cases, http://www.conserveandsave.co.uk/calculations/wall-u-values
    "layers": [
        {"name": "plaster", "thickness_mm": 13, "lambda_w_mk": 0.57},
        {"name": "inner brick", "thickness_mm": 102, "lambda_w_mk": 0.56},
        {"name": "outer brick", "thickness_mm": 102, "lambda_w_mk": 0.77},
        {"name": "render", "thickness_mm": 18, "lambda_w_mk": 0.50},
    ]
}


def walls(**named: dict[str, object]) -> Settings:
    return build({"walls": named}, "test")


def test_a_bridged_wall_by_the_combined_method():
    """D5: upper limit 1.0647, lower 0.9979, R 1.0313, U 0.970; BS EN ISO 6946:2017 6.7.2."""
    found = wall_build_ups.layered("d5", walls(d5=BLOCK_CAVITY).walls["d5"], TABLES)
    assert (found.upper, found.lower) == pytest.approx((1.06470, 0.99787), abs=5e-6)
    assert found.u_value == pytest.approx(0.9697, abs=5e-5)


def test_a_brick_wall_and_a_rainscreen_before_it():
    """A2: published 1.85; behind ventilated air the outside surface counts as a sheltered one."""
    brick = wall_build_ups.layered("a2", walls(a2=BRICK).walls["a2"], TABLES)
    assert brick.u_value == pytest.approx(1.85, abs=0.015)
    screen = [
        *BRICK["layers"],
        {"name": "air", "thickness_mm": 50, "air": "ventilated"},
        {"name": "cladding", "thickness_mm": 20, "lambda_w_mk": 0.13},
    ]
    clad = wall_build_ups.layered("c", walls(c={"layers": screen}).walls["c"], TABLES)
    assert clad.total - brick.total == pytest.approx(0.13 - 0.04, abs=1e-12)


def test_air_layers_follow_the_printed_table():
    """BS EN ISO 6946:2017 Table 8 as printed at http://www.100gon.de/?p=233; lines between rows."""
    printed = {5: 0.11, 7: 0.13, 10: 0.15, 15: 0.17, 25: 0.18, 50: 0.18, 100: 0.18, 300: 0.18}
    for mm, resistance in printed.items():
        assert wall_build_ups.air_resistance(mm / 1000.0, TABLES) == resistance
    assert wall_build_ups.air_resistance(0.0125, TABLES) == pytest.approx(0.16, abs=1e-12)


def test_the_cavities_of_other_tables_have_the_resistance_of_the_air_table():
    own = wall_build_ups.air_resistance(0.050, TABLES)
    layers = TABLES.table("wall_layers").filter(pl.col("layer") == "air space")
    assert layers["resistance_m2k_w"].to_list() == [own] * 2
    cavity = TABLES.table("junction_walls").filter(
        pl.col("name") == "cavity", pl.col("construction") == "cavity_unfilled"
    )
    assert 0.050 / cavity["lambda_w_mk"][0] == pytest.approx(own, rel=1e-4)


def test_a_home_takes_the_u_value_of_the_build_up_it_names():
    own = walls(gable=BRICK)
    names = ["gable", "gable", None]
    stock = drawn.stock(
        np.random.default_rng(3), 3, wall_build_up=names, u_existing_w_m2k=[None, 1.1, None],
        wall_insulation=["none"] * 3,
    )  # fmt: skip
    found = homes.describe(stock, TABLES, own).to_dicts()
    u = wall_build_ups.layered("gable", own.walls["gable"], TABLES).u_value
    assert found[0]["u_existing_w_m2k"] == u
    assert (found[0]["u_value_source"], found[0]["u_value_grade"]) == ("build-up gable", "B")
    assert (found[1]["u_existing_w_m2k"], found[1]["u_value_source"]) == (1.1, "stock list")
    assert found[2]["u_value_source"].startswith("default")
    assert "wall U-value" not in (found[0]["estimated_inputs"] or "")


def test_the_sheet_shows_both_limits_of_a_build_up():
    own = walls(d5=BLOCK_CAVITY)
    base = basis(TABLES, own)
    stock = drawn.stock(np.random.default_rng(3), 1, wall_build_up=["d5"], wall_insulation=["none"])
    home = assessed(stock, base).row(0, named=True)
    said = {step.what: step for step in explain.sheet(home, base)}
    assert said["Upper limit of the resistance"].value == pytest.approx(1.06470, abs=5e-6)
    assert said["Lower limit of the resistance"].value == pytest.approx(0.99787, abs=7e-6)
    assert said["Wall U-value today"].column == "u_existing_w_m2k"
    assert said["Wall U-value today"].value == pytest.approx(home["u_existing_w_m2k"], rel=1e-14)


@pytest.mark.parametrize(
    ("layer", "words"),
    [
        ({"thickness_mm": 10}, "needs lambda_w_mk, or air"),
        ({"thickness_mm": 10, "air": "still", "lambda_w_mk": 1.0}, "and not both"),
        ({"thickness_mm": 10, "lambda_w_mk": 1.0, "bridge_share": 0.1}, "needs both bridge_share"),
        ({"thickness_mm": -1, "lambda_w_mk": 1.0}, r"walls\.w\.layers\.0\.thickness_mm"),
    ],
)
def test_layers_that_do_not_hold_are_refused(layer, words):
    with pytest.raises(SettingsError, match=words):
        walls(w={"layers": [{"name": "x", **layer}]})


@pytest.mark.parametrize(
    ("layers", "words"),
    [
        ([{"name": "air", "thickness_mm": 400, "air": "still"}], "thicker than 300 mm"),
        ([{"name": "air", "thickness_mm": 40, "air": "ventilated"}], "no layer inside"),
        ([{"name": "wool", "thickness_mm": 100, "lambda_w_mk": 0.035, "bridge_share": 0.01,
           "bridge_lambda_w_mk": 50.0}], "compute the wall in two dimensions"),
    ],
)  # fmt: skip
def test_walls_beyond_the_method_are_refused(layers, words):
    own = walls(w={"layers": layers})
    with pytest.raises(SettingsError, match=words):
        wall_build_ups.layered("w", own.walls["w"], TABLES)


def test_a_build_up_that_the_settings_lack_is_told(tmp_path, call):
    heading = "Ref,Prop Type,Age,Floor Area,Wall Type,Wall build-up\n"
    (tmp_path / "list.csv").write_text(f"{heading}T1,House,1934,85,Solid brick,gable\n")
    (tmp_path / "own.toml").write_text(
        "[walls.brick]\nlayers = [{ name = 'b', thickness_mm = 215, lambda_w_mk = 0.6 }]\n"
    )
    run = ("run", tmp_path / "list.csv", "--store", tmp_path / "s.duckdb", "--out", tmp_path)
    said = call(*run, "--settings", tmp_path / "own.toml")
    assert said.code == 2
    assert "Home T1 has wall build-up 'gable'" in said.err
    assert "Described: brick. Add [walls.gable]" in said.err


SEMI = {"built_form": ["semi_detached"], "property_type": ["house"], "storeys": [2.0],
        "floor_area_m2": [90.0], "wall_construction": ["solid_brick"], "postcode": ["SW9 1AA"],
        "construction_year": [1930.0], "window_area_m2": [14.4], "glazing": ["double_2002"],
        "loft_insulation_mm": [200.0], "wall_insulation": ["none"],
        "wall_thickness_mm": [230.0]}  # fmt: skip
LENGTHS = ("jamb", "head", "sill", "base", "eaves", "neighbour", "corner")


def semi(settings: Settings | None = None, **changes: object) -> dict[str, object]:
    """A semi-detached house with no junction length listed, described."""
    listed = SEMI | {f"{name}_length_m": [None] for name in LENGTHS}
    listed |= {name: [value] for name, value in changes.items()}
    stock = drawn.stock(np.random.default_rng(1), 1, **listed)
    return homes.describe(stock, TABLES, settings or Settings()).to_dicts()[0]


def test_a_front_that_is_refused_by_hand():
    """Sides of sqrt(45) m, 5 m high; the gable blank, 14.4 m2 of windows and two doors of 1.85 m2.

    Own assumptions of exposed_perimeter_share.csv; half of windows and doors to front and rear.
    """
    home = semi(walls_refused="front")
    side = math.sqrt(45.0)
    gable = side * 5.0
    front = (3.0 * side * 5.0 - 14.4 - 2 * 1.85 - gable) / 2.0
    areas = [home[f"{wall}_wall_area_m2"] for wall in ("front", "rear", "gable")]
    assert areas == pytest.approx([front, front, gable], rel=1e-12)
    assert home["treated_wall_area_m2"] == pytest.approx(front + gable, rel=1e-12)
    assert home["untreated_wall_area_m2"] == pytest.approx(front, rel=1e-12)
    assert home["treatable_share"] == pytest.approx((front + gable) / (2 * front + gable))
    own = {name: home[f"{name}_length_m"] for name in (*LENGTHS, "edge")}
    assert own == pytest.approx(
        {
            "jamb": 5 * 2 * 1.2 + 2 * 2.05, "head": 5 * 1.2 + 0.9, "sill": 5 * 1.2,
            "base": 2 * side, "eaves": side, "neighbour": 5.0, "corner": 5.0, "edge": 5.0,
        },
        rel=1e-12,
    )  # fmt: skip
    assert (home["treated_walls"], home["wall_parts_source"]) == ("rear, gable", "split by form")
    assert (home["treatable_share_source"], home["treatable_share_grade"]) == (
        "walls refused; areas: split by form", "C",
    )  # fmt: skip


@pytest.mark.parametrize(
    ("form", "refused", "treated", "corners", "edges"),
    [
        ("mid_terrace", "front", "rear", 0.0, 0.0),
        ("detached", "gable", "front, rear", 0.0, 20.0),
        ("detached", "front_gable", "rear", 0.0, 10.0),
        ("end_terrace", "rear", "front, gable", 5.0, 5.0),
        ("end_terrace", "front_rear", "gable", 0.0, 10.0),
        ("end_terrace", "none", "all", 10.0, 0.0),
    ],
)
def test_corners_and_edges_by_form(form, refused, treated, corners, edges):
    home = semi(built_form=form, walls_refused=refused)
    assert home["treated_walls"] == treated
    assert (home["corner_length_m"], home["edge_length_m"]) == (corners, edges)
    sums = home["treated_wall_area_m2"] + home["untreated_wall_area_m2"]
    assert sums == pytest.approx(home["wall_area_m2"], rel=1e-12)


def test_listed_areas_count_and_what_is_lacking_is_split():
    parts = {"front_wall_area_m2": 20.0, "rear_wall_area_m2": 22.0, "gable_wall_area_m2": 30.0}
    home = semi(walls_refused="rear", wall_area_m2=65.0, **parts)
    assert (home["wall_area_m2"], home["treated_wall_area_m2"]) == (72.0, 50.0)
    assert (home["treatable_share_grade"], home["wall_area_grade"]) == ("B", "B")
    assert home["wall_area_source"] == "stock list: front, rear and gable walls"
    home = semi(walls_refused="rear", wall_area_m2=72.0, front_wall_area_m2=20.0)
    areas = [home[f"{wall}_wall_area_m2"] for wall in ("front", "rear", "gable")]
    assert areas[0] == 20.0
    assert sum(areas) == pytest.approx(72.0, rel=1e-12)
    assert home["wall_parts_source"] == "stock list in part, else split by form"
    share = semi(treatable_share=0.8, **parts)
    assert share["treated_wall_area_m2"] == pytest.approx(0.8 * 72.0)
    assert share["treated_walls"] == "80 % of the walls"


RESULTS = ("plane_heat_loss_reduction_w_k", "heat_saved_kwh_per_year", "cost_gbp",
           "thickness_mm", "junction_heat_loss_reduction_w_k", "co2_saved_lifetime_t")  # fmt: skip


def _figures(home: dict[str, object], base: assess.Basis) -> dict[str, object]:
    described = pl.DataFrame([home], infer_schema_length=None)
    typed = homes.describe(drawn.stock(np.random.default_rng(1), 1), TABLES, Settings())
    frame = described.cast({c: t for c, t in typed.schema.items() if c in described.columns})
    return next(iter(assess.assess(frame, base))).to_dicts()[0]


def test_a_refused_front_saves_what_the_other_walls_alone_would():
    """The same home whose treatable part is rear and gable, the edge an end at a neighbour's."""
    base, parts = basis(TABLES), {"front_wall_area_m2": 20.0, "rear_wall_area_m2": 22.0,
                                  "gable_wall_area_m2": 30.0}  # fmt: skip
    refused = semi(walls_refused="front", **parts)
    lengths = {f"{name}_length_m": refused[f"{name}_length_m"] for name in LENGTHS}
    lengths["neighbour_length_m"] += refused["edge_length_m"]
    alone = semi(treatable_share=52.0 / 72.0, wall_area_m2=72.0, **lengths)
    one, other = (_figures(home, base) for home in (refused, alone))
    assert [one[k] for k in RESULTS] == pytest.approx([other[k] for k in RESULTS], rel=1e-12)
    assert one["system"] == other["system"] is not None
    whole = _figures(semi(**parts), base)
    assert one["heat_saved_kwh_per_year"] < whole["heat_saved_kwh_per_year"]
    assert one["works_gbp"] < whole["works_gbp"]


def test_the_edge_ends_the_insulation_even_where_the_neighbour_carries_on():
    ended, continued = (
        basis(TABLES, build({"details": {"neighbour": how}}, "test")).junctions
        for how in ("ended", "continued")
    )
    edge, neighbour = ended.junctions.index("edge"), ended.junctions.index("neighbour")
    assert (continued.psi_after[:, edge] == ended.psi_after[:, neighbour]).all()
    assert (continued.psi_after[:, edge] != continued.psi_after[:, neighbour]).any()


def test_the_sheet_names_the_refused_wall():
    base = basis(TABLES)
    home = _figures(semi(walls_refused="front"), base) | {"data_grade": "C"}
    steps = explain.sheet(home, base)
    assert explain.check(home, steps).agrees
    step = next(s for s in steps if s.column == "treated_wall_area_m2")
    assert step.formula.startswith("t_front × A_front + ")
    assert any(s.row == "edge, ended" for s in steps)


def test_words_of_a_list(tmp_path, call):
    heading = "Ref,Prop Type,Age,Floor Area,Wall Type,Built Form,Walls refused,Front wall area\n"
    rows = [
        "T1,House,1934,85,Solid brick,Semi,Front elevation,",
        'T2,House,1934,85,Solid brick,Semi,"gable, rear",21 m2',
        "T3,House,1934,85,Solid brick,Semi,All walls,",
        "T4,House,1934,85,Solid brick,Semi,the nice one,",
    ]
    (tmp_path / "list.csv").write_text(heading + "\n".join(rows) + "\n")
    said = call("run", tmp_path / "list.csv", "--store", tmp_path / "s.duckdb", "--out", tmp_path)
    assert said.code == 0
    found = {row["home_id"]: row for row in pl.read_csv(tmp_path / "ranking.csv").to_dicts()}
    assert found["T1"]["treated_walls"] == "rear, gable"
    assert (found["T2"]["treated_walls"], found["T2"]["treated_wall_area_m2"]) == ("front", 21.0)
    assert found["T3"]["reason"] == "no wall area may be treated"
    assert found["T4"]["reason"] == "held: Walls refused 'the nice one' could not be read"


def test_every_wall_has_a_row_of_its_nation_or_says_whose_it_borrows(tmp_path):
    """All nations, constructions, insulations and bands that a stock list can hold."""
    postcodes = {"england_wales": "HX1 1AA", "scotland": "EH1 1AA", "northern_ireland": "BT1 1AA"}
    walls = ("solid brick", "cavity", "filled cavity", "stone granite", "stone sandstone", "cob",
             "timber frame", "system built")  # fmt: skip
    asked = list(itertools.product(postcodes, walls, ("none", "ewi", "cwi"), "ABCDEFGHIJKLM"))
    lines = [
        f"H{n},{postcodes[nation]},house,{band},80,{wall},{insulation}"
        for n, (nation, wall, insulation, band) in enumerate(asked)
    ]
    head = "Property Ref,Postcode,Property Type,Age,Floor Area,Wall Construction,Wall Insulation"
    (tmp_path / "list.csv").write_text("\n".join([head, *lines]))
    listed = stock.ingest(stock.Inputs(tmp_path / "list.csv"), {}).accepted
    held = homes.describe(listed, TABLES, Settings())
    assert held.height == len(asked)
    assert held["u_existing_w_m2k"].is_between(0.1, 3.5).all()
    own = TABLES.table("wall_u_by_age").filter(pl.col("u_w_m2k").is_not_null())
    keys = set(own.select("nation", "construction", "insulation", "band").iter_rows())
    for row in held.iter_rows(named=True):
        filled = row["wall_insulation"] == "filled_cavity" and row["wall_construction"] == "cavity"
        wall = "filled_cavity" if filled else row["wall_construction"]
        faced = row["wall_insulation"] in ("external", "internal")
        has = (row["nation"], wall, "added_50" if faced else "none", row["age_band"]) in keys
        borrowed = homes.BORROWED in row["u_value_source"]
        assert borrowed == (not has and "by thickness" not in row["u_value_source"]), row
        assert (row["u_value_grade"] == "D") == borrowed
        assert ("of another nation's table" in (row["estimated_inputs"] or "")) == borrowed
    spread = TABLES.table("input_spread")
    for name in homes.GRADED:  # else a run of such homes would stop
        assert set(held[f"{name}_grade"]) <= set(spread.filter(input=name)["grade"]), name


def test_the_depth_of_a_reveal_is_one_figure():
    depth = TABLES.table("junction_dimensions").filter(name="reveal_depth")["value"][0]
    taken = TABLES.table("take_off").filter(pl.col("item").str.starts_with("reveal_board"))
    assert set(taken["per"]) == {depth}
