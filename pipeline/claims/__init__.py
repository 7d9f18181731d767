"""Savings claims: frozen lines, files that carry their method, and a ledger against double claims.

A claim is made from a published store. Its lines never change afterwards: the ledger keeps them,
and the same claim written again gives the same bytes.
"""

import hashlib
import json
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from types import MappingProxyType
from typing import Any

import polars as pl

from pipeline import identity, junction_effects, outputs, scenarios
from pipeline.claims import files
from pipeline.claims.home_list import Named, of_allocation, read_home_list
from pipeline.claims.ledger import OLDER, SCHEMA, Ledger, held_open
from pipeline.claims.place import (
    LEDGER,
    claims_of,
    copies,
    is_begun,
    ledger_path,
    named_ledger,
    note,
    refuse_to_begin,
)
from pipeline.errors import ClaimError, OutputError
from pipeline.identity import Another
from pipeline.published import Published, open_run

__all__ = [
    "LEDGER", "OLDER", "Named", "Wanted", "claims_of", "copies", "ledger_path", "named_ledger",
    "of_allocation", "read_home_list", "refuse_to_begin",
]  # fmt: skip

MEASURE = "external wall insulation"
Wanted = Sequence[str] | pl.DataFrame
"""Keys of homes, or a table that names the option of each too; see `works`."""


@dataclass(frozen=True)
class Claim:
    """Frozen content of a claim: its number, its lines as text, its totals and its manifest.

    begins: whether no ledger is there yet, so that this claim begins one.
    """

    claim_id: str
    lines: pl.DataFrame
    totals: dict[str, str]
    manifest: dict[str, Any]
    begins: bool


def preview(
    run: Published,
    homes: Wanted,
    another: Another = MappingProxyType({}),
) -> Claim:
    """The claim as it would be made. Raises ClaimError naming each home that cannot be claimed.

    homes: as `works` takes them. Each home needs an address with a postcode: without, nobody
    could tell later whether it was claimed.
    """
    chosen = works(run, homes).sort("home_id")
    _refuse_nowhere(chosen)
    _refuse_doubles(chosen, another)
    if strange := sorted({home for home, _ in another} - set(chosen["home_id"])):
        raise ClaimError(f"--another names homes that are not in this claim: {_some(strange)}.")
    lots = chosen.select("home_id", "system", pl.col("thickness_mm").cast(pl.String)).rows()
    key = "\n".join([run.account["run_id"], MEASURE, *map("|".join, lots)])
    claim_id = "C" + hashlib.sha256(key.encode()).hexdigest()[:12]
    lines = _lines(run, chosen, claim_id)
    ledger = ledger_path(run.path, run.base.settings)
    account = {k: v for k, v in run.account.items() if k not in _PRIVATE}
    return Claim(
        claim_id,
        lines,
        _totals(lines),
        {
            "claim_id": claim_id,
            "measure": MEASURE,
            "options": AS_NAMED if isinstance(homes, pl.DataFrame) else OF_THE_RANKING,
            "ledger": str(ledger),
            "another": identity.told(another),
            "account": account,
            "method": files.method(chosen, run.base),
            "tables": files.tables(chosen, run.base),
        },
        begins=not is_begun(ledger),
    )


OF_THE_RANKING = "each home with the option that the ranking chose"
AS_NAMED = "each home with the option that the list of homes names, as allocated"
_PRIVATE = ("notes", "seconds_per_stage")
"""What the account of a run says of the landlord's own list: a funder has no need of it."""


def export(
    store: Path,
    homes: Wanted,
    out: Path,
    another: Another = MappingProxyType({}),
    as_previewed: str | None = None,
) -> Claim:
    """Freeze a claim in the ledger and write claim.csv, claim.xlsx and claim.json to `out`.

    The files are built first, then the ledger, which keeps their bytes, is written, then the files
    are put in place: a home can be claimed without files (write them again with `reissue`), but
    never twice. as_previewed: the number of the claim somebody looked at, which this must be.
    Raises ClaimError naming the homes claimed before, OutputError where the files cannot be
    written.
    """
    frozen = ""
    try:
        with _files(store, out) as built:
            run = open_run(store)
            claim = preview(run, homes, another)
            _refuse_replaced(claim, as_previewed or claim.claim_id)
            made = files.contents(claim.lines, claim.totals, claim.manifest)
            for name, content in made.items():
                built.add(out / name, content)
            place = Path(claim.manifest["ledger"])
            with Ledger(place, create=True) as ledger:
                ledger.add(claim.claim_id, MEASURE, claim.lines, made, another)
            frozen = claim.claim_id
            note(store, run.base.settings, place)
    except OutputError as fault:
        again = f" Claim {frozen} stands in the ledger: write its files with --again {frozen}."
        raise OutputError(str(fault) + (again if frozen else "")) from None
    return claim


