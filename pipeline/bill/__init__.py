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
RANKED = {
    "as_ranked": "cost_gbp", "as_ranked_low": "cost_low_gbp", "as_ranked_high": "cost_high_gbp",
}  # fmt: skip
"""Cost of a home in the ranking, and with every rate at its low and high end."""
_MILLI, _RATE, _SHARE = 1_000, 10_000, 1_000_000


@dataclass(frozen=True)
class Bill:
    """A bill of quantities. Money in pence, quantities in thousandths, rates in 1/10 000 GBP.

    lots: lot_no, street_lot, homes, net_area, discount and location shares, then each section,
    TERMS, total and HERE. homes: the same account for each home, and RANKED. lines: lot_no,
    section, item, variant, net, gross, rate, amount. items: each item and variant with its rate
    and pack. packs: whole packs for each lot and variant, and what is left over.
    """

    lots: pl.DataFrame
    homes: pl.DataFrame
    lines: pl.DataFrame
    items: pl.DataFrame
    packs: pl.DataFrame


def chosen(ranking: pl.DataFrame, home_ids: Sequence[str]) -> pl.DataFrame:
    """The named homes. Raises BillError for one that is unknown, named twice or without works."""
    wanted = pl.Series("home_id", home_ids, dtype=pl.String)
    if repeated := sorted(wanted.filter(wanted.is_duplicated()).unique()):
        raise BillError(f"Named more than once: {_some(repeated)}. Name each home once.")
    if unknown := sorted(set(wanted) - set(ranking["home_id"])):
        raise BillError(f"Not in this store: {_some(unknown)}. Check the keys; see quarantine.csv.")
    found = ranking.filter(pl.col("home_id").is_in(wanted.implode()))
    if bare := sorted(found.filter(pl.col("system").is_null())["home_id"]):
        raise BillError(f"No works were chosen for {_some(bare)}. Leave them out.")
    return found


def _some(names: Sequence[str]) -> str:
    return ", ".join(names[:10]) + (f" and {len(names) - 10} more" if len(names) > 10 else "")


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
    return Bill(lots, accounts, lines, items, _packs(lines, items))


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

    Columns: those of the bill's items, place (order), variant, applies_to, thickness_mm, rate.
    """
    finishes = dict(pricing.reference.table("insulation_systems").select("system", "finish").rows())
    each = np.rint(costs.item_rates(pricing, pricing.bill, options) * _RATE).astype(np.int64)
    rows: dict[tuple[int, str], dict[str, Any]] = {}
    for place, item in enumerate(pricing.bill.iter_rows(named=True)):
        for o, (system, mm) in enumerate(options.iter_rows()):
            variant = variants[place][o]
            rows.setdefault((place, variant), {
                **item, "place": place, "variant": variant,
                "applies_to": costs.rate_key(item["rate_by"], system, finishes),
                "thickness_mm": mm if item["priced_per_10mm"] == "yes" else None,
                "rate": int(each[place, o]),
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
    """One line per lot, item and variant: net, gross with waste, rate and amount."""
    key = ["lot_no", "place", "variant"]
    summed = taken.group_by(key, maintain_order=True).agg(pl.col("net").sum())
    line = summed.join(items, on=["place", "variant"], how="left", maintain_order="left")
    waste = np.rint(line["waste"].to_numpy() * _RATE).astype(np.int64)
    gross = _divided(line["net"].to_numpy() * (_RATE + waste), _RATE)
    amount = _divided(gross * line["rate"].to_numpy(), _MILLI * _RATE // 100)
    return line.select(*key, "section", "item", "label", "unit", "waste", "net").with_columns(
        gross=pl.Series(gross), rate=line["rate"], amount=pl.Series(amount)
    )


def _divided(number: Whole, by: int | Whole) -> Whole:
    """Whole number divided and rounded, halves up. number from 0 up."""
    return np.asarray((2 * number + by) // (2 * by))


def _shares(amount: Whole, weight: Whole, group: Whole) -> Whole:
    """Amounts of groups shared among their members by weight, in whole pence, nothing lost.

    amount: [group]; weight, group: [member], members of a group side by side. The running total
    is rounded, not the member, so that the shares of a group add up to its amount exactly.
    """
    running = np.cumsum(weight)
    last = np.flatnonzero(np.diff(group, append=-1))
    before = np.concatenate([[0], running[last][:-1]])
    place = np.searchsorted(group[last], group)
    whole = running[last] - before
    part = running - before[place]
    product = amount[place].astype(object) * part  # may pass 64 bits in a lot of ten thousand
    upto = _divided(product, np.maximum(whole[place], 1)).astype(np.int64)
    starts = np.diff(group, prepend=-1) != 0
    return np.asarray(upto - np.where(starts, 0, np.roll(upto, 1)))


def _shared(taken: pl.DataFrame, lines: pl.DataFrame) -> pl.DataFrame:
    """Each home's share of every line: taken with section and amount."""
    key = ["lot_no", "place", "variant"]
    numbered = taken.join(
        lines.with_row_index("line").select(*key, "line", "section"), on=key, how="left",
        maintain_order="left",
    )  # fmt: skip
    share = _shares(
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
        own[name] = np.sign(whole[name])[lot - 1] * _shares(
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
            for ranked, name in RANKED.items()
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
    """Shares of each lot in millionths."""

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
        return cls(*(np.rint(f * _SHARE).astype(np.int64) for f in figures))


def _account(part: Mapping[str, Whole], rate: _Shares) -> dict[str, Whole]:
    """Sections and terms of every lot, each rounded to the penny once.

    location: what the location index adds to works and on-costs together; may be below zero.
    """
    works = sum((part[name] for name in WORKS), start=np.zeros_like(part["access"]))
    discount = _divided(part["access"] * rate.discount, _SHARE)
    located = _divided((works - discount) * rate.location, _SHARE)
    fees = _divided(part["on_costs"] * rate.location, _SHARE)
    prelims = _divided(located * rate.prelims, _SHARE)
    contingency = _divided((located + prelims) * rate.contingency, _SHARE)
    before = located + prelims + contingency + fees
    return {
        **part,
        "lot_discount": discount,
        "location": located + fees - (works - discount) - part["on_costs"],
        "prelims": prelims,
        "contingency": contingency,
        "vat": _divided(before * rate.vat, _SHARE),
        "works_here": located,
        "on_costs_here": fees,
        "before_vat": before,
    }


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
    left = _divided(surplus * packed["rate"].to_numpy(), _MILLI * _RATE // 100)
    return packed.select(
        "lot_no", "item", "label", "variant", "unit", "gross", "pack_label"
    ).with_columns(
        packs=pl.Series(number), surplus=pl.Series(surplus), surplus_amount=pl.Series(left)
    )
