"""What an option costs per unit of every driver, and what that makes of a home.

The price of a home is one product: its drivers times the price per driver of the option, times
the location index. `per_driver` holds that price for every option; `with_cost` reckons the same
for the option beside each home, section by section in a fixed order.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.options import rates, takeoff
from pipeline.options.rates import ENDS, End, RateBook
from pipeline.options.takeoff import SECTIONS
from pipeline.physics import Floats
from pipeline.reference import Reference
from pipeline.settings import Cost

DRIVEN = [f"driver_{name}" for name in takeoff.DRIVERS]
"""Columns `with_drivers` puts beside a home."""


@dataclass(frozen=True)
class Pricing:
    """What prices rest on: tables, the user's book, settings, and the details built."""

    reference: Reference
    book: RateBook
    settings: Cost
    built: Mapping[str, str]

    @property
    def bill(self) -> pl.DataFrame:
        """Items of the bill under the details built."""
        return takeoff.items(self.reference, self.built)


def with_drivers(homes: pl.DataFrame, pricing: Pricing) -> pl.DataFrame:
    """Add the drivers of each home and its location index."""
    numbers = takeoff.drivers(homes, pricing.reference)
    return homes.hstack(
        pl.DataFrame(numbers, schema=dict.fromkeys(DRIVEN, pl.Float64))
    ).pipe(rates.with_location, pricing.book)  # fmt: skip


def item_rates(
    pricing: Pricing, bill: pl.DataFrame, options: pl.DataFrame, end: End = "rate"
) -> Floats:
    """Rate of each item with each option [GBP per unit], at the prices of the settings' day.

    Shape [item, option]. Raises SettingsError naming the rate the book lacks.
    """
    finishes = dict(pricing.reference.table("insulation_systems").select("system", "finish").rows())
    thickness = options["thickness_mm"].to_numpy()
    out = np.empty((bill.height, options.height))
    for i, item in enumerate(bill.iter_rows(named=True)):
        for key, places in _by_key(item["rate_by"], options["system"], finishes).items():
            figure = _at_prices(pricing, item["item"], key, end)
            out[i, places] = figure
            if item["priced_per_10mm"] == "yes":
                more = _at_prices(pricing, f"{item['item']}_per_10mm", key, end)
                out[i, places] += more * (thickness[places] / 10.0)
    return out


def rate_key(rate_by: str, system: str, finishes: Mapping[str, str]) -> str:
    """The `applies_to` under which the book prices an item for a system."""
    return {"system": system, "finish": finishes[system]}.get(rate_by, "all")


def _by_key(
    rate_by: str, systems: pl.Series, finishes: Mapping[str, str]
) -> dict[str, np.ndarray[tuple[int], np.dtype[np.intp]]]:
    keys = np.array([rate_key(rate_by, system, finishes) for system in systems], dtype=object)
    return {key: np.flatnonzero(keys == key) for key in dict.fromkeys(keys)}


def _at_prices(pricing: Pricing, item: str, applies_to: str, end: End) -> float:
    row = pricing.book.row(item, applies_to)
    figure = float(getattr(row, end))
    return figure * rates.price_index(pricing.book, pricing.settings, row)


def by_section(pricing: Pricing, options: pl.DataFrame, end: End = "rate") -> Floats:
    """Price of each section per unit of each driver [GBP], gross of waste, before the terms.

    Shape [section, driver, option].
    """
    bill = pricing.bill
    gross = 1.0 + bill["waste"].to_numpy()
    each = takeoff.per_driver(bill, options, pricing.reference)
    priced = each * (gross[:, None] * item_rates(pricing, bill, options, end))[:, None, :]
    section = bill["section"].replace_strict(
        {name: i for i, name in enumerate(SECTIONS)}, return_dtype=pl.Int64
    )
    out = np.zeros((len(SECTIONS), *priced.shape[1:]))
    np.add.at(out, section.to_numpy(), priced)
    return out


