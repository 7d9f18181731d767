"""The demo data: reproducible, dirty in every promised way, and readable by the dictionary."""

import csv
import io
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from data_demo import dirt, faults, generate, survey, town
from pipeline.stock import casting, phrases
from tests.conftest import same
from tests.published import bill_by_hand

ROOT = Path(__file__).parents[1]
DEMO = ROOT / "data_demo"
REFERENCE = ROOT / "pipeline" / "reference"
INVENTED = "invented for the demo; replace with your own rates"


def rows_of(path: Path, delimiter: str = ",") -> list[dict[str, str]]:
    """A CSV as a list of dictionaries."""
    return list(csv.DictReader(io.StringIO(path.read_text(encoding="utf-8")), delimiter=delimiter))


@pytest.fixture(scope="module")
def made() -> tuple[pl.DataFrame, pl.DataFrame]:
    return generate.stock_list_and_faults()


@pytest.fixture(scope="module")
def listed() -> pl.DataFrame:
    """The committed file, read as the tool reads it: all text."""
    return pl.read_csv(DEMO / "stock.csv", infer_schema=False)


@pytest.fixture(scope="module")
def true_homes() -> pl.DataFrame:
    return town.clean_homes(24_000, np.random.default_rng(1))


def test_committed_list_equals_the_generator(tmp_path: Path) -> None:
    generate.write_csv(tmp_path / "stock.csv")
    made_bytes = (tmp_path / "stock.csv").read_bytes()
    assert same(made_bytes, (DEMO / "stock.csv").read_bytes())
    assert b"\r" not in made_bytes
    assert made_bytes.decode("utf-8").count("\n") == 2401


def test_same_seed_same_list_other_seed_other_list() -> None:
    first = generate.stock_list(500, 7)
    assert first.equals(generate.stock_list(500, 7))
    assert not first.equals(generate.stock_list(500, 8))
    assert first.height == 500
    assert set(first.dtypes) == {pl.String}


def test_a_list_that_stands_there_is_not_written_over(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "stock.csv").write_text("a landlord's own")
    monkeypatch.setattr("sys.argv", ["generate", "--out", str(tmp_path / "stock.csv")])
    with pytest.raises(SystemExit, match="2"):
        generate.main()
    assert "stands there already" in capsys.readouterr().err
    assert (tmp_path / "stock.csv").read_text() == "a landlord's own"


def test_too_small_a_list_is_refused() -> None:
    with pytest.raises(ValueError, match="at least 100"):
        generate.stock_list(99)


def test_headings_are_in_the_dictionary_once_each(listed: pl.DataFrame) -> None:
    column_by_heading = {
        heading: row["name"]
        for row in rows_of(ROOT / "pipeline" / "columns.csv", "|")
        if row["role"] == "stock"
        for heading in row["headings"].split(";")
    }
    column_by_heading.pop("notes")  # only what they say of the wall's insulation is kept
    known = [head.lower() for head in listed.columns if head not in generate.STRAY_HEADINGS]
    assert [head for head in known if head not in column_by_heading] == []
    assert len({column_by_heading[head] for head in known}) == len(known)
    assert len(generate.STRAY_HEADINGS) == 3
    assert not {head.lower() for head in generate.STRAY_HEADINGS} & set(column_by_heading)


WORDS_BY_COLUMN = {**dirt.WORDS_BY_COLUMN, **survey.WORDS_BY_COLUMN}


@pytest.mark.parametrize("column", WORDS_BY_COLUMN)
def test_every_word_is_understood_as_its_code(column: str) -> None:
    code_by_word = {
        row["word"].lower(): row["code"]
        for row in rows_of(ROOT / "pipeline" / "stock" / "codes.csv")
        if row["column"] == column
    }
    said = {word.lower(): code for code, ws in WORDS_BY_COLUMN[column].items() for word in ws}
    if column in phrases.TOPICS:
        read = {word: phrases.read(word, column) for word in said}
        code_by_word = {
            word: one.values.get(column) or (one.weak if column == "property_type" else None)
            for word, one in read.items()
        }
    if column == "epc_band":
        bands = pl.DataFrame({"word": list(said)}).select(casting.epc(pl.col("word")))
        code_by_word = dict(zip(said, bands.to_series(), strict=True))
    assert said == {word: code_by_word.get(word) for word in said}


