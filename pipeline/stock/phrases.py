"""Reads a cell by its words: one phrase may say type, form, floor, age, wall and heating at once.

The words stand in words.csv: topic, meaning and the ways to write it, common practice. A word with
= before it counts only in its topic's own column, where "m" may mean one thing. Nothing is guessed:
words that contradict one another, or say a doubt, give no value.
"""

import re
import unicodedata
from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from functools import cache, lru_cache
from importlib.resources import files

import polars as pl

from pipeline.stock import years

_WALL, _HOME, _HEAT = ("wall", "fill"), ("type", "form", "floor"), ("fuel", "heat")
_ALL = (*_WALL, *_HOME, *_HEAT)
TOPICS = {
    "wall_construction": _WALL,
    "wall_insulation": _WALL,
    "property_type": _ALL,
    "built_form": _HOME,
    "floor_position": _HOME,
    "heating": _HEAT,
    "heating_fuel": _HEAT,
    "tenure": ("tenure",),
    "glazing": ("glazing",),
    "status": ("status",),
    "description": _ALL,
    "remarks": _WALL,
}
"""Columns whose cells are phrases, and what their words may speak of."""
FILLS = ("wall_construction", "wall_insulation", "property_type", "built_form", "floor_position",
         "construction_year", "heating", "u_existing_w_m2k", "tenure", "status", "heritage",
         "damp", "asbestos")  # fmt: skip
"""Columns that a phrase may fill."""
_OWN = {
    "wall": "wall_construction", "fill": "wall_insulation", "type": "property_type",
    "form": "built_form", "floor": "floor_position", "fuel": "heating_fuel", "heat": "heating",
    "tenure": "tenure", "glazing": "glazing", "status": "status",
}  # fmt: skip
_SPEAKS = {"fill": "wall_insulation", "wall": "wall_construction", "type": "property_type",
           "fuel": "heating", "heat": "heating", "tenure": "tenure",
           "glazing": "glazing"}  # fmt: skip
"""Columns of which a word always says something, whether it can be read or not."""
_EVERYWHERE = ("plain", "doubt", "aside", "unknown")
_LONGEST = 20
"""Words of the longest entry of words.csv, and more."""
_LEAST_SWAPPED, _LEAST_MISSPELT = 4, 5
"""Letters of a word that is still known with one missing, or with one wrong or too many."""
_FRACTIONS = (("\u00bd", ".5"), ("\u00bc", ".25"), ("\u00be", ".75"))
_THICKNESS = re.compile(r"(\d+(?:\.\d+)?) ?(mm|in)\b")
_BARE_MM = re.compile(r"(?<![\d.])(2[0-3]\d|[34]\d\d)(?![\d.])")
_ASIDE = {"doubt", "aside"}
_REMARKED = ("ewi", "iwi", "cwi", "uninsulated", "unfilled", "drylined")
"""Single words that tell of a wall's insulation also among remarks on anything."""
_LEVEL = re.compile(r"(-?\d{1,2})(?:\.0|/\d)?")
_BEDS = {"h": "house", "f": "flat", "b": "bungalow", "m": "maisonette"}
_OF_STOREYS = re.compile(r"\b(g|grd|ground|\d)(?:st|nd|rd|th)?(?: floor)? of (\d)\b")
_U_VALUE = re.compile(
    r"(?:average )?(?:thermal transmittance|trawsyriannedd thermol cyfartalog|u[ -]?values?)"
    r"[ :=,of]*(\d?\.\d+)(?: ?w ?/? ?m\S*(?: ?k\b)?)?"
)
_CODE = re.compile(r"\d{1,3}(?:\.0)?")
"""A number that stands for something, of which nobody said what."""
_WORD = re.compile(r"[a-z]{4,}")
_NOT_A_WORD = re.compile(r"^[\d.]+[a-z]{0,2}$|^\d+b\d*p?$|^[\d]+p$|\d{2,}")


