"""The rate book a user owns: what each item of the bill costs, and the terms on top.

Every rate has a low and a high end, a price date and a source. What the book lacks is an error
that names it, never zero.
"""

import datetime
import difflib
import math
import re
from collections import Counter
from dataclasses import dataclass
from functools import cached_property
from importlib.resources import files
from itertools import pairwise
from pathlib import Path
from typing import Literal

import polars as pl

from pipeline.errors import SettingsError
from pipeline.homes import AREA
from pipeline.reference import Reference
from pipeline.settings import Cost

End = Literal["rate", "low", "high"]
ENDS: tuple[End, ...] = ("rate", "low", "high")
TERMS = {
    "prelims": "share of works", "contingency": "share of works and prelims",
    "lot_discount": "share", "vat": "share of price", "location_index": "index",
    "price_index": "index",
}  # fmt: skip
"""Items of the book that are no quantity, with their unit."""
_COLUMNS = ("item", "applies_to", "unit", "rate_gbp", "low", "high", "price_date", "source")
ELSEWHERE = "elsewhere"


@dataclass(frozen=True)
class Rate:
    """One row of the book: the rate and its ends in one unit, at the prices of a day."""

    rate: float
    low: float
    high: float
    unit: str
    price_date: datetime.date
    source: str


@dataclass(frozen=True)
class RateBook:
    """Rates by (item, applies_to), the rows as they were read, and the name of the file."""

    rates: dict[tuple[str, str], Rate]
    table: pl.DataFrame
    name: str

    def row(self, item: str, applies_to: str = "all") -> Rate:
        """One row. Raises SettingsError naming the item the book lacks; never zero in silence."""
        try:
            return self.rates[item, applies_to]
        except KeyError:
            raise SettingsError(
                f"Rate book {self.name} has no rate for '{item}' of '{applies_to}'. Add that row."
            ) from None

    def rate(self, item: str, applies_to: str = "all", end: End = "rate") -> float:
        """One figure of a row."""
        return float(getattr(self.row(item, applies_to), end))

    @cached_property
    def source(self) -> str:
        """Where most rates come from, in one line; an invented source is told before any other."""
        count = Counter(row.source for row in self.rates.values())
        source = min(count, key=lambda s: ("invented" not in s, -count[s], s))
        return f"{source} ({count[source]} of {len(self.rates)} rows of the book)"

    @cached_property
    def newest(self) -> datetime.date:
        """The newest price date of any item that is a quantity."""
        return max(r.price_date for (item, _), r in self.rates.items() if item not in TERMS)

    def dated(self, item: str) -> list[tuple[datetime.date, float, str]]:
        """Rows whose applies_to is a day, in order: day, figure and source."""
        found = [
            (datetime.date.fromisoformat(day), row.rate, row.source)
            for (name, day), row in self.rates.items()
            if name == item
        ]
        return sorted(found)


def read(settings: Cost) -> RateBook:
    """The rate book the settings name, or the invented demo book.

    Raises SettingsError for a missing file, and as `from_table` does.
    """
    path = Path(settings.rate_book or str(files("data_demo") / "rate_book.csv"))
    try:
        table = pl.read_csv(path, infer_schema=False)
    except FileNotFoundError:
        raise SettingsError(f"Rate book {path} does not exist. Check cost.rate_book.") from None
    except (pl.exceptions.PolarsError, OSError) as fault:
        raise SettingsError(f"Rate book {path} is not readable as CSV: {fault}.") from None
    return from_table(table, path.name)


def from_table(table: pl.DataFrame, name: str) -> RateBook:
    """A rate book from its rows as text.

    Raises SettingsError for a missing column, number, date or source, for ends that do not hold
    the rate between them, a share over 1, an index of 0, or a rate given twice.
    """
    if lacking := [c for c in _COLUMNS if c not in table.columns]:
        raise SettingsError(f"Rate book {name} has no column {', '.join(lacking)}.")
    rates: dict[tuple[str, str], Rate] = {}
    for line, row in enumerate(table.select(_COLUMNS).iter_rows(named=True), start=2):
        key = (row["item"] or "", row["applies_to"] or "")
        where = f"Rate book {name} line {line}: {key[0]} of {key[1]}"
        if key in rates:
            raise SettingsError(f"{where} is priced twice.")
        rates[key] = _row(row, where)
        _check_term(*key, rates[key], where)
    return RateBook(rates, table, name)


def _check_term(item: str, applies_to: str, row: Rate, where: str) -> None:
    if TERMS.get(item, "").startswith("share") and row.high > 1.0:
        raise SettingsError(f"{where} is {row.high:g}, over the whole. Write 5 % as 0.05.")
    if TERMS.get(item) == "index" and row.low <= 0.0:
        raise SettingsError(f"{where} is {row.low:g}: nothing would cost anything. Give more.")
    if item in ("vat", "price_index"):
        _day(applies_to, where)
    if item == "lot_discount" and not applies_to.isdecimal():
        raise SettingsError(f"{where}. Write the least number of homes it holds for, such as 10.")
    if item == "location_index" and not re.fullmatch(rf"[A-Z]{{1,2}}|{ELSEWHERE}", applies_to):
        raise SettingsError(
            f"{where}. Write a postcode's letters in capitals, such as HX, or '{ELSEWHERE}'."
        )


