"""Tables the pages show, put side by side from what the pipeline returns. No Streamlit here."""

from collections.abc import Sequence
from typing import Any

import polars as pl

from pipeline import assess, columns, explain, homes, programme
from pipeline.explain import layout
from pipeline.options import screens
from pipeline.reference import Reference
from pipeline.treated_walls import WALLS

NEAR = 0.25
"""A wall area this near its estimate, as a fraction of it, counts as what the form suggests."""
_GIVEN = ("A", "B")


def ranked(ranking: pl.DataFrame) -> pl.DataFrame:
    """The homes that have a place in the order."""
    return ranking.filter(pl.col("rank").is_not_null())


def narrowed(
    homes: pl.DataFrame, estates: Sequence[str], streets: Sequence[str] = ()
) -> pl.DataFrame:
    """Homes of the estates and streets named; an empty list leaves all in."""
    for column, wanted in (("estate", estates), ("street", streets)):
        if wanted:
            homes = homes.filter(pl.col(column).is_in(list(wanted)))
    return homes


def values(homes: pl.DataFrame, column: str) -> list[str]:
    """The different values of a text column, in order."""
    return homes[column].drop_nulls().unique().sort().to_list()


def spend(ranking: pl.DataFrame) -> pl.DataFrame:
    """Ranked homes with the lifetime CO2 of each and all before it, beside the spend to there."""
    return ranked(ranking).select(
        "rank",
        "home_id",
        pl.col("cost_gbp").cum_sum().alias("cumulative_cost_gbp"),
        "cost_per_lifetime_tonne_gbp",
        cumulative_co2_saved_lifetime_t=pl.col("co2_saved_lifetime_t").cum_sum(),
    )


def by_street(homes: pl.DataFrame) -> pl.DataFrame:
    """Programme totals of each street, dearest first. Empty where there is no home."""
    named = homes.with_columns(pl.col("street").fill_null("street not known"))
    rows = [
        {"street": part["street"][0], **programme.totals(part)}
        for part in named.partition_by("street", maintain_order=True)
    ]
    schema = {"street": pl.String, **dict.fromkeys(programme.totals(homes.clear()), pl.Float64)}
    return pl.DataFrame(rows, schema=schema).sort("cost_gbp", "street", descending=[True, False])


ACCOUNT = (
    ("insulation_gbp", "part"), ("render_gbp", "part"), ("details_gbp", "part"),
    ("access_gbp", "part"), ("enabling_gbp", "part"), ("works_gbp", "sum"),
    ("prelims_gbp", "part"), ("contingency_gbp", "part"), ("on_costs_gbp", "part"),
    ("vat_gbp", "part"), ("cost_gbp", "sum"),
)  # fmt: skip
"""Columns a price is built up from, in order, and whether each adds to it or sums it so far."""


def account(homes: pl.DataFrame) -> pl.DataFrame:
    """What the homes cost, part by part: part, kind, amount, per home, per m2, share of the price.

    homes: rows of a ranking with works, at least one.
    """
    known = columns.dictionary()
    area, total = (float(homes[name].sum()) for name in ("treated_wall_area_m2", "cost_gbp"))
    return pl.DataFrame(
        [
            {
                "part": known[name].label,
                "kind": kind,
                "amount_gbp": amount,
                "per_home_gbp": amount / homes.height,
                "per_m2_gbp": amount / area,
                "share": amount / total,
            }
            for name, kind in ACCOUNT
            for amount in [float(homes[name].sum())]
        ]
    )


