"""Every figure a run can use is listed with its source, its mark and what stands in its place."""

import polars as pl
import pytest

from pipeline import evidence, reference
from pipeline.options import rates
from pipeline.settings import Settings, build


@pytest.fixture(scope="module")
def listed() -> pl.DataFrame:
    return evidence.figures_in_use(reference.load(), Settings(), rates.read(Settings().cost))


def test_every_number_of_every_table_is_listed_once(listed):
    tables = reference.load().tables
    numbers = sum(
        table[column].count()
        for name, table in tables.items()
        for column in table.columns[1:]
        if name != "confirmed" and column != "layer_no" and table.schema[column] == pl.Float64
    )
    own = ["settings", "rate_book"]
    words = pl.col("figure").is_in(evidence._VALUES)
    assert listed.filter(~pl.col("table").is_in(own), ~words).height == numbers
    assert set(listed["table"]) == set(tables) - {"confirmed"} | set(own)
    assert listed["source"].str.len_chars().min() > 0
    assert set(listed["checked"]) <= {*reference.MARKS, evidence.GIVEN}


def test_a_row_keeps_value_unit_source_and_mark(listed):
    row = listed.filter(pl.col("row") == "hitchin_k").to_dicts()[0]
    assert (row["value"], row["unit"], row["checked"]) == ("0.71", "1/K", "memory")
    assert "TM41" in row["source"]
    units = dict(zip(listed["figure"], listed["unit"], strict=True))
    assert units["lambda_design_w_mk"] == "W/mK"
    assert units["chi_w_k"] == "W/K"
    target = listed.filter(pl.col("row") == "works.target_u_w_m2k").to_dicts()[0]
    assert (target["value"], target["unit"]) == ("0.3", "W/m2K")
    default = listed.filter(pl.col("table") == "stock_defaults", pl.col("row") == "glazing")
    assert default["value"].to_list() == ["double_2002"]


def test_rows_raised_from_memory_are_seen_now_and_name_the_page(listed):
    confirmed = reference.load().table("confirmed")
    raised = listed.filter(pl.col("confirmed") != "")
    keys = set(zip(raised["table"], raised["row"], strict=True))
    assert keys == set(zip(confirmed["table_name"], confirmed["row_name"], strict=True))
    assert set(raised["checked"]) == {"seen"}
    assert set(confirmed["first_mark"]) == {"memory"}


def test_what_the_user_gives_is_marked_and_stands_in_its_place():
    own = build(
        {
            "prices": {"unit_rates_p_per_kwh": {"mains_gas": 6.9}},
            "walls": {
                "gable": {"layers": [{"name": "brick", "thickness_mm": 215, "lambda_w_mk": 0.6}]}
            },
            "savings": {"in_use_reduction": 0.2, "in_use_basis": "meters of our own pilot"},
        },
        "test",
    )
    found = evidence.figures_in_use(reference.load(), own, rates.read(own.cost))
    gas = found.filter(pl.col("row").str.starts_with("mains_gas price_"))
    assert set(gas["replaced_by"]) == {"prices.unit_rates_p_per_kwh.mains_gas"}
    mine = {r["row"]: r for r in found.filter(pl.col("table") == "settings").to_dicts()}
    assert mine["prices.unit_rates_p_per_kwh.mains_gas"]["checked"] == evidence.GIVEN
    assert mine["walls.gable.layers.1.thickness_mm"]["value"] == "215"
    assert mine["savings.in_use_reduction"]["source"] == "meters of our own pilot"
    assert mine["savings.comfort_share"]["checked"] == "memory"
    assert mine["works.target_u_w_m2k"]["checked"] == "assumed"


def test_invented_rates_are_assumed_and_the_rest_given(listed):
    book = listed.filter(pl.col("table") == "rate_book")
    assert set(book.filter(pl.col("row").str.starts_with("vat_"))["checked"]) == {evidence.GIVEN}
    assert set(book.filter(~pl.col("row").str.starts_with("vat_"))["checked"]) == {"assumed"}


def test_the_command_with_and_without_a_store(demo_folder, tmp_path, call):
    said = call("sources", "--out", tmp_path / "figures.csv")
    assert (said.code, "Figures by mark" in said.out) == (0, True)
    shipped = pl.read_csv(tmp_path / "figures.csv", infer_schema=False)
    said = call(
        "sources", "--store", demo_folder / "demo.duckdb", "--mark", "memory",
        "--out", tmp_path / "run.csv",
    )  # fmt: skip
    assert (said.code, "hitchin_k" in said.out) == (0, True)
    assert pl.read_csv(tmp_path / "run.csv", infer_schema=False).equals(shipped)
    said = call("sources", "--mark", "sure")
    assert (said.code, "'sure' is no mark" in said.err) == (2, True)
