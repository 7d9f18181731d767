"""The homes somebody names for a claim or a bill: keys, a file of keys, or a table of homes."""

import csv
import os
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

import polars as pl

from pipeline.errors import ClaimError
from pipeline.published import table

_KEY, _FUNDED = "home_id", "funded"
_OPTION = ("system", "thickness_mm")
OPTIONS = {
    "home_id": pl.String, "system": pl.String, "thickness_mm": pl.Float64, "cost_gbp": pl.Float64,
    "infill": pl.Boolean, "run_id": pl.String,
}  # fmt: skip
"""What a table may say of the option of each home; the last three null where it does not."""


class Named(NamedTuple):
    """Keys of homes in the order named, and how many a table lists that are not funded.

    options: the option of each home by OPTIONS, where the table names them; else None.
    """

    homes: list[str]
    not_funded: int
    options: pl.DataFrame | None = None

    @property
    def wanted(self) -> list[str] | pl.DataFrame:
        """What a claim or a bill takes: keys, or homes with their options."""
        return self.homes if self.options is None else self.options


def read_home_list(text: str, store: Path) -> Named:
    """Home keys with commas between, or from a file: one to a line, or the column home_id.

    Of a table with a column `funded`, as an allocation has, only the funded homes are taken; with
    columns `system` and `thickness_mm` it says what each home gets.
    Raises ClaimError where nothing is named, or where it is not sure what is.
    """
    path = Path(text)
    try:
        is_file = path.is_file()
    except OSError:
        is_file = False
    if is_file:
        _refuse_a_key(text, store)
        named = _from_file(path)
    else:
        named = Named([part.strip() for part in text.split(",") if part.strip()], 0)
        if len(named.homes) == 1 and path.suffix in (".txt", ".csv"):
            raise ClaimError(f"--homes {path}: there is no such file. Check the path.")
    if not named.homes:
        raise ClaimError(
            f"--homes '{text}' names no home"
            + (" that is funded." if named.not_funded else ".")
            + " Give a file of keys or keys with commas."
        )
    return named


def _refuse_a_key(text: str, store: Path) -> None:
    """Raise ClaimError where a file bears the key of a home and its name says no folder."""
    if os.path.basename(text) == text and text in table(store, "ranking")[_KEY]:
        raise ClaimError(
            f"--homes {text} is the key of a home, and a file here has that name. Write"
            f" --homes ./{text} for the file, or --homes {text}, with its comma for the home."
        )


def of_allocation(homes: pl.DataFrame) -> pl.DataFrame:
    """The funded homes of an allocation with their options, by OPTIONS (`Funding.homes`)."""
    funded = homes.filter(pl.col(_FUNDED) == "yes")
    return funded.with_columns(infill=pl.col("infill") == "yes").select(
        pl.col(name).cast(kind) for name, kind in OPTIONS.items()
    )


def _from_file(path: Path) -> Named:
    rows = _rows(path)
    heads = [cell.lower() for cell in rows[0][1]] if rows else []
    is_table = _KEY in heads
    heads = heads if is_table else [_KEY]
    _refuse_part(heads, path)
    homes, options, not_funded = [], [], 0
    for line, cells in rows[is_table:]:
        row = dict(zip(heads, cells, strict=False))
        if len(cells) > len(heads) or not row.get(_KEY):
            raise ClaimError(
                f"{path}, line {line}: it is not sure which cell is the key of a home. Give one key"
                f' to a line, within "" where it has a comma, or a table with a heading {_KEY}.'
            )
        if _FUNDED in heads and row.get(_FUNDED, "").lower() != "yes":
            not_funded += 1
            continue
        homes.append(_unguarded(row[_KEY]))
        if set(_OPTION) <= set(heads):
            options.append(_option(row, path, line))
    named = pl.DataFrame(options, schema=OPTIONS) if options else None
    return Named(homes, not_funded, named)


def _refuse_part(heads: Sequence[str], path: Path) -> None:
    """Raise ClaimError where a table names a column twice, or something of options but not all."""
    said = [name for name in (*OPTIONS, _FUNDED) if name in heads]
    if twice := [name for name in said if heads.count(name) > 1]:
        raise ClaimError(f"{path} has two columns {twice[0]}. Leave the one that counts.")
    lacks = [name for name in _OPTION if name not in heads]
    if lacks and (of_options := [name for name in said if name not in (_KEY, _FUNDED)]):
        raise ClaimError(
            f"{path} says {', '.join(of_options)} of its homes, but not {' and '.join(lacks)}. Add"
            " that, as in allocation.csv; for the options of the ranking give a list of keys alone."
        )


def _unguarded(text: str) -> str:
    """A text without the mark that `csv_bytes` guards it with."""
    return re.sub("^'(?=.)", "", text)


def _option(row: Mapping[str, str], path: Path, line: int) -> dict[str, Any]:
    """The option a row names for its home, by OPTIONS. Raises ClaimError where it names none."""
    said = {name: row.get(name, "") for name in OPTIONS}
    figures: dict[str, float | None] = {}
    for name in ("thickness_mm", "cost_gbp"):
        try:
            figures[name] = float(said[name]) if said[name] else None
        except ValueError:
            raise ClaimError(f"{path}, line {line}: {name} '{said[name]}' is no number.") from None
    if not said["system"] or figures["thickness_mm"] is None:
        raise ClaimError(
            f"{path}, line {line}: {said[_KEY]} has no system or no thickness. Write both, or leave"
            " the home out; for the options of the ranking give a list of keys alone."
        )
    return {
        "home_id": _unguarded(said[_KEY]),
        "system": _unguarded(said["system"]),
        **figures,
        "infill": said["infill"].lower() == "yes",
        "run_id": said["run_id"] or None,
    }


def _rows(path: Path) -> list[tuple[int, list[str]]]:
    """Number and cells, up to the last with something in it, of every line that is not empty."""
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            reader = csv.reader(file, strict=True)
            rows = [(reader.line_num, [cell.strip() for cell in row]) for row in reader]
    except UnicodeDecodeError:
        raise ClaimError(f"{path} is not text. Save it as CSV (UTF-8).") from None
    except csv.Error as fault:
        raise ClaimError(f"{path} is no list of homes ({fault}). Check its quotes.") from None
    for _, row in rows:
        while row and not row[-1]:
            row.pop()
    return [(line, row) for line, row in rows if row]
