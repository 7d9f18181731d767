"""The bill of quantities: what the chosen homes take, lot by lot, in whole pence.

Quantities are kept in thousandths of their unit, rates in hundredths of a penny and money in
pence, all as whole numbers, so that homes add up to lots and lots to the programme exactly. A
lot's amount is its quantity times the rate, rounded once; homes share it in whole pence.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl

from pipeline.bill.whole import SHARE, divided, nearest, part_of, shares
from pipeline.errors import BillError
from pipeline.options import costs, rates, takeoff
from pipeline.options.takeoff import SECTIONS
from pipeline.physics import Whole
from pipeline.published import Published

WORKS = SECTIONS[:-1]
TERMS = ("lot_discount", "location", "prelims", "contingency", "on_costs", "vat")
"""What follows the sections of works in a lot's account, in order; the discount is deducted."""
HERE = ("works_here", "on_costs_here", "before_vat")
"""Sums a lot's account passes through: works and on-costs at the prices of the place."""
BESIDE = ("total_settings_lot", "total_low", "total_high")
"""Totals of a lot beside its own: with the discount of the settings' lot size (cost.lot_homes),
and with every rate, prelims and contingency at its low and high end. Rounded once."""
ALONE = {
    "priced_alone": "cost_gbp",
    "priced_alone_low": "cost_low_gbp",
    "priced_alone_high": "cost_high_gbp",
}
"""Cost of a home by itself, as ranked or allocated, and with every rate at its low and high end."""
_RATES = {"rate" if end == "rate" else f"rate_{end}": end for end in rates.ENDS}
_MILLI, _RATE = 1_000, 10_000


@dataclass(frozen=True)
class Bill:
    """A bill of quantities. Money in pence, quantities in thousandths, rates in 1/10 000 GBP.

    lots: lot_no, street_lot, homes, net_area, discount and location shares, then each section,
    TERMS, total, HERE and BESIDE. homes: the same account for each home, and ALONE. lines:
    lot_no, section, item, variant, net, gross, rate, amount. items: each item and variant with its
    rate and pack. Of lines and items also amount and rate at the low and the high end. packs: whole
    packs for each lot and variant, and what is left over.
    """

    lots: pl.DataFrame
    homes: pl.DataFrame
    lines: pl.DataFrame
    items: pl.DataFrame
    packs: pl.DataFrame


def bill(homes: pl.DataFrame, run: Published) -> Bill:
    """The bill of homes of a ranking, each with the option chosen for it.

    Raises BillError where no home is given.
    """
    if not homes.height:
        raise BillError("No home to measure: name homes with --homes, or raise the budget.")
    pricing = run.base.pricing
    ordered = homes.with_columns(street_lot=pl.coalesce("lot", "home_id")).sort(
        "street_lot", "location_index", "home_id"
    )
    start = ordered.select(pl.struct("street_lot", "location_index").rle_id()).to_series()
    ordered = ordered.with_columns(lot_no=start.cast(pl.Int64) + 1)
    options = ordered.select("system", "thickness_mm").unique().sort("system", "thickness_mm")
    variants = _variants(options, pricing)
    items = _items(options, variants, pricing)
    taken = _taken_off(ordered, options, variants, pricing)
    lines = _lines(taken, items)
    shared = _shared(taken, lines)
    lots, accounts = _accounts(ordered, shared, pricing)
    lots = lots.hstack(_beside(lots, lines, pricing))
    made = Bill(lots, accounts, lines, items, _packs(lines, items))
    must_add_up(made)
    return made


def must_add_up(made: Bill) -> None:
    """Raise AssertionError unless lines and homes come to their lots and parts to their totals."""
    parts, lot = (*WORKS, *TERMS), made.homes["lot_no"].to_numpy() - 1
    for name in ("net_area", *parts, "total"):
        added = np.zeros(made.lots.height, dtype=np.int64)
        np.add.at(added, lot, made.homes[name].to_numpy())
        assert (added == made.lots[name].to_numpy()).all(), f"homes and lots part in {name}"
    for name in SECTIONS:
        rows = made.lines.filter(pl.col("section") == name)
        added = np.zeros(made.lots.height, dtype=np.int64)
        np.add.at(added, rows["lot_no"].to_numpy() - 1, rows["amount"].to_numpy())
        assert (added == made.lots[name].to_numpy()).all(), f"lines and lots part in {name}"
    for table in (made.lots, made.homes):
        signed = [-table[name] if name == "lot_discount" else table[name] for name in parts]
        assert (sum(signed[1:], start=signed[0]) == table["total"]).all(), "parts are not the total"


