"""Savings claims: frozen lines, files that carry their method, and a ledger against double claims.

A claim is made from a published store. Its lines never change afterwards: the ledger keeps them,
and the same claim written again gives the same bytes.
"""

import hashlib
import json
import os
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from types import MappingProxyType
from typing import Any

import polars as pl

from pipeline import identity, junction_effects, outputs
from pipeline.claims import files
from pipeline.claims.ledger import OLDER, SCHEMA, Ledger, held_open
from pipeline.errors import ClaimError, OutputError
from pipeline.identity import Another, addresses
from pipeline.published import Published, open_run, settings_of
from pipeline.settings import Settings

MEASURE = "external wall insulation"
LEDGER = "claims.sqlite"


@dataclass(frozen=True)
class Claim:
    """Frozen content of a claim: its number, its lines as text, its totals and its manifest."""

    claim_id: str
    lines: pl.DataFrame
    totals: dict[str, str]
    manifest: dict[str, Any]


def ledger_path(store: Path, chosen: Settings | None = None) -> Path:
    """The one ledger of a store: as its settings say, else beside the store itself.

    chosen: the settings, where they are known already. Raises ClaimError where another ledger lies
    beside the store, or beside a link that leads to it: claims would be split.
    """
    place = named_ledger(store, chosen or settings_of(store))
    linked_from = Path(os.path.realpath(os.path.dirname(os.path.abspath(store))))
    near = (Path(os.path.realpath(store)).parent, linked_from)
    for other in (folder / name for folder in near for name in (LEDGER, OLDER)):
        taken_over = other == place.with_name(OLDER)
        if os.path.lexists(other) and os.path.realpath(other) != str(place) and not taken_over:
            raise ClaimError(
                f"Two ledgers: the claims of this store belong in {place}, and there is {other}"
                " too. One landlord has one ledger, else homes are claimed twice. Name the one that"
                " holds your claims under [claims] ledger and run again, or move it to where it"
                " belongs; this version joins no two."
            )
    return place


def named_ledger(store: Path, settings: Settings) -> Path:
    """Where the ledger of a store with such settings is to lie.

    Links are followed to the store, so that one store has one ledger.
    """
    folder = Path(os.path.realpath(store)).parent
    return Path(os.path.realpath(folder / os.path.expanduser(settings.claims.ledger or LEDGER)))


def preview(
    run: Published, home_ids: Sequence[str], another: Another = MappingProxyType({})
) -> Claim:
    """The claim as it would be made. Raises ClaimError naming each home that cannot be claimed.

    Each home needs an address with a postcode: without, nobody could tell later whether it was
    claimed.
    """
    chosen = _chosen(run.ranking, home_ids)
    _refuse_nowhere(chosen)
    _refuse_doubles(chosen, another)
    if strange := sorted({home for home, _ in another} - set(chosen["home_id"])):
        raise ClaimError(f"--another names homes that are not in this claim: {_some(strange)}.")
    key = "\n".join([run.account["run_id"], MEASURE, *chosen["home_id"]])
    claim_id = "C" + hashlib.sha256(key.encode()).hexdigest()[:12]
    lines = _lines(run, chosen, claim_id)
    account = {k: v for k, v in run.account.items() if k not in _PRIVATE}
    return Claim(
        claim_id,
        lines,
        _totals(lines),
        {
            "claim_id": claim_id,
            "measure": MEASURE,
            "ledger": str(ledger_path(run.path, run.base.settings)),
            "another": identity.told(another),
            "account": account,
            "method": files.method(chosen, run.base),
            "tables": files.tables(chosen, run.base),
        },
    )


_PRIVATE = ("notes", "seconds_per_stage")
"""What the account of a run says of the landlord's own list: a funder has no need of it."""


