"""Funds in, an allocation out that a funding officer can defend: value, proven gap, every reason.

The solver and its rules are in `pipeline.programme`; here a published run becomes its problem, and
its answer becomes tables.
"""

import hashlib
import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import polars as pl

from pipeline import assess, identity
from pipeline.errors import ProgrammeError
from pipeline.funding import case, sensitivity, tables
from pipeline.funding.case import Asked, Case
from pipeline.funding.sensitivity import NODES, Progress
from pipeline.programme import checker, objective, reasons, totals
from pipeline.programme.funds import Fund
from pipeline.programme.solver import Allocation, NoPlanError, RulesClashError, allocate
from pipeline.published import Published

__all__ = ["Asked", "Funding", "fund"]
_FACTORS = (0.5, 0.75, 0.9, 1.0, 1.1, 1.25, 1.5)
"""Budgets of the frontier, as multiples of those the funds and the landlord give."""


@dataclass(frozen=True)
class Funding:
    """homes: one row for each accepted home. lots, frontier: tables. account: what it rests on."""

    homes: pl.DataFrame
    lots: pl.DataFrame
    frontier: pl.DataFrame
    account: dict[str, Any]


def fund(
    run: Published,
    asked: Asked,
    claimed: pl.DataFrame,
    samples: int = 0,
    progress: Progress = lambda stage, done, of: None,
) -> Funding:
    """Allocate the funds to the homes of a run.

    claimed: homes claimed before under any key, or alike (as `claims.met_before` gives them); such
    a home is not offered again, nor is one that could not be claimed as nobody knows where it is.
    samples: draws of moved assumptions for `funded_share`, 0 for none.
    Raises RulesClashError where the rules cannot be kept together, naming a smallest such set.
    """
    base = run.base
    nowhere = identity.nowhere(run.ranking)
    left_out = [*claimed["home_id"], *nowhere]
    open_homes = run.ranking.filter(~pl.col("home_id").is_in(left_out))
    today = assess.today(open_homes, base)
    progress("options of each home", 0, 0)
    made = case.build(case.works(today, base), asked, base)
    progress("allocating", 0, 0)
    try:
        found = allocate(made.problem)
    except RulesClashError as fault:
        raise RulesClashError(fault.clash, tables.offered(made, fault.clash)) from None
    findings = checker.check(made.problem, found.option, found.year)
    if broken := [finding.rule for finding in findings if not finding.ok]:
        raise RuntimeError(f"The checker found broken rules: {', '.join(broken)}.")
    others = _other_budgets(made, found, progress)
    draws = sensitivity.draws(base, samples) if samples else []
    shares, kept = sensitivity.funded_share((today, base), asked, draws, found.prices, progress)
    homes = tables.homes(run.ranking, made, found, claimed, nowhere)
    homes = homes.with_columns(
        budget_10_less=_moves(made, found, others[0.9], homes),
        budget_10_more=_moves(made, found, others[1.1], homes),
        funded_share=tables.beside(homes, shares),
        run_id=pl.lit(run.account["run_id"]),
    )
    account = {
        "run_id": run.account["run_id"],
        "ranking_sha256": run.account["ranking_sha256"],
        "rate_book_source": run.account["rate_book_source"],
        "objective": objective.unit(base.settings.appraisal),
        "years": list(made.years),
        "year_weights": made.problem.year_weight.tolist(),
        "funds": [_fund_account(one) for one in asked.funds],
        "another": identity.told(asked.another),
        "means": asked.means.model_dump(mode="json"),
        "value": found.value,
        "bound": found.bound,
        "gap": found.gap,
        "proved_best": found.proved,
        "totals": _in_pence(totals(tables.funded_works(made, found))),
        "rules": _rules(made, found, findings, objective.unit(base.settings.appraisal)),
        "draws": {"rules_kept": kept, "drawn": draws},
    }
    return Funding(homes, tables.lots(homes), _frontier(made, others), account)


