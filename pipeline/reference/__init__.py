"""Published tables as CSV, and the loader that refuses a row without a source and a mark.

Marks (column `checked`): `seen` read in an attributable published page; `practice` common
practice, no single source; `memory` recalled from the named publication, not read; `assumed`
our own assumption, to be replaced by the user's evidence.
"""

import hashlib
from dataclasses import dataclass, replace
from functools import cache
from importlib.resources import files

import numpy as np
import polars as pl

from pipeline.errors import ReferenceTableError

MARKS = ("seen", "practice", "memory", "assumed")
MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
DAYS_IN_MONTH = np.array([31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31], dtype=float)
BANDS = "ABCDEFGHIJKLM"
_TEXT_COLUMNS = {
    "source", "checked", "name", "unit", "band", "nation", "construction", "insulation", "edition",
    "postcode_area_or_district", "region_name", "month", "orientation", "dwelling", "quantity",
    "glazing", "label", "heating", "fuel", "metric", "system", "reaction_to_fire",
    "thicknesses_mm", "property_type", "built_form", "input", "grade", "layer",
    "only_if_wall_area_estimated", "table_name", "row_name", "first_mark", "column", "filled_with",
    "item", "section", "rate_by", "priced_per_10mm", "only_with", "pack_label", "driver", "times",
    "finish", "what", "price_date", "scope",
    "assumption",
    "screen", "case", "verdict", "reason", "change", "rule", "rules_of",
}  # fmt: skip


@dataclass(frozen=True)
class Reference:
    """Every published figure the run may use: `tables` by file name, `version` of their bytes."""

    tables: dict[str, pl.DataFrame]
    version: str

    def table(self, name: str) -> pl.DataFrame:
        """One table. Raises KeyError for a name that is no file of this folder."""
        return self.tables[name]

    def with_table(self, name: str, table: pl.DataFrame) -> "Reference":
        """The same tables but one, the user's own; the version stays that of the shipped ones."""
        return replace(self, tables={**self.tables, name: table})

    def constant(self, name: str) -> float:
        """One row of constants.csv, in the unit written there."""
        row = self.tables["constants"].filter(pl.col("name") == name)
        if row.height != 1:
            raise ReferenceTableError(
                f"constants.csv has {row.height} rows named '{name}'; it must have exactly one."
            )
        return float(row["value"][0])

    def cite(self, name: str) -> tuple[str, str]:
        """Source and mark of one row of constants.csv."""
        row = self.tables["constants"].filter(pl.col("name") == name)
        return row["source"][0], row["checked"][0]

    def region_months(self, name: str, unit: str) -> np.ndarray:
        """A monthly climate table as an array [region_id, month], rows in region order."""
        table = self.tables[name].sort("region_id")
        return table.select([f"{month}_{unit}" for month in MONTHS]).to_numpy().astype(float)


@cache
def load() -> Reference:
    """Read and verify every table once. Raises ReferenceTableError naming table and row."""
    tables, digest = {}, hashlib.sha256()
    for path in sorted(files(__name__).iterdir(), key=lambda p: p.name):
        if not path.name.endswith(".csv"):
            continue
        text = path.read_bytes()
        digest.update(path.name.encode() + b"\0" + text)
        tables[path.name[:-4]] = read_table(path.name, text)
    return Reference(tables, digest.hexdigest()[:16])


def read_table(name: str, text: bytes) -> pl.DataFrame:
    """One table from its bytes; numbers as float64, words as text; every row marked and sourced.

    Raises ReferenceTableError for a missing column, an empty source or an unknown mark.
    """
    frame = pl.read_csv(text, infer_schema=False)
    for column in ("source", "checked"):
        if column not in frame.columns:
            raise ReferenceTableError(f"{name} has no column '{column}'; every figure needs one.")
    bad = frame.with_row_index("row", offset=2).filter(
        pl.col("source").fill_null("").str.strip_chars().eq("")
        | ~pl.col("checked").fill_null("").is_in(MARKS)
    )
    if bad.height:
        raise ReferenceTableError(
            f"{name} row {bad['row'][0]}: source '{bad['source'][0]}', checked"
            f" '{bad['checked'][0]}'. Give a source, and one of {', '.join(MARKS)}."
        )
    numbers = [c for c in frame.columns if c not in _TEXT_COLUMNS]
    try:
        return frame.with_columns(pl.col(numbers).cast(pl.Float64))
    except pl.exceptions.PolarsError as fault:
        raise ReferenceTableError(f"{name} holds a figure that is not a number: {fault}") from None
