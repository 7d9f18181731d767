"""The files of a claim: CSV, workbook and manifest, the same bytes for the same claim."""

import datetime
import hashlib
import io
import json
from pathlib import Path
from typing import Any

import polars as pl
import xlsxwriter

from pipeline import junction_effects
from pipeline.assess import Basis
from pipeline.columns import dictionary
from pipeline.errors import ClaimError
from pipeline.explain import CAUTION
from pipeline.exports import csv_bytes
from pipeline.junction_catalogue import PLACES
from pipeline.settings import Settings

EXACT = -1
"""In place of decimals: the figure as the run held it, for it is an input of others."""
LINE: dict[str, int | None] = {
    "home_id": None,
    "uprn": None,
    "address": None,
    "postcode": None,
    "system": None,
    "thickness_mm": 0,
    "u_existing_w_m2k": EXACT,
    "u_value_source": None,
    "u_after_w_m2k": 4,
    "treated_wall_area_m2": 2,
    "wall_area_source": None,
    "plane_heat_loss_reduction_w_k": 4,
    "junction_heat_loss_reduction_w_k": 4,
    "heat_loss_before_w_k": 4,
    "heat_loss_source": None,
    "heat_loss_reduction_w_k": 4,
    "region_id": 0,
    "internal_gains_w": 3,
    "solar_aperture_m2": 4,
    "degree_days_before_k_day": 3,
    "degree_days_after_k_day": 3,
    "heat_before_kwh_per_year": 2,
    "heat_saved_kwh_per_year": 2,
    "heating": None,
    "heating_source": None,
    "efficiency": EXACT,
    "fuel": None,
    "fuel_before_kwh_per_year": 2,
    "metered_heating_kwh_per_year": EXACT,
    "fuel_saved_kwh_per_year": 1,
    "expected_fuel_saved_kwh_per_year": 1,
    "co2_saved_kg_per_year": 1,
    "expected_co2_saved_kg_per_year": 1,
    "bill_saved_gbp_per_year": 2,
    "expected_bill_saved_gbp_per_year": 2,
    "lifetime_years": 0,
    "co2_saved_lifetime_t": 3,
    "insulation_gbp": 2,
    "render_gbp": 2,
    "details_gbp": 2,
    "access_gbp": 2,
    "enabling_gbp": 2,
    "prelims_gbp": 2,
    "contingency_gbp": 2,
    "on_costs_gbp": 2,
    "vat_gbp": 2,
    "cost_gbp": 2,
    "estimated_inputs": None,
    "cautions": None,
}
"""Columns of a claim line and the decimals each is rounded to; None is text."""
_MEASURES = (
    "storeys", "floor_area_m2", "volume_m3", "building_height_m", "exposed_perimeter_m",
    "wall_area_m2", "front_wall_area_m2", "rear_wall_area_m2", "gable_wall_area_m2",
    "treatable_share", "window_area_m2", "door_area_m2", "roof_area_m2", "ground_area_m2",
    "u_roof_w_m2k", "u_floor_w_m2k", "u_window_w_m2k", "u_door_w_m2k", "bridging_y_w_m2k",
    "air_changes_per_hour", "measured_htc_w_k", *(f"{name}_length_m" for name in PLACES),
    "location_index",
)  # fmt: skip
INPUTS: dict[str, int | None] = {
    **dict.fromkeys(("property_type", "floor_position", "walls_refused", "junction_wall",
                     "glazing")),
    **dict.fromkeys(_MEASURES, EXACT),
}  # fmt: skip
"""Further columns of a line: what its figures are reckoned from, besides those of LINE."""
TOTALLED = tuple(
    name
    for name in LINE
    if name.startswith(("fuel_saved", "expected", "co2_saved", "bill_saved", "cost", "treated"))
)
NAMES = ("claim.csv", "claim.xlsx", "claim.json")


