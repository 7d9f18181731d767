"""Settings, rate book, reference tables and the column dictionary refuse what they must."""

import tomllib
from pathlib import Path

import polars as pl
import pytest

from pipeline import appraisal, assess, reference
from pipeline.columns import dictionary
from pipeline.errors import ReferenceTableError, SettingsError
from pipeline.options import catalogue, rates
from pipeline.settings import Cost, Settings, build, read
from tests.conftest import DEMO_STOCK

RATES = DEMO_STOCK.with_name("rate_book.csv")


def test_every_reference_row_has_a_source_and_a_mark():
    tables = reference.load().tables
    assert len(tables) >= 20
    for name, table in tables.items():
        assert table["source"].str.strip_chars().str.len_chars().min() > 0, name
        assert set(table["checked"]) <= set(reference.MARKS), name


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("name,value,source\nx,1,book\n", "no column 'checked'"),
        ("name,value,source,checked\nx,1,,seen\n", "row 2: source"),
        ("name,value,source,checked\nx,1,book,sure\n", "checked 'sure'"),
        ("name,value,source,checked\nx,one,book,seen\n", "not a number"),
    ],
)
def test_reference_rows_without_source_or_mark_are_refused(text, words):
    with pytest.raises(ReferenceTableError, match=words):
        reference.read_table("t.csv", text.encode())


def test_every_constant_that_the_code_names_is_there_once():
    names = reference.load().table("constants")["name"]
    assert names.n_unique() == names.len()
    with pytest.raises(ReferenceTableError, match="0 rows named"):
        reference.load().constant("speed_of_light")


def test_settings_files(tmp_path):
    path = tmp_path / "s.toml"
    path.write_text("[works]\ntarget_u_w_m2k = 0.25\n[cost]\ninstallation_date = 2027-03-31\n")
    assert read(path).works.target_u_w_m2k == 0.25
    for text, words in (
        ("[works]\ncolour = 1\n", r"works\.colour"),
        ("[works]\ntarget_u = 0.3\n", r"target_u = 0\.3.*like target_u_w_m2k"),
        ("[works\n", "not readable as TOML"),
        ("[savings]\nin_use_reduction = 1.4\n", r"savings\.in_use_reduction = 1\.4"),
        ("[climate]\nheating_months = [0]\n", "heating_months"),
    ):
        path.write_text(text)
        with pytest.raises(SettingsError, match=words):
            read(path)
    with pytest.raises(SettingsError, match="does not exist"):
        read(tmp_path / "none.toml")


def test_the_readme_lists_every_setting():
    readme = Path("README.md").read_text(encoding="utf-8")
    block = readme.split("```toml")[1].split("```")[0]
    shown = build(tomllib.loads(block), "README.md")
    assert shown == Settings()
    groups = {k: set(v) for k, v in Settings().model_dump().items() if isinstance(v, dict)}
    assert {k: set(v) for k, v in tomllib.loads(block).items() if isinstance(v, dict)} == groups


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda t: t.filter(pl.col("item") != "prelims"), "no rate for 'prelims'"),
        (lambda t: t.with_columns(pl.lit("cheap").alias("rate_gbp")), "has rate 'cheap'"),
        (lambda t: pl.concat([t, t.head(1)]), "priced twice"),
        (lambda t: t.drop("source"), "no column source"),
        (lambda t: t.with_columns(pl.lit("-1").alias("rate_gbp")), "has rate '-1'"),
        (lambda t: t.with_columns(pl.lit("0.001").alias("high")), "lies outside"),
        (lambda t: t.with_columns(pl.lit("spring").alias("price_date")), "the date 'spring'"),
        (lambda t: t.filter(pl.col("item") != "mesh"), "no rate for 'mesh' of 'all'"),
        (lambda t: t.filter(pl.col("applies_to") != "cork"), "'insulation_board' of 'cork'"),
        (lambda t: t.filter(pl.col("applies_to") != "elsewhere"), "'location_index' of 'else"),
        (
            lambda t: t.with_columns(item=pl.col("item").replace("mesh", "mesg")),
            "Did you mean mesh",
        ),
        (
            lambda t: t.with_columns(item=pl.col("item").replace("primer", "mesh_per_10mm")),
            "mean mesh",
        ),
        (lambda t: t.with_columns(unit=pl.col("unit").replace("per kg", "per bag")), "'per bag'"),
        (lambda t: _with(t, "vat", rate_gbp="20"), "vat of 2022-04-01 is 20, over the whole"),
        (lambda t: _with(t, "prelims", high="15"), "prelims of all is 15, over the whole"),
        (lambda t: _with(t, "price_index", rate_gbp="0"), "price_index of 2025-01-01 is 0: noth"),
        (lambda t: _with(t, "location_index", rate_gbp="0"), "location_index of HX is 0: noth"),
        (lambda t: _with(t, "location_index", applies_to="hx"), "location_index of hx. Write"),
        (lambda t: _with(t, "lot_discount", applies_to="²"), "lot_discount of ². Write"),
    ],
)
def test_a_rate_book_that_lacks_something_is_refused(change, words):
    table = change(pl.read_csv(RATES, infer_schema=False))
    with pytest.raises(SettingsError, match=words):
        assess.basis(reference.load(), Settings(), rates.from_table(table, "book.csv"))


