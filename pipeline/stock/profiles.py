"""What the cells under a heading look like: years, areas, postcodes, wall words and so on.

Judged on a sample of rows, so that a million homes take no longer than some thousands.
"""

import csv
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

import polars as pl

from pipeline.columns import Column
from pipeline.identity.addresses import STREETS

_SAMPLE_ROWS = 4_000
_MOST_TEXTS = 500
LEAST_CELLS = 5
"""Fewer cells than these say nothing against a heading. Own assumption."""
NEVER, UNLIKELY = -1.0, -0.3
"""Cells of another kind; words of which none is known. A clear heading may hold the latter."""
_FIGURE = re.compile(
    r"^[^\d£$-]{0,9}(-?\d[\d,]*\.?\d*)\s*((?!(?:st|nd|rd|th)\b)\D{0,16}(?:2\D{0,3})?)$"
)
_FEET = re.compile(r"\bf(?:t|eet|oot)\b|ft2|sqft|ft²|sf\b")
_FORMS: Mapping[str, re.Pattern[str]] = {
    "year": re.compile(
        r"\b1[5-9]\d\d(?![\d/.-]*\d{3})|\b20[0-4]\d\b|^\d\d ?- ?\d\d$|pre ?-?\d|post ?-?\d"
        r"|victorian|edwardian|inter-?war|post-?war|^(?:age )?(?:band )?[a-m]$"
    ),
    "date": re.compile(
        r"^(?:\d{4}-\d\d-\d\d(?:[ t]|$)|\d{1,2}[/.-]\d{1,2}[/.-]\d{2,4}\b"
        r"|\d{1,2}[- ][a-z]{3,9}[- ]\d)"
    ),
    "postcode": re.compile(r"^[a-z]{1,2}\d[a-z\d]?\s*\d[a-z]{2}$"),
    "uprn": re.compile(r"^0*\d{6,12}(?:\.0)?$"),
    "money": re.compile(r"£|\bgbp\b|\bpw\b|\bpcm\b"),
    "yes_no": re.compile(r"^(?:y|n|yes|no|true|false|x|tick(?:ed)?|ie|nac ydy|[✓✔✗✘×].*)$"),
    "epc": re.compile(r"^(?:[a-g]$|[a-g]\W*\d|(?:epc|band|rated|rating)\W*[a-g]\b|[a-g],)"),
    "code": re.compile(r"^(?=.*\d)[\w/.\-]{1,24}$"),
    "digits": re.compile(r"\d"),
    "parted": re.compile(r"\w,"),
    "storey": re.compile(r"^-?\d{1,2}(?:st|nd|rd|th|/[fr\d]{1,2}|f)?\b(?: (?:of|floor).*)?$"),
    "house_number": re.compile(r"^\d{1,4}[a-z]?(?:[-/]\d{1,4}[a-z]?)?$"),
    "address": re.compile(
        r"(?<!\d)\d{1,3}[a-z]?,? +(?!bed|stor|pers|bdr|room|mid\b|end\b)[a-z'. ]*"
        rf"\b(?:{'|'.join(STREETS)}|st|rd|ave|cl|heol|stryd|ffordd|lon|maes)\b"
        r"|[a-z]{4}.*\b[a-z]{1,2}\d[a-z\d]? ?\d[a-z]{2}$"
    ),
}


@dataclass(frozen=True)
class Profile:
    """Shares of the cells that hold anything, by what they look like.

    cells: how many hold anything in the sample; filled: share of its rows; distinct: share of
    the cells whose text is a home's own; middle: the median figure, None where there are none.
    """

    cells: int
    filled: float
    distinct: float
    looks: Mapping[str, float]
    middle: float | None

    def share(self, *looks: str) -> float:
        """The largest share of some looks."""
        return max(self.looks.get(look, 0.0) for look in looks)


@cache
def _word_looks() -> dict[str, re.Pattern[str]]:
    text = (files("pipeline.stock") / "cell_words.csv").read_text(encoding="utf-8")
    return {row["look"]: _pattern(row["words"]) for row in csv.DictReader(text.splitlines())}


def _pattern(words: str) -> re.Pattern[str]:
    """Any of some words, from the start of a word; $ behind one: to its end."""
    parts = [
        re.escape(w.rstrip("$")) + (r"\b" if w.endswith("$") else "") for w in words.split(";")
    ]
    return re.compile(rf"(?<![a-z])(?:{'|'.join(parts)})")


