"""The sheet of `programme explain` gone through with a calculator: nothing but what is printed.

The Markdown is parsed; nothing of `pipeline.physics` or `pipeline.explain` does arithmetic here.
First every formula is followed, symbol by symbol, from the figures printed before it. Then the
stored figures of the ranking are reckoned from the given figures alone, by code written from the
sources (`by_hand`). Every figure must agree within the rounding printed: seven digits.
"""

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import pytest

from pipeline import explain
from pipeline.explain import markdown
from pipeline.published import Published, open_run
from pipeline.run import run
from pipeline.stock import Inputs

from . import by_hand, test_plain_python
from .test_plain_python import LISTED, SETTINGS, write_list

DIGITS = 7
HOMES = 30


# The sheet as printed.


@dataclass(frozen=True)
class Printed:
    """One step: symbol, formula and formula with figures as printed, value and unit as printed."""

    what: str
    symbol: str
    formula: str
    working: str
    value: str
    unit: str
    stored: str


@dataclass(frozen=True)
class Table:
    """A table: formulas by symbol, and rows of symbol to cell; empty cells left out."""

    title: str
    formulas: dict[str, tuple[str, ...]]
    rows: dict[str, dict[str, str]]


@dataclass
class Sheet:
    blocks: list[Printed | Table] = field(default_factory=list)

    @property
    def given(self) -> dict[str, float]:
        """Figures that no formula leads to, by symbol; of a symbol printed twice the last."""
        return {
            step.symbol: float(step.value)
            for step in self.blocks
            if isinstance(step, Printed) and step.symbol and not step.formula
        }

    def facts(self) -> dict[str, str]:
        steps = [step for step in self.blocks if isinstance(step, Printed)]
        return {step.what: step.value for step in steps if not step.symbol}

    def table(self, words: str) -> Table:
        found = [b for b in self.blocks if isinstance(b, Table) and words in b.title]
        assert len(found) == 1, words
        return found[0]

    def has(self, words: str) -> bool:
        return any(isinstance(b, Table) and words in b.title for b in self.blocks)


def plain(cell: str) -> str:
    return re.sub(r"\\(.)", r"\1", cell.strip()).strip("`").removeprefix("**").removesuffix("**")


def cells(line: str) -> list[str]:
    return [plain(cell) for cell in re.split(r"(?<!\\)\|", line.strip())[1:-1]]


def read(text: str) -> Sheet:
    """Lines and tables of the sheet in order."""
    sheet, keys = Sheet(), dict[str, tuple[str, ...]]()
    table: Table | None = None
    for line in text.splitlines():
        if key := re.match(r"- `(\w+)`((?: = `[^`]+`)*) ", line):
            keys[key[1]] = tuple(re.findall(r"`([^`]+)`", key[2]))
        elif line.startswith("| ---") or line.startswith("| No."):
            continue
        elif re.match(r"\| \d+\.\d+ [a-z]", line):
            title, *symbols = cells(line)
            assert list(keys) == symbols
            table = Table(title, keys, {})
            sheet.blocks.append(table)
            keys = {}
        elif line.startswith("|") and table is not None:
            name, *row = cells(line)
            table.rows[name] = {s: c for s, c in zip(table.formulas, row, strict=True) if c}
        elif line.startswith("|"):
            _, what, symbol, formula, working, value, unit, _, stored = cells(line)
            sheet.blocks.append(Printed(what, symbol, formula, working, value, unit, stored))
        else:
            table = None
    return sheet


# Following the formulas.


def saturation(t: float) -> float:
    """Saturation pressure [Pa]. BS EN ISO 13788:2012, Annex E."""
    return 610.5 * math.exp(17.269 * t / (237.3 + t) if t >= 0 else 21.875 * t / (265.5 + t))


MEANS: dict[str, Any] = {
    "exp": math.exp, "ln": math.log, "sqrt": math.sqrt, "min": min, "max": max, "π": math.pi,
    "cos": lambda degrees: math.cos(math.radians(degrees)), "p_sat": saturation,
    "__builtins__": {},
}  # fmt: skip
SIGNS = str.maketrans({"×": "*", "−": "-", "²": "**2", "³": "**3", "^": "**", "√": "sqrt"})
SYMBOL = re.compile(r"\b[^\W\d²³][^\W²³]*")


def half_unit(value: float) -> float:
    """Half of the last of seven digits."""
    return 0.5 * 10.0 ** (math.floor(math.log10(abs(value))) + 1 - DIGITS) if value else 0.0


@dataclass(frozen=True)
class Figure:
    """A printed figure and how far the true one may lie from it."""

    text: str

    @property
    def value(self) -> float:
        return float(self.text)

    @property
    def doubt(self) -> float:
        return half_unit(self.value)


def symbols_of(formula: str) -> list[str]:
    return [s for s in dict.fromkeys(SYMBOL.findall(formula)) if s not in MEANS]


def follow(formula: str, known: Mapping[str, Figure]) -> tuple[float, float]:
    """What a formula comes to with printed figures, and the doubt their rounding leaves in it."""
    code = compile(formula.translate(SIGNS), "the sheet", "eval")
    names = {symbol: known[symbol].value for symbol in symbols_of(formula)}

    def come_to(**changed: float) -> float:
        return float(eval(code, MEANS, {**names, **changed}))

    centre = come_to()
    doubt = sum(
        max(abs(come_to(**{s: v + sign * known[s].doubt}) - centre) for sign in (-1.0, 1.0))
        for s, v in names.items()
    )
    return centre, doubt


