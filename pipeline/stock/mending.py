"""The quarantine as a workbook a person can mend, and the mended cells taken back in.

One line per fault with a yellow cell beside it for what the cell should hold; a sheet of words
that stand in several rows, to settle each once; a sheet with the whole rows. A workbook fits only
the list it came from, known by its digest.
"""

import datetime
import io
from collections.abc import Sequence
from pathlib import Path

import fastexcel
import polars as pl
import xlsxwriter

from pipeline.errors import StockListError
from pipeline.stock.faults import WHOLE_ROW

WORKBOOK = "quarantine.xlsx"
_HEADINGS = ("Row", "Home", "Heading", "Cell as sent", "Fault", "Corrected")
_WORDS = ("Heading", "Cell as sent", "Rows", "Corrected")
KEEP = "keep"
NO_TRAIL = pl.DataFrame(
    schema={"source_row": pl.UInt32, "column": pl.String, "was": pl.String, "text": pl.String}
)
_MOST_LINES = 1_000_000
"""A sheet holds 1,048,576 rows; quarantine.csv has them all."""


def workbook(faults: pl.DataFrame, quarantine: pl.DataFrame, sha256: str) -> bytes:
    """The workbook of a quarantine. The same quarantine gives the same bytes."""
    lines = faults.filter(pl.col("severity") != "warn").head(_MOST_LINES)
    quarantine = quarantine.head(_MOST_LINES)
    buffer = io.BytesIO()
    book = xlsxwriter.Workbook(
        buffer,
        {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False},
    )
    book.set_properties({"created": datetime.datetime(2000, 1, 1)})
    head = book.add_format({"bold": True, "bottom": 1, "text_wrap": True, "valign": "top"})
    plain = book.add_format({"text_wrap": True, "valign": "top", "num_format": "@"})
    yellow = book.add_format({"bg_color": "#fff4b8", "border": 4, "num_format": "@"})
    sheet = book.add_worksheet("Faults")
    sheet.write_row(0, 0, _HEADINGS, head)
    homes = dict(quarantine.select("source_row", "home_id").iter_rows())
    for row, line in enumerate(lines.iter_rows(named=True), start=1):
        shown = (line["source_row"], homes.get(line["source_row"]), line["heading"], line["text"])
        for column, value in enumerate((*shown, line["fault"])):
            sheet.write_string(row, column, "" if value is None else str(value), plain)
        sheet.write_blank(row, len(_HEADINGS) - 1, None, yellow)
    sheet.freeze_panes(1, 0)
    sheet.autofilter(0, 0, max(lines.height, 1), len(_HEADINGS) - 1)
    for column, width in enumerate((7, 16, 22, 26, 60, 26)):
        sheet.set_column(column, column, width)
    words = book.add_worksheet("Words")
    words.write_row(0, 0, _WORDS, head)
    for row, (heading, text, count) in enumerate(_repeated(lines).iter_rows(), start=1):
        for column, value in enumerate((heading, text)):
            words.write_string(row, column, value, plain)
        words.write_number(row, 2, count)
        words.write_blank(row, len(_WORDS) - 1, None, yellow)
    words.freeze_panes(1, 0)
    words.set_column(0, len(_WORDS) - 1, 26)
    rows = book.add_worksheet("Rows as sent")
    rows.write_row(0, 0, quarantine.columns, head)
    for number, cells in enumerate(quarantine.iter_rows(), start=1):
        for column, value in enumerate(cells):
            rows.write_string(number, column, "" if value is None else str(value), plain)
    rows.freeze_panes(1, 3)
    about = book.add_worksheet("About")
    about.set_column(0, 0, 100)
    for row, text in enumerate(_about(sha256)):
        about.write_string(row, 0, text)
    book.close()
    return buffer.getvalue()


def _repeated(lines: pl.DataFrame) -> pl.DataFrame:
    """Heading, text and rows of each text at fault in more rows than one, commonest first."""
    return (
        lines.drop_nulls("text")
        .filter(pl.col("heading") != WHOLE_ROW)
        .group_by("heading", "text")
        .agg(pl.col("source_row").n_unique().alias("rows"))
        .filter(pl.col("rows") > 1)
        .sort(["rows", "heading", "text"], descending=[True, False, False])
    )


def _about(sha256: str) -> list[str]:
    return [
        sha256,
        "The line above is the digest of the stock list these rows come from. Leave it.",
        "Write in the yellow column of sheet Faults what the cell should hold; leave the rest.",
        "A text that stands in several rows can be settled once, in the yellow column of sheet"
        " Words; a line of sheet Faults filled in beside it counts before it.",
        f"A second entry of a home, or a row with cells too many: write '{KEEP}' to take this row"
        " as it stands, in place of the other where both have one key; nothing, to leave it out.",
        "Then run again with --mended and this file. Every cell you changed is kept in the trail.",
        "A run never writes over a workbook you filled: the next is quarantine-2.xlsx, and so on."
        " Give all you filled, the oldest first: --mended quarantine.xlsx --mended"
        " quarantine-2.xlsx. Where two settle one cell the later counts.",
    ]


