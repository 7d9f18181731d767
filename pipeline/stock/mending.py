"""Takes the answers of mended workbooks back in, and puts all answers into the cells of a list.

A workbook fits only the list it came from, known by its digest.
"""

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import polars as pl

from pipeline.columns import by_role
from pipeline.errors import StockListError
from pipeline.plurals import counted
from pipeline.stock import answers, bounds, characters, edits, personal, workbook
from pipeline.stock.answers import Answers, Correction, folded
from pipeline.stock.faults import WHOLE_ROW
from pipeline.stock.questions import HEADING
from pipeline.stock.workbook import ABOUT, COLUMNS, FAULTS, KEEP, QUESTIONS, READ

NO_TRAIL = pl.DataFrame(
    schema={
        "source_row": pl.UInt32, "column": pl.String, "was": pl.String, "text": pl.String,
        "one_home": pl.Boolean,
    }
)  # fmt: skip


@dataclass(frozen=True)
class Mended:
    """What persons wrote into workbooks of one list.

    general: answers that hold for every list. rows: source_row, column (None for a whole row) and
    text of single cells. notes: what each workbook holds, and where a later one won.
    """

    general: Answers
    rows: pl.DataFrame
    notes: tuple[str, ...] = ()


def read_all(paths: Sequence[Path], sha256: str) -> Mended:
    """The answers of several workbooks of one list, the later counting before the earlier.

    Raises StockListError where one is no such workbook, belongs to another list, answers one thing
    twice or names a column that is none.
    """
    held = Mended(Answers(), NO_TRAIL.drop("was", "one_home"))
    for path in paths:
        new = _read(path, sha256)
        key = ["source_row", "column"]
        changed = held.rows.join(new.rows, on=key, nulls_equal=True).filter(
            pl.col("text") != pl.col("text_right")
        )
        notes = (*held.notes, *new.notes)
        if changed.height:
            notes += (f"cells mended before that {path.name} mends anew: {changed.height}",)
        kept = held.rows.join(new.rows, on=key, how="anti", nulls_equal=True)
        held = Mended(answers.over(new.general, held.general), pl.concat([kept, new.rows]), notes)
    return held


def _read(path: Path, sha256: str | None) -> Mended:
    """The answers of one workbook; sha256: of the list it must be of, None for any."""
    sheets = _sheets(path)
    if sha256 and (sheets[ABOUT].height == 0 or sheets[ABOUT].item(0, 0) != sha256):
        raise StockListError(
            f"{path.name} belongs to another stock list. Mend the quarantine.xlsx of this list. To"
            " carry answers over, run the list it belongs to with --mended and --dictionary FILE;"
            " then this one with the same --dictionary: answers to texts count for every list, and"
            " those to single homes wherever the list still says what it said."
        )
    read, faults, asked = (_filled(sheets[n], n, path.name) for n in (READ, FAULTS, QUESTIONS))
    words: dict[str, dict[str, str]] = {}
    for column, text, answer in read.select("column", "Cell as sent", "answer").iter_rows():
        said = words.setdefault(column, {})
        if said.setdefault(folded(text), answer) != answer:
            raise StockListError(
                f"{path.name}: sheet {READ} answers '{text}' in two ways. Keep one line."
            )
    rows = faults.select(
        pl.col("Row").cast(pl.UInt32, strict=False).alias("source_row"),
        "column",
        pl.col("answer").alias("text"),
    ).unique(maintain_order=True)
    twice = rows.filter(pl.struct("source_row", "column").is_duplicated())
    if rows["source_row"].null_count() or twice.height:
        where = twice["source_row"][0] if twice.height else "without a number"
        raise StockListError(
            f"{path.name}: sheet {FAULTS} corrects row {where} in two ways. Keep one."
            if twice.height
            else f"{path.name}: sheet {FAULTS} has a line whose row number is gone. Put it back."
        )
    columns, confirmed = _settled(asked)
    notes = _counted(path.name, rows.height, read.height, asked.height)
    notes += edits.told(path.name, sheets)
    return Mended(Answers(columns, words, confirmed), rows, notes)


def not_given(folder: Path, given: Sequence[Path]) -> list[Path]:
    """Workbooks in a folder that a person filled, of whatever list, and a run was not given."""
    known = {path.resolve() for path in given}
    found = []
    for path in sorted(folder.glob(workbook.NAME.replace(".", "*."))):
        if path.resolve() not in known:
            with suppress(StockListError):  # none of ours, or damaged
                book = _read(path, None)
                if book.rows.height or book.general != Answers():
                    found.append(path)
    return found


