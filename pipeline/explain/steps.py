"""All the steps of one home, in order, and whether they meet what the store holds of it."""

import math
from dataclasses import dataclass
from typing import Any

from pipeline.assess import Basis
from pipeline.explain import damp, dwelling, money, works
from pipeline.explain.step import Sheet, Step, Value


def sheet(home: dict[str, Any], base: Basis) -> list[Step]:
    """Steps for one ranking row; those of works and money only where an option was chosen."""
    chosen = home["system"] is not None
    made = Sheet(base.reference)
    dwelling.home_today(made, home, base)
    if chosen:
        works.wall_after(made, home, base)
        works.junctions(made, home, base)
    region = int(home["region_id"])
    gains = dwelling.gains_by_month(made, home, base.reference, base.year.months)
    works.heat(made, base, region, gains, after=chosen)
    works.fuel_today(made, home, base)
    if chosen:
        works.savings(made, home, base)
        money.cost(made, home, base)
        money.lifetime(made, home, base)
    damp.damp(made, home, base)
    return made.steps


_NEAR = 1e-9
"""Two ways of reckoning a figure may part by this share of it, or of 1 where it is smaller."""
_MOST_NAMED = 12


@dataclass(frozen=True)
class Check:
    """The steps that name a column, each compared with what the store holds in it.

    reckoned, given: how many of them were worked out from a formula and how many were not; far:
    largest distance of a figure that is met, as a share of it (of 1 where it is smaller); apart:
    each step that is not met, with what the store holds. beside: where it holds it, in words.
    """

    reckoned: int
    given: int
    far: float
    apart: tuple[tuple[Step, Value | None], ...]
    beside: str

    @property
    def agrees(self) -> bool:
        """Whether every step that names a column meets it."""
        return not self.apart

    def words(self) -> str:
        """What was compared and how it came out."""
        if self.agrees:
            far = f"to {self.far:.0e} of its value" if self.far else "exactly"
            return (
                f"{self.reckoned} figures worked out on this sheet stand in {self.beside} too,"
                f" under the names given. Each was compared: every one agrees {far}. {self.given}"
                " further figures and facts are given and not worked out here, most of them by"
                f" {self.beside} itself; it holds the same."
            )
        named = [
            f"{step.column}: {_said(step.stored)} here, {_said(held)} there"
            for step, held in self.apart
        ]
        more = len(named) - _MOST_NAMED
        rest = [f"and {more} more"] if more > 0 else []
        return (
            f"This sheet and {self.beside} DISAGREE in {len(named)} of"
            f" {self.reckoned + self.given} figures and facts compared:"
            f" {'; '.join([*named[:_MOST_NAMED], *rest])}. Rely on neither. The store was made by"
            " other code or altered, or the tool is at fault: make it again with `programme run`;"
            " if they still disagree, tell the tool's developers."
        )


def check(home: dict[str, Any], steps: list[Step], beside: str = "ranking.csv") -> Check:
    """Compare every step that names a column with the home's stored value."""
    named = [(step, home.get(step.column)) for step in steps if step.column]
    distances = [_distance(step.stored, stored) for step, stored in named]
    compared = list(zip(named, distances, strict=True))
    reckoned = sum(bool(step.formula) for step, _ in named)
    return Check(
        reckoned,
        len(named) - reckoned,
        max((far for far in distances if far <= _NEAR), default=0.0),
        tuple(pair for pair, far in compared if not far <= _NEAR),
        beside,
    )


def _distance(found: Value | None, stored: Any) -> float:
    """How far two figures are apart, as a share of the larger or of 1; words: none or endless."""
    if isinstance(found, float) and isinstance(stored, int | float):
        return abs(found - stored) / max(abs(found), abs(stored), 1.0)
    return 0.0 if found == stored else math.inf


def _said(value: Value | None) -> str:
    return "nothing" if value is None else str(value)
