"""Lists with one row to each attribute of a home, turned to one row to a home."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import polars as pl

from pipeline.plurals import counted
from pipeline.stock import casting, wording
from pipeline.stock.profiles import Profile

_ANSWER = {"answer", "value", "result", "response", "reading", "detail", "data", "entry"}
_ELEMENT = {
    *(
        "element",
        "attribute",
        "field",
        "item",
        "characteristic",
        "question",
        "feature",
        "component",
    ),
    *("parameter", "property", "datum", "heading", "name", "description"),
}
_UNIT = {"unit", "units", "uom"}
_SURE = 0.85
_LEAST_COLUMNS = 3
_MOST_ELEMENTS = 400
_OFTEN = 0.5
"""A key that stands in fewer different cells than this share is a home's of several rows."""


@dataclass(frozen=True)
class _Parts:
    """Positions of the key, the attribute's name, its value, unit and date; None where none."""

    key: int
    element: int
    answer: int
    unit: int | None
    date: int | None


def heads(row: Sequence[object]) -> bool:
    """Whether a row reads as the headings of such a list: an attribute's name and its value."""
    cells = [set(wording.tokens(str(cell))) for cell in row if cell is not None]
    answers = [cell for cell in cells if cell & _ANSWER and len(cell) <= 2]
    return bool(answers) and any(cell & _ELEMENT and len(cell) <= 2 for cell in cells)


def turned(
    body: pl.DataFrame, names: Sequence[str], looks: Sequence[Profile]
) -> tuple[pl.DataFrame, list[str], list[str]]:
    """Rows and headings with one row to a home, and a note; as sent where they are already so.

    body: `source_row` and one text column to a heading. The newest answer by date counts; two of
    the same day stand both. Each home keeps the number of its first row.
    """
    parts = _parts(body, names, looks)
    if parts is None:
        return body, list(names), []
    columns = body.columns[1:]
    element, answer = (pl.col(columns[p]) for p in (parts.element, parts.answer))
    key = pl.col(columns[parts.key]).str.strip_chars().replace("", None)
    labels = _labels(body[columns[parts.element]])
    day = casting.date(pl.col(columns[parts.date])) if parts.date is not None else pl.lit(None)
    unit = pl.col(columns[parts.unit]) if parts.unit is not None else pl.lit(None, pl.String)
    bare = answer.str.contains(r"^\s*[\d.,]+\s*$") & unit.is_not_null()
    long = body.select(
        "source_row",
        key.alias("key"),
        element.replace_strict(labels, default=None, return_dtype=pl.String).alias("element"),
        pl.when(bare).then(pl.format("{} {}", answer, unit)).otherwise(answer).alias("answer"),
        day.cast(pl.Date).alias("day"),
    ).filter(pl.col("key").is_not_null())
    newest = (
        long.drop_nulls(["element", "answer"])
        .filter((pl.col("day") == pl.col("day").max().over("key", "element")).fill_null(
            pl.col("day").max().over("key", "element").is_null()))
        .group_by("key", "element", maintain_order=True)
        .agg(_answers())
    )  # fmt: skip
    wide = newest.pivot("element", index="key", values="answer", maintain_order=True)
    same = [p for p in range(len(names)) if p not in vars(parts).values()]
    first = body.filter(key.is_not_null()).group_by(key.alias("key"), maintain_order=True).agg(
        pl.col("source_row").first(), *(pl.col(columns[p]).drop_nulls().first() for p in same)
    )  # fmt: skip
    homes = first.join(wide, on="key", how="left", maintain_order="left")
    headings = [names[parts.key], *(names[p] for p in same), *wide.columns[1:]]
    homes = homes.select("source_row", "key", pl.exclude("source_row", "key"))
    homes.columns = ["source_row", *(f"column_{n}" for n in range(len(headings)))]
    return homes, headings, [_note(body, long, homes, names[parts.element])]


def _note(body: pl.DataFrame, long: pl.DataFrame, homes: pl.DataFrame, element: str) -> str:
    lost = body.height - long.height
    orphans = f"; {counted(lost, 'row')} without a key: of no home" if lost else ""
    return (
        f"{counted(long.height, 'row')}, one to each '{element}', made"
        f" {counted(homes.height, 'home')}{orphans}"
    )


def _answers() -> pl.Expr:
    """One answer, or different ones of the same day with "or" between."""
    plain = pl.col("answer").str.strip_chars()
    return plain.unique(maintain_order=True).str.join(" or ").alias("answer")


def _labels(elements: pl.Series) -> dict[str, str]:
    """A heading for each name of an attribute; spellings of one name share the commonest."""
    counted = elements.drop_nulls().value_counts(sort=True)
    by_sense: dict[object, str] = {}
    labels = {}
    for text in counted[counted.columns[0]]:
        fits = wording.scores(text)
        best = max(fits, key=lambda name: fits[name]) if fits else None
        parts, unknown = wording.parts_of(text)
        sense: object = best if best and fits[best] >= _SURE else (parts, unknown or text.lower())
        if not parts:
            sense = " ".join(text.lower().split())
        labels[text] = by_sense.setdefault(sense, text.strip())
    return labels


def _parts(body: pl.DataFrame, names: Sequence[str], looks: Sequence[Profile]) -> _Parts | None:
    """Which columns hold what in a list of attributes; None where it is no such list."""
    words = [" ".join(wording.tokens(name)) for name in names]
    answer = next((p for p, word in enumerate(words) if set(word.split()) & _ANSWER), None)
    told = heads(names)
    if not told and len(_named(names)) >= _LEAST_COLUMNS:
        return None
    element = next(
        (p for p in range(len(names)) if _names_columns(body[body.columns[p + 1]], looks[p], told)),
        None,
    )
    if element is None:
        return None
    if answer is None or answer == element:
        answer = element + 1
    key = next((p for p, name in enumerate(names) if "home_id" in wording.scores(name)), None)
    key = next((p for p, w in enumerate(words) if "uprn" in w), 0) if key is None else key
    if answer >= len(names) or key in (element, answer) or looks[key].distinct > _OFTEN:
        return None
    unit = next((p for p, word in enumerate(words) if set(word.split()) & _UNIT), None)
    date = next((p for p, held in enumerate(looks) if held.share("date") > 0.8), None)
    return _Parts(key, element, answer, unit, date)


def _names_columns(cells: pl.Series, held: Profile, told: bool) -> bool:
    """Whether cells are names of attributes, several of them columns of the list.

    told: whether the headings say so; if not, the names must come again and again.
    """
    if (held.distinct > 0.3 and not told) or held.share("digits") > 0.5:
        return False
    texts = cells.drop_nulls().unique()
    if texts.len() > _MOST_ELEMENTS:
        return False
    return len(_named(texts.to_list())) >= _LEAST_COLUMNS


def _named(texts: Iterable[str]) -> set[str]:
    """Columns that tell of a home and that some text clearly names."""
    return {
        name
        for text in texts
        for name, fits in wording.scores(text).items()
        if name in _TELLING and fits >= _SURE
    }


_TELLING = {
    *("property_type", "built_form", "construction_year", "floor_area_m2", "wall_construction"),
    *("wall_insulation", "heating", "epc_band", "loft_insulation_mm", "u_existing_w_m2k"),
}
