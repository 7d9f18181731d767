"""Years in which a building was built, from what people write: one year, a range, a decade, an era.

A range is kept as its first and last year, either of which may be open.
"""

import re
import unicodedata
from collections.abc import Callable

Years = tuple[float | None, float | None]
_ERAS: dict[str, Years] = {
    "georgian": (1714.0, 1836.0), "victorian": (1837.0, 1901.0), "edwardian": (1901.0, 1914.0),
    "interwar": (1919.0, 1939.0), "prewar": (None, 1939.0), "postwar": (1945.0, 1964.0),
}  # fmt: skip
"""Years of eras (common practice)."""
_THIRDS = {"early": (0.0, 3.0), "mid": (4.0, 6.0), "late": (7.0, 9.0)}
"""Years of a decade."""
_CENTURY = 30.0
"""Two figures alone from which they are of the last century."""
_MONTH = r"(?:jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec)[a-z]*"
_ABOUT = (
    r"(?:c|ca|circa|abt|ish|about|approx|approximately|around|est|estimated|tua|built|erected|completed|in"
    r"|year|yr)"
)
_BEFORE = r"(?:\b(?:pre|before|cyn|up to|until|prior to)\b|<)"
_AFTER = r"(?:\b(?:post|after|since|from|ar ol)\b|>)"
_KNOWN = re.compile(
    rf"{_ABOUT}|{_BEFORE}|{_AFTER}|construction|date|age|band|or|so|the|and|of|onwards?|period|assumed|actual"
)
_LATER = r"\(?\b(?:modernised|refurb\w*|extended|altered|converted|re-?built|improved)\b[^)]*\)?"
_NATION = r"^(?:england (?:and|&) wales|england|wales|scotland|northern ireland): ?"
_Y, _END, _START = r"(1[5-9]\d\d|20\d\d)", r"(?!\d)", r"(?<![\d/.])"


def _exact(year: str) -> Years:
    return float(year), float(year)


def _span(first: str, last: str) -> Years:
    """A span whose last year may be short: 1999-02 ends in 2002, 1960/1 in 1961."""
    start, end = float(first), float(last)
    size = 10.0 ** len(last)
    end = end if len(last) > 3 else start - start % size + end
    return start, end if end >= start else end + size


def _short(two: str) -> float:
    return float(two) + (1900.0 if float(two) >= _CENTURY else 2000.0)


def _decade(part: str | None, first: str) -> Years:
    year = float(first) if len(first) > 2 else 1900.0 + float(first)
    low, high = _THIRDS.get(part or "", (0.0, 9.0))
    return year + low, year + high


def _decades(first: str, last: str) -> Years:
    """The years of two decades and between: 1920s-30s ends in 1939."""
    return _span(first, str(int(last) + 9))


def _century(part: str | None, number: str) -> Years:
    first = 100.0 * (float(number) - 1.0) + 1.0
    return _part(part, (first, first + 99.0))


