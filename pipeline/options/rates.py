"""The rate book a user owns, and the price of works on a home."""

import datetime
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path

import polars as pl

from pipeline.errors import SettingsError
from pipeline.settings import Cost

VAT_STEP = datetime.date(2027, 4, 1)
_COLUMNS = ("item", "applies_to", "unit", "rate_gbp", "price_date", "source")


@dataclass(frozen=True)
class RateBook:
    """Rates by (item, applies_to), and the name and bytes' digest they came from."""

    rates: dict[tuple[str, str], float]
    table: pl.DataFrame
    name: str

    def rate(self, item: str, applies_to: str = "all") -> float:
        """One rate. Raises SettingsError naming the item the book lacks; never zero in silence."""
        try:
            return self.rates[item, applies_to]
        except KeyError:
            raise SettingsError(
                f"Rate book {self.name} has no rate for '{item}' of '{applies_to}'. Add that row."
            ) from None

    def source(self, item: str, applies_to: str = "all") -> str:
        """Where one rate comes from, in the book's own words."""
        found = self.table.filter(pl.col("item") == item, pl.col("applies_to") == applies_to)
        return str(found["source"][0])


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

    Raises SettingsError for a missing column, number or source, or a rate given twice.
    """
    lacking = [c for c in _COLUMNS if c not in table.columns]
    if lacking:
        raise SettingsError(f"Rate book {name} has no column {', '.join(lacking)}.")
    rates: dict[tuple[str, str], float] = {}
    parsed = table.with_columns(pl.col("rate_gbp").cast(pl.Float64, strict=False).alias("value"))
    for line, row in enumerate(parsed.iter_rows(named=True), start=2):
        key = (row["item"], row["applies_to"])
        value = row["value"]
        if value is None or not 0 <= value < float("inf") or not row["source"]:
            raise SettingsError(
                f"Rate book {name} line {line}: {key[0]} of {key[1]} has rate"
                f" '{row['rate_gbp']}' and source '{row['source']}'. Give a number from 0 up and a"
                " source."
            )
        if key in rates:
            raise SettingsError(
                f"Rate book {name} line {line}: {key[0]} of {key[1]} is priced twice."
            )
        rates[key] = value
    return RateBook(rates, table, name)


def home_rates(homes: pl.DataFrame, book: RateBook) -> pl.DataFrame:
    """Columns of the homes that price needs: access_gbp_m2 and enabling_gbp of each home."""
    storeys = ("storeys_1", "storeys_2", "storeys_3_or_more")
    scaffold = [book.rate("scaffold", name) for name in storeys]
    enabling = {
        kind: book.rate("enabling", kind) for kind in ("house", "bungalow", "flat", "maisonette")
    }
    above = pl.col("building_height_m") > 6.0
    return homes.with_columns(
        access_gbp_m2=pl.when((pl.col("storeys") > 2) | above.fill_null(False))
        .then(scaffold[2])
        .when(pl.col("storeys") > 1)
        .then(scaffold[1])
        .otherwise(scaffold[0]),
        enabling_gbp=pl.col("property_type").replace_strict(enabling, return_dtype=pl.Float64),
    )


@dataclass(frozen=True)
class PriceTerms:
    """price = ((area x (rate + access) + enabling) x uplift + on_costs) x vat."""

    uplift: float
    on_costs_gbp: float
    vat: float
    vat_item: str


def price_terms(book: RateBook, settings: Cost) -> PriceTerms:
    """The terms every home shares; VAT by the date of installation (HMRC VAT Notice 708/6)."""
    early = settings.installation_date < VAT_STEP
    vat_item = "vat_to_2027_03_31" if early else "vat_from_2027_04_01"
    on_costs = sum(
        book.rate(item) for item in ("assessment", "coordination", "design", "ventilation")
    )
    uplift = (1.0 + book.rate("prelims")) * (1.0 + book.rate("contingency"))
    return PriceTerms(uplift, on_costs, 1.0 + book.rate(vat_item), vat_item)
