"""The files of a claim: CSV, workbook and manifest, the same bytes for the same claim."""

import datetime
import hashlib
import io
import json
from pathlib import Path
from typing import Any

import polars as pl
import xlsxwriter

from pipeline.assess import Basis
from pipeline.columns import dictionary
from pipeline.errors import ClaimError
from pipeline.explain import CAUTION
from pipeline.exports import csv_bytes
from pipeline.settings import Settings

LINE: dict[str, int | None] = {
    "home_id": None,
    "uprn": None,
    "address": None,
    "postcode": None,
    "system": None,
    "thickness_mm": 0,
    "u_existing_w_m2k": 3,
    "u_value_source": None,
    "u_after_w_m2k": 3,
    "treated_wall_area_m2": 2,
    "heat_loss_before_w_k": 2,
    "heat_loss_reduction_w_k": 2,
    "fuel": None,
    "fuel_saved_kwh_per_year": 1,
    "expected_fuel_saved_kwh_per_year": 1,
    "co2_saved_kg_per_year": 1,
    "expected_co2_saved_kg_per_year": 1,
    "bill_saved_gbp_per_year": 2,
    "expected_bill_saved_gbp_per_year": 2,
    "lifetime_years": 0,
    "co2_saved_lifetime_t": 3,
    "cost_gbp": 2,
    "estimated_inputs": None,
    "cautions": None,
}
"""Columns of a claim line and the decimals each is rounded to; None is text."""
TOTALLED = tuple(
    name
    for name in LINE
    if name.startswith(("fuel_saved", "expected", "co2_saved", "bill_saved", "cost", "treated"))
)
NAMES = ("claim.csv", "claim.xlsx", "claim.json")


def method(chosen: pl.DataFrame, base: Basis) -> list[dict[str, str]]:
    """What the claim rests on: constants and factors one by one, then every table by source.

    Each row has name, value, unit, source and mark; the order is fixed.
    """
    rows = [
        _row(r["name"].replace("_", " "), f"{r['value']:g}", r["unit"], r["source"], r["checked"])
        for r in base.reference.table("constants").iter_rows(named=True)
    ]
    fuels = base.worth.by_fuel.filter(pl.col("fuel").is_in(sorted(set(chosen["fuel"]))))
    for r in fuels.iter_rows(named=True):
        name = r["fuel"].replace("_", " ")
        for kind, key, unit in (
            ("reporting factor", "reporting", "kgCO2e/kWh"),
            ("unit rate", "price", "GBP/kWh"),
        ):
            value = r["reporting_kg_per_kwh" if key == "reporting" else "price_gbp_per_kwh"]
            cited = (r[f"{key}_source"], r[f"{key}_checked"])
            rows.append(_row(f"{name}, {kind}", f"{value:g}", unit, *cited))
    systems = base.reference.table("insulation_systems")
    for r in systems.filter(pl.col("system").is_in(sorted(set(chosen["system"])))).to_dicts():
        value = f"{r['lambda_design_w_mk']:g}"
        rows.append(_row(f"{r['label']} lambda, design", value, "W/mK", r["source"], r["checked"]))
    defaults, savings = Settings().savings, base.settings.savings
    for name in ("in_use", "comfort"):
        share = "in_use_reduction" if name == "in_use" else "comfort_share"
        own = savings != defaults
        value, basis = f"{getattr(savings, share):g}", getattr(savings, f"{name}_basis")
        mark = "the user's settings" if own else "memory"
        rows.append(_row(share.replace("_", " "), value, "-", basis, mark))
    for item, applies_to, unit, rate, source in base.book.table.select(
        "item", "applies_to", "unit", "rate_gbp", "source"
    ).iter_rows():
        rows.append(_row(f"rate: {item} {applies_to}", rate, unit, source, "rate book"))
    return rows + [
        _row(f"table {name}", f"{n} figures", "", source, checked)
        for name, table in base.reference.tables.items()
        if name not in ("constants", "fuel_factors")
        for source, checked, n in table.group_by("source", "checked", maintain_order=True)
        .len()
        .iter_rows()
    ]


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
    sheet = book.add_worksheet("Lines")
    _lines_sheet(sheet, lines, totals, head, total)
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
    told = {"claim_id": manifest["claim_id"], "measure": manifest["measure"], **manifest["account"]}
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
        decimals = LINE.get(name)
        for row, value in enumerate(lines[name], start=1):
            if value is not None and decimals is not None:
                sheet.write_number(row, column, float(value))
            elif value is not None:
                sheet.write_string(row, column, value)
        if name in totals:
            letter = xlsxwriter.utility.xl_col_to_name(column)
            formula = f"=SUM({letter}2:{letter}{lines.height + 1})"
            sheet.write_formula(lines.height + 1, column, formula, total, float(totals[name]))
    sheet.write_string(lines.height + 1, 0, "Total", total)
    sheet.freeze_panes(1, 3)
    sheet.set_row(0, 48)
    sheet.set_column(0, len(lines.columns) - 1, 15)
