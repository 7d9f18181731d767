"""What the command line prints: tables a person enjoys reading. No arithmetic."""

import math
import os
import re
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import polars as pl
from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.panel import Panel
from rich.table import Table
from rich.text import Text

from pipeline import changes, claims, comparison, explain, identity, programme, scenarios
from pipeline.columns import dictionary
from pipeline.explain import layout
from pipeline.funding import Funding
from pipeline.funding.tables import in_short, none_funded, own_money
from pipeline.options import screens
from pipeline.plurals import counted
from pipeline.run import Result
from pipeline.settings import Works
from pipeline.stock import Stock
from pipeline.stock import workbook as books
from pipeline.stock.faults import brought_back
from pipeline.stock.faults import counts as fault_counts
from pipeline.stock.headings import Match, suggestions

_UNSEEN = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f\u200e\u200f\u202a-\u202e\u2066-\u2069]")
"""Characters that would steer a terminal or turn the order of its text round."""


class _Plain(Console):
    """A console to which text is only text: no markup, no emoji codes, nothing that steers it."""

    def render_str(self, text: str, **how: Any) -> Text:
        """Text as it stands, with a mark where a character cannot be shown."""
        return super().render_str(_UNSEEN.sub("\ufffd", text), **{**how, "markup": False})

    def on_broken_pipe(self) -> None:
        """Print no more, and let the command finish its files: whoever read had read enough."""
        self.quiet = True
        os.dup2(os.open(os.devnull, os.O_WRONLY), self.file.fileno())


console = _Plain(highlight=False, emoji=False)
complaints = _Plain(stderr=True, highlight=False, emoji=False)


def words(*parts: str | tuple[str, str]) -> Text:
    """One text from parts, each plain or with a style beside it."""
    seen = [(part, "") if isinstance(part, str) else part for part in parts]
    return Text.assemble(*((_UNSEEN.sub("\ufffd", text), style) for text, style in seen))


def show_run(result: Result, met: pl.DataFrame) -> None:
    """Totals, the top ten, what was not ranked, and what is in quarantine and why.

    met: homes claimed before, or alike (`claims.met_in`), on which no money is spent again.
    """
    account, ranking = result.account, result.ranking
    rows, budget = account["rows"], account["settings"]["budget_gbp"]
    _show_reading(account, result.listed.raw.match)
    warn_invented(account["rate_book_source"])
    older = f" + superseded {rows['superseded']:,}" if rows["superseded"] else ""
    console.print(
        f"Rows read {rows['read']:,} = accepted {rows['accepted']:,}"
        f" + quarantined {rows['quarantined']:,}{older}.  Ranked: {rows['ranked']:,}.",
        highlight=False,
    )
    _show_sources(account["sources"])
    every = programme.totals(ranking.filter(pl.col("rank").is_not_null()))
    funded = programme.totals(programme.affordable(claims.still_open(ranking, met), budget))
    headings = ["", "All ranked", f"Within {budget:,.0f} GBP"]
    shown = [[_title(name), _whole(every[name]), _whole(funded[name])] for name in every]
    _print(f"The programme, run {account['run_id']}", headings, shown, shrinking=0)
    show_left_out(met)
    _show_first_ten(ranking)
    left = ranking.filter(pl.col("rank").is_null())["reason"].value_counts(sort=True)
    _show_counts("Accepted but not ranked", left)
    verdicts = ranking.filter(pl.col("rank").is_not_null())["screen_verdict"]
    _show_counts("Ranked, by worst screen", verdicts.value_counts(sort=True))
    _show_counts(
        "Warnings, the commonest", fault_counts(result.listed.faults, warnings=True).head(6)
    )
    _show_counts("In quarantine", fault_counts(result.listed.faults))
    _show_unread(result.listed)
    for asked in result.listed.raw.questions:
        console.print(f"Question: {asked.about} {asked.found}", highlight=False)
    for place in result.stood:
        console.print(f"The dictionary answers {place} otherwise; what stands there was used.")
    for path in result.not_given:
        console.print(
            words(
                f"{path} is filled in and this run was not given it. If it is of this list add"
                f" --mended {path}; if of another, its answers carry over by --dictionary."
            ),
            style="bold",
        )
    if rows["quarantined"]:
        _show_how_to_mend(account["workbook"])
    console.print(Panel(explain.CAUTION, title="Before anybody acts on this", expand=False))


