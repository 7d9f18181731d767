"""Junctions: psi and f_Rsi against a second solver, by physical sense, and the committed table."""

import json
import random
from dataclasses import replace
from itertools import pairwise

import numpy as np
import polars as pl
import pytest

from pipeline import junction_catalogue as catalogue
from pipeline import reference
from pipeline.errors import ReferenceTableError
from pipeline.physics import junctions, wall
from pipeline.physics.conduction import Solid, graded, solve
from pipeline.physics.junctions import Insulation
from tests.second_solver import coupling

BOARD = Insulation(0.090, 0.031)
INSULATED = {"jamb": "reveal_20", "head": "reveal_20", "sill": "reveal_20"}
DETAILS, WALLS = catalogue.details(), catalogue.walls()
TABLE = catalogue.load()


def built(wall_name, name, variant, board=BOARD):
    return junctions.build(WALLS[wall_name], DETAILS, name, variant, board)


def psi_of(junction):
    return junctions.solved(junction, DETAILS).psi


def test_wall_u_is_that_of_the_plane_wall_in_the_pipeline():
    finish = reference.load().constant("finish_resistance")
    for existing in WALLS.values():
        before = junctions.wall_u(existing, None, DETAILS)
        after = wall.u_after(before, BOARD.thickness / BOARD.conductivity, finish, 0.0)
        assert junctions.wall_u(existing, BOARD, DETAILS) == pytest.approx(after, rel=1e-5)


@pytest.mark.parametrize(
    ("wall_name", "name", "variant", "board"),
    [
        ("solid_brick_215", "jamb", "bare", BOARD),
        ("cavity_unfilled", "head", "reveal_20", BOARD),
        ("stone_500", "sill", "before", None),
        ("stone_500", "eaves", "not_joined", Insulation(0.160, 0.022)),
        ("solid_brick_215", "base", "carried_below", BOARD),
        ("no_fines_250", "neighbour", "ended", BOARD),
    ],
)
def test_a_second_solver_finds_the_same(wall_name, name, variant, board):
    """Quadratic finite elements on another mesh: psi and f_Rsi within 1 %."""
    junction = built(wall_name, name, variant, board)
    ours = junctions.solved(junction, DETAILS)
    heat, coldest = coupling(junction.model, "inside")
    assert ours.psi == pytest.approx(heat - junction.plane_loss, rel=0.01)
    assert ours.f_rsi_heat == pytest.approx(coldest, rel=0.01)


@pytest.mark.parametrize(("name", "variant"), list(junctions.AFTER))
def test_heat_is_kept_and_the_cut_is_far_enough(name, variant):
    """In less out is nothing; psi is the same with the cut half as far again, within 1 %."""
    far = replace(DETAILS, cut_off=1.5 * DETAILS.cut_off, cut_off_multiple=4.5)
    near = junctions.build(WALLS["solid_brick_215"], DETAILS, name, variant, BOARD)
    wide = junctions.build(WALLS["solid_brick_215"], far, name, variant, BOARD)
    found = junctions.solved(near, DETAILS)
    assert found.solution.imbalance() < 1e-9
    assert psi_of(wide) == pytest.approx(found.psi, rel=0.01, abs=0.001)


def test_beyond_the_junction_the_wall_is_a_plane_one():
    """At the cut through the wall the inside surface has 1 - U x Rsi, in plan as upright."""
    for name, point in (
        ("jamb", lambda m, t: (min(m.edges(0)), t)),
        ("corner", lambda m, t: (max(m.edges(0)), t)),
        ("neighbour", lambda m, t: (max(m.edges(0)), t)),
        ("eaves", lambda m, t: (t, min(m.edges(1)))),
        ("base", lambda m, t: (t, max(m.edges(1)))),
        ("head", lambda m, t: (t, max(m.edges(1)))),
        ("sill", lambda m, t: (t, min(m.edges(1)))),
    ):
        junction = built("solid_brick_215", name, "before", None)
        solution = solve(junction.model, graded(junction.model, 0.02, 1.4))
        x, y = point(junction.model, WALLS["solid_brick_215"].thickness)
        expected = 1.0 - junction.u_wall * DETAILS.inside
        assert solution.at(x, y) == pytest.approx(expected, abs=0.002), name


