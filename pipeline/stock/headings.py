"""Matches the headings of a stock list to the column dictionary, and explains what is left.

A heading of columns.csv with a + before it is another column's too: its words speak of both.
"""

import difflib
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache, lru_cache

from pipeline.columns import by_role, dictionary
from pipeline.stock import casting
from pipeline.stock.answers import Answers

ESSENTIAL = ("home_id", "property_type", "construction_year", "floor_area_m2", "wall_construction")
_PERSONAL = re.compile(
    r"\b(tenant|occupant|resident|customer|contact|owner|(?:first|last|sur|full)? ?name|forename|"
    r"phone|tel|telephone|mobile|e ?mail|dob|date of birth|birth|ni|nino|national insurance|"
    r"gender|ethnicity|disability|religion|bank|sort code|account)\b"
)
_NOT_PERSONAL = re.compile(r"\b(block|street|estate|scheme|road|building|tenancy) name\b")
_BRACKETS = re.compile(r"[(\[]([^)\]]*)[)\]]")
_MARKS = (('(")', " in"), ("('')", " in"), ("(')", " ft"), ("²", "2"))
_SHORT_UNITS = ("mm", "cm", "ft")
_SHARED = "+"
Row = Sequence[object]


@dataclass(frozen=True)
class Match:
    """Which cell position holds which column, and what no column took.

    positions: column name to position; all: every heading as written, "" where there is none;
    unused: headings no column took (their cells are not kept); personal: how many of those look
    like personal data; missing: labels of essential columns without a heading.
    """

    positions: dict[str, int]
    all: tuple[str, ...]
    unused: tuple[str, ...]
    personal: int = 0
    missing: tuple[str, ...] = field(default=())

    @property
    def count(self) -> int:
        """How many columns the row names."""
        return len(self.positions)

    @property
    def hint(self) -> str:
        """The nearest unused heading to each missing column, in words."""
        words = []
        offered = [plain(heading) for heading in self.unused if not is_personal(heading)]
        for label in self.missing:
            near = difflib.get_close_matches(label.lower(), offered, 1, 0.5)
            words += [f" '{near[0]}' looks like {label}." for _ in near]
        return "".join(words)


@lru_cache(maxsize=4096)
def plain(heading: object) -> str:
    """A heading in lower case with single spaces and without marks; the inch mark is spelt out."""
    words = str(heading or "").lower()
    for mark, spelt in _MARKS:
        words = words.replace(mark, spelt)
    return re.sub(r"[^a-z0-9%/]+", " ", words).strip()


def _unit(words: Sequence[str]) -> str:
    """The unit some words of a heading are, '' where they are none.

    A count is no unit here, nor are 'ins' and 'n' out of brackets: they stand for insulation and
    for no.
    """
    unit = casting.spellings().get("".join(words), "")
    return "" if unit == "no" or list(words) in (["ins"], ["n"]) else unit


def _ends(words: str) -> Iterator[tuple[str, str]]:
    """What stands before a unit at the end of a heading, and the unit; longest spelling first."""
    parts = words.split()
    for size in range(min(3, len(parts)), 0, -1):
        if unit := _unit(parts[-size:]):
            yield " ".join(parts[:-size]), unit


@lru_cache(maxsize=4096)
def unit_of(heading: str) -> str:
    """The unit a heading states, '' where none: at its end, in brackets, or anywhere if plain."""
    words = plain(heading).split()
    pairs = [words[i : i + size] for size in (2, 1) for i in range(len(words))]
    clear = [p for p in pairs if len("".join(p)) > 2 or "".join(p) in _SHORT_UNITS]
    bracketed = _BRACKETS.findall(heading.lower())
    told = [unit for word, unit in (("ins", "in"), ("n", "N")) if word in bracketed]
    told += [unit for _, unit in _ends(" ".join(words))]
    told += [_unit(plain(group).split()) for group in _BRACKETS.findall(heading)]
    told += [_unit(some) for some in clear]
    return next(filter(None, told), "")


@cache
def _known() -> dict[str, str]:
    return {
        plain(words): column.name
        for column in by_role("stock")
        for words in (column.name, column.label, *column.headings)
        if not words.startswith(_SHARED)
    }


@cache
def _shared() -> dict[str, str]:
    """The other column of a heading that speaks of two."""
    return {
        plain(words): column.name
        for column in by_role("stock")
        for words in column.headings
        if words.startswith(_SHARED)
    }