def _with(table, item, **cells):
    """The book with other cells in the first row of an item."""
    first = (pl.col("item") == item) & pl.col("item").is_first_distinct()
    return table.with_columns(
        pl.when(first).then(pl.lit(cell)).otherwise(name).alias(name)
        for name, cell in cells.items()
    )


def test_an_invented_source_is_told_first_however_few_its_rows():
    table = pl.read_csv(RATES, infer_schema=False)
    assert rates.from_table(table, "").source.endswith("your own rates (76 of 78 rows of the book)")
    own = _with(table.with_columns(source=pl.lit("tender of May")), "mesh", source="invented")
    assert rates.from_table(own, "").source == "invented (1 of 78 rows of the book)"


def test_vat_steps_on_its_day():
    book = rates.read(Cost())
    shares = [
        rates.terms(book, Cost(installation_date=day)).vat for day in ("2027-03-31", "2027-04-01")
    ]
    assert shares == [0.0, 0.05]  # HMRC VAT Notice 708/6
    with pytest.raises(SettingsError, match="no rate for 'vat' on 2021-01-01"):
        rates.terms(book, Cost(installation_date="2021-01-01"))


def test_prices_come_from_the_user_first_and_unknown_ones_are_named():
    tables = reference.load()
    own = build({"prices": {"unit_rates_p_per_kwh": {"mains_gas": 9.9}}}, "test")
    assert appraisal.unit_rate(tables, own, "mains_gas").value == 9.9
    assert appraisal.unit_rate(tables, Settings(), "mains_gas").value == 7.33
    with pytest.raises(SettingsError, match="'1999' has no price for electricity"):
        appraisal.worth(tables, build({"prices": {"period": "1999"}}, "test"))
    with pytest.raises(SettingsError, match="names no known fuel: steam"):
        appraisal.worth(tables, build({"prices": {"unit_rates_p_per_kwh": {"steam": 1}}}, "test"))


def test_the_three_carbon_bases_stay_apart():
    worth = appraisal.worth(reference.load(), Settings())
    row = worth.by_fuel.filter(pl.col("fuel") == "electricity").to_dicts()[0]
    mean = 1000.0 * row["lifetime_t_per_kwh"] / worth.lifetime_years
    assert row["reporting_kg_per_kwh"] > row["rating_kg_per_kwh"] > 3 * mean


def test_unknown_systems_are_refused():
    with pytest.raises(SettingsError, match="no known system: straw"):
        catalogue.systems_table(reference.load(), build({"works": {"systems": ["straw"]}}, "test"))


def test_columns_say_unit_and_meaning():
    for column in dictionary().values():
        assert column.label, column.name
        assert column.meaning, column.name
        assert column.source, column.name
    assert dictionary()["cost_gbp"].titled == "Cost [GBP]"
