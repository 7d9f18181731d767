"""What the command line prints: tables a person enjoys reading. No arithmetic."""

from typing import Any

import polars as pl
from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.markup import escape
from rich.panel import Panel
from rich.table import Table

from pipeline import explain, programme
from pipeline.columns import dictionary
from pipeline.run import Result
from pipeline.stock.faults import counts as fault_counts
from pipeline.stock.headings import suggestion

console = Console()
complaints = Console(stderr=True)


def show_run(result: Result) -> None:
    """Totals, the top ten, what was not ranked, and what is in quarantine and why."""
    account, ranking = result.account, result.ranking
    rows, budget = account["rows"], account["settings"]["budget_gbp"]
    _show_reading(account)
    warn_invented(account["rate_book_source"])
    console.print(
        f"Rows read {rows['read']:,} = accepted {rows['accepted']:,}"
        f" + quarantined {rows['quarantined']:,}.  Ranked: {rows['ranked']:,}.",
        highlight=False,
    )
    every = programme.totals(ranking.filter(pl.col("rank").is_not_null()))
    funded = programme.totals(programme.affordable(ranking, budget))
    headings = ["", "All ranked", f"Within {budget:,.0f} GBP"]
    shown = [[_title(name), f"{every[name]:,.0f}", f"{funded[name]:,.0f}"] for name in every]
    _print(f"The programme, run {account['run_id']}", headings, shown, shrinking=0)
    _show_first_ten(ranking)
    left = ranking.filter(pl.col("rank").is_null())["reason"].value_counts(sort=True)
    _show_counts("Accepted but not ranked", left)
    _show_counts("In quarantine", fault_counts(result.faults))
    console.print(Panel(explain.CAUTION, title="Before anybody acts on this", expand=False))


def warn_invented(source: str) -> None:
    """Say so where prices rest on the invented demo rate book."""
    if "invented" in source:
        console.print(
            "[bold yellow]Costs rest on the invented demo rate book.[/] Put your own rates in"
            " (settings, cost.rate_book) before anybody relies on a price."
        )


def _show_reading(account: dict[str, Any]) -> None:
    """How the list was read: notes, headings left out with what they look like, personal data."""
    for note in account["notes"]:
        console.print(f"The list: {escape(note)}.", highlight=False)
    personal = account["personal"]
    if account["headings_not_used"]:
        told = [
            h + (f" (like {dictionary()[near].label}?)" if (near := suggestion(h)) else "")
            for h in account["headings_not_used"]
        ]
        console.print(f"Headings not used: {escape(', '.join(told))}.", highlight=False)
    if any(personal.values()):
        console.print(
            f"Personal data: {personal['columns_dropped']} columns dropped,"
            f" {personal['numbers_and_addresses_struck']} numbers or e-mail addresses struck out.",
            highlight=False,
        )


def _print(title: str, headings: list[str], rows: list[list[str]], shrinking: int) -> None:
    """Print a table in which only the column `shrinking` may be cut to fit the screen."""
    table = Table(title=title, title_justify="left", box=SIMPLE_HEAD, padding=(0, 1, 0, 0))
    widths = [max(map(len, column)) for column in zip(headings, *rows, strict=True)]
    room = console.width - sum(widths) + widths[shrinking] - 2 * len(widths) - 2
    for number, heading in enumerate(headings):
        figures = bool(rows) and rows[-1][number][:1].isdigit()
        table.add_column(heading, justify="right" if figures else "left", no_wrap=True)
    for row in rows:
        cells = list(row)
        if len(cells[shrinking]) > room:
            cells[shrinking] = cells[shrinking][: max(room - 1, 1)] + "…"
        table.add_row(*map(escape, cells))
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
            table.add_row(f"{rows:,}", escape(why))
        console.print(table)