def method(chosen: pl.DataFrame, base: Basis) -> list[dict[str, str]]:
    """What the claim rests on: settings, constants, factors and climate one by one, then every
    table by source. With the lines and `tables` it recomputes every figure.

    Each row has name, value, unit, source and mark; the order is fixed.
    """
    return [
        *_settings(base),
        *(_row(name.replace("_", " "), _exact(value), *cited)
          for name, value, *cited in base.reference.table("constants").select(
              "name", "value", "unit", "source", "checked").iter_rows()),
        *_fuels(chosen, base),
        *_systems(chosen, base),
        *_climate(chosen, base),
        *(_row(f"rate: {item} {applies_to}", rate, unit, source, "rate book")
          for item, applies_to, unit, rate, source in base.book.table.select(
              "item", "applies_to", "unit", "rate_gbp", "source").iter_rows()),
        *(_row(f"table {name}", f"{n} figures", "", source, checked)
          for name, table in base.reference.tables.items()
          if name not in ("constants", "fuel_factors")
          for source, checked, n in table.group_by("source", "checked", maintain_order=True)
          .len().iter_rows()),
    ]  # fmt: skip


def tables(chosen: pl.DataFrame, base: Basis) -> dict[str, list[dict[str, Any]]]:
    """Tables a line is reckoned from, row by row: rates, take-off, counts, glazing, junctions."""
    options = chosen.select("system", "thickness_mm").unique()
    systems = base.reference.table("insulation_systems")
    own = {
        "rate_book": base.book.table,
        "bill_items": base.pricing.bill,
        "take_off": base.reference.table("take_off"),
        "insulation_systems": systems.join(options, on="system", how="semi"),
        **{name: base.reference.table(name) for name in ("enabling_counts", "glazing")},
    }
    junctions = {"junctions": _junctions(chosen, base)}
    return {name: table.to_dicts() for name, table in own.items()} | junctions


def _junctions(chosen: pl.DataFrame, base: Basis) -> list[dict[str, Any]]:
    """psi before and after of every junction with each wall and option of the claim."""
    found, place = base.junctions, {wall: w for w, wall in enumerate(base.junctions.walls)}
    options = base.options.select("system", "thickness_mm").with_row_index("_o")
    used = junction_effects.with_wall(chosen, base.reference).select(
        "junction_wall", "system", "thickness_mm"
    )
    pairs = used.drop_nulls().unique().join(options, on=["system", "thickness_mm"])
    return [
        {
            "wall": wall, "system": system, "thickness_mm": thickness, "junction": name,
            "psi_before_w_mk": float(found.psi_before[place[wall], j]),
            "psi_after_w_mk": float(found.psi_after[place[wall], j, o]),
            "source": "BS EN ISO 10211:2017, own table", "checked": "derived",
        }
        for wall, system, thickness, o in pairs.sort(pairs.columns).iter_rows()
        for j, name in enumerate(found.junctions)
    ]  # fmt: skip


def _settings(base: Basis) -> list[dict[str, str]]:
    """The settings by which figures were reckoned, each marked by itself as the user's or ours."""
    own, ours = base.settings, Settings()
    savings, climate, chosen, cost = own.savings, own.climate, own.appraisal, own.cost
    months = ", ".join(map(str, climate.heating_months))
    shown: list[tuple[str, object, object, str, str]] = [
        ("in use reduction", savings.in_use_reduction, ours.savings.in_use_reduction, "-",
         savings.in_use_basis),
        ("comfort share", savings.comfort_share, ours.savings.comfort_share, "-",
         savings.comfort_basis),
        ("method of degree-days", climate.method, ours.climate.method, "",
         "CIBSE TM41:2006, Hitchin's formula"),
        ("inside temperature", climate.internal_temperature_c,
         ours.climate.internal_temperature_c, "degC", "mean of the heated day and night"),
        ("fixed base", climate.fixed_base_c, ours.climate.fixed_base_c, "degC",
         "base temperature of published degree-days"),
        ("temperature shift", climate.temperature_shift_c, ours.climate.temperature_shift_c, "K",
         "added to every month"),
        ("months counted", months, ", ".join(map(str, ours.climate.heating_months)), "",
         "the heating season"),
        ("guarantee of 25 years", chosen.guarantee_25_years, ours.appraisal.guarantee_25_years, "",
         "decides the lifetime"),
        ("first year of savings", chosen.first_year, ours.appraisal.first_year, "year", "settings"),
        ("reporting year", chosen.reporting_year, ours.appraisal.reporting_year, "year",
         "settings"),
        ("date of installation", cost.installation_date, ours.cost.installation_date, "",
         "decides VAT"),
        ("date of prices", cost.price_date or base.book.newest, base.book.newest, "",
         "the newest date of the rate book where none is set"),
        ("homes treated together", cost.lot_homes, ours.cost.lot_homes, "homes", "lot discount"),
    ]  # fmt: skip
    bases = {ours.savings.in_use_basis, ours.savings.comfort_basis}
    return [
        _row(name, _exact(value), unit, basis, "memory")
        if value == default
        else _row(name, _exact(value), unit,
                  "the user's, no basis given" if basis in bases else basis, "the user's settings")
        for name, value, default, unit, basis in shown
    ]  # fmt: skip


