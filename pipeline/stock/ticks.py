"""Cells that only make sense together: ticked columns, years from and to.

Each turns several columns of a list into the one text that another list would write in a cell.
"""

import re
from collections.abc import Sequence

import polars as pl

from pipeline.stock import addresses, wording
from pipeline.stock.profiles import Profile

_YES = ("y", "yes", "true", "x", "1", "✓", "✔", "tick", "ticked", "ie")
_NO = ("n", "no", "false", "0", "n/a", "na", "-", "nac ydy", "✗", "✘", "×")
_KINDS = {
    "wall_construction": (
        (r"cavity(?: brick| block)?(?: walls?)?", "Cavity"),
        (r"solid(?: brick)?(?: walls?)?|brick solid", "Solid brick"),
        (r"(?:sand|lime)?stone(?: walls?)?", "Stone"),
        (r"timber fr(?:ame|amed)?", "Timber frame"),
        (r"non ?trad(?:itional)?|system(?: built)?", "System built"),
        (r"no ?fines|prc|concrete(?: panel)?", "System built"),
    ),
    "wall_insulation": (
        (r"cwi|cavity(?: wall)? (?:insulation|insulated|fill|filled)|filled", "Filled cavity"),
        (r"walls? ins(?:ul(?:ated|ation)?|ulated)?|insulated(?: walls?)?", "Insulated"),
        (r"ewi|external(?: wall)?(?: insulation| insulated)?", "External"),
        (r"iwi|internal(?: wall)?(?: insulation| insulated)?|dry ?lined", "Internal"),
    ),
}  # fmt: skip
"""What a ticked heading says of the wall, in the words another list would use; common practice."""
_WHERE = {
    "wall_construction": r"\b(?:external|ext|outer|walls?|construction|construct|type)\b",
    "wall_insulation": r"\b(?:walls?|insulation|ins)\b",
}
"""Words of the merged heading above that may stand in front."""
_LEAST = 0.6
_LATEST = re.compile(
    r"^(?:age |year |yr |built |build |period |construction |date )*(?:to|until|latest|end)\b"
    r"(?!.*\b(?:form|let)\b)"
)


def put_together(
    body: pl.DataFrame, names: Sequence[str], looks: Sequence[Profile]
) -> tuple[pl.DataFrame, list[str], list[str]]:
    """The rows and headings with such columns made one, and notes on it.

    body: `source_row` and one text column to a heading. Ticked columns are joined into a new one
    behind the last. What was put behind another cell has no heading any more.
    """
    body, years = _ranges(body, names, looks)
    notes = [f"years under '{names[p]}' were put behind '{names[p - 1]}'" for p in years]
    left = ["" if place in years else name for place, name in enumerate(names)]
    body, headings, told = _of_storeys(body, left, looks)
    notes += told
    for column in _KINDS:
        ticked = _ticked(column, names, looks)
        if len(ticked) >= _least(column, names, looks):
            body = body.with_columns(_spelt(body, ticked).alias(f"{column} ticked"))
            headings.append(f"{column.replace('_', ' ')} (ticked)")
            shown = ", ".join(names[place] for place in ticked)
            notes.append(f"ticks under {shown} were read as one {column.replace('_', ' ')}")
    return body, headings, notes


def _least(column: str, names: Sequence[str], looks: Sequence[Profile]) -> int:
    """Ticked headings that make a column: one is enough for insulation of which no other speaks."""
    others = [
        held.share("yes_no") < _LEAST
        for heading, held in zip(names, looks, strict=True)
        if wording.scores(heading).get(column, 0.0) >= 0.85
    ]
    return 1 if column == "wall_insulation" and not any(others) else 2


def _ticked(column: str, names: Sequence[str], looks: Sequence[Profile]) -> dict[int, str]:
    """Position and meaning of each ticked heading that says what the wall is."""
    found = {}
    for place, (heading, held) in enumerate(zip(names, looks, strict=True)):
        if held.share("yes_no", "unknown") < _LEAST or held.share("yes_no") == 0:
            continue
        words = " ".join(wording.tokens(heading))
        words = re.sub(r"\b(?:y n|yes no)$", "", words)
        shorter = re.sub(_WHERE[column], " ", words)
        for text in (words, shorter):
            plain = " ".join(text.split())
            meaning = next((said for p, said in _KINDS[column] if re.fullmatch(p, plain)), None)
            if meaning and place not in found:
                found[place] = meaning
    return found


