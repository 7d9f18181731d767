"""Reads a stock list as a landlord sends it: csv, xlsx or parquet, every cell as text.

Nothing is interpreted here. Only the cells of columns the job needs are kept, without personal
data (`personal`) and characters that nobody sees (`characters`). The result keeps the row numbers a
spreadsheet would show.
"""

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import polars as pl

from pipeline.errors import StockListError
from pipeline.plurals import counted
from pipeline.stock import (
    addresses,
    blocks,
    bounds,
    characters,
    csv_files,
    doubts,
    long_lists,
    lookups,
    newest,
    other_rows,
    pairs,
    personal,
    phrases,
    profiles,
    sheets,
    stacks,
    ticks,
    whole_columns,
    wording,
)
from pipeline.stock.answers import NOTHING, Answers
from pipeline.stock.bounds import Table
from pipeline.stock.headings import (
    ESSENTIAL,
    Match,
    by_heading,
    is_personal,
    match,
    plain,
    with_key,
)
from pipeline.stock.profiles import Profile
from pipeline.stock.questions import Question
from pipeline.stock.sheet import Sheet
from pipeline.stock.sheets import looked_at

_LONGEST_CELL_BYTES = 1 << 20
_MOST_TEXT_BYTES = 1 << 30
"""More than any CSV file may hold: in parquet one text may stand in many rows."""
_LONGEST_TEXT = 1_000
"""Own assumption: an address has a hundred characters, a remark some hundreds."""
_LEAST_HEADINGS = 3
_TEXTS = (".csv", ".tsv", ".txt")
_BOOKS = (".xlsx", ".xlsm")
EXTRA = "more cells than headings"


@dataclass(frozen=True)
class RawTable:
    """A list as read: `source_row`, one text column per column of the dictionary, and `EXTRA`.

    `EXTRA` counts what a row has to the right of the last heading: its cells may have slipped.
    Those cells are not kept, they may hold anything.
    headings: the words the list uses for each column. struck: pieces of personal data struck out
    of the cells. notes: how the file was read, in words. questions: what only the landlord can say.
    """

    frame: pl.DataFrame
    headings: dict[str, str]
    match: Match
    struck: int
    sha256: str
    notes: tuple[str, ...]
    questions: tuple[Question, ...] = ()
    refused: str = ""
    superseded: int = 0


def read(
    path: Path,
    answers: Answers = NOTHING,
    must: tuple[str, ...] = ESSENTIAL,
    sheet: str | None = None,
) -> RawTable:
    """Read one file with what is settled of its headings; `must` names columns it must have.

    sheet: the one of a workbook to read; None chooses those with homes.
    Raises StockListError with what was found, where, and what to do.
    """
    settled = by_heading(answers)
    body, extra, names, notes = _homes(path, settled, must, sheet)
    looks = _looks(body)
    found = match(names, settled, looks)
    if must:
        found = with_key(found, looks)
        _refuse_absent(answers, found, path.name)
        body, found, told = blocks.left_out(body, found, "block_ref" in answers.columns)
        notes += told
        found, told = _with_remarks(found, body.drop("source_row"))
        notes += told
    cells, superseded, older = newest.only(_cells(body, found, extra), body, names, looks)
    cells, cut = _cut(_of_walls(cells))
    cells, confirmed = whole_columns.settled(cells, answers)
    cells, struck = personal.clean(cells)
    if cells.height + superseded != body.height:
        raise AssertionError("rows of homes read differ from rows kept plus rows superseded")
    headings = {
        name: ", ".join(personal.strike(found.all[p])[0] for p in found.several.get(name, (place,)))
        for name, place in found.positions.items()
    }
    asked = doubts.rivals(found, body)
    asked += whole_columns.asked(cells, headings, answers)
    return RawTable(
        cells,
        headings,
        found,
        struck,
        sha256(path),
        (*notes, *older, *cut, *confirmed),
        (*asked, *(doubts.missing(found) if must else ())),
        doubts.refusal(found) if must else "",
        superseded,
    )


def _homes(
    path: Path, settled: Mapping[str, str], must: tuple[str, ...], chosen: str | None
) -> tuple[pl.DataFrame, pl.DataFrame, list[str], list[str]]:
    """The rows of homes, what stands beyond their headings, the headings, and notes.

    First frame: source_row and a text column to each heading, one row to a home or to a dated
    record of one. Second: source_row and `EXTRA`.
    """
    sent, others, notes = _sheet(path, settled, chosen)
    _refuse_no_headings(sent, path.name, must)
    sent, told = stacks.stacked(stacks.parts(sent))
    notes += told
    body, extra = _filled(sent, path.name)
    names = list(sent.names[: body.width - 1])
    body, between, below, told = other_rows.without(body, names, sent.above)
    notes += told
    above = [str(c) for row in sent.rows.head(sent.header).iter_rows() for c in row if c]
    told_by_lines = lookups.legends([*above, *between["text"].drop_nulls()])
    others = [*others, *told_by_lines, Table("", True, (), below)]
    body, names, told = other_rows.with_streets(body, names, between)
    notes += told
    body, told = other_rows.with_merged(body, names)
    notes += told
    body, told = other_rows.without_ditto(body)
    notes += told
    body, told = lookups.applied(body, names, others)
    notes += told
    body, names, told = long_lists.turned(body, names, _looks(body))
    notes += told
    body, names, told = pairs.settled(body, names, _looks(body), settled)
    notes += told
    body, names, told = ticks.put_together(body, names, _looks(body))
    return body, extra, names, [*notes, *told]


