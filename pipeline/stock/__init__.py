"""From a landlord's files to accepted homes and a quarantine in which nothing is lost."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.stock import (
    addresses,
    answers,
    duplicates,
    faults,
    mending,
    reading,
    rules,
    sources,
    uprns,
    values,
    workbook,
)
from pipeline.stock.answers import Answers
from pipeline.stock.reading import EXTRA, RawTable

_TAKEN = ("source_row", "home_id", "reasons", EXTRA)


@dataclass(frozen=True)
class Inputs:
    """What a run reads: the list, other sources by name, settled headings, mended workbooks.

    Of several mended workbooks the later wins where both correct a cell. dictionary: the landlord's
    own answers, which need not exist yet. settings: the file they were read from, named here so
    that nothing is written over it. sheet: the one of a workbook to read.
    """

    base: Path
    others: Mapping[str, Path] = field(default_factory=dict)
    columns: Path | None = None
    mended: Sequence[Path] = ()
    dictionary: Path | None = None
    settings: Path | None = None
    sheet: str | None = None


@dataclass(frozen=True)
class Stock:
    """A stock list after the checks.

    accepted: one typed row per home, with `warnings` and `<column>__from` where another source
    gave the value. quarantine: source_row, home_id, reasons and the cells as sent. faults: one
    line per fault. said: what each distinct text was read as, with row counts. overrides: which
    source gave way to which. corrections: cells a person mended. sources: `Overlay.accounts`.
    answers: all that was settled; to_keep: those of workbooks for the landlord's dictionary.
    refused: why the list is not taken at all, empty where it is.
    """

    accepted: pl.DataFrame
    quarantine: pl.DataFrame
    faults: pl.DataFrame
    said: pl.DataFrame
    overrides: pl.DataFrame
    corrections: pl.DataFrame
    sources: dict[str, dict[str, Any]]
    raw: RawTable
    answers: Answers
    to_keep: Answers
    refused: str

    @property
    def rows_read(self) -> int:
        """Rows of homes: accepted, in quarantine, or superseded by a newer row of their home."""
        return self.raw.frame.height + self.raw.superseded


def ingest(inputs: Inputs, precedence: Mapping[str, tuple[str, ...]]) -> Stock:
    """Read, mend, cast, overlay and check. Raises StockListError where no list could be read.

    precedence: column to source names, strongest first ("list" is the list itself).

    Every row read is either accepted or in quarantine, with every reason; asserted here.
    """
    own = reading.sha256(inputs.base) if inputs.mended else ""
    mended = mending.read_all(inputs.mended, own)
    stands = answers.read(inputs.dictionary, inputs.columns)
    settled = answers.over(stands, mended.general)
    sent = reading.read(inputs.base, settled, sheet=inputs.sheet)
    to_keep, note = mending.for_later(mended, sent.frame)
    cells, trail, kept = mending.apply(sent.frame, settled, mended.rows)
    no_extra = pl.when(~pl.col("source_row").is_in(kept.implode())).then(EXTRA).alias(EXTRA)
    raw = replace(
        sent,
        frame=cells.with_columns(no_extra),
        headings=_all_headings(sent, cells),
        notes=(*sent.notes, *mended.notes, *note),
    )
    typed, said, clashes = values.typed(raw)
    typed = addresses.parted(addresses.with_postcodes(typed), raw.frame)
    heading = pl.col("column").replace_strict(raw.headings, return_dtype=pl.String)
    said = said.with_columns(heading=heading)
    weighed = uprns.settle(typed)
    corrected = trail.filter("one_home")
    laid = sources.overlay(weighed.typed, inputs.others, settled, precedence, corrected)
    typed = duplicates.mark_clones(laid.typed)
    found = faults.find(typed, raw.frame, raw.headings)
    faulty = found.filter(pl.col("severity") != "warn")["source_row"].unique()
    proven = typed.with_columns(uprn=weighed.proof)
    second = duplicates.find(proven, raw.frame, faulty, kept)
    doubts = faults.doubts(weighed.doubts, raw.headings)
    clashed = faults.clashes(clashes, raw.headings)
    asked = faults.asked(raw.questions, raw.frame, raw.headings)
    found = pl.concat([found, clashed, doubts, asked, faults.second_entries(second)]).sort(
        "source_row", maintain_order=True
    )
    accepted, quarantine = _divide(typed, raw, found)
    if accepted.height + quarantine.height != raw.frame.height:
        raise AssertionError("rows read differ from rows accepted plus rows quarantined")
    if accepted["home_id"].is_duplicated().any():
        raise AssertionError("a home was accepted twice")
    refused = raw.refused or faults.why_refused(found, raw.frame.height, accepted.height)
    tables = (accepted, quarantine, found, said, laid.log, trail)
    return Stock(*tables, laid.accounts, raw, settled, to_keep, refused)


def _all_headings(sent: RawTable, cells: pl.DataFrame) -> dict[str, str]:
    """The list's words for each column, and the label of those only corrections gave."""
    added = [name for name in cells.columns if name not in {*sent.frame.columns, EXTRA}]
    return {**sent.headings, **{name: workbook.label(name) for name in added}}


def _divide(
    typed: pl.DataFrame, raw: RawTable, found: pl.DataFrame
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Accepted rows with their warnings, and the rows kept out with reasons and cells as sent."""
    reasons, warnings = faults.reasons_of(found), faults.warnings_of(found)
    held = faults.held_of(found)
    helpers = [c for c in typed.columns if c.endswith(rules.UNREADABLE)]
    accepted = (
        typed.join(reasons, on="source_row", how="anti", maintain_order="left")
        .join(warnings, on="source_row", how="left", maintain_order="left")
        .join(held, on="source_row", how="left", maintain_order="left")
        .drop(*helpers, "cloned_rows")
        .with_columns(storeys=pl.when(~rules.OF_ITS_BLOCK.fill_null(False)).then("storeys"))
    )
    once = {heading: column for column, heading in reversed(raw.headings.items())}
    shown = [
        pl.col(column).alias(f"{heading} as sent" if heading in _TAKEN else heading)
        for column, heading in raw.headings.items()
        if once[heading] == column
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