@dataclass(frozen=True)
class Phrase:
    """What a cell says: value by column, the years, and the words that nobody understood.

    open: columns it speaks of without giving them a value. weak: a type that only the form tells,
    which any other cell may tell better. terraced: a mid terrace of which only "terraced" is said,
    so that it may be the end of one. empty: whether it says nothing of what
    its column may hold, as "purpose built" says no form.
    """

    values: dict[str, str] = field(default_factory=dict)
    unread: tuple[str, ...] = ()
    age: years.Years | None = None
    open: frozenset[str] = frozenset()
    weak: str = ""
    empty: bool = False
    terraced: bool = False


@lru_cache(maxsize=65_536)
def read(text: str, column: str) -> Phrase:
    """What a cell of a column of TOPICS says."""
    topics = TOPICS[column]
    plain = _plain(text)
    age, rest = None, plain
    if topics == _ALL:
        age, rest = years.within(plain)
    values: dict[str, str] = {}
    if set(_WALL) <= set(topics) and (u_value := _U_VALUE.search(rest)):
        values["u_existing_w_m2k"] = u_value[1]
        rest = rest.replace(u_value[0], " ")
    said, unread = _said(rest, column)
    if set(_WALL) <= set(topics):
        values |= _wall(said, plain, column)
    if column == "remarks":
        sure = not _ASIDE & {topic for topic, _ in said}
        told = {k: v for k, v in values.items() if k == "wall_insulation" and sure}
        told |= {fact: value for fact, value, _ in _facts(plain)}
        return Phrase(told, empty=not told)
    if set(_HOME) <= set(topics):
        values |= _home(said, plain, column)
    if set(_HEAT) <= set(topics):
        values |= _heating(said)
    if "tenure" in topics:
        values |= _tenure(said)
    if "status" in topics and (status := _one(_of(said, "status"))):
        values["status"] = status
    if "glazing" in topics:
        values |= _glazing(said, plain)
    spoken = {_SPEAKS[topic] for topic, meaning in said if topic in _SPEAKS and meaning != "plain"}
    if {"as_built", "insulated"} <= _of(said, "fill") or "partly_insulated" in _of(said, "fill"):
        spoken -= {"wall_insulation"}
    if column == "wall_construction" and any(_WORD.fullmatch(word) for word in unread):
        spoken.add("wall_insulation")  # a word nobody understood may tell of it
    left = frozenset(spoken - values.keys())
    weak = ""
    if "built_form" in values and (column == "built_form" or "property_type" not in values):
        weak = values.pop("property_type", "house" if column != "floor_position" else "")
    telling = any(meaning != "plain" and topic != "aside" for topic, meaning in said)
    terraced = _of(said, "form") == {"terrace"}
    empty = not (values or age or telling or unread)
    return Phrase(values, unread, age, left, weak, empty, terraced)


def kept_remark(text: str) -> str | None:
    """What is kept of a remark: all of one on the wall's insulation, of others the words that tell.

    None where it tells nothing: remarks speak of people too.
    """
    if "wall_insulation" in read(text, "remarks").values:
        return text
    return "; ".join(dict.fromkeys(found for _, _, found in _facts(_plain(text)))) or None


_FACTS = (
    ("status", "gone", r"^\W*(?:now )?(?:demolished|disposed)\b|\bsince (?:demolished|disposed)\b"),
    ("tenure", "private", r"^\W*(?:now )?sold\b(?! board)|\bsold (?:under |on )?rtb\b|\brtb sold\b"
     r"|\bsold (?:19|20)\d\d\b"),
    ("heritage", "listed", r"\blisted building\b|\b(?:grade|gd|gr) ?(?:ii|2)\b|\blisted g\w* ?ii\b"
     r"|\bcat(?:egory)? ?[abc] listed\b|^\W*listed\W*$"),
    ("heritage", "conservation_area", r"\bcons(?:ervation)? area\b"),
    ("damp", "kind_not_known",
     r"\b(?:rising |penetrating )?damp(?:ness)?\b(?! ?-?(?:proof|course|pc))"),
    ("damp", "condensation", r"\bmould\b|\bcondensation\b"),
    ("asbestos", "present", r"\basbestos\b(?! (?:survey|register|check|free))"),
)  # fmt: skip
"""Column, value and the words of a remark that tell it; common practice."""
_NOT_SO = re.compile(
    r"\b(?:no|not|none|never|without|removed|clear|cured|treated|resolved|done|neg(?:ative)?"
    r"|next door|neighbour|opposite|garage|shed|chimney|outhouse|suspected)\b|\?"
)


