"""Texts of the pages and the way figures are written."""

import math
import re

from pipeline.columns import dictionary

INVENTED = (
    "Invented data: this run was priced from the demo rate book. That book, the demo town and its"
    " homes are invented. Put your own rates in before anybody relies on a cost."
)
MODELLED = (
    "**Modelled** savings hold under standard conditions: the whole home heated to one temperature"
    " in an average year."
)
EXPECTED = (
    "**Expected** savings are what meters will likely show: the modelled share of metered use, or"
    " the modelled saving after the in-use reduction where no meter is known; then less the comfort"
    " share, and never more than the home uses now."
)
SAVINGS = (
    f"{MODELLED} {EXPECTED} Lifetime CO2, cost per tonne and net present value rest on the modelled"
    " saving."
)
GAP = (
    "The gap is proved, not guessed: no choice of homes, options, funds and years that keeps every"
    " rule can be worth more than the bound. What may be gained by searching on is at most the gap."
)
MARKS = (
    "Marks: *seen* read in an attributable published page; *practice* common practice, no single"
    " source; *memory* recalled from the named publication, not read again; *assumed* an"
    " assumption of this tool, to be replaced by your evidence."
)
GRADES = {
    "A": "A, measured",
    "B": "B, given",
    "C": "C, default by type",
    "D": "D, assumed",
}
"""Data grades of an input, as the legend of a chart names them."""
GRADE_MEANING = (
    "**A** measured: from a source the settings name as measured. **B** given: in the list or a"
    " survey. **C** default: filled from age, type or geometry. **D** assumed: filled without"
    " evidence."
)
VERDICTS = (
    "**pass**: nothing was found. **not surveyed**: what decides is not known; treat it as referred"
    " until somebody has looked. **refer**: a person must settle it before works. **exclude**: not"
    " ranked. A home's verdict is the worst of its screens. No verdict is an approval, and limits"
    " in law differ by nation: check with the competent authority."
)
OTHER_LABELS = {
    "homes": "Homes",
    "quarantine_reason": "Why in quarantine",
    "rows": "Rows",
    "system_label": "Insulant",
    "u_after_mean_w_m2k": "Mean wall U-value after [W/m2K]",
    "homes_allowed": "Homes that admit it",
    "marginal_cost_gbp": "Cost of the last step [GBP]",
    "marginal_heat_kwh_per_year": "Modelled heat the last step adds [kWh/year]",
    "marginal_cost_per_lifetime_tonne_gbp": "Cost of one more lifetime tonne [GBP/tCO2e]",
    "cumulative_co2_saved_lifetime_t": "Lifetime CO2 saved to here, modelled [tCO2e]",
    "claim_id": "Claim",
    "made_at": "Made at",
    "line": "Line",
    "run_id": "Run",
    "column_label": "Column",
    "cell_text": "Text in the list",
    "read_as": "Read as",
    "texts": "Different texts",
    "input": "Input",
    "group": "Estate",
    "reasons": "Why in quarantine",
    "warning": "What is unusual",
    "u_default_w_m2k": "Default for the same home [W/m2K]",
    "wall_area_estimated_m2": "Net wall area estimated [m2]",
    "given_over_estimated": "Given over estimated [times]",
    "doubt_kwh_per_year": "Doubt in the modelled heat saved [kWh/year]",
    "spread": "Spread of the saving",
    "from_source": "Source",
    "outcome": "What became of it",
    "entries": "Entries",
    "part": "Part",
    "amount_gbp": "All homes [GBP]",
    "per_home_gbp": "Per home [GBP]",
    "per_m2_gbp": "Per m2 of net wall [GBP/m2]",
    "share": "Share of the price [fraction]",
    "mean_gbp_m2": "This programme [GBP/m2]",
    "evidence_low_gbp_m2": "Published, low [GBP/m2]",
    "evidence_high_gbp_m2": "Published, high [GBP/m2]",
    "evidence": "Published rate is for",
    "what": "What",
    "evidence_unit": "Unit",
    "low": "Low",
    "high": "High",
    "price_date": "Prices of",
    "scope": "Scope",
    "source": "Source",
    "checked": "Mark",
    "lot_no": "Lot",
    "street_lot": "Street lot",
    "net_area_m2": "Net wall area [m2]",
    "discount_share": "Lot discount [fraction]",
    "works_here_gbp": "Works [GBP]",
    "on_costs_here_gbp": "On-costs [GBP]",
    "total_gbp": "Total [GBP]",
    "verdict": "Verdict",
    "pays_back_in_time": "Pays back in time",
    "optimum_mm": "Closed form [mm]",
    "stocked_mm": "Best stocked [mm]",
    "screen": "Screen",
    "why": "What the screen says",
    "change": "What would have to change",
    "rule": "Rule",
    "nation": "Nation",
    "quantity": "Limit",
    "value": "Value",
    "unit": "Unit",
}
"""Titles of columns that the dictionary of columns does not hold."""
_TEXTS = (
    "quarantine_reason", "system_label", "claim_id", "made_at", "line", "run_id", "column_label",
    "cell_text", "read_as", "input", "group", "reasons", "warning", "from_source", "outcome",
    "spread", "part", "evidence", "what", "evidence_unit", "price_date", "scope", "source",
    "checked", "street_lot", "verdict", "screen", "why", "change", "rule", "nation", "quantity",
    "unit",
)  # fmt: skip
_DECIMALS = {
    "times": 2,
    "W/m2K": 2,
    "per GBP": 2,
    "GBP/kWh": 4,
    "fraction": 2,
    "tCO2e": 1,
    "years": 1,
}


