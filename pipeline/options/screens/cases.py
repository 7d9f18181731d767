"""The table of screens and the words in which its cases are told."""

import re
from collections.abc import Mapping
from typing import NamedTuple

import polars as pl

from pipeline.columns import by_role
from pipeline.reference import Reference
from pipeline.settings import Settings

PASS, NOT_SURVEYED, REFER, EXCLUDE = VERDICTS = ("pass", "not surveyed", "refer", "exclude")
"""From best to worst. `not surveyed` is a referral too: nothing known speaks against the home, but
what decides is not known. A home's verdict is the worst of its screens."""
SCREENS = tuple(column.name for column in by_role("screen"))
AFTER = ("screen_boundary", "screen_eaves", "screen_mould", "screen_moisture", "screen_option")
"""Screens that need the choice of an option."""
_FIELD = re.compile(r"\{(\w+)\}")


class _Case(NamedTuple):
    number: int
    name: str
    verdict: str
    text: dict[str, str]


class Cases:
    """The cases of `screen_cases.csv` by screen, numbered from 1 in table order; 0 is a pass."""

    def __init__(self, settings: Settings, reference: Reference) -> None:
        """Fill what the texts say of settings and constants; what they say of a home stays open."""
        moisture = reference.table("moisture_constants")
        fixed = {
            "target_u_w_m2k": settings.works.target_u_w_m2k,
            "fixings_usual_per_m2": reference.constant("fixings_usual_per_m2"),
            "fixings_most_per_m2": reference.constant("fixings_most_per_m2"),
            "f_rsi_allowed": moisture.filter(pl.col("name") == "f_rsi_least")["value"].item(),
        }
        self._rows: dict[str, list[_Case]] = {name: [] for name in SCREENS}
        for number, row in enumerate(reference.table("screen_cases").iter_rows(named=True), 1):
            text = {field: row[field] for field in ("reason", "change")}
            for name, value in fixed.items():
                text = {f: t.replace(f"{{{name}}}", f"{value:g}") for f, t in text.items()}
            case = _Case(number, row["case"], row["verdict"], text)
            self._rows[f"screen_{row['screen']}"].append(case)

    def found(self, bites: Mapping[str, pl.Expr]) -> dict[str, pl.Expr]:
        """Number of the first case that bites in each screen of `bites`, 0 where none does."""
        return {
            screen: pl.coalesce(
                *(pl.when(bites[r.name]).then(pl.lit(r.number, pl.UInt8)) for r in rows),
                pl.lit(0, pl.UInt8),
            )
            for screen, rows in self._rows.items()
            if rows[0].name in bites
        }

    def told(self, screen: str, field: str, *verdicts: str) -> pl.Expr:
        """`reason` or `change` of a screen's case where its verdict is one of these, else null."""
        rows = self._rows[screen]
        return self._text(screen, {r.number: r.text[field] for r in rows if r.verdict in verdicts})

    def cell(self, screen: str) -> pl.Expr:
        """`pass`, or verdict and reason, of one screen."""
        texts = {r.number: f"{r.verdict}: {r.text['reason']}" for r in self._rows[screen]}
        return self._text(screen, {0: PASS, **texts})

    def worst(self) -> pl.Expr:
        """The worst verdict of all screens."""
        rows = [r for rows in self._rows.values() for r in rows]
        place = self._by_number({0: 0, **{r.number: VERDICTS.index(r.verdict) for r in rows}})
        each = [place.gather(pl.col(name)) for name in SCREENS]
        return pl.lit(pl.Series(VERDICTS)).gather(pl.max_horizontal(each))

    def _by_number(self, values: Mapping[int, object]) -> pl.Expr:
        """Values in the place of their case; gathering is far quicker than replacing."""
        count = 1 + sum(map(len, self._rows.values()))
        return pl.lit(pl.Series([values.get(number) for number in range(count)]))

    def _text(self, screen: str, texts: Mapping[int, str]) -> pl.Expr:
        plain = {n: text for n, text in texts.items() if not _FIELD.search(text)}
        told = self._by_number(plain).cast(pl.String).gather(pl.col(screen))
        for number, text in texts.items():
            if number not in plain:
                bites = pl.col(screen) == number
                values = [_shown(pl.when(bites).then(name)) for name in _FIELD.findall(text)]
                told = pl.coalesce(pl.format(_FIELD.sub("{}", text), *values), told)
        return told


def _shown(value: pl.Expr) -> pl.Expr:
    """A value of a home in a text, figures without needless noughts."""
    return value.cast(pl.String).str.strip_suffix(".0")