def _fund_account(one: Fund) -> dict[str, Any]:
    content = one.model_dump(mode="json")
    digest = hashlib.sha256(json.dumps(content, sort_keys=True).encode()).hexdigest()
    return {"rules_sha256": digest, **content}


def _other_budgets(
    made: Case, found: Allocation, progress: Progress
) -> dict[float, Allocation | ProgrammeError]:
    """The allocation at each factor on all budgets, or why there is none.

    What fits a smaller budget fits a larger one: the better plan of the two stands.
    """
    others: dict[float, Allocation | ProgrammeError] = {}
    best: Allocation | None = None
    for done, factor in enumerate(_FACTORS, start=1):
        try:
            scaled = reasons.scaled(made.problem, made.money_rules, factor)
            made_now = found if factor == 1.0 else allocate(scaled, NODES, found.prices)
            if best and factor != 1.0 and best.value > made_now.value:
                made_now = replace(best, bound=made_now.bound, prices=made_now.prices)
            others[factor] = best = made_now
        except (RulesClashError, NoPlanError) as fault:
            others[factor] = fault
        progress("other budgets", done, len(_FACTORS))
    return others


def _moves(
    made: Case, found: Allocation, other: Allocation | ProgrammeError, homes: pl.DataFrame
) -> pl.Series:
    """enters, leaves or nothing for each row of homes, when budgets are as in `other`."""
    if isinstance(other, ProgrammeError):
        return pl.repeat(None, homes.height, dtype=pl.String, eager=True)
    was, now = found.option >= 0, other.option >= 0
    word = np.select([now & ~was, was & ~now], ["enters", "leaves"], "")
    known = dict(zip(made.homes["home_id"], word.tolist(), strict=True))
    return tables.beside(homes, {home: text for home, text in known.items() if text})


def _frontier(made: Case, others: Mapping[float, Allocation | ProgrammeError]) -> pl.DataFrame:
    """Worth and bound at each factor on the budgets; empty, with words, where the rules clash."""
    whole = math.fsum(rule.limit for rule in made.problem.rules if rule.kind == "money")
    rows: list[tuple[object, ...]] = []
    for factor, found in others.items():
        if isinstance(found, ProgrammeError):
            rows.append((factor, round(factor * whole, 2), None, None, None, None, str(found)))
        else:
            homes = int((found.option >= 0).sum())
            worth = (found.value, found.bound, found.gap)
            rows.append((factor, round(factor * whole, 2), homes, *worth, None))
    schema = {
        **{"budget_factor": pl.Float64, "budgets_gbp": pl.Float64, "homes": pl.Int64},
        **{"worth": pl.Float64, "bound": pl.Float64, "gap": pl.Float64, "note": pl.String},
    }
    return pl.DataFrame(rows, schema=schema, orient="row")


def _in_pence(figures: dict[str, float]) -> dict[str, float]:
    """Figures in pounds rounded to the penny, the others as they are."""
    return {name: round(v, 2) if name.endswith("gbp") else v for name, v in figures.items()}


def _rules(
    made: Case, found: Allocation, findings: list[checker.Finding], unit: str
) -> list[dict[str, Any]]:
    """Each rule with its limit, slack, and what a little more of it buys."""
    buys = {price.rule: price for price in reasons.shadow_prices(made.problem, found, unit)}
    return [
        {
            "rule": finding.rule,
            "version": finding.version,
            "kind": next((r.kind for r in made.problem.rules if r.name == finding.rule), "whole"),
            "sense": finding.sense,
            "left": round(finding.left, 2),
            "limit": round(finding.limit, 2),
            "slack": round(finding.slack, 2),
            "kept": finding.ok,
            "price": buys[finding.rule].price if finding.rule in buys else 0.0,
            "next": buys[finding.rule].words if finding.rule in buys else "",
        }
        for finding in findings
    ]
