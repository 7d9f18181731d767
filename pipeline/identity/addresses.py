"""What an address says of a home, and whether two of them cannot be one home.

A landlord's clerk writes one flat in many ways: "Flat 2/1, 10 Mill Road", "2F1 10 Mill Rd", "10
Mill Road, Second Floor 1". So likeness is not sought; difference is: two homes are told apart where
their flats, houses, floors or sides differ, and only where both addresses say them. The words for
them are common practice.
"""

import re
import unicodedata
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from difflib import SequenceMatcher
from functools import lru_cache
from itertools import accumulate

SHORT = {
    "rd": "road", "st": "street", "ave": "avenue", "av": "avenue", "ln": "lane", "dr": "drive",
    "cl": "close", "cres": "crescent", "ct": "court", "gdns": "gardens", "pl": "place",
    "sq": "square", "tce": "terrace", "terr": "terrace", "ter": "terrace", "hse": "house",
    "ho": "house", "gr": "grove", "gro": "grove", "pk": "park", "cott": "cottage",
    "cotts": "cottages", "bldgs": "buildings", "blk": "block", "nth": "north", "sth": "south",
    "mt": "mount", "saint": "street",
}  # fmt: skip
"""Usual short forms in addresses; "st" stands for a saint too, so that both are one word here."""
STREETS = (
    "road", "street", "avenue", "lane", "drive", "close", "crescent", "gardens", "place",
    "square", "terrace", "grove", "park", "way", "walk", "hill", "row", "rise", "view", "green",
    "mews", "parade", "grange", "vale", "bank", "croft", "fold", "end", "path", "yard", "wynd",
    "loan", "brae", "mount", "esplanade", "quay",
)  # fmt: skip
"""Words that end the name of a street."""
_BUILDINGS = (
    "house", "court", "lodge", "tower", "towers", "block", "point", "heights", "mansions",
    "building", "buildings", "mill", "hall", "cottages", "apartments",
)  # fmt: skip
_COUNTED = (
    "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven",
    "twelve",
)  # fmt: skip
_NUMBERS = {word: str(number) for number, word in enumerate(_COUNTED, start=1)}
_ORDINALS = {
    f"{number}{end}": word
    for number, end, word in (
        (1, "st", "first"), (2, "nd", "second"), (3, "rd", "third"), (4, "th", "fourth"),
        (5, "th", "fifth"), (6, "th", "sixth"), (7, "th", "seventh"), (8, "th", "eighth"),
        (9, "th", "ninth"), (10, "th", "tenth"),
    )
}  # fmt: skip
_FLOORS = {
    "basement": 0b11, "garden": 0b11, "lower": 0b11, "ground": 0b10, "first": 0b100,
    "second": 0b1000, "third": 0b1_0000, "fourth": 0b10_0000, "fifth": 0b100_0000,
    "upper": ~0b11, "top": ~0b11,
}  # fmt: skip
"""Floors a word may mean, a bit each from the basement up."""
_SIDES = ("left", "right", "front", "rear", "back", "middle", "centre")
_SIDED = r"\b((?:[gt1-9]f|top|gff|tff|ground|first|second|third|upper|lower)(?: floor)?)[ /-]?"
_LETTERED = (
    (_SIDED + r"l\b", r"\1 left"), (_SIDED + r"r\b", r"\1 right"),
    (r"\b1f\b(?! ?\d)", "first floor"), (r"\b2f\b(?! ?\d)", "second floor"),
    (r"\b3f\b(?! ?\d)", "third floor"),
    (r"\blgff?\b", "lower ground floor"), (r"\b(?:gff?|g/f)\b", "ground floor"),
    (r"\b(?:fff|1ff|f/f)\b", "first floor flat"), (r"\bff\b", "first floor"),
    (r"\b(?:sff|2ff|s/f)\b", "second floor flat"), (r"\b(?:tff?|t/f)\b", "top floor flat"),
    (r"\bbff\b", "basement flat"),
)  # fmt: skip
_POSTCODE = re.compile(r"\b([a-z]{1,2}\d[a-z\d]?) ?(\d(?!st\b|nd\b|rd\b|th\b)[a-z]{2})\b")
_MARK = r"(?:flats?|flt|fl|apartments?|apt|appt|units?|rooms?|rm|studio|bedsit|maisonette|mais|f)"
_ONE = r"(?:\d+[a-z]?|[a-z]\d+|[a-z])"
_FLAT = re.compile(rf"\b{_MARK} ?(?:no |number )?({_ONE}(?: ?[-/&] ?{_ONE})*)(?![a-z\d])")
_GROUP = re.compile(r"(?<![a-z\d])(\d+[a-z]?(?: ?[-/&] ?\d+[a-z]?)*)(?![a-z\d])([a-z ]*)")
_WIDEST = 60
"""Numbers in a range; a wider one is no range of homes."""
_MOST_SLIPS = 2
"""Wrong characters of a postcode up to which one address with both may be one home."""
_LEAST_SHORT = 2
"""Letters of a word that may be another's, some left out."""
_BEGINNING = 7
"""Letters by which names of houses are compared, however they are parted into words."""
_MISSPELT = 0.6
"""Likeness from which one word may be another with letters wrong; of `difflib`, by trial."""


