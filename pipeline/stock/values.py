"""Text to values, a distinct text at a time, with a record of every text that was turned."""

from collections.abc import Iterable
from functools import cache
from typing import NamedTuple

import polars as pl

from pipeline import identity
from pipeline.columns import Column, by_role
from pipeline.stock import casting, figures, phrases, years
from pipeline.stock.answers import NOT_KNOWN
from pipeline.stock.headings import unit_of
from pipeline.stock.reading import RawTable
from pipeline.stock.rules import UNREADABLE

_SAID = {
    "column": pl.String, "text": pl.String, "rows": pl.UInt32, "value": pl.String,
    "unread": pl.String, "also": pl.String,
}  # fmt: skip
_TELLS = "__in_"
_FROM, _OPEN = _TELLS, "__open" + _TELLS
"""Between a column and that whose cells speak of it too, or speak of it without giving a value."""
_WEAK = "type_by_form"
"""A type that only the form of a home tells, which no cell contradicts."""
_TERRACED = "terraced"
"""A form of which only this is said: a mid terrace, unless another cell says the end of one."""
_U_ROUNDED = 0.051
"""W/m2K by which a U-value in two cells may differ, from rounding."""
_SPAN = ("__first", "__last")
"""First and last year a cell says."""
_FUELS = {
    "gas": "mains_gas", "lpg": "lpg", "oil": "oil", "solid": "solid_fuel", "heat": "heat_network",
}  # fmt: skip


class Typed(NamedTuple):
    """A list with values in place of texts.

    frame: source_row, each stock column with its dtype, a flag `<column>__unreadable` where a cell
    holds text but no value, and age_band. said: what each distinct text was read as, where that is
    worth a look: column, text, rows, value (null: none), unread (words nobody understood, null:
    none) and also (other columns the text speaks of). clashes: source_row, column, text, other and
    other_text, where two cells of a row contradict each other.
    """

    frame: pl.DataFrame
    said: pl.DataFrame
    clashes: pl.DataFrame


def typed(raw: RawTable) -> Typed:
    """Every stock column with its dtype. A phrase fills columns of which no own cell speaks."""
    held, said = [raw.frame.select("source_row")], []
    for column in by_role("stock"):
        if column.name not in raw.headings:
            held.append(
                raw.frame.select("source_row").with_columns(_absent(column)).drop("source_row")
            )
            continue
        cells = raw.frame.select(text=column.name)
        read = _read(cells, column, unit_of(raw.headings[column.name]))
        said.append(read.select(pl.lit(column.name).alias("column"), *list(_SAID)[1:]))
        beside = cells.join(read, on="text", how="left", nulls_equal=True, maintain_order="left")
        held.append(beside.select(pl.exclude("text", "clean", *list(_SAID)[1:])))
    frame = pl.concat(held, how="horizontal")
    filled, clashes = _filled(frame, raw)
    told = pl.concat(said) if said else pl.DataFrame(schema=_SAID)
    return Typed(filled.select(_names()), _worth_a_look(told), clashes)


@cache
def _names() -> list[str]:
    names = [n for c in by_role("stock") for n in (c.name, c.name + UNREADABLE)]
    at = names.index("construction_year" + UNREADABLE)
    return ["source_row", *names[: at + 1], "age_band", *names[at + 1 :]]


def _absent(column: Column) -> list[pl.Expr]:
    blank = [pl.lit(None, column.polars_dtype).alias(column.name)]
    blank.append(pl.lit(False).alias(column.name + UNREADABLE))
    return [*blank, pl.lit(None, pl.String).alias("age_band")] if column.dtype == "age" else blank