def _show_sources(sources: dict[str, dict[str, Any]]) -> None:
    """What became of the rows and values of each source laid over the list."""
    for name, told in sources.items():
        ways = ", ".join(f"{rows:,} by {way}" for way, rows in told["matched"].items())
        used = ", ".join(f"{dictionary()[c].label} {n:,}" for c, n in told["used"].items())
        console.print(
            f"Source '{name}': {sum(told['matched'].values()):,} of {counted(told['rows'], 'row')}"
            f" matched ({ways}); {counted(told['homes'], 'home')} got something."
            f" Values used: {used}.",
            highlight=False,
        )
        for why, left in told["not_matched"].items():
            named = f" (such as {', '.join(left['first'])})" if left["first"] else ""
            console.print(f"  {left['rows']:,} not used: {why}{named}.", highlight=False)


_MOST_TEXTS = 10


def _show_unread(listed: Stock) -> None:
    """Name the texts that were not understood, and how many rows an answer to each brings back."""
    unread = listed.said.filter(pl.col("value").is_null())
    alone, together = brought_back(listed.faults)
    told = unread.join(
        alone.rename({"rows": "alone"}), on=["heading", "text"], how="left", maintain_order="left"
    ).sort(
        "alone", "rows", "column", "text", descending=[True, True, False, False], nulls_last=True
    )
    shown = [
        (
            f"{line['heading']} '{line['text']}'"
            + (f" (an answer brings back or frees {counted(n, 'row')})" if n else ""),
            rows,
        )
        for line in told.head(_MOST_TEXTS).to_dicts()
        for n, rows in [(line["alone"], line["rows"])]
    ]
    _show_counts("Not understood", pl.DataFrame(shown, schema=["text", "rows"], orient="row"))
    if (more := told.height - _MOST_TEXTS) > 0:
        console.print(f"and {counted(more, 'other text')}.", highlight=False)
    if told.height:
        console.print(
            "What they stand for is answered once each, on sheet 'How we read it'; all answers"
            f" together bring back or free {counted(together, 'row')}.",
            highlight=False,
        )


def show_copies(ledger: Path, copies: Iterable[Path]) -> None:
    """Say which ledger is in use where copies of it lie beside; nothing where none do."""
    for copy in copies:
        console.print(
            f"{ledger} is in use. Beside it lies a copy, {copy}, which is not read: keep copies in"
            " another folder.",
            soft_wrap=True,
        )


def show_left_out(met: pl.DataFrame) -> None:
    """Say how many homes no money is spent on again, and why; nothing where there are none."""
    before, sure = pl.col("claim_id").is_not_null(), pl.col("way").is_in(identity.SURE)
    if claimed := met.filter(before & sure).height:
        console.print(f"Left out of the budget, claimed before: {counted(claimed, 'home')}.")
    for what, alike in (
        ("homes claimed before", met.filter(before & ~sure)),
        ("a home further up in the order", met.filter(~before)),
    ):
        for row in alike.head(1).iter_rows(named=True):
            console.print(
                f"Left out of the budget, as they look like {what}:"
                f" {counted(alike.height, 'home')}, such as {row['home_id']} ({row['way']} as"
                f" {row['other']}). Where somebody has seen that two are two homes, `programme"
                " claim` and `allocate` take --another HOME=OTHER=REASON."
            )


def run_files(result: Result) -> str:
    """Names of the files of a run that a person opens first."""
    return f"ranking.csv, screens.csv, {result.account['workbook']}, run.json"


def _show_how_to_mend(workbook: str) -> None:
    """Which workbook to fill; where it is not the first, that the filled ones stand and count."""
    if workbook != books.NAME:
        console.print(
            f"The new workbook is {workbook}: what stood before it was filled by somebody or read"
            " by this run, and is as it was. Give every filled one with a --mended of its own, the"
            " oldest first."
        )
    console.print(f"To mend them: fill the yellow cells of {workbook}, run again with --mended.\n")