_FORMS: tuple[tuple[str, Callable[..., Years]], ...] = (
    (rf"(?:\bbetween )?{_START}{_Y} ?(?:-|to|/) ?{_Y}{_END}", _span),
    (rf"\bbetween {_Y} and {_Y}{_END}", _span),
    (rf"{_START}{_Y} ?(?:-|/) ?(\d\d?){_END}(?![/-])", _span),
    (rf"{_BEFORE} ?-? ?{_Y}{_END}", lambda year: (None, float(year) - 1.0)),
    (rf"{_START}{_Y} ?(?:onwards?|and later|or later|\+|on)(?!\w)", lambda y: (float(y), None)),
    (rf"{_AFTER} ?-? ?{_Y}{_END}", lambda year: (float(year) + 1.0, None)),
    (r"(?<!\d)(1[5-9]\d0|20\d0) ?s? ?(?:-|/|to|and) ?(1[5-9]\d0|20\d0|[1-9]0) ?s\b", _decades),
    (r"\b(early|mid|late)?[ -]*(1[5-9]\d0|20\d0) ?(?:s|au)\b", _decade),
    (r"(?<![\d.])\b(early|mid|late)?[ -]*'?([2-9]0) ?s\b", _decade),
    (rf"\b{_MONTH}[ -]+'?(\d\d){_END}", lambda two: (_short(two), _short(two))),
    (rf"\b{_MONTH}[ -]+{_Y}{_END}", _exact),
    (rf"{_START}{_Y}-\d\d-\d\d(?:[ t]\d\d:\d\d(?::\d\d)?)?{_END}", _exact),
    (rf"(?<!\d)(?:\d{{1,2}}[/.-])?\d{{1,2}}[/.-]{_Y}{_END}", _exact),
    (rf"(?:\b{_ABOUT}\.?)? ?{_START}{_Y}(?:\.0)?{_END}", _exact),
    (r"(?<![\w'])'(\d\d)(?![\d'])", lambda two: (_short(two), _short(two))),
    (r"(?<![\d.])([1-9]\d) ?(?:-|to|/) ?(\d\d)(?![\d./])", lambda a, b: _span("19" + a, b)),
    (r"\b(early|mid|late)?[ -]*(1[6-9]|20)th c(?:ent(?:ury)?)?\b", _century),
)
"""Ways to write years, the fuller first: what one has read the next no longer sees."""


def within(plain: str) -> tuple[Years | None, str]:
    """The years a phrase in lower case says, and the phrase without them.

    None where it says none, or two that differ: "1936 or 1963".
    """
    found: set[Years] = set()
    rest = _eras(plain, found)
    for form, meaning in _FORMS:
        found |= {meaning(*match.groups()) for match in re.finditer(form, rest)}
        rest = re.sub(form, " ", rest)
    closest = {one for one in found if not any(_holds(one, other) for other in found)}
    return (closest.pop() if len(closest) == 1 else None), rest


def _eras(plain: str, found: set[Years]) -> str:
    rest = re.sub(r"\b(inter|pre|post)[ -]?war\b", r"\1war", plain)
    rest = re.sub(r"\bbetween (?:the )?wars\b", "interwar", rest)
    for era, span in _ERAS.items():
        form = rf"\b(?:(early|mid|late)[ -]+)?{era}\b"
        found |= {_part(match[1], span) for match in re.finditer(form, rest)}
        rest = re.sub(form, " ", rest)
    return rest


def _part(word: str | None, span: Years) -> Years:
    """The early, middle or late third of an era."""
    first, last = span
    if not word or first is None or last is None:
        return span
    third = (last - first) / 3.0
    at = list(_THIRDS).index(word)
    return first + float(round(at * third)), first + float(round((at + 1) * third))


def _holds(one: Years, other: Years) -> bool:
    """Whether a span holds another, which then says it more closely."""
    low, high = (one[0] or 0.0), (one[1] or 9999.0)
    return low <= (other[0] or 0.0) and (other[1] or 9999.0) <= high and one != other


def read(text: str) -> Years | None:
    """The years a cell of an age column says; None where it says none, or more than one.

    What stands in brackets of works done later ("modernised 1998") is no year of building. Text
    that is neither year nor a word about it makes the cell unread.
    """
    plain = unicodedata.normalize("NFKD", text.lower())
    low = "".join(c for c in plain if not unicodedata.combining(c))
    low = low.replace("\u2019", "'").replace("\u2018", "'").replace("'s", "s")
    low = re.sub(r"(?<=\d)ish\b", " ", low)
    low = re.sub(r"[\u2010-\u2015]", "-", low)
    low = re.sub(r"\b(c|ca|est|approx)\. ?", r"\1 ", low)
    low = re.sub(r"\([^)\d]*\)", " ", re.sub(_LATER, "", re.sub(_NATION, "", low)))
    low = re.sub(r"^[a-m] ?[:=-] ?(?=\D*\d)|\(?\bband [a-m]\b\)?:?", "", low)
    found, rest = within(low)
    words = re.findall(r"[a-z]{2,}|\?|\d+", rest)
    return found if all(_KNOWN.fullmatch(word) for word in words) else None
