"""What a landlord has settled about the lists: headings, words, whole columns and single cells.

The answers live in the landlord's own TOML file, which serves every later list. A run reads it and
may add to it; it never changes or removes what stands there.
"""

import difflib
import hashlib
import json
import re
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any, NamedTuple, TypeVar

import tomlkit
from pydantic import Field, TypeAdapter, ValidationError
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import InlineTable

from pipeline import toml_files
from pipeline.columns import by_role
from pipeline.errors import SettingsError

_T = TypeVar("_T")
_TITLE = """\
# What this landlord's lists mean: `programme run LIST --dictionary` with this file uses it and adds
# to it. Nothing that stands here is ever changed by the tool; change it by hand.
"""
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


NOTHING = Answers()


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


def digest(settled: Answers) -> str:
    """SHA-256 of answers, whatever their order."""
    return hashlib.sha256(json.dumps(asdict(settled), sort_keys=True).encode()).hexdigest()


def over(first: Answers, second: Answers) -> Answers:
    """Both together; where both answer one thing the first counts."""
    return Answers(
        {**second.columns, **first.columns},
        _both(first.words, second.words),
        {**second.confirmed, **first.confirmed},
        _both(first.homes, second.homes),
    )


def _both(
    first: Mapping[str, Mapping[str, _T]], second: Mapping[str, Mapping[str, _T]]
) -> dict[str, dict[str, _T]]:
    names = dict.fromkeys([*first, *second])
    return {name: {**second.get(name, {}), **first.get(name, {})} for name in names}


def added(content: bytes, new: Answers) -> tuple[bytes, list[str]]:
    """A dictionary's file with new answers added, and what stood there with another answer.

    Comments, order and ends of lines stay; nothing that stands is changed, which is looked at
    again in what was made. The same answers add nothing twice. Raises SettingsError where a file is
    written so that answers cannot be added to it.
    """
    text = content.decode("utf-8-sig")
    try:
        book, stood = _with(text, new)
        made = tomlkit.dumps(book)
        before, after = _leaves(tomllib.loads(text)), _leaves(tomllib.loads(made))
        wanted = {k: v for k, v in _leaves(_nested(new)).items() if k in after}
        whole = after == {**wanted, **before}
    except (TOMLKitError, ValueError, TypeError, KeyError, AttributeError):
        whole, made, stood = False, "", []
    if not whole:
        raise SettingsError(
            "Answers cannot be added to the dictionary as it is written by hand. Write its tables"
            " as [words.COLUMN], [homes.KEY.COLUMN], [columns] and [confirmed], a line to each"
            " answer, and run again. Nothing was changed, and nothing published."
        )
    if "\r\n" in text and not re.search(r"(?<!\r)\n", text):  # else both ends of lines are in use
        made = re.sub(r"(?<!\r)\n", "\r\n", made)
    mark = b"\xef\xbb\xbf" if content.startswith(b"\xef\xbb\xbf") else b""
    return mark + made.encode(), stood


def _with(text: str, new: Answers) -> tuple[tomlkit.TOMLDocument, list[str]]:
    book = tomlkit.parse(text or _TITLE)
    stood: list[str] = []
    for where, answers in _flat(new):
        table: Any = book
        for name in where[:-1]:
            inline = isinstance(table, InlineTable)
            empty = tomlkit.inline_table() if inline else tomlkit.table(name != where[-2])
            table = table.setdefault(name, empty)
        known = _known(table, where)
        if known is None:
            table[where[-1]] = answers
        elif known != answers:
            stood.append(f"[{'.'.join(where[:-1])}] {where[-1]}")
    return book, stood


def _leaves(table: Mapping[str, Any], above: tuple[str, ...] = ()) -> dict[tuple[str, ...], Any]:
    """Every value of a TOML file by the names that lead to it; empty tables have none."""
    found: dict[tuple[str, ...], Any] = {}
    for name, value in table.items():
        place = (*above, name)
        found |= _leaves(value, place) if isinstance(value, dict) else {place: value}
    return found


def _nested(new: Answers) -> dict[str, Any]:
    """Answers as the file that holds only them would be read."""
    nested: dict[str, Any] = {}
    for where, answers in _flat(new):
        table = nested
        for name in where[:-1]:
            table = table.setdefault(name, {})
        table[where[-1]] = answers
    return nested


def _known(table: Any, where: tuple[str, ...]) -> Any:
    """What stands under a name; a text of a cell is known in whatever case and spacing."""
    names = {folded(name): name for name in table} if where[0] == "words" else {}
    found = table.get(names.get(where[-1], where[-1]))
    return found.unwrap() if hasattr(found, "unwrap") else found


def _flat(answers: Answers) -> Iterator[tuple[tuple[str, ...], Any]]:
    """Every answer under its place in the file."""
    for column, headings in answers.columns.items():
        yield ("columns", column), headings[0] if len(headings) == 1 else list(headings)
    for column, said in answers.words.items():
        for text, answer in said.items():
            yield ("words", column, text), answer
    for column, answer in answers.confirmed.items():
        yield ("confirmed", column), answer
    for home, cells in answers.homes.items():
        for column, cell in cells.items():
            held = {"was": cell.was, "is": cell.now}
            yield ("homes", home, column), {k: v for k, v in held.items() if v is not None}
