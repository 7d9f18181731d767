"""Which column the words of a heading speak of, whatever their order, spelling and language."""

import csv
import difflib
import re
import unicodedata
from collections.abc import Iterator
from functools import cache, lru_cache
from importlib.resources import files

_WEAK = {"type", "property", "house", "key", "number", "asset", "external", "total", "system"}
"""Parts that change little of what a heading speaks of; any other part left over changes all."""
_LEFT_OVER, _WEAK_LEFT_OVER, _UNKNOWN = 0.6, 0.08, 0.13
"""What a part that nothing accounts for takes off a score. Own assumptions, tried on ten lists."""
_LATER = frozenset("23456789")
"""Behind a word: one of several, of which the first counts."""
LEAST = 0.4
"""Words with a lower score speak of something else."""
GENERIC = {
    *("type", "insulation", "date", "area", "condition", "key", "thickness", "position", "year"),
    *("material", "construct", "installed", "plan", "rating", "system", "number", "covering"),
    *("total", "external", "internal", "net", "gross", "floor", "share", "level", "status"),
}
"""Parts that say little without the merged heading above them."""


def _rows(name: str) -> Iterator[dict[str, str]]:
    text = (files("pipeline.stock") / name).read_text(encoding="utf-8")
    return csv.DictReader(text.splitlines())


@cache
def _parts() -> dict[str, tuple[str, ...]]:
    """Parts by word; a word of several parts stands for all of them, a filler for none."""
    return {
        word: tuple(row["part"].split())
        for row in _rows("heading_words.csv")
        for word in row["words"].split(";")
    }


@cache
def _welsh() -> frozenset[str]:
    """Every single word of headings in Welsh."""
    rows = (row["words"] for row in _rows("heading_words.csv") if row["language"])
    words = {word for some in rows for one in some.split(";") for word in one.split()}
    return frozenset(word for word in words if len(word) > 1)


@cache
def _speaks() -> tuple[tuple[str, frozenset[str], float], ...]:
    rows = _rows("heading_parts.csv")
    return tuple((r["column"], frozenset(r["parts"].split()), float(r["score"])) for r in rows)


@lru_cache(maxsize=8192)
def parts_of(heading: str) -> tuple[frozenset[str], int]:
    """The parts of a heading, and how many of its words nobody knows."""
    return _parts_of(tokens(heading))


def _parts_of(words: list[str]) -> tuple[frozenset[str], int]:
    parts: set[str] = set()
    unknown, first = 0, True
    while words:
        size = next((n for n in (4, 3, 2, 1) if " ".join(words[:n]) in _parts()), 0)
        found = _parts()[" ".join(words[:size])] if size else _near(words[0])
        parts.update(found or ())
        if not size and words[0] in _LATER and not first:
            parts.add("second")
        unknown += found is None and not words[0].isdigit()
        words, first = words[max(size, 1) :], False
    return frozenset(parts), unknown


_SEEN = "inspected|surveyed|observed|measured|verified|confirmed|validated|found|on site"
_GUESSED = (
    "assumed|estimated|defaulted|default|cloned|modelled|inferred|extrapolated|imputed|deemed"
)
_HOW = f"{_SEEN}|{_GUESSED}"
_EVIDENCE = re.compile(
    rf"\bas ({_HOW})\b|[(\[] *(?:as |if )?({_HOW}) *[)\]]|[-–:/,] *(?:as )?({_HOW}) *$"
    rf"|(?<!date )(?<!year )(?<!last )(?<!when )\b({_HOW}) *$",
    re.I,
)
"""How a thing is known, as it stands in or behind a heading; common practice."""


def evidence(heading: str) -> int:
    """2 where a heading says that a thing was seen, 0 that it was guessed, else 1."""
    found = _EVIDENCE.search(heading)
    if not found:
        return 1
    return 2 if re.search(rf"\b({_SEEN})\b", found[0], re.I) else 0


def tokens(heading: str) -> list[str]:
    """The words of a heading in lower case, without accents, parted also at a capital inside.

    The number of a question in front (Q3, 2.) is left out, and so is how a thing is known.
    """
    bare = _EVIDENCE.sub(" ", heading)
    asked = re.sub(r"^\W*[Qq]?\d+\W+", "", bare if re.search(r"\w", bare) else heading)
    plain = unicodedata.normalize("NFKD", asked.replace("²", "2"))
    plain = "".join(c for c in plain if not unicodedata.combining(c))
    plain = re.sub(r"([a-z])([A-Z])", r"\1 \2", plain)
    return re.findall(r"(?:sq)?(?:m|ft)2|[a-z]+|\d+|%|£", re.sub(r"[’']", "", plain.lower()))


_GLUED = {"p": ("property",), "b": ("build",)}


@lru_cache(maxsize=8192)
def _glued(word: str) -> tuple[str, ...] | None:
    """The parts of two words written as one (PTYP, YRBUILT), None where it is none."""
    known = _parts()
    for cut in range(1, len(word) - 2):
        front = known.get(word[:cut]) if cut > 2 else _GLUED.get(word[:cut])
        behind = known.get(word[cut:])
        if front and behind:
            return front + behind
    return None


@lru_cache(maxsize=8192)
def _near(word: str) -> tuple[str, ...] | None:
    """The parts of two words in one, or of a long word that is nearly this one."""
    if glued := _glued(word):
        return glued
    if len(word) < 6:
        return None
    near = difflib.get_close_matches(word, [w for w in _parts() if len(w) > 5], 1, 0.86)
    return _parts()[near[0]] if near else None


@lru_cache(maxsize=8192)
def scores(heading: str) -> dict[str, float]:
    """By column, how surely the words speak of it: from LEAST to 1; others are left out.

    A heading in two languages says one thing twice: the surer half counts.
    """
    words = tokens(heading)
    welsh = [word for word in words if word in _welsh()]
    if welsh:  # "yr" is an article, not a year
        words = [word for word in words if word != "yr"]
    english = [word for word in words if word not in _welsh()]
    found = _scores(words)
    twice = _parts_of(welsh)[0] & _parts_of(english)[0]
    for half in (welsh, english) if twice else ():
        for column, score in _scores(half).items():
            found[column] = max(score - _UNKNOWN / 2, found.get(column, 0.0))
    return {column: score for column, score in found.items() if score >= LEAST}


def _scores(words: list[str]) -> dict[str, float]:
    parts, unknown = _parts_of(words)
    found: dict[str, float] = {}
    for column, needs, most in _speaks():
        if needs <= parts:
            over = parts - needs
            weak = len(over & _WEAK)
            off = weak * _WEAK_LEFT_OVER + (len(over) - weak) * _LEFT_OVER
            score = most - off - min(3, unknown) * _UNKNOWN
            found[column] = max(score, found.get(column, 0.0))
    return found


def says_little(heading: str) -> bool:
    """Whether a heading needs the merged one above it to say what it speaks of."""
    parts, unknown = parts_of(heading)
    return not unknown and parts <= GENERIC