def _looks(body: pl.DataFrame) -> list[Profile]:
    return profiles.profiles(body.drop("source_row"))


def _refuse_absent(answers: Answers, found: Match, name: str) -> None:
    """Refuse settled headings that a list lacks; of several for one column it needs one."""
    written = set(map(plain, found.all))
    absent = [
        heading
        for some in answers.columns.values()
        for heading in some
        if not written & set(map(plain, some))
    ]
    if absent:
        raise StockListError(
            f"{name}: the column map names headings the list lacks: {', '.join(sorted(absent))}."
            f" Headings read: {', '.join(filter(None, found.all))[:400]}."
        )


def _cut(cells: pl.DataFrame) -> tuple[pl.DataFrame, list[str]]:
    """The cells with no text longer than a person would write there, and a note where one was."""
    long = pl.col(pl.String).str.len_chars() > _LONGEST_TEXT
    cut = sum(count or 0 for count in cells.select(long.sum()).row(0))
    if not cut:
        return cells, []
    were = "was" if cut == 1 else "were"
    note = f"{counted(cut, 'cell')} {were} longer than {_LONGEST_TEXT:,} characters and cut there"
    return cells.with_columns(pl.col(pl.String).str.head(_LONGEST_TEXT)), [note]


def _sheet(
    path: Path, settled: Mapping[str, str], chosen: str | None
) -> tuple[Sheet, list[Table], list[str]]:
    """The rows of a file as text with its headings found, other sheets of it, and notes."""
    _refuse_unusable(path)
    kind = path.suffix.lower()
    if kind in _TEXTS:
        rows, notes = csv_files.rows(path)
        rows, unseen = _legible(rows, path.name)
        rows, boxes = lookups.boxed(path.name, rows)
        return looked_at(path.name, rows, settled), boxes, [*notes, *unseen]
    if kind == ".parquet":
        (table,) = bounds.tables(path)
        head = pl.DataFrame([table.headings], schema=table.rows.columns, orient="row")
        rows, unseen = _legible(pl.concat([head, table.rows]), path.name)
        return looked_at(path.name, rows, settled), [], unseen
    if kind not in _BOOKS:
        raise StockListError(
            f"{path.name}: the ending '{path.suffix}' is not one this tool reads. Save the list"
            f" as {', '.join((*_TEXTS, *_BOOKS, '.parquet'))}."
        )
    homes, others, notes = sheets.of_book(path, settled, chosen)
    sent, told = stacks.stacked(homes)
    rows, unseen = _legible(sent.rows, path.name)
    names = tuple(characters.visible(name) for name in sent.names)
    return replace(sent, rows=rows, names=names), others, [*notes, *told, *unseen]


def _legible(rows: pl.DataFrame, name: str) -> tuple[pl.DataFrame, list[str]]:
    """Rows without characters that nobody sees, blank cells empty, and a note where some were."""
    _refuse_long(rows, name)
    rows, unseen = characters.without_unseen(rows)
    rows = rows.with_columns(pl.when(pl.all().str.contains(r"\S")).then(pl.all()))
    return rows, [
        f"control characters were taken out of {counted(unseen, 'cell')}"
    ] if unseen else []


def _refuse_long(rows: pl.DataFrame, name: str) -> None:
    """Refuse a cell, or all cells together, with more text than a list of homes has."""
    if not rows.width:
        return
    size = pl.all().str.len_bytes()
    bytes_ = rows.select(size.max().name.prefix("max "), size.sum().name.prefix("sum ")).row(0)
    longest = max((count or 0 for count in bytes_[: rows.width]), default=0)
    if longest > _LONGEST_CELL_BYTES:
        holds = pl.any_horizontal(size == longest).fill_null(False)
        row = rows.select(holds.arg_max()).item() + 1
        raise StockListError(
            f"{name} row {row}: a cell of {longest:,} bytes; the most this tool reads is"
            f" {_LONGEST_CELL_BYTES:,}. A double quote opened there may close much further down."
        )
    total = sum(count or 0 for count in bytes_[rows.width :])
    if total > _MOST_TEXT_BYTES:
        raise StockListError(
            f"{name} holds {total:,} bytes of text; the most this tool reads is"
            f" {_MOST_TEXT_BYTES:,}. Send fewer columns, without notes."
        )


def _refuse_unusable(path: Path) -> None:
    if not path.exists():
        raise StockListError(f"{path} does not exist. Check the path.")
    if not path.is_file():
        raise StockListError(f"{path} is a folder, not a file. Name the stock list in it.")
    if path.stat().st_size == 0:
        raise StockListError(f"{path.name} is empty (0 bytes). Ask for the list again.")
    bounds.refuse_large(path)