def unit_costs(homes: pl.DataFrame, reference: Reference) -> pl.DataFrame:
    """Insulation, render and details per m2 of net wall by insulant, beside published ranges.

    Columns: system_label, homes, mean_gbp_m2, p5, p95 (homes), evidence_low_gbp_m2,
    evidence_high_gbp_m2 and what the evidence is for; that of all systems where the insulant has
    none of its own.
    """
    published = reference.table("cost_evidence").filter(
        pl.col("unit") == "GBP/m2", pl.col("checked") == "seen"
    )
    general = published.filter(pl.col("system") == "all").row(0, named=True)
    own = {row["system"]: row for row in published.iter_rows(named=True)}
    fitted = pl.col("insulation_gbp") + pl.col("render_gbp") + pl.col("details_gbp")
    each = homes.with_columns(fitted=fitted, unit=fitted / pl.col("treated_wall_area_m2"))
    rows = []
    for part in each.sort("system").partition_by("system", maintain_order=True):
        evidence = own.get(part["system"][0], general)
        rows.append(
            {
                "system": part["system"][0],
                "homes": part.height,
                "mean_gbp_m2": float(part["fitted"].sum())
                / float(part["treated_wall_area_m2"].sum()),
                "p5": part["unit"].quantile(0.05, "linear"),
                "p95": part["unit"].quantile(0.95, "linear"),
                "evidence_low_gbp_m2": evidence["low"],
                "evidence_high_gbp_m2": evidence["high"],
                "evidence": evidence["what"],
            }
        )
    named = with_system_labels(pl.DataFrame(rows), reference)
    return named.sort("homes", descending=True).rename({"system": "system_label"})


def evidence(reference: Reference) -> pl.DataFrame:
    """Published costs with their scope and source."""
    return reference.table("cost_evidence").select(
        "what", "low", "high", pl.col("unit").alias("evidence_unit"), "price_date", "scope",
        "source", "checked",
    )  # fmt: skip


def with_system_labels(homes: pl.DataFrame, reference: Reference) -> pl.DataFrame:
    """The table with each insulant under its plain label."""
    names = reference.table("insulation_systems").select("system", "label").iter_rows()
    return homes.with_columns(pl.col("system").replace(dict(names)))