def read_all(
    paths: Sequence[Path], sha256: str, headings: dict[str, str]
) -> tuple[pl.DataFrame, list[str]]:
    """Corrections of several workbooks of one list, and notes on where a later one won.

    Raises StockListError as `read_corrections` does.
    """
    held, notes = NO_TRAIL.drop("was"), []
    for path in paths:
        new = read_corrections(path, sha256, headings)
        key = ["source_row", "column"]
        changed = held.join(new, on=key, nulls_equal=True).filter(
            pl.col("text") != pl.col("text_right")
        )
        if changed.height:
            notes.append(f"cells mended before that {path.name} mends anew: {changed.height}")
        held = pl.concat([held.join(new, on=key, how="anti", nulls_equal=True), new])
    return held, notes


def read_corrections(path: Path, sha256: str, headings: dict[str, str]) -> pl.DataFrame:
    """Cells a person filled in: source_row, column (None for a whole row), text.

    Raises StockListError where the file is no such workbook, belongs to another list, or names a
    row or heading that is not there.
    """
    try:
        book = fastexcel.read_excel(path)
        about = book.load_sheet("About", header_row=None, dtypes="string").to_polars()
        lines = book.load_sheet("Faults", dtypes="string").to_polars()
        words = book.load_sheet("Words", dtypes="string").to_polars()
    except (fastexcel.FastExcelError, OSError) as fault:
        raise StockListError(
            f"{path.name} could not be read as a mended quarantine"
            f" ({str(fault).splitlines()[0]}). Give the quarantine.xlsx that a run wrote."
        ) from None
    if about.height == 0 or about.item(0, 0) != sha256:
        raise StockListError(
            f"{path.name} belongs to another stock list. Mend the quarantine.xlsx of this list."
        )
    for sheet, found, must in (("Faults", lines, _HEADINGS), ("Words", words, _WORDS)):
        if tuple(found.columns) != must:
            raise StockListError(
                f"{path.name}: sheet {sheet} must have the columns {', '.join(must)}."
            )
    settled = _filled(words).select("Heading", "Cell as sent", pl.col("Corrected").alias("word"))
    if settled.select("Heading", "Cell as sent").is_duplicated().any():
        raise StockListError(f"{path.name}: sheet Words settles one text twice. Keep one line.")
    own = _text("Corrected")
    filled = _filled(
        lines.join(
            settled, on=["Heading", "Cell as sent"], how="left", maintain_order="left"
        ).with_columns(Corrected=pl.coalesce(own, own.max().over("Row", "Heading"), "word"))
    )
    by_heading = {heading: column for column, heading in headings.items()} | {WHOLE_ROW: None}
    if strange := sorted(set(filled["Heading"]) - set(by_heading)):
        raise StockListError(f"{path.name} names headings the list lacks: {', '.join(strange)}.")
    mended = filled.select(
        pl.col("Row").cast(pl.UInt32, strict=False).alias("source_row"),
        pl.col("Heading").replace_strict(by_heading, return_dtype=pl.String).alias("column"),
        pl.col("Corrected").alias("text"),
    )
    clash = (
        mended.filter(pl.col("column").is_not_null())
        .group_by("source_row", "column")
        .agg(pl.col("text").n_unique().alias("n"))
        .filter(pl.col("n") > 1)
    )
    if mended["source_row"].null_count() or clash.height:
        where = clash["source_row"][0] if clash.height else "without a number"
        raise StockListError(
            f"{path.name}: row {where} is corrected in two ways, or has lost its row number."
        )
    return mended.unique(maintain_order=True)


def _text(column: str) -> pl.Expr:
    """The text of a cell without spaces round it; null where nothing is left."""
    return pl.col(column).str.strip_chars().replace("", None)


def _filled(lines: pl.DataFrame) -> pl.DataFrame:
    return lines.with_columns(_text("Corrected")).drop_nulls("Corrected")


def apply(
    cells: pl.DataFrame, corrections: pl.DataFrame
) -> tuple[pl.DataFrame, pl.DataFrame, pl.Series]:
    """Cells with the corrections, the trail (source_row, column, was, text), and rows to keep.

    Raises StockListError for a row the list does not have.
    """
    known = set(cells["source_row"])
    if strange := sorted(set(corrections["source_row"]) - known):
        raise StockListError(f"The mended quarantine names row {strange[0]}, which the list lacks.")
    whole = corrections.filter(pl.col("column").is_null())
    if wrong := sorted(set(whole["text"].str.to_lowercase()) - {KEEP}):
        raise StockListError(
            f"The mended quarantine says '{wrong[0]}' of a whole row. Write '{KEEP}' or nothing."
        )
    trail = []
    for (column,), part in corrections.drop_nulls("column").group_by("column", maintain_order=True):
        name = str(column)
        new = part.select("source_row", pl.col("text").alias("_new"))
        joined = cells.join(new, on="source_row", how="left", maintain_order="left")
        trail.append(
            joined.filter(pl.col("_new").is_not_null()).select(
                "source_row", pl.lit(name).alias("column"), pl.col(name).alias("was"),
                pl.col("_new").alias("text"),
            )
        )  # fmt: skip
        cells = joined.with_columns(pl.coalesce("_new", name).alias(name)).drop("_new")
    return cells, pl.concat([NO_TRAIL, *trail]), whole["source_row"]
