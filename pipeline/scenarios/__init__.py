"""What if: the same functions as the run, with another option or another settings object."""

import re
from collections.abc import Callable

import polars as pl

from pipeline import assess, grades, homes, programme
from pipeline.assess import Basis
from pipeline.errors import SettingsError
from pipeline.options import catalogue
from pipeline.settings import Settings, build

THICKNESS = "thickness_mm"
_MOST_STEPS = 200
_SHAPE = re.compile(r"([a-z0-9_.]+)=(-?[\d.]+):(-?[\d.]+):([\d.]+)")
Progress = Callable[[str, int, int], None]
"""Called with stage, steps done and steps in all."""


def parse_sweep(text: str) -> tuple[str, list[float]]:
    """Name and values of `name=first:last:step`, both ends included.

    Raises SettingsError for another form, a step of 0, or more than 200 values.
    """
    form = "Write it as name=first:last:step, for instance thickness_mm=20:200:10."
    found = _SHAPE.fullmatch(text.strip())
    try:
        if not found:
            raise ValueError
        first, last, step = (float(part) for part in found.groups()[1:])
    except ValueError:
        raise SettingsError(f"--sweep '{text}' is not a sweep. {form}") from None
    if step == 0 or last < first:
        raise SettingsError(f"--sweep '{text}' never arrives. {form}")
    steps = int((last - first) / step + 1e-9) + 1
    if steps > _MOST_STEPS:
        raise SettingsError(f"--sweep '{text}' has {steps} values, the most is {_MOST_STEPS}.")
    return found.group(1), [round(first + i * step, 9) for i in range(steps)]


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
    if min(thicknesses_mm) <= 0 or max(thicknesses_mm) > 500:
        raise SettingsError("thickness_mm must lie above 0 and not above 500 mm.")
    bare = ranking.drop(assess.ADDED, strict=False)
    today = homes.with_energy_today(bare, base.reference, base.settings)
    members = assess.prepare(today, base)
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
    return pl.DataFrame(rows).with_columns(
        marginal_heat_kwh_per_year=step[0],
        marginal_cost_gbp=step[1],
        marginal_cost_per_lifetime_tonne_gbp=step[1] / tonnes,
    )


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
    """Totals of the homes the budget affords when one numeric setting takes each value in turn."""
    rows = []
    for done, value in enumerate(values, start=1):
        changed = with_setting(base.settings, key, value)
        funded = programme.affordable(rerank(ranking, base, changed), changed.budget_gbp)
        rows.append({key: value, **programme.totals(funded)})
        progress("what if", done, len(values))
    return pl.DataFrame(rows)


def with_setting(settings: Settings, key: str, value: object) -> Settings:
    """Settings with one dotted key replaced. Raises SettingsError for an unknown key."""
    content = settings.model_dump(mode="json")
    *groups, name = key.split(".")
    place = content
    for group in groups:
        if not isinstance(place.get(group), dict):
            raise SettingsError(
                f"'{key}' is no setting. Name it as in the settings file, for instance"
                " climate.temperature_shift_c or prices.unit_rates_p_per_kwh.mains_gas."
            )
        place = place[group]
    place[name] = value
    return build(content, f"setting {key}")


def rerank(ranking: pl.DataFrame, base: Basis, settings: Settings) -> pl.DataFrame:
    """The ranking under other settings, from the same homes and the same rate book."""
    changed = assess.basis(base.reference, settings, base.book)
    bare = ranking.drop(assess.ADDED, strict=False)
    today = homes.with_energy_today(bare, base.reference, settings)
    graded = grades.grade(pl.concat(assess.assess(today, changed)), base.reference)
    return programme.rank(graded, settings)


def gained_and_lost(before: pl.DataFrame, after: pl.DataFrame) -> tuple[list[str], list[str]]:
    """Homes funded only in the second set, and only in the first, in home order."""
    first, second = set(before["home_id"]), set(after["home_id"])
    return sorted(second - first), sorted(first - second)