@dataclass(frozen=True, slots=True)
class Address:
    """What an address says, each part empty where it does not say it, or not for sure.

    at: postcodes, its column's and those in its text, without the letters that are mistaken for
    figures; flats, houses: numbers, a range written out; floors: bits of `_FLOORS`; atoms: every
    number and lone letter in order of size, whatever it stands for; ranged: whether any is a range;
    anew: the same address with its flat numbered in other usual ways, each with the atoms that the
    other address must have for it to count.
    """

    at: frozenset[str]
    flats: frozenset[str]
    houses: frozenset[str]
    floors: int
    sides: frozenset[str]
    atoms: tuple[str, ...]
    ranged: bool
    words: tuple[str, ...]
    anew: "tuple[tuple[Address, tuple[str, ...]], ...]" = ()

    @property
    def says_where(self) -> bool:
        """Whether there is a postcode, and a number or a name at it."""
        return bool(self.at and (self.atoms or self.ranged or self.words))

    @property
    def names(self) -> frozenset[str]:
        """Its words without their order."""
        return frozenset(self.words)

    @property
    def street(self) -> str:
        """The end of its street's name, else all its words, as one: "milllane" of "4 Mill Lane"."""
        named = zip(self.words, self.words[1:], [*self.words[2:], ""], strict=False)
        streets = [a + kind for a, kind, after in named if kind in STREETS and after not in STREETS]
        return "".join(streets or self.words)


def postcode(text: str) -> str:
    """A postcode in one form for comparing: O is 0, I and L are 1, S is 5, Z is 2 and B is 8."""
    packed = re.sub(r"[^a-z0-9]", "", _bare(text))
    return packed.translate(str.maketrans("oilszb", "011528"))


def near(some: Iterable[str], others: Iterable[str]) -> bool:
    """Whether a postcode of some is one of others with at most two characters wrong."""
    return any(_slips(one, other) <= _MOST_SLIPS for one in some for other in others)


def _slips(one: str, other: str) -> int:
    """Characters wrong, lacking or too many, or two turned round, that make one of the other."""
    before, last = list(range(len(other) + 1)), [0] * (len(other) + 1)
    for i, a in enumerate(one):
        now = [i + 1]
        for j, b in enumerate(other):
            now.append(min(before[j + 1] + 1, now[j] + 1, before[j] + (a != b)))
            if i and j and a == other[j - 1] and b == one[i - 1]:
                now[-1] = min(now[-1], last[j - 1] + 1)
        before, last = now, before
    return before[-1]


def _bare(text: str) -> str:
    """Lower case in plain letters and figures: no accents, no wide, ringed or raised signs."""
    parted = re.sub(r"(?<=\d)(?=[\u00bc-\u00be])", " ", text)
    plain = unicodedata.normalize("NFKD", parted).replace("\u2044", "/").lower()
    shown = "".join(c for c in plain if not unicodedata.combining(c))
    return "".join(str(unicodedata.digit(c, c)) for c in shown)


