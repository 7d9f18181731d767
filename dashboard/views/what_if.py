"""What if: thickness, insulant, prices, weather, budget and target changed, and what moves."""

from typing import Any

import polars as pl
import streamlit as st

from dashboard import charts, data, tables, words
from dashboard.views import common
from pipeline import appraisal, claims, programme, scenarios
from pipeline.published import Published
from pipeline.settings import Settings

_COLUMNS = (
    "system_label", "thickness_mm", "homes", "homes_allowed", "u_after_mean_w_m2k",
    "heat_saved_kwh_per_year", "fuel_saved_kwh_per_year", "expected_fuel_saved_kwh_per_year",
    "bill_saved_gbp_per_year", "expected_bill_saved_gbp_per_year", "co2_saved_lifetime_t",
    "cost_gbp", "cost_per_lifetime_tonne_gbp", "marginal_cost_gbp",
    "marginal_heat_kwh_per_year", "marginal_cost_per_lifetime_tonne_gbp",
)  # fmt: skip

_FUELS = {"mains_gas": "Gas price [p/kWh]", "electricity": "Electricity price [p/kWh]"}


@common.guarded
def page() -> None:
    """The page: changed settings in; curves by thickness and what moves in the programme out."""
    key, run = data.opened()
    common.head(
        "What if?",
        "For the analyst: the same calculation with other settings, beside the run as published.",
        run,
    )
    settings, thicknesses = _controls(run)
    if settings is None:
        st.info("Choose at least one insulant.")
        return
    _curves(data.by_thickness(key, settings, thicknesses, run))
    _moves(run, settings, data.ranking_under(key, settings, run))


def _run_values(run: Published) -> dict[str, Any]:
    """What each control holds under the run's own settings, by its key."""
    base, reference = run.base.settings, run.base.reference
    return {
        "systems": list(base.works.systems or data.labels(run)),
        "drawn": (20, 200),
        "thickest": base.works.thickness_most_mm,
        **{fuel: appraisal.unit_rate(reference, base, fuel).value for fuel in _FUELS},
        "shift": base.climate.temperature_shift_c,
        "target": base.works.target_u_w_m2k,
        "budget": float(base.budget_gbp),
    }


def _reset(values: dict[str, Any]) -> None:
    """Put the run's own values into the controls; taken out, a browser would send its old ones."""
    st.session_state.update(values)


def _controls(run: Published) -> tuple[Settings | None, list[float]]:
    now, names = _run_values(run), data.labels(run)
    systems = st.multiselect(
        "Insulants", list(names), now["systems"], format_func=names.__getitem__, key="systems",
        persist_state="session",
    )  # fmt: skip
    boards, prices, year, money = st.columns(4)
    low, high = boards.slider(
        "Thicknesses drawn [mm]", 20, 200, now["drawn"], 10, key="drawn", persist_state="session",
        help="The curves only; what may be chosen is limited below.",
    )  # fmt: skip
    wanted: dict[str, Any] = {
        "works.thickness_most_mm": _slider(
            boards, "Thickest board allowed [mm]", (20.0, 200.0), now["thickest"],
            step=10.0, format="%.0f", key="thickest", help="Limits what may be chosen for a home.",
        ),
        **_prices(run, prices),
        "climate.temperature_shift_c": _slider(
            year, "Warmer or colder year [degC]", (-3.0, 3.0), now["shift"],
            step=0.25, format="%+.2f", key="shift",
            help="Added to every month's outside temperature.",
        ),
        "works.target_u_w_m2k": _slider(
            year, "Wall U-value to reach [W/m2K]", (0.15, 0.7), now["target"],
            step=0.01, format="%.2f", key="target",
            help="A home is ranked only where an option reaches this or less.",
        ),
        "budget_gbp": common.budget(run, money),
    }  # fmt: skip
    money.button("Back to the run's settings", on_click=_reset, args=(now,), width="stretch")
    if not systems:
        return None, []
    if set(systems) != set(now["systems"]):
        wanted["works.systems"] = systems
    return _changed(run, wanted), [float(mm) for mm in range(low, high + 1, 10)]


def _slider(
    place: Any, label: str, ends: tuple[float, float], now: float, **rest: Any
) -> float:  # fmt: skip
    """A slider that also reaches the run's own setting where that lies outside the usual ends."""
    low, high = min(ends[0], now), max(ends[1], now)
    value: float = place.slider(label, low, high, now, persist_state="session", **rest)
    return value


def _prices(run: Published, place: Any) -> dict[str, Any]:
    made = {}
    for fuel, label in _FUELS.items():
        now = appraisal.unit_rate(run.base.reference, run.base.settings, fuel)
        value = place.number_input(
            label, 0.01, 200.0, now.value, 0.5, format="%.2f", key=fuel, persist_state="session",
            help="Unit rate; standing charges are not saved. The run's price:"
            f" {words.plain(now.source)} ({now.checked}).",
        )  # fmt: skip
        if value != now.value:
            made[f"prices.unit_rates_p_per_kwh.{fuel}"] = value
    return made


def _changed(run: Published, wanted: dict[str, Any]) -> Settings:
    settings = run.base.settings
    for name, value in wanted.items():
        settings = scenarios.with_setting(settings, name, value)
    return settings


def _curves(table: pl.DataFrame) -> None:
    st.header("By thickness and insulant")
    st.caption(
        "Every home the screens leave in, with one insulant in one thickness throughout."
        " Lifetime CO2 and heat saved are modelled."
    )
    left, right = st.columns(2)
    left.plotly_chart(charts.saving_by_thickness(table), key="saving",
                      alt="Modelled heat saved against thickness")  # fmt: skip
    right.plotly_chart(charts.next_tonne_by_thickness(table), key="next_tonne",
                       alt="Cost of one more lifetime tonne against thickness")  # fmt: skip
    shown = table.select(_COLUMNS)
    with st.expander("The figures behind the curves"):
        common.table(shown, pinned=("system_label", "thickness_mm"))
        common.download("Download this table", shown, "whatif.csv")


def _moves(run: Published, settings: Settings, ranking: pl.DataFrame) -> None:
    st.header("What moves in the funded programme")
    before = common.affordable(run, run.base.settings.budget_gbp)
    still_open = claims.still_open(ranking, data.met_before(run))
    after = programme.affordable(still_open, settings.budget_gbp)
    beside = tables.compared(programme.totals(before), programme.totals(after))
    left, right = st.columns([3, 2])
    with left:
        _beside(beside)
    with right:
        gained, lost = scenarios.gained_and_lost(before, after)
        one, other = st.columns(2)
        one.metric("Homes entering", f"{len(gained):,}")
        other.metric("Homes leaving", f"{len(lost):,}")
        _named("Entering", ranking, gained)
        _named("Leaving", run.ranking, lost)
    st.caption(words.SAVINGS)


def _beside(beside: pl.DataFrame) -> None:
    rows = [
        {
            "What": words.plain(words.title(row["name"])),
            "The run": words.figure(row["name"], row["before"]),
            "What if": words.figure(row["name"], row["after"]),
            "Difference": words.figure(row["name"], row["difference"], sign=True),
        }
        for row in beside.iter_rows(named=True)
    ]
    with st.container(key="beside"):
        st.table(pl.DataFrame(rows), border="horizontal", hide_index=True)


def _named(what: str, ranking: pl.DataFrame, homes: list[str]) -> None:
    st.markdown(f"**{what}**")
    if not homes:
        st.caption("No home.")
        return
    shown = ranking.filter(pl.col("home_id").is_in(homes))
    common.table(shown.select("home_id", "address", "rank", "cost_gbp"), rows=5)