def sha256(path: Path) -> str:
    """Digest of a file's bytes."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _refuse_no_headings(sent: Sheet, name: str, must: tuple[str, ...]) -> None:
    """Refuse a file in which no row reads as headings of homes."""
    if sent.count < min(_LEAST_HEADINGS, len(must) + 1):
        shown = [str(cell) for cell in sent.rows.row(0) if cell][:8] if sent.rows.height else []
        raise StockListError(
            f"{name}: no row of headings was found in the first {sheets.HEADER_ROWS} rows (the"
            f" first reads: {', '.join(shown)[:200] or 'nothing'}). Put one row of headings above"
            " the homes, one heading to a column: for instance Property Ref, Postcode, Property"
            " Type, Age, Floor Area, Wall Construction. Or settle the headings in a file:"
            " `programme headings FILE` prints one to start from."
        )


def _filled(sent: Sheet, name: str) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The rows below the headings that hold anything, and what stands beyond the last heading.

    First frame: source_row and a text column to each heading; second: source_row and `EXTRA`.
    """
    body = sent.body
    cells = [column for column in body.columns if column != "source_row"]
    blank = pl.all_horizontal(pl.col(cells).is_null())
    if body.select(blank.any()).item():
        body = body.filter(~blank)
    if body.height == 0:
        raise StockListError(f"{name} has headings but no homes below them. Ask for it again.")
    last = max(i for i, heading in enumerate(sent.names) if heading)
    beyond = cells[last + 1 :]
    more = pl.sum_horizontal(pl.col(beyond).is_not_null()) if beyond else pl.lit(0)
    extra = body.select("source_row", more.cast(pl.String).alias(EXTRA))
    extra = extra.filter(pl.col(EXTRA) != "0")
    return body.select("source_row", *cells[: last + 1]), extra


def _cells(body: pl.DataFrame, found: Match, extra: pl.DataFrame) -> pl.DataFrame:
    """The cells of known columns, row numbers in front and `EXTRA` behind."""
    cells = [column for column in body.columns if column != "source_row"]
    known = body.select(
        "source_row",
        *(_cell(column, place, found, cells) for column, place in found.positions.items()),
    )
    if extra.is_empty():
        return known.with_columns(pl.lit(None, pl.String).alias(EXTRA))
    return known.join(extra, on="source_row", how="left", maintain_order="left")


def _with_remarks(found: Match, cells: pl.DataFrame) -> tuple[Match, list[str]]:
    """Columns nobody named that tell of the insulation of the main wall are read as remarks."""
    telling = [
        place
        for place, heading in enumerate(found.all)
        if heading in found.unused
        and place < cells.width
        and not is_personal(heading)
        and not _OF_OTHERS & set(wording.tokens(heading))
        and "second" not in wording.parts_of(heading)[0]
        and _tells_of_walls(cells.to_series(place))
    ]
    if not telling:
        return found, []
    own = [found.positions["remarks"]] if "remarks" in found.positions else []
    several = (*own, *telling)
    unused = tuple(h for h in found.unused if h not in {found.all[p] for p in telling})
    notes = [f"{found.all[p]} is read for what it says of insulated walls" for p in telling]
    read = replace(
        found,
        positions={**found.positions, "remarks": several[0]},
        several={**found.several, "remarks": several},
        unused=unused,
    )
    return read, notes


def _tells_of_walls(cells: pl.Series) -> bool:
    texts = cells.drop_nulls().unique()
    telling = [text for text in texts if phrases.read(text, "remarks").values]
    return cells.is_in(telling).sum() >= max(_LEAST_TELLING, _TELLING * cells.count())


_OF_OTHERS = frozenset(
    ("roof", "roofs", "loft", "floor", "floors", "window", "windows", "door", "doors", "heating",
     "hot", "tank", "cylinder", "pipes", "rooms", "extension", "recommendation", "improvement",
     "planned", "programme", "bid", "neighbour")
)  # fmt: skip
"""Words of a heading below which insulation is another's, or only meant."""
_LEAST_TELLING, _TELLING = 3, 0.1
"""Cells, and share of them, that tell of the main wall's insulation in a column of remarks."""


def _of_walls(cells: pl.DataFrame) -> pl.DataFrame:
    """What remarks tell of the home (`phrases.kept_remark`); the rest, on whatever, is not kept."""
    if "remarks" not in cells.columns:
        return cells
    texts = cells["remarks"].drop_nulls().unique()
    kept = {text: phrases.kept_remark(text) for text in texts}
    told = pl.col("remarks").replace_strict(kept, default=None, return_dtype=pl.String)
    return cells.with_columns(remarks=told)


def _cell(column: str, place: int, found: Match, cells: list[str]) -> pl.Expr:
    """The cell of a column, or those it is joined of."""
    several = found.several.get(column)
    if not several:
        return pl.col(cells[place]).alias(column)
    if column == "remarks":
        texts = (pl.col(cells[p]) for p in several)
        return pl.concat_str(texts, separator="; ", ignore_nulls=True).alias(column)
    lines = {cells[p]: found.all[p] for p in several}
    return addresses.joined(lines).alias(column)