def test_age_bands_start_as_in_the_reference_table() -> None:
    bands = [
        row
        for row in rows_of(ROOT / "pipeline" / "reference" / "age_bands.csv")
        if row["nation"] == "england_wales" and row["first_year"]
    ]
    expected = [int(row["first_year"]) for row in bands][: len(dirt.BAND_FIRST_YEARS)]
    assert list(dirt.BAND_FIRST_YEARS) == expected


def test_true_homes_have_the_promised_mix(true_homes: pl.DataFrame) -> None:
    def share(column: str, value: str) -> float:
        return float((true_homes[column] == value).sum()) / true_homes.height

    promised = {
        ("construction", "solid_brick"): (0.55, 0.005),
        ("construction", "system_built"): (0.12, 0.005),
        ("construction", "cavity"): (0.15, 0.005),
        ("construction", "filled_cavity"): (0.07, 0.005),
        ("construction", "timber_frame"): (0.03, 0.005),
        ("property_type", "house"): (0.78, 0.005),
        ("property_type", "bungalow"): (0.06, 0.005),
        ("wall_insulation", "external"): (0.09, 0.015),
        ("heritage", "conservation_area"): (0.04, 0.01),
    }
    wrong = {
        key: share(*key)
        for key, (about, within) in promised.items()
        if abs(share(*key) - about) > within
    }
    assert wrong == {}
    assert 0.0 < share("heritage", "listed") < 0.01
    assert share("epc_band", "D") + share("epc_band", "E") > 0.6


def test_one_front_in_twenty_of_the_conservation_area_is_refused(
    true_homes: pl.DataFrame, listed: pl.DataFrame
) -> None:
    inside = true_homes.filter(pl.col("heritage") == "conservation_area")
    assert inside.height > 500
    assert (inside["walls_refused"] == "front").mean() == pytest.approx(0.05, abs=0.001)
    assert set(true_homes["walls_refused"]) == {"front", "none"}
    refused = listed.filter(pl.col("Walls Refused").is_not_null())
    assert refused.height >= 3
    assert refused["Conservation"].str.to_lowercase().str.contains("^(ca|cons)").all()


def test_true_homes_are_possible(true_homes: pl.DataFrame) -> None:
    assert true_homes.filter(~pl.col("floor_area_m2").is_between(40, 120)).is_empty()
    assert true_homes.filter(~pl.col("wall_area_m2").is_between(15, 200)).is_empty()
    assert true_homes.filter(~pl.col("gas_kwh_per_year").is_between(5000, 20000)).is_empty()
    bare_brick = true_homes.filter(
        pl.col("construction") == "solid_brick", pl.col("wall_insulation") == "none"
    )
    assert bare_brick.filter(~pl.col("u_existing_w_m2k").is_between(1.3, 1.9)).is_empty()
    towers = true_homes.filter(pl.col("plan") == "tower")
    assert towers["building_height_m"].min() == pytest.approx(20.2)
    assert true_homes.select("street", "number").is_duplicated().sum() == 0


def test_a_wall_area_by_hand(true_homes: pl.DataFrame) -> None:
    """Mid terrace: half of a square's perimeter, two storeys of 2.5 m, less windows, ± 5 %."""
    home = true_homes.filter(
        pl.col("built_form") == "mid_terrace", pl.col("property_type") == "house"
    ).row(0, named=True)
    perimeter_m = 4 * (home["floor_area_m2"] / 2) ** 0.5
    net_m2 = perimeter_m * 0.5 * 2.5 * 2 - home["window_area_m2"]
    assert home["wall_area_m2"] == pytest.approx(net_m2, rel=0.055)