@lru_cache(maxsize=4096)
def column_of(heading: object) -> str | None:
    """The column a heading names in the trade's words, with or without its unit behind it."""
    words = plain(heading)
    if words in _known():
        return _known()[words]
    for before, unit in _ends(words):
        name = _known().get(before)
        if name and unit in casting.conversions(dictionary()[name].unit):
            return name
    return None


def suggestion(heading: str) -> str | None:
    """The column a heading that none took looks most like."""
    near = difflib.get_close_matches(plain(heading), list(_known()), 1, 0.72)
    return _known()[near[0]] if near else None


def match(row: Row, settled: Mapping[str, str] | None = None) -> Match:
    """Match one row of headings; `settled` maps plain headings to columns and comes first.

    The first heading that fits a column takes it. Where no heading is the landlord's own key, as
    in an extract of certificates, one heading may hold two columns.
    """
    chosen = settled or {}
    taken = {chosen[plain(heading)] for heading in row if plain(heading) in chosen}
    positions: dict[str, int] = {}
    unused = []
    for position, heading in enumerate(row):
        name = chosen.get(plain(heading))
        if name is None:
            name = column_of(heading)
            name = None if name in taken else name
        if name and name not in positions:
            positions[name] = position
        elif heading is not None and str(heading).strip():
            unused.append(str(heading).strip())
    if "home_id" not in positions:
        positions |= _seconds(row, positions, taken)
    written = tuple(str(h).strip() if h is not None else "" for h in row)
    missing = tuple(dictionary()[name].label for name in ESSENTIAL if name not in positions)
    return Match(positions, written, tuple(unused), sum(map(is_personal, unused)), missing)


def _seconds(row: Row, positions: Mapping[str, int], taken: set[str]) -> dict[str, int]:
    """Position of each column that has no heading of its own but shares another column's."""
    used = {place: name for name, place in positions.items()}
    found: dict[str, int] = {}
    for place, heading in enumerate(row):
        other = _shared().get(plain(heading))
        first = used.get(place) == column_of(heading)
        if other and first and other not in positions and other not in taken:
            found.setdefault(other, place)
    return found


def is_personal(heading: str) -> bool:
    """Whether a heading speaks of a person: a name, a number, a birthday."""
    words = plain(heading)
    return bool(_PERSONAL.search(words)) and not _NOT_PERSONAL.search(words)


def joined(upper: Row, lower: Row) -> list[object]:
    """One row of headings from two: a merged upper heading stands over those that follow it.

    A lower heading takes the upper word in front where the two together, or the upper alone
    where there is no lower, name a column; else it stands alone.
    """
    told: list[object] = []
    group = ""
    for above, below in zip(upper, lower, strict=True):
        group = str(above).strip() if above is not None and str(above).strip() else group
        text = str(below).strip() if below is not None else ""
        both = f"{group} {text}".strip()
        told.append(both if column_of(both) or not text else text)
    return told


def by_heading(settled: Answers) -> dict[str, str]:
    """Headings settled by the landlord: plain heading to column."""
    return {plain(one): name for name, some in settled.columns.items() for one in some}


def starter_map(found: Match) -> str:
    """A column map to edit: what is matched, then what is not, with the nearest suggestion."""
    lines = [
        "# Which heading of the list holds which column. Edit, then give it with --columns.",
        "[columns]",
    ]
    once = {place: name for name, place in reversed(found.positions.items())}
    lines += [
        f'{n} = "{_quoted(found.all[p])}"' for n, p in found.positions.items() if once[p] == n
    ]
    lines += ["", "# Headings no column took; their cells are not kept."]
    for heading in found.unused:
        name = suggestion(heading)
        note = "  # looks like personal data" if is_personal(heading) else ""
        lines.append(f'# {name or "?"} = "{_quoted(heading)}"{note}')
    lacking = [c for c in by_role("stock") if c.name not in found.positions]
    lines += ["", "# Columns without a heading; (!) marks those that a list must have."]
    lines += [
        f"# {c.name}{' (!)' if c.name in ESSENTIAL else ''}: {c.meaning}"
        + (f" [{c.unit}]" if c.unit else "")
        for c in lacking
    ]
    return "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    return text.replace("\\", "\\\\").replace('"', '\\"')