def _facts(plain: str) -> list[tuple[str, str, str]]:
    """Column, value and words of what a remark says besides insulation, but for what it denies."""
    found: dict[str, tuple[str, str, str]] = {}
    for part in plain.split(","):
        for column, value, pattern in () if _NOT_SO.search(part) else _FACTS:
            if told := re.search(pattern, part):
                found.setdefault(column, (column, value, told[0].strip()))
    return list(found.values())


def _plain(text: str) -> str:
    """Lower case in plain letters, parts of a phrase with commas between, inches and mm marked."""
    shown = text
    for sign, figure in _FRACTIONS:
        shown = re.sub(rf"(?<=\d){sign}", figure, shown)
    shown = "".join(c for c in unicodedata.normalize("NFKD", shown) if not unicodedata.combining(c))
    low = shown.lower().replace("\u2019", "'").replace("\u201d", '"').replace("_", " ")
    low = re.sub(r"\b(\d)b(?:\d+p)?([hfbm])\b", lambda f: f"{f[1]} bed {_BEDS[f[2]]}", low)
    low = re.sub(r"\b(hse|house|flat|flt|bung|mais)(\d)\b", r"\1 \2", low)
    low = re.sub(r"(\d)\s*(?:\"|''|ins?\b(?! a\b| block)|inch(?:es)?\b)", r"\1in ", low)
    low = re.sub(r"\b(?:un|non)[- ]+(?=[a-z])", lambda found: found[0].strip("- ") + "\0", low)
    low = low.replace("un\0", "un").replace("non\0", "non ")
    low = re.sub(r"\b([a-z\d])[/.](?=[a-z])", r"\1", low)
    low = re.sub(r"(?<=\b[a-z][a-z])\.|(?<=\b[a-z]{3})\.|(?<=\b[a-z]{4})\.", " ", low)
    low = re.sub(r"(?<=[a-z])[-'](?=[a-z])", " ", low)
    return re.sub(
        r"\s+", " ", re.sub(r"[;()\[\]|+&:\n]| [-\u2010-\u2015] |/(?=[a-z ])|\.(?!\d)", ", ", low)
    )


def _said(plain: str, column: str) -> tuple[list[tuple[str, str]], tuple[str, ...]]:
    """Topic and meaning of what is said as a fact, and the words that nobody understood.

    A part that speaks of an extension, a plan or a neighbour says nothing of the wall, nor does
    what follows on its insulation alone.
    """
    said: list[tuple[str, str]] = []
    unread: list[str] = []
    before = False
    for part in plain.split(","):
        found, left = _matched(re.findall(r"[a-z\d.]+|\?", part), column)
        kinds = {topic for topic, _ in found}
        beside = bool(kinds & set(_WALL)) and ("aside" in kinds or (before and "wall" not in kinds))
        before = before or beside
        lost = _WALL if beside or "unknown" in kinds else ()
        said += [(t, m) for t, m in found if t in (*TOPICS[column], *_ASIDE) and t not in lost]
        unread += [part.strip()] if beside else left
    code = plain.strip(" ,")
    if not said and column != "floor_position" and _CODE.fullmatch(code):
        unread = [code]
    return said, tuple(unread)