def show_named(named: claims.Named) -> None:
    """Say whose options the homes of a list get, and how many were left out as not funded."""
    whose = "the ranking's" if named.options is None else "as the list names them"
    console.print(f"Systems and thicknesses: {whose}.")
    if named.not_funded:
        left = counted(named.not_funded, "home")
        console.print(f"Left out, as the list says that they are not funded: {left}.")


def warn_invented(source: str) -> None:
    """Say so where prices rest on the invented demo rate book."""
    if "invented" in source:
        console.print(
            words(
                ("Costs rest on the invented demo rate book.", "bold yellow"),
                " Put your own rates in (settings, cost.rate_book) before anybody relies on a"
                " price.",
            )
        )


_PIECES = ("name, number or e-mail address", "names, numbers or e-mail addresses")


def _show_reading(account: dict[str, Any], found: Match) -> None:
    """How the list was read: notes, headings left out with what they look like, personal data."""
    for note in account["notes"]:
        console.print(f"The list: {note}.", highlight=False)
    personal = account["personal"]
    if found.unused:
        near = suggestions(found)
        told = [
            h + (f" (like {dictionary()[near[h]].label}?)" if h in near else "")
            for h in found.unused
        ]
        console.print(f"Headings not used: {', '.join(told)}.", highlight=False)
    if any(personal.values()):
        console.print(
            f"Personal data: {counted(personal['columns_dropped'], 'column')} dropped,"
            f" {counted(personal['pieces_struck_out'], *_PIECES)} struck out.",
            highlight=False,
        )


def _print(
    title: str, headings: list[str], rows: list[list[str]], shrinking: int | None, keys: int = 1
) -> None:
    """Print a table in which only the column of words `shrinking` may be cut to fit the screen.

    Where figures still have no room, the table goes on below, under its first `keys` columns.
    """
    widths = [max(map(len, column)) for column in zip(headings, *rows, strict=True)]
    if shrinking is not None:
        least = max(_LEAST_WORDS, len(headings[shrinking]))
        widths[shrinking] = min(widths[shrinking], least)
    for number, part in enumerate(_parts(widths, console.width, keys)):
        _print_part(
            f"{title}, continued" if number else title,
            [headings[c] for c in part],
            [[row[c] for c in part] for row in rows],
            part.index(shrinking) if shrinking in part else None,
        )


_LEAST_WORDS = 8
"""Characters of a column of words below which it is not cut."""


def _parts(widths: list[int], room: int, keys: int) -> list[list[int]]:
    """Columns side by side as far as they have room, the first `keys` in every part."""
    parts = [list(range(keys))]
    for column in range(keys, len(widths)):
        beside = [*parts[-1], column]
        if sum(widths[c] + 2 for c in beside) + 1 > room and len(parts[-1]) > keys:
            parts.append([*range(keys), column])
        else:
            parts[-1] = beside
    return parts


def _print_part(
    title: str, headings: list[str], rows: list[list[str]], shrinking: int | None
) -> None:
    console.print(title, style="italic")
    table = Table(box=SIMPLE_HEAD, padding=(0, 1, 0, 0))
    widths = [max(map(len, column)) for column in zip(headings, *rows, strict=True)]
    others = sum(width for number, width in enumerate(widths) if number != shrinking)
    room = console.width - others - 2 * len(widths) - 1
    for number, heading in enumerate(headings):
        figures = bool(rows) and all(row[number][:1] in "-0123456789" for row in rows)
        table.add_column(heading, justify="right" if figures else "left", no_wrap=True)
    for row in rows:
        cells = list(row)
        if shrinking is not None and len(cells[shrinking]) > room:
            cells[shrinking] = cells[shrinking][: max(room - 1, 1)] + "…"
        table.add_row(*cells)
    console.print(table)


