"""Takes out of a list the characters that nobody sees: they steer a terminal or turn text round.

This is the one place: below it no cell, heading or name of a sheet holds a control character, an
escape sequence, or a mark of direction or width, so none reaches a file, a sheet or a page.
"""

import polars as pl

_SEQUENCE = r"\x1b\[[0-?]*[ -/]*[@-~]|\x1b\][^\x07\x1b]{0,999}(?:\x07|\x1b\\)|\x9b[0-?]*[@-~]"
_SPACES = r"[\t\n\x0b\x0c\r\x85\x{2028}\x{2029}]+"
_GUARD = r"^'[\t\r]"
"""A tab behind the ' that `exports.csv_bytes` put before it."""
_UNSEEN = r"[\p{Cc}\p{Cf}]"
_HIDDEN = r"[\p{Cc}\p{Cf}--\t\n\x0b\x0c\r\x85]"


def without_unseen(rows: pl.DataFrame) -> tuple[pl.DataFrame, int]:
    """Rows of text without such characters, and how many cells held one.

    A line end or tab within a cell becomes a space and is not counted. A cell with nothing else
    becomes null.
    """
    if not rows.width:
        return rows, 0
    held = rows.select(pl.all().str.contains(rf"{_UNSEEN}|{_SPACES}").any()).row(0)
    names = [name for name, any_held in zip(rows.columns, held, strict=True) if any_held]
    if not names:
        return rows, 0
    counts = rows.select(pl.col(names).str.contains(_HIDDEN).sum()).row(0)
    ours = pl.col(names).str.replace(_GUARD, "")
    spaced = ours.str.replace_all(_SEQUENCE, "").str.replace_all(_SPACES, " ")
    return rows.with_columns(spaced.str.replace_all(_UNSEEN, "").replace("", None)), sum(counts)


def visible(text: str) -> str:
    """One text without such characters."""
    return without_unseen(pl.DataFrame({"text": [text]}))[0].item() or ""