def _matched(words: list[str], column: str) -> tuple[list[tuple[str, str]], list[str]]:
    """Meanings of the longest runs of words that are known, and the words that are not."""
    known, found, left = _vocabulary(column), [], []
    words = [_spelt(word, column) for word in words]
    at = 0
    while at < len(words):
        for size in range(min(_LONGEST, len(words) - at), 0, -1):
            if meanings := _meanings(words[at : at + size], known):
                found += meanings
                at += size
                break
        else:
            if words[at] == "?":
                found.append(("doubt", "doubt"))
            elif not _NOT_A_WORD.search(words[at]):
                left.append(words[at])
            at += 1
    return found, left


Vocabulary = dict[str, list[tuple[str, str]]]


def _meanings(words: list[str], known: Vocabulary) -> list[tuple[str, str]]:
    """What a run of words means as it stands or in the singular."""
    for run in (words, [_singular(word) for word in words]):
        if found := known.get(" ".join(run)):
            return found
    return []


def _spelt(word: str, column: str) -> str:
    """A word as it is known, where it is known but for one letter, and in one meaning only."""
    known = _known_words(column)
    if len(word) < _LEAST_SWAPPED or not word.isalpha() or known & {word, _singular(word)}:
        return word
    near = sorted(known.intersection(_near(word)))
    found = {one: tuple(_vocabulary(column).get(_singular(one), ())) for one in near}
    telling = [one for one in near if found[one]] or near
    return telling[0] if len({found[one] for one in telling}) == 1 else word


@cache
def _known_words(column: str) -> frozenset[str]:
    return frozenset(word for entry in _vocabulary(column) for word in entry.split())


def _singular(word: str) -> str:
    return word[:-1] if len(word) > 3 and word.endswith("s") and not word.endswith("ss") else word


def _near(word: str) -> Iterator[str]:
    """Words with one letter more, two changed about, or where it is long one less or another.

    The first letter stays, so that "unfilled" is never a misspelt "filled".
    """
    long = len(word) >= _LEAST_MISSPELT
    for i in range(1, len(word) + 1):
        head, tail = word[:i], word[i:]
        if len(tail) > 1:
            yield head + tail[1] + tail[0] + tail[2:]
        if long:
            yield head + tail[1:]
        for letter in "abcdefghijklmnopqrstuvwxyz":
            yield head + letter + tail
            if long:
                yield head + letter + tail[1:]


@cache
def _vocabulary(column: str) -> Vocabulary:
    """Meanings by words, as far as a column speaks of their topic."""
    table = pl.read_csv(str(files("pipeline.stock") / "words.csv"), infer_schema=False)
    known: Vocabulary = defaultdict(list)
    for topic, meaning, words in table.iter_rows():
        for entry in words.split(";"):
            own = entry.startswith("=") and column != _OWN.get(topic)
            if column == "remarks" and topic in _WALL and " " not in entry:
                own = entry not in _REMARKED
            if topic in TOPICS[column] + _EVERYWHERE and not own:
                known[entry.removeprefix("=")].append((topic, meaning))
    return {entry: _without_plain(found) for entry, found in known.items()}


def _without_plain(found: list[tuple[str, str]]) -> list[tuple[str, str]]:
    telling = [pair for pair in found if pair[0] != "plain"]
    return telling or found


def _of(said: Iterable[tuple[str, str]], topic: str) -> set[str]:
    return {meaning for one, meaning in said if one == topic and meaning != "plain"}


_VAGUER = {
    "solid_brick": {"solid", "brick"}, "cavity": {"brick", "block"}, "stone": {"solid"},
    "stone_granite": {"stone", "solid"}, "stone_sandstone": {"stone", "solid"},
    "timber_frame": {"brick", "block"}, "system_built": {"brick", "block", "solid"},
    "cob": {"solid"},
}  # fmt: skip
"""Words for a wall that another word makes plain: brick and cavity is a cavity of brick."""