def _refuse_replaced(claim: Claim, seen: str) -> None:
    """Raise ClaimError where a claim is not the one somebody looked at, by its number."""
    if seen != claim.claim_id:
        raise ClaimError(
            f"The store was replaced since you looked: you saw claim {seen}, and these homes would"
            f" now be claim {claim.claim_id}, with the figures of run"
            f" {claim.manifest['account']['run_id']}. Nothing was recorded: look at the new"
            " figures, then freeze."
        )


def reissue(store: Path, claim_id: str, out: Path) -> dict[str, str]:
    """Write the files of a claim made before, as the ledger keeps them, and return its totals."""
    with _files(store, out) as built:
        with Ledger(ledger_path(store)) as ledger:
            made = ledger.files(claim_id)
        for name, content in made.items():
            built.add(out / name, content)
    totals: dict[str, str] = json.loads(made["claim.json"])["totals"]
    return totals


@contextmanager
def _files(store: Path, out: Path) -> Iterator[outputs.Outputs]:
    """The three files of a claim, none of which may be there yet; put in place at the end."""
    files.refuse(out)
    reads = {"the store": store, "the ledger of claims": ledger_path(store)}
    with outputs.writing("claim", [out / name for name in files.NAMES], reads) as built:
        yield built


def claimed(store: Path) -> pl.DataFrame:
    """Every line claimed so far: identity.NAMED, claim_id and made_at; empty without a ledger."""
    return _lines_of(ledger_path(store))


def _lines_of(ledger: Path) -> pl.DataFrame:
    if not is_begun(ledger):
        return pl.DataFrame(schema=SCHEMA)
    with Ledger(ledger) as opened:
        return opened.homes()


def met_before(run: Published, another: Another = MappingProxyType({})) -> pl.DataFrame:
    """Which homes of a run no money is to be spent on again; see `met_in`."""
    return met_in(run.ranking, ledger_path(run.path, run.base.settings), another)


def met_in(
    ranking: pl.DataFrame, ledger: Path, another: Another = MappingProxyType({})
) -> pl.DataFrame:
    """Which homes of a ranking were claimed before, look like one that was, or like one above.

    This is the one answer that the claim, the allocation, the pages and the order within a budget
    go by. Returns home_id, other, way (see `identity.met`), claim_id and made_at, both null where
    `other` is a home further up in the order; one line a home, the surest way.
    """
    before = identity.met(ranking.select(identity.NAMED), _lines_of(ledger))
    # also homes without a rank: a fund may take them as infill
    above = identity.doubles(ranking.sort("rank", nulls_last=True, maintain_order=True))
    found = held_open(pl.concat([before, above], how="diagonal"), another)
    return found.unique("home_id", keep="first", maintain_order=True)


def still_open(ranking: pl.DataFrame, met: pl.DataFrame) -> pl.DataFrame:
    """The homes of a ranking that were not claimed and look like no other (`met_in`)."""
    return ranking.join(met, on="home_id", how="anti", maintain_order="left")


def _refuse_nowhere(chosen: pl.DataFrame) -> None:
    """Raise ClaimError naming homes whose address or postcode is not known."""
    if nowhere := identity.nowhere(chosen):
        raise ClaimError(
            f"Without an address and postcode: {_some(nowhere)}. A home is claimed by where it is,"
            " else it could be claimed again under another key. Add them to the stock list, or in"
            " the workbook of its run, and run again. Nothing was recorded."
        )


def _refuse_doubles(chosen: pl.DataFrame, another: Another) -> None:
    """Raise ClaimError where two homes of one claim are one home, or look it."""
    found = held_open(identity.doubles(chosen.select(identity.NAMED)), another)
    for row in found.iter_rows(named=True):
        if row["way"] in identity.SURE:
            way_out = "correct the UPRN or the address of one in the stock list and run again"
        else:
            way_out = (
                f"add --another {row['home_id']}={row['other']}=REASON where somebody has seen both"
            )
        raise ClaimError(
            f"{row['home_id']} and {row['other']} have {row['way']}: one home is claimed once. Take"
            f" one off the list, or {way_out}."
        )


