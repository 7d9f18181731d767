"""The chosen option against brute force: every option of the table on every home.

`assess.choose` reckons only options that bounds cannot rule out. Here each of all options is put on
every home in turn and `assess.figures` prices it, so that nothing is left out beforehand.
"""

from typing import NamedTuple

import numpy as np
import polars as pl
import pytest

from pipeline import assess, homes, reference
from pipeline.options import rates
from pipeline.settings import Settings, Works

from . import drawn

HOMES = 2000
FINISH_MM = 12.0  # adhesive and render; the build-up a clearance must leave room for


class Chosen(NamedTuple):
    """Prepared homes, the choice, and cost per tonne [home, option], inf where not allowed."""

    homes: pl.DataFrame
    choice: pl.DataFrame
    base: assess.Basis
    per_tonne: np.ndarray


@pytest.fixture(scope="module")
def chosen() -> Chosen:
    settings = Settings(works=Works(target_u_w_m2k=0.30, thickness_most_mm=200.0))
    base = assess.basis(reference.load(), settings, rates.read(settings.cost))
    prepared = assess.prepare(homes.describe(_stock(), base.reference, base.settings), base)
    prepared = prepared.filter(pl.col("excluded").is_null())
    choice = assess.choose(prepared, base)
    per_tonne = np.column_stack(
        [_per_tonne(prepared, option, base) for option in base.options.iter_rows(named=True)]
    )
    return Chosen(prepared, choice, base, per_tonne)


def _stock() -> pl.DataFrame:
    """Homes with heights on both sides of the limit and clearances at, below and above boards."""
    rng = np.random.default_rng(2000)
    kinds = drawn.stock(rng, HOMES)["property_type"].to_list()
    flat = np.isin(kinds, ["flat", "maisonette"])
    height = np.where(rng.random(HOMES) < 0.5, rng.uniform(3.0, 10.9, HOMES), 0.0)
    height = np.where(flat & (rng.random(HOMES) < 0.6), rng.choice([11.0, 18.0], HOMES), height)
    room = rng.choice([72.0, 92.0, 112.0, 111.9, 132.0, 152.0, 212.0, 60.0, 900.0], HOMES)
    unknown_room = rng.random(HOMES) < 0.5
    measured = np.where(rng.random(HOMES) < 0.1, rng.uniform(300.0, 600.0, HOMES), 0.0)
    return drawn.stock(
        np.random.default_rng(2000),
        HOMES,
        building_height_m=[value or None for value in height.tolist()],
        clearance_mm=[None if u else v for u, v in zip(unknown_room, room.tolist(), strict=True)],
        measured_htc_w_k=[value or None for value in measured.tolist()],
        heating=rng.choice(["gas_condensing_boiler", "electric_direct", "heat_network"], HOMES),
        treatable_share=rng.uniform(0.3, 1.0, HOMES),
    )


def _per_tonne(prepared: pl.DataFrame, option: dict[str, object], base: assess.Basis) -> np.ndarray:
    """Cost per lifetime tonne of one option on every home; inf where it is not allowed."""
    beside = prepared.with_columns(pl.lit(option[n]).alias(n) for n in assess.CHOICE)
    figures = assess.figures(beside, base)
    room = pl.col("clearance_mm").is_null() | (
        pl.lit(option["thickness_mm"]) + FINISH_MM <= pl.col("clearance_mm")
    )
    fire = ~pl.col("needs_non_combustible") | pl.lit(option["non_combustible"])
    reaches = pl.col("u_after_w_m2k") <= base.settings.works.target_u_w_m2k
    allowed = figures.select(room & fire & reaches).to_series().to_numpy()
    per_tonne = figures["cost_per_lifetime_tonne_gbp"].to_numpy()
    assert np.all(per_tonne > 0.0)
    return np.where(allowed, per_tonne, np.inf)


@pytest.mark.parametrize("tall", [False, True], ids=["any-fire-class", "non-combustible"])
@pytest.mark.parametrize("tight", [False, True], ids=["room-enough", "clearance"])
def test_choice_is_the_cheapest_per_tonne_of_all_options(
    chosen: Chosen, tall: bool, tight: bool
) -> None:
    """Same option wherever one is cheapest; of equals to 1e-12, one of the equals."""
    member = chosen.homes["needs_non_combustible"] == tall
    member &= chosen.homes["clearance_mm"].is_not_null() == tight
    picked = np.flatnonzero(member.to_numpy())
    assert len(picked) >= 150
    position = {
        (row["system"], row["thickness_mm"]): i
        for i, row in enumerate(chosen.base.options.iter_rows(named=True))
    }
    reached = 0
    for home in picked:
        own = chosen.choice.row(int(home), named=True)
        least = chosen.per_tonne[home].min()
        if np.isinf(least):
            assert own["system"] is None
            assert own["reason"]
            continue
        reached += 1
        assert own["reason"] is None
        column = position[own["system"], own["thickness_mm"]]
        assert chosen.per_tonne[home, column] <= least * (1.0 + 1e-12)
    assert reached >= 100


def test_homes_without_an_option_are_among_those_drawn(chosen: Chosen) -> None:
    """The comparison covers refusals too, and more than one system wins."""
    none = np.isinf(chosen.per_tonne).all(axis=1)
    assert none.sum() >= 20
    assert chosen.choice["system"].is_null().to_numpy().tolist() == none.tolist()
    assert chosen.choice["system"].n_unique() >= 3


def test_homes_with_and_without_junctions_are_among_those_drawn(chosen: Chosen) -> None:
    """Every wall of the junction table but the unfilled cavity, which is screened out, and none."""
    walls = {*chosen.base.junctions.walls, None} - {"cavity_unfilled"}
    assert set(chosen.homes["junction_wall"]) == walls
    assert chosen.homes["junction_lengths_source"].n_unique() >= 2


def test_junctions_change_the_choice(chosen: Chosen) -> None:
    """Without them another option would be best for some homes: the comparison covers them."""
    without = chosen.homes.with_columns(pl.lit(None, pl.String).alias("junction_wall"))
    plain = assess.choose(without, chosen.base).select("system", "thickness_mm")
    changed = plain.with_row_index().join(
        chosen.choice.select("system", "thickness_mm").with_row_index(),
        on=["index", "system", "thickness_mm"],
        how="anti",
        nulls_equal=True,
    )
    assert changed.height >= 50