def _exact(value: object) -> str:
    """A figure with all its digits, without an empty decimal; other values as text."""
    return repr(value).removesuffix(".0") if isinstance(value, float) else str(value)


def _fuels(chosen: pl.DataFrame, base: Basis) -> list[dict[str, str]]:
    """Price, reporting factor and appraisal factor over the life of each fuel of the claim."""
    rows = []
    fuels = base.worth.by_fuel.filter(pl.col("fuel").is_in(sorted(set(chosen["fuel"]))))
    for r in fuels.iter_rows(named=True):
        name = r["fuel"].replace("_", " ")
        cited = (r["reporting_source"], r["reporting_checked"])
        rows.append(_row(f"{name}, reporting factor", repr(r["reporting_kg_per_kwh"]),
                         "kgCO2e/kWh", *cited))  # fmt: skip
        cited = (r["price_source"], r["price_checked"])
        rows.append(_row(f"{name}, unit rate", repr(r["price_gbp_per_kwh"]), "GBP/kWh", *cited))
        rows.append(
            _row(f"{name}, appraisal factor over the life", repr(r["lifetime_t_per_kwh"]),
                 "tCO2e for each kWh a year",
                 "sum of the yearly factors of the tables fuel_factors and"
                 f" grid_carbon_long_run_marginal over {base.worth.lifetime_years} years",
                 "derived")
        )  # fmt: skip
    return rows


def _systems(chosen: pl.DataFrame, base: Basis) -> list[dict[str, str]]:
    """Conductivity and thermal losses of each system and thickness of the claim."""
    rows = []
    table = base.reference.table("insulation_systems")
    for r in table.filter(pl.col("system").is_in(sorted(set(chosen["system"])))).to_dicts():
        value = repr(r["lambda_design_w_mk"])
        rows.append(_row(f"{r['label']} lambda, design", value, "W/mK", r["source"], r["checked"]))
    used = chosen.select("system", "thickness_mm").unique()
    options = base.options.join(used, on=["system", "thickness_mm"], how="semi")
    for r in options.sort("system", "thickness_mm").iter_rows(named=True):
        what = f"{r['system']} {r['thickness_mm']:g} mm"
        source = "BS EN ISO 6946:2017, from the system's row"
        for column, unit in _OPTION.items():
            rows.append(_row(f"{what}, {column}", repr(float(r[column])), unit, source, "derived"))
    return rows


_OPTION = {"r_insulation_m2k_w": "m2K/W", "delta_u_w_m2k": "W/m2K", "bypass_w_m2k": "W/m2K"}


def _climate(chosen: pl.DataFrame, base: Basis) -> list[dict[str, str]]:
    """Outside temperature and sun of each counted month in the regions of the claim."""
    year, tables = base.year, base.reference
    rows = []
    for region in sorted({int(r) for r in chosen["region_id"]}):
        for place, month in enumerate(year.months):
            days = f"{year.days[place]:g}"
            for what, value, unit, table in (
                ("outside temperature", year.outside[region, place], "degC",
                 "climate_temperature_monthly"),
                ("sun on an east or west face", year.irradiance[region, place], "W/m2",
                 "climate_solar"),
            ):  # fmt: skip
                frame = tables.table(table)
                derived = table == "climate_solar"
                source = f"{frame['source'][0]}{', by SAP 2012 App. U3.2' if derived else ''}"
                cited = (source, "derived" if derived else frame["checked"][0])
                name = f"region {region}, month {month} of {days} days, {what}"
                rows.append(_row(name, repr(float(value)), unit, *cited))
    return rows


def _row(name: str, value: str, unit: str, source: str, checked: str) -> dict[str, str]:
    return {"name": name, "value": value, "unit": unit, "source": source, "checked": checked}


def refuse(out: Path) -> None:
    """Refuse to write over another claim. Raises ClaimError."""
    if there := [name for name in NAMES if (out / name).exists()]:
        raise ClaimError(
            f"{out} already holds {', '.join(there)}. A claim is never written over: name an empty"
            " folder."
        )


