"""The run as a whole: counts, files, determinism, publishing."""

import json
import os
import subprocess
import sys
from pathlib import Path

import polars as pl
import pytest

from pipeline import outputs
from pipeline import run as running
from pipeline.columns import by_role
from pipeline.errors import StoreError
from pipeline.published import open_run
from pipeline.run import run
from pipeline.settings import Settings, build
from pipeline.stock import Inputs
from pipeline.store import Builder, Store
from tests.conftest import DEMO_STOCK, same, stock_text

REQUIRED = [
    "home_id",
    "rank",
    "system",
    "thickness_mm",
    "u_existing_w_m2k",
    "u_value_source",
    "u_after_w_m2k",
    "treated_wall_area_m2",
    "heat_loss_before_w_k",
    "heat_loss_reduction_w_k",
    "degree_days_before_k_day",
    "degree_days_after_k_day",
    "heat_saved_kwh_per_year",
    "fuel_saved_kwh_per_year",
    "co2_saved_kg_per_year",
    "bill_saved_gbp_per_year",
    "cost_gbp",
    "cost_per_lifetime_tonne_gbp",
]


def test_files_of_a_run(demo_folder, demo):
    ranking = pl.read_csv(demo_folder / "ranking.csv", infer_schema_length=None)
    account = json.loads((demo_folder / "run.json").read_text())
    rows = account["rows"]
    assert set(REQUIRED) <= set(ranking.columns)
    assert ranking.columns == [c.name for c in by_role("stock", "home", "result")]
    assert rows["read"] == rows["accepted"] + rows["quarantined"] == 2400
    assert ranking.height == rows["accepted"]
    assert pl.read_csv(demo_folder / "quarantine.csv").height == rows["quarantined"]
    assert ranking["rank"].count() == rows["ranked"] == demo.ranking["rank"].count()
    assert account["settings"] == Settings().model_dump(mode="json")
    assert set(account["seconds_per_stage"]) >= {"read and check", "assess options", "publish"}


def test_the_order_and_its_sums(demo):
    ranked = demo.ranking.filter(pl.col("rank").is_not_null())
    assert ranked["rank"].to_list() == list(range(1, ranked.height + 1))
    assert ranked["score"].is_sorted(descending=True)
    assert ranked["cumulative_cost_gbp"][-1] == pytest.approx(ranked["cost_gbp"].sum(), rel=1e-12)
    unranked = demo.ranking.filter(pl.col("rank").is_null())
    assert unranked["reason"].null_count() == 0
    assert unranked["cost_gbp"].count() == 0
    assert (ranked["u_after_w_m2k"] <= 0.30).all()
    assert (
        ranked["expected_fuel_saved_kwh_per_year"] < ranked["fuel_saved_kwh_per_year"]
    ).mean() > 0.9
    now = pl.coalesce("metered_heating_kwh_per_year", "fuel_before_kwh_per_year")
    assert ranked.select((pl.col("expected_fuel_saved_kwh_per_year") <= now).all()).item()


def test_twice_gives_the_same_bytes(demo_folder, tmp_path):
    run(Inputs(DEMO_STOCK), tmp_path / "s.duckdb", tmp_path, Settings())
    for name in ("ranking.csv", "quarantine.csv"):
        assert same((tmp_path / name).read_bytes(), (demo_folder / name).read_bytes())


def test_row_order_changes_no_home(demo, tmp_path):
    lines = pl.read_csv(DEMO_STOCK, infer_schema=False).sample(fraction=1.0, shuffle=True, seed=7)
    lines.write_csv(tmp_path / "shuffled.csv")
    run(Inputs(tmp_path / "shuffled.csv"), tmp_path / "s.duckdb", tmp_path, Settings())
    shuffled = open_run(tmp_path / "s.duckdb").ranking
    assert shuffled.drop("source_row").equals(demo.ranking.drop("source_row"))


def test_a_home_alone_has_the_figures_it_has_among_others(demo, tmp_path):
    table = pl.read_csv(DEMO_STOCK, infer_schema=False)
    for home in demo.ranking.filter(pl.col("rank").is_in([1, 400, 1200])).iter_rows(named=True):
        alone = table.with_row_index("row", offset=2).filter(pl.col("row") == home["source_row"])
        alone.drop("row").write_csv(tmp_path / "one.csv")
        run(Inputs(tmp_path / "one.csv"), tmp_path / "one.duckdb", tmp_path, Settings())
        found = open_run(tmp_path / "one.duckdb").ranking.to_dicts()[0]
        order = {"rank", "source_row", "cumulative_cost_gbp"}
        assert {k: v for k, v in found.items() if k not in order} == {
            k: v for k, v in home.items() if k not in order
        }


def test_a_failing_run_leaves_store_and_files(demo_folder, tmp_path, monkeypatch):
    store = tmp_path / "s.duckdb"
    run(Inputs(DEMO_STOCK), store, tmp_path, Settings())
    before = {p.name: p.read_bytes() for p in tmp_path.iterdir()}

    def breaks(*_: object) -> None:
        raise OSError("disk full")

    monkeypatch.setattr(running, "_in_long_form", breaks)
    with pytest.raises(OSError, match="disk full"):
        run(Inputs(DEMO_STOCK), store, tmp_path, build({"budget_gbp": 1.0}, "test"))
    assert {p.name: p.read_bytes() for p in tmp_path.iterdir()} == before


def test_an_unchecked_store_is_not_published(tmp_path):
    target = tmp_path / "s.duckdb"
    with pytest.raises(StoreError, match="lacks"), outputs.writing("run", [], {}, target) as files:  # noqa: SIM117
        with Builder.open(files.building(target)) as building:
            building.write("run", pl.DataFrame({"format": [1]}))
    assert list(tmp_path.iterdir()) == []


def test_a_store_of_another_format_is_refused(demo_folder, tmp_path):
    import duckdb

    other = tmp_path / "old.duckdb"
    other.write_bytes((demo_folder / "demo.duckdb").read_bytes())
    with duckdb.connect(str(other)) as connection:
        connection.execute("update run set format = 0")
    with pytest.raises(StoreError, match="another version"):
        Store(other)


def test_the_store_is_written_where_no_folder_was(tmp_path):
    deep = Path(tmp_path / "a" / "b" / "s.duckdb")
    stock = tmp_path / "list.csv"
    stock.write_text(stock_text())
    run(Inputs(stock), deep, tmp_path / "c" / "d", Settings())
    assert open_run(deep).account["rows"]["accepted"] == 2


def test_other_threads_give_the_same_bytes(demo_folder, tmp_path):
    """A run in a process of its own, with threads and a hash seed unlike this one's."""
    words = ["run", str(DEMO_STOCK), "--store", str(tmp_path / "s.duckdb"), "--out", str(tmp_path)]
    subprocess.run(
        [sys.executable, "-c", "from pipeline.cli import main; main()", *words],
        env=os.environ | {"POLARS_MAX_THREADS": "4", "PYTHONHASHSEED": "7"},
        check=True,
        capture_output=True,
    )
    for name in ("ranking.csv", "quarantine.csv", "quarantine.xlsx"):
        assert same((tmp_path / name).read_bytes(), (demo_folder / name).read_bytes()), name
