"""What only the landlord can say about a list as a whole."""

from collections.abc import Iterable
from dataclasses import asdict, dataclass

import polars as pl

HEADING = "heading: "
"""Begins an answer that names the heading which holds a column."""


@dataclass(frozen=True)
class Question:
    """One question about a column.

    about: the question in words; column: of the dictionary; headings: those that may hold it, one
    of which is an answer; evidence: what was found; choices: other answers, on what the column
    holds; holds: whether homes are held until it is answered; rows: source_row of those whose
    results hang on it, None where all do whose cell holds anything.
    """

    about: str
    column: str
    headings: tuple[str, ...]
    evidence: str
    choices: tuple[str, ...]
    holds: bool
    rows: frozenset[int] | None = None

    @property
    def answers(self) -> tuple[str, ...]:
        """All that may be typed as the answer."""
        return (*(HEADING + heading for heading in self.headings), *self.choices)

    @property
    def found(self) -> str:
        """What was found, and what to type."""
        quoted = [f"'{answer}'" for answer in self.answers]
        if not quoted:
            return self.evidence
        most = ", ".join(quoted[:-1])
        return f"{self.evidence} Type {f'{most} or ' if most else ''}{quoted[-1]}."


_TABLE: dict[str, pl.DataType | type[pl.DataType]] = {
    "about": pl.String, "column": pl.String, "headings": pl.List(pl.String),
    "evidence": pl.String, "choices": pl.List(pl.String), "holds": pl.Boolean,
}  # fmt: skip


def table(questions: Iterable[Question]) -> pl.DataFrame:
    """One row per question."""
    rows = [
        {**asdict(q), "headings": list(q.headings), "choices": list(q.choices), "evidence": q.found}
        for q in questions
    ]
    return pl.DataFrame(rows, schema=_TABLE, orient="row")
