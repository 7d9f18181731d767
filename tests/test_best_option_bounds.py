"""Bounds rule out only what cannot be a home's best: the choice is that of every option."""

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline import assess, reference
from pipeline.options import rates
from pipeline.physics import convex
from pipeline.settings import Climate, Settings

from . import every_option

HOMES = 50_000


@pytest.mark.parametrize("method", ["balance_point", "fixed_base"])
def test_choice_is_that_of_every_option_reckoned_exactly(method):
    """The same option, the first of equals, and the same reason, home by home and by class."""
    settings = Settings(climate=Climate(method=method))
    base = assess.basis(reference.load(), settings, rates.read(settings.cost))
    some = every_option.draw(np.random.default_rng(50_000), HOMES, base)
    bounded, full = assess.choose(some, base), every_option.choose(some, base)
    assert bounded.equals(full)
    found = full.filter(pl.col("system").is_not_null())
    assert found["system"].n_unique() >= 3
    assert full.filter(pl.col("system").is_null()).height > 1000
    for fire in (False, True):
        for tight in (False, True):
            kind = (pl.col("needs_non_combustible") == fire) & (pl.col("tight") == tight)
            assert found.filter(kind).height > 1000
    assert set(found["junction_wall"]) == {*base.junctions.walls, None} - {"cavity_unfilled"}


def test_of_options_alike_the_first_in_the_table_is_chosen():
    """An option listed twice ties with itself to the last bit."""
    base = assess.basis(reference.load(), Settings(), rates.read(Settings().cost))
    some = every_option.draw(np.random.default_rng(3), 2000, base)
    allowed = np.ones((some.height, 8), dtype=bool)
    before = some["heat_loss_before_w_k"].to_numpy()[:, None]
    lost = before * np.tile(np.linspace(0.5, 0.9, 4), 2)
    price = np.tile(np.random.default_rng(4).uniform(5e3, 2e4, (some.height, 4)), 2)
    bounded = assess._ratios(some, lost, price, allowed, base)
    assert (bounded.argmin(axis=1) < 4).all()
    assert ((bounded == bounded.min(axis=1, keepdims=True)).sum(axis=1) >= 2).all()


@given(
    st.lists(st.floats(-5.0, 5.0), min_size=3, max_size=3),
    st.lists(st.floats(0.0, 1.0), min_size=1, max_size=9),
    st.integers(3, 7),
)
def test_a_convex_function_lies_between_its_bounds(shape, places, count):
    """|x - a|, a parabola and an exponential, summed with a line."""
    middle, line, power = shape

    def curve(x: np.ndarray) -> np.ndarray:
        return np.abs(x - middle) + (x - middle) ** 2 + line * x + np.exp(power * x)

    nodes = np.linspace(0.0, 1.0, count)[None, :]
    at = np.array([places])
    low, high = convex.bounds(nodes, curve(nodes), at)
    margin = 1e-9 * np.abs(curve(nodes)).max()
    assert (low - margin <= curve(at)).all()
    assert (curve(at) <= high + margin).all()
