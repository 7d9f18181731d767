"""`programme ...`: parses, calls, prints. No arithmetic here."""

import io
import json
import os
import re
import sys
import tempfile
import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from importlib.resources import files
from pathlib import Path
from typing import Annotated, Any

import polars as pl
import typer
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn
from typer.core import TyperCommand

from pipeline import (
    bill,
    changes,
    claims,
    comparison,
    evidence,
    explain,
    funding,
    printing,
    programme,
    reference,
    scenarios,
    settings,
)
from pipeline.bill import workbook
from pipeline.errors import ProgrammeError, SettingsError, SheetError
from pipeline.exports import csv_bytes
from pipeline.funding.tables import none_funded
from pipeline.options import rates
from pipeline.outputs import writing
from pipeline.printing import complaints, console, words
from pipeline.programme import funds
from pipeline.published import Published, open_run, read_run, settings_of, table
from pipeline.run import run
from pipeline.stock import Inputs, headings, reading

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    help="Which homes first, with which external wall insulation, at what cost.",
)

Store = Annotated[Path, typer.Option("--store", help="The store a run published.")]
Out = Annotated[Path, typer.Option("--out", help="Folder for the files.")]
Another = Annotated[
    list[str] | None,
    typer.Option(help="HOME=OTHER=REASON: two homes, though they look like one; repeatable."),
]
SheetName = Annotated[
    str | None, typer.Option(help="Sheet of the workbook to read; without it those with homes.")
]
SettingsFile = Annotated[
    Path | None, typer.Option("--settings", help="TOML file; see the README for its keys.")
]


_PUT_IN_PLACE = "A store or file is put in its place only when it is whole; some may be missing."