def test_a_street_is_of_like_homes(true_homes: pl.DataFrame) -> None:
    kinds = true_homes.group_by("street").agg(
        pl.col("construction", "construction_year", "property_type", "postcode").n_unique(),
        spread=pl.col("floor_area_m2").std() / pl.col("floor_area_m2").mean(),
    )
    assert kinds.select(pl.col(pl.UInt32).max()).row(0) == (1, 1, 1, 1)
    mean_spread = kinds["spread"].mean()
    assert isinstance(mean_spread, float)
    assert 0.02 < mean_spread < 0.06


PATTERNS: Mapping[str, tuple[str, str]] = {
    "tidy address": ("Address Line 1", r"^\d+ [A-Z][a-z]+ [A-Z][a-z]+, Tarnwick$"),
    "shouted address": ("Address Line 1", r"^[A-Z ]+ \d+ TARNWICK$"),
    "tidy flat": ("Address Line 1", r"^Flat \d+ [A-Z][a-z]+ [A-Z][a-z]+, Tarnwick$"),
    "shouted flat": ("Address Line 1", r"^[A-Z ]+ FLAT \d+ TARNWICK$"),
    "postcode without space": ("Post Code", r"^HX7[789]\d[A-Z]{2}$"),
    "postcode in small letters": ("Post Code", r"^hx7[789] \d[a-z]{2}$"),
    "stray spaces": ("Prop Type", r"^ .*  $"),
    "misspelt type": ("Prop Type", r"hosue|houes|bunglow|falt"),
    "misspelt form": ("Built Form", r"terrance|detatched"),
    "misspelt wall": ("Wall Type", r"solid brik|soild brick|sytem built|no fnes|caviy"),
    "misspelt heating": ("Heating", r"gas comib|storgae heaters"),
    "age as year": ("Age", r"^1[89]\d\d$"),
    "age as band letter": ("Age", r"^[A-H]$"),
    "age as band": ("Age", r"^band [A-H]$"),
    "age as range": ("Age", r"^1930-1949$"),
    "age as decade": ("Age", r"^19\d0s$"),
    "age before 1900": ("Age", r"^pre 1900$"),
    "area in sq ft": ("Floor Area", r"^\d{3} sq ft$"),
    "area in sq ft with comma": ("Floor Area", r"^1,\d{3} sq ft$"),
    "area in m2": ("Floor Area", r"^\d+ m2$"),
    "wall area in sq ft": ("Ext Wall Area", r"sq ft$"),
    "thickness in inches": ("Wall Thk", r"^9 in$"),
    "thickness in mm": ("Wall Thk", r"^\d{3}mm$"),
    "thickness in m": ("Wall Thk", r"^0\.\d+ m$"),
    "thickness bare": ("Wall Thk", r"^\d{3}$"),
    "N/K": ("Wall Thk", r"^N/K$"),
    "unknwn": ("Wall Thk", r"^unknwn$"),
    "TBC": ("Wall Thk", r"^TBC$"),
    "treatable in per cent": ("Treatable", r"^80%$"),
    "treatable as fraction": ("Treatable", r"^0\.8$"),
    "clearance in m": ("Clearance mm", r"^\d\.\d+ m$"),
    "height of towers": ("Building Height", r"^2\d\.\d$"),
    "sold homes": ("Tenure", r"Sold"),
    "listed": ("Conservation", r"Grade II|Listed"),
    "says it is invented": ("Notes", r"^Invented home"),
}


@pytest.mark.parametrize("dirt_kind", PATTERNS)
def test_each_kind_of_mendable_dirt_is_in_the_list(listed: pl.DataFrame, dirt_kind: str) -> None:
    heading, pattern = PATTERNS[dirt_kind]
    assert listed[heading].str.contains(pattern).sum() >= 3