def contents(
    lines: pl.DataFrame, totals: dict[str, str], manifest: dict[str, Any]
) -> dict[str, bytes]:
    """Bytes of claim.csv, claim.xlsx and claim.json."""
    made = {"claim.csv": csv_bytes(lines), "claim.xlsx": _workbook(lines, totals, manifest)}
    digests = {name: hashlib.sha256(content).hexdigest() for name, content in made.items()}
    told = {**manifest, "totals": totals, "sha256": digests, "caution": CAUTION}
    text = json.dumps(told, indent=2, sort_keys=True, ensure_ascii=False) + "\n"
    return {**made, "claim.json": text.encode()}


def _workbook(lines: pl.DataFrame, totals: dict[str, str], manifest: dict[str, Any]) -> bytes:
    buffer = io.BytesIO()
    book = xlsxwriter.Workbook(buffer, {"in_memory": True, "strings_to_formulas": False})
    book.set_properties({"created": datetime.datetime(2000, 1, 1)})
    head = book.add_format({"bold": True, "text_wrap": True, "valign": "top", "bottom": 1})
    wrap = book.add_format({"text_wrap": True, "valign": "top"})
    total = book.add_format({"bold": True, "top": 1, "num_format": "#,##0.00"})
    known = [name for name in lines.columns if name not in INPUTS]
    _lines_sheet(book.add_worksheet("Lines"), lines.select(known), totals, head, total)
    summary = book.add_worksheet("Totals")
    summary.set_column(0, 0, 44)
    summary.set_column(1, 1, 18)
    summary.write_row(0, 0, ["Total", "Value"], head)
    labels = {**{name: dictionary()[name].titled for name in TOTALLED}, "homes": "Homes"}
    for row, (name, value) in enumerate(totals.items(), start=1):
        summary.write_string(row, 0, labels[name])
        summary.write_number(row, 1, float(value))
    summary.write_string(len(totals) + 2, 0, CAUTION, wrap)
    summary.write_string(
        len(totals) + 3, 0, f"Rates: {manifest['account']['rate_book_source']}", wrap
    )
    inputs = book.add_worksheet("Inputs")
    _lines_sheet(inputs, lines.select("claim_id", "line", "home_id", *INPUTS), {}, head, total)
    factors = book.add_worksheet("Method and factors")
    factors.set_column(0, 0, 40)
    factors.set_column(3, 3, 100)
    factors.write_row(0, 0, ["Factor", "Value", "Unit", "Source", "Mark"], head)
    for row, item in enumerate(manifest["method"], start=1):
        for column, key in enumerate(("name", "value", "unit", "source", "checked")):
            factors.write_string(row, column, item[key])
    trace = book.add_worksheet("Trace")
    trace.set_column(0, 0, 28)
    trace.set_column(1, 1, 100)
    named = ("claim_id", "measure", "options", "ledger", "another")
    told = {**{name: manifest[name] for name in named}, **manifest["account"]}
    for row, (key, value) in enumerate(sorted(told.items())):
        trace.write_string(row, 0, key)
        shown = value if isinstance(value, str) else json.dumps(value, sort_keys=True)
        trace.write_string(row, 1, shown, wrap)
    book.close()
    return buffer.getvalue()


def _lines_sheet(
    sheet: Any, lines: pl.DataFrame, totals: dict[str, str], head: Any, total: Any
) -> None:
    known = dictionary()
    for column, name in enumerate(lines.columns):
        sheet.write_string(0, column, known[name].titled if name in known else name, head)
        decimals = {**LINE, **INPUTS}.get(name)
        for row, value in enumerate(lines[name], start=1):
            if value is not None and decimals is not None:
                sheet.write_number(row, column, float(value))
            elif value is not None:
                sheet.write_string(row, column, value)
        if name in totals:
            letter = xlsxwriter.utility.xl_col_to_name(column)
            formula = f"=SUM({letter}2:{letter}{lines.height + 1})"
            sheet.write_formula(lines.height + 1, column, formula, total, float(totals[name]))
    if totals:
        sheet.write_string(lines.height + 1, 0, "Total", total)
    sheet.freeze_panes(1, 3)
    sheet.set_row(0, 48)
    sheet.set_column(0, len(lines.columns) - 1, 15)