def _show_first_ten(ranking: pl.DataFrame) -> None:
    headings = ["Home", "Street", "System", "mm", "U now", "then", "kWh/year", "GBP", "Score"]
    rows = [
        [
            row["home_id"],
            row["street"],
            row["system"].replace("_", " "),
            f"{row['thickness_mm']:.0f}",
            f"{row['u_existing_w_m2k']:.2f}",
            f"{row['u_after_w_m2k']:.2f}",
            f"{row['fuel_saved_kwh_per_year']:,.0f}",
            f"{row['cost_gbp']:,.0f}",
            f"{row['score']:.2f}",
        ]
        for row in ranking.filter(pl.col("rank") <= 10).iter_rows(named=True)
    ]
    _print("First ten homes, modelled fuel saved", headings, rows, shrinking=1)


def _show_counts(title: str, counts: pl.DataFrame) -> None:
    if counts.height:
        table = Table(title=title, title_justify="left", box=None, show_header=False)
        table.add_column("rows", justify="right", style="bold")
        table.add_column("why")
        for why, rows in counts.iter_rows():
            table.add_row(f"{rows:,}", why)
        console.print(table)


def show_options(
    home: dict[str, Any], compared: pl.DataFrame, optima: pl.DataFrame, works: Works
) -> None:
    """The options a home may have, why the others are out, and two apart: chosen, most worth."""
    open_to = comparison.may_be_had(compared)
    marked = {
        ">": comparison.chosen(compared).select("system", "thickness_mm").rows(),
        "*": comparison.greatest_net_present_value(compared)
        .select("system", "thickness_mm")
        .rows(),
    }
    rows = [
        [
            _marks(row, marked) + row["system_label"],
            f"{row['thickness_mm']:.0f}",
            f"{row['u_after_w_m2k']:.2f}",
            f"{row['fuel_saved_kwh_per_year']:,.0f}",
            f"{row['cost_gbp']:,.0f}",
            f"{row['cost_low_gbp'] / 1000:.1f}-{row['cost_high_gbp'] / 1000:.1f}",
            f"{row['simple_payback_years']:.1f}",
            f"{row['cost_per_lifetime_tonne_gbp']:,.0f}",
            f"{row['net_present_value_gbp']:,.0f}",
        ]
        for row in open_to.iter_rows(named=True)
    ]
    headings = ["System", "mm", "U after", "kWh/year", "GBP", "range k", "years", "GBP/t",
                "Net"]  # fmt: skip
    if rows:
        _print(f"Options of {home['home_id']}, modelled savings", headings, rows, shrinking=0)
    in_time = int(open_to["pays_back_in_time"].sum())
    if marked[">"]:
        console.print(f"> chosen: {comparison.CHOSEN_FOR}.")
    if marked["*"]:
        console.print(f"* {comparison.GREATEST_FOR} of those the home may have.")
    console.print(
        f"{in_time} of {open_to.height} pay back within"
        f" {works.payback_most_years:g} years (the test of Approved Document L 2021; the building"
        " control body decides).",
        highlight=False,
    )
    out = compared.join(open_to, on=["system", "thickness_mm"], how="anti")
    counts = out["verdict"].value_counts().sort("count", "verdict", descending=[True, False])
    _show_counts("Options that are out", counts.rename({"verdict": "why", "count": "rows"}))
    best = [
        [
            row["system_label"],
            "-" if row["optimum_mm"] is None else f"{row['optimum_mm']:.0f}",
            f"{row['stocked_mm']:.0f}",
            f"{row['net_present_value_gbp']:,.0f}",
        ]
        for row in optima.iter_rows(named=True)
    ]
    if not best:
        return
    _print("Thickness of greatest net present value", ["System", "closed form mm", "stocked mm",
           "Net GBP"], best, shrinking=0)  # fmt: skip
    console.print(
        "The closed form takes the plane wall; the stocked thickness is reckoned in full, with"
        " junctions, which lose more as boards grow thicker.",
        highlight=False,
    )


def _marks(row: dict[str, Any], marked: dict[str, list[tuple[Any, ...]]]) -> str:
    """The signs of the options a row is among."""
    own = (row["system"], row["thickness_mm"])
    signs = "".join(sign for sign, those in marked.items() if own in those)
    return f"{signs} " if signs else ""


