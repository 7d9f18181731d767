"""Whole columns that cannot be what their heading says: asked, and taken as answered.

Square feet under a heading of square metres, one date on every row, survey dates for ages.
"""

from collections.abc import Mapping

import polars as pl

from pipeline.columns import dictionary
from pipeline.stock.answers import NOT_KNOWN, Answers, folded
from pipeline.stock.headings import unit_of
from pipeline.stock.questions import Question

_BARE = r"^\s*[\d.,]+\s*$"
_AREAS = ("floor_area_m2", "wall_area_m2")
_MOST_COMMON_M2 = 300.0
"""A median home is far smaller in square metres and far larger in square feet. Own assumption."""
_MOST_FT2 = 5_000.0
_UNITS = {"ft2": " sq ft", "m2": " m2"}
_LEAST_ROWS = 20
_LATE, _MOST_LATE = 2015, 0.8
"""A list of which most homes were built since may rather hold dates of surveys. Own assumption."""


def asked(cells: pl.DataFrame, headings: Mapping[str, str], answers: Answers) -> list[Question]:
    """A question for each column that looks like something else and is not confirmed.

    cells: columns of the dictionary as text.
    """
    found = [
        _area(cells, column)
        for column in _AREAS
        if column in headings and unit_of(headings[column]) != "ft2"
    ]
    if "construction_year" in headings:
        found.append(_years(cells))
    if "survey_date" in headings:
        found.append(_dates(cells))
    bare = {c: cells.filter(pl.col(c).str.contains(_BARE)) for c in _AREAS if c in headings}
    return [
        Question(
            about,
            column,
            (),
            evidence,
            choices,
            column != "survey_date",
            frozenset(bare[column]["source_row"]) if column in bare else None,
        )
        for told in found
        if told is not None
        for about, column, evidence, choices in [told]
        if column not in answers.confirmed
    ]


_Told = tuple[str, str, str, tuple[str, ...]]


def _area(cells: pl.DataFrame, column: str) -> _Told | None:
    held = cells[column].drop_nulls()
    figures = held.filter(held.str.contains(_BARE)).str.replace_all(",", "")
    values = figures.str.strip_chars().cast(pl.Float64, strict=False).drop_nulls()
    middle = values.median()
    if values.len() < max(_LEAST_ROWS, held.len() / 2) or not isinstance(middle, float):
        return None
    if not _MOST_COMMON_M2 < middle < _MOST_FT2:
        return None
    label = dictionary()[column].label
    evidence = f"Half of {values.len():,} figures without a unit are over {middle:,.0f}."
    return f"Is {label} in square feet or in square metres?", column, evidence, ("ft2", "m2")


def _years(cells: pl.DataFrame) -> _Told | None:
    held = cells["construction_year"].drop_nulls()
    years = held.str.extract(r"\b((?:1[5-9]|20)\d\d)\b", 1).cast(pl.Float64).drop_nulls()
    if years.len() < _LEAST_ROWS:
        return None
    late = int((years >= _LATE).sum())
    choices = ("years of building", NOT_KNOWN)
    if late >= _MOST_LATE * years.len():
        evidence = f"{late:,} of {years.len():,} years are {_LATE} or later."
        return (
            "Do these years tell when the homes were built?",
            "construction_year",
            evidence,
            choices,
        )
    return None


def _dates(cells: pl.DataFrame) -> _Told | None:
    held = cells["survey_date"].drop_nulls()
    if held.len() < _LEAST_ROWS or held.n_unique() > 1:
        return None
    evidence = f"All {held.len():,} cells hold '{held[0][:40]}', which may be the day of the list."
    return (
        "Were all homes surveyed on one day?",
        "survey_date",
        evidence,
        ("survey date", NOT_KNOWN),
    )


def settled(cells: pl.DataFrame, answers: Answers) -> tuple[pl.DataFrame, list[str]]:
    """The cells as confirmed: a unit behind bare figures, nothing where it is not known; notes."""
    notes = []
    for column, answer in answers.confirmed.items():
        if column not in cells.columns:
            continue
        cell = pl.col(column)
        if folded(answer) == NOT_KNOWN:
            cells = cells.with_columns(pl.lit(None, pl.String).alias(column))
            notes.append(f"{dictionary()[column].label} is not known, as confirmed")
        elif column in _AREAS and answer in _UNITS:
            with_unit = pl.format("{}{}", cell.str.strip_chars(), pl.lit(_UNITS[answer]))
            cells = cells.with_columns(
                pl.when(cell.str.contains(_BARE)).then(with_unit).otherwise(cell).alias(column)
            )
            notes.append(f"{dictionary()[column].label} was read in {answer}, as confirmed")
    return cells, notes
