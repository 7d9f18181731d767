"""The allocation problem as data: what may be chosen, what it is worth, and the rules.

Every rule is linear in the choices. A quantity is a number per home and option (grant, the
landlord's own money, homes, low-income homes …); a rule weighs quantities by year, sums over the
chosen and compares with a limit. Solver, checker and tests read the same rules.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from pipeline.physics import Floats

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Sense = Literal["at_most", "at_least"]
Kind = Literal["money", "homes", "average", "share"]


@dataclass(frozen=True)
class Rule:
    """Sum over the chosen homes of quantity times terms[quantity][year], against the limit.

    kind says how to read its price: per pound, per home, per pound of average, or per share. fund
    and version name where the rule comes from.
    """

    name: str
    kind: Kind
    sense: Sense
    terms: Mapping[str, tuple[float, ...]]
    limit: float
    fund: str = ""
    version: str = ""

    @property
    def sign(self) -> float:
        """1 for at most, -1 for at least: sign times left side <= sign times limit."""
        return 1.0 if self.sense == "at_most" else -1.0

    @property
    def asks(self) -> bool:
        """Whether funding no home at all would break the rule."""
        return self.sign * self.limit < 0.0

    @property
    def words(self) -> str:
        """What the rule asks, as "at least 50 homes" or "at most 15 %"."""
        sense = self.sense.replace("_", " ")
        if self.kind in ("money", "homes"):
            return f"{sense} {self.limit:,.10g} {'GBP' if self.kind == 'money' else 'homes'}"
        bound = -min(map(min, self.terms.values()))
        unit = f"{bound:,.10g} GBP a home" if self.kind == "average" else f"{100 * bound:.6g} %"
        return f"{sense} {unit}"


@dataclass(frozen=True)
class Problem:
    """Choose for each home one option in one year, or none.

    value: worth of home and option, [homes, options]; NaN where it is not allowed.
    quantities: by name, each [homes, options], [homes, 1] or [1, options]; never NaN where allowed.
    lots: number of the street lot of each home, -1 for a home on its own. All homes of a lot that
    may have an option are treated in one and the same year, or none is.
    year_weight: [years], factor on the value of a home treated in that year.
    open: [options, years], whether the option may be started in the year; all when None.
    """

    value: Floats
    quantities: Mapping[str, Floats]
    rules: tuple[Rule, ...]
    lots: Ints
    year_weight: Floats = field(default_factory=lambda: np.ones(1))
    open: Bools | None = None

    def __post_init__(self) -> None:
        """Refuse arrays that do not fit together. Raises ValueError with what to mend."""
        homes, options = self.value.shape
        for name, table in self.quantities.items():
            fits = (
                table.ndim == 2 and table.shape[0] in (1, homes) and table.shape[1] in (1, options)
            )
            if not fits:
                raise ValueError(
                    f"Quantity '{name}' is {table.shape} but value is {self.value.shape}: give"
                    " [homes, options], [homes, 1] or [1, options]."
                )
            if not np.isfinite(np.where(np.isnan(self.value), 0.0, table)).all():
                raise ValueError(
                    f"Quantity '{name}' is missing for an allowed option: fill it, or set the"
                    " value of that option to NaN so that it is not allowed."
                )
        if self.lots.shape != (homes,):
            raise ValueError(f"lots is {self.lots.shape}: give one number for each home.")
        if self.open is not None and self.open.shape != (options, self.years):
            raise ValueError(f"open is {self.open.shape}: give [options, years].")
        self._check_rules()

    def _check_rules(self) -> None:
        names = [rule.name for rule in self.rules]
        if len(set(names)) < len(names):
            twice = sorted({name for name in names if names.count(name) > 1})
            raise ValueError(f"Two rules are called {', '.join(twice)}: give each its own name.")
        for rule in self.rules:
            for quantity, weights in rule.terms.items():
                if quantity not in self.quantities:
                    raise ValueError(
                        f"Rule '{rule.name}' needs the quantity '{quantity}'. Known:"
                        f" {', '.join(self.quantities)}. Add it to the quantities."
                    )
                if len(weights) != self.years:
                    raise ValueError(
                        f"Rule '{rule.name}' gives {len(weights)} years for '{quantity}' but the"
                        f" programme has {self.years}: give one weight for each year."
                    )

    @property
    def homes(self) -> int:
        """Number of homes."""
        return int(self.value.shape[0])

    @property
    def options(self) -> int:
        """Number of options."""
        return int(self.value.shape[1])

    @property
    def years(self) -> int:
        """Number of years."""
        return int(self.year_weight.size)

    @property
    def opened(self) -> Bools:
        """[options, years], whether the option may be started in the year."""
        return np.ones((self.options, self.years), bool) if self.open is None else self.open


def each_year(
    name: str, kind: Kind, quantity: str, limits: Sequence[float | None], years: Sequence[int] = ()
) -> tuple[Rule, ...]:
    """At most so much of a quantity in each year: budgets, contractor capacity. None is no limit.

    years: names of the years; numbered from 1 where none are given.
    """
    count = len(limits)
    return tuple(
        Rule(
            f"{name} {years[at]}" if years else f"{name}, year {at + 1}",
            kind,
            "at_most",
            {quantity: tuple(1.0 if t == at else 0.0 for t in range(count))},
            limit,
        )
        for at, limit in enumerate(limits)
        if limit is not None
    )


def average_at_most(name: str, quantity: str, homes: str, most: float, years: int) -> Rule:
    """The average of a quantity over the funded homes is at most so much: an averaged cap."""
    terms = {quantity: (1.0,) * years, homes: (-most,) * years}
    return Rule(name, "average", "at_most", terms, 0.0)


def share(name: str, sense: Sense, of: tuple[str, str], limit: float, years: int) -> Rule:
    """A part is at least, or at most, this share of a whole: low income, infill, band C.

    of: the quantities part and whole.
    """
    part, whole = of
    return Rule(name, "share", sense, {part: (1.0,) * years, whole: (-limit,) * years}, 0.0)


def at_least(name: str, kind: Kind, quantity: str, limit: float, years: int) -> Rule:
    """The quantity over all years is at least the limit, as the least number of homes."""
    return Rule(name, kind, "at_least", {quantity: (1.0,) * years}, limit)


def of_fund(rule: Rule, fund: str, version: str) -> Rule:
    """The rule with the fund it comes from."""
    return replace(rule, fund=fund, version=version)
