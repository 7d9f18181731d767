"""Cost, and what the saving is worth over the lifetime, as steps of the sheet."""

from pipeline.assess import Basis
from pipeline.explain.dwelling import Home
from pipeline.explain.step import Row, Sheet, cited, one

_ON_COSTS = ("assessment", "coordination", "design", "ventilation")


def cost(sheet: Sheet, home: Home, base: Basis) -> None:
    """The price of the works, line by line, from the rate book of the run."""
    sheet.part("Cost")
    book = base.book

    def rate(symbol: str, item: str, unit: str, of: str = "all") -> None:
        what = item.replace("_", " ").capitalize().replace("Vat", "VAT") + (
            "" if of == "all" else f", {of}"
        )
        source = f"rate book {book.name}: {book.source(item, of)}"
        sheet.given(symbol, book.rate(item, of), unit, source, what)

    source = f"rate book {book.name}"
    rate("r_0", "system_fixed", "GBP/m2", home["system"])
    rate("r_d", "system_per_10mm", "GBP/m2", home["system"])
    sheet.given("r_a", home["access_gbp_m2"], "GBP/m2", f"{source}: scaffold by storeys",
                "access_gbp_m2")  # fmt: skip
    sheet.given("K_e", home["enabling_gbp"], "GBP", f"{source}: enabling, by type of home",
                "enabling_gbp")  # fmt: skip
    sheet.found("K_s = A_t × (r_0 + r_d × d / 10)", "GBP", source, "System on the wall")
    sheet.found("K_a = A_t × r_a", "GBP", source, "Access")
    sheet.found("K_w = K_s + K_a + K_e", "GBP", "sum", "works_gbp")
    rate("u_p", "prelims", "")
    rate("u_c", "contingency", "")
    sheet.found("K_u = K_w × (1 + u_p) × (1 + u_c)", "GBP", "prelims and contingency on the works",
                "Works with prelims and contingency")  # fmt: skip
    for item in _ON_COSTS:
        rate(f"K_{item}", item, "GBP")
    names = " + ".join(f"K_{item}" for item in _ON_COSTS)
    sheet.found(f"K_o = {names}", "GBP", "sum", "On-costs of each home")
    rate("u_v", base.terms.vat_item, "")
    sheet.found("K = (K_u + K_o) × (1 + u_v)", "GBP", "with VAT by the date of installation",
                "cost_gbp")  # fmt: skip


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
    if home.get("rank") is None:
        return
    objective = base.settings.appraisal.objective
    value = {"net_benefit": "NPV", "expected_net_benefit": "NPV_e", "carbon": "T"}
    formula = f"{value.get(objective, 'ΔQ × Y')} / K"
    sheet.found(f"score = {formula}", "per GBP", f"objective of the run: {objective}",
                "score")  # fmt: skip
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
