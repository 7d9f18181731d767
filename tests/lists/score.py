"""Reads lists as sent and sets what is held beside what the list says to a careful person."""

import csv
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import polars as pl

from pipeline import homes, identity, reference, stock
from pipeline.errors import ProgrammeError
from pipeline.settings import Settings

HERE = Path(__file__).parent
Truth = dict[str, str]


@dataclass
class Score:
    """What became of one list. `contradictions` counts homes, `wrong` each value by column.

    alike: homes that no money is spent on as they look like another of the list.
    """

    name: str
    rows: int = 0
    usable: int = 0
    accepted: int = 0
    held: int = 0
    taken_though_not_usable: int = 0
    alike: int = 0
    contradictions: int = 0
    untold: int = 0
    wrong: dict[str, int] = field(default_factory=dict)
    refused: str = ""
    examples: list[str] = field(default_factory=list)

    @property
    def share(self) -> float:
        """Share of usable rows that were accepted."""
        return self.accepted / self.usable if self.usable else 1.0


def folders(root: Path = HERE) -> Iterator[Path]:
    """Every list with a truth beside it."""
    yield from sorted(path.parent for path in root.glob("*/truth.csv"))


def score(folder: Path) -> Score:
    """Run one list as sent, nothing edited."""
    with (folder / "truth.csv").open(encoding="utf-8-sig", newline="") as file:
        truth = list(csv.DictReader(file))
    made = Score(folder.name, rows=len(truth))
    made.usable = sum(row["usable"] == "yes" for row in truth)
    listed = next(path for path in folder.iterdir() if path.stem == "list")
    try:
        tables = reference.load()
        found = stock.ingest(stock.Inputs(listed), {}).accepted
        held = homes.describe(found, tables, Settings())
    except ProgrammeError as fault:
        made.refused = str(fault)
        return made
    made.alike = identity.doubles(held)["home_id"].n_unique()
    by_key = {_plain(row["home_id"]): row for row in held.iter_rows(named=True)}
    by_row = {row["source_row"]: row for row in held.iter_rows(named=True)}
    for row in truth:
        home = by_key.get(_plain(row["key"])) or by_row.get(_number(row["row"]))
        if row["usable"] != "yes":
            made.taken_though_not_usable += home is not None and row["usable"] == "no"
            continue
        if home is None:
            _note(made, f"lost: key {row['key']}, row {row['row']}")
            continue
        made.accepted += 1
        made.held += bool(home.get("held_for"))
        _compare(made, row, home)
    return made


def _compare(made: Score, row: Truth, home: dict[str, Any]) -> None:
    wrong = [name for name, differs in CONTRADICTS.items() if differs(row, home)]
    for name in wrong:
        made.wrong[name] = made.wrong.get(name, 0) + 1
        said = {k: v for k, v in row.items() if k in _SHOWN[name]}
        kept = {k: home[k] for k in _KEPT[name]}
        _note(made, f"{name}: row {row['row']} says {said}, held {kept}")
    made.contradictions += bool(wrong)
    told = bool(home.get("held_for")) or bool(home.get("warnings"))
    made.untold += bool(wrong) and not told


def _note(made: Score, text: str) -> None:
    if len(made.examples) < 200:
        made.examples.append(text)


def _plain(key: object) -> str:
    return str(key or "").strip().lower()


def _number(text: str) -> float | None:
    try:
        return float(text)
    except ValueError:
        return None


def _code(said: str, kept: str) -> Callable[[Truth, dict[str, Any]], bool]:
    return lambda row, home: bool(row[said]) and row[said] != home[kept]


_FUELS = {
    "house_coal": "solid_fuel", "wood": "solid_fuel", "heating_oil": "oil",
    "electricity_off_peak": "electricity",
}  # fmt: skip


def _fuel(row: Truth, home: dict[str, Any]) -> bool:
    return bool(row["fuel"]) and row["fuel"] != _FUELS.get(home["fuel"], home["fuel"])


def _insulation(row: Truth, home: dict[str, Any]) -> bool:
    said, kept = row["insulation"], home["wall_insulation"]
    if not said:
        return False
    if home["wall_construction"] == "filled_cavity" and said in ("filled_cavity", "none"):
        return said != "filled_cavity" and row["wall"] != "filled_cavity"
    return bool(said != kept)


def _wall(row: Truth, home: dict[str, Any]) -> bool:
    """A cavity said to be filled may stand as filled cavity or as cavity with that insulation."""
    said, kept = row["wall"], home["wall_construction"]
    if home["wall_insulation"] == row["insulation"] == "partly_filled_cavity":
        return "cavity" not in kept
    if {said, kept} == {"cavity", "filled_cavity"}:
        filled = row["insulation"] == "filled_cavity" or said == "filled_cavity"
        return filled != (kept == "filled_cavity" or home["wall_insulation"] == "filled_cavity")
    return bool(said) and said != kept


def _age(row: Truth, home: dict[str, Any]) -> bool:
    low, high = _number(row["year_from"]), _number(row["year_to"])
    if low is None and high is None:
        return False
    low, high = (0.0 if low is None else low), (9999.0 if high is None else high)
    first, last = _BANDS[home["nation"], home["age_band"]]
    year = home["construction_year"]
    return not (low <= year <= high) if year is not None else last < low or first > high


def _area(row: Truth, home: dict[str, Any]) -> bool:
    said = _number(row["floor_area_m2"])
    return said is not None and abs(said / home["floor_area_m2"] - 1.0) > 0.01


_BANDS = {
    (r["nation"], r["band"]): (r["first_year"] or 0.0, r["last_year"] or 9999.0)
    for r in reference.load().table("age_bands").iter_rows(named=True)
}
CONTRADICTS = {
    "wall": _wall,
    "insulation": _insulation,
    "form": _code("form", "built_form"),
    "age": _age,
    "area": _area,
    "fuel": _fuel,
}
_SHOWN = {
    "wall": ("wall", "insulation"),
    "insulation": ("wall", "insulation"),
    "form": ("type", "form"),
    "age": ("year_from", "year_to"),
    "area": ("floor_area_m2",),
    "fuel": ("fuel", "heating"),
}
_KEPT = {
    "wall": ("wall_construction", "wall_insulation"),
    "insulation": ("wall_construction", "wall_insulation"),
    "form": ("property_type", "built_form"),
    "age": ("construction_year", "age_band"),
    "area": ("floor_area_m2",),
    "fuel": ("fuel", "heating"),
}


def table(scores: list[Score]) -> pl.DataFrame:
    """One line per list and one for all, as DEVELOPERS.md shows them."""
    total = Score(
        "all",
        *(
            sum(getattr(s, name) for s in scores)
            for name in ("rows", "usable", "accepted", "held", "taken_though_not_usable", "alike")
        ),
        sum(s.contradictions for s in scores),
        sum(s.untold for s in scores),
    )
    return pl.DataFrame(
        {
            "list": s.name,
            "rows": s.rows,
            "usable": s.usable,
            "accepted": f"{s.share:.1%}",
            "held": s.held,
            "look alike": s.alike,
            "contradict": f"{s.contradictions / max(s.accepted, 1):.1%}",
            "untold": s.untold,
            "taken though not usable": s.taken_though_not_usable,
            "by column": ", ".join(f"{k} {v}" for k, v in s.wrong.items()),
            "refused": s.refused[:80],
        }
        for s in [*scores, total]
    )