def _variants(options: pl.DataFrame, pricing: costs.Pricing) -> list[list[str]]:
    """What each item is bought for with each option: insulant, finish, thickness, or nothing.

    options: rows of system and thickness_mm. Shape [item][option].
    """
    table = pricing.reference.table("insulation_systems").rows_by_key("system", named=True)

    def variant(item: Mapping[str, Any], system: str, mm: float) -> str:
        bought = {"system": "label", "finish": "finish"}.get(item["rate_by"])
        what = table[system][0][bought] if bought else ""
        thick = f"{mm:g} mm" if item["priced_per_10mm"] == "yes" else ""
        return " ".join(filter(None, (what, thick)))

    items = pricing.bill.to_dicts()
    return [[variant(item, *option) for option in options.iter_rows()] for item in items]


def _items(
    options: pl.DataFrame, variants: Sequence[Sequence[str]], pricing: costs.Pricing
) -> pl.DataFrame:
    """Every item with each variant the homes' options need, in the order of the bill.

    Columns: those of the bill's items, place (order), variant, applies_to, thickness_mm, _RATES.
    """
    finishes = dict(pricing.reference.table("insulation_systems").select("system", "finish").rows())
    each = {
        name: nearest(costs.item_rates(pricing, pricing.bill, options, end) * _RATE)
        for name, end in _RATES.items()
    }
    rows: dict[tuple[int, str], dict[str, Any]] = {}
    for place, item in enumerate(pricing.bill.iter_rows(named=True)):
        for o, (system, mm) in enumerate(options.iter_rows()):
            variant = variants[place][o]
            rows.setdefault((place, variant), {
                **item, "place": place, "variant": variant,
                "applies_to": costs.rate_key(item["rate_by"], system, finishes),
                "thickness_mm": mm if item["priced_per_10mm"] == "yes" else None,
                **{name: int(rate[place, o]) for name, rate in each.items()},
            })  # fmt: skip
    return pl.DataFrame(list(rows.values()), infer_schema_length=None).with_columns(
        pl.col("place").cast(pl.Int64)
    )


def _taken_off(
    homes: pl.DataFrame,
    options: pl.DataFrame,
    variants: Sequence[Sequence[str]],
    pricing: costs.Pricing,
) -> pl.DataFrame:
    """Net quantity of every item of every home: lot_no, row (of homes), place, variant, net."""
    option = homes.select("system", "thickness_mm").join(
        options.with_row_index("option"), on=["system", "thickness_mm"], maintain_order="left"
    )["option"]
    each = takeoff.per_driver(pricing.bill, options, pricing.reference)
    numbers = takeoff.drivers(homes, pricing.reference)
    parts = []
    for o in range(options.height):
        rows = np.flatnonzero(option.to_numpy() == o)
        net = np.zeros((rows.size, each.shape[0]))
        for d in range(numbers.shape[1]):
            net = net + numbers[rows, d, None] * each[:, d, o]
        for place, bought in enumerate(variants):
            parts.append(
                pl.DataFrame({"row": rows, "net": np.rint(net[:, place] * _MILLI).astype(np.int64)})
                .filter(pl.col("net") > 0)
                .with_columns(
                    place=pl.lit(place, pl.Int64),
                    variant=pl.lit(bought[o]),
                )
            )
    lot = homes["lot_no"].to_numpy()
    taken = pl.concat(parts)
    return taken.with_columns(lot_no=pl.Series(lot[taken["row"].to_numpy()])).sort(
        "lot_no", "place", "variant", "row"
    )


