"""An allocation as tables: what each home gets and why, and each street lot."""

from collections.abc import Mapping, Sequence

import numpy as np
import polars as pl

from pipeline import identity
from pipeline.funding.case import ORDER, Case
from pipeline.programme import offers, reasons
from pipeline.programme.solver import Allocation

_LISTED = ("home_id", "uprn", "address", "estate", "lot", "rank")
_WORKS = (
    "system", "thickness_mm", "u_after_w_m2k", "cost_gbp", "worth", "heat_saved_kwh_per_year",
    "fuel_saved_kwh_per_year", "expected_fuel_saved_kwh_per_year", "bill_saved_gbp_per_year",
    "expected_bill_saved_gbp_per_year", "co2_saved_lifetime_t", "net_present_value_gbp",
    "expected_net_present_value_gbp", "cautions",
)  # fmt: skip
_SUMMED = (
    "cost_gbp", "grant_gbp", "own_gbp", "worth", "heat_saved_kwh_per_year", "co2_saved_lifetime_t",
)  # fmt: skip


def own_money(means: Mapping[str, Mapping[str, float]]) -> str:
    """The landlord's own money that an allocation rests on, in words."""
    years = means["own_budget_gbp"].items()
    told = ", ".join(f"{year}: {money:,.0f}" for year, money in years)
    return f"Own money of the landlord in GBP: {told or 'no limit, as no means were given'}."


def offered(made: Case) -> str:
    """How many homes each fund may take, and the commonest reasons why not the others."""
    told = []
    for fund, verdict in zip(made.funds, made.verdicts, strict=True):
        own, infill = (int((verdict["verdict"] == word).sum()) for word in ("pass", "infill"))
        others = verdict.filter(~pl.col("verdict").is_in(["pass", "infill"]))["reason_code"]
        why = others.value_counts(sort=True).head(3).rows()
        besides = ", ".join(f"{code.lower().replace('_', ' ')} {n:,}" for code, n in why)
        told.append(
            f" {fund.name} may take {own:,} of {verdict.height:,} homes that have an option, and"
            f" {infill:,} as infill" + (f"; not the others: {besides}." if besides else ".")
        )
    return "".join(told)


def funded_works(made: Case, found: Allocation) -> pl.DataFrame:
    """The works chosen, one row for each funded home, with fund, version, year, grant, infill.

    worth: at the weight of the home's year, so that its sum is the value of the allocation.
    """
    home = np.flatnonzero(found.option >= 0)
    fund, place = np.divmod(found.option[home], made.row.shape[1])
    chosen = made.works[made.row[home, place]]
    cost = chosen["cost_gbp"].to_numpy()
    grant, infill = np.zeros(home.size), np.zeros(home.size, bool)
    for number, one in enumerate(made.funds):
        here = fund == number
        grant[here] = offers.grants(cost[here], one)
        verdict = made.verdicts[number]["verdict"].to_numpy()
        infill[here] = verdict[home[here]] == "infill"
    return chosen.with_columns(
        fund=pl.Series([made.funds[f].name for f in fund], dtype=pl.String),
        fund_version=pl.Series([made.funds[f].version for f in fund], dtype=pl.String),
        year=pl.Series(np.array(made.years)[found.year[home]]),
        grant_gbp=pl.Series(grant),
        own_gbp=pl.Series(np.round(cost - grant, 2)),
        worth=chosen["worth"] * pl.Series(made.problem.year_weight[found.year[home]]),
        infill=pl.Series(np.where(infill, "yes", "no"), dtype=pl.String),
    )