def _read(cells: pl.DataFrame, column: Column, unit: str) -> pl.DataFrame:
    """What each distinct text of a column says, with the rows that hold it."""
    distinct = cells.group_by("text", maintain_order=True).agg(rows=pl.len())
    clean = distinct.with_columns(clean=casting.clean("text"))
    if column.name == "uprn":
        said = ~identity.no_uprn(pl.col("clean"))
        clean = clean.with_columns(clean=pl.when(said).then("clean"))
    if column.name in _NOTHING:
        nothing = _NOTHING[column.name](pl.col("clean"))
        clean = clean.with_columns(clean=pl.when(~nothing).then("clean"))
    if column.name in phrases.TOPICS:
        return _of_phrases(clean, column)
    value = clean.with_columns(_value(column, unit), unread=pl.lit(None, pl.String), also=_NO_TEXT)
    if column.dtype == "age":
        value = _of_years(value)
    elif column.dtype in ("number", "area", "length_mm"):
        value = _of_figures(value, column, unit)
    return value.with_columns(_said(column))


_NOTHING = {"loft_insulation_mm": casting.no_loft, "epc_band": casting.no_epc}
"""Texts that say there is nothing of which a value could be known."""
_NO_LAYER = ("none", "no insulation", "uninsulated", "not insulated", "nil insulation")
_NO_TEXT = pl.lit(None, pl.String)


@cache
def _value(column: Column, unit: str) -> tuple[pl.Expr, ...]:
    """A value of the column from its clean text; unit: the one its heading states."""
    text = pl.col("clean")
    plain = {"share": casting.share, "date": casting.date}
    named = {"postcode": casting.postcode, "uprn": identity.uprn, "epc_band": casting.epc}
    if column.dtype == "age":
        return (casting.age_band(text).alias("age_band"),)
    if column.dtype == "code" and column.name not in named:
        caster = casting.walls if column.name == "walls_refused" else casting.code
        value = caster(text, column.name)
    elif column.dtype in plain:
        value = plain[column.dtype](text)
    elif column.dtype in ("number", "area", "length_mm"):
        value = casting.number(text, column.unit, unit)
    else:
        value = named.get(column.name, casting.whole_number_text)(text)
    return (value.cast(column.polars_dtype).alias(column.name),)


def _of_figures(read: pl.DataFrame, column: Column, unit: str) -> pl.DataFrame:
    """Figures of texts in which words stand beside them."""
    left = read.filter(pl.col(column.name).is_null() & pl.col("clean").is_not_null())["clean"]
    found = {text: figures.read(text, column.unit, unit) for text in left.unique()}
    if column.name == "loft_insulation_mm":
        found |= {text: 0.0 for text in found if text.lower() in _NO_LAYER}
    told = pl.col("clean").replace_strict(found, default=None, return_dtype=pl.Float64)
    return read.with_columns(pl.coalesce(column.name, told))


def _of_years(read: pl.DataFrame) -> pl.DataFrame:
    """Years of the texts of an age column, and the year a building is counted to."""
    found = {text: years.read(text) for text in read["clean"].drop_nulls().unique()}
    spans = read["clean"].to_list()
    first, last = ([(found.get(text) or (None, None))[end] for text in spans] for end in (0, 1))
    with_span = read.with_columns(
        pl.Series("construction_year" + _SPAN[0], first, pl.Float64),
        pl.Series("construction_year" + _SPAN[1], last, pl.Float64),
    )
    return with_span.with_columns(construction_year=_counted("construction_year"))


def _counted(of: str) -> pl.Expr:
    """The year of a span: its middle, or the end that is known."""
    first, last = (pl.col(of + end) for end in _SPAN)
    return pl.coalesce(((first + last) / 2.0).floor(), first, last)


def _of_phrases(clean: pl.DataFrame, column: Column) -> pl.DataFrame:
    """Values of the column itself and of others that its phrases speak of.

    A text that says nothing of its own column counts as not known; one that speaks of it without
    giving a value, or of nothing that is known, is unreadable.
    """
    found = [_phrase(text, column.name) for text in clean["clean"]]
    table = pl.DataFrame(found, schema=_phrase_schema(column.name), orient="row")
    if column.dtype == "text":
        table = table.with_columns(
            clean["clean"].alias(column.name),
            pl.lit(False).alias(column.name + UNREADABLE),
            clean["clean"].fill_null(NOT_KNOWN).alias("value"),
        )
    spoken = [name for name in table.columns if _TELLS in name and table[name].count()]
    return clean.hstack(table.select(pl.exclude(rf"^.*{_TELLS}.*$"), *spoken))