def _spelt(body: pl.DataFrame, ticked: dict[int, str]) -> pl.Expr:
    """The meanings ticked in a row, with "and" between; "None" where every insulation is denied.

    A mark that is neither stands behind its meaning as written.
    """
    parts, denied = [], []
    for place, meaning in ticked.items():
        cell = pl.col(body.columns[place + 1]).str.strip_chars().str.to_lowercase()
        mark = cell.str.replace(r"^([✓✔✗✘×])[\s\S]+$", "$1")
        odd = pl.format("{} {}", pl.lit(meaning), mark)
        crossed = cell.str.contains("[✓✔]").any() & (mark == "x")  # beside ticks a cross is a no
        mark = pl.when(crossed).then(pl.lit("✗")).otherwise(mark)
        parts.append(
            pl.when(mark.is_in(_YES)).then(pl.lit(meaning)).when(~mark.is_in(_NO)).then(odd)
        )
        denied.append(mark.is_in(_NO).fill_null(False))
    text = pl.concat_str(parts, separator=" and ", ignore_nulls=True)
    named = pl.when(text != "").then(text)
    meanings = set(ticked.values())
    if "Insulated" in meanings or len(meanings & {"Filled cavity", "External", "Internal"}) > 1:
        return named.fill_null(pl.when(pl.all_horizontal(denied)).then(pl.lit("None")))
    return named


def _ranges(
    body: pl.DataFrame, names: Sequence[str], looks: Sequence[Profile]
) -> tuple[pl.DataFrame, list[int]]:
    """Put a last year of a column of its own behind the first year to its left; its places."""
    used = []
    for place in range(1, len(names)):
        both = min(looks[p].share("year") for p in (place - 1, place))
        words = " ".join(wording.tokens(names[place]))
        if both > 0.7 and _LATEST.match(words):
            first, last = (
                pl.col(body.columns[p + 1]).str.strip_chars() for p in (place - 1, place)
            )
            range_ = pl.format("{}-{}", first, last)
            body = body.with_columns(
                pl.when(first.is_not_null() & last.is_not_null() & (first != last))
                .then(range_)
                .otherwise(first)
                .alias(body.columns[place])
            )
            used.append(place)
    return body, used


_STOREY = r"(?i)^\s*(\d{1,2})\s*(?:/\s*\w{1,2}|f|st|nd|rd|th)?(?: floor)?\s*$"


def _of_storeys(
    body: pl.DataFrame, names: Sequence[str], looks: Sequence[Profile]
) -> tuple[pl.DataFrame, list[str], list[str]]:
    """Put the storeys of a block behind the storey of a flat: 2 of 3 is the top, 1 of 3 is not.

    A cell that also tells the flat, as 2/1, stays, and the storey stands in a new column.
    """
    blocks = [p for p, n in enumerate(names) if wording.parts_of(n)[0] == {"block", "storeys"}]
    fits = {p: wording.scores(n).get("floor_position", 0.0) for p, n in enumerate(names)}
    floors = [p for p in fits if fits[p] and looks[p].share("storey") > 0.2]
    if not blocks or not floors:
        return body, list(names), []
    place = max(floors, key=lambda p: fits[p])
    cell, storeys = (pl.col(body.columns[p + 1]) for p in (place, blocks[0]))
    number = cell.str.replace(r"(?i)^\s*ff\s*$", "1").str.extract(_STOREY, 1)
    count = storeys.str.extract(r"^\s*(\d{1,2})(?:\.0)?\s*$", 1)
    known = number.is_not_null() & count.is_not_null()
    both = pl.when(known).then(pl.format("{} of {}", number, count)).otherwise(cell)
    note = f"storeys under '{names[blocks[0]]}' were put behind '{names[place]}'"
    if addresses.is_flat(names[place]):
        return body.with_columns(storey=both), [*names, "floor position"], [note]
    return body.with_columns(both.alias(body.columns[place + 1])), list(names), [note]