@pytest.mark.parametrize(
    ("heading", "least", "most"),
    [
        ("Wall U", 0.22, 0.28),
        ("Ext Wall Area", 0.56, 0.64),
        ("Clearance mm", 0.04, 0.08),
        ("Gas kWh", 0.3, 0.4),
        ("EPC", 0.8, 0.9),
        ("Notes", 1.0, 1.0),
    ],
)
def test_gaps_are_as_wide_as_promised(
    listed: pl.DataFrame, heading: str, least: float, most: float
) -> None:
    filled = listed[heading].is_not_null() & (listed[heading] != "N/K").fill_null(True)
    assert least <= filled.sum() / listed.height <= most


@pytest.mark.parametrize("fault", faults.CELL_FAULTS, ids=lambda fault: fault.kind)
def test_each_cell_fault_is_planted_where_the_table_says(
    made: tuple[pl.DataFrame, pl.DataFrame], listed: pl.DataFrame, fault: faults.Fault
) -> None:
    rows = made[1].filter(pl.col("kind") == fault.kind)["source_row"] - faults.FIRST_DATA_ROW
    cells = listed[fault.heading].gather(rows)
    assert cells.len() >= 5
    assert set(cells.fill_null("")) == set(fault.words)
    if fault.houses_only:
        types = listed["Prop Type"].gather(rows).str.strip_chars().str.to_lowercase()
        assert types.is_in(["house", "hse", "hosue", "houes"]).all()
    if fault.heading != "Wall U":  # elsewhere the words of a fault stand for nothing else
        others = listed.filter(~pl.int_range(pl.len()).is_in(rows.to_list()))[fault.heading]
        same_word = others.fill_null("").is_in([word for word in fault.words if word])
        assert same_word.sum() == 0


def address_key(address: pl.Series) -> pl.Series:
    """Words of an address in any order: the street list's two styles become one."""
    words = address.str.to_lowercase().str.replace_all(r"[^a-z0-9 ]", "").str.split(" ")
    return words.list.sort().list.join(" ")


def test_homes_entered_twice(made: tuple[pl.DataFrame, pl.DataFrame], listed: pl.DataFrame) -> None:
    twins = made[1].filter(pl.col("kind") == "address_twice")
    later = listed[(twins["source_row"] - 2).to_list()]
    first = listed[(twins["first_entry_row"] - 2).to_list()]
    assert (twins["first_entry_row"] < twins["source_row"]).all()
    assert address_key(later["Address Line 1"]).equals(address_key(first["Address Line 1"]))
    assert (later["Property Ref"] != first["Property Ref"]).all()
    assert (later["Address Line 1"] == first["Address Line 1"]).sum() == 5
    assert later["UPRN"].null_count() == 10
    assert later["Post Code"].equals(first["Post Code"])
    assert later["Post Code"].null_count() == 0
    keys = address_key(listed["Address Line 1"])
    assert keys.len() - keys.n_unique() == 10


def test_refs_used_twice(made: tuple[pl.DataFrame, pl.DataFrame], listed: pl.DataFrame) -> None:
    twins = made[1].filter(pl.col("kind") == "property_ref_twice")
    later = listed[(twins["source_row"] - 2).to_list()]
    first = listed[(twins["first_entry_row"] - 2).to_list()]
    assert later["Property Ref"].equals(first["Property Ref"])
    assert (later["Address Line 1"] != first["Address Line 1"]).all()
    refs = listed["Property Ref"].drop_nulls()
    assert refs.len() - refs.n_unique() == 10


