"""Matches the headings of a stock list to the column dictionary, and explains what is left.

The words of a heading and the look of its cells count together, and all headings are matched at
once, so that each column gets the heading that fits it best. A heading of columns.csv with a +
before it is another column's too: its words speak of both.
"""

import difflib
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache, lru_cache

import numpy as np
from scipy.optimize import linear_sum_assignment

from pipeline.columns import by_role, dictionary
from pipeline.stock import addresses, casting, profiles, wording
from pipeline.stock.answers import Answers
from pipeline.stock.profiles import Profile

ESSENTIAL = ("home_id", "property_type", "construction_year", "floor_area_m2", "wall_construction")
_PERSONAL = re.compile(
    r"\b(tenant|occupant|resident|customer|contact|owner|(?:first|last|sur|full)? ?name|forename|"
    r"phone|tel|telephone|mobile|e ?mail|dob|date of birth|birth|ni|nino|national insurance|"
    r"gender|ethnicity|disability|religion|bank|sort code|account)\b"
)
_NOT_PERSONAL = re.compile(
    r"\b(block|street|estate|scheme|road|building|tenancy|ward|area|town|village|patch|district"
    r"|locality|house|property|place) name\b"
)
_BRACKETS = re.compile(r"[(\[]([^)\]]*)[)\]]")
_MARKS = (('(")', " in"), ("('')", " in"), ("(')", " ft"), ("²", "2"))
_SHORT_UNITS = ("mm", "cm", "ft")
_SHARED = "+"
Row = Sequence[object]
Scores = dict[tuple[int, str], float]
"""Position of a heading and column, and how well they fit, from `LEAST` to 1."""
LEAST = 0.5
_SURE = 0.9
_ALL = 0.98
_CERTIFICATE = "certificate_key"
"""What wording.scores calls the number of a certificate or of its building; no column by itself."""
_STAYS = frozenset({*ESSENTIAL, "wall_insulation", "heating"})
"""Columns whose full name holds them whatever the cells are, so that each home is told of it."""
_TOLD_BY_CELLS = ("postcode", "wall_construction", "heating", "property_type", "description")
_TELLS = ("property_type", "construction_year", "wall_construction")
"""Columns that a description tells, so that no heading need hold them."""


@dataclass(frozen=True)
class Match:
    """Which cell position holds which column, and what no column took.

    positions: column name to position; all: every heading as written, "" where there is none;
    unused: headings no column took (their cells are not kept); personal: how many of those look
    like personal data; missing: labels of essential columns without a heading; several: all
    positions of a column whose cells are joined; fits: how well headings fit columns.
    """

    positions: dict[str, int]
    all: tuple[str, ...]
    unused: tuple[str, ...]
    personal: int = 0
    missing: tuple[str, ...] = field(default=())
    several: Mapping[str, tuple[int, ...]] = field(default_factory=dict)
    fits: Scores = field(default_factory=dict, compare=False)

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


def suggestions(found: Match) -> dict[str, str]:
    """The free column that each heading not used fits best by its words and its cells alike."""
    best: dict[str, tuple[float, str]] = {}
    for (place, name), score in found.fits.items():
        heading = found.all[place]
        if heading in found.unused and name not in found.positions and score > LEAST:
            best[heading] = max(best.get(heading, (0.0, "")), (score, name))
    return {heading: name for heading, (_, name) in best.items()}


def match(
    row: Row, settled: Mapping[str, str] | None = None, cells: Sequence[Profile] = ()
) -> Match:
    """Match one row of headings; `settled` maps plain headings to columns and comes first.

    cells: what the cells below each heading look like; without them the words alone count. Where no
    heading is the landlord's own key, as in an extract of certificates, one heading may hold two
    columns.
    """
    written = tuple(str(h).strip() if h is not None else "" for h in row)
    chosen = settled or {}
    positions: dict[str, int] = {}
    for position, heading in enumerate(written):
        if (name := chosen.get(plain(heading))) is not None:
            positions.setdefault(name, position)
    taken = set(positions)
    fits = {
        (p, name): fit for (p, name), fit in scores(written, cells).items() if name not in taken
    }
    positions |= _assigned(fits, positions, [plain(h) in chosen for h in written])
    several = _addresses(written, chosen, positions, cells)
    if several:
        positions["address"] = several[0]
    if "home_id" not in positions:
        positions |= _seconds(row, positions, taken)
    used = {*positions.values(), *several}
    unused = tuple(h for place, h in enumerate(written) if h and place not in used)
    joined_ = {"address": several} if len(several) > 1 else {}
    return Match(
        positions,
        written,
        unused,
        sum(map(is_personal, unused)),
        _missing(positions),
        joined_,
        fits,
    )