def show_bill(lots: pl.DataFrame, homes: pl.DataFrame, which: str) -> None:
    """The ten dearest lots, and all of them together beside the same homes priced alone.

    which: how the homes were picked, in words.
    """
    dearest = lots.sort("total_gbp", "lot_no", descending=[True, False]).head(10)
    rows = [
        [
            f"{row['lot_no']}",
            row["street_lot"],
            f"{row['homes']:,}",
            f"{row['net_area_m2']:,.0f}",
            f"{row['before_vat_gbp']:,.2f}",
            f"{row['vat_gbp']:,.2f}",
            f"{row['total_gbp']:,.2f}",
        ]
        for row in dearest.iter_rows(named=True)
    ]
    headings = ["Lot", "Street lot", "Homes", "m2", "before VAT GBP", "VAT GBP", "Total GBP"]
    _print("Bill of quantities, dearest lots", headings, rows, shrinking=1)
    total, alone = (
        int((money * 100).round().cast(pl.Int64).sum())
        for money in (lots["total_gbp"], homes["priced_alone_gbp"])
    )
    change = "less" if total <= alone else "more"
    console.print(
        f"{counted(lots.height, 'lot')}, {counted(homes.height, 'home')} {which}, VAT included:\n"
        f"  £{alone / 100:,.2f} priced alone, each home as if in a lot of the settings' size"
        " (cost.lot_homes)\n"
        f"  £{abs(alone - total) / 100:,.2f} {change}, each lot with the discount of its own"
        " size\n"
        f"  £{total / 100:,.2f} in all, as in bill.xlsx",
        highlight=False,
    )
    console.print(explain.CAUTION, style="dim")


_MODELLED = {
    "homes": "Homes", "fuel_saved_kwh_per_year": "kWh",
    "bill_saved_gbp_per_year": "bills", "cost_gbp": "cost GBP",
    "net_present_value_gbp": "net GBP", "cost_per_lifetime_tonne_gbp": "GBP/t",
}  # fmt: skip
_EXPECTED = {
    "expected_fuel_saved_kwh_per_year": "kWh",
    "expected_bill_saved_gbp_per_year": "bills",
    "expected_co2_saved_kg_per_year": "kgCO2e",
    "expected_net_present_value_gbp": "net GBP",
}
_OF_THICKNESS = {
    "homes_allowed": "may", "u_after_mean_w_m2k": "U after", "fuel_saved_kwh_per_year": "kWh",
    "cost_gbp": "cost GBP", "cost_per_lifetime_tonne_gbp": "GBP/t",
    "marginal_cost_per_lifetime_tonne_gbp": "next t",
}  # fmt: skip


def show_sweep(sweep: pl.DataFrame, name: str) -> None:
    """Totals by insulant and thickness, or by the value of a setting: modelled, then expected."""
    if name == scenarios.THICKNESS:
        _show_swept(sweep, {"system_label": "System", name: "mm"}, "modelled", _OF_THICKNESS)
        console.print("Expected figures stand beside the modelled ones in whatif.csv.")
    else:
        for title, shown in (("modelled", _MODELLED), ("expected in use", _EXPECTED)):
            _show_swept(sweep, {name: name.rsplit(".", 1)[-1]}, title, shown)
    if (sweep["homes"] == 0.0).any():
        console.print("Where no home is afforded there is no cost per tonne: -.")
    if still := scenarios.effect(sweep, name):
        console.print(still)


def _show_swept(
    sweep: pl.DataFrame, keys: dict[str, str], title: str, shown: dict[str, str]
) -> None:
    rows = [
        [
            *(c if isinstance(c, str) else _plain_number(c) for c in (row[key] for key in keys)),
            *(_cell(row[column]) for column in shown),
        ]
        for row in sweep.iter_rows(named=True)
    ]
    words_first = 0 if len(keys) > 1 else None
    _print(f"What if, {title}: fuel in kWh, bills in GBP and CO2 a year",
           [*keys.values(), *shown.values()], rows, words_first, len(keys))  # fmt: skip


def _plain_number(value: float) -> str:
    """A value of a setting as it was written: no digit left out, a year without a comma."""
    if isinstance(value, int):
        return str(value)
    return f"{value:,.9f}".rstrip("0").rstrip(".")


_MOST_NAMED = 5


