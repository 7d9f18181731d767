"""Which homes may be insulated outside, and what a person must settle first: a table of screens.

Each screen tests one thing and finds one case of `reference/screen_cases.csv`, which holds its
verdict, reason, rule and source; `conditions` says when a case bites. A screen approves nothing:
law differs by nation and the competent authority decides.
"""

import polars as pl

from pipeline.homes import first_year
from pipeline.options.screens import conditions, nations, wind
from pipeline.options.screens.cases import (
    AFTER,
    EXCLUDE,
    NOT_SURVEYED,
    REFER,
    SCREENS,
    VERDICTS,
    Cases,
)
from pipeline.reference import Reference
from pipeline.settings import Settings

__all__ = [
    "EXCLUDE", "NOT_SURVEYED", "NOT_TESTED", "REFER", "SCREENS", "VERDICTS", "as_own", "counts",
    "matrix", "screen", "settle", "verdict_of",
]  # fmt: skip
_OWN = {"leasehold": "social_rent", "private": "social_rent"}
NOT_TESTED = "not tested"
"""What an empty cell of the matrix is counted as."""


def as_own(tenure: pl.Expr) -> pl.Expr:
    """The tenure by which a home is screened as though it were the landlord's own.

    A fund may take other homes as infill.
    """
    return tenure.replace(_OWN)


def screen(homes: pl.DataFrame, settings: Settings, reference: Reference) -> pl.DataFrame:
    """Add what every screen finds that needs no option, as the number of its case, 0 to pass.

    Also: excluded (what the home is held for, else the reason of the first screen that excludes, or
    null), needs_non_combustible, the
    nation and its limits (`nations.with_limits`) and wind and fixings (`wind.with_fixings`).
    """
    cases = Cases(settings, reference)
    found = homes.pipe(nations.with_limits, settings, reference).pipe(wind.with_fixings, reference)
    found = found.with_columns(_first_year=first_year(reference)).with_columns(
        **cases.found(conditions.before(settings, reference))
    )
    return found.drop("_first_year").with_columns(
        excluded=pl.coalesce(
            pl.format("held: {}", "held_for"),
            *(cases.told(name, "reason", EXCLUDE) for name in SCREENS if name not in AFTER),
        ),
        needs_non_combustible=pl.col("screen_fire") > 0,
    )


def settle(assessed: pl.DataFrame, settings: Settings, reference: Reference) -> pl.DataFrame:
    """Add the screens of the chosen option, then what all of them come to.

    assessed: as `screen` and then the choice of an option left it. Adds screen_verdict, cautions
    (what is referred and what is not surveyed, null for neither) and changes_to_pass.
    """
    cases = Cases(settings, reference)
    added = dict(reference.table("insulation_systems").select("system", "added_mm").rows())
    finish_mm = pl.col("system").replace_strict(added, default=None, return_dtype=pl.Float64)
    has_option = pl.col("system").is_not_null()
    frame = assessed.with_columns(build_up_mm=pl.col("thickness_mm") + finish_mm)
    tested = {
        name: pl.when(has_option).then(number)
        for name, number in cases.found(conditions.after()).items()
    }
    tested["screen_option"] = pl.when(pl.col("excluded").is_null()).then("screen_option")
    frame = frame.with_columns(**cases.found(conditions.option())).with_columns(**tested)
    unknown = [cases.told(name, "change", NOT_SURVEYED) for name in SCREENS]
    frame = frame.with_columns(_unknown=_joined(unknown, ", "))
    referred = [cases.told(name, "reason", REFER) for name in SCREENS]
    changes = [cases.told(name, "change", REFER, EXCLUDE) for name in SCREENS]
    return frame.with_columns(
        screen_verdict=cases.worst(),
        cautions=_joined([*referred, pl.format("not surveyed: {}", "_unknown")], "; "),
        changes_to_pass=_joined([*changes, pl.format("find out: {}", "_unknown")], "; "),
    ).drop("_unknown")


def matrix(ranked: pl.DataFrame, settings: Settings, reference: Reference) -> pl.DataFrame:
    """One row per home in the order of the ranking, one column per screen, in words.

    A cell holds `pass`, or the verdict, a colon and the reason; it is empty where the screen
    tests the chosen option and there is none.
    """
    cases = Cases(settings, reference)
    place = ("rank", "home_id", "address", "street", "estate", "screen_verdict", "changes_to_pass")
    return ranked.select(*place, *(cases.cell(name).alias(name) for name in SCREENS))


def verdict_of(cell: str) -> pl.Expr:
    """Verdict in a column of `matrix`, a screen's or the worst; null where nothing was tested."""
    return pl.col(cell).str.extract(r"^([a-z ]+)", 1)


def counts(matrix: pl.DataFrame, by: str, of: str = "screen_verdict") -> pl.DataFrame:
    """Homes by verdict: of every screen (by `screen`), or of one column by another one's values.

    Returns group, verdict and homes, screens in their order, verdicts from best to worst.
    """
    if by == "screen":
        verdicts = matrix.select(verdict_of(name).alias(name) for name in SCREENS)
        long = verdicts.unpivot(variable_name="group", value_name="verdict")
        order = pl.Enum(SCREENS)
    else:
        long = matrix.select(
            pl.col(by).fill_null("not known").alias("group"), verdict=verdict_of(of)
        )
        order = pl.Enum(long["group"].unique().sort())
    kinds = pl.Enum([*VERDICTS, NOT_TESTED])
    return (
        long.with_columns(
            pl.col("group").cast(order), pl.col("verdict").fill_null(NOT_TESTED).cast(kinds)
        )
        .group_by("group", "verdict")
        .agg(homes=pl.len())
        .sort("group", "verdict")
        .with_columns(pl.col("group", "verdict").cast(pl.String))
    )


def _joined(parts: list[pl.Expr], separator: str) -> pl.Expr:
    """Parts that are not null in one text; null where all are."""
    text = pl.concat_str(parts, separator=separator, ignore_nulls=True)
    return pl.when(text != "").then(text)