def homes(
    ranking: pl.DataFrame,
    made: Case,
    found: Allocation,
    claimed: pl.DataFrame,
    nowhere: Sequence[str],
) -> pl.DataFrame:
    """Every accepted home in the order of the ranking: what it gets, or why it gets nothing.

    claimed, nowhere: homes that were not offered, see `funding.fund`.
    """
    taken = funded_works(made, found).select(
        "home_id", "fund", "fund_version", "year", "infill", *_WORKS[:4], "grant_gbp", "own_gbp",
        *_WORKS[4:],
    )  # fmt: skip
    told = ranking.select("home_id", "reason").join(
        _told(made, found), on="home_id", how="left", maintain_order="left"
    )
    told = told.join(claimed, on="home_id", how="left", maintain_order="left")
    met, before = pl.col("way").is_not_null(), pl.col("claim_id").is_not_null()
    sure = pl.col("way").is_in(identity.SURE)
    unplaced = pl.col("home_id").is_in(list(nowhere)) & pl.col("reason").is_null()
    told = told.select(
        "home_id",
        reason_code=pl.when(before & sure)
        .then(pl.lit("CLAIMED"))
        .when(before)
        .then(pl.lit("LOOKS_CLAIMED"))
        .when(met)
        .then(pl.lit("LOOKS_LISTED_TWICE"))
        .when(unplaced)
        .then(pl.lit("ADDRESS_UNKNOWN"))
        .otherwise(pl.coalesce("reason_code", pl.lit("NO_OPTION"))),
        why=pl.when(before & sure)
        .then(
            pl.format(
                "Claimed before, in claim {}, by {} as {}: one home is claimed once.",
                "claim_id",
                "way",
                "other",
            )
        )
        .when(before)
        .then(
            pl.format(
                "Held: {} as {} of claim {}. Somebody must see whether it is another home.",
                "way",
                "other",
                "claim_id",
            )
        )
        .when(met)
        .then(
            pl.format(
                "Held: {} as {}, further up in the order. Somebody must see whether they are two"
                " homes.",
                "way",
                "other",
            )
        )
        .when(unplaced)
        .then(
            pl.lit(
                "Its address or postcode is not known, so its saving could not be claimed: add them"
                " to the list."
            )
        )
        .otherwise(pl.coalesce("why", "reason", pl.lit("No option reaches the target U-value."))),
        rule="rule",
        rule_version="rule_version",
    )
    return (
        ranking.select(*_LISTED)
        .join(taken, on="home_id", how="left", maintain_order="left")
        .join(told, on="home_id", how="left", maintain_order="left")
        .with_columns(
            funded=pl.when(pl.col("fund").is_null()).then(pl.lit("no")).otherwise(pl.lit("yes"))
        )
        .select(*_LISTED, "funded", pl.exclude(*_LISTED, "funded"))
    )


def _told(made: Case, found: Allocation) -> pl.DataFrame:
    """Reason code, words, rule and version of each home of the problem."""
    why = reasons.why(made.problem, found)
    codes = why.code.tolist()
    refused = _refused(made)
    rows = []
    for home, code in enumerate(codes):
        if code == "NOT_OFFERED":
            rows.append(refused[home])
            continue
        at = int(why.rule[home])
        rule = made.problem.rules[at] if at >= 0 else None
        name, version = (rule.name, rule.version) if rule else ("", "")
        worth, charge = float(why.value[home]), float(why.charge[home])
        rows.append((code, _words(code, worth, charge, name), name, version))
    schema = {"reason_code": pl.String, "why": pl.String, "rule": pl.String,
              "rule_version": pl.String}  # fmt: skip
    told = pl.DataFrame(rows, schema=schema, orient="row")
    return told.with_columns(home_id=made.homes["home_id"])


_IN_SHORT = {
    "CLAIMED": "claimed before",
    "LOOKS_CLAIMED": "looks like a home claimed before; somebody must see whether it is",
    "LOOKS_LISTED_TWICE": "looks like a home further up; somebody must see whether they are two",
    "ADDRESS_UNKNOWN": "no address with postcode, so no saving of it could be claimed",
    "NO_OPTION": "nothing may be built there, or nothing reaches the target U-value",
    "NO_OPEN_YEAR": "no fund that would take it is open in a year of the programme",
    "RULE": "others do more with the money",
    "STREET": "its street lot as a whole does not pay",
    "LEFT_OVER": "it would pay, but too little is left of the limits for its lot",
}