def not_ranked(ranking: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The homes without a place, and how many there are for each reason."""
    left = ranking.filter(pl.col("rank").is_null())
    count = left["reason"].value_counts(sort=True, name="homes")
    return left.select("home_id", "address", "street", "estate", "reason"), count


def sheet(steps: Sequence[explain.Step]) -> pl.DataFrame:
    """One home's calculation as a table, figures written as the sheet prints them."""
    return pl.DataFrame(
        [
            {
                "part": step.part,
                "what": f"{step.what}, {step.row}" if step.row else step.what,
                "symbol": step.symbol,
                "formula": step.formula,
                "working": step.working,
                "value": explain.show(step.value),
                "unit": step.unit,
                "source": step.source,
            }
            for step in steps
        ]
    )


def section(held: layout.Section) -> list[tuple[str, pl.DataFrame]]:
    """The tables of one part of a sheet in order, each with its caption."""
    return [
        _grid(block) if isinstance(block, layout.Grid) else ("", _lines(block))
        for block in held.blocks
    ]


def _lines(lines: Sequence[layout.Line]) -> pl.DataFrame:
    names = ("No.", "What", "Symbol", "Formula", "With figures", "Value", "Unit", "Source")
    rows = [
        (line.number, line.step.what, line.step.symbol, line.step.formula, line.step.working,
         explain.show(line.step.value), layout.pretty(line.step.unit), line.source)
        for line in lines
    ]  # fmt: skip
    return pl.DataFrame(rows, names, orient="row")


def _grid(grid: layout.Grid) -> tuple[str, pl.DataFrame]:
    keys = "; ".join(
        " = ".join((column.symbol, *column.formulas)) + f", {column.what}"
        for column in grid.columns
    )
    names = [f"{c.symbol} [{layout.pretty(c.unit)}]" if c.unit else c.symbol for c in grid.columns]
    return f"{grid.number} {grid.title}: {keys}.", pl.DataFrame(
        grid.rows, ["Row", *names], orient="row"
    )


def compared(before: dict[str, float], after: dict[str, float]) -> pl.DataFrame:
    """Two sets of totals side by side: name, before, after and after less before."""
    return pl.DataFrame({"name": list(before), "before": before.values(), "after": after.values()}
        ).with_columns(difference=pl.col("after") - pl.col("before"))  # fmt: skip


def as_numbers(lines: pl.DataFrame, columns: Sequence[str]) -> pl.DataFrame:
    """Claim lines with the text of their figures as numbers, so that a table can sort them."""
    return lines.with_columns(pl.col(list(columns)).cast(pl.Float64))


def left_out(wanted: Sequence[str], claimed: pl.DataFrame) -> tuple[list[str], pl.DataFrame]:
    """The homes still open to claim, in the order named, and the lines of those claimed before."""
    taken = claimed.filter(pl.col("home_id").is_in(list(wanted)))
    gone = set(taken["home_id"])
    return [home for home in wanted if home not in gone], taken


def by_claim(claimed: pl.DataFrame) -> pl.DataFrame:
    """Claims in the ledger with their time and number of homes, the newest first."""
    return (
        claimed.group_by("claim_id", "made_at")
        .agg(homes=pl.len())
        .sort("made_at", "claim_id", descending=[True, False])
    )


def grades_of_inputs(by_estate: pl.DataFrame) -> pl.DataFrame:
    """Homes and share of each grade for every input, the least known first.

    by_estate: as `grades.completeness` returns it.
    """
    counts = by_estate.group_by("input", "grade").agg(pl.col("homes").sum())
    return _with_shares(counts, "input")


def grades_of_estates(by_estate: pl.DataFrame, wanted: str) -> pl.DataFrame:
    """Homes and share of each grade of one input for every estate, the least known first."""
    return _with_shares(by_estate.filter(pl.col("input") == wanted), "group")


def _with_shares(counts: pl.DataFrame, key: str) -> pl.DataFrame:
    known = pl.when(pl.col("grade").is_in(_GIVEN)).then("homes").otherwise(0)
    return counts.with_columns(
        share_percent=100.0 * pl.col("homes") / pl.col("homes").sum().over(key),
        known_percent=100.0 * known.sum().over(key) / pl.col("homes").sum().over(key),
    ).sort("known_percent", key, "grade")


def known_by_estate(by_estate: pl.DataFrame) -> pl.DataFrame:
    """Homes of each estate and the share [%] for which each input is measured or given."""
    shares = [grades_of_estates(by_estate, name) for _, _, name in homes.GRADED.values()]
    known = pl.concat(shares).unique(["group", "input"], keep="first", maintain_order=True)
    count = by_estate.group_by("group").agg(
        pl.col("homes").filter(pl.col("input") == pl.col("input").first()).sum()
    )
    wide = known.pivot("input", index="group", values="known_percent")
    return count.join(wide, on="group").sort("group")


def beside_type(ranking: pl.DataFrame, base: assess.Basis) -> pl.DataFrame:
    """Every home with the wall U-value and net wall area the pipeline would fill in for it.

    The homes are described anew by `homes.describe` with their wall left empty, so that the
    default U-value and the area from floor area, storeys and form stand beside what was used.
    """
    of_wall = [f"{wall}_wall_area_m2" for wall in WALLS]
    of_wall += ["u_existing_w_m2k", "wall_area_m2", "wall_build_up"]
    names = [column.name for column in columns.by_role("stock")]
    bare = ranking.select(*names, "age_band").with_columns(
        pl.lit(None, ranking.schema[name]).alias(name) for name in of_wall
    )
    filled = homes.describe(bare, base.reference, base.settings).select(
        "home_id", u_default_w_m2k="u_existing_w_m2k", wall_area_estimated_m2="wall_area_m2"
    )
    wall = pl.col("wall_construction").str.replace_all("_", " ").fill_null("not known")
    added = pl.col("wall_insulation").is_in(["external", "internal"])
    return ranking.join(filled, on="home_id", maintain_order="left").select(
        "home_id", "source_row", "address", "property_type", "built_form", "floor_area_m2",
        "u_existing_w_m2k", "u_default_w_m2k", "wall_area_m2", "wall_area_estimated_m2",
        wall_type=pl.when(added).then(wall + ", insulated").otherwise(wall),
        u_given=pl.col("u_value_grade").is_in(_GIVEN),
        area_given=pl.col("wall_area_grade").is_in(_GIVEN),
    )  # fmt: skip


def verdicts(cells: pl.DataFrame, by: str, of: str = "screen_verdict") -> pl.DataFrame:
    """Homes and share [%] by verdict of every screen (by `screen`), or of one by a column.

    cells: table `screens` of the store. Returns label, verdict, homes and share_percent; screens in
    their order, other groups with the largest share of referred and excluded homes first.
    """
    homes_of = pl.col("homes").sum().over("group")
    shares = screens.counts(cells, by, of).with_columns(
        label=_label("group"), share_percent=100.0 * pl.col("homes") / homes_of
    )
    if by != "screen":
        spoken = pl.col("verdict").is_in([screens.REFER, screens.EXCLUDE])
        hard = pl.when(spoken).then("homes").otherwise(0).sum().over("group") / homes_of
        shares = shares.sort(hard, "group", descending=[True, False], maintain_order=True)
    return shares.select("label", "verdict", "homes", "share_percent")


def with_verdict(cells: pl.DataFrame, of: str, wanted: Sequence[str]) -> pl.DataFrame:
    """The homes to which a screen, or all of them together, gives one of the verdicts wanted."""
    verdict = screens.verdict_of(of).fill_null(screens.NOT_TESTED)
    return cells.filter(verdict.is_in(list(wanted)))


def ranges(values_of: pl.DataFrame, by: str, column: str) -> pl.DataFrame:
    """Homes, median, quartiles and the 5th and 95th percentile of a column in each group."""
    steps = {"low": 0.05, "q1": 0.25, "median": 0.5, "q3": 0.75, "high": 0.95}
    return (
        values_of.drop_nulls([by, column])
        .group_by(by)
        .agg(
            homes=pl.len(),
            **{name: pl.col(column).quantile(q, "linear") for name, q in steps.items()},
        )
        .sort(by)
    )


def defaults_used(given: pl.DataFrame) -> pl.DataFrame:
    """The default U-values of the homes in each type of wall, to two decimals, with homes."""
    return (
        given.drop_nulls("wall_type")
        .group_by("wall_type", pl.col("u_default_w_m2k").round(2))
        .agg(homes=pl.len(), share=pl.len())
        .with_columns(share=pl.col("homes") / pl.col("homes").sum().over("wall_type"))
        .sort("wall_type", "u_default_w_m2k")
    )


def areas(beside: pl.DataFrame, faults: pl.DataFrame) -> pl.DataFrame:
    """Homes with a wall area given, its ratio to the estimate, and whether a warning names it."""
    warned = faults.filter(pl.col("column") == "wall_area_m2", pl.col("severity") == "warn")
    return beside.filter("area_given", pl.col("wall_area_estimated_m2") > 0.0).with_columns(
        given_over_estimated=pl.col("wall_area_m2") / pl.col("wall_area_estimated_m2"),
        warned=pl.col("source_row").is_in(warned["source_row"].to_list()),
    )


def agreement(given: pl.DataFrame) -> dict[str, int]:
    """How many given wall areas are near their estimate (see NEAR), larger, or smaller."""
    ratio = given["given_over_estimated"]
    larger, smaller = int((ratio > 1.0 + NEAR).sum()), int((ratio < 1.0 - NEAR).sum())
    return {"near": ratio.len() - larger - smaller, "larger": larger, "smaller": smaller}


def thinned(given: pl.DataFrame, most: int) -> pl.DataFrame:
    """At most so many homes of each kind, warned or not, at even steps; the same every time."""
    parts = given.partition_by("warned", maintain_order=True)
    return pl.concat([given.clear(), *(p.gather_every(-(-p.height // most)) for p in parts)])


def axis_end(given: pl.DataFrame) -> float:
    """End of both axes for wall areas: just past the largest."""
    ends = given.select(pl.col("wall_area_m2", "wall_area_estimated_m2").max()).row(0)
    return 1.05 * float(max(ends))


def furthest(given: pl.DataFrame, most: int) -> pl.DataFrame:
    """The homes whose wall area is furthest from its estimate, as a ratio either way."""
    return (
        given.sort(pl.col("given_over_estimated").log().abs(), descending=True, nulls_last=True)
        .head(most)
        .select("source_row", "home_id", "wall_area_m2", "wall_area_estimated_m2",
                "given_over_estimated", "address", "property_type", "built_form")
    )  # fmt: skip


def turned(mended: pl.DataFrame) -> pl.DataFrame:
    """Texts that became a value of another look, the commonest first."""
    return mended.select(
        "rows", column_label=_label("column"), cell_text="text", read_as="value"
    ).sort("rows", "column_label", "cell_text", descending=[True, False, False])


def turned_by_column(mended: pl.DataFrame) -> pl.DataFrame:
    """Rows and different texts turned, by column."""
    return (
        mended.group_by(column_label=_label("column"))
        .agg(texts=pl.len(), rows=pl.col("rows").sum())
        .sort("rows", "column_label", descending=[True, False])
    )


def overruled(overrides: pl.DataFrame) -> pl.DataFrame:
    """Entries of the log of sources by source, column and outcome, the commonest first."""
    return (
        overrides.group_by(
            from_source="source", column_label=_label("column"), outcome="outcome"
        )
        .agg(entries=pl.len())
        .sort("entries", "from_source", "column_label", "outcome",
              descending=[True, False, False, False])
    )  # fmt: skip


def homes_by_grade(ranking: pl.DataFrame, reference: Reference) -> pl.DataFrame:
    """Data grades of a home's saving: the spread each allows and the ranked homes that have it."""
    count = ranked(ranking).group_by(data_grade="data_grade").agg(homes=pl.len())
    steps = reference.table("data_grades").sort("spread_at_most")
    percent = (100.0 * pl.col("spread_at_most")).round().cast(pl.Int64)
    return steps.select(
        data_grade="grade",
        spread=pl.when(pl.col("spread_at_most") == pl.col("spread_at_most").max())
        .then(pl.format("over {}%", percent.shift()))
        .otherwise(pl.format("up to {}%", percent)),
    ).join(count, on="data_grade", how="left", maintain_order="left").with_columns(
        pl.col("homes").fill_null(0)
    )  # fmt: skip


def _label(column: str) -> pl.Expr:
    """Plain label of the column a line speaks of."""
    names = {name: found.label for name, found in columns.dictionary().items()}
    return pl.col(column).replace(names).fill_null("Whole row")


def limits(rules: Sequence[dict[str, Any]]) -> pl.DataFrame:
    """Most pounds and homes of each rule: rule, version, limit, share used, slack."""
    rows = [
        (rule["rule"], rule["version"], rule["limit"], _used(rule), rule["slack"])
        for rule in rules
        if rule["kind"] in ("money", "homes") and rule["sense"] == "at_most"
    ]
    schema = {"rule": pl.String, "version": pl.String, "limit": pl.Float64, "used": pl.Float64,
              "slack": pl.Float64}  # fmt: skip
    return pl.DataFrame(rows, schema=schema, orient="row")


def _used(rule: dict[str, Any]) -> float:
    """Share of the limit that is used, at most 1; 1 where the limit is 0."""
    return min(rule["left"] / rule["limit"], 1.0) if rule["limit"] else 1.0