def _lines(taken: pl.DataFrame, items: pl.DataFrame) -> pl.DataFrame:
    """One line per lot, item and variant: net, gross with waste, rate and amounts."""
    key = ["lot_no", "place", "variant"]
    summed = taken.group_by(key, maintain_order=True).agg(pl.col("net").sum())
    line = summed.join(items, on=["place", "variant"], how="left", maintain_order="left")
    waste = np.rint(line["waste"].to_numpy() * _RATE).astype(np.int64)
    gross = divided(line["net"].to_numpy() * (_RATE + waste), _RATE)
    amounts = {
        name.replace("rate", "amount"): pl.Series(
            divided(gross * line[name].to_numpy(), _MILLI * _RATE // 100)
        )
        for name in _RATES
    }
    return line.select(*key, "section", "item", "label", "unit", "waste", "net").with_columns(
        gross=pl.Series(gross), rate=line["rate"], **amounts
    )


def _shared(taken: pl.DataFrame, lines: pl.DataFrame) -> pl.DataFrame:
    """Each home's share of every line: taken with section and amount."""
    key = ["lot_no", "place", "variant"]
    numbered = taken.join(
        lines.with_row_index("line").select(*key, "line", "section"), on=key, how="left",
        maintain_order="left",
    )  # fmt: skip
    share = shares(
        lines["amount"].to_numpy(), taken["net"].to_numpy(),
        numbered["line"].to_numpy().astype(np.int64),
    )  # fmt: skip
    return numbered.with_columns(amount=pl.Series(share))


def _accounts(
    homes: pl.DataFrame, shared: pl.DataFrame, pricing: costs.Pricing
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The account of every lot, and of every home as its share of the lot's."""
    lot = homes["lot_no"].to_numpy().astype(np.int64)
    size = np.bincount(lot)[1:]
    home_part = {name: np.zeros(homes.height, dtype=np.int64) for name in SECTIONS}
    for name in SECTIONS:
        part = shared.filter(pl.col("section") == name)
        np.add.at(
            home_part[name], part["row"].to_numpy().astype(np.intp), part["amount"].to_numpy()
        )

    def of_lots(member: Whole) -> Whole:
        total = np.zeros(size.size, dtype=np.int64)
        np.add.at(total, lot - 1, member)
        return total

    first = homes.unique("lot_no", keep="first", maintain_order=True)
    terms = rates.terms(pricing.book, pricing.settings)
    discount = np.array([rates.lot_discount(pricing.book, int(n))[1] for n in size])
    rate = _Shares.of(terms, discount, first["location_index"].to_numpy())
    whole = _account({name: of_lots(part) for name, part in home_part.items()}, rate)
    own = dict(home_part)
    for name in ("lot_discount", "location", "prelims", "contingency", "vat"):
        own[name] = np.sign(whole[name])[lot - 1] * shares(
            np.abs(whole[name]), _weight(name, own), lot
        )
    areas = np.rint(homes["treated_wall_area_m2"].to_numpy() * _MILLI).astype(np.int64)
    lots = pl.DataFrame(
        {
            "lot_no": first["lot_no"], "street_lot": first["street_lot"], "homes": size,
            "net_area": of_lots(areas), "discount_share": discount,
            "location_index": first["location_index"], **_totalled(whole),
            **{name: whole[name] for name in HERE},
        }
    )  # fmt: skip
    accounts = homes.select(
        "lot_no", "home_id", "address", "street_lot", "system", "thickness_mm",
        net_area=pl.Series(areas),
        **{
            ranked: pl.Series(np.rint(homes[name].to_numpy() * 100).astype(np.int64))
            for ranked, name in ALONE.items()
        },
    ).hstack(pl.DataFrame(_totalled(own)))  # fmt: skip
    return lots, accounts


def _weight(term: str, own: Mapping[str, Whole]) -> Whole:
    """By what a home's share of a term of its lot is weighed: what the term is reckoned on."""
    if term == "lot_discount":
        return own["access"]
    works = sum((own[name] for name in WORKS), start=-own["lot_discount"])
    if term in ("prelims", "contingency"):
        return works
    if term == "location":
        return np.asarray(works + own["on_costs"])
    return np.asarray(
        works + own["location"] + own["prelims"] + own["contingency"] + own["on_costs"]
    )


@dataclass(frozen=True)
class _Shares:
    """Shares of each lot in units of 1 / SHARE, so fine that the workbook's floats agree."""

    discount: Whole
    location: Whole
    prelims: Whole
    contingency: Whole
    vat: Whole

    @classmethod
    def of(cls, terms: rates.Terms, discount: Any, location: Any) -> "_Shares":
        lots = np.ones(len(discount))
        figures = (
            discount, location, terms.prelims * (1.0 - discount), terms.contingency * lots,
            terms.vat * lots,
        )  # fmt: skip
        return cls(*(np.rint(f * SHARE).astype(np.int64) for f in figures))


def _account(part: Mapping[str, Whole], rate: _Shares) -> dict[str, Whole]:
    """Sections and terms of every lot, each rounded to the penny once.

    location: what the location index adds to works and on-costs together; may be below zero.
    """
    works = sum((part[name] for name in WORKS), start=np.zeros_like(part["access"]))
    discount = part_of(part["access"], rate.discount)
    located = part_of(works - discount, rate.location)
    fees = part_of(part["on_costs"], rate.location)
    prelims = part_of(located, rate.prelims)
    contingency = part_of(located + prelims, rate.contingency)
    before = located + prelims + contingency + fees
    return {
        **part,
        "lot_discount": discount,
        "location": located + fees - (works - discount) - part["on_costs"],
        "prelims": prelims,
        "contingency": contingency,
        "vat": part_of(before, rate.vat),
        "works_here": located,
        "on_costs_here": fees,
        "before_vat": before,
    }


def _beside(lots: pl.DataFrame, lines: pl.DataFrame, pricing: costs.Pricing) -> pl.DataFrame:
    """The totals BESIDE each lot's own, priced as `rates.Terms` says; its own where bands agree."""
    index, own = lots["location_index"].to_numpy(), lots["discount_share"].to_numpy()
    found = {}
    for name, end in zip(BESIDE, rates.ENDS, strict=True):
        terms = rates.terms(pricing.book, pricing.settings, end)
        off = np.full(lots.height, terms.lot_discount) if end == "rate" else own
        amount = "amount" if end == "rate" else f"amount_{end}"
        part = {section: np.zeros(lots.height) for section in SECTIONS}
        for section, held in part.items():
            rows = lines.filter(pl.col("section") == section)
            np.add.at(held, rows["lot_no"].to_numpy() - 1, rows[amount].to_numpy())
        works = sum((part[section] for section in WORKS), start=-part["access"] * off)
        built = works * (1.0 + terms.prelims * (1.0 - off)) * (1.0 + terms.contingency)
        price = (built + part["on_costs"]) * index * (1.0 + terms.vat)
        found[name] = nearest(price)
    size = pricing.settings.lot_homes
    same = [band(pricing.book, n) == band(pricing.book, size) for n in lots["homes"]]
    found[BESIDE[0]] = np.where(same, lots["total"].to_numpy(), found[BESIDE[0]])
    return pl.DataFrame(found)


def band(book: rates.RateBook, homes: int) -> str:
    """Key of the book's lot discount for so many homes; empty where none is reached."""
    return rates.lot_discount(book, homes)[0]


def _totalled(part: Mapping[str, Whole]) -> dict[str, Whole]:
    """Columns of an account in the order of the bill, with its total."""
    ordered = {name: part[name] for name in (*WORKS, *TERMS)}
    total = sum(
        (-v if name == "lot_discount" else v for name, v in ordered.items()),
        start=np.zeros_like(ordered["access"]),
    )
    return {**ordered, "total": total}


def _packs(lines: pl.DataFrame, items: pl.DataFrame) -> pl.DataFrame:
    """Whole packs of each item for each lot, and what they leave over; items sold in packs."""
    packed = lines.join(
        items.select("place", "variant", "pack", "pack_label"), on=["place", "variant"],
        how="left", maintain_order="left",
    ).filter(pl.col("pack").is_not_null())  # fmt: skip
    pack = np.rint(packed["pack"].to_numpy() * _MILLI).astype(np.int64)
    gross = packed["gross"].to_numpy()
    number = -(-gross // pack)
    surplus = number * pack - gross
    left = divided(surplus * packed["rate"].to_numpy(), _MILLI * _RATE // 100)
    return packed.select(
        "lot_no", "item", "label", "variant", "unit", "gross", "pack_label"
    ).with_columns(
        packs=pl.Series(number), surplus=pl.Series(surplus), surplus_amount=pl.Series(left)
    )
