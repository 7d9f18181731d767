"""One sheet of a list: its rows, and the headings above its homes."""

from dataclasses import dataclass

import polars as pl

from pipeline.stock import profiles
from pipeline.stock.profiles import Profile


@dataclass(frozen=True)
class Sheet:
    """Rows as sent, where the headings end, what they are, and how many columns they name.

    above: the upper one of two rows of headings.
    """

    name: str
    rows: pl.DataFrame
    header: int
    names: tuple[str, ...]
    count: float
    above: tuple[object, ...] = ()

    @property
    def body(self) -> pl.DataFrame:
        """The rows below the headings with their numbers, one text column to a heading."""
        numbered = self.rows.with_row_index("source_row", offset=1)
        return numbered.slice(self.header + 1)

    @property
    def looks(self) -> list[Profile]:
        """What the cells below each heading look like."""
        return profiles.profiles(self.rows.slice(self.header + 1))
