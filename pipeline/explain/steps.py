"""All the steps of one home, in order, and how far they are from the stored figures."""

from typing import Any

from pipeline.assess import Basis
from pipeline.explain import damp, dwelling, money, works
from pipeline.explain.step import Sheet, Step


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


def furthest(home: dict[str, Any], steps: list[Step]) -> float:
    """Largest relative distance between a figure and the stored one it must match."""
    pairs = [(step.value, home[step.column]) for step in steps if step.column]
    return max(
        abs(value - stored) / max(abs(stored), 1e-12)
        for value, stored in pairs
        if isinstance(value, float) and isinstance(stored, float)
    )