COLUMN: dict[str, Callable[[list[float]], float]] = {
    "Σ": math.fsum, "lowest": min, "highest": max,
}  # fmt: skip


def agrees(found: float, doubt: float, printed: Figure) -> bool:
    return abs(found - printed.value) <= 1.0001 * (doubt + printed.doubt) + 1e-12 * abs(found)


def wrong_steps(sheet: Sheet) -> list[str]:
    """Steps that do not come out from the figures printed before them."""
    known, columns, wrong = dict[str, Figure](), dict[str, list[Figure]](), list[str]()
    for block in sheet.blocks:
        if isinstance(block, Table):
            columns = {}
            for name, row in block.rows.items():
                held = dict(known)
                for symbol, cell in row.items():
                    held[symbol] = Figure(cell)
                    columns.setdefault(symbol, []).append(held[symbol])
                    ways = [
                        formula
                        for formula in block.formulas[symbol]
                        if set(symbols_of(formula)) <= row.keys() | known.keys()
                    ]
                    if ways and not any(agrees(*follow(w, held), held[symbol]) for w in ways):
                        wrong.append(f"{block.title}, {name}: {symbol} {cell} {ways}")
            continue
        if not block.symbol:
            continue
        printed = Figure(block.value)
        if over := re.fullmatch(r"(Σ|lowest|highest)\((\w+)\)", block.formula):
            figures = columns[over[2]]
            found = COLUMN[over[1]]([figure.value for figure in figures])
            doubt = math.fsum(figure.doubt for figure in figures)
            right = agrees(found, doubt, printed)
        elif block.formula:
            right = agrees(*follow(block.formula, known), printed)
            right &= block.working == with_figures(block.formula, known)
        else:
            right = True
        if not right:
            wrong.append(f"{block.symbol} = {block.formula} = {block.working} = {block.value}")
        known[block.symbol] = printed
    return wrong


def with_figures(formula: str, known: Mapping[str, Figure]) -> str:
    """The formula with each symbol replaced by the figure printed for it."""

    def figure(found: re.Match[str]) -> str:
        if found[0] in MEANS:
            return found[0]
        text = known[found[0]].text
        return f"({text})" if text.startswith("-") else text

    return SYMBOL.sub(figure, formula)


# The homes.


@pytest.fixture(scope="module")
def varied(tmp_path_factory: pytest.TempPathFactory) -> Published:
    """A run on the list of `test_plain_python`: given lengths, measured loss, meters, cob."""
    folder = tmp_path_factory.mktemp("sheet")
    write_list(folder / "stock.csv")
    run(Inputs(folder / "stock.csv"), folder / "town.duckdb", folder, SETTINGS)
    return open_run(folder / "town.duckdb")


def printed(home: dict[str, Any], published: Published) -> Sheet:
    paper = explain.paper(home, published, "no file")
    return read(markdown.write(paper, "").decode())


@pytest.fixture(scope="module")
def sheets(varied: Published, demo: Published) -> list[tuple[dict[str, Any], Sheet]]:
    """Homes of every kind, two of three from the varied list, with their sheets as printed."""
    kinds = ("wall_construction", "property_type", "fuel", "reason")
    some = demo.ranking.group_by(*kinds, maintain_order=True).first()
    every = [(home, varied) for home in varied.ranking.head(2 * HOMES // 3).to_dicts()]
    every += [(home, varied) for home in varied.ranking.tail(4).to_dicts()]
    every += [(home, demo) for home in some.gather_every(7).to_dicts()]
    assert len(every) >= HOMES
    return [(home, printed(home, published)) for home, published in every]


def test_the_homes_are_of_many_kinds(sheets: list[tuple[dict[str, Any], Sheet]]) -> None:
    homes = [home for home, _ in sheets]
    chosen = [home for home in homes if home["system"] is not None]
    assert {home["property_type"] for home in chosen} >= {"house", "flat", "bungalow"}
    walls = {"solid_brick", "system_built", "stone_sandstone", "filled_cavity", "cob"}
    assert {home["wall_construction"] for home in chosen} >= walls
    assert {home["u_value_source"].split(":")[0] for home in chosen} == {"stock list", "default"}
    assert any("by thickness" in home["u_value_source"] for home in chosen)
    fuels = {"mains_gas", "heating_oil", "electricity"}
    assert {home["fuel"] for home in chosen} >= fuels
    assert {sheet.has("psi and") for home, sheet in sheets if home["system"]} == {True, False}
    for column in ("measured_htc_w_k", "metered_heating_kwh_per_year", "reason"):
        assert {home[column] is not None for home in homes} == {True, False}, column
    assert {home["jamb_length_m"] in (L["jamb_length_m"] for L in LISTED.values())
            for home in chosen} == {True, False}  # fmt: skip


def test_every_step_comes_out_from_the_figures_printed(
    sheets: list[tuple[dict[str, Any], Sheet]],
) -> None:
    for home, sheet in sheets:
        assert wrong_steps(sheet) == [], home["home_id"]