@cache
def _phrase_schema(own: str) -> dict[str, type[pl.DataType]]:
    others = [name for name in phrases.FILLS if name not in (own, "construction_year")]
    return {
        own: pl.String, own + UNREADABLE: pl.Boolean, "value": pl.String, "unread": pl.String,
        "also": pl.String,
        **{f"{name}{_FROM}{own}": pl.String for name in (*others, _WEAK)},
        **{f"construction_year{_FROM}{own}{end}": pl.Float64 for end in _SPAN},
        **{f"{name}{_OPEN}{own}": pl.Boolean for name in others},
    }  # fmt: skip


def _phrase(text: str | None, own: str) -> list[object]:
    """One row of `_phrase_schema`; what a text does not say is null."""
    said = phrases.Phrase(empty=True) if text is None else phrases.read(text, own)
    value = said.values.get(own)
    if own == "heating_fuel":
        value = _fuel(said.values.get("heating"))
    elif own == "property_type":
        value = value or said.weak or None
    others = [name for name in phrases.FILLS if name not in (own, "construction_year")]
    told = {name: said.values[name] for name in others if name in said.values}
    if said.terraced and "built_form" in told:
        told["built_form"] = _TERRACED
    unreadable = value is None and not said.empty and (own in said.open or not (told or said.age))
    also = [f"{name}={code}" for name, code in told.items()]
    if said.age:
        also.append("built " + "-".join("" if year is None else f"{year:g}" for year in said.age))
    return [
        value, unreadable, NOT_KNOWN if said.empty else value,
        "; ".join(said.unread) or None if value or also else None,
        "; ".join(also) or None, *map(told.get, others), said.weak or None,
        *(said.age or (None, None)), *(name in said.open or None for name in others),
    ]  # fmt: skip


def _fuel(system: str | None) -> str | None:
    """Fuel of a heating system."""
    return _FUELS.get(system.partition("_")[0], "electricity") if system else None


def _filled(frame: pl.DataFrame, raw: RawTable) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Columns filled from phrases of other columns, and the cells that contradict each other."""
    clashes = []
    for name in phrases.FILLS:
        span = _SPAN[0] if name == "construction_year" else ""
        others = [c for c in phrases.TOPICS if f"{name}{_FROM}{c}{span}" in frame.columns]
        if span and others:
            frame = frame.with_columns(_years_of(name, others))
        for other in others:
            there = f"{name}{_FROM}{other}"
            clashes.append(_clash(frame, raw, name, other))
            told = pl.col(there).cast(frame.schema[name])
            told = told.replace(_TERRACED, "mid_terrace") if name == "built_form" else told
            frame = frame.with_columns(pl.coalesce(name, told).alias(name))
    by_form = [name for name in frame.columns if name.startswith(_WEAK)]
    read = ~pl.col("property_type" + UNREADABLE)  # else the form would speak for what was said
    form = pl.when(read).then(pl.coalesce(pl.lit(None, pl.String), *by_form))
    frame = frame.with_columns(pl.coalesce("property_type", form))
    filled = frame.with_columns(
        (pl.col(name).is_null() & pl.any_horizontal(name + UNREADABLE, *_left_open(frame, name)))
        .fill_null(False)
        .alias(name + UNREADABLE)
        for name in phrases.FILLS
    ).with_columns(
        # the fuel counts only where the system is not told
        pl.col("heating_fuel" + UNREADABLE) & pl.col("heating").is_null()
    )
    clashes.append(_impossible_fill(filled, raw))
    return filled, pl.concat(clashes)


def _left_open(frame: pl.DataFrame, name: str) -> list[str]:
    return [column for column in frame.columns if column.startswith(name + _OPEN)]


def _years_of(name: str, others: Iterable[str]) -> list[pl.Expr]:
    return [_counted(f"{name}{_FROM}{other}").alias(f"{name}{_FROM}{other}") for other in others]


def _clash(frame: pl.DataFrame, raw: RawTable, name: str, other: str) -> pl.DataFrame:
    """Rows whose own value, or an earlier phrase's, is not what another cell says."""
    there = f"{name}{_FROM}{other}"
    here, said = pl.col(name), pl.col(there)
    if name == "construction_year":
        spans = [pl.col(f"{name}{_FROM}{other}{end}") for end in _SPAN]
        clash = (here < spans[0]) | (here > spans[1])
    elif name == "u_existing_w_m2k":
        clash = (here - said.cast(pl.Float64)).abs() > _U_ROUNDED
    elif name == "tenure":  # what is sold is not the landlord's, whoever's it is
        clash = (here == "social_rent") & said.is_not_null()
    elif name == "built_form":
        row = here.is_in(["mid_terrace", "end_terrace"]) & (said == _TERRACED)
        clash = (here != said) & ~row
    elif name == "heating":
        clash = _fuel_of(here) != _fuel_of(said)
    elif name == "wall_construction":
        clash = here.replace("filled_cavity", "cavity") != said.replace("filled_cavity", "cavity")
    else:
        clash = here != said
    if name == "wall_insulation":  # a filled cavity may be insulated on a side as well
        both = pl.concat_list(here, said)
        filled = both.list.eval(pl.element().str.contains("cavity")).list
        clash &= filled.all() | both.list.contains("none") | ~filled.any()
        if other == "wall_construction":  # an unfilled cavity may be insulated on a side
            clash &= ~((said == "none") & (pl.col("wall_construction") == "cavity"))
    return _clashes(frame.filter(clash), raw, name, other)