def _row(row: dict[str, str | None], where: str) -> Rate:
    value = _number(row["rate_gbp"])
    low, high = (_number(row[end]) if row[end] else value for end in ("low", "high"))
    if value is None or low is None or high is None or not row["source"]:
        raise SettingsError(
            f"{where} has rate '{row['rate_gbp']}', low '{row['low']}', high '{row['high']}' and"
            f" source '{row['source']}'. Give a number from 0 up and a source; low and high may"
            " stay empty."
        )
    if not low <= value <= high:
        raise SettingsError(f"{where}: the rate {value:g} lies outside {low:g} to {high:g}.")
    return Rate(
        value, low, high, row["unit"] or "", _day(row["price_date"], where), row["source"]
    )  # fmt: skip


def _number(text: str | None) -> float | None:
    try:
        value = float(text or "")
    except ValueError:
        return None
    return value if value >= 0.0 and math.isfinite(value) else None


def _day(text: str | None, where: str) -> datetime.date:
    try:
        return datetime.date.fromisoformat(text or "")
    except ValueError:
        raise SettingsError(f"{where} has the date '{text}'. Write it as 2026-01-31.") from None


@dataclass(frozen=True)
class Terms:
    """What every home's price has in common, at one end of the book.

    price = location x (works' x (1 + prelims') x (1 + contingency) + on-costs) x (1 + vat), where
    works' is works less the lot discount on access, and prelims' is prelims less that discount.
    """

    prelims: float
    contingency: float
    vat: float
    lot_discount: float

    @property
    def uplift(self) -> float:
        """What works grow to with prelims and contingency, as a factor."""
        return (1.0 + self.prelims * (1.0 - self.lot_discount)) * (1.0 + self.contingency)


def terms(book: RateBook, settings: Cost, end: End = "rate") -> Terms:
    """The terms for works in a lot of `settings.lot_homes` homes.

    VAT by the day of installation: the last row of the book that has begun by then.
    """
    return Terms(
        book.rate("prelims", end=end),
        book.rate("contingency", end=end),
        vat(book, settings)[1],
        lot_discount(book, settings.lot_homes)[1],
    )


def vat(book: RateBook, settings: Cost) -> tuple[str, float, str]:
    """First day, share and source of the VAT rate in force on the day of installation."""
    begun = [row for row in book.dated("vat") if row[0] <= settings.installation_date]
    if not begun:
        raise SettingsError(
            f"Rate book {book.name} has no rate for 'vat' on {settings.installation_date}. Add a"
            " row whose applies_to is the first day it holds."
        )
    day, share, source = begun[-1]
    return day.isoformat(), share, source


def lot_discount(book: RateBook, homes: int) -> tuple[str, float]:
    """Band (its least number of homes) and share taken off access and prelims in such a lot."""
    bands = sorted(
        (int(least), row.rate)
        for (item, least), row in book.rates.items()
        if item == "lot_discount"
    )
    reached = [band for band in bands if band[0] <= homes]
    return (str(reached[-1][0]), reached[-1][1]) if reached else ("", 0.0)


def price_index(book: RateBook, settings: Cost, rate: Rate) -> float:
    """Factor from the prices of a rate's own day to those of the day the settings name.

    Between two days of the book's index a straight line. Raises SettingsError beyond its ends.
    """
    to = settings.price_date or book.newest
    if rate.price_date == to:
        return 1.0
    known = book.dated("price_index")
    return _index_on(book, known, to) / _index_on(book, known, rate.price_date)


def _index_on(
    book: RateBook, known: list[tuple[datetime.date, float, str]], day: datetime.date
) -> float:
    for (first, low, _), (last, high, _) in pairwise(known):
        if first <= day <= last:
            return low + (high - low) * ((day - first).days / (last - first).days)
    raise SettingsError(
        f"Rate book {book.name} has no 'price_index' on both sides of {day}, which bringing prices"
        " of one day to another needs. Add its rows, or leave cost.price_date empty and give every"
        " rate the same price_date."
    )


def with_location(homes: pl.DataFrame, book: RateBook) -> pl.DataFrame:
    """Add location_index: that of the home's postcode area, else the book's `elsewhere`."""
    known = {area: row.rate for (item, area), row in book.rates.items() if item == "location_index"}
    elsewhere = book.rate("location_index", ELSEWHERE)
    return homes.with_columns(
        location_index=AREA.replace_strict(known, default=elsewhere, return_dtype=pl.Float64)
    )


def check_items(book: RateBook, reference: Reference) -> None:
    """Refuse rows that price no item of the bill, units that are not the item's, and no location.

    Raises SettingsError. A misspelt item would otherwise be priced by nobody.
    """
    book.row("location_index", ELSEWHERE)
    measured = reference.table("bill_items").select("item", "unit", "priced_per_10mm").rows()
    units = {item: f"per {unit}" for item, unit, _ in measured}
    units |= {
        f"{item}_per_10mm": f"per {unit} per 10 mm" for item, unit, by in measured if by == "yes"
    }
    units |= TERMS
    for (item, applies_to), row in book.rates.items():
        if item not in units:
            plain = item.removesuffix("_per_10mm")  # of an item that is not priced by thickness
            near = [plain] if plain in units else difflib.get_close_matches(item, units, 3, 0.6)
            meant = f"Did you mean {' or '.join(near)}? " if near else ""
            raise SettingsError(
                f"Rate book {book.name} prices '{item}' of '{applies_to}', which is no item of the"
                f" bill. {meant}Correct the name or take the row out."
            )
        if row.unit != units[item]:
            raise SettingsError(
                f"Rate book {book.name}: {item} of {applies_to} is '{row.unit}', the bill measures"
                f" it '{units[item]}'. Give the rate in that unit."
            )
