"""From a landlord's files to accepted homes and a quarantine in which nothing is lost."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import polars as pl

from pipeline.errors import StockListError
from pipeline.stock import duplicates, faults, mending, reading, rules, sources, values
from pipeline.stock.headings import read_map
from pipeline.stock.reading import EXTRA, RawTable

_TAKEN = ("source_row", "home_id", "reasons", EXTRA)


@dataclass(frozen=True)
class Inputs:
    """What a run reads: the list, other sources by name, settled headings, mended workbooks.

    Of several mended workbooks the later wins where both correct a cell. settings: the file they
    were read from, named here so that nothing is written over it.
    """

    base: Path
    others: Mapping[str, Path] = field(default_factory=dict)
    columns: Path | None = None
    mended: Sequence[Path] = ()
    settings: Path | None = None


@dataclass(frozen=True)
class Stock:
    """A stock list after the checks.

    accepted: one typed row per home, with `warnings` and `<column>__from` where another source
    gave the value. quarantine: source_row, home_id, reasons and the cells as sent. faults: one
    line per fault. mended: distinct texts turned into a value of another look, with row counts.
    overrides: which source gave way to which. corrections: cells a person mended.
    """

    accepted: pl.DataFrame
    quarantine: pl.DataFrame
    faults: pl.DataFrame
    mended: pl.DataFrame
    overrides: pl.DataFrame
    corrections: pl.DataFrame
    raw: RawTable

    @property
    def rows_read(self) -> int:
        """Rows below the headings that hold anything."""
        return self.raw.frame.height


def ingest(inputs: Inputs, precedence: Mapping[str, tuple[str, ...]]) -> Stock:
    """Read, mend, cast, overlay and check. Raises StockListError if the list fails as a whole.

    precedence: column to source names, strongest first ("list" is the list itself).

    Every row read is either accepted or in quarantine, with every reason; asserted here.
    """
    settled = read_map(inputs.columns)
    raw = reading.read(inputs.base, settled)
    raw, trail, kept = _mended(raw, inputs.mended)
    typed, turned = values.typed(raw)
    laid = sources.overlay(typed, inputs.others, settled, precedence)
    typed = duplicates.mark_clones(laid.typed)
    found = faults.find(typed, raw.frame, raw.headings)
    faulty = found.filter(pl.col("severity") != "warn")["source_row"].unique()
    second = duplicates.find(typed, raw.frame, faulty, kept)
    found = pl.concat([found, faults.second_entries(second)]).sort(
        "source_row", maintain_order=True
    )
    accepted, quarantine = _divide(typed, raw, found)
    if accepted.height + quarantine.height != raw.frame.height:
        raise AssertionError("rows read differ from rows accepted plus rows quarantined")
    if accepted["home_id"].is_duplicated().any():
        raise AssertionError("a home was accepted twice")
    if accepted.height == 0:
        worst = found["fault"].value_counts(sort=True)["fault"][0]
        raise StockListError(
            f"{inputs.base.name}: all {raw.frame.height} rows failed the checks; the commonest"
            f" fault is: {worst}. Check that the columns hold what their headings say."
        )
    return Stock(accepted, quarantine, found, turned, laid.log, trail, raw)


def _mended(raw: RawTable, paths: Sequence[Path]) -> tuple[RawTable, pl.DataFrame, pl.Series]:
    """The list with a person's corrections in their cells, the trail, and rows to keep."""
    if not paths:
        return raw, mending.NO_TRAIL, pl.Series(dtype=pl.UInt32)
    corrections, notes = mending.read_all(paths, raw.sha256, raw.headings)
    cells, trail, kept = mending.apply(raw.frame, corrections)
    no_extra = pl.when(~pl.col("source_row").is_in(kept.implode())).then(EXTRA).alias(EXTRA)
    frame = cells.with_columns(no_extra)
    return replace(raw, frame=frame, notes=(*raw.notes, *notes)), trail, kept


def _divide(
    typed: pl.DataFrame, raw: RawTable, found: pl.DataFrame
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Accepted rows with their warnings, and the rows kept out with reasons and cells as sent."""
    reasons, warnings = faults.reasons_of(found), faults.warnings_of(found)
    helpers = [c for c in typed.columns if c.endswith(rules.UNREADABLE)]
    accepted = (
        typed.join(reasons, on="source_row", how="anti", maintain_order="left")
        .join(warnings, on="source_row", how="left", maintain_order="left")
        .drop(*helpers, "cloned_rows")
    )
    shown = [
        pl.col(column).alias(f"{heading} as sent" if heading in _TAKEN else heading)
        for column, heading in raw.headings.items()
    ]
    quarantine = (
        reasons.join(typed.select("source_row", "home_id"), on="source_row")
        .select("source_row", "home_id", "reasons")
        .join(
            raw.frame.select("source_row", *shown, EXTRA),
            on="source_row",
            how="left",
            maintain_order="left",
        )
        .sort("source_row")
    )
    return accepted, quarantine
