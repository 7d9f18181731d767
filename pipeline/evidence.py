"""Every figure a run can use, with its unit, source and mark: what an auditor asks for first.

Marks are those of `pipeline.reference`, and `given` for the user's own settings and rates.
"""

from typing import Any

import polars as pl

from pipeline.options.rates import RateBook
from pipeline.reference import Reference
from pipeline.settings import Settings

GIVEN = "given"
"""Mark of a figure the user gave: a setting that is no default, a rate that is not invented."""
_VALUES = (
    "reaction_to_fire", "non_combustible", "thicknesses_mm", "fuel", "filled_with", "verdict",
    "rules_of",
)  # fmt: skip
"""Text columns that are figures of a row, not part of its name."""
_PROSE = ("unit", "source", "checked", "label", "edition", "reason", "change", "rule")
"""Text columns that are neither."""
_UNITS = {
    "_w_m2k": "W/m2K", "_w_mk": "W/mK", "_m2k_w": "m2K/W", "_w_k": "W/K", "_k_w": "K/W",
    "_w_m2_horizontal": "W/m2", "_mm": "mm", "_m2": "m2", "_degn": "deg", "_deg": "deg",
    "_degc": "degC", "_c": "degC", "_gbp": "GBP", "_gbp_per_t": "GBP/tCO2e", "_pa": "Pa",
    "_kg_m3": "kg/m3", "_kgco2e_per_kwh": "kgCO2e/kWh", "_per_m2": "1/m2", "_per_hour": "1/h",
    "_m2_per_m2": "m2/m2", "_p_per_kwh": "p/kWh", "_kwh_per_year": "kWh/year", "_m": "m",
}  # fmt: skip
_SCHEMA = (
    "table", "row", "figure", "value", "unit", "source", "checked", "confirmed", "replaced_by",
)  # fmt: skip


def figures_in_use(reference: Reference, settings: Settings, book: RateBook) -> pl.DataFrame:
    """One row per figure: the reference tables, then the settings, then the rate book.

    Columns table, row, figure, value (as text), unit, source, checked; confirmed: where a figure
    that was first written from memory was read since; replaced_by: the setting that stands in its
    place in this run.
    """
    found = [*_tables(reference, settings), *_settings(settings), *_rates(book)]
    return pl.DataFrame(found, schema=dict.fromkeys(_SCHEMA, pl.String), orient="row")


def counts(figures: pl.DataFrame) -> pl.DataFrame:
    """Figures of each table by mark, and how many of them were raised from memory."""
    marks = ("seen", "practice", "memory", "assumed", GIVEN)
    return figures.group_by("table", maintain_order=True).agg(
        *(pl.col("checked").eq(mark).sum().alias(mark) for mark in marks),
        pl.col("confirmed").ne("").sum().alias("raised"),
    )


def row_name(table: pl.DataFrame, row: dict[str, Any]) -> str:
    """What a reference row is called: its first column and its other words."""
    words = [c for c in table.columns[1:] if table.schema[c] == pl.String]
    named = [c for c in words if c not in (*_VALUES, *_PROSE)]
    return " ".join(_text(row[c]) for c in (table.columns[0], *named) if row[c] is not None)


def _tables(reference: Reference, settings: Settings) -> list[tuple[str, ...]]:
    raised = {
        (row["table_name"], row["row_name"]): row["source"]
        for row in reference.table("confirmed").iter_rows(named=True)
    }
    found: list[tuple[str, ...]] = []
    for name, table in reference.tables.items():
        if name == "confirmed":
            continue
        numbers = [c for c in table.columns[1:] if table.schema[c] == pl.Float64]
        figures = [c for c in (*numbers, *_VALUES) if c in table.columns[1:] and c != "layer_no"]
        for row in table.iter_rows(named=True):
            called = row_name(table, row)
            page = raised.get((name, called), "")
            known = row["source"], row["checked"], f"raised from memory: {page}" if page else ""
            for column in figures:
                if row[column] is not None:
                    stands = _replaced(name, row, settings)
                    unit = row.get("unit") or _unit(column, called)
                    found.append((name, called, column, _text(row[column]), unit, *known, stands))
    return found


def _replaced(table: str, row: dict[str, Any], settings: Settings) -> str:
    """The setting that stands in the place of a row, if any."""
    own = settings.prices.unit_rates_p_per_kwh
    if table == "fuel_factors" and row["metric"].startswith("price_") and row["fuel"] in own:
        return f"prices.unit_rates_p_per_kwh.{row['fuel']}"
    return ""


def _settings(settings: Settings) -> list[tuple[str, ...]]:
    """Every number among the settings; a default that cites a basis has it as its source."""
    defaults, chosen = (_flat(s.model_dump(mode="json")) for s in (Settings(), settings))
    found: list[tuple[str, ...]] = []
    for key, value in chosen.items():
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            continue
        basis = chosen.get(_basis_of(key))
        source, mark = "default of the settings, own assumption", "assumed"
        if basis:
            source, mark = str(basis), "memory" if "from memory" in str(basis) else GIVEN
        if defaults.get(key) != value:
            source, mark = str(basis or "settings of the run"), GIVEN
        found.append(("settings", key, "value", _text(value), _unit(key, ""), source, mark, "", ""))
    return found


def _basis_of(key: str) -> str:
    """Key of the words a setting rests on: in_use_reduction has in_use_basis."""
    return f"{key.rsplit('_', 1)[0]}_basis"


def _flat(content: dict[str, Any], prefix: str = "") -> dict[str, Any]:
    flat: dict[str, Any] = {}
    for key, value in content.items():
        name = f"{prefix}{key}"
        rows = isinstance(value, list) and all(isinstance(row, dict) for row in value)
        inner = {str(n): row for n, row in enumerate(value, start=1)} if rows else value
        flat |= _flat(inner, f"{name}.") if isinstance(inner, dict) else {name: value}
    return flat


def _rates(book: RateBook) -> list[tuple[str, ...]]:
    found: list[tuple[str, ...]] = []
    for row in book.table.iter_rows(named=True):
        mark = "assumed" if "invented" in row["source"] else GIVEN
        called = f"{row['item']} {row['applies_to']}"
        source = f"{row['source']} (rate book {book.name}, {row['price_date']})"
        found.append(
            ("rate_book", called, "rate_gbp", row["rate_gbp"], row["unit"], source, mark, "", "")
        )
    return found


def _text(value: object) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)


def _unit(column: str, called: str) -> str:
    """Unit from the end of a figure's name, the longest that fits, or of its row's name."""
    for name in (column.lower(), called.split(" ", 1)[0]):
        fits = [end for end in _UNITS if name.endswith(end)]
        if fits:
            return _UNITS[max(fits, key=len)]
    return ""
