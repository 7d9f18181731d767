"""Columns of one thing told with more and with less evidence, such as inspected and assumed."""

from collections.abc import Collection, Sequence

import polars as pl

from pipeline.columns import dictionary
from pipeline.plurals import counted
from pipeline.stock import headings, profiles, wording
from pipeline.stock.profiles import Profile

_SURE = 0.8
"""Least score of the words without their evidence, so that a bare "Year" is no pair."""


def settled(
    body: pl.DataFrame, names: Sequence[str], looks: Sequence[Profile], chosen: Collection[str]
) -> tuple[pl.DataFrame, list[str], list[str]]:
    """The rows with the better evidence first, filled from the lesser, and notes.

    body: `source_row` and one text column to a heading; chosen: plain headings that the landlord
    settled, which stay as they are. The lesser heading holds nothing any more.
    """
    groups: dict[tuple[frozenset[str], str], list[int]] = {}
    for place, name in enumerate(names):
        column = _column(name, looks[place])
        if column and headings.plain(name) not in chosen:
            stem = frozenset(wording.tokens(name))
            groups.setdefault((stem, column), []).append(place)
    left, notes = list(names), []
    for places in groups.values():
        order = sorted(places, key=lambda place: -wording.evidence(names[place]))
        ranks = [wording.evidence(names[place]) for place in order]
        if len(set(ranks)) < len(ranks) or len(order) < 2:
            continue
        best = order[0]
        for place in order[1:]:
            one, other = (body.columns[p + 1] for p in (best, place))
            notes.append(_note(body, one, other, names[best], names[place]))
            body = body.with_columns(pl.coalesce(one, other))
            left[place] = ""
    return body, left, notes


def _column(name: str, held: Profile) -> str:
    """The column that a heading surely speaks of and that its cells do not deny; "" for none."""
    fits = wording.scores(name)
    fits = {c: s for c, s in fits.items() if s >= _SURE and c in dictionary()}
    best = max(fits, key=lambda column: fits[column]) if fits else ""
    return best if best and profiles.fit(dictionary()[best], held) > profiles.NEVER else ""


def _note(body: pl.DataFrame, one: str, other: str, name: str, lesser: str) -> str:
    a, b = (pl.col(c).str.strip_chars().str.to_lowercase() for c in (one, other))
    fills, differ = body.select(
        (a.is_null() & b.is_not_null()).sum().alias("fills"), (a != b).sum().alias("differ")
    ).row(0)
    return (
        f"'{name}' counts before '{lesser}', which fills {counted(fills, 'cell')}; the two differ"
        f" in {counted(differ, 'row')}"
    )