def _missing(positions: Mapping[str, int]) -> tuple[str, ...]:
    """Labels of the columns a list must have that no heading holds nor may tell in passing."""
    told = _TELLS if "description" in positions else ()
    return tuple(
        dictionary()[name].label for name in ESSENTIAL if name not in positions and name not in told
    )


def with_key(found: Match, cells: Sequence[Profile]) -> Match:
    """A list without the landlord's own key, keyed by UPRN or number of the building's certificate.

    The UPRN comes first unless some homes lack it and no certificate's number does.
    """
    if "home_id" in found.positions:
        return found
    numbers = {
        place: fits
        for place, heading in enumerate(found.all)
        if (fits := wording.scores(heading).get(_CERTIFICATE)) and cells[place].filled > _ALL
    }
    uprn = found.positions.get("uprn")
    places = sorted(numbers, key=lambda place: -numbers[place])
    nameless = [p for p, heading in enumerate(found.all) if not heading and _is_key(cells[p])]
    if uprn is not None:
        places = [uprn, *places] if cells[uprn].filled > _ALL or not places else places
    if not places and nameless:
        named = tuple(
            f"column {place + 1}" if place == nameless[0] else heading
            for place, heading in enumerate(found.all)
        )
        found, places = replace(found, all=named), nameless
    if not places:
        return found
    positions = {**found.positions, "home_id": places[0]}
    unused = tuple(h for p, h in enumerate(found.all) if h in found.unused and p != places[0])
    return replace(found, positions=positions, unused=unused, missing=_missing(positions))


def _is_key(held: Profile) -> bool:
    """Whether cells without a heading are keys: on every row, each another, formed as codes."""
    return min(held.filled, held.distinct, held.share("code")) > _ALL and held.share("date") == 0


def scores(written: Sequence[str], cells: Sequence[Profile] = ()) -> Scores:
    """How well each heading and its cells fit each column; below `LEAST` is left out."""
    found: dict[tuple[int, str], float] = {}
    for position, heading in enumerate(written):
        held = cells[position] if position < len(cells) else None
        for name, words in _words_of(heading).items():
            if name == _CERTIFICATE:
                continue
            score = _score(name, words, held, len(wording.parts_of(heading)[0]))
            if score >= LEAST:
                found[position, name] = score
        if held is not None and heading and not is_personal(heading):
            told = {(position, name): LEAST for name in _told_by_cells(heading, held)}
            found = told | found
    return found


def _words_of(heading: str) -> dict[str, float]:
    """By column, how surely the words of a heading name it; 1 for a name of columns.csv."""
    exact = column_of(heading)
    if exact is None and is_personal(heading):
        return {}
    return {**wording.scores(heading), **({exact: 1.0} if exact else {})}


def _score(name: str, words: float, held: Profile | None, parts: int) -> float:
    """Words and cells together; where cells are of another kind only a full name may stay."""
    fits = profiles.fit(dictionary()[name], held) if held is not None else 0.5
    if fits <= profiles.NEVER:
        return LEAST if words == 1.0 and parts > 1 and name in _STAYS else 0.0
    return 0.7 * words + 0.3 * fits + (0.05 if words == 1.0 else 0.0)


def _told_by_cells(heading: str, held: Profile) -> list[str]:
    """Columns that cells alone tell under a heading whose words say nothing, or little.

    Under a word such as Level or Code these are types of homes and postcodes only.
    """
    parts = wording.parts_of(heading)[0]
    little = bool(parts) and wording.says_little(heading) and "floor" not in parts
    if (parts and not little and parts != {"key"}) or held.cells < profiles.LEAST_CELLS:
        return []
    if little or parts == {"key"}:
        looks = {"property_type": 0.5, "postcode": _SURE}
        return [name for name, least in looks.items() if held.share(name) > least]
    sure = {n: profiles.fit(dictionary()[n], held) for n in _TOLD_BY_CELLS}
    return [name for name, fits in sure.items() if fits >= _SURE]