def _fuel_of(system: pl.Expr) -> pl.Expr:
    first = system.str.extract(r"^([a-z]+)")
    return first.replace_strict(
        _FUELS, default=pl.when(system.is_not_null()).then(pl.lit("electricity"))
    )


def _impossible_fill(frame: pl.DataFrame, raw: RawTable) -> pl.DataFrame:
    """Rows in which a wall without a cavity is said to have it filled, or a filled one not."""
    fill = pl.col("wall_insulation").is_in(["filled_cavity", "partly_filled_cavity"])
    cavity = pl.col("wall_construction").is_in(["cavity", "filled_cavity"])
    empty = (pl.col("wall_construction") == "filled_cavity") & (pl.col("wall_insulation") == "none")
    both = frame.filter((fill & ~cavity) | empty)
    return _clashes(both, raw, "wall_insulation", "wall_construction")


def _clashes(rows: pl.DataFrame, raw: RawTable, name: str, other: str) -> pl.DataFrame:
    cells = [c for c in dict.fromkeys((name, other)) if c in raw.frame.columns]
    texts = rows.select("source_row").join(raw.frame.select("source_row", *cells), on="source_row")
    blank = pl.lit(None, pl.String)
    return texts.select(
        "source_row",
        pl.lit(name).alias("column"),
        (pl.col(name) if name in cells else blank).alias("text"),
        pl.lit(other).alias("other"),
        (pl.col(other) if other in cells else blank).alias("other_text"),
    )


@cache
def _said(column: Column) -> tuple[pl.Expr, pl.Expr]:
    """A value as text, and whether its cell holds text without giving one.

    'not known' stands for a word that says so.
    """
    value = pl.col(column.name)
    if column.dtype == "age":
        value = pl.coalesce(value.cast(pl.Int64).cast(pl.String), "age_band")
    known = pl.col("clean").is_not_null()
    said = pl.when(known).then(value.cast(pl.String)).otherwise(pl.lit(NOT_KNOWN))
    unreadable = known & value.is_null()
    return said.alias("value"), unreadable.alias(column.name + UNREADABLE)


def _worth_a_look(said: pl.DataFrame) -> pl.DataFrame:
    """Texts without a value, or whose value is written otherwise; by column, most rows first."""
    text, value = pl.col("text"), pl.col("value")
    same_number = text.cast(pl.Float64, strict=False) == value.cast(pl.Float64, strict=False)
    other = (text != value) & ~same_number.fill_null(False)
    place = pl.col("column").rle_id()
    told = other.fill_null(True) | pl.col("unread").is_not_null() | pl.col("also").is_not_null()
    return said.filter(text.is_not_null() & told).sort(
        place, "rows", "text", descending=[False, True, False]
    )
