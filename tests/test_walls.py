"""Fixings and air voids, wall build-ups, least thickness, walls that may not be treated."""

import numpy as np
import polars as pl
import pytest

from pipeline import assess, explain, homes, reference
from pipeline.errors import ReferenceTableError
from pipeline.options import catalogue, rates
from pipeline.physics import wall
from pipeline.reference import Reference
from pipeline.settings import Settings
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


def test_options_left_out_never_win_with_pins_and_voids():
    """The choice with dominated options dropped is the choice among all of them."""
    base = basis(tables(**PIN, air_voids=1.0))
    stock = drawn.stock(np.random.default_rng(10211), 120)
    prepared = assess.prepare(homes.describe(stock, base.reference, base.settings), base)
    kept = assess.choose(prepared, base)
    original = catalogue.undominated
    try:
        catalogue.undominated = lambda table, psi, thickness_matters: table
        every = assess.choose(prepared, base)
    finally:
        catalogue.undominated = original
    assert kept.equals(every)
    assert kept["system"].count() > 40


def test_the_sheet_shows_pins_and_voids():
    base = basis(tables(**PIN, air_voids=1.0))
    found = assessed(drawn.stock(np.random.default_rng(7), 60), base)
    home = found.filter(pl.col("system").is_not_null()).row(0, named=True)
    home |= dict.fromkeys(("treated_walls",), home.get("treated_walls"))
    steps = explain.sheet(home, base)
    assert explain.furthest(home, steps) < 1e-12
    said = {step.what: step for step in steps}
    assert "Fixings" not in said
    assert said["Fixings without declared χ, and air voids"].value > 0.01
    least = said["Least stocked thickness for U = 0.3"]
    assert least.value == home["least_thickness_mm"]
    assert float(least.working.split(" ")[0]) <= least.value
