"""How often a home stays in the funded set when the assumptions move.

The assumptions of the reference table `assumption_ranges` are drawn together by a seeded Latin
hypercube (McKay, Beckman and Conover 1979, Technometrics 21(2)), evenly within their ranges; for
each draw every option is assessed and the funds are allocated anew.
"""

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
import polars as pl
from scipy.stats import qmc

from pipeline import appraisal, assess
from pipeline import homes as stock_homes
from pipeline.assess import Basis
from pipeline.funding import case
from pipeline.funding.case import Asked
from pipeline.options.rates import RateBook
from pipeline.physics import Floats
from pipeline.programme.solver import NoPlanError, RulesClashError, allocate
from pipeline.settings import Settings

Progress = Callable[[str, int, int], None]
"""Called with stage, steps done and steps in all."""
NODES = 20
"""Branch-and-bound nodes of an allocation asked in passing: a plan is wanted, not a proof."""
_SEED = 20270601


def draws(base: Basis, samples: int) -> list[dict[str, float]]:
    """The assumptions of each draw, by name; the same every time."""
    ranges = base.reference.table("assumption_ranges")
    unit = qmc.LatinHypercube(d=ranges.height, rng=np.random.default_rng(_SEED)).random(samples)
    drawn = qmc.scale(unit, ranges["low"].to_numpy(), ranges["high"].to_numpy())
    return [dict(zip(ranges["assumption"], row, strict=True)) for row in drawn.tolist()]


def funded_share(
    run: tuple[pl.DataFrame, Basis],
    asked: Asked,
    drawn: Sequence[dict[str, float]],
    start: Floats,
    progress: Progress,
) -> tuple[dict[str, float], int]:
    """Share of the draws in which each home is funded, and in how many draws the rules were kept.

    run: homes as `assess` takes them, and their basis. drawn: assumptions as `draws` gives them.
    start: prices on the rules to begin from. A draw in which the rules clash funds nobody.
    """
    homes, base = run
    count = dict.fromkeys(homes["home_id"] if drawn else (), 0)
    kept = 0
    for number, assumed in enumerate(drawn, start=1):
        moved, changed = under(homes, base, assumed)
        one = case.build(case.works(moved, changed), asked, changed)
        try:
            found = allocate(one.problem, NODES, start)
        except (RulesClashError, NoPlanError):
            continue
        finally:
            progress("moving the assumptions", number, len(drawn))
        kept += 1
        for home in one.homes["home_id"].filter(pl.Series(found.option >= 0)):
            count[home] += 1
    return {home: times / len(drawn) for home, times in count.items()}, kept


def under(homes: pl.DataFrame, base: Basis, drawn: dict[str, float]) -> tuple[pl.DataFrame, Basis]:
    """Homes and basis under drawn assumptions."""
    dearer = _dearer(base.book, drawn["cost"])
    changed = assess.basis(base.reference, _settings(base, drawn), dearer)
    factor = (
        pl.when(pl.col("u_value_grade").is_in(["C", "D"]))
        .then(drawn["default_wall_u"])
        .otherwise(1.0)
    )
    more = pl.col("u_existing_w_m2k") * (factor - 1.0)
    area = pl.col("treated_wall_area_m2") + pl.col("untreated_wall_area_m2")
    loss = pl.col("heat_loss_before_w_k")
    moved = homes.with_columns(
        u_existing_w_m2k=pl.col("u_existing_w_m2k") + more,
        heat_loss_before_w_k=pl.when(pl.col("measured_htc_w_k").is_null())
        .then(loss + more * area)
        .otherwise(loss),
    )
    today = stock_homes.with_energy_today(moved, base.reference, changed.settings)
    return today, changed


def _dearer(book: RateBook, times: float) -> RateBook:
    """The book with every price so many times itself: the location index multiplies them all."""
    moved = {
        key: replace(row, rate=row.rate * times) if key[0] == "location_index" else row
        for key, row in book.rates.items()
    }
    return replace(book, rates=moved)


def _settings(base: Basis, drawn: dict[str, float]) -> Settings:
    """The run's settings with the drawn climate, gas price and in-use reduction."""
    settings, gas = base.settings, "mains_gas"
    price = appraisal.unit_rate(base.reference, settings, gas).value * drawn["gas_price"]
    rates = {**settings.prices.unit_rates_p_per_kwh, gas: price}
    shift = settings.climate.temperature_shift_c + drawn["temperature_shift"]
    return settings.model_copy(
        update={
            "prices": settings.prices.model_copy(update={"unit_rates_p_per_kwh": rates}),
            "climate": settings.climate.model_copy(update={"temperature_shift_c": shift}),
            "savings": settings.savings.model_copy(
                update={"in_use_reduction": drawn["in_use_reduction"]}
            ),
        }
    )