def _wall(said: list[tuple[str, str]], plain: str, column: str) -> dict[str, str]:
    """Construction and insulation of the main wall."""
    if _of(said, "doubt"):
        return {}
    built, fill = _of(said, "wall"), _of(said, "fill")
    if "filled_cavity" in built:
        built, fill = built - {"filled_cavity"} | {"cavity"}, fill | {"filled_cavity"}
    wall = _material(built, plain)
    in_cavity = {"filled_cavity", "partly_filled_cavity", "unfilled"} & fill
    if in_cavity and column != "wall_insulation" and not built:
        wall = "cavity"
    if "removed" in fill:
        fill = fill - {"removed", "filled_cavity", "partly_filled_cavity"} | {"unfilled"}
    if wall == "cavity" and not fill & _PLACED:
        fill = {_AS_BUILT.get(one, one) for one in fill}
    insulation = _insulation(fill)
    if insulation is None:
        return {}
    if "filled_cavity" in fill and wall == "cavity":
        wall = "filled_cavity"
    elif in_cavity and wall and wall != "cavity":
        return {}
    return {
        name: value
        for name, value in (("wall_construction", wall), ("wall_insulation", insulation))
        if value
    }


_PLACED = {"external", "internal", "filled_cavity", "partly_filled_cavity"}
_AS_BUILT = {"insulated": "filled_cavity", "partly_insulated": "partly_filled_cavity"}
"""Where the insulation of a cavity wall is that came with it."""


def _material(built: set[str], plain: str) -> str:
    """The one thing a wall is built of, empty where there is none or more than one."""
    if {"solid", "brick"} <= built:
        built = built | {"solid_brick"}
    for plainer, vaguer in _VAGUER.items():
        if plainer in built:
            built = built - vaguer
    if len(built) != 1:
        return ""
    (one,) = built
    if one == "brick":
        return _by_thickness(plain)
    return {"solid": "solid_brick", "stone": "stone_sandstone", "block": ""}.get(one, one)


def _by_thickness(plain: str) -> str:
    """Whether brick of a thickness is solid or has a cavity (common practice): 9 in, or 11 in."""
    found = [float(n) * (25.4 if unit == "in" else 1.0) for n, unit in _THICKNESS.findall(plain)]
    found += [float(n) for n in _BARE_MM.findall(plain)] if not found else []
    if any(210.0 <= mm <= 240.0 or 320.0 <= mm <= 470.0 for mm in found):
        return "solid_brick"
    return "cavity" if any(250.0 <= mm <= 305.0 for mm in found) else ""


def _insulation(fill: set[str]) -> str | None:
    """Insulation of the main wall; empty where nothing is said of it, None where words clash.

    As built says that nothing was added; as built and insulated, that its age tells how much.
    """
    added = fill & {"external", "internal"}
    filled = fill & {"filled_cavity", "partly_filled_cavity"}
    denied = ("none" in fill and (added or filled)) or ("unfilled" in fill and filled)
    if denied or len(added) > 1 or len(filled) > 1:
        return None
    if added or filled:
        return next(iter(added or filled))
    return "none" if fill & {"none", "unfilled"} or fill == {"as_built"} else ""


def _home(said: list[tuple[str, str]], plain: str, column: str) -> dict[str, str]:
    """Type, form and floor of a home."""
    if _of(said, "doubt"):
        return {}
    types, forms, floors = (_of(said, topic) for topic in _HOME)
    if "other" in types:
        return {}
    if column == "floor_position" or types & {"flat", "maisonette"}:
        forms -= set() if "terrace" in forms else {"mid", "end"}
    elif forms:
        floors -= {"mid"}
    if column == "floor_position" and (level := _LEVEL.fullmatch(plain.strip(" ,"))):
        floors = {"ground" if int(level[1]) <= 0 else "mid"}
    kind, form = _one(types - {"cottage"} or (types and {"house"})), _form(forms)
    if of := _OF_STOREYS.search(plain):
        storey = int(of[1]) if of[1].isdigit() else 0
        floors = {"ground" if storey == 0 else "top" if storey + 1 == int(of[2]) else "mid"}
    floor = "top" if floors == {"top", "mid"} else _one(floors)
    told = {"property_type": kind, "built_form": form, "floor_position": floor}
    return {name: value for name, value in told.items() if value}


