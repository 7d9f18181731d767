"""What if: the same functions as the run, with another option or another settings object."""

from collections.abc import Callable

import polars as pl

from pipeline import assess, grades, programme
from pipeline.assess import Basis
from pipeline.columns import by_role
from pipeline.options import catalogue, screens
from pipeline.scenarios.sweeps import (
    THICKNESS,
    check_thicknesses,
    parse_sweep,
    swept,
    with_setting,
)
from pipeline.settings import Settings

__all__ = [
    "THICKNESS", "Progress", "by_setting", "by_thickness", "check", "effect", "gained_and_lost",
    "parse_sweep", "rerank", "sweep", "with_options",
    "with_setting",
]  # fmt: skip
Progress = Callable[[str, int, int], None]
"""Called with stage, steps done and steps in all."""


def check(base: Basis, name: str, values: list[float]) -> None:
    """Raise SettingsError, before anything is run, for a name or a value that cannot be swept."""
    if name == THICKNESS:
        check_thicknesses(values)
    else:
        _, first = swept(base.settings, name, values)[0]
        assess.basis(base.reference, first, base.book)


def sweep(
    ranking: pl.DataFrame,
    base: Basis,
    name: str,
    values: list[float],
    progress: Progress = lambda stage, done, of: None,
) -> pl.DataFrame:
    """Programme totals for each value: by insulant and thickness, or of a changed setting."""
    if name == THICKNESS:
        return by_thickness(ranking, base, values, progress)
    return by_setting(ranking, base, name, values, progress)


def by_thickness(
    ranking: pl.DataFrame,
    base: Basis,
    thicknesses_mm: list[float],
    progress: Progress = lambda stage, done, of: None,
) -> pl.DataFrame:
    """Every home that the screens leave in, with one system in one thickness throughout.

    One row per system and thickness with totals, mean U after, and what the last step of
    thickness adds: marginal_heat_kwh_per_year, marginal_cost_gbp and their cost per tonne.
    homes_allowed counts those whose height, clearance and target admit the option.
    """
    check_thicknesses(thicknesses_mm)
    members = assess.prepare(assess.today(ranking, base), base)
    members = members.filter(pl.col("excluded").is_null())
    systems = catalogue.systems_table(base.reference, base.settings)
    grid = systems.join(pl.DataFrame({"thickness_mm": thicknesses_mm}), how="cross")
    options = catalogue.built(grid, base.reference)
    rows = []
    for done, option in enumerate(options.iter_rows(named=True), start=1):
        rows.append(_one_option(members, option, base))
        progress("what if", done, options.height)
    step = [pl.col(c).diff().over("system") for c in ("heat_saved_kwh_per_year", "cost_gbp")]
    tonnes = pl.col("co2_saved_lifetime_t").diff().over("system")
    table = pl.DataFrame(rows).with_columns(
        marginal_heat_kwh_per_year=step[0],
        marginal_cost_gbp=step[1],
        marginal_cost_per_lifetime_tonne_gbp=step[1] / tonnes,
    )
    return table.fill_nan(None)


def _one_option(members: pl.DataFrame, option: dict[str, object], base: Basis) -> dict[str, object]:
    named = (*assess.CHOICE, "build_up_mm", "non_combustible")
    fixed = members.with_columns(pl.lit(option[name]).alias(name) for name in named)
    result = assess.figures(fixed, base)
    area, after = pl.col("treated_wall_area_m2"), pl.col("u_after_w_m2k")
    barred = (bites.fill_null(False) for bites in assess.bars(base.settings.works).values())
    admitted = ~pl.any_horizontal(barred)
    extra = result.select(
        u_after_mean_w_m2k=(after * area).sum() / area.sum(), homes_allowed=admitted.sum()
    )
    return {
        "system": option["system"],
        "system_label": option["system_label"],
        "thickness_mm": option["thickness_mm"],
        **extra.to_dicts()[0],
        **programme.totals(result),
    }