@pytest.mark.parametrize("homes", [2400, 100_000])
def test_about_one_row_in_twenty_is_beyond_mending(homes: int) -> None:
    planted = generate.stock_list_and_faults(homes)[1]
    both_entries = planted.height + planted["first_entry_row"].drop_nulls().len()
    assert 0.04 <= planted.height / homes
    assert both_entries / homes <= 0.06
    assert planted["source_row"].n_unique() == planted.height
    assert not planted["first_entry_row"].is_in(planted["source_row"].to_list()).any()
    if homes == 2400:
        assert planted.height == 119  # the number in data_demo/README.md
        assert both_entries == 139


def test_places_are_invented(listed: pl.DataFrame) -> None:
    codes = listed["Post Code"].drop_nulls().str.to_uppercase()
    assert codes.str.contains(r"^HX7[789] ?[1-9][A-Z]{2}$").all()
    assert listed["Address Line 1"].str.to_lowercase().str.contains("tarnwick").all()
    readme = (DEMO / "README.md").read_text(encoding="utf-8")
    assert "invented" in readme.splitlines()[0]


def test_names_stay_apart_in_a_list_of_a_million() -> None:
    numbers = np.arange(60_000)
    for kinds in (town.STREET_KINDS, town.BLOCK_KINDS, town.ESTATE_KINDS):
        assert len(set(town.place_names(numbers, kinds))) == 60_000


def test_rate_book_holds_every_row_with_rate_ends_and_source() -> None:
    book = rows_of(DEMO / "rate_book.csv")
    assert len({(row["item"], row["applies_to"]) for row in book}) == len(book) >= 60
    for row in book:
        assert 0 <= float(row["low"] or row["rate_gbp"]) <= float(row["rate_gbp"])
        assert float(row["rate_gbp"]) <= float(row["high"] or row["rate_gbp"])
        said = "HMRC VAT Notice 708/6" if row["item"] == "vat" else INVENTED
        assert row["source"].startswith(said)
    assert [float(r["rate_gbp"]) for r in book if r["item"] == "vat"] == [0.0, 0.05]


def test_rates_lie_in_the_published_consumer_range() -> None:
    """Board and render fitted, without scaffold, details and preparation, per m2 net wall.

    Two-storey semi-detached house, 75 m2 net wall. Evidence of cost_evidence.csv (seen): white and
    graphite EPS 80-120, mineral wool 120-170, phenolic 130-180 GBP/m2.
    """
    book = {(r["item"], r["applies_to"]): float(r["rate_gbp"]) for r in rows_of(
        DEMO / "rate_book.csv")}  # fmt: skip
    length = {"jamb": 38.0, "head": 13.8, "sill": 12.0, "base": 19.5, "eaves": 13.0,
              "corner": 10.0, "neighbour": 10.0}  # fmt: skip
    home = {
        "treated_wall_area_m2": 75.0, "property_type": "house", "storeys": 2,
        "building_height_m": None, "floor_position": None, "floor_area_m2": 85.0,
        "exposed_perimeter_m": 19.5, "treatable_share": 1.0,
    }  # fmt: skip
    evidence = {row["system"]: row for row in rows_of(REFERENCE / "cost_evidence.csv")
                if row["unit"] == "GBP/m2" and row["system"] != "all"}  # fmt: skip
    assert set(evidence) == {"eps_white", "eps_graphite", "mineral_wool", "phenolic"}
    leave_out = {"wall_preparation", "eaves_extension", *bill_by_hand.ON_COSTS,
                 *bill_by_hand.ACCESS, *bill_by_hand.COUNTS["house"]}  # fmt: skip
    for system in rows_of(REFERENCE / "insulation_systems.csv"):
        row = evidence.get(system["system"], {"low": 80, "high": 180})
        for mm in map(float, system["thicknesses_mm"].split()):
            bill = bill_by_hand.quantities(home, length, system["system"], mm)
            total = sum(
                net * (1 + waste) * bill_by_hand.rate(item, system["system"], mm, book)
                for item, (net, waste) in bill.items()
                if item not in leave_out
            )
            assert float(row["low"]) <= total / 75.0 <= float(row["high"]), (system["system"], mm)
