"""How far each home's saving can be trusted, from where its inputs come from.

A home's saving is nearly a product of its inputs, so small relative errors add in quadrature:
spread^2 = sum over inputs of (elasticity x relative spread)^2. The elasticity of the fall of the
heat loss to the wall's U is 1 + U'/U (derivative of U - U' with 1/U' = 1/U + R).
"""

from functools import reduce
from operator import add

import polars as pl

from pipeline.homes import GRADED
from pipeline.reference import Reference


def grade(assessed: pl.DataFrame, reference: Reference) -> pl.DataFrame:
    """Add saving_spread, estimate_share and data_grade; null where no option was chosen."""
    terms = variances(reference)
    frame = assessed.with_columns(term.alias(f"_{name}") for name, term in terms.items())
    every = reduce(add, [pl.col(f"_{name}") for name in terms])
    filled = reduce(
        add,
        [
            pl.when(pl.col(f"{name}_grade").is_in(["C", "D"])).then(f"_{name}").otherwise(0.0)
            for name in terms
        ],
    )
    chosen = pl.col("system").is_not_null()
    steps = reference.table("data_grades").sort("spread_at_most")
    letter = pl.coalesce(
        pl.when(pl.col("saving_spread") <= row["spread_at_most"]).then(pl.lit(row["grade"]))
        for row in steps.iter_rows(named=True)
    )
    return (
        frame.with_columns(
            saving_spread=pl.when(chosen).then(every.sqrt()),
            estimate_share=pl.when(chosen).then(filled / every),
        )
        .with_columns(data_grade=letter)
        .drop(f"_{name}" for name in terms)
    )


def variances(reference: Reference) -> dict[str, pl.Expr]:
    """Each input's part of the saving's relative variance, by its grade."""
    table = reference.table("input_spread")
    terms = {}
    for name in GRADED:
        rows = table.filter(pl.col("input") == name)
        spread = pl.col(f"{name}_grade").replace_strict(
            rows["grade"].to_list(), rows["relative_spread"].to_list(), return_dtype=pl.Float64
        )
        elasticity = pl.lit(rows["elasticity"][0])
        if name == "u_value":
            elasticity = elasticity + pl.col("u_after_w_m2k") / pl.col("u_existing_w_m2k")
        if rows["only_if_wall_area_estimated"][0] == "yes":
            elasticity = pl.when(pl.col("wall_area_grade") == "C").then(elasticity).otherwise(0.0)
        terms[name] = (elasticity * spread) ** 2
    return terms


def survey_first(ranking: pl.DataFrame, reference: Reference) -> pl.DataFrame:
    """Which filled input, if surveyed, would take most doubt out of the programme's saving.

    Returns input, homes (where it is filled) and doubt_kwh_per_year: the sum over those homes of
    saving x sqrt(variance term), largest first.
    """
    ranked = ranking.filter(pl.col("rank").is_not_null())
    rows = []
    for name, term in variances(reference).items():
        filled = ranked.filter(pl.col(f"{name}_grade").is_in(["C", "D"]))
        doubt = filled.select((pl.col("heat_saved_kwh_per_year") * term.sqrt()).sum()).item()
        rows.append({"input": GRADED[name][2], "homes": filled.height, "doubt_kwh_per_year": doubt})
    return pl.DataFrame(rows).sort("doubt_kwh_per_year", descending=True)


def completeness(ranking: pl.DataFrame, by: str) -> pl.DataFrame:
    """Homes by data grade of each graded input, within each value of a column such as estate.

    Returns group, input, grade, homes.
    """
    parts = [
        ranking.group_by(
            pl.col(by).fill_null("not known").alias("group"), pl.col(f"{name}_grade").alias("grade")
        )
        .agg(pl.len().alias("homes"))
        .with_columns(input=pl.lit(word))
        for name, (_, _, word) in GRADED.items()
    ]
    return (
        pl.concat(parts).select("group", "input", "grade", "homes").sort("group", "input", "grade")
    )