def main() -> None:
    """Run the command line. A fault a user can mend is told in words, with exit code 2."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")  # a console that cannot show a sign still works
    try:
        app()
    except ProgrammeError as fault:
        complaints.print(words(("Stopped:", "bold red"), f" {fault}"), soft_wrap=True)
        raise SystemExit(2) from None
    except OSError as fault:
        where = f" {fault.filename}:" if fault.filename else ""
        complaints.print(
            words(("Stopped:", "bold red"), f"{where} {fault.strerror or fault}. Check the path,"
                  " its rights and the room on the disk; then run again."),
            soft_wrap=True,
        )  # fmt: skip
        raise SystemExit(2) from None
    except KeyboardInterrupt:
        complaints.print(f"Stopped by the keyboard. {_PUT_IN_PLACE}")
        raise SystemExit(130) from None
    except Exception:
        complaints.print(
            words(
                ("Stopped by a fault of the tool itself.", "bold red"),
                f" {_PUT_IN_PLACE} Send {_log()} to its developers.",
            )
        )
        raise SystemExit(1) from None


def _log() -> str:
    """Name of a file with the fault at hand; the fault itself where no file can be written."""
    try:
        with tempfile.NamedTemporaryFile("w", suffix=".log", delete=False) as file:
            traceback.print_exc(file=file)
    except OSError:
        return traceback.format_exc(limit=-3)
    return file.name


@app.command("run")
def run_command(
    stock: Annotated[Path, typer.Argument(help="Stock list: csv, xlsx or parquet.")],
    store: Store,
    out: Out,
    settings_file: SettingsFile = None,
    others: Annotated[
        list[str] | None,
        typer.Option("--with", help="Another source of the same homes, as NAME=FILE; repeatable."),
    ] = None,
    columns: Annotated[
        Path | None, typer.Option(help="TOML map of headings; `programme headings` starts one.")
    ] = None,
    sheet: SheetName = None,
    mended: Annotated[
        list[Path] | None,
        typer.Option(
            help="A quarantine.xlsx of this list, with corrections; repeatable, later ones count."
        ),
    ] = None,
    dictionary: Annotated[
        Path | None,
        typer.Option(help="Your own TOML file of answers: used, and added to by --mended."),
    ] = None,
) -> None:
    """Read a stock list, rank its homes, publish the store and its files.

    Example: programme run stock.xlsx --store town.duckdb --out results
    With a survey laid over the list: --with survey=survey.xlsx
    Answers kept for later lists: --mended results/quarantine.xlsx --dictionary ours.toml
    """
    named = _named(others or [])
    inputs = Inputs(stock, named, columns, mended or (), dictionary, settings_file, sheet)
    chosen = settings.read(settings_file)
    with _progress() as progress:
        result = run(inputs, store, out, chosen, progress)
    console.print(f"Store: {store}   Files: {out}/{printing.run_files(result)}", highlight=False)
    ledger = claims.ledger_path(store, chosen)
    printing.show_run(result, claims.met_in(result.ranking, ledger))
    printing.show_copies(ledger, claims.copies(store, chosen))


@app.command()
def demo(
    out: Out = Path("programme-demo"),
    settings_file: SettingsFile = None,
) -> None:
    """Do the main job on the invented demo stock of 2,400 homes.

    Example: programme demo
    """
    stock = Path(str(files("data_demo") / "stock.csv"))
    store, chosen = out / "demo.duckdb", settings.read(settings_file)
    with _progress() as progress:
        inputs = Inputs(stock, settings=settings_file)
        result = run(inputs, store, out, chosen, progress)
    console.print(
        "Demo: the invented landlord Tarnwick Homes; its town, homes and rates are invented too.",
        style="bold",
    )
    printing.show_run(result, claims.met_in(result.ranking, claims.ledger_path(store, chosen)))
    console.print(f"Files: {out}/{printing.run_files(result)}", highlight=False)
    first = result.ranking["home_id"][0]
    fund = files("data_demo") / "fund_lantern.toml"
    console.print("Next:", highlight=False)
    for command in (
        f"programme dashboard --store {store}",
        f"programme explain {first} --store {store} --out {out}/sheet",
        f"programme screens {first} --store {store}",
        f"programme options {first} --store {store}",
        f"programme whatif --store {store} --sweep thickness_mm=20:200:10 --out {out}/whatif",
        f"programme quantities --store {store} --out {out}/bill",
        f"programme allocate --store {store} --fund {fund} --out {out}/allocation",
        f"programme claim --store {store} --homes {first} --out {out}/claim --first-claim",
    ):
        console.print(f"  uv run {command}", style="cyan", highlight=False, soft_wrap=True)


def _named(sources: list[str]) -> dict[str, Path]:
    """Sources by name from NAME=FILE."""
    named: dict[str, Path] = {}
    for text in sources:
        name, mark, path = text.partition("=")
        if not mark or not name or not path or name == "list" or name in named:
            raise ProgrammeError(
                f"--with '{text}' is not NAME=FILE with a name of its own ('list' is the stock"
                " list). Write for instance --with survey=survey.xlsx."
            )
        named[name] = Path(path)
    return named


@app.command("headings")
def headings_command(
    stock: Annotated[Path, typer.Argument(help="Stock list: csv, xlsx or parquet.")],
    sheet: SheetName = None,
) -> None:
    """Print which heading was taken for which column, as a map to edit for --columns.

    Example: programme headings stock.xlsx > map.toml
    """
    print(headings.starter_map(reading.read(stock, sheet=sheet).match), end="", flush=True)


@app.command("changes")
def changes_command(
    before: Annotated[Path, typer.Argument(help="The earlier store.")],
    after: Annotated[Path, typer.Argument(help="The later store.")],
    out: Annotated[Path | None, typer.Option(help="CSV file with a line per change.")] = None,
    derived: Annotated[
        bool, typer.Option("--derived", help="Tell the columns that only follow, too.")
    ] = False,
) -> None:
    """Tell what differs between two published runs: settings, homes, inputs, results, money.

    Example: programme changes march.duckdb june.duckdb --out changes.csv
    """
    with writing("changes", [out] if out else [], _read_from(before, after)) as files:
        found = changes.compare(read_run(before), read_run(after))
        if out:
            told = pl.col("kind") != ("" if derived else changes.DERIVED)
            files.add(out, csv_bytes(found.lines.filter(told)))
    printing.show_changes(found, derived)
    _tell_file(out)


@app.command("explain")
def explain_command(
    home: Annotated[str, typer.Argument(help="Key of the home, as in ranking.csv.")],
    store: Store,
    out: Annotated[
        Path | None, typer.Option(help="Folder for the sheet as Markdown and PDF, and its drawing.")
    ] = None,
    homes: Annotated[
        str | None,
        typer.Option(help="An allocation.csv, for the option it names instead of the ranking's."),
    ] = None,
) -> None:
    """Print one home's calculation step by step; with --out write it as Markdown and PDF too.

    Example: programme explain TH0000012 --store programme-demo/demo.duckdb --out sheets
    As allocated: --homes allocation/allocation.csv
    """
    places = [out / name for name in explain.names(home)] if out else []
    reads = {"the list of homes": Path(homes) if homes else None, **_read_from(store)}
    with writing("explain", places, reads) as files:
        published = open_run(store)
        row = _one_home(published, home, store)
        if homes:
            row = _as_named(published, home, homes)
        named_in = Path(homes).name if homes else None
        sheet = explain.paper(row, published, reading.sha256(store), named_in)
        written = explain.files(home, sheet) if out else {}
        for place in places:
            if place.name in written:
                files.add(place, written[place.name])
    printing.show_sheet(sheet)
    if out:
        console.print(f"Files: {out}/{', '.join(written)}", highlight=False, soft_wrap=True)
    if not sheet.check.agrees:
        raise SheetError(sheet.check.words())


@app.command("options")
def options_command(
    home: Annotated[str, typer.Argument(help="Key of the home, as in ranking.csv.")],
    store: Store,
    out: Annotated[Path | None, typer.Option(help="CSV file for every option.")] = None,
) -> None:
    """Compare every system and thickness for one home: saving, cost, payback and why not.

    Example: programme options TH0000012 --store programme-demo/demo.duckdb --out options.csv
    """
    with writing("options", [out] if out else [], _read_from(store)) as files:
        published = open_run(store)
        row = _one_home(published, home, store)
        compared = comparison.options(row, published.base)
        if out:
            files.add(out, csv_bytes(compared.select("system", *comparison.SHOWN)))
    optima = comparison.optima(compared, published.base)
    printing.warn_invented(published.account["rate_book_source"])
    printing.show_options(row, compared, optima, published.base.settings.works)
    _tell_file(out)


def _read_from(*stores: Path | None) -> dict[str, Path]:
    """What a command reads that starts from stores: them and their ledgers of claims."""
    found: dict[str, Path] = {}
    for store in filter(None, stores):
        found[f"the store {store}"] = store
        found[f"the ledger of claims of {store}"] = claims.named_ledger(store, settings_of(store))
    return found


def _tell_file(out: Path | None) -> None:
    if out:
        console.print(f"File: {out}", highlight=False)


def _one_home(published: Published, home: str, store: Path) -> dict[str, Any]:
    """One row of the ranking. Raises ProgrammeError saying where a home not ranked is."""
    rows = published.ranking.filter(pl.col("home_id") == home).to_dicts()
    if not rows:
        held = published.quarantine.filter(pl.col("home_id") == home)
        why = "It is neither accepted nor in quarantine: check the key."
        keys = published.ranking["home_id"]
        alike = keys.filter(keys.str.to_lowercase() == home.lower())
        if alike.len():
            why = f"Keys are read letter by letter: is it {alike[0]}?"
        if held.height:
            why = f"Row {held['source_row'][0]} is in quarantine: {held['reasons'][0]}."
        raise ProgrammeError(f"No home '{home}' in {store}. {why}")
    return rows[0]


def _as_named(published: Published, home: str, homes: str) -> dict[str, Any]:
    """One home with the option that a list names. Raises ProgrammeError where it names none."""
    named = claims.read_home_list(homes, published.path)
    if named.options is None:
        raise ProgrammeError(
            f"--homes {homes} names no option. Give a table with system and thickness_mm, as"
            " allocation.csv, or leave --homes out for the option of the ranking."
        )
    rows = claims.works(published, named.options).filter(pl.col("home_id") == home).to_dicts()
    if not rows:
        raise ProgrammeError(
            f"{homes} does not name {home}, or says that it is not funded. Leave --homes out for"
            " the option of the ranking."
        )
    return rows[0]


@app.command("screens")
def screens_command(
    home: Annotated[str, typer.Argument(help="Key of the home, as in screens.csv.")],
    store: Store,
) -> None:
    """Print what every screen finds for one home and what would have to change.

    Example: programme screens TH0000012 --store programme-demo/demo.duckdb
    """
    rows = table(store, "screens").filter(pl.col("home_id") == home).to_dicts()
    if not rows:
        raise ProgrammeError(
            f"No accepted home '{home}' in {store}: check the key, or look in quarantine.csv."
        )
    printing.show_screens(rows[0])


@app.command()
def sources(
    store: Annotated[
        Path | None, typer.Option(help="A published store; else the tables as shipped.")
    ] = None,
    mark: Annotated[
        str | None, typer.Option(help="List the rows of one mark, for instance memory.")
    ] = None,
    out: Annotated[Path | None, typer.Option(help="CSV file for every figure.")] = None,
) -> None:
    """List every figure a run can use, with its source and how far it was checked.

    Example: programme sources --mark memory --out figures.csv
    """
    marks = (*reference.MARKS, evidence.GIVEN)
    if mark is not None and mark not in marks:
        raise ProgrammeError(f"--mark '{mark}' is no mark. Choose one of {', '.join(marks)}.")
    with writing("sources", [out] if out else [], _read_from(store)) as files:
        if store is None:
            chosen = settings.Settings()
            figures = evidence.figures_in_use(reference.load(), chosen, rates.read(chosen.cost))
        else:
            base = open_run(store).base
            figures = evidence.figures_in_use(base.reference, base.settings, base.book)
        if out:
            files.add(out, csv_bytes(figures))
    printing.show_sources(evidence.counts(figures), figures, mark)
    _tell_file(out)


@app.command()
def whatif(
    store: Store,
    sweep: Annotated[str, typer.Option(help="name=first:last:step, once.")],
    out: Out,
) -> None:
    """Show how saving and cost move with thickness and insulant, or with one setting's number.

    Example: programme whatif --store town.duckdb --sweep thickness_mm=20:200:10 --out whatif
    Or: --sweep prices.unit_rates_p_per_kwh.mains_gas=4:12:1, climate.temperature_shift_c=-2:2:1,
    budget_gbp=2000000:10000000:1000000.
    """
    from pipeline.scenarios import picture  # what draws takes long to import

    name, values = scenarios.parse_sweep(sweep)
    with writing("whatif", [out / "whatif.csv", out / "whatif.png"], _read_from(store)) as files:
        published = open_run(store)
        scenarios.check(published.base, name, values)
        met = claims.met_before(published)
        homes = claims.still_open(published.ranking, met)
        with _progress() as progress:
            table = scenarios.sweep(homes, published.base, name, values, progress)
        said = f"run {published.account['run_id']}, rates: {published.account['rate_book_source']}"
        note = "\n".join(filter(None, (scenarios.effect(table, name), said)))
        files.add(out / "whatif.csv", csv_bytes(table))
        files.add(out / "whatif.png", picture.draw(table, name, note))
    printing.show_sweep(table, name)
    printing.show_left_out(met)
    console.print(f"Files: {out}/whatif.csv, whatif.png")


@app.command()
def quantities(
    store: Store,
    out: Out,
    homes: Annotated[
        str | None,
        typer.Option(help="Allocation or file of keys, or keys with commas; else the budget."),
    ] = None,
) -> None:
    """Write the bill of quantities, lot by lot: bill.xlsx with live formulas, and CSV.

    Example: programme quantities --store town.duckdb --out bill
    For some homes: --homes batch1.txt
    """
    reads = {"the list of homes": Path(homes) if homes else None, **_read_from(store)}
    with writing("quantities", [out / name for name in workbook.NAMES], reads) as files:
        published = open_run(store)
        if homes is None:
            budget = published.base.settings.budget_gbp
            met = claims.met_before(published)
            wanted = programme.affordable(claims.still_open(published.ranking, met), budget)
            which = f"within the budget of {budget:,.0f} GBP"
            printing.show_left_out(met)
        else:
            named = claims.read_home_list(homes, store)
            wanted = claims.works(published, named.wanted)
            printing.show_named(named)
            which = "as named"
        made = bill.bill(wanted, published)
        for name, content in workbook.files(made, published).items():
            files.add(out / name, content)
    printing.warn_invented(published.account["rate_book_source"])
    printing.show_bill(workbook.in_pounds(made.lots), workbook.in_pounds(made.homes), which)
    console.print(
        f"Files: {out}/bill.xlsx, bill.csv, bill_lots.csv, bill_homes.csv, bill_packs.csv"
    )


@app.command()
def allocate(
    store: Store,
    out: Out,
    fund: Annotated[list[Path], typer.Option(help="TOML file of a fund's rules; repeatable.")],
    means: Annotated[
        Path | None, typer.Option(help="TOML file of the landlord's own money and capacity.")
    ] = None,
    draws: Annotated[
        int,
        typer.Option(min=0, max=500, help="Allocate anew so often with the assumptions moved."),
    ] = 0,
    why: Annotated[
        str | None, typer.Option(help="Key of a home, to tell why it is or is not funded.")
    ] = None,
    another: Another = None,
) -> None:
    """Allocate funds to homes under every rule, with a proven gap, and tell what moves it.

    Example: programme allocate --store town.duckdb --fund fund.toml --out allocation
    Two funds and a home asked about: --fund a.toml --fund b.toml --why TH0001101
    """
    from pipeline.funding import picture  # what draws takes long to import

    asked = funding.Asked(tuple(map(funds.read, fund)), funds.read_means(means), _reasons(another))
    reads = {**{f"the fund {path}": path for path in fund}, "the means": means, **_read_from(store)}
    names = ("allocation.csv", "lots.csv", "frontier.csv", "frontier.png", "allocation.json")
    with writing("allocate", [out / name for name in names], reads) as files:
        published = open_run(store)
        if why and why not in published.ranking["home_id"]:
            raise ProgrammeError(f"No home '{why}' is in this run: check the key.")
        met = claims.met_before(published, asked.another)
        with _progress() as progress:
            made = funding.fund(published, asked, met, draws, progress)
        note = f"run {made.account['run_id']}; rates: {made.account['rate_book_source']}"
        image = picture.draw(made.frontier, made.account["objective"], note)
        account = (json.dumps(made.account, indent=2) + "\n").encode()
        tables = map(csv_bytes, (made.homes, made.lots, made.frontier))
        for name, content in zip(names, (*tables, image, account), strict=True):
            files.add(out / name, content)
    printing.show_allocation(made, why)
    printing.show_left_out(met)
    console.print(f"Files: {out}/allocation.csv, lots.csv, frontier.csv, .png, allocation.json")
    if none_funded(made.homes):
        raise ProgrammeError("No home is funded. allocation.csv says why, home by home.")


@app.command()
def claim(
    store: Store,
    out: Out,
    homes: Annotated[
        str | None, typer.Option(help="Allocation or file of keys, or keys with commas.")
    ] = None,
    again: Annotated[
        str | None, typer.Option(help="Number of a claim made before, to write its files again.")
    ] = None,
    first_claim: Annotated[
        bool, typer.Option("--first-claim", help="No claim was ever made: begin the ledger.")
    ] = False,
    another: Another = None,
) -> None:
    """Freeze a savings claim and write claim.csv, claim.xlsx and claim.json.

    Example: programme claim --store town.duckdb --homes batch1.txt --out claim1
    A home held for its likeness: --another TH1101=TH0101="the flat above, seen by A. Reeve"
    """
    if (homes is None) == (again is None):
        raise ProgrammeError("Name the homes with --homes, or one earlier claim with --again.")
    if again:
        printing.show_claim(again, claims.reissue(store, again, out))
        console.print(f"Ledger: {claims.ledger_path(store)}", soft_wrap=True)
    else:
        named = claims.read_home_list(homes or "", store)
        if not first_claim:
            claims.refuse_to_begin(store)
        made = claims.export(store, named.wanted, out, _reasons(another))
        printing.show_named(named)
        printing.warn_invented(made.manifest["account"]["rate_book_source"])
        printing.show_claim(made.claim_id, made.totals)
        console.print(f"Ledger: {made.manifest['ledger']}", soft_wrap=True)
        printing.show_copies(Path(made.manifest["ledger"]), claims.copies(store))
        if made.begins:
            console.print("A new ledger was begun. Back that file up.")
    console.print(f"Files: {out}/claim.csv, claim.xlsx, claim.json")


def _reasons(another: list[str] | None) -> dict[tuple[str, str], str]:
    """Reasons by two homes from HOME=OTHER=REASON."""
    told: dict[tuple[str, str], str] = {}
    for text in another or []:
        home, other, why, *_ = (*map(str.strip, text.split("=", 2)), "", "")
        if not home or not other or len(why) < _LEAST_REASON:
            raise ProgrammeError(
                f"--another '{text}' is not HOME=OTHER=REASON. Name the two homes that look like"
                " one, and who saw that they are two, when, and how; it is kept in the claim."
            )
        told[home, other] = why
    return told


_LEAST_REASON = 5
"""Letters of a reason that says anything."""


@app.command()
def dashboard(
    store: Store,
    port: Annotated[int, typer.Option(min=1, max=65535, help="Port on this machine.")] = 8501,
    host_name: Annotated[
        list[str] | None,
        typer.Option(help="A name by which a proxy of yours reaches the pages; repeatable."),
    ] = None,
) -> None:
    """Open the pages in a browser on this machine; other names for it are refused.

    Example: programme dashboard --store programme-demo/demo.duckdb
    Behind a proxy of your own: --host-name homes.example.org
    """
    claims.met_before(open_run(store))  # a ledger nobody can read is told here, not on each page
    console.print(f"Dashboard: http://127.0.0.1:{port}  (stop with Ctrl+C)", highlight=False)
    page = str(files("dashboard") / "app.py")
    flags = {
        "server.address": "127.0.0.1",
        "server.port": str(port),
        "server.headless": "true",
        "server.maxUploadSize": "5",
        "browser.gatherUsageStats": "false",
        "runner.magicEnabled": "false",
        "server.fileWatcherType": "none",
        "client.toolbarMode": "minimal",
        "client.showErrorDetails": "none",
    }
    options = [f"--{name}={value}" for name, value in flags.items()]
    hosts = ("localhost", "127.0.0.1", *(host_name or []))
    options += [f"--server.allowedHosts={_host(name)}" for name in hosts]
    command = [
        sys.executable,
        "-m",
        "streamlit",
        "run",
        page,
        *options,
        "--",
        os.path.abspath(store),
    ]
    os.execve(command[0], command, {**os.environ, "PYTHONWARNINGS": "ignore"})


def _host(name: str) -> str:
    """A host's name. Raises ProgrammeError for a pattern, an address with a port, or a URL."""
    if not re.fullmatch(r"[A-Za-z0-9]([A-Za-z0-9.-]*[A-Za-z0-9])?", name):
        raise ProgrammeError(
            f"--host-name '{name}' is no name of a host. Write one name, such as homes.example.org,"
            " without http:// and without a port."
        )
    return name


class _Once(TyperCommand):
    """A command that refuses a second value for an option of one, instead of forgetting the first.

    An option that may be repeated says so in its help.
    """

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Arguments left over, as typer has it. Raises SettingsError for an option repeated."""
        _, _, given = self.make_parser(ctx).parse_args(args=list(args))
        for option in given:
            times = sum(other is option for other in given)
            if times > 1 and not getattr(option, "multiple", True):
                raise SettingsError(
                    f"{option.opts[0]} was given {times} times, and only one can hold. Run the"
                    " command once for each."
                )
        return super().parse_args(ctx, args)


for _command in app.registered_commands:
    _command.cls = _Once


@contextmanager
def _progress() -> Iterator[Callable[[str, int, int], None]]:
    bar = Progress(
        TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), console=complaints,
        transient=True,
    )  # fmt: skip
    with bar:
        task = bar.add_task("starting", total=None)

        def tell(stage: str, done: int, of: int) -> None:
            bar.update(task, description=stage, completed=done, total=of or None)

        yield tell