@lru_cache(maxsize=65_536)
def read(address: str | None, code: str | None) -> Address:
    """What an address and a postcode say."""
    text = re.sub(r"['’`]", "", _bare(address or ""))
    found = _read(_in_block(text), code)
    others = ((text, ()), *_by_floor(text))
    anew = ((_read(other, code), needed) for other, needed in others if other != _in_block(text))
    return replace(found, anew=tuple(anew))


def _read(text: str, code: str | None) -> Address:
    at = {postcode("".join(found)) for found in _POSTCODE.findall(text)}
    if code and len(postcode(code)) > 4:
        at.add(postcode(code))
    text = _POSTCODE.sub(" ", text)
    text = re.sub(r"\(?\b(?:blocks|blks) \d+ ?(?:-|to|&) ?\d+\)?", " ", text)
    for form, meant in _LETTERED:
        text = re.sub(form, meant, text)
    text = _spaced(text)
    flats, text, sure = _flats(text)
    houses, atoms, ranged = _houses(text)
    for flat in flats:
        ranged |= _is_range(flat)
        atoms += [] if _is_range(flat) else _atoms(flat)
    floors, sides, words = _words(text)
    return Address(
        frozenset(at),
        _written_out(flats) if sure else frozenset(),
        houses if sure else frozenset(),
        floors,
        sides,
        tuple(sorted(atoms)),
        ranged,
        words,
    )


def _in_block(text: str) -> str:
    """An address with its block in the number of its flat: "Flat 1, Block A" is 1A."""
    block = re.search(r"[, ]*\b(?:(?:block|blk) ([a-z]|\d+)|([a-z]) (?:block|blk))\b", text)
    if not block:
        return text
    name, rest = block[1] or block[2], text[: block.start()] + " " + text[block.end() :]
    numbered = rf"\1 {name}/\2" if name.isdigit() else rf"\1 \2{name}"
    lettered = re.sub(rf"\b({_MARK}) ?(\d+)\b", numbered, rest, count=1)
    return lettered if lettered != rest else text


def _by_floor(text: str) -> Iterator[tuple[str, tuple[str, ...]]]:
    """An address with its flat 101, or 1-10, as 1/01: by floor and number, and these two."""
    number = r"(?:([1-9]\d?)(\d\d)|(\d\d?)-(\d\d))(?![\w/-])"
    found = re.search(rf"\b{_MARK} ?{number}", text)
    if not found:
        found = re.match(rf" *{number}(?=([^,\d]*))", text)
        if found and _is_street(re.sub(r"[^a-z ]", " ", found[5])):
            return
    if found:
        floor, flat = (int(found[1] or found[3]), int(found[2] or found[4]))
        start = found.start(1 if found[1] else 3)
        end = found.end(2 if found[1] else 4)
        yield f"{text[:start]}{floor}/{flat}{text[end:]}", (str(floor), str(flat))


def _spaced(text: str) -> str:
    """Tokens with single spaces, commas kept as parts, numbers in figures without zeros."""
    text = re.sub(r"(?<=\d)o\b", "0", re.sub(r"(?<=\d),(?=\d{3}\b)", "", text))
    text = re.sub(r"(?<=\d)\.(?=\d)", "/", text).replace(".", " ")
    text = re.sub(r"(?<=[a-z]{2})[- ](y|[a-z](?=-))[- ](?=[a-z]{2})", r"\1", text)
    text = re.sub(r"\b(\d+)(?:\s+to\s+|\s*[\u2010-\u2015]\s*)(?=\d)", r"\1-", text)
    text = re.sub(r"(?<=\d)\s+and\s+(?=\d)", "&", text)
    text = re.sub(r"[;:()\[\]\n]", ",", text)
    text = re.sub(r"(?<![a-z\d])([a-z\d]{1,4}) ?([-/&]) ?(?=\d|[a-z]\b)", r"\1\2", text)
    text = re.sub(r"[^\w,/&-]|_|(?<!\w)[-/&]|[-/&](?!\w)", " ", text)
    tokens = re.sub(r",", " , ", text).split()
    tokens = [_ORDINALS.get(token, token) for token in tokens]
    starts = {0, *(i + 1 for i, t in enumerate(tokens) if t == "," or re.fullmatch(_MARK, t))}
    tokens = [_NUMBERS.get(t, t) if i in starts else t for i, t in enumerate(tokens)]
    text = " ".join(tokens)
    text = re.sub(r"\b(?:no|number|numbers|nos) ?(?=\d)", "", text)
    text = re.sub(r"(?<!\d)0+(?=\d)", "", text)
    text = re.sub(r"(?<![\w/])(\d+/\d+)(?= ,.*\d)", r"flat \1", text)
    text = re.sub(r"(?<![a-z\d])(\d+) ?f ?(\d+)(?![a-z\d])", r"flat \1/\2", text)
    text = re.sub(r"\b(\d+)-(\d+)\b", _full_range, re.sub(r"\bg/(?=\d)", "0/", text))
    return re.sub(r"(?<![a-z\d/&-])(\d+) ([a-z])(?= [a-z]{2})", r"\1\2", text)