def _counted(book: str, cells: int, texts: int, asked: int) -> tuple[str, ...]:
    """What a workbook holds, in words; told where it holds nothing that is read."""
    if not cells + texts + asked:
        return (f"{book}: nothing is filled in. Only its yellow cells are read",)
    told = (
        f"{book}: {counted(cells, 'cell')} corrected, {counted(texts, 'text')} and"
        f" {counted(asked, 'question')} answered"
    )
    return (told,)


def _settled(asked: pl.DataFrame) -> tuple[dict[str, tuple[str, ...]], dict[str, str]]:
    """Answers to questions: which heading holds a column, or what a column holds."""
    columns: dict[str, tuple[str, ...]] = {}
    confirmed: dict[str, str] = {}
    for column, answer in asked.select("column", "answer").iter_rows():
        if answer.startswith(HEADING):
            columns[column] = (answer.removeprefix(HEADING),)
        else:
            confirmed[column] = answer
    return columns, confirmed


def _sheets(path: Path) -> dict[str, pl.DataFrame]:
    """The sheets by name, every cell as text."""
    try:
        sheets = {
            sheet.name: characters.without_unseen(sheet.rows)[0] for sheet in bounds.tables(path)
        }
    except (StockListError, OSError) as fault:
        raise StockListError(
            f"{path.name} could not be read as a mended quarantine ({fault}) Give the"
            " quarantine.xlsx that a run wrote."
        ) from None
    if absent := sorted({ABOUT, *COLUMNS} - set(sheets)):
        raise StockListError(
            f"{path.name} could not be read as a mended quarantine: it has no sheet"
            f" {', '.join(absent)}. Give the quarantine.xlsx that a run wrote."
        )
    return sheets


def _filled(sheet: pl.DataFrame, name: str, book: str) -> pl.DataFrame:
    """The lines with an answer, and its column of the dictionary (None for a whole row)."""
    must = COLUMNS[name]
    found = sheet.row(0) if sheet.height else ()
    if twice := [heading for heading in must if found.count(heading) > 1]:
        raise StockListError(
            f"{book}: the heading {twice[0]} stands twice in sheet {name}, so it is not sure which"
            " column holds the answers. Take the added column out."
        )
    if absent := [heading for heading in must if heading not in found]:
        raise StockListError(
            f"{book}: sheet {name} has no column {', '.join(absent)}. Put its heading back."
        )
    places = [sheet.columns[found.index(heading)] for heading in must]
    below = sheet.slice(1).select(places).pipe(_named, must)
    lines = below.with_columns(pl.col(must[-1]).str.strip_chars().replace("", None))
    lines = lines.drop_nulls(must[-1])
    if strange := sorted(set(lines["Column"].fill_null("")) - set(_by_label())):
        raise StockListError(
            f"{book}: sheet {name} names no column of the list: {', '.join(strange)}. Leave the"
            " cells beside the yellow ones as they were."
        )
    columns = [_by_label()[label] for label in lines["Column"]]
    struck = [
        personal.strike(text, column or "")[0]
        for text, column in zip(lines[must[-1]], columns, strict=True)
    ]
    return lines.with_columns(
        column=pl.Series(columns, dtype=pl.String), answer=pl.Series(struck, dtype=pl.String)
    )


def _named(lines: pl.DataFrame, names: Sequence[str]) -> pl.DataFrame:
    return lines.rename(dict(zip(lines.columns, names, strict=True)))


@cache
def _by_label() -> dict[str, str | None]:
    return {WHOLE_ROW: None, **{column.label: column.name for column in by_role("stock")}}


def for_later(mended: Mended, cells: pl.DataFrame) -> tuple[Answers, tuple[str, ...]]:
    """Answers to keep for later lists, and a note on cells of rows without a home's key.

    cells: the list as sent.
    """
    none = pl.lit(None, pl.String)
    key = pl.col("home_id") if "home_id" in cells.columns else none
    homes: dict[str, dict[str, Correction]] = {}
    keyless = 0
    for (name,), part in mended.rows.drop_nulls("column").group_by("column", maintain_order=True):
        column = str(name)
        was = pl.col(column) if column in cells.columns else none
        sent = cells.select("source_row", key.alias("home"), was.alias("was"))
        for home, old, text in (
            part.join(sent, on="source_row").select("home", "was", "text").rows()
        ):
            if home is None or column == "home_id":
                keyless += 1
            else:
                homes.setdefault(home, {})[column] = Correction(old, text)
    general = mended.general
    note = f"{keyless} corrected cells have no key of a home: the workbook alone holds them"
    kept = Answers(general.columns, general.words, general.confirmed, homes)
    return kept, (note,) if keyless else ()


