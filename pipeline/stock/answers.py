"""What a landlord has settled about the lists: headings, words, whole columns and single cells.

The answers live in the landlord's own TOML file, which serves every later list. A run reads it and
may add to it; it never changes or removes what stands there.
"""

import difflib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple

from pydantic import Field, TypeAdapter, ValidationError

from pipeline import toml_files
from pipeline.columns import by_role
from pipeline.errors import SettingsError

NOT_KNOWN = "not known"
"""The answer that takes the default knowingly: the list says nothing that can be used."""


class Correction(NamedTuple):
    """A cell of one home: it holds `now` as long as the list still says `was` (None: empty)."""

    was: str | None
    now: str


@dataclass(frozen=True)
class Answers:
    """columns: headings that hold a column; words: what a text of a column stands for, by folded
    text; confirmed: the answer to the question about a whole column; homes: corrections by key of
    the home and column.
    """

    columns: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    words: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    confirmed: Mapping[str, str] = field(default_factory=dict)
    homes: Mapping[str, Mapping[str, Correction]] = field(default_factory=dict)


class _Cell(toml_files.Group):
    was: str | None = None
    now: str = Field(alias="is")


class _File(toml_files.Group):
    columns: dict[str, str | list[str]] = {}
    words: dict[str, dict[str, str]] = {}
    confirmed: dict[str, str] = {}
    homes: dict[str, dict[str, _Cell]] = {}


_MAP = TypeAdapter(dict[str, str | list[str]])


def folded(text: str) -> str:
    """A text as `words` has it: in lower case, with single spaces."""
    return " ".join(text.casefold().split())


def read(dictionary: Path | None = None, columns: Path | None = None) -> Answers:
    """Answers of the landlord's dictionary, which need not exist yet, and of one list's map.

    columns: a file whose only table is [columns]; it counts before the dictionary's.
    Raises SettingsError for an unknown column or key, or unreadable TOML.
    """
    held = _File()
    if dictionary is not None and dictionary.exists():
        what = f"Dictionary {dictionary.name}"
        held = toml_files.build(_File, toml_files.read(dictionary, "Dictionary"), what)
        named = [*held.columns, *held.words, *held.confirmed]
        _refuse_unknown([*named, *(c for cells in held.homes.values() for c in cells)], what)
    return Answers(
        {c: _several(h) for c, h in {**held.columns, **_map(columns)}.items()},
        {c: {folded(t): a.strip() for t, a in said.items()} for c, said in held.words.items()},
        dict(held.confirmed),
        {
            home: {column: Correction(cell.was, cell.now) for column, cell in cells.items()}
            for home, cells in held.homes.items()
        },
    )


def _map(path: Path | None) -> dict[str, str | list[str]]:
    """The table [columns] of a map of headings."""
    if path is None:
        return {}
    what = f"Column map {path.name}"
    content = toml_files.read(path, "Column map")
    if set(content) - {"columns"}:
        raise SettingsError(f"{what} must hold one table, [columns].")
    try:
        settled = _MAP.validate_python(content.get("columns", {}))
    except ValidationError:
        raise SettingsError(
            f'{what}: write every line of [columns] as column = "heading of the list".'
        ) from None
    _refuse_unknown(settled, what)
    return settled


def _several(headings: str | list[str]) -> tuple[str, ...]:
    return (headings,) if isinstance(headings, str) else tuple(headings)


def _refuse_unknown(names: Iterable[str], what: str) -> None:
    stock = [column.name for column in by_role("stock")]
    if unknown := sorted(set(names) - set(stock)):
        near = {name: difflib.get_close_matches(name, stock, 1) for name in unknown}
        told = ", ".join(n + (f" (meant {m[0]}?)" if m else "") for n, m in near.items())
        raise SettingsError(f"{what} names no column of the stock list: {told}.")