def in_short(code: str) -> str:
    """What a reason code means, whatever the home; a code of a fund's own test says which."""
    said = _IN_SHORT.get(code, f"{code.lower().replace('_', ' ')}: refused by the funds' rules")
    return f"{said} ({code})"


def _words(code: str, worth: float, charge: float, rule: str) -> str:
    tight = f", most of '{rule}'" if rule else ""
    weighed = f"worth {worth:,.0f}, and it takes {charge:,.0f} of what the rules are worth{tight}"
    return {
        "FUNDED": f"Funded: {weighed}.",
        "NO_OPEN_YEAR": "No fund that would take it is open in a year of the programme.",
        "RULE": f"Others do more with the money: {weighed}.",
        "STREET": "By itself it would pay, but its street lot as a whole does not.",
        "LEFT_OVER": "It would pay, but too little is left of the limits for its whole lot.",
    }[code]


def _refused(made: Case) -> list[tuple[str, str, str, str]]:
    """Code, words, rule and version of the fund that came nearest to taking each home."""
    tables = [verdict.rows(named=True) for verdict in made.verdicts]
    told = []
    for verdicts in zip(*tables, strict=True):
        near = min(verdicts, key=lambda row: ORDER[row["verdict"]])
        words = {
            "unknown": "not known for this home: find out and it may qualify",
            "exclude": "not met",
        }.get(near["verdict"], "met")
        told.append(
            (near["reason_code"], f"{near['fund']}, {near['rule']}: {words}.", near["rule"],
             near["version"])
        )  # fmt: skip
    return told


def beside(frame: pl.DataFrame, known: Mapping[str, object] | None) -> pl.Series:
    """A value for each home of the frame by its home_id; null where it has none."""
    keys = frame["home_id"]
    if not known:
        return pl.repeat(None, keys.len(), dtype=pl.Null, eager=True)
    return keys.replace_strict(known, default=None)


def lots(homes: pl.DataFrame) -> pl.DataFrame:
    """One row for each street lot and year: homes, funded, infill and its cost, money, worth.

    A home without a street is a lot by itself. `homes` counts the whole lot; everything else is
    of the year, so that the columns add up to those of the homes.
    """
    alone = pl.format("{}, no street known", "home_id")
    named = homes.with_columns(lot=pl.coalesce("lot", alone))
    # a lot's homes that are not funded stand with its first year, or in a row without one
    first = pl.col("year").min().over("lot")
    inside = named.with_columns(year=pl.coalesce("year", first)).sort("lot", "year", "home_id")
    number = inside.select(pl.struct("lot", "year").rle_id()).to_series().to_numpy()

    def summed(values: pl.Series) -> pl.Series:
        return pl.Series(np.bincount(number, values.cast(pl.Float64).fill_null(0.0).to_numpy()))

    infill, funded = inside["infill"] == "yes", inside["funded"] == "yes"
    rows = inside.group_by("lot", "year", maintain_order=True).agg(
        funds=pl.col("fund").drop_nulls().unique(maintain_order=True).sort().str.join(", "),
        reason_code=pl.col("reason_code").mode().sort().first(),
    )
    counts = inside.group_by("lot").len("homes")
    extra = inside["cost_gbp"].zip_with(infill.fill_null(False), pl.Series([0.0]))
    money = {name: summed(inside[name]) for name in _SUMMED} | {"infill_cost_gbp": summed(extra)}
    pence = {name: v.round(2) if name.endswith("_gbp") else v for name, v in money.items()}
    return (
        rows.join(counts, on="lot", maintain_order="left")
        .with_columns(
            homes_funded=summed(funded).cast(pl.Int64),
            homes_infill=summed(infill.fill_null(False)).cast(pl.Int64),
            **pence,
        )
        .select(
            "lot", "year", "funds", "homes", "homes_funded", "homes_infill", "infill_cost_gbp",
            *_SUMMED, "reason_code",
        )
        .sort(pl.col("year"), -pl.col("worth"), "lot", nulls_last=True)
    )  # fmt: skip
