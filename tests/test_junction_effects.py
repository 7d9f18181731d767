"""Junctions in the saving of a home: lengths, sum, cap, reveals, mould and better details."""

import math

import numpy as np
import polars as pl
import pytest

from pipeline import assess, homes, junction_catalogue, reference
from pipeline.options import rates, screens
from pipeline.settings import Details, Settings
from tests.published import by_hand, drawn

TABLES = reference.load()
PSI = by_hand.junction_psi()
LENGTHS = [f"{name}_length_m" for name in by_hand.JUNCTIONS]
JUNCTION = "junction_heat_loss_reduction_w_k"
BRICK = {"built_form": "semi_detached", "property_type": "house", "storeys": 2.0,
         "floor_area_m2": 90.0, "wall_construction": "solid_brick", "postcode": "SW9 1AA",
         "construction_year": 1930.0, "window_area_m2": 14.4, "treatable_share": 0.8,
         "glazing": "double_2002", "loft_insulation_mm": 200.0, "wall_insulation": "none",
         "floor_position": None, "wall_thickness_mm": 230.0}  # fmt: skip
NONE_LISTED = dict.fromkeys(LENGTHS)
TOLERANCE = 1e-9


def basis(**details):
    settings = Settings(details=Details(**details))
    return assess.basis(TABLES, settings, rates.read(settings.cost))


BASE = basis()


def described(*changed):
    """Homes as `BRICK` with no length listed, each with its own changes."""
    listed = [BRICK | NONE_LISTED | change for change in changed]
    columns = {name: [home.get(name) for home in listed] for name in {k for h in listed for k in h}}
    stock = drawn.stock(np.random.default_rng(1), len(listed), **columns)
    return homes.describe(stock, TABLES, Settings())


def option(system="mineral_wool", mm=90.0):
    row = BASE.options.filter(pl.col("system") == system, pl.col("thickness_mm") == mm)
    return row.to_dicts()[0]


def held(listed, base=BASE, board=None):
    """Figures of the homes with one option held, whatever the choice would be."""
    board = board or option()
    beside = [pl.lit(board[name]).alias(name) for name in assess.CHOICE]
    return assess.figures(assess.prepare(listed, base).with_columns(beside), base)


def many():
    """Homes of every form and wall, drawn at random, that may be insulated."""
    listed = homes.describe(drawn.stock(np.random.default_rng(14683), 300), TABLES, Settings())
    prepared = assess.prepare(listed, BASE)
    return listed.filter(prepared["excluded"].is_null())


def test_lengths_of_the_list_win_and_are_marked():
    full = {name: 3.0 + place for place, name in enumerate(LENGTHS)}
    part = {"jamb_length_m": 7.5, "corner_length_m": 0.0}
    found = described(full, part, {}).to_dicts()
    estimates = {f"{n}_length_m": v for n, v in by_hand.estimated_lengths(found[2]).items()}
    for home, given in zip(found, (full, part, {}), strict=True):
        own = {name: home[name] for name in LENGTHS}
        assert own == pytest.approx(estimates | given, rel=TOLERANCE)
    assert [home["junction_lengths_source"] for home in found] == [
        "stock list",
        "stock list in part, else estimated from form, storeys and openings",
        "estimated from form, storeys and openings",
    ]


def test_estimated_lengths_by_hand():
    """Semi-detached, 45 m2 a storey, ten windows of 1.44 m2, two doors, 80 % treated.

    Assumptions of the tool: constants.csv and exposed_perimeter_share.csv.
    """
    home = described({}).to_dicts()[0]
    side = math.sqrt(45.0)
    whole = {
        "jamb": 10 * 2 * 1.2 + 2 * 2 * 2.05,
        "head": 10 * 1.2 + 2 * 0.9,
        "sill": 10 * 1.2,
        "base": 4 * side * 0.75,
        "eaves": 2 * side,
        "neighbour": 2 * 5.0,
        "corner": 2 * 5.0,
    }
    own = {name: home[f"{name}_length_m"] for name in whole}
    assert own == pytest.approx({n: 0.8 * v for n, v in whole.items()}, rel=TOLERANCE)


def test_flat_between_others_has_no_base_and_no_eaves():
    flat = {"property_type": "flat", "storeys": 1.0, "floor_area_m2": 60.0}
    mid, ground, top = described(
        *({**flat, "floor_position": place} for place in ("mid", "ground", "top"))
    ).to_dicts()
    assert (mid["base_length_m"], mid["eaves_length_m"]) == (0.0, 0.0)
    assert ground["base_length_m"] > 0.0 == ground["eaves_length_m"]
    assert top["eaves_length_m"] > 0.0 == top["base_length_m"]


