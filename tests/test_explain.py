"""The sheet of one home: every step, and agreement with what the store holds."""

import re

import polars as pl
import pytest

from pipeline import explain


def test_every_stored_figure_of_every_kind_of_home_is_reached(demo):
    sample = demo.ranking.group_by("wall_construction", "property_type", "fuel", "reason").first()
    assert sample.height > 40
    for home in sample.iter_rows(named=True):
        assert explain.furthest(home, explain.sheet(home, demo.base)) < 1e-12


def test_the_products_on_the_sheet_come_out(demo):
    """Recompute simple lines of the printed sheet from its own text, to the digits printed."""
    home = demo.ranking.row(0, named=True)
    checked = 0
    for step in explain.sheet(home, demo.base):
        working = step.working.removesuffix(f", {demo.base.worth.lifetime_years} years")
        if re.fullmatch(r"[\d.e+\-*/() x]+", working):
            assert eval(working.replace("x", "*")) == pytest.approx(step.value, rel=3e-6)
            checked += 1
    assert checked >= 15


def test_degree_days_lines_come_out(demo):
    home = demo.ranking.row(0, named=True)
    lines = [s for s in explain.sheet(home, demo.base) if s.what.startswith("Degree-days ")]
    months = [s for s in lines if s.formula.startswith("T_b")]
    assert len(months) == 16
    import math

    for step in months:
        figures = dict(re.findall(r"(\w+) = (-?[\d.]+)", step.working))
        x = float(figures["T_b"]) - float(figures["T_e"])
        days, k = float(figures["N"]), float(figures["k"])
        assert step.value == pytest.approx(days * x / (1 - math.exp(-k * x)), rel=1e-4)


def test_the_command_prints_the_sheet(demo, demo_folder, call):
    home = demo.ranking.row(0, named=True)
    said = call("explain", home["home_id"], "--store", demo_folder / "demo.duckdb")
    assert said.code == 0
    assert explain.show(home["cost_gbp"]) in said.out
    assert "Every stored figure agrees with this sheet" in said.out
    assert "It approves nothing" in said.out


def test_a_home_that_is_not_ranked_is_explained_as_far_as_it_goes(demo, demo_folder, call):
    home = demo.ranking.filter(pl.col("reason").is_not_null()).row(0, named=True)
    said = call("explain", home["home_id"], "--store", demo_folder / "demo.duckdb")
    assert said.code == 0
    assert "Not ranked:" in said.out
    assert "Savings" not in said.out


def test_an_unknown_home(demo_folder, call):
    said = call("explain", "NOPE", "--store", demo_folder / "demo.duckdb")
    assert (said.code, "No home 'NOPE'" in said.err) == (2, True)