def apply(
    cells: pl.DataFrame, settled: Answers, rows: pl.DataFrame
) -> tuple[pl.DataFrame, pl.DataFrame, pl.Series]:
    """Cells with all answers in them, the trail, and rows to keep.

    Trail: source_row, column, was, text, and one_home: whether it was said of this home alone, not
    of every cell with that text.

    settled: answers for every list, of which those of single homes count before those of words;
    rows: those of single cells of this list, which count before both.
    Raises StockListError for a row the list does not have.
    """
    if strange := sorted(set(rows["source_row"]) - set(cells["source_row"])):
        raise StockListError(f"The mended quarantine names row {strange[0]}, which the list lacks.")
    whole = rows.filter(pl.col("column").is_null())
    if wrong := sorted(set(whole["text"].str.to_lowercase()) - {KEEP}):
        raise StockListError(
            f"The mended quarantine says '{wrong[0]}' of a whole row. Write '{KEEP}' or nothing."
        )
    own = pl.concat([_of_homes(cells, settled), _of_rows(cells, rows)])
    trail = pl.concat(
        [
            _of_words(cells, settled).with_columns(one_home=pl.lit(False)),
            own.with_columns(one_home=pl.lit(True)),
        ]
    )
    trail = trail.unique(["source_row", "column"], keep="last", maintain_order=True)
    for (column,), part in trail.group_by("column", maintain_order=True):
        name = str(column)
        new = part.select("source_row", pl.col("text").alias("_new"))
        held = [pl.col(name)] if name in cells.columns else []
        cells = (
            cells.join(new, on="source_row", how="left", maintain_order="left")
            .with_columns(pl.coalesce("_new", *held).alias(name))
            .drop("_new")
        )
    return cells, trail, whole["source_row"]


def _of_words(cells: pl.DataFrame, settled: Answers) -> pl.DataFrame:
    """Cells whose text has an answer."""
    found = [NO_TRAIL]
    for column, said in settled.words.items():
        if column in cells.columns:
            texts = cells[column].drop_nulls().unique()
            known = {text: said[folded(text)] for text in texts if folded(text) in said}
            table = pl.DataFrame(
                {"was": list(known), "text": list(known.values())},
                schema={"was": pl.String, "text": pl.String},
            )
            found.append(_trail(cells, column).join(table, on="was", maintain_order="left"))
    return pl.concat(found, how="diagonal")


def _of_homes(cells: pl.DataFrame, settled: Answers) -> pl.DataFrame:
    """Cells of single homes that still hold what was corrected."""
    if "home_id" not in cells.columns:
        return NO_TRAIL
    lines = [
        (home, column, cell.was, cell.now)
        for home, held in settled.homes.items()
        for column, cell in held.items()
    ]
    named = ("home_id", "column", "was", "text")
    table = pl.DataFrame(lines, schema=dict.fromkeys(named, pl.String), orient="row")
    found = [NO_TRAIL]
    for (column,), part in table.group_by("column", maintain_order=True):
        held = pl.col(str(column)) if column in cells.columns else pl.lit(None, pl.String)
        sent = cells.select("source_row", "home_id", held.alias("was")).drop_nulls("home_id")
        beside = sent.join(part, on=["home_id", "was"], nulls_equal=True, maintain_order="left")
        found.append(beside.select("source_row", "column", "was", "text"))
    return pl.concat(found, how="diagonal")


def _of_rows(cells: pl.DataFrame, rows: pl.DataFrame) -> pl.DataFrame:
    """Cells of this list that a workbook corrects."""
    found = [NO_TRAIL]
    for (column,), part in rows.drop_nulls("column").group_by("column", maintain_order=True):
        name = str(column)
        beside = _trail(cells, name).join(
            part.select("source_row", "text"), on="source_row", maintain_order="left"
        )
        found.append(beside.select("source_row", "column", "was", "text"))
    return pl.concat(found, how="diagonal")


def _trail(cells: pl.DataFrame, column: str) -> pl.DataFrame:
    held = pl.col(column) if column in cells.columns else pl.lit(None, pl.String)
    return cells.select("source_row", pl.lit(column).alias("column"), held.alias("was"))