def show_changes(found: changes.Changes, derived: bool) -> None:
    """What the runs rest on, then homes, inputs, results and money; derived columns on request."""
    if found.basis:
        rows = [[what, _short(was), _short(now)] for what, was, now in found.basis]
        _print("The runs rest on other figures", ["What", "Before", "After"], rows, shrinking=1)
    else:
        console.print("Settings, rates and versions are the same.")
    n = {name: f"{count:,}" for name, count in found.homes.items()}
    console.print(
        f"Homes before {n['before']} = kept {n['kept']} + re-keyed {n['rekeyed']} + gone"
        f" {n['gone']}.  After {n['after']} = kept {n['kept']} + re-keyed {n['rekeyed']} + new"
        f" {n['new']}.",
        highlight=False,
    )
    _show_changed("Inputs that differ: what the landlord changed", found.lines, changes.INPUT)
    _show_changed("Results that differ", found.lines, changes.RESULT)
    _show_money(found.money)
    if derived:
        _show_changed("Derived columns that differ", found.lines, changes.DERIVED)


def _show_changed(title: str, lines: pl.DataFrame, kind: str) -> None:
    columns = (
        lines.filter(pl.col("kind") == kind)
        .group_by("column", maintain_order=True)
        .agg(pl.len().alias("homes"), pl.first("home_id"), pl.first("before"), pl.first("after"))
        .sort("homes", "column", descending=[True, False])
    )
    rows = [
        [_title(column), f"{homes:,}", f"{home}: {_short(was)} → {_short(now)}"]
        for column, homes, home, was, now in columns.iter_rows()
    ]
    if rows:
        _print(title, ["Column", "Homes", "For instance"], rows, shrinking=2)
    else:
        console.print(f"{title}: none.")


def _show_money(money: dict[str, dict[str, Any]]) -> None:
    """Totals of the ranking and of the budget before and after, and the homes in and out."""
    for name, told in money.items():
        was, now = told["before"], told["after"]
        rows = [[_title(c), _whole(was[c]), _whole(now[c])] for c in was]
        _print(f"Homes in the {name}", ["", "Before", "After"], rows, shrinking=0)
        for way in ("in", "out"):
            first = ", ".join(told[way][:_MOST_NAMED])
            more = ", ..." if len(told[way]) > _MOST_NAMED else ""
            console.print(f"  {way}: {len(told[way]):,} {first}{more}".rstrip(), highlight=False)
    console.print("Claims made are not looked at here.")


def show_allocation(made: Funding, why: str | None) -> None:
    """What the funds buy, how good that is, what limits it, what would move it; one home's why."""
    account, homes = made.account, made.homes
    warn_invented(account["rate_book_source"])
    invented = [one["name"] for one in account["funds"] if one["invented"]]
    if invented:
        console.print(words(("Invented for the demo:", "bold yellow"), f" {', '.join(invented)}."))
    if none := none_funded(homes):
        console.print(words((none, "bold red")))
    else:
        console.print(
            f"{counted(account['totals']['homes'], 'home')} for"
            f" {account['totals']['cost_gbp']:,.0f} GBP, worth {account['value']:,.0f}"
            f" {account['objective']}. No choice that keeps the rules is worth more than"
            f" {account['bound']:,.0f}: the gap is {account['gap']:.2%}.",
            highlight=False,
        )
        _show_fund_years(homes)
    console.print(own_money(account["means"]), highlight=False)
    rules = [rule for rule in account["rules"] if rule["kind"] != "whole"]
    rows = [
        [r["rule"], _PLAIN_LIMITS[r["kind"]], f"{r['limit']:,.0f}", f"{r['slack']:,.0f}"]
        for r in rules
        if r["kind"] in _PLAIN_LIMITS and r["sense"] == "at_most"
    ]
    _print("Limits, and what is left of each", ["Rule", "Unit", "Limit", "Left"], rows, shrinking=0)
    console.print("What the next pound buys")
    for rule in rules:
        if rule["price"] > 0.0:
            console.print(f"  {rule['next']}", highlight=False)
    _show_moves(homes)
    left = homes.filter(pl.col("funded") == "no")["reason_code"].value_counts(sort=True)
    said = left.select(pl.col("reason_code").map_elements(in_short, pl.String), "count")
    _show_counts("Why homes are not funded; home by home in allocation.csv", said)
    for row in homes.filter(pl.col("home_id") == (why or "")).iter_rows(named=True):
        console.print(words((row["home_id"], "bold"), f": {row['why']}"))
        named = f" Rule: {row['rule']} {row['rule_version']}".rstrip() + "." if row["rule"] else ""
        console.print(f"  Code {row['reason_code']}.{named}", highlight=False)
    console.print(Panel(explain.CAUTION, title="Before anybody acts on this", expand=False))


