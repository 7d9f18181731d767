"""Cost, and what the saving is worth over the lifetime, as steps of the sheet."""

import polars as pl

from pipeline.assess import Basis
from pipeline.explain.dwelling import Home
from pipeline.explain.step import Row, Sheet, cited, one
from pipeline.options import costs, rates, takeoff
from pipeline.programme import objective
from pipeline.settings import Term


def cost(sheet: Sheet, home: Home, base: Basis) -> None:
    """The price of the works, item by item, from the rate book of the run."""
    sheet.part("Cost")
    book, pricing = base.book, base.pricing
    named, terms = f"rate book {book.name}", rates.terms(base.book, base.settings.cost)
    sheet.given("u_lot", terms.lot_discount, "", f"{named}: lot_discount", "Lot discount")
    place = pl.DataFrame({"postcode": [home["postcode"]]}, schema={"postcode": pl.String})
    index = rates.with_location(place, book)["location_index"][0]
    sheet.given("f_place", index, "", f"{named}: location_index", "location_index")
    for section, symbols in _items(sheet, home, base).items():
        total = " + ".join(symbols) or "0"
        less = " × (1 − u_lot)" if section == "access" else ""
        sheet.found(f"K_{section} = ({total}) × f_place{less}", "GBP", "sum of its items",
                    f"{section}_gbp")  # fmt: skip
    works = " + ".join(f"K_{section}" for section in takeoff.SECTIONS[:-1])
    sheet.found(f"K_w = {works}", "GBP", "sum", "works_gbp")
    for symbol, item, value in (
        ("u_p", "prelims", terms.prelims), ("u_c", "contingency", terms.contingency),
    ):  # fmt: skip
        source = f"{named}: {book.row(item).source}"
        sheet.given(symbol, value, "", source, f"Share of {item}")
    day, _, vat_source = rates.vat(book, pricing.settings)
    sheet.given("u_v", terms.vat, "", f"from {day}: {vat_source}", "Share of VAT")
    sheet.found("K_p = K_w × u_p × (1 − u_lot)", "GBP", "share of the works", "prelims_gbp")
    sheet.found("K_c = (K_w + K_p) × u_c", "GBP", "share of works and prelims",
                "contingency_gbp")  # fmt: skip
    sheet.found("K_v = (K_w + K_p + K_c + K_on_costs) × u_v", "GBP",
                "by the date of installation", "vat_gbp")  # fmt: skip
    sheet.found("K = K_w + K_p + K_c + K_on_costs + K_v", "GBP", "sum", "cost_gbp")


def _items(sheet: Sheet, home: Home, base: Basis) -> dict[str, list[str]]:
    """Net quantity, waste, rate and amount of every item; the amounts' symbols by section."""
    pricing, one_home = base.pricing, pl.DataFrame([dict(home)])
    bill, option = pricing.bill, one_home.select("system", "thickness_mm")
    finishes = dict(base.reference.table("insulation_systems").select("system", "finish").rows())
    each = takeoff.per_driver(bill, option, base.reference)[:, :, 0]
    quantity = each @ takeoff.drivers(one_home, base.reference)[0]
    rate = costs.item_rates(pricing, bill, option)[:, 0]
    found: dict[str, list[str]] = {name: [] for name in takeoff.SECTIONS}
    for item, net, price in zip(bill.iter_rows(named=True), quantity, rate, strict=True):
        if not net:
            continue
        name, label = item["item"], item["label"].capitalize()
        key = costs.rate_key(item["rate_by"], home["system"], finishes)
        source = f"rate book {base.book.name}: {base.book.row(name, key).source}"
        sheet.given(f"n_{name}", float(net), item["unit"], "take_off.csv", f"{label}, net")
        sheet.given(f"w_{name}", item["waste"], "", cited(item), f"{label}, waste")
        sheet.given(f"r_{name}", float(price), f"GBP/{item['unit']}", source, f"{label}, rate")
        sheet.found(f"K_{name} = n_{name} × (1 + w_{name}) × r_{name}", "GBP", "quantity × rate",
                    label)  # fmt: skip
        found[item["section"]].append(f"K_{name}")
    return found


def lifetime(sheet: Sheet, home: Home, base: Basis) -> None:
    """Tonnes, present values and what the home is ranked by."""
    _yearly(sheet, home, base)
    sheet.part("Over the lifetime")
    book, own = "HM Treasury Green Book", "own definition"
    sheet.found("T = ΔF × ΣL", "tCO2e", "appraisal basis, not discounted",
                "co2_saved_lifetime_t")  # fmt: skip
    sheet.found("K_T = K / T", "GBP/tCO2e", f"{own}: bills not deducted",
                "cost_per_lifetime_tonne_gbp")  # fmt: skip
    sheet.found("K_E = K / (ΔF × Y)", "GBP/kWh", own, "cost_per_lifetime_kwh_gbp")
    sheet.found("PV_B = B_m × Σa", "GBP", book, "bill_saved_pv_gbp")
    sheet.found("PV_C = ΔF × Σc", "GBP", "DESNZ carbon values", "carbon_value_pv_gbp")
    sheet.found("NPV = PV_B + PV_C − K", "GBP", f"{own}: retail bills and carbon value, less cost",
                "net_present_value_gbp")  # fmt: skip
    sheet.found("NPV_e = B_e × Σa + ΔF_e × Σc − K", "GBP", "the same on expected savings",
                "expected_net_present_value_gbp")  # fmt: skip
    sheet.found("Y_p = K / B_m", "years", "modelled, not discounted", "simple_payback_years")
    if home.get("rank") is not None:
        _score(sheet, home, base)