def works(run: Published, homes: Wanted) -> pl.DataFrame:
    """The homes named, in the order of the ranking, each with its option: for a claim or a bill.

    homes: keys, each with the option of the ranking, or a table by `home_list.OPTIONS`. Raises
    ClaimError naming homes that are not there or may have no option, or where the option, the cost
    or the run that the table names is not this run's.
    """
    options = homes if isinstance(homes, pl.DataFrame) else None
    home_ids = homes if options is None else options["home_id"]
    wanted = pl.Series("home_id", home_ids, dtype=pl.String)
    if repeated := sorted(wanted.filter(wanted.is_duplicated()).unique()):
        raise ClaimError(f"Named more than once: {_some(repeated)}. Name each home once.")
    if unknown := sorted(set(wanted) - set(run.ranking["home_id"])):
        raise ClaimError(
            f"Not in this store: {_some(unknown)}. They may be in quarantine; check their keys."
        )
    if options is None:
        chosen = run.ranking.filter(pl.col("home_id").is_in(wanted.implode()))
    else:
        _refuse_other_run(options, run)
        chosen = scenarios.with_options(run.ranking, run.base, options)
        _refuse_other_cost(chosen, options)
    refused = chosen.filter(pl.col("reason").is_not_null()).sort("home_id")
    if refused.height:
        told = [f"{home} ({why})" for home, why in refused.select("home_id", "reason").iter_rows()]
        raise ClaimError(f"These homes have no option to claim or measure: {_some(told)}.")
    return chosen


def _refuse_other_run(options: pl.DataFrame, run: Published) -> None:
    """Raise ClaimError where the list is of another run, or names an option that this one lacks."""
    others = options["run_id"].drop_nulls().unique().to_list()
    if other := [name for name in others if name != run.account["run_id"]]:
        raise ClaimError(
            f"The list of homes was made from run {other[0]}, and {run.path} holds run"
            f" {run.account['run_id']}. Allocate again from this store, or name the store it was"
            " made from."
        )
    known = run.base.options.select("system", "thickness_mm")
    strange = options.join(known, on=["system", "thickness_mm"], how="anti")
    if strange.height:
        told = [f"{home} ({system} {mm:g} mm)"
                for home, system, mm in strange.select(list(known.columns)).insert_column(
                    0, strange["home_id"]).iter_rows()]  # fmt: skip
        raise ClaimError(
            f"This run has no such option: {_some(told)}. `programme options HOME` lists them."
        )


def _refuse_other_cost(chosen: pl.DataFrame, options: pl.DataFrame) -> None:
    """Raise ClaimError where the list says another cost than this run reckons, to the penny."""
    beside = chosen.select("home_id", "cost_gbp").join(
        options.select("home_id", said="cost_gbp"), on="home_id", how="inner"
    )
    wrong = beside.filter((pl.col("cost_gbp") - pl.col("said")).abs() > _HALF_A_PENNY)
    for home, cost, said in wrong.rows():
        raise ClaimError(
            f"{home}: the list says {said:,.2f} GBP, and this run reckons {cost:,.2f} for its"
            f" option; {wrong.height} homes differ. Rates, settings or the list were changed:"
            " allocate again, or leave cost_gbp out of the list."
        )


_HALF_A_PENNY = 0.005 + 1e-6


def _some(names: Sequence[str]) -> str:
    shown = ", ".join(names[:10])
    return shown + (f" and {len(names) - 10} more" if len(names) > 10 else "")


def _lines(run: Published, chosen: pl.DataFrame, claim_id: str) -> pl.DataFrame:
    """One line per home: figures rounded once, inputs as the run held them, all kept as text."""
    text = [
        pl.col(name).cast(pl.String)
        if decimals is None
        else pl.col(name).map_elements(_rounder(decimals), return_dtype=pl.String)
        for name, decimals in {**files.LINE, **files.INPUTS}.items()
    ]
    return junction_effects.with_wall(chosen, run.base.reference).select(
        pl.lit(claim_id).alias("claim_id"),
        pl.int_range(1, pl.len() + 1).cast(pl.String).alias("line"),
        *text,
        pl.lit(run.account["run_id"]).alias("run_id"),
    )


def _rounder(decimals: int) -> Any:
    if decimals == files.EXACT:
        return lambda value: repr(value).removesuffix(".0")
    step = Decimal(1).scaleb(-decimals)
    return lambda value: str(Decimal(repr(value)).quantize(step))


def _totals(lines: pl.DataFrame) -> dict[str, str]:
    """Sums of the rounded lines, in decimal arithmetic, so that they reconcile to the penny."""
    sums = {name: str(sum(map(Decimal, lines[name]), Decimal(0))) for name in files.TOTALLED}
    return {"homes": str(lines.height), **sums}