_PLAIN_LIMITS = {"money": "GBP", "homes": "homes"}
"""Kinds of rule whose limit reads as it stands, and its unit; averages and shares are words."""


def _show_fund_years(homes: pl.DataFrame) -> None:
    funded = homes.filter(pl.col("funded") == "yes")
    rows = []
    for (fund, year), part in funded.sort("fund", "year").group_by(
        "fund", "year", maintain_order=True
    ):
        infill = part.filter(pl.col("infill") == "yes")
        rows.append(
            [str(fund), str(year), f"{part.height:,}", f"{part['cost_gbp'].sum():,.0f}",
             f"{part['grant_gbp'].sum():,.0f}", f"{part['own_gbp'].sum():,.0f}",
             f"{infill.height:,}", f"{infill['cost_gbp'].sum():,.0f}"]
        )  # fmt: skip
    headings = ["Fund", "Year", "Homes", "Cost GBP", "Grant", "Own", "Infill", "its cost"]
    _print("Who pays for what, and when", headings, rows, shrinking=0)


def _show_moves(homes: pl.DataFrame) -> None:
    """Which homes enter and leave when all budgets move by a tenth."""
    for column, words in (("budget_10_more", "10 % more"), ("budget_10_less", "10 % less")):
        parts = []
        for verb in ("enters", "leaves"):
            keys = homes.filter(pl.col(column) == verb)["home_id"].to_list()
            more = f" and {len(keys) - 4:,} more" if len(keys) > 4 else ""
            parts.append(
                f"{len(keys):,} {verb[:-1]}" + (f" ({', '.join(keys[:4])}{more})" if keys else "")
            )
        console.print(f"With {words} in all budgets {', '.join(parts)}.", highlight=False)
    shares = homes["funded_share"].drop_nulls()
    if shares.len():
        always = homes.filter((pl.col("funded") == "yes") & (pl.col("funded_share") >= 0.9)).height
        console.print(
            f"With the assumptions moved, {always:,} of the funded homes stay funded in nine draws"
            " of ten or more (column funded_share).", highlight=False,
        )  # fmt: skip


def show_claim(claim_id: str, totals: dict[str, str]) -> None:
    """Number and totals of a claim."""
    rows = [
        [_title(name), value if name == "homes" else f"{float(value):,.2f}"]
        for name, value in totals.items()
    ]
    _print(f"Claim {claim_id}", ["Total", ""], rows, shrinking=0)
    console.print(explain.CAUTION, style="dim")


def show_sources(counts: pl.DataFrame, figures: pl.DataFrame, mark: str | None) -> None:
    """Figures of each table by mark, the sum of them, and the rows of one mark where asked."""
    total = counts.select(pl.lit("all").alias("table"), pl.exclude("table").sum())
    rows = [[str(cell) for cell in row] for row in pl.concat([counts, total]).iter_rows()]
    headings = [c.replace("raised", "raised from memory") for c in counts.columns]
    _print("Figures by mark", headings, rows, shrinking=0)
    marked = figures.filter(pl.col("checked") == pl.lit(mark, pl.String))
    for table in marked["table"].unique(maintain_order=True):
        of_table = marked.filter(pl.col("table") == table)
        named = of_table.group_by("row", maintain_order=True).agg(
            pl.col("value").str.join(" ").str.head(16), pl.first("source")
        )
        rows = [list(row) for row in named.iter_rows()]
        _print(f"Marked {mark}: {table}", ["Row", "Value", "Source"], rows, shrinking=2)
    console.print(
        "Marks: seen = read in a published page; practice = common practice; memory = recalled from"
        " the named publication, not read; assumed = our own; given = yours. Replace what you can."
    )


