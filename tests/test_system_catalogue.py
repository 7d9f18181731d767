"""The catalogue of systems is the user's: swapped in whole, checked in words, kept in the store."""

import polars as pl
import pytest

from pipeline import assess, reference, stock
from pipeline.errors import SettingsError
from pipeline.options import catalogue, rates
from pipeline.published import open_run
from pipeline.run import run
from pipeline.settings import Settings, Works
from tests.conftest import DEMO_STOCK

DEMO = DEMO_STOCK.with_name("system_catalogue.csv")


def with_file(path) -> reference.Reference:
    return catalogue.with_catalogue(reference.load(), Works(system_catalogue=str(path)))


def test_the_demo_catalogue_takes_the_place_of_the_generic_one():
    tables = with_file(DEMO)
    assert tables.version == reference.load().version
    base = assess.basis(tables, Settings(), rates.read(Settings().cost))
    assert set(base.options["system"]) == {"eps_graphite", "mineral_wool"}
    own = base.options.filter(pl.col("thickness_mm") == 100.0, pl.col("system") == "mineral_wool")
    # certificate of the invented board: lambda 0.036, 8 fixings of 0.002 W/K, 13 mm of render
    assert own["r_insulation_m2k_w"][0] == pytest.approx(0.1 / 0.036)
    assert own["delta_u_w_m2k"][0] == pytest.approx(0.016)
    assert own["build_up_mm"][0] == 113.0
    assert own["non_combustible"][0]  # A2-s1,d0
    assert all("invented" in said for said in tables.table(catalogue.TABLE)["source"])


@pytest.mark.parametrize(
    ("column", "value", "words"),
    [
        ("lambda_design_w_mk", "0.029", "below the declared one"),
        ("lambda_design_w_mk", "31", "junctions are solved for"),
        ("lambda_design_w_mk", "0.061", "junctions are solved for 0.018 to 0.06 W/mK"),
        ("lambda_design_w_mk", "nan", "which cannot be"),
        ("thicknesses_mm", "10 50", "from 20 to 200 mm"),
        ("thicknesses_mm", "50 220", "from 20 to 200 mm"),
        ("thicknesses_mm", "50 nan", "thicknesses rising"),
        ("mu", "-1", "has mu = -1, which cannot be"),
        ("mu", "", "has nothing in mu"),
        ("mu", "wet", "not a number"),
        ("reaction_to_fire", "safe", "a class of BS EN 13501-1"),
        ("reaction_to_fire", "A2", "a class of BS EN 13501-1"),
        ("thicknesses_mm", "100 50", "thicknesses rising"),
        ("thicknesses_mm", "ten", "thicknesses rising"),
        ("system", "mineral_wool", "is there twice"),
        ("checked", "sure", "the mark 'sure'"),
        ("source", "", "has nothing in source"),
    ],
)
def test_a_row_that_cannot_be_used_is_refused_by_line(tmp_path, column, value, words):
    table = pl.read_csv(DEMO, infer_schema=False)
    first = pl.int_range(pl.len()) == 0
    path = tmp_path / "own.csv"
    table.with_columns(
        pl.when(first).then(pl.lit(value)).otherwise(column).alias(column)
    ).write_csv(path)
    with pytest.raises(SettingsError, match=words):
        with_file(path)


def test_a_catalogue_without_column_row_or_file_is_refused(tmp_path):
    table, path = pl.read_csv(DEMO, infer_schema=False), tmp_path / "own.csv"
    table.drop("chi_w_k").write_csv(path)
    with pytest.raises(SettingsError, match="no column chi_w_k"):
        with_file(path)
    table.clear().write_csv(path)
    with pytest.raises(SettingsError, match="has no row"):
        with_file(path)
    with pytest.raises(SettingsError, match="does not exist"):
        with_file(tmp_path / "none.csv")


def test_a_system_without_a_rate_is_named(tmp_path):
    path = tmp_path / "own.csv"
    pl.read_csv(DEMO, infer_schema=False).with_columns(
        system=pl.col("system").replace("eps_graphite", "aerogel")
    ).write_csv(path)
    with pytest.raises(SettingsError, match="no rate for 'insulation_board' of 'aerogel'"):
        assess.basis(with_file(path), Settings(), rates.read(Settings().cost))


def test_the_store_keeps_the_catalogue_of_its_run(tmp_path):
    """Opened again without the file: same systems, same prices, same figures."""
    few = tmp_path / "few.csv"
    pl.read_csv(DEMO_STOCK, infer_schema=False).head(60).write_csv(few)
    own = tmp_path / "own.csv"
    own.write_bytes(DEMO.read_bytes())
    settings = Settings(works=Works(system_catalogue=str(own)))
    store = tmp_path / "own.duckdb"
    made = run(stock.Inputs(few), store, tmp_path / "out", settings)
    own.unlink()
    opened = open_run(store)
    assert set(opened.base.options["system"]) == {"eps_graphite", "mineral_wool"}
    again = assess.prepare(made.ranking.drop(assess.ADDED, strict=False), opened.base)
    chosen = assess.choose(again, opened.base)
    assert chosen["system"].equals(made.ranking["system"])
    assert made.account["system_catalogue_sha256"] != opened.account["rate_book_sha256"]