def test_sum_by_hand_at_a_grid_point_of_the_table():
    """Mineral wool of 90 mm, 0.036 W/mK: psi is the table's own. BS EN ISO 14683: sum(psi l)."""
    lengths = dict(zip(by_hand.JUNCTIONS, (20.0, 12.0, 9.0, 14.0, 6.0, 5.0, 10.0), strict=True))
    home = held(described({f"{n}_length_m": v for n, v in lengths.items()})).to_dicts()[0]
    built = {"jamb": "reveal_20", "head": "reveal_20", "sill": "reveal_20",
             "base": "stopped_at_dpc", "eaves": "not_joined", "neighbour": "ended",
             "corner": "unbroken"}  # fmt: skip
    wall, board = "solid_brick_215", by_hand.insulation(90.0, 0.036)
    before = {name: PSI[wall, name, "before"] for name in lengths}
    after = {name: PSI[wall, name, variant, board] for name, variant in built.items()}
    total = sum((before[name] - after[name]) * length for name, length in lengths.items())
    assert total < home["bridging_heat_loss_w_k"]
    assert home[JUNCTION] == pytest.approx(total, rel=1e-6)
    plane = (home["u_existing_w_m2k"] - home["u_after_w_m2k"]) * home["treated_wall_area_m2"]
    assert home["plane_heat_loss_reduction_w_k"] == pytest.approx(plane, rel=TOLERANCE)
    assert home["heat_loss_reduction_w_k"] == pytest.approx(plane + total, rel=1e-6)
    assert home["junctions_take_back"] == pytest.approx(-total / plane, rel=1e-6)


def test_saving_at_junctions_stops_at_the_bridging_loss_counted():
    """Long heads save more than the y-value counts: only what was lost can be saved."""
    only_heads = {**dict.fromkeys(LENGTHS, 0.0), "head_length_m": 400.0}
    short = only_heads | {"head_length_m": 4.0}
    far, near = held(described(only_heads, short)).to_dicts()
    saved = PSI["solid_brick_215", "head", "before"]
    saved -= PSI["solid_brick_215", "head", "reveal_20", by_hand.insulation(90.0, 0.036)]
    assert 400.0 * saved > far["bridging_heat_loss_w_k"]
    assert far[JUNCTION] == far["bridging_heat_loss_w_k"]
    assert near[JUNCTION] == pytest.approx(4.0 * saved, rel=1e-6)


def test_loss_added_at_junctions_has_no_cap():
    """Long eaves add a loss: it is counted in full, also beyond the bridging loss of today."""
    only_eaves = {**dict.fromkeys(LENGTHS, 0.0), "eaves_length_m": 200.0}
    home = held(described(only_eaves)).to_dicts()[0]
    assert home[JUNCTION] < -home["bridging_heat_loss_w_k"]


@pytest.mark.parametrize(
    "wall",
    [
        {"wall_construction": "cob"},
        {"wall_construction": "timber_frame"},
        {"wall_insulation": "internal"},
        {"wall_insulation": "external"},
        {"wall_construction": "stone_granite", "wall_insulation": "internal"},
        {"wall_construction": "cavity", "wall_insulation": "internal"},
    ],
    ids=lambda wall: "-".join(wall.values()),
)
def test_walls_not_in_the_table_have_no_junctions(wall):
    home = held(described(wall)).to_dicts()[0]
    assert home[JUNCTION] == 0.0
    assert home["reveals_worth_kwh_per_year"] == 0.0
    assert home["heat_loss_reduction_w_k"] == home["plane_heat_loss_reduction_w_k"]
    assert home["f_rsi_least"] is None
    assert home["mould_risk_at"] is None


@pytest.mark.parametrize(
    ("wall", "row"),
    [
        ({"wall_thickness_mm": 280.0}, "solid_brick_215"),
        ({"wall_thickness_mm": 281.0}, "solid_brick_328"),
        ({"wall_thickness_mm": None}, "solid_brick_215"),
        ({"wall_construction": "cavity", "wall_insulation": "filled_cavity"}, "cavity_filled"),
        ({"wall_construction": "filled_cavity"}, "cavity_filled"),
        ({"wall_construction": "cavity"}, "cavity_unfilled"),
        ({"wall_construction": "system_built"}, "no_fines_250"),
        ({"wall_construction": "stone_granite"}, "stone_500"),
        ({"wall_construction": "stone_sandstone"}, "stone_500"),
    ],
)
def test_wall_of_the_table_that_stands_for_the_home(wall, row):
    """RdSAP 10 Table 13: solid brick above 280 mm counts as one and a half bricks."""
    listed = described(wall)
    assert assess.prepare(listed, BASE)["junction_wall"].to_list() == [row]
    home = listed.to_dicts()[0]
    own = by_hand.junction_wall(
        home["wall_construction"], home["wall_insulation"], home["wall_thickness_mm"]
    )
    assert own == row