def _form(forms: set[str]) -> str:
    """The one form said; terraced alone is a mid terrace (common practice)."""
    if "terrace" in forms and forms & {"end", "mid", "end_terrace", "mid_terrace"}:
        forms = forms - {"terrace"}
    one = _one(forms)
    return {"terrace": "mid_terrace", "mid": "mid_terrace", "end": "end_terrace"}.get(one, one)


def _one(meanings: set[str]) -> str:
    return next(iter(meanings)) if len(meanings) == 1 else ""


_FOSSIL = {"gas": "gas", "lpg": "lpg", "oil": "oil"}


def _heating(said: list[tuple[str, str]]) -> dict[str, str]:
    """Main heating from its fuel and its appliance."""
    fuels, heat = _of(said, "fuel"), _of(said, "heat")
    if "lpg" in fuels:
        fuels = fuels - {"gas"}
    two = "storage" in heat and fuels - {"electric"} and "network" not in heat
    if _of(said, "doubt") or two:
        return {}
    system = _electric_or_shared(fuels, heat)
    if not system and len(fuels - {"electric"}) <= 1:
        fuel = _one(fuels - {"electric"}) or ("electric" if fuels else "")
        system = _of_fuel(fuel, heat)
    return {"heating": system} if system else {}


def _electric_or_shared(fuels: set[str], heat: set[str]) -> str:
    """Systems known by their appliance, whatever else feeds them."""
    if "network" in heat:
        return "heat_network"
    for pump, system in (
        ("ground_pump", "ground_source_heat_pump"), ("air_pump", "air_source_heat_pump"),
    ):  # fmt: skip
        if pump in heat:
            return system
    if "storage" in heat and not fuels - {"electric"}:
        return "electric_storage_heaters"
    return ""


def _of_fuel(fuel: str, heat: set[str]) -> str:
    """The system that burns a fuel; a combination boiler burns gas unless told (as a rule)."""
    if not fuel and ("combi" in heat or "back_boiler" in heat):
        fuel = "gas"
    if fuel == "electric" or (not fuel and "panel" in heat):
        return "electric_boiler" if "boiler" in heat and "panel" not in heat else "electric_direct"
    if fuel == "solid":
        room = "room_heater" in heat and not heat & {"back_boiler", "boiler"}
        return "solid_fuel_room_heater" if room else "solid_fuel_boiler"
    if fuel == "gas" and "back_boiler" in heat:
        return "gas_back_boiler"
    if fuel == "gas" and "room_heater" in heat and "boiler" not in heat:
        return "gas_room_heater"
    if fuel not in _FOSSIL or "warm_air" in heat:
        return "gas_warm_air" if fuel == "gas" else ""
    old = "old" in heat and "condensing" not in heat
    return f"{fuel}_{'non' if old else ''}condensing_boiler"


def _tenure(said: list[tuple[str, str]]) -> dict[str, str]:
    """How a home is let or owned; rented alone is a social rent, as of a landlord's list."""
    told = _of(said, "tenure")
    told = told - {"rent"} if len(told) > 1 else {"social_rent"} if told == {"rent"} else told
    one = "" if _of(said, "doubt") else _one(told)
    return {"tenure": one} if one else {}


def _glazing(said: list[tuple[str, str]], plain: str) -> dict[str, str]:
    """Glazing of most windows; double glazing by the year it says, else of 2002 and after."""
    told = _of(said, "glazing")
    ages = told & {"before_2002", "from_2002", "from_2022"}
    years_said = [int(year) for year in re.findall(r"\b(?:19[5-9]|20[0-4])\d\b", plain)]
    kind = "" if _of(said, "doubt") else _one(told - ages)
    if kind != "double":
        return {"glazing": kind} if kind else {}
    if "before_2002" in ages or (years_said and not ages and max(years_said) < 2002):
        return {"glazing": "double_pre2002"}
    new = "from_2022" in ages or (years_said and not ages and max(years_said) >= 2022)
    return {"glazing": "double_2022" if new else "double_2002"}
