"""Strikes what names or reaches a person out of the cells that are kept, and counts it.

One function cleans every text of a list: `clean`. What it takes for personal data is said in the
README just so. What is struck leaves no mark in the cell. `personal_numbers` and `personal_names`
know the forms; house numbers, postcodes, UPRNs and names of roads and houses are none of them.
"""

import re
from functools import cache

import polars as pl

from pipeline.stock import personal_names, personal_numbers
from pipeline.stock.personal_names import GONE, any_of

_ADDRESSES = ("address", "estate", "block_ref")
"""Columns in which a bare date, or a name in brackets, is a person's."""
_KEYS = ("home_id", "uprn", "postcode")
"""Columns of references: their figures are never taken for a telephone number."""
_TOP = r"(?:com|org|net|uk|co|info|io|me|gov|ac|eu|biz|scot|wales|cymru|example|test|invalid)"
_WHO, _PART = r"[\w.+%'\-]{1,64}", r"[\w\-]{1,63}"
_AT, _DOT = r"\s?[(\[{<]\s?at\s?[)\]}>]\s?", r"\s?(?:\.|[(\[{<]\s?dot\s?[)\]}>]|\bdot\b)\s?"
_MAIL = re.compile(
    rf"(?:mailto:)?{_WHO}\s?@\s?{_PART}(?:\.{_PART})+"
    rf"|{_WHO}{_AT}{_PART}(?:{_DOT}{_PART}){{0,4}}"
    rf"|{_WHO}\sat\s{_PART}(?:\sdot\s{_PART}){{1,4}}"
    rf"|{_WHO}\sat\s{_PART}(?:\.{_PART}){{0,3}}\.{_TOP}\b",
    re.IGNORECASE,
)
_MAY_BE_MAIL = re.compile(r"@|\bat\b", re.IGNORECASE)
_PLACED = re.compile(rf"[\s,;:/\-–]*{GONE}[\s,;:/\-–{GONE}]*")
_NONE = r"^[\s£$+\-]*[\d,]{1,9}(?:\.\d+)?[\s%]*$"
_NONE_IN_A_KEY = r"^[^\s@]*$"
"""Texts that hold no personal data though they look suspect: plain numbers, keys in one piece."""


@cache
def _suspect() -> str:
    """A pattern of polars that every text with personal data matches, and few others do."""
    titles = any_of("title", "title_first", "title_initial", "label")
    return (
        rf"(?i)@|[\[({{<]|\bdot\b|\bat\b.*\.|\b(?:{titles})\b|c/o|care of|attn|\bfao\b"
        r"|attention|next of|holder|birth|\bborn|\bb\.|\bd\.?\s?o\.?\s?b(?:[^a-z]|$)"
        r"|\b(?:19|20)\d\d\b|(?:\d[\s.()+\-–/,]{0,3}){6}|(?:^|[,;]\s*)[a-z]\."
        rf"|\b(?:{any_of('telephone')})\b[\s.:]*\d"
    )


def clean(cells: pl.DataFrame) -> tuple[pl.DataFrame, int]:
    """The cells of known columns without personal data, and how many pieces were struck out.

    cells: columns of the dictionary as text; columns of other dtypes are left as they are.
    """
    texts = [name for name, dtype in cells.schema.items() if dtype == pl.String]
    found = cells.select(pl.col(texts).str.contains(_suspect()).any()).row(0)
    struck = 0
    for name in (name for name, any_suspect in zip(texts, found, strict=True) if any_suspect):
        cell = pl.col(name)
        none = _NONE_IN_A_KEY if name in _KEYS else _NONE
        suspect = cell.str.contains(_suspect()) & ~cell.str.contains(none)
        counts = cells.filter(suspect).group_by(name, maintain_order=True).agg(pl.len())
        cleaned = {text: (strike(text, name), rows) for text, rows in counts.iter_rows()}
        changed = {text: left or None for text, ((left, times), _) in cleaned.items() if times}
        struck += sum(times * rows for (_, times), rows in cleaned.values())
        if changed:
            cells = cells.with_columns(cell.replace(changed))
    return cells, struck


def strike(text: str, column: str = "address") -> tuple[str, int]:
    """A text without personal data, and how many pieces were struck out of it.

    column: of the dictionary; what a bare number or a date may be depends on it.
    """
    left = text.replace(GONE, "")
    if _MAY_BE_MAIL.search(left):
        left = _MAIL.sub(GONE, left)
    left = personal_numbers.without(left, column in _ADDRESSES, column in _KEYS)
    left = personal_names.without(left, column in _ADDRESSES)
    times = left.count(GONE)
    return (_closed_up(left), times) if times else (text, 0)


def _closed_up(text: str) -> str:
    """The text with the places closed at which something was struck."""
    text = re.sub(rf"{personal_numbers.telephone_label()}{GONE}", GONE, text, flags=re.IGNORECASE)
    text = re.sub(rf"{GONE}(?:[\s,;:/&+\-–]*(?:\b(?:and|or)\b)?\s*{GONE})+", GONE, text)
    while (closed := re.sub(rf"[(\[{{<]\s*{GONE}\s*[)\]}}>]", GONE, text)) != text:
        text = closed
    joined = _PLACED.sub(lambda m: ", " if re.search("[,;]", m[0]) else " ", text)
    return re.sub(r"\(\s+", "(", joined).strip(" ,;:/-–")