def by_setting(
    ranking: pl.DataFrame,
    base: Basis,
    key: str,
    values: list[float],
    progress: Progress = lambda stage, done, of: None,
) -> pl.DataFrame:
    """Totals of the homes the budget affords when one numeric setting takes each value in turn.

    A cost per tonne is null where no home is afforded. Raises SettingsError before anything is run.
    """
    rows = []
    for done, (value, changed) in enumerate(swept(base.settings, key, values), start=1):
        funded = programme.affordable(rerank(ranking, base, changed), changed.budget_gbp)
        rows.append({key: value, **programme.totals(funded)})
        progress("what if", done, len(values))
    return pl.DataFrame(rows).fill_nan(None)


def effect(table: pl.DataFrame, name: str) -> str:
    """What a sweep did not move, in words; empty where modelled figures move.

    table: as `sweep` returns it, one row for each value of the setting or each option.
    """
    if table[name].n_unique() == 1:
        return f"One value of {name}: nothing to compare it with."
    key = [c for c in ("system", "system_label") if c in table.columns]
    figures = table.select(pl.exclude(name, *key))
    moved = [c for c in figures.columns if figures[c].n_unique() > 1]
    if not moved:
        return f"Nothing shown moves with {name}."
    if all(c.startswith("expected_") for c in moved):
        return f"Only the expected figures move with {name}; nothing modelled does."
    return ""


def rerank(ranking: pl.DataFrame, base: Basis, settings: Settings) -> pl.DataFrame:
    """The ranking under other settings, from the same homes and the same rate book.

    It has the columns of a published ranking and no more, so that it can be ranked again.
    """
    changed = assess.basis(base.reference, settings, base.book)
    found = assess.assess(assess.today(ranking, changed), changed)
    graded = grades.grade(pl.concat(found), base.reference)
    return programme.rank(graded, settings).select(
        column.name for column in by_role("stock", "home", "result")
    )


def with_options(ranking: pl.DataFrame, base: Basis, options: pl.DataFrame) -> pl.DataFrame:
    """Some homes of a ranking, each with the option named for it; rank and order stay the run's.

    options: home_id, system, thickness_mm and infill (whether a home that is not the landlord's
    own is treated as though it were), one row for each home, which must be in the ranking. A home
    that may not have its option has a reason; of an option that this basis has not, no figures.
    """
    order = ("rank", "cumulative_cost_gbp")
    named = options.select("home_id", "infill", "system", "thickness_mm").join(
        base.options, on=["system", "thickness_mm"], how="left"
    )
    option = named.select("home_id", "infill", *assess.CHOICE, "build_up_mm", "non_combustible")
    listed = assess.today(ranking, base).join(
        option, on="home_id", how="inner", maintain_order="left"
    )
    tenure, own = pl.col("tenure"), screens.as_own(pl.col("tenure"))
    screened = listed.with_columns(
        _tenure=tenure, tenure=pl.when("infill").then(own).otherwise(tenure)
    )
    found = assess.figures(
        assess.prepare(screened, base).with_columns(reason=pl.col("excluded")), base
    )
    bars = assess.bars(base.settings.works).items()
    found = found.with_columns(
        reason=pl.coalesce("reason", *(pl.when(bites).then(pl.lit(why)) for why, bites in bars)),
        tenure=pl.col("_tenure"),
    )
    settled = screens.settle(found, base.settings, base.reference)
    graded = grades.grade(settled, base.reference)
    scored = programme.rank(graded, base.settings).drop(order)
    return (
        ranking.select("home_id", *order)
        .join(scored, on="home_id", how="inner", maintain_order="left")
        .select(ranking.columns)
    )


def gained_and_lost(before: pl.DataFrame, after: pl.DataFrame) -> tuple[list[str], list[str]]:
    """Homes funded only in the second set, and only in the first, in home order."""
    first, second = set(before["home_id"]), set(after["home_id"])
    return sorted(second - first), sorted(first - second)
