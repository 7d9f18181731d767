"""Names of people behind a title, behind c/o or another label, or in brackets.

The words it goes by stand in personal_words.csv (from memory): titles, labels, given names, and
the words that make a name that of a road, a house or a body ("Mr Chips Lane", "c/o Weir Court").
A name that stands bare, without any of these beside it, cannot be told from a place.
"""

import re
from collections.abc import Sequence
from functools import cache
from importlib.resources import files

import polars as pl

GONE = "\x00"
"""Stands where something was struck until the text is closed up."""
_LETTER = r"[^\W\d_]"
_WORD = rf"{_LETTER}(?:{_LETTER}|['’\-](?={_LETTER}))*\.?"
_NAME = re.compile(rf"\s*({_WORD})")
_MOST_WORDS = 6
_FRESH = re.compile(r"(?:^|[,;:(\[/&\-–]|\band|\bc/o)\s*$", re.IGNORECASE)
_BRACKETS = re.compile(r"[(\[]([^()\[\]]{3,60})[)\]]")
_INITIALS = re.compile(
    rf"(?:^|(?<=[,;]))\s*(?:[A-Z]\.\s?){{1,3}}({_LETTER}{{2}}{_WORD})\s*(?=[,;(]|$)"
)
_SURNAME = re.compile(rf"(^\s*|[,;(]\s*)({_WORD}),?\s*$")
_CARE = r"c/o|care of|f\.?a\.?o\b\.?|attn\b\.?|(?:for the )?attention of"
_LEFT_OPEN = re.compile(rf"(?<!\w)(?<!\w['’])(?:{_CARE})[\s:]*{GONE}", re.IGNORECASE)


@cache
def _words(*kinds: str) -> frozenset[str]:
    table = pl.read_csv(str(files("pipeline.stock") / "personal_words.csv"), infer_schema=False)
    return frozenset(table.filter(pl.col("kind").is_in(kinds))["word"])


@cache
def any_of(*kinds: str) -> str:
    """The words of some kinds as alternatives of a pattern."""
    return "|".join(sorted(_words(*kinds)))


@cache
def _roles() -> str:
    return f"{any_of('label')}|key holder|next of kin"


@cache
def _openings() -> re.Pattern[str]:
    """What stands before a name: titles, c/o, or the name of a role, with a colon or without."""
    every = any_of("title", "title_first", "title_initial")
    return re.compile(
        rf"(?<!\w)(?<!\w['’])(?:(?P<title>(?:{every})\b\.?(?:\s*(?:&|and\b|/|\+)\s*(?:{every})\b\.?)*)"
        rf"|(?P<care>{_CARE})"
        rf"|(?P<label>(?:{_roles()})(?:'s)?(?: name)?\s*[:\-–])|(?P<role>(?:{_roles()})\b))"
        r"[\s:]*",
        re.IGNORECASE,
    )


def without(text: str, is_address: bool) -> str:
    """The text with GONE in place of each name; names in bare brackets count in an address only."""
    if is_address and ("(" in text or "[" in text):
        text = _BRACKETS.sub(lambda m: GONE if _is_alone(m[1]) else m[0], text)
    if is_address and "." in text:
        text = _INITIALS.sub(lambda m: m[0] if _plain(m[1]) in _not_people() else f" {GONE}", text)
    kept, start = "", 0
    for opening in _openings().finditer(text):
        length = _name_behind(text, opening) if opening.start() >= start else 0
        if length:
            before = text[start : opening.start()]
            if all(map(_is_initial, text[opening.end() : opening.end() + length].split())):
                before = _SURNAME.sub(_without_surname, before)
            kept += before + GONE
            start = opening.end() + length
    return _LEFT_OPEN.sub(GONE, kept + text[start:])


def _without_surname(found: re.Match[str]) -> str:
    """'Smith, Mrs J' without the surname in front."""
    return found[0] if _plain(found[2]) in _not_people() else found[1]