def _full_range(found: re.Match[str]) -> str:
    """A range with its last number in full: 121-3 is 121-123."""
    low, high = found[1], found[2]
    return f"{low}-{low[: len(low) - len(high)]}{high}" if len(high) < len(low) else found[0]


def _flats(text: str) -> tuple[list[str], str, bool]:
    """Flats named as such, the text without them, and whether their part is sure.

    "Flat 2 Mill Road" may be flat 2, or the flat at number 2.
    """
    found, sure = [], True
    for match in reversed(list(_FLAT.finditer(text))):
        found.append(match[1].replace(" ", ""))
        before, after = text[: match.start()], text[match.end() :]
        sure &= bool(re.search(r"\d", before + after)) or not _is_street(after.partition(",")[0])
        text = f"{before} , {after}"
    return found, re.sub(rf"\b{_MARK}\b", " ", text), sure


def _houses(text: str) -> tuple[frozenset[str], list[str], bool]:
    """Numbers of the house where one stands before a street's name; all atoms; is one a range."""
    groups = _GROUP.findall(text)
    ranges = [number for number, _ in groups if _is_range(number.replace(" ", ""))]
    atoms = [atom for number, _ in groups if number not in ranges for atom in _atoms(number)]
    if len(groups) != 1:
        return frozenset(), atoms, bool(ranges)
    number, phrase = groups[0]
    if not _is_street(phrase) or "/" in number:
        return frozenset(), atoms, bool(ranges)
    return _written_out([number.replace(" ", "")]), atoms, bool(ranges)


def _is_street(phrase: str) -> bool:
    """Whether words name a street and no building: "Mill Road" does, "Mill House" does not."""
    words = [_long(word) for word in phrase.split()]
    pairs = zip(words, [*words[1:], ""], strict=False)
    building = any(word in _BUILDINGS and after not in STREETS for word, after in pairs)
    return not building and any(word in STREETS for word in words)


def _is_range(number: str) -> bool:
    low, mark, high = number.partition("-")
    some = mark and low.isdigit() and high.isdigit()
    return "&" in number or bool(some and 0 < int(high) - int(low) < _WIDEST)


def _written_out(numbers: Iterable[str]) -> frozenset[str]:
    """Each number in one form, letters last; ranges by all their numbers."""
    found: set[str] = set()
    for number in numbers:
        if "&" in number:
            found |= set(number.split("&"))
        elif _is_range(number):
            low, _, high = number.partition("-")
            found |= {str(n) for n in range(int(low), int(high) + 1)}
        else:
            parted = number.replace("-", "/")
            turned = re.sub(r"^(?:([a-z])/?(\d+)|(\d+)/([a-z]))$", r"\2\3\1\4", parted)
            found.add(turned)
    return frozenset(found)


def _atoms(number: str) -> list[str]:
    return re.findall(r"\d+|[a-z]", number)


def _words(text: str) -> tuple[int, frozenset[str], tuple[str, ...]]:
    """Floors, sides and the other words, short forms written out."""
    found = re.findall(r"(?<!\d)(?<!\d[/&-])\b[^\W\d_]{2,}\b", text)
    of_flat = r"\b(?:floor|flat|left|right)\b(?! (?:street|road|lane|st|rd)\b)"
    placed = bool(re.search(rf"{of_flat}|^ ?,? ?(?:garden|basement|top)\b", text))
    floors, sides, words = 0, set(), []
    for word in found:
        if placed and word in _FLOORS and not (word == "ground" and "lower" in found):
            floors = floors & _FLOORS[word] if floors else _FLOORS[word]
        elif placed and word in _SIDES:
            sides.add(word)
        elif word not in ("floor", "the", "no", "number", "of", "and"):
            words.append(_long(word))
    return floors, frozenset(sides), tuple(words)


