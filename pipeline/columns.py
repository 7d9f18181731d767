"""The one dictionary of columns: name with its unit, kind, label, meaning, source of the term.

The rows live in columns.csv so that a landlord's analyst can read and extend the headings.
"""

import csv
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

import polars as pl


@dataclass(frozen=True)
class Column:
    """One column. `headings` are the words a stock list may use for it, in lower case."""

    name: str
    dtype: str
    unit: str
    role: str
    label: str
    meaning: str
    source: str
    headings: tuple[str, ...]

    @property
    def titled(self) -> str:
        """Label with its unit, as charts and sheets print it."""
        return f"{self.label} [{self.unit}]" if self.unit else self.label

    @property
    def polars_dtype(self) -> type[pl.DataType]:
        """Type of the column once it is read."""
        if self.dtype == "date":
            return pl.Date
        return pl.String if self.dtype in ("text", "code") else pl.Float64


@cache
def dictionary() -> dict[str, Column]:
    """Every column by name, in the order of columns.csv."""
    text = (files("pipeline") / "columns.csv").read_text(encoding="utf-8")
    rows = csv.DictReader(text.splitlines(), delimiter="|")
    return {
        row["name"]: Column(**{**row, "headings": tuple(filter(None, row["headings"].split(";")))})  # type: ignore[arg-type]
        for row in rows
    }


def by_role(*roles: str) -> list[Column]:
    """The columns of some roles: `stock` read from the list, `home` derived, `result` modelled."""
    return [column for column in dictionary().values() if column.role in roles]