def test_the_brick_wall_has_the_u_value_that_homes_of_solid_brick_have():
    """SAP 2012 Table S6: 1.7 W/m2K, solid brick without insulation of the oldest band."""
    table = (
        reference.load()
        .table("wall_u_by_age")
        .filter(nation="england_wales", construction="solid_brick", insulation="none", band="A")
    )
    existing = junctions.wall_u(WALLS["solid_brick_215"], None, DETAILS)
    assert existing == pytest.approx(table["u_w_m2k"].item(), abs=0.001)


def test_the_ground_model_agrees_with_the_slab_formula():
    """One brick on a slab: what is left over after BS EN ISO 13370 is near nothing beside it."""
    junction = built("solid_brick_215", "base", "before", None)
    assert abs(psi_of(junction)) < 0.02 * junction.plane_loss


def test_without_a_party_wall_a_continued_wall_has_no_psi():
    """A party wall that lets nothing through leaves the plane wall, and half its own strip."""
    sealed = replace(DETAILS, party_conductivity=1e-9, lining_conductivity=1e-9)
    bare = junctions.build(WALLS["solid_brick_215"], sealed, "neighbour", "continued", BOARD)
    assert 0.0 < psi_of(bare) < bare.u_wall * (DETAILS.party_thickness / 2.0 + 0.02)
    junction = built("solid_brick_215", "neighbour", "before", None)
    solution = junctions.solved(junction, DETAILS).solution
    assert solution.heat_flow("inside") == pytest.approx(solution.heat_flow("neighbour"))


def test_psi_referred_outside_is_the_same_heat():
    """Both systems of dimensions give one coupling: psi + U x length."""
    found = junctions.solved(built("solid_brick_215", "corner", "unbroken"), DETAILS)
    longer = 2.0 * (WALLS["solid_brick_215"].thickness + BOARD.thickness)
    outside = junctions.to_other_length(found.psi, found.u_wall, longer)
    assert outside + found.u_wall * longer == pytest.approx(found.psi)
    assert outside < 0.0 < found.psi


def test_the_frame_matters_little_to_what_is_saved():
    """Frame of 1.4 or 2.0 W/m2K: psi before less psi after moves by under 0.02 W/mK."""
    saved = []
    for conductivity in (0.13, 0.21):
        details = replace(DETAILS, frame_conductivity=conductivity)
        pair = [
            junctions.build(WALLS["solid_brick_215"], details, "jamb", "reveal_20", board)
            for board in (None, BOARD)
        ]
        before, after = (junctions.solved(junction, details).psi for junction in pair)
        saved.append(before - after)
    assert abs(saved[0] - saved[1]) < 0.02


def test_every_solid_of_every_junction_carries_heat():
    """No rectangle of no size or of no conductivity, in any wall, before or after."""
    for case in catalogue.cases()[::7]:
        for region in case.build(WALLS, DETAILS).model.regions:
            assert region.x[0] < region.x[1]
            assert region.y[0] < region.y[1]
            assert not isinstance(region, Solid) or region.conductivity > 0.0


# The committed table


def test_table_is_of_these_models_and_complete():
    card = json.loads(catalogue.MANIFEST.read_text(encoding="utf-8"))
    assert card["models"] == catalogue.fingerprint(), f"run `{catalogue.COMMAND}`"
    assert card["rows"] == TABLE.table.height == len(catalogue.cases())
    assert TABLE.table.select("psi_w_mk", "f_rsi", "f_rsi_heat").null_count().row(0) == (0, 0, 0)