_WORTH: dict[Term, str] = {
    "net_benefit": "NPV", "expected_net_benefit": "NPV_e", "carbon": "T", "heat": "ΔQ × Y",
    "low_income_bills": "i_low × PV_B",
}  # fmt: skip
"""What a home is worth under each objective, in symbols of the sheet."""


def _score(sheet: Sheet, home: Home, base: Basis) -> None:
    """What the home is ranked by: the objective, or the weighted sum of several, per pound."""
    stated = base.settings.appraisal
    said = f"objective of the run: {stated.objective}"
    if "low_income_bills" in (stated.weights or (stated.objective,)):
        sheet.fact("low_income", home["low_income"], "stock list",
                   printed=home["low_income"] or "not known: counts as not low")  # fmt: skip
        sheet.given("i_low", float(home["low_income"] == "yes"), "", "1: low income",
                    "Low income counted")  # fmt: skip
    worth = _WORTH[stated.objective]
    if stated.weights:
        said = f"objectives of the run, weighted: {', '.join(stated.weights)}"
        for term, weight in stated.weights.items():
            sheet.given(f"W_{term}", weight, "", "settings, appraisal.weights: GBP for one unit",
                        f"Weight of {objective.TERMS[term][0]}")  # fmt: skip
        worth = f"({' + '.join(f'W_{term} × {_WORTH[term]}' for term in stated.weights)})"
    sheet.found(f"score = {worth} / K", "per GBP", said, "score")
    sheet.given("rank", home["rank"], "", "place of the score among all ranked homes",
                "rank")  # fmt: skip


def _yearly(sheet: Sheet, home: Home, base: Basis) -> None:
    """Factor, carbon value and discount of each year, with their sums for one kWh a year."""
    sheet.part("Worth of one kWh a year, year by year")
    tables, chosen = base.reference, base.settings.appraisal
    guarantee = "with" if chosen.guarantee_25_years else "without"
    sheet.constant("Y", f"lifetime_{guarantee}_guarantee", "Lifetime of the measure")
    sheet.constant("I_0", "deflator_2022", "Price index of 2022")
    sheet.constant("I", "deflator_2025", "Price index of 2025")
    grid = tables.table("grid_carbon_long_run_marginal").sort("year").to_dicts()
    values = tables.table("carbon_values").sort("year").to_dicts()
    rates = tables.table("discount_rates").to_dicts()
    electric = home["fuel"].startswith("electricity")
    if not electric:
        fuel = one(tables, "fuel_factors", fuel=home["fuel"], metric="appraisal")
    before = 1.0
    for number in range(1, base.worth.lifetime_years + 1):
        year = chosen.first_year + number - 1
        factor, value = _held(grid, year) if electric else fuel, _held(values, year)
        step = next(row for row in rates if row["first_year"] <= number <= row["last_year"])
        sheet.row("each year", str(year))
        name = "factor_kgco2e_per_kwh" if electric else "value"
        sheet.given("f", factor[name], "kgCO2e/kWh", cited(factor), "Appraisal factor")
        sheet.found("l = f / 1000", "t/kWh", "unit", "Tonnes per kWh")
        sheet.given("v_0", value[f"{chosen.carbon_value}_gbp_per_t"], "GBP/t",
                    cited(value), f"Carbon value, {chosen.carbon_value}, 2022")  # fmt: skip
        sheet.given("r", step["rate"], "", cited(step), "Discount rate")
        sheet.given("a_0", before, "", "row above", "Factor a year before")
        before = sheet.found("a = a_0 / (1 + r)", "", "HM Treasury Green Book", "Discount factor")
        sheet.found("c = l × v_0 × I / I_0 × a", "GBP/kWh", "DESNZ carbon values, 2025 prices",
                    "Carbon worth")  # fmt: skip
    sheet.end()
    sheet.found("ΣL = Σ(l)", "t/kWh", "appraisal basis", "Tonnes of one kWh a year")
    sheet.found("Σa = Σ(a)", "", "HM Treasury Green Book", "Present value of 1 GBP a year")
    sheet.found("Σc = Σ(c)", "GBP/kWh", "DESNZ carbon values", "Carbon worth of one kWh a year")


def _held(rows: list[Row], year: int) -> Row:
    """The row of a year; after the last published year, that year's row."""
    return next((row for row in rows if row["year"] == year), rows[-1])