def show_sweep(sweep: pl.DataFrame, name: str) -> None:
    """Totals by insulant and thickness, or by the value of a setting."""
    shown = {
        "system_label": "System",
        name: "mm" if name == "thickness_mm" else name,
        "homes": "Homes",
        "homes_allowed": "may have it",
        "u_after_mean_w_m2k": "U after",
        "heat_saved_kwh_per_year": "kWh heat/year",
        "bill_saved_gbp_per_year": "bills GBP/year",
        "cost_gbp": "cost GBP",
        "net_present_value_gbp": "net GBP",
        "cost_per_lifetime_tonne_gbp": "GBP/tonne",
        "marginal_cost_per_lifetime_tonne_gbp": "next tonne",
    }
    swept = [c for c in shown if c in sweep.columns]
    if "system_label" in swept:
        swept = [c for c in swept if c not in ("bill_saved_gbp_per_year", "net_present_value_gbp")]
    frame = sweep.select(swept)
    rows = [[_cell(value) for value in row] for row in frame.iter_rows()]
    _print("What if, modelled", [shown[column] for column in frame.columns], rows, shrinking=0)


def show_changes(found: pl.DataFrame) -> None:
    """How many homes are new, gone or changed, and in which columns, with a few by name."""
    homes = found.group_by("change").agg(pl.col("home_id").n_unique().alias("homes")).sort("change")
    _print("Homes", ["Change", "Homes"], [[c, f"{n:,}"] for c, n in homes.iter_rows()], shrinking=0)
    columns = (
        found.drop_nulls("column")
        .group_by("column", maintain_order=True)
        .agg(pl.len().alias("homes"), pl.first("home_id"), pl.first("was"), pl.first("now"))
        .sort("homes", "column", descending=[True, False])
    )
    rows = [
        [_title(column), f"{homes:,}", f"{home}: {_short(was)} → {_short(now)}"]
        for column, homes, home, was, now in columns.iter_rows()
    ]
    if rows:
        _print("Changed columns", ["Column", "Homes", "For instance"], rows, shrinking=2)


def show_claim(claim_id: str, totals: dict[str, str]) -> None:
    """Number and totals of a claim."""
    rows = [
        [_title(name), value if name == "homes" else f"{float(value):,.2f}"]
        for name, value in totals.items()
    ]
    _print(f"Claim {claim_id}", ["Total", ""], rows, shrinking=0)
    console.print(f"[dim]{explain.CAUTION}[/]")


def show_sheet(home: dict[str, Any], steps: list[explain.Step]) -> None:
    """One home's calculation, part by part, each figure with formula, values and source."""
    console.print(f"[bold]{home['home_id']}[/]  {escape(home['address'] or '')}", highlight=False)
    if home["reason"]:
        console.print(f"Not ranked: {escape(home['reason'])}")
    console.print(f"Estimated, not in the stock list: {home['estimated_inputs'] or 'nothing'}")
    part = ""
    for step in steps:
        if step.part != part:
            part = step.part
            console.rule(part, align="left")
        console.print(
            f"{step.what}: [bold]{explain.show(step.value)} {step.unit}[/]\n"
            f"    {escape(step.formula)}\n    = {escape(step.working)}\n"
            f"    [dim]{escape(step.source)}[/]",
            highlight=False,
        )
    console.rule("Check", align="left")
    far = explain.furthest(home, steps)
    console.print(f"Every stored figure agrees with this sheet to {far:.0e} of its value.")
    if home["cautions"]:
        console.print(f"Cautions: {escape(home['cautions'])}")
    console.print(f"[dim]{explain.CAUTION}[/]")


def _short(text: str | None) -> str:
    """A value in a few characters: figures to six digits, nothing for an empty cell."""
    try:
        return f"{float(text or ''):.6g}"
    except ValueError:
        return text or "nothing"


def _title(name: str) -> str:
    known = dictionary().get(name)
    return known.titled if known else name.replace("_", " ").capitalize()


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, float):
        return f"{value:,.0f}" if abs(value) >= 100 else f"{value:,.3g}"
    return str(value)