def profiles(body: pl.DataFrame) -> list[Profile]:
    """One profile for each column of text, in their order."""
    sample = body.gather_every(max(1, body.height // _SAMPLE_ROWS))
    return [_profile(sample[name]) for name in sample.columns]


def _profile(cells: pl.Series) -> Profile:
    held = cells.str.to_lowercase().str.replace_all(r"\s+", " ").str.strip_chars()
    held = held.filter(held != "")
    counted = held.value_counts(sort=True)
    top = [(str(t), int(n)) for t, n in counted.head(_MOST_TEXTS).iter_rows()]
    said = [(text, rows) for text, rows in top if not _word_looks()["unknown"].match(text)] or top
    rows = sum(rows for _, rows in said)
    looks = {
        name: sum(n for text, n in said if pattern.search(text)) / rows if rows else 0.0
        for name, pattern in {**_FORMS, **_word_looks()}.items()
    }
    figures = [(f, unit, n) for text, n in said for f, unit in [figure(text)] if f is not None]
    looks["figure"] = sum(n for *_, n in figures) / rows if rows else 0.0
    looks["area"] = sum(n for f, u, n in figures if _is_area(f, u)) / rows if rows else 0.0
    looks["phrase"] = sum(n for t, n in said if _speaks_of_many(t)) / rows if rows else 0.0
    middle = sorted(f for f, _, n in figures for _ in range(n))
    return Profile(
        len(held),
        len(held) / max(cells.len(), 1),
        counted.height / max(len(held), 1),
        looks,
        middle[len(middle) // 2] if middle else None,
    )


def figure(text: str) -> tuple[float | None, str]:
    """The one figure of a text and what stands behind it; None where there is none or several."""
    found = _FIGURE.match(text)
    if not found:
        return None, ""
    try:
        return float(found[1].replace(",", "")), found[2]
    except ValueError:
        return None, ""


def _is_area(value: float, behind: str) -> bool:
    return 15 <= value <= (6000 if _FEET.search(behind) or value > 400 else 400)


def _speaks_of_many(text: str) -> bool:
    """Whether a text tells at least two of what a home is, when it was built and of what."""
    words = _word_looks()
    kind = words["property_type"].search(text) or words["built_form"].search(text)
    return sum(map(bool, (kind, _FORMS["year"].search(text), words["wall"].search(text)))) >= 2


def fit(column: Column, held: Profile) -> float:
    """How well cells fit a column, from 0 to 1; 0.5 where they say nothing, `NEVER`, `UNLIKELY`."""
    if held.cells == 0:
        return 0.3
    judge = _JUDGES.get(column.name) or _BY_DTYPE.get(column.dtype)
    fits = judge(held) if judge else 0.5
    return fits if held.cells >= LEAST_CELLS else max(fits, 0.5)


def _key(held: Profile) -> float:
    other = held.share("date", "money", "address", "postcode")
    if held.distinct < 0.3 or other > 0.5 or held.filled < 0.3:
        return NEVER
    return 0.6 * held.distinct + 0.2 * held.filled + 0.2 * held.share("code")


def _number(held: Profile) -> float:
    if held.share("figure") < 0.2 or held.share("date", "money") > 0.3:
        return NEVER
    return 0.4 + 0.5 * held.share("figure")


def _area(held: Profile) -> float:
    if held.share("digits") < 0.3 or held.share("date", "money") > 0.2 or _years(held):
        return NEVER
    return 0.3 + 0.7 * held.share("area")


def _years(held: Profile) -> bool:
    """Whether most cells are bare years."""
    middle = held.middle
    return middle is not None and 1850 <= middle <= 2060 and held.share("year") > 0.8


def _age(held: Profile) -> float:
    if held.share("date", "money") > 0.5 and held.share("year") < 0.5:
        return NEVER
    return NEVER if held.share("year") < 0.2 else held.share("year")


def _words(*looks: str, others: tuple[str, ...] = ()) -> Callable[[Profile], float]:
    """Judge of a column whose cells are words: those of `looks`, not of others nor figures."""

    def judge(held: Profile) -> float:
        if held.share("address") > 0.5:
            return NEVER
        own, strange = held.share(*looks), held.share("date", "money", "yes_no", *others)
        if (own < 0.1 and strange > 0.5) or (own < 0.3 and held.share("figure") > 0.7):
            return NEVER
        if own < 0.1 and held.cells >= 4 * LEAST_CELLS:
            return UNLIKELY
        return 0.4 + 0.6 * own - 0.4 * max(0.0, strange - own)

    return judge


def _form(look: str) -> Callable[[Profile], float]:
    """Judge of a column whose cells have one form."""
    return lambda held: held.share(look) if held.share(look) > 0.3 else NEVER


def _description(held: Profile) -> float:
    if held.share("address") > 0.5:
        return NEVER
    if held.share("phrase", "property_type", "built_form", "wall") < 0.1:
        return UNLIKELY
    return 0.3 + 0.7 * held.share("phrase")


def _loft(held: Profile) -> float:
    return NEVER if held.share("digits") < 0.15 or held.share("date") > 0.3 else 0.7


def _epc(held: Profile) -> float:
    return 0.3 + 0.7 * held.share("epc") if held.share("epc") > 0.3 else NEVER


def _storey(held: Profile) -> float:
    words = held.share("floor_position")
    both = min(1.0, words + held.share("storey"))
    strange = held.share("floor", "property_type")
    if both < 0.1 or strange > both:
        return NEVER
    forms = held.share("built_form") - words
    return max(0.1, both - max(0.0, forms))


def _place(held: Profile) -> float:
    wordy = 1.0 - held.share("figure")
    return wordy * (1.0 if held.distinct < 0.5 else 0.4)


_JUDGES: Mapping[str, Callable[[Profile], float]] = {
    "home_id": _key,
    "uprn": _form("uprn"),
    "postcode": _form("postcode"),
    "estate": _place,
    "block_ref": lambda held: NEVER if held.cells > 50 and held.distinct < 0.02 else 0.5,
    "property_type": _words("property_type", others=("tenure", "heating", "roof")),
    "built_form": _words(
        "built_form", others=("tenure", "heating", "wall", "roof", "floor_position", "storey")
    ),
    "floor_position": _storey,
    "tenure": _words("tenure"),
    "wall_construction": _words("wall", others=("tenure", "heating", "property_type")),
    "wall_insulation": _words("insulation", others=("tenure", "heating")),
    "heating": _words("heating", others=("tenure",)),
    "heating_fuel": _words("heating", others=("tenure",)),
    "glazing": _words("glazing", others=("tenure", "heating")),
    "epc_band": _epc,
    "construction_year": _age,
    "floor_area_m2": _area,
    "loft_insulation_mm": _loft,
    "description": _description,
    "status": lambda held: held.share("status") if held.share("status") > 0.6 else -1.0,
}
_BY_DTYPE: Mapping[str, Callable[[Profile], float]] = {
    "area": _number,
    "number": _number,
    "length_mm": _number,
    "date": lambda held: held.share("date", "year") if held.share("date", "year") > 0.2 else NEVER,
}