def test_a_random_sample_solves_to_the_table():
    for case in random.sample(catalogue.cases(), 6):
        fresh = catalogue.row(case)
        same = TABLE.table.filter(
            pl.col("wall") == case.wall,
            pl.col("junction") == case.junction,
            pl.col("variant") == case.variant,
            pl.col("thickness_mm").eq_missing(case.thickness_mm),
            pl.col("lambda_w_mk").eq_missing(case.lambda_w_mk),
        )
        for column in ("psi_w_mk", "f_rsi", "f_rsi_heat"):
            assert same[column].item() == pytest.approx(fresh[column], rel=0.005, abs=2e-4), case


def test_a_table_that_is_not_its_manifests_is_refused(tmp_path, monkeypatch):
    other = tmp_path / "junction_table.csv"
    other.write_bytes(catalogue.TABLE.read_bytes().replace(b"jamb", b"jimb", 1))
    monkeypatch.setattr(catalogue, "TABLE", other)
    catalogue.load.cache_clear()
    with pytest.raises(ReferenceTableError, match="not the table its manifest describes"):
        catalogue.load()
    catalogue.load.cache_clear()


def wide(value):
    """The table with one column per junction and variant, rows by wall and insulation."""
    after = TABLE.table.filter(pl.col("variant") != "before")
    named = after.with_columns(pl.concat_str("junction", "variant", separator="/").alias("name"))
    return named.pivot("name", index=["wall", "thickness_mm", "lambda_w_mk"], values=value)


@pytest.mark.parametrize("opening", ["jamb", "head", "sill"])
def test_a_thicker_reveal_board_loses_less_and_is_warmer(opening):
    psi, cold = wide("psi_w_mk"), wide("f_rsi")
    ordered = [f"{opening}/{variant}" for variant in ("reveal_30", "reveal_20", "bare")]
    for less, more in pairwise(ordered):
        assert (psi[less] < psi[more]).all()
        assert (cold[less] > cold[more]).all()


def test_the_better_detail_always_loses_less_and_is_warmer():
    psi, cold = wide("psi_w_mk"), wide("f_rsi")
    for better, worse in (
        ("base/carried_below", "base/stopped_at_dpc"),
        ("eaves/joined", "eaves/not_joined"),
        ("neighbour/continued", "neighbour/ended"),
    ):
        assert (psi[better] < psi[worse]).all()
        assert (cold[better] > cold[worse]).all()


def test_insulation_warms_the_coldest_point_and_never_the_resistance_for_mould():
    table = TABLE.table
    assert (table["f_rsi_heat"] > table["f_rsi"]).all()
    before = table.filter(pl.col("variant") == "before").select(
        "wall", "junction", pl.col("f_rsi").alias("f_rsi_before")
    )
    whole = table.filter(pl.col("variant").is_in(["reveal_20", "reveal_30", "joined", "unbroken"]))
    joined = whole.join(before, on=["wall", "junction"])
    assert (joined["f_rsi"] > joined["f_rsi_before"]).all()


def test_total_loss_through_wall_and_junction_falls_with_every_insulation():
    """psi may rise, but never by more than a metre of plane wall saves."""
    table = TABLE.table
    before = table.filter(pl.col("variant") == "before").select(
        "wall", "junction", pl.col("psi_w_mk").alias("psi"), pl.col("u_wall_w_m2k").alias("u")
    )
    after = table.filter(pl.col("variant") != "before").join(before, on=["wall", "junction"])
    length = 1.0
    saved = (after["u"] - after["u_wall_w_m2k"]) * length + after["psi"] - after["psi_w_mk"]
    assert (saved > 0.0).all()


def off_grid(case, rng):
    """The same case with an insulation anywhere within the table."""
    ends = np.log(catalogue.THICKNESSES_MM)[[0, -1]], np.log(catalogue.LAMBDAS_W_MK)[[0, -1]]
    thickness, conductivity = (float(np.exp(rng.uniform(*pair))) for pair in ends)
    return replace(case, thickness_mm=thickness, lambda_w_mk=conductivity)