def export(
    store: Path,
    home_ids: Sequence[str],
    out: Path,
    another: Another = MappingProxyType({}),
) -> Claim:
    """Freeze a claim in the ledger and write claim.csv, claim.xlsx and claim.json to `out`.

    The files are built first, then the ledger, which keeps their bytes, is written, then the files
    are put in place: a home can be claimed without files (write them again with `reissue`), but
    never twice. Raises ClaimError naming the homes claimed before, OutputError where the files
    cannot be written.
    """
    frozen = ""
    try:
        with _files(store, out) as built:
            claim = preview(open_run(store), home_ids, another)
            made = files.contents(claim.lines, claim.totals, claim.manifest)
            for name, content in made.items():
                built.add(out / name, content)
            with Ledger(Path(claim.manifest["ledger"]), create=True) as ledger:
                ledger.add(claim.claim_id, MEASURE, claim.lines, made, another)
            frozen = claim.claim_id
    except OutputError as fault:
        again = f" Claim {frozen} stands in the ledger: write its files with --again {frozen}."
        raise OutputError(str(fault) + (again if frozen else "")) from None
    return claim


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
    with outputs.writing([out / name for name in files.NAMES], reads) as built:
        yield built


def claimed(store: Path) -> pl.DataFrame:
    """Every line claimed so far: identity.NAMED, claim_id and made_at; empty without a ledger."""
    return _lines_of(ledger_path(store))


def _lines_of(ledger: Path) -> pl.DataFrame:
    if not os.path.lexists(ledger) and not ledger.with_name(OLDER).exists():
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
    above = identity.doubles(ranking.filter(pl.col("rank").is_not_null()).sort("rank"))
    found = held_open(pl.concat([before, above], how="diagonal"), another)
    return found.unique("home_id", keep="first", maintain_order=True)


def still_open(ranking: pl.DataFrame, met: pl.DataFrame) -> pl.DataFrame:
    """The homes of a ranking that were not claimed and look like no other (`met_in`)."""
    return ranking.join(met, on="home_id", how="anti", maintain_order="left")


def _refuse_nowhere(chosen: pl.DataFrame) -> None:
    """Raise ClaimError naming homes whose address or postcode is not known."""
    named = chosen.select("home_id", "address", "postcode").iter_rows()
    if nowhere := [home for home, *place in named if not addresses.read(*place).says_where]:
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


def read_home_list(text: str) -> list[str]:
    """Home keys from a file, one to a line (a heading `home_id` is let pass), or from commas.

    Raises ClaimError where nothing is named.
    """
    path = Path(text)
    try:
        is_file = path.is_file()
    except OSError:
        is_file = False
    if is_file:
        try:
            lines = path.read_text(encoding="utf-8-sig").splitlines()
        except UnicodeDecodeError:
            raise ClaimError(f"{path} is not text. Give one home key to a line.") from None
        parts = [line.split(",")[0].strip().strip('"') for line in lines]
    else:
        parts = [part.strip() for part in text.split(",")]
    homes = [part for part in parts if part and part.lower() != "home_id"]
    if not is_file and len(homes) == 1 and path.suffix in (".txt", ".csv"):
        raise ClaimError(f"--homes {path}: there is no such file. Check the path.")
    if not homes:
        raise ClaimError(
            f"--homes '{text}' names no home. Give a file of keys or keys with commas."
        )
    return homes


def _chosen(ranking: pl.DataFrame, home_ids: Sequence[str]) -> pl.DataFrame:
    wanted = pl.Series("home_id", home_ids, dtype=pl.String)
    if repeated := sorted(wanted.filter(wanted.is_duplicated()).unique()):
        raise ClaimError(f"Named more than once in one claim: {_some(repeated)}. Name each once.")
    if unknown := sorted(set(wanted) - set(ranking["home_id"])):
        raise ClaimError(
            f"Not in this store: {_some(unknown)}. They may be in quarantine; check their keys."
        )
    chosen = ranking.filter(pl.col("home_id").is_in(wanted.implode())).sort("home_id")
    refused = chosen.filter(pl.col("reason").is_not_null())
    if refused.height:
        told = [f"{home} ({why})" for home, why in refused.select("home_id", "reason").iter_rows()]
        raise ClaimError(f"No option was chosen, so nothing can be claimed: {_some(told)}.")
    return chosen


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
