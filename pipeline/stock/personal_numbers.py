"""Numbers that belong to a person: telephone, birthday, National Insurance, NHS and bank.

A run of figures counts only in the form of such a number; figures beside it stay, so that the
number of a house behind a telephone number survives. Forms of telephone numbers: the United
Kingdom's national numbering plan, 10 or 11 figures with their zero (memory).
"""

import re
from functools import cache

from pipeline.stock.personal_names import GONE, any_of

_MONTH = r"(?:jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec)[a-z]{0,6}"
_DAY = (
    r"(?:\d{1,2}[\s/.\-]\d{1,2}[\s/.\-]\d{2,4}|\d{4}-\d\d-\d\d"
    rf"|(?:\d{{1,2}}(?:st|nd|rd|th)?\s)?{_MONTH}\.?,?\s\d{{2,4}}|(?:19|20)\d\d)"
)
_NO = r"(?:\s*(?:no|number|num|ref))?[\s.:#]*"
_LABELLED = tuple(
    re.compile(pattern, re.IGNORECASE)
    for pattern in (
        rf"\b(?:d\.?\s?o\.?\s?b(?![a-z])\.?|date of birth|birth ?da(?:te|y)|b\.(?=\s*\d))"
        rf"[\s:.\-]*{_DAY}",
        rf"\bborn(?: on)?[\s:]+{_DAY}",
        rf"\b(?:ni|nino|national insurance){_NO}[a-z]{{2}}\s?(?:\d\s?){{6}}[a-d]?\b",
        r"\b[a-ceghj-tw-z][a-ceghj-npqr-tw-z][\s\-]?(?:\d{2}[\s\-]?){3}[a-d]\b",
        rf"\bnhs{_NO}\d{{3}}[\s\-]?\d{{3}}[\s\-]?\d{{4}}\b",
        rf"\b(?:sort(?:\s?code)?|s/?c){_NO}\d{{2}}[\s\-]?\d{{2}}[\s\-]?\d{{2}}\b",
        rf"\b(?:bank\s)?(?:account|acct|acc|a/c){_NO}(?:\d{{4}}\s\d{{4}}|\d{{6,10}})\b",
        r"\b(?:\d{2}[\s\-]\d{2}[\s\-]\d{2}|\d{6})[\s,/]+\d{8}\b",
        r"(?:\biban[\s:.]*)?\bgb\d{2}\s?[a-z]{4}(?:\s?\d){14}\b",
    )
)
"""Birthdays and numbers behind their name; National Insurance and IBAN by their form alone."""
_DATE = re.compile(
    r"(?<![\d/.\-])\d{1,2}(?:[/.\-]\d{1,2}[/.\-]"
    rf"|(?:st|nd|rd|th)?\s{_MONTH}\.?,?\s)(?:19|20)\d\d\b",
    re.IGNORECASE,
)
_FIGURES = re.compile(r"(?<!\w)(?<!\d[.,/\-])[+(]{0,2}\d[\d\s.()/\-–]{6,40}\d(?!\w)")
_REFERENCE = re.compile(r"\b(?:uprn|usrn|ref|reference)[\s.:#no]*$", re.IGNORECASE)
_MAY_HOLD_ONE = re.compile(r"(?:\d\D*){4}")
_MOST_GROUPS = 7


def without(text: str, is_address: bool, is_key: bool) -> str:
    """The text with GONE in place of each such number; bare dates count in an address only."""
    if not _MAY_HOLD_ONE.search(text):
        return text
    for pattern in _LABELLED:
        text = pattern.sub(GONE, text)
    if is_address:
        text = _DATE.sub(GONE, text)
    if is_key:
        return text
    local = rf"{telephone_label()}(?:\d{{3}}\s?\d{{3,4}}|\d{{5,8}})\b"
    text = _FIGURES.sub(_without_numbers, text)
    return re.sub(local, GONE, text, flags=re.IGNORECASE)


@cache
def telephone_label() -> str:
    """A pattern of the words that stand before a telephone number."""
    return rf"\b(?:{any_of('telephone')})\b{_NO}"


def _without_numbers(run: re.Match[str]) -> str:
    """A run of figures with the telephone and NHS numbers in it struck."""
    if _REFERENCE.search(run.string[: run.start()]):
        return run[0]
    text, kept, start, place = run[0], "", 0, 0
    groups = list(re.finditer(r"\d+", text))
    while place < len(groups):
        before = text[start : groups[place].start()]
        figures = [group[0] for group in groups[place : place + _MOST_GROUPS]]
        size = _telephone(figures, "+" in before, "." in text) or _nhs(figures)
        if size:
            kept += before.rstrip("+(") + GONE
        last = place + max(size, 1) - 1
        kept += "" if size else before + groups[place][0]
        start, place = groups[last].end(), last + 1
    return kept + text[start:]


def _telephone(figures: list[str], plus: bool, dotted: bool) -> int:
    """How many groups, from the first on, are one telephone number; 0 where none is.

    A last group of one figure is the number of a house, not the end of a telephone number.
    """
    sizes = [
        size
        for size in range(1, len(figures) + 1)
        if _is_telephone(figures[:size], plus, dotted) and (size == 1 or len(figures[size - 1]) > 1)
    ]
    return min(sizes) if plus and sizes else max(sizes, default=0)


def _is_telephone(groups: list[str], plus: bool, dotted: bool) -> bool:
    said, sizes = "".join(groups), tuple(map(len, groups))
    if not 9 <= len(said) <= 15:
        return False
    british = re.fullmatch(r"(?:00)?440?([1235789]\d{8,9})" if plus else r"00440?(\d{9,10})", said)
    if british or (plus and not said.startswith("44")):
        return british is not None or 10 <= len(said) <= 15
    if re.fullmatch(r"0[1235789]\d{9}", said):
        apart = groups[0] == "0" and sizes[1] >= 3 and not dotted
        return (sizes[0] >= 3 or apart) and len(sizes) <= 5
    if re.fullmatch(r"0[1235789]\d{8}", said):
        return sizes in ((10,), (4, 6), (5, 5), (6, 4))
    lost_its_zero = re.fullmatch(r"(?:7[1-9]|1[1-9]|2[03489])\d{8}", said) and not dotted
    return bool(lost_its_zero) and sizes in ((10,), (4, 6), (4, 3, 3), (3, 3, 4), (2, 4, 4))


def _nhs(figures: list[str]) -> int:
    """How many groups are an NHS number by its check digit (modulus 11); 0 where none is."""
    for size, sizes in ((1, (10,)), (3, (3, 3, 4))):
        said = "".join(figures[:size])
        if tuple(map(len, figures[:size])) == sizes:
            rest = 11 - sum(int(figure) * (10 - i) for i, figure in enumerate(said[:9])) % 11
            if rest % 11 == int(said[9]):
                return size
    return 0