def _assigned(
    fits: Scores, positions: Mapping[str, int], settled: Sequence[bool]
) -> dict[str, int]:
    """The position of each column not yet held, so that all together fit best."""
    names = [c.name for c in by_role("stock") if c.name not in {*positions, "address"}]
    table = np.zeros((len(settled), len(names)))
    for (position, name), score in fits.items():
        if name in names and not settled[position]:
            # a heading that barely fits anything displaces none that fits well
            table[position, names.index(name)] = score - LEAST + 0.01 - position * 1e-5
    places, columns = linear_sum_assignment(table, maximize=True)
    return {names[c]: int(p) for p, c in zip(places, columns, strict=True) if table[p, c] > 0.0}


def _addresses(
    written: Sequence[str],
    chosen: Mapping[str, str],
    positions: Mapping[str, int],
    cells: Sequence[Profile],
) -> tuple[int, ...]:
    """Positions that hold the address, in the order of the list."""
    told = [p for p, heading in enumerate(written) if chosen.get(plain(heading)) == "address"]
    if told:
        return tuple(told)
    free = [
        None if p in positions.values() or plain(heading) in chosen or is_personal(heading)
        else heading
        for p, heading in enumerate(written)
    ]  # fmt: skip
    flats = [p for p, heading in enumerate(written) if _tells_flats(heading, p, cells)]
    return addresses.positions(free, cells, flats)


def _tells_flats(heading: str, place: int, cells: Sequence[Profile]) -> bool:
    """Whether cells are numbers of flats, though another column may hold them too."""
    if not addresses.is_flat(heading) or place >= len(cells):
        return False
    held = cells[place]
    flats = min(held.share("digits"), held.share("property_type"))
    return max(flats, held.share("house_number", "storey")) > 0.3


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

    A lower heading takes the upper words in front where it says little alone (Type, Area, Date),
    where there is no lower, or where the two together name a column and it alone none; it takes
    them behind where they say how it is known.
    """
    told: list[object] = []
    group = ""
    for above, below in zip(upper, lower, strict=True):
        group = str(above).strip() if above is not None and str(above).strip() else group
        text = str(below).strip() if below is not None else ""
        both = f"{group} {text}".strip()
        few = wording.says_little(text) and len(wording.parts_of(text)[0]) < 2
        alone = bool(text) and not few
        better = not _words_of(text) and _words_of(both)
        if text and wording.evidence(group) != wording.evidence(text) == 1:
            told.append(f"{text} ({group})")
        else:
            told.append(both if better or not alone or column_of(both) else text)
    return told


def named(row: Row) -> float:
    """How many columns the words of a row name; among equals the surer words count for more.

    A cell names one column at most. Cells that begin with a figure count off.
    """
    texts = [str(cell).strip() for cell in row if cell is not None]
    best: dict[str, float] = {}
    for words in map(_words_of, texts):
        if words:
            name = max(words, key=lambda name: words[name])
            best[name] = max(words[name], best.get(name, 0.0))
    return len(best) - sum(text[:1].isdigit() for text in texts) + sum(best.values()) / 1000


def is_unit(words: str) -> bool:
    """Whether plain words are a unit and nothing else."""
    return bool(_unit(words.split()))


@cache
def known_words() -> list[str]:
    """Every name of a column of the list, in lower case."""
    return sorted(_known())


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
    for name, place in found.positions.items():
        if once[place] == name:
            several = [f'"{_quoted(found.all[p])}"' for p in found.several.get(name, ())]
            written = f"[{', '.join(several)}]" if several else f'"{_quoted(found.all[place])}"'
            lines.append(f"{name} = {written}")
    lines += ["", "# Headings no column took; their cells are not kept."]
    near = suggestions(found)
    for heading in found.unused:
        note = "  # looks like personal data" if is_personal(heading) else ""
        lines.append(f'# {near.get(heading, "?")} = "{_quoted(heading)}"{note}')
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
