"""What differs between two published runs, home by home."""

import polars as pl

from pipeline.columns import by_role


def compare(before: pl.DataFrame, after: pl.DataFrame) -> pl.DataFrame:
    """Homes new, gone, or with another value, from the ranking tables of two runs.

    Returns home_id, change ("new", "gone" or "changed"), column, was and now as text; one line
    per changed column, ordered by home and by the dictionary. Columns that follow from the place
    in the list or the order (source_row, rank, cumulative_cost_gbp) are left out.
    """
    follow = {"source_row", "rank", "cumulative_cost_gbp", "home_id"}
    names = [c.name for c in by_role("stock", "home", "result") if c.name not in follow]
    names = [n for n in names if n in before.columns and n in after.columns]
    lines = [_only_in(after, before, "new"), _only_in(before, after, "gone")]
    pair = before.join(after, on="home_id", suffix="__now")
    for name in names:
        was, now = pl.col(name), pl.col(f"{name}__now")
        lines.append(
            pair.filter(was.ne_missing(now)).select(
                "home_id",
                pl.lit("changed").alias("change"),
                pl.lit(name).alias("column"),
                was.cast(pl.String).alias("was"),
                now.cast(pl.String).alias("now"),
            )
        )
    order = {name: i for i, name in enumerate(names)}
    place = pl.col("column").replace_strict(order, default=-1, return_dtype=pl.Int64)
    return pl.concat(lines).sort("home_id", place)


def _only_in(these: pl.DataFrame, those: pl.DataFrame, change: str) -> pl.DataFrame:
    nothing = pl.lit(None, pl.String)
    return these.join(those, on="home_id", how="anti").select(
        "home_id",
        pl.lit(change).alias("change"),
        nothing.alias("column"),
        nothing.alias("was"),
        nothing.alias("now"),
    )