def _long(word: str) -> str:
    return SHORT.get(word, word)


def told_apart(one: Address, other: Address) -> bool:
    """Whether two addresses of one postcode cannot be one home, however its flat is numbered."""
    these, those = (((a, ()), *a.anew) for a in (one, other))
    return all(
        _apart(a, b) or not (_within(needs, b.atoms) and _within(needed, a.atoms))
        for a, needs in these
        for b, needed in those
        if a is one or b is other or (needs and needed)  # without its block no flat is another's
    )


def _apart(one: Address, other: Address) -> bool:
    mixed = one.atoms == other.atoms and not (one.flats and other.flats)
    if (
        _differ(one.flats, other.flats)
        or _differ(one.sides, other.sides)
        or (one.floors and other.floors and not one.floors & other.floors)
        or (_differ(one.houses, other.houses) and not mixed)
        or any(_named_apart(one, other, kinds) for kinds in (STREETS, _BUILDINGS))
    ):
        return True
    if one.ranged or other.ranged:
        return False
    if one.atoms and other.atoms:
        if not _nested(one.atoms, other.atoms):
            return True
        return bool(one.houses and other.houses) and _no_like_word(one, other)
    return not (one.names <= other.names or other.names <= one.names or _begin_alike(one, other))


def much_alike(one: Address, other: Address) -> bool:
    """Whether two addresses say one home in other words: the same numbers, no other words."""
    return (
        one.atoms == other.atoms
        and one.ranged == other.ranged
        and (one.names <= other.names or other.names <= one.names)
        and not told_apart(one, other)
    )


def _named_apart(one: Address, other: Address, kinds: tuple[str, ...]) -> bool:
    """Whether both name a street (or a building), and no name of one is like one of the other."""
    these, those = (_names_of(a.words, kinds) for a in (one, other))
    return bool(these and those) and not any(_misspelt(a, b) for a in these for b in those)


def _names_of(words: tuple[str, ...], kinds: tuple[str, ...]) -> list[str]:
    """Words before a word of the kinds that ends a name: "mill" of "Mill Road", not of "Mill"."""
    others = (*STREETS, *_BUILDINGS)
    return [
        word
        for word, kind, after in zip(words, words[1:], [*words[2:], ""], strict=False)
        if kind in kinds and after not in others and word not in others
    ]


def _no_like_word(one: Address, other: Address) -> bool:
    """Whether two streets have no word in common, nor one that is another misspelt."""
    these, those = ([w for w in a.words if w not in STREETS] or a.words for a in (one, other))
    if _misspelt("".join(these), "".join(those)):  # one word may be written as two
        return False
    return bool(these and those) and not any(_misspelt(a, b) for a in these for b in those)


@lru_cache(maxsize=65_536)
def _misspelt(word: str, other: str) -> bool:
    short, long = sorted((word, other), key=len)
    left = iter(long)
    cut = short[:1] == long[:1] and all(letter in left for letter in short)
    return (len(short) >= _LEAST_SHORT and cut) or SequenceMatcher(
        None, word, other
    ).ratio() >= _MISSPELT


def _differ(one: frozenset[str], other: frozenset[str]) -> bool:
    return bool(one and other and not one & other)


def _begin_alike(one: Address, other: Address) -> bool:
    """Whether two names of houses begin alike: "Rose Cottage", "Rose Cott" and "Rosecottage"."""
    begin, begins = ("".join(a.words)[:_BEGINNING] for a in (one, other))
    these, those = (set(accumulate(a.words)) for a in (one, other))
    return begin == begins or not these.isdisjoint(those)


def _nested(one: tuple[str, ...], other: tuple[str, ...]) -> bool:
    """Whether each of the fewer stands among the others, as often."""
    return _within(*sorted((one, other), key=len))


def _within(few: tuple[str, ...], many: tuple[str, ...]) -> bool:
    return all(few.count(atom) <= many.count(atom) for atom in few)
