"""Asks where headings leave a doubt: two that may hold one column, none, or the wrong cells."""

import re

import polars as pl

from pipeline.columns import dictionary
from pipeline.plurals import counted
from pipeline.stock import personal, phrases, wording
from pipeline.stock.headings import ESSENTIAL, Match, Scores, column_of, is_personal
from pipeline.stock.questions import Question

_NEAR = 0.1
"""Headings whose scores differ by no more may both be meant. Own assumption."""
_LEAST = 0.65
_MOST_OFFERED = 12
_SAMPLE_ROWS = 4_000
_HOLDS = frozenset(
    {
        *("property_type", "construction_year", "floor_area_m2", "wall_construction", "heating"),
        *("wall_insulation", "wall_area_m2", "u_existing_w_m2k"),
    }
)
"""Columns that move results: of their doubts none is settled in silence."""
_ASKED = _HOLDS | {"home_id", "uprn", "built_form", "floor_position", "loft_insulation_mm"}


def rivals(found: Match, body: pl.DataFrame) -> list[Question]:
    """A question for each column that another heading may hold just as well, with other cells.

    body: `source_row` and the rows below the headings, one column to a heading. Cells that agree
    are no question, and of the others only their homes are held.
    """
    asked = []
    for column, place in found.positions.items():
        others = [p for p in _near(found, column, place) if _may_show(found.all[p])]
        unlike = {p: _unlike(body, column, place, p) for p in others}
        unlike = {p: rows for p, rows in unlike.items() if rows.height}
        if unlike and _may_show(found.all[place]):
            headings = tuple(found.all[p] for p in (place, *unlike))
            told = " ".join(_differ(rows, found.all[p]) for p, rows in unlike.items())
            asked.append(
                Question(
                    f"Which heading holds {dictionary()[column].label}?",
                    column,
                    headings,
                    f"'{headings[0]}' was taken. {told}",
                    (),
                    column in _HOLDS,
                    frozenset(row for rows in unlike.values() for row in rows["source_row"]),
                )
            )
    return asked


def _near(found: Match, column: str, place: int) -> list[int]:
    """Positions of free headings that fit a column about as well as the one that holds it."""
    held = found.fits.get((place, column))
    if held is None or column not in _ASKED:
        return []
    used = {*found.positions.values(), *(p for some in found.several.values() for p in some)}
    least = max(_LEAST, held - _NEAR)
    exact = column_of(found.all[place]) == column
    return [
        p
        for (p, name), score in sorted(found.fits.items())
        if name == column and p not in used and score >= least
        if not exact or column_of(found.all[p]) == column
    ]


def _unlike(body: pl.DataFrame, column: str, one: int, other: int) -> pl.DataFrame:
    """source_row and both cells, a and b, of the rows in which two headings say different things.

    Where they agree in a sample of a large list they agree.
    """
    cells = body.columns[1:]
    both = body.select("source_row", a=cells[one], b=cells[other]).drop_nulls()
    for rows in (both.gather_every(max(1, both.height // _SAMPLE_ROWS)), both):
        pairs = rows.select("a", "b").unique(maintain_order=True)
        unlike = [not agree(column, a, b) for a, b in pairs.iter_rows()]
        both = rows.join(
            pairs.filter(pl.Series(unlike, dtype=pl.Boolean)), on=["a", "b"], how="semi"
        )
        if both.is_empty():
            break
    return both.sort("source_row")


def _differ(rows: pl.DataFrame, heading: str) -> str:
    """A count and an example of rows in which another heading says something else."""
    a, b = (personal.strike(text)[0][:40] for text in rows.select("a", "b").row(0))
    return (
        f"In {counted(rows.height, 'row')} '{heading}' says something else, as '{b}' beside '{a}'."
    )


def agree(column: str, one: str, other: str) -> bool:
    """Whether two cells may both be true of a home: one value, one text in the other, or none."""
    if column in phrases.TOPICS:
        here, there = (phrases.read(text, column).values.get(column) for text in (one, other))
        if there is None or here == there:
            return True
    a, b = (" ".join(re.findall(r"[a-z]+|\d+(?:\.\d+)?", t.lower())) for t in (one, other))
    if a == b or not a or not b:
        return True
    figures = [[float(f) for f in re.findall(r"\d+(?:\.\d+)?", text)] for text in (a, b)]
    if column == "construction_year":
        years = [[f for f in some if 1000 <= f <= 2100] for some in figures]
        if not all(years):
            return True
        return min(years[0]) <= max(years[1]) and min(years[1]) <= max(years[0])
    if all(len(some) == 1 for some in figures):
        return abs(figures[0][0] - figures[1][0]) <= 0.01 * max(figures[0][0], figures[1][0])
    return set(a.split()) <= set(b.split()) or set(b.split()) <= set(a.split())


def missing(found: Match) -> list[Question]:
    """A question for each column a list must have that no heading was understood to hold."""
    offered = [heading for heading in dict.fromkeys(found.unused) if _may_show(heading)]
    labels = {dictionary()[name].label: name for name in ESSENTIAL}
    return [
        Question(
            f"Which heading holds {label}?",
            labels[label],
            tuple(_nearest(offered, labels[label], found)),
            "No heading was understood as it.",
            (),
            False,
        )
        for label in found.missing
    ]


def _nearest(offered: list[str], column: str, found: Match) -> list[str]:
    """Headings offered for a column, those that fit it best first."""
    fits: Scores = found.fits
    best = {found.all[p]: s for (p, name), s in fits.items() if name == column}
    return sorted(offered, key=lambda heading: -best.get(heading, 0.0))[:_MOST_OFFERED]


def _may_show(heading: str) -> bool:
    """Whether a file may hold a heading: it names no person."""
    of_persons = is_personal(heading) or "tenant" in wording.parts_of(heading)[0]
    return not of_persons and not personal.strike(heading)[1]


def refusal(found: Match) -> str:
    """Why a list without all it must have is not taken, in words; empty where it has all."""
    if not found.missing:
        return ""
    read = ", ".join(h for h in found.all if h)[:400]
    return f"no heading for {', '.join(found.missing)}. Headings read: {read}.{found.hint}"