def show_sheet(paper: explain.Paper) -> None:
    """One home's calculation, part by part, each figure with formula, values and source."""
    console.print(paper.title, style="bold")
    for told in paper.cautions:
        console.print(told, style="dim" if told == explain.CAUTION else "bold red")
    for pairs in (paper.origin, paper.short):
        table = Table(box=None, show_header=False, padding=(0, 1, 0, 0))
        for label, text in pairs:
            table.add_row(Text(label, "dim"), text)
        table.columns[1].overflow = "fold"
        console.print(table)
    for section in paper.layout.sections:
        console.rule(section.title, align="left")
        for block in section.blocks:
            if isinstance(block, layout.Grid):
                _show_grid(block)
            else:
                for line in block:
                    _show_line(line)
    console.rule("Check", align="left")
    console.print(f"{paper.drawn}\n{paper.check.words()}".strip(), highlight=False)
    console.rule("Sources", align="left")
    console.print(explain.MARKS, highlight=False)
    for number, source in enumerate(paper.layout.sources, start=1):
        console.print(f"[{number}] {source}", style="dim", highlight=False)


def _show_line(line: layout.Line) -> None:
    """What, symbol and value on one line; formula, figures and source below where there are any."""
    step = line.step
    symbol = f"{step.symbol} = " if step.symbol else ""
    value = f"{explain.show(step.value)} {layout.pretty(step.unit)}".strip()
    console.print(
        words(f"{line.number} {step.what}: {symbol}", (value, "bold"), (f"  {line.source}", "dim"))
    )
    for text in filter(None, (step.formula, step.working)):
        console.print(f"    = {text}", highlight=False)


def _show_grid(grid: layout.Grid) -> None:
    table = Table(title=f"{grid.number} {grid.title}", title_justify="left", box=None,
                  padding=(0, 1, 0, 0))  # fmt: skip
    table.add_column("", overflow="fold")
    for column in grid.columns:
        found = "".join(f" = {formula}" for formula in column.formulas)
        sources = "; ".join(column.sources)
        console.print(words(f"    {column.symbol}{found}  ", (f"{column.what}; {sources}", "dim")))
        table.add_column(f"{column.symbol}\n{layout.pretty(column.unit)}", justify="right",
                         overflow="fold")  # fmt: skip
    for row in grid.rows:
        table.add_row(*row)
    console.print(table)
    console.print()


def show_screens(home: dict[str, Any]) -> None:
    """One home's cells of the screens, and what would have to change for it to pass them all."""
    console.print(words((home["home_id"], "bold"), f"  {home['address'] or ''}"))
    console.print(words("Worst verdict: ", (home["screen_verdict"], "bold")))
    told = Table(box=SIMPLE_HEAD, padding=(0, 1, 0, 0))
    for heading in ("Screen", "Verdict", "Why"):
        told.add_column(heading)
    for name in screens.SCREENS:
        verdict, _, why = (home[name] or screens.NOT_TESTED).partition(": ")
        told.add_row(_title(name), verdict, why)
    console.print(told)
    console.print(f"To pass every screen: {home['changes_to_pass'] or 'nothing'}.")
    console.print(explain.CAUTION, style="dim")


def _short(text: str | None) -> str:
    """A value in a few characters: figures to six digits, nothing for an empty cell."""
    try:
        return f"{float(text or ''):.6g}"
    except ValueError:
        return text or "nothing"


def _title(name: str) -> str:
    known = dictionary().get(name)
    return known.titled if known else name.replace("_", " ").capitalize()


def _whole(value: float) -> str:
    """A total without decimals; a dash where there is none, such as a cost per tonne of nothing."""
    return f"{value:,.0f}" if math.isfinite(value) else "-"


def _cell(value: Any) -> str:
    if value is None:
        return "-"
    if isinstance(value, float):
        return f"{value:,.0f}" if abs(value) >= 100 else f"{value:,.3g}"
    return str(value)
