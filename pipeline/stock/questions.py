"""What only the landlord can say about a list as a whole."""

from collections.abc import Iterable
from dataclasses import asdict, dataclass

import polars as pl


@dataclass(frozen=True)
class Question:
    """One question about a column.

    about: the question in words; column: of the dictionary; headings: those that may hold it, one
    of which is an answer; evidence: what was found; choices: other answers, on what the column
    holds; holds: whether homes are held until it is answered.
    """

    about: str
    column: str
    headings: tuple[str, ...]
    evidence: str
    choices: tuple[str, ...]
    holds: bool


_TABLE: dict[str, pl.DataType | type[pl.DataType]] = {
    "about": pl.String, "column": pl.String, "headings": pl.List(pl.String),
    "evidence": pl.String, "choices": pl.List(pl.String), "holds": pl.Boolean,
}  # fmt: skip


def table(questions: Iterable[Question]) -> pl.DataFrame:
    """One row per question."""
    rows = [
        {**asdict(q), "headings": list(q.headings), "choices": list(q.choices)} for q in questions
    ]
    return pl.DataFrame(rows, schema=_TABLE)