def test_interpolation_is_exact_at_the_table_and_within_its_stated_error_between():
    rng = np.random.default_rng()
    after = TABLE.table.filter(pl.col("variant") != "before").sample(40, seed=3)
    for found in after.iter_rows(named=True):
        key = found["wall"], found["junction"], found["variant"]
        psi, cold, heat = TABLE.after(*key, found["thickness_mm"], found["lambda_w_mk"])
        assert psi == pytest.approx(found["psi_w_mk"], abs=1e-9)
        assert cold == pytest.approx(found["f_rsi"], abs=1e-9)
        assert heat == pytest.approx(found["f_rsi_heat"], abs=1e-9)
    for case in random.sample([c for c in catalogue.cases() if c.thickness_mm], 5):
        between = off_grid(case, rng)
        fresh = catalogue.row(between)
        psi, cold, _ = TABLE.after(
            case.wall, case.junction, case.variant, between.thickness_mm, between.lambda_w_mk
        )
        assert psi == pytest.approx(fresh["psi_w_mk"], abs=catalogue.PSI_ERROR), between
        assert cold == pytest.approx(fresh["f_rsi"], abs=catalogue.F_RSI_ERROR), between


def test_outside_the_table_the_question_is_refused():
    with pytest.raises(ValueError, match="lies outside the junction table, 20 to 200"):
        TABLE.after("stone_500", "jamb", "bare", np.array([90.0, 240.0]), np.array([0.03, 0.03]))
    with pytest.raises(ValueError, match=r"W/mK lies outside"):
        TABLE.after("stone_500", "jamb", "bare", np.array([90.0]), np.array([0.015]))


def test_effect_gives_homes_their_saving():
    thickness, conductivity = np.array([90.0, 120.0]), np.array([0.031, 0.022])
    effect = TABLE.effect({**INSULATED, "corner": "unbroken"}, thickness, conductivity)
    assert effect.psi_after.shape == (len(WALLS), 4, 2)
    assert effect.psi_saved.shape == effect.f_rsi_after.shape == (len(WALLS), 4, 2)
    w, j = effect.walls.index("solid_brick_215"), effect.junctions.index("sill")
    one = TABLE.after("solid_brick_215", "sill", "reveal_20", 120.0, 0.022)
    assert effect.psi_after[w, j, 1] == pytest.approx(float(one[0]))
    assert effect.f_rsi_after[w, j, 1] == pytest.approx(float(one[1]))
    lengths = np.array([[10.0, 5.0, 5.0, 10.0], [0.0, 0.0, 0.0, 1.0]])
    saved = lengths @ effect.psi_saved[w]
    assert saved.shape == (2, 2)
    assert saved[1] == pytest.approx(effect.psi_saved[w, 3])


def test_every_insulation_of_the_catalogue_is_in_the_table():
    systems = reference.load().table("insulation_systems")
    conductivity = systems["lambda_design_w_mk"].to_numpy()
    stocked = [float(t) for text in systems["thicknesses_mm"] for t in text.split()]
    lambdas, thicknesses = catalogue.LAMBDAS_W_MK, catalogue.THICKNESSES_MM
    assert lambdas[0] <= conductivity.min() <= conductivity.max() <= lambdas[-1]
    assert thicknesses[0] <= min(stocked) <= max(stocked) <= thicknesses[-1]


def test_homes_find_their_wall():
    homes = pl.DataFrame(
        [
            ("solid_brick", "none", 220.0, "solid_brick_215"),
            ("solid_brick", "none", None, "solid_brick_215"),
            ("solid_brick", "none", 340.0, "solid_brick_328"),
            ("stone_granite", "none", 500.0, "stone_500"),
            ("cavity", "none", 250.0, "cavity_unfilled"),
            ("cavity", "filled_cavity", 250.0, "cavity_filled"),
            ("filled_cavity", "none", None, "cavity_filled"),
            ("system_built", "none", 250.0, "no_fines_250"),
            ("timber_frame", "none", 150.0, None),
        ],
        schema=["wall_construction", "wall_insulation", "wall_thickness_mm", "expected"],
        orient="row",
    )
    found = homes.select(catalogue.wall_of(reference.load())).to_series()
    assert found.to_list() == homes["expected"].to_list()
