"""Whose building rules hold for a home, and their limits."""

import polars as pl

from pipeline.homes import of_place
from pipeline.reference import Reference
from pipeline.settings import NATIONS, Settings

_LIMITS = {
    "law_from_m": ("non_combustible_by_law_from", min),
    "guidance_from_m": ("non_combustible_from", min),
    "boundary_within_mm": ("boundary_within", max),
}
"""Each limit's quantity in nation_limits.csv and which of two values is the stricter."""


def with_limits(homes: pl.DataFrame, settings: Settings, reference: Reference) -> pl.DataFrame:
    """Add rules_nation (null where the postcode does not tell) and the limits of that nation.

    Limits: law_from_m, guidance_from_m (the settings' own, never above the law's) and
    boundary_within_mm. Where the nation is not known the strictest of all holds.
    """
    table = reference.table("nation_limits")
    limits = {
        name: dict(table.filter(pl.col("quantity") == quantity).select("nation", "value").rows())
        for name, (quantity, _) in _LIMITS.items()
    }
    law, own = limits["law_from_m"], settings.works.non_combustible_from_height_m
    guidance = {**limits["guidance_from_m"], **own}
    limits["guidance_from_m"] = {name: min(guidance[name], law[name]) for name in NATIONS}
    nation = _nation(reference)
    titles = {name: name.replace("_", " ").title() for name in NATIONS}
    told = homes.with_columns(
        nation.replace_strict(
            limits[name], default=stricter(limits[name].values()), return_dtype=pl.Float64
        ).alias(name)
        for name, (_, stricter) in _LIMITS.items()
    )
    return told.with_columns(rules_nation=nation.replace(titles)).with_columns(
        nation_name=pl.col("rules_nation").fill_null("the strictest nation (postcode tells none)")
    )


def _nation(reference: Reference) -> pl.Expr:
    table = reference.table("postcode_of_wales")
    places = dict(table.select("postcode_area_or_district", "rules_of").rows())
    place = of_place(places, pl.String).fill_null("england")
    south = pl.when(place != "border").then(place)
    told = pl.when(pl.col("nation") == "england_wales").then(south).otherwise("nation")
    return pl.when(pl.col("region_source") == "postcode").then(told)
