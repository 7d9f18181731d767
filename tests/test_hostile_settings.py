"""Settings, funds and other files a person writes: absurd or broken ones are refused in words."""

from importlib.resources import files
from pathlib import Path

import pytest

from pipeline import settings, toml_files
from pipeline.errors import SettingsError
from pipeline.programme import funds
from pipeline.stock import answers

READERS = {
    "settings": settings.read,
    "fund": funds.read,
    "means": funds.read_means,
    "map": lambda path: answers.read(columns=path),
}
LANTERN = (files("data_demo") / "fund_lantern.toml").read_text(encoding="utf-8")


@pytest.mark.parametrize("reader", READERS.values(), ids=READERS)
@pytest.mark.parametrize(
    "content",
    [
        b"\xff\xfe\x00",
        b"a = " + b"[" * 100_000,
        b"a" + b".a" * 50_000 + b" = 1",
        b"# " + b"x" * (2 << 20),
        b"budget_gbp = 1" + b"0" * 10_000,
        b"a = \x00",
        b"\x1b[2J = 1",
    ],
    ids=["utf-16", "deep list", "deep key", "large", "huge number", "zero byte", "escape"],
)
def test_a_broken_file_is_refused_in_words(reader, content, tmp_path):
    path = tmp_path / "own.toml"
    path.write_bytes(content)
    with pytest.raises(SettingsError) as told:
        reader(path)
    assert len(str(told.value)) < 2_000


@pytest.mark.parametrize("reader", READERS.values(), ids=READERS)
def test_what_is_no_readable_file_is_refused_in_words(reader, tmp_path):
    with pytest.raises(SettingsError, match="is not a file"):
        reader(tmp_path)
    with pytest.raises(SettingsError, match="is not a file"):
        reader(Path("/dev/null"))
    with pytest.raises(SettingsError, match="does not exist"):
        reader(tmp_path / "none.toml")


@pytest.mark.parametrize(
    "line",
    [
        "budget_gbp = inf",
        "budget_gbp = nan",
        "budget_gbp = true",
        'budget_gbp = "10000000"',
        "budget_gbp = 1e300",
        "prices.unit_rates_p_per_kwh.mains_gas = inf",
        "prices.unit_rates_p_per_kwh.mains_gas = 1e9",
        "appraisal.weights.carbon = inf",
        "climate.internal_temperature_c = true",
        "climate.temperature_shift_c = nan",
        "climate.heating_months = [true]",
        "savings.comfort_share = true",
        "cost.lot_homes = true",
        "cost.lot_homes = 1e300",
        "cost.installation_date = 20270601",
        "cost.installation_date = 0001-01-01",
        "works.thickness_most_mm = inf",
        "works.payback_most_years = inf",
        "works.non_combustible_from_height_m.wales = inf",
        'walls.a.layers = [{ name = "x", thickness_mm = inf, lambda_w_mk = 1 }]',
        'walls.a.layers = [{ name = "x", thickness_mm = 10, lambda_w_mk = inf }]',
    ],
)
def test_absurd_settings_are_refused(line, tmp_path):
    path = tmp_path / "own.toml"
    path.write_text(line)
    with pytest.raises(SettingsError, match=r"cannot be used"):
        settings.read(path)


@pytest.mark.parametrize(
    ("now", "then"),
    [
        ("share_of_cost = 0.70", "share_of_cost = nan"),
        ("share_of_cost = 0.70", "share_of_cost = true"),
        ("invented = true", "invented = 2"),
        ("opens = 2027", "opens = 0001"),
    ],
)
def test_absurd_funds_are_refused(now, then, tmp_path):
    assert now in LANTERN
    path = tmp_path / "fund.toml"
    path.write_text(LANTERN.replace(now, then))
    with pytest.raises(SettingsError, match=r"cannot be used|not readable"):
        funds.read(path)


def test_many_faults_are_told_shortly(tmp_path):
    path = tmp_path / "own.toml"
    path.write_text("\n".join(f"colour_{i} = 1" for i in range(1000)))
    with pytest.raises(SettingsError, match="and 990 more"):
        settings.read(path)
    with pytest.raises(SettingsError, match="a table"):
        toml_files.build(settings.Settings, {"budget_gbp": {"a": {}}}, "x")