def _plain(word: str) -> str:
    return word.lower().rstrip(".").replace("’", "'")


def _is_initial(word: str) -> bool:
    return len(_plain(word)) == 1


def _split(text: str) -> list[str]:
    """The words of a text of words only, none where anything else stands in it."""
    words = text.split()
    return words if all(re.fullmatch(_WORD, word) for word in words) else []


@cache
def _not_people() -> frozenset[str]:
    return _words("place", "unit", "organisation", "thing")


def _is_alone(text: str) -> bool:
    """Whether a text is a person's name and nothing else, but for the name of a role before it."""
    words = _split(text)
    return _is_person(words[1:] if words and _plain(words[0]) in _words("label") else words)


def _is_person(words: Sequence[str]) -> bool:
    """Whether words alone are an initial or given name and a surname."""
    if not 2 <= len(words) <= 4 or any(_plain(word) in _not_people() for word in words[1:]):
        return False
    given = _plain(words[0]) in _words("given")
    return _is_initial(words[0]) or (given and _plain(words[-1]) not in _words("place_or_surname"))


def _name_behind(text: str, opening: re.Match[str]) -> int:
    """How many characters behind an opening are a person's name; 0 where none is."""
    found: list[re.Match[str]] = []
    end = opening.end()
    while len(found) < _MOST_WORDS and (word := _NAME.match(text, end)):
        again = _openings().match(text, word.start(1))
        next_word = _NAME.match(text, again.end()) if again else None
        opens = next_word and _plain(next_word[1]) not in _words("unit")
        if opens or _plain(word[1]) in _words("unit"):
            break
        found.append(word)
        end = word.end()
    words = [word[1] for word in found]
    ends = len(found) < _MOST_WORDS
    count = _length(words, ends, opening)
    return found[count - 1].end() - opening.end() if count else 0


def _length(words: list[str], ends: bool, opening: re.Match[str]) -> int:
    """How many of the words behind an opening name a person.

    ends: whether nothing but these words stands there up to a mark, a figure or a flat.
    """
    if not words or not _may_open(opening, words):
        return 0
    surname = _place_of_surname(words)
    places = [i for i, word in enumerate(words) if i and _plain(word) in _words("place")]
    if not places:
        return len(words) if ends and len(words) <= 4 else surname + 1
    if surname == 0:
        return 0 if places[0] == 1 else 1
    of_a_place = surname in places and opening.lastgroup != "title" and not _is_initial(words[0])
    return 0 if of_a_place else surname + 1


def _place_of_surname(words: list[str]) -> int:
    """Which word is the surname: the first behind initials, given names and 'van' or 'de'."""
    place = 0
    while place < len(words) - 1 and (
        _is_initial(words[place])
        or _plain(words[place]) in _words("given")
        or (place and _plain(words[place]) in _words("particle"))
    ):
        place += 1
    return place


def _may_open(opening: re.Match[str], words: list[str]) -> bool:
    """Whether an opening is one here: 'Dr' is a drive too, and roads are named after a 'Sir'."""
    kind, said = opening.lastgroup, [_plain(word) for word in words]
    if said[0] in _words("thing"):
        return False
    if kind == "title":
        return _may_be_title(opening, words)
    if kind != "care" and words[0].islower() and said[0] not in _words("given"):
        return False
    if kind == "role":
        return _is_person(words[: _place_of_surname(words) + 1])
    return not set(said) & _words("organisation", "thing")


def _may_be_title(opening: re.Match[str], words: list[str]) -> bool:
    titles = {_plain(word) for word in re.findall(r"[^\W\d_]+", opening["title"])}
    if titles & _words("title"):
        return True
    if titles & _words("title_initial"):
        return len(words) > 1 and _is_initial(words[0])
    fresh = _FRESH.search(opening.string[: opening.start()]) is not None
    return fresh and not {_plain(word) for word in words[1:]} & _words("place")
