"""Matches the headings of a stock list to the column dictionary."""

import difflib
import re
from dataclasses import dataclass
from functools import cache

from pipeline.columns import by_role, dictionary

ESSENTIAL = ("home_id", "property_type", "construction_year", "floor_area_m2", "wall_construction")


@dataclass(frozen=True)
class Match:
    """Which cell position holds which column, and what no column took.

    positions: column name to position; all: every heading as written; unused: headings no column
    took (their cells are not stored); missing: labels of essential columns without a heading.
    """

    positions: dict[str, int]
    all: tuple[str, ...]
    unused: tuple[str, ...]
    missing: tuple[str, ...]

    @property
    def count(self) -> int:
        """How many columns the row names."""
        return len(self.positions)

    @property
    def hint(self) -> str:
        """The nearest unused heading to each missing column, in words."""
        words = []
        for label in self.missing:
            near = difflib.get_close_matches(
                label.lower(), [h.lower() for h in self.unused], 1, 0.5
            )
            words += [f" '{near[0]}' looks like {label}." for _ in near]
        return "".join(words)


def plain(heading: object) -> str:
    """A heading in lower case with single spaces and without marks or a trailing unit."""
    return re.sub(r"[^a-z0-9%/]+", " ", str(heading or "").lower().replace("²", "2")).strip()


def is_imperial_area(heading: str) -> bool:
    """Whether a heading says that its areas are square feet."""
    return bool(re.search(r"\b(sq ?ft|ft2|sq ?feet|square feet)\b", plain(heading)))


@cache
def _known() -> dict[str, str]:
    known = {}
    for column in by_role("stock"):
        for words in (column.name, column.label, *column.headings):
            known[plain(words)] = column.name
    return known


def _name(heading: object) -> str | None:
    words = plain(heading)
    without_unit = re.sub(r" (m2|sqm|sq m|sq ?ft|ft2|mm|m|kwh|w/m2k|w m2k|w/k|w k|%)$", "", words)
    return _known().get(words) or _known().get(without_unit)


def match(row: list[object]) -> Match:
    """Match one row of cells. The first heading that fits a column takes it."""
    positions: dict[str, int] = {}
    unused = []
    for position, heading in enumerate(row):
        name = _name(heading) if heading is not None else None
        if name and name not in positions:
            positions[name] = position
        elif heading is not None and str(heading).strip():
            unused.append(str(heading).strip())
    written = tuple(str(h).strip() for h in row if h is not None and str(h).strip())
    missing = tuple(dictionary()[name].label for name in ESSENTIAL if name not in positions)
    return Match(positions, written, tuple(unused), missing)