def in_all(sections: Floats, terms: rates.Terms) -> Floats:
    """Price with prelims, contingency, on-costs and VAT, from prices by section.

    sections: [section, ...]; returns [...], before the location index.
    """
    works = sections[0]
    for name, part in zip(SECTIONS[1:-1], sections[1:-1], strict=True):
        works = works + (part * (1.0 - terms.lot_discount) if name == "access" else part)
    return np.asarray((works * terms.uplift + sections[-1]) * (1.0 + terms.vat))


def per_driver(pricing: Pricing, options: pl.DataFrame) -> Floats:
    """Price of each option per unit of each driver [GBP], shape [driver, option]: all in all."""
    terms = rates.terms(pricing.book, pricing.settings)
    return in_all(by_section(pricing, options), terms)


def of_homes(homes: pl.DataFrame, price: Floats) -> Floats:
    """Cost of every option in every home [GBP], shape [home, option].

    homes: as `with_drivers` returns them; price: [driver, option] of `per_driver`.
    """
    numbers = homes.select(DRIVEN).to_numpy() * homes["location_index"].to_numpy()[:, None]
    return np.asarray(numbers @ price)


def with_cost(homes: pl.DataFrame, pricing: Pricing) -> pl.DataFrame:
    """Cost of the option beside each home by section and in all; null where there is none.

    homes: with drivers, system and thickness_mm. Drops the drivers; adds <section>_gbp,
    works_gbp, prelims_gbp, contingency_gbp, vat_gbp, cost_gbp, cost_low_gbp and cost_high_gbp.
    Each home is reckoned in the same order whatever homes stand beside it.
    """
    pairs = homes.select("system", "thickness_mm")
    distinct = pairs.drop_nulls().unique(maintain_order=True).with_row_index("pair")
    terms = {end: rates.terms(pricing.book, pricing.settings, end) for end in ENDS}
    if distinct.height:
        pair = pairs.join(distinct, on=pairs.columns, how="left", maintain_order="left")["pair"]
        price = {end: by_section(pricing, distinct, end) for end in ENDS}
        each = np.concatenate(
            [price["rate"], *(in_all(price[end], terms[end])[None] for end in ("low", "high"))]
        )
        amount = _in_order(homes, each, pair)
    else:
        amount = np.full((len(SECTIONS) + 2, homes.height), np.nan)
    names = [*(f"{name}_gbp" for name in SECTIONS), "cost_low_gbp", "cost_high_gbp"]
    priced = pl.DataFrame(dict(zip(names, amount, strict=True))).fill_nan(None)
    return homes.drop(DRIVEN).hstack(priced).pipe(_with_terms, terms["rate"])


def _in_order(homes: pl.DataFrame, each: Floats, pair: pl.Series) -> Floats:
    """Sum over drivers, one after another, of each home's number times the price of its option."""
    numbers = homes.select(DRIVEN).to_numpy()
    option = pair.fill_null(0).to_numpy()
    total = np.zeros((each.shape[0], homes.height))
    for d in range(numbers.shape[1]):
        total = total + numbers[:, d] * each[:, d, option]
    total = total * homes["location_index"].to_numpy()
    return np.where(pair.is_null().to_numpy(), np.nan, total)


def _with_terms(frame: pl.DataFrame, terms: rates.Terms) -> pl.DataFrame:
    works = pl.col("insulation_gbp")
    for name in SECTIONS[1:-1]:
        works = works + pl.col(f"{name}_gbp")
    discounted = pl.col("access_gbp") * (1.0 - terms.lot_discount)
    prelims = terms.prelims * (1.0 - terms.lot_discount)
    with_prelims = pl.col("works_gbp") + pl.col("prelims_gbp")
    before_vat = with_prelims + pl.col("contingency_gbp") + pl.col("on_costs_gbp")
    return (
        frame.with_columns(access_gbp=discounted)
        .with_columns(works_gbp=works)
        .with_columns(prelims_gbp=pl.col("works_gbp") * prelims)
        .with_columns(contingency_gbp=with_prelims * terms.contingency)
        .with_columns(vat_gbp=before_vat * terms.vat)
        .with_columns(cost_gbp=before_vat + pl.col("vat_gbp"))
    )
