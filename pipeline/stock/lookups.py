"""Sheets of a workbook that say what its codes mean, put into the cells they explain."""

import re
from collections.abc import Iterable, Sequence

import polars as pl

from pipeline.stock import headings, wording
from pipeline.stock.bounds import Table

_MOST_ROWS = 500
_LONGEST_CODE = 12
_EXPLAINED = 0.9
_LEAST_CODES = 2


_MEANING = (
    "meaning", "description", "desc", "definition", "means", "explanation", "ystyr", "what it is",
    "what it means", "stands for",
)  # fmt: skip
_CODE = ("code", "key", "ref", "abbreviation", "")
_MOST_WIDE = 6
"""Columns of a box or sheet of codes; of more than three the first and the wordiest count."""
_SHORTER = 0.6
"""A box beside the homes fills no more than this share of their rows. Own assumption."""


def boxed(name: str, rows: pl.DataFrame) -> tuple[pl.DataFrame, list[Table]]:
    """A sheet without the boxes beside its homes that say what codes mean, and these.

    A box stands right of the homes behind a blank column.
    """
    places = _blocks(rows)
    filled = [block.filter(~pl.all_horizontal(pl.all().is_null())).height for block in places]
    widest = max(range(len(places)), key=lambda n: places[n].width, default=0)
    boxes = [
        Table(name, True, (), block)
        for block, height in zip(places[widest + 1 :], filled[widest + 1 :], strict=True)
        if 1 < block.width <= _MOST_WIDE and height <= _SHORTER * filled[widest]
    ]
    boxes = [box for box in boxes if _tables(box)]
    gone = [column for box in boxes for column in box.rows.columns]
    return rows.with_columns(pl.lit(None, pl.String).alias(column) for column in gone), boxes


_PAIR = re.compile(
    r"(?:^|[:;,|]) *([A-Za-z0-9/]{1,8}) *[=–] *([^;|=]+?)(?=[;,|] *[A-Za-z0-9/]{1,8} *[=–]|[;|.]|$)"
)
"""A code and its meaning in a line of text: "SB = solid brick; CU = cavity unfilled"."""


def legends(texts: Iterable[str]) -> list[Table]:
    """Lines of text that say what several codes mean, each as a table of what, code, meaning."""
    found = []
    for text in texts:
        pairs = _PAIR.findall(text)
        if len(pairs) >= _LEAST_CODES:
            what = text[: text.find(pairs[0][0])].strip(" :")
            rows = [(what, code, meaning.strip()) for code, meaning in pairs]
            found.append(Table(what, True, (), pl.DataFrame(rows, _CODE_AND_MEANING, orient="row")))
    return found


def applied(
    body: pl.DataFrame, names: Sequence[str], others: Sequence[Table]
) -> tuple[pl.DataFrame, list[str]]:
    """The rows with codes written out, and notes.

    A table explains a heading that it names, or, where it names none, the only one nearly all of
    whose cells are its codes.
    """
    notes = []
    tables = [table for sheet in others for table in _tables(sheet)]
    for place, heading in enumerate(names if tables else ()):
        column = body.columns[place + 1]
        texts = body[column].drop_nulls().str.strip_chars().str.to_lowercase()
        known = [(table, texts.is_in(list(table[1]))) for table in tables if heading]
        some = [(t, held) for t, held in known if texts.filter(held).n_unique() >= _LEAST_CODES]
        named = [t for t, _ in some if _same(t[0], heading)]
        fits = [t for t, held in some if held.sum() >= _EXPLAINED * texts.len()]
        chosen = named if named else [t for t in fits if not _names_any(t[0], names)]
        if len(chosen) == 1:
            what, meanings = chosen[0]
            key = pl.col(column).str.strip_chars().str.to_lowercase()
            body = body.with_columns(
                key.replace_strict(meanings, default=pl.col(column), return_dtype=pl.String)
                .alias(column)
            )  # fmt: skip
            notes.append(f"codes under '{heading}' were written out by '{what}'")
    return body, notes


def _tables(sheet: Table) -> list[tuple[str, dict[str, str]]]:
    """What is explained, and meaning by code in lower case.

    Tables stand beside one another with a blank column between, or under one another with a title
    above each; a third column in front names what is explained.
    """
    rows = sheet.rows.head(_MOST_ROWS + 1)
    if sheet.rows.height > _MOST_ROWS or rows.width < 2:
        return []
    groups: dict[tuple[int, str], list[tuple[str, str]]] = {}
    for number, block in enumerate(map(_narrow, _blocks(rows))):
        field = sheet.name
        for row in block.iter_rows():
            texts = [str(c).strip() if c is not None else "" for c in row]
            if sum(map(bool, texts)) == 1 or len(texts) == 3:
                field = next(filter(None, texts[:1]), field) if len(texts) == 3 else max(texts)
            elif texts[-1].lower() in _MEANING:
                field = texts[0] if texts[0].lower() not in _CODE else field
                continue
            if len(texts) in (2, 3) and texts[-1] and texts[-2]:
                groups.setdefault((number, field), []).append((texts[-2], texts[-1]))
    return [table for (_, name), pairs in groups.items() for table in _one(name, pairs)]


def _narrow(block: pl.DataFrame) -> pl.DataFrame:
    """A block of codes with one column of words."""
    if not len(_CODE_AND_MEANING) < block.width <= _MOST_WIDE:
        return block
    width = {c: block[c].str.len_chars().sum() for c in block.columns[1:]}
    return block.select(block.columns[0], max(width, key=lambda c: width[c]))


_CODE_AND_MEANING = ("what", "code", "meaning")


def _blocks(rows: pl.DataFrame) -> list[pl.DataFrame]:
    """Columns that stand together, parted by blank ones."""
    blank = [rows[column].null_count() == rows.height for column in rows.columns]
    blocks: list[list[str]] = [[]]
    for column, empty in zip(rows.columns, blank, strict=True):
        if empty:
            blocks.append([])
        else:
            blocks[-1].append(column)
    return [rows.select(block) for block in blocks if block]


def _one(name: str, pairs: list[tuple[str, str]]) -> list[tuple[str, dict[str, str]]]:
    meanings = {code.lower(): text for code, text in pairs if code and text}
    short = all(len(code) <= _LONGEST_CODE for code in meanings)
    spelt = any(any(c.isalpha() for c in text) for text in meanings.values())
    return [(name, meanings)] if short and spelt and len(meanings) == len(pairs) else []


def _same(what: str, heading: str) -> bool:
    if headings.plain(what) == headings.plain(heading):
        return True
    parts, others = (wording.parts_of(text)[0] - {"key", "type"} for text in (what, heading))
    speaks, also = (_speaks(text) for text in (what, heading))
    return (bool(parts) and parts == others) or (bool(speaks) and speaks == also)


def _speaks(heading: str) -> str:
    """The column that the words of a heading speak of most."""
    found = wording.scores(heading)
    return max(found, key=lambda column: found[column]) if found else ""


def _names_any(what: str, names: Sequence[str]) -> bool:
    return any(name and _same(what, name) for name in names)