def test_reveals_worth_is_the_difference_of_two_runs():
    listed = many()
    insulated, bare = held(listed), held(listed, basis(reveal="bare"))
    gained = insulated["heat_saved_kwh_per_year"] - bare["heat_saved_kwh_per_year"]
    worth = insulated["reveals_worth_kwh_per_year"].to_numpy()
    scale = insulated["heat_before_kwh_per_year"].to_numpy()
    assert np.all(np.abs(worth - gained.to_numpy()) <= TOLERANCE * scale)
    assert bare["reveals_worth_kwh_per_year"].to_list() == [0.0] * bare.height
    lined = insulated.select(
        pl.sum_horizontal("jamb_length_m", "head_length_m", "sill_length_m") > 0.0
    ).to_series()
    counted = (lined & (insulated[JUNCTION] < insulated["bridging_heat_loss_w_k"])).to_numpy()
    known = assess.prepare(listed, BASE)["junction_wall"].is_not_null().to_numpy()
    assert (counted & known).sum() >= 100
    assert np.all(worth[counted & known] > 0.0)


@pytest.mark.parametrize(
    "better",
    [{"base": "carried_below"}, {"eaves": "joined"}, {"neighbour": "continued"}],
    ids=str,
)
@pytest.mark.parametrize("board", [("mineral_wool", 30.0), ("pir", 90.0), ("cork", 150.0)])
def test_better_detail_never_lowers_the_saving(better, board):
    listed, chosen = many(), option(*board)
    plain, improved = held(listed, BASE, chosen), held(listed, basis(**better), chosen)
    for column in (JUNCTION, "heat_saved_kwh_per_year"):
        gained = (improved[column] - plain[column]).to_numpy()
        assert np.all(gained >= 0.0), column
        assert (gained > 0.0).sum() >= 100, column


@pytest.mark.parametrize("reveal", ["bare", "reveal_20", "reveal_30"])
def test_mould_risk_names_exactly_the_junctions_below_the_limit(reveal):
    """Least temperature factor 0.75 for dwellings: BRE IP 1/06. Absent junctions are not judged."""
    base, board = basis(reveal=reveal), option("eps_white", 60.0)
    listed = assess.prepare(many(), base)
    walls = listed["junction_wall"].to_list()
    after = junction_catalogue.load().after
    size, conductivity = np.array([board["thickness_mm"]]), np.array([board["lambda_w_mk"]])
    named = 0
    told = held(many(), base, board).pipe(screens.settle, base.settings, base.reference)
    for home, wall in zip(told.to_dicts(), walls, strict=True):
        factors = {
            name: float(after(wall, name, base.built[name], size, conductivity)[2][0])
            for name in by_hand.JUNCTIONS
            if wall is not None and home[f"{name}_length_m"] > 0.0
        }
        cold = [name for name in by_hand.JUNCTIONS if factors.get(name, 1.0) < 0.75]
        assert home["mould_risk_at"] == (", ".join(cold) or None)
        assert home["f_rsi_least"] == (min(factors.values()) if factors else None)
        named += bool(cold)
        said = f"mould risk at {', '.join(cold)}: designer to detail"
        assert (said in (home["cautions"] or "")) == bool(cold)
    assert named > 0


def test_home_without_an_option_has_no_junction_figures():
    tall = {"property_type": "flat", "storeys": 1.0, "clearance_mm": 25.0}
    home = pl.concat(assess.assess(described(tall), BASE)).to_dicts()[0]
    assert home["system"] is None
    for name in (JUNCTION, "heat_loss_reduction_w_k", "f_rsi_least", "mould_risk_at"):
        assert home[name] is None, name


def test_an_option_that_saves_nothing_is_never_chosen():
    """Small walls with long edges: some options lose more at junctions than the wall saves."""
    small = [{"treatable_share": 0.1, "base_length_m": m} for m in (30.0, 60.0, 100.0, 200.0)]
    small += [{"wall_area_m2": area, "treatable_share": 1.0} for area in (4.0, 5.0, 6.0)]
    found = pl.concat(assess.assess(described(*small), BASE))
    chosen = found.filter(pl.col("system").is_not_null())
    assert chosen.filter(pl.col("heat_saved_kwh_per_year") <= 0.0).height == 0
    assert found.filter(pl.col("system").is_null() & pl.col("reason").is_null()).height == 0


def test_never_saves_more_than_the_heat_needed():
    """A measured heat loss just above the wall's own: plane wall and junctions exceed it."""
    wall = {"wall_area_m2": 90.0, "u_existing_w_m2k": 1.7, "treatable_share": 1.0}
    wall |= {**dict.fromkeys(LENGTHS, 0.0), "head_length_m": 120.0}
    found = pl.concat(
        assess.assess(described(*({**wall, "measured_htc_w_k": w} for w in (154.0, 157.0))), BASE)
    )
    chosen = found.filter(pl.col("system").is_not_null())
    assert (chosen["heat_loss_reduction_w_k"] < chosen["heat_loss_before_w_k"]).all()
    assert (chosen["heat_saved_kwh_per_year"] <= chosen["heat_before_kwh_per_year"]).all()
