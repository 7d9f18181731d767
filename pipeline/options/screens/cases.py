"""The table of screens and the words in which its cases are told."""

import re
from collections.abc import Mapping

import polars as pl

from pipeline.columns import by_role
from pipeline.reference import Reference
from pipeline.settings import Settings

PASS, NOT_SURVEYED, REFER, EXCLUDE = VERDICTS = ("pass", "not surveyed", "refer", "exclude")
"""From best to worst. `not surveyed` is a referral too: nothing known speaks against the home, but
what decides is not known. A home's verdict is the worst of its screens."""
SCREENS = tuple(column.name for column in by_role("screen"))
AFTER = ("screen_edges", "screen_mould", "screen_moisture", "screen_option")
"""Screens that need the choice of an option."""
_FIELD = re.compile(r"\{(\w+)\}")


class Cases:
    """The cases of `screen_cases.csv` by screen, numbered from 1 in table order; 0 is a pass."""

    def __init__(self, settings: Settings, reference: Reference) -> None:
        """Fill what the texts say of settings and constants; what they say of a home stays open."""
        c = reference.constant
        moisture = reference.table("moisture_constants")
        least = moisture.filter(pl.col("name") == "f_rsi_least")["value"][0]
        fixed = {
            "target_u_w_m2k": settings.works.target_u_w_m2k,
            "fixings_usual_per_m2": c("fixings_usual_per_m2"),
            "fixings_most_per_m2": c("fixings_most_per_m2"),
            "sill_overhang_least_mm": c("sill_overhang_least"),
            "f_rsi_least_allowed": least,
        }
        self._rows: dict[str, list[dict[str, str | int]]] = {name: [] for name in SCREENS}
        for number, row in enumerate(reference.table("screen_cases").iter_rows(named=True), 1):
            for field in ("reason", "change"):
                for name, value in fixed.items():
                    row[field] = row[field].replace(f"{{{name}}}", f"{value:g}")
            self._rows[f"screen_{row['screen']}"].append({**row, "number": number})

    def found(self, bites: Mapping[str, pl.Expr]) -> dict[str, pl.Expr]:
        """Number of the first case that bites in each screen of `bites`, 0 where none does."""
        return {
            name: pl.coalesce(
                *(pl.when(bites[str(r["case"])]).then(pl.lit(r["number"], pl.UInt8)) for r in rows),
                pl.lit(0, pl.UInt8),
            )
            for name, rows in self._rows.items()
            if rows[0]["case"] in bites
        }

    def told(self, screen: str, verdict: str, field: str) -> pl.Expr:
        """`reason` or `change` of a screen's case where its verdict is this one, else null."""
        texts = {r["number"]: str(r[field]) for r in self._rows[screen] if r["verdict"] == verdict}
        return self._text(screen, texts)

    def cell(self, screen: str) -> pl.Expr:
        """`pass`, or verdict and reason, of one screen."""
        texts = {r["number"]: f"{r['verdict']}: {r['reason']}" for r in self._rows[screen]}
        return self._text(screen, {0: PASS, **texts})

    def worst(self) -> pl.Expr:
        """The worst verdict of all screens."""
        place = {
            r["number"]: VERDICTS.index(str(r["verdict"]))
            for rows in self._rows.values()
            for r in rows
        }
        of_each = [
            pl.col(name).replace_strict({0: 0, **place}, return_dtype=pl.UInt8) for name in SCREENS
        ]
        return pl.max_horizontal(of_each).replace_strict(
            dict(enumerate(VERDICTS)), return_dtype=pl.String
        )

    def _text(self, screen: str, texts: Mapping[str | int, str]) -> pl.Expr:
        plain = {n: text for n, text in texts.items() if not _FIELD.search(text)}
        told = pl.col(screen).replace_strict(plain, default=None, return_dtype=pl.String)
        for number in texts.keys() - plain.keys():
            text = texts[number]
            filled = pl.format(_FIELD.sub("{}", text), *map(_shown, _FIELD.findall(text)))
            told = pl.when(pl.col(screen) == number).then(filled).otherwise(told)
        return told


def _shown(column: str) -> pl.Expr:
    """A value of a home in a text, figures without needless noughts."""
    return pl.col(column).cast(pl.String).str.replace(r"^(\d+)\.0$", "$1")