def title(name: str) -> str:
    """Label of a column with its unit in brackets."""
    known = dictionary().get(name)
    whole = known.titled if known else OTHER_LABELS.get(name, name.replace("_", " "))
    return whole.removesuffix(" [no]")


def unit(name: str) -> str:
    """Unit of a column; empty where it has none."""
    known = dictionary().get(name)
    if known:
        return known.unit
    found = re.search(r"\[(.*)\]$", OTHER_LABELS.get(name, ""))
    return found.group(1) if found else ""


def is_text(name: str) -> bool:
    """Whether a column holds text, not figures."""
    known = dictionary().get(name)
    return known.dtype in ("text", "code") if known else name in _TEXTS


def meaning(name: str) -> str | None:
    """Meaning of a column as the dictionary of columns gives it."""
    known = dictionary().get(name)
    return known.meaning if known else None


def decimals(name: str) -> int:
    """Decimals a column is shown with."""
    return _DECIMALS.get(unit(name), 0)


def headline(name: str) -> str:
    """Label of a headline figure; money carries its pound sign in the figure instead."""
    whole, money = title(name), unit(name)
    if money == "GBP":
        return whole.removesuffix(" [GBP]")
    return whole.replace("[GBP/", "[per ") if money.startswith("GBP/") else whole


def figure(name: str, value: float, sign: bool = False) -> str:
    """A figure with thousands separated, a pound sign where it is money, a dash where none."""
    if not math.isfinite(value):
        return "–"
    places = 0 if unit(name) == "tCO2e" and abs(value) >= 100 else decimals(name)
    number = f"{abs(value):,.{places}f}"
    if not number.strip("0.,"):
        return "0"
    before = "−" if value < 0 else "+" if sign else ""
    return f"{before}{'£' if unit(name).startswith('GBP') else ''}{number}"


def plain(text: object) -> str:
    """Text for a place that reads Markdown, so that nothing in it acts as Markdown."""
    return re.sub(r"([\\`*_{}\[\]()<>#+!|~$:&-])", r"\\\1", str(text))


def some(names: list[str], most: int = 10) -> str:
    """The first names of a list and how many more there are."""
    more = f" and {len(names) - most:,} more" if len(names) > most else ""
    return ", ".join(names[:most]) + more


def keys(text: str) -> list[str]:
    """Home keys from pasted text: one to a line, or with commas or semicolons between."""
    parts = [part.strip().strip('"') for part in re.split(r"[\n\r,;\t]+", text)]
    return [part for part in parts if part and part.lower() != "home_id"]
