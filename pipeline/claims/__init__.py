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
from typing import Any

import polars as pl

from pipeline import outputs
from pipeline.claims import files
from pipeline.claims.ledger import Ledger
from pipeline.errors import ClaimError
from pipeline.published import Published, open_run

MEASURE = "external wall insulation"
LEDGER = "claims.duckdb"


@dataclass(frozen=True)
class Claim:
    """Frozen content of a claim: its number, its lines as text, its totals and its manifest."""

    claim_id: str
    lines: pl.DataFrame
    totals: dict[str, str]
    manifest: dict[str, Any]


def ledger_path(store: Path) -> Path:
    """The ledger of a store's folder: one for all stores there, kept from run to run.

    A home claimed from one store is refused from every other store of the folder.
    """
    return store.with_name(LEDGER)


def preview(run: Published, home_ids: Sequence[str]) -> Claim:
    """The claim as it would be made. Raises ClaimError naming each home that cannot be claimed."""
    chosen = _chosen(run.ranking, home_ids)
    key = "\n".join([run.account["run_id"], MEASURE, *chosen["home_id"]])
    claim_id = "C" + hashlib.sha256(key.encode()).hexdigest()[:12]
    lines = _lines(chosen, claim_id, run.account["run_id"])
    return Claim(
        claim_id,
        lines,
        _totals(lines),
        {
            "claim_id": claim_id,
            "measure": MEASURE,
            "account": run.account,
            "method": files.method(chosen, run.base),
        },
    )


def export(store: Path, home_ids: Sequence[str], out: Path) -> Claim:
    """Freeze a claim in the ledger and write claim.csv, claim.xlsx and claim.json to `out`.

    The files are built first, then the ledger, which keeps their bytes, is written, then the files
    are put in place: a home can be claimed without files (write them again with `reissue`), but
    never twice. Raises ClaimError naming the homes claimed
    before.
    """
    with _files(store, out) as built:
        claim = preview(open_run(store), home_ids)
        made = files.contents(claim.lines, claim.totals, claim.manifest)
        for name, content in made.items():
            built.add(out / name, content)
        with Ledger(ledger_path(store)) as ledger:
            ledger.add(claim.claim_id, MEASURE, claim.lines, made)
    return claim


def reissue(store: Path, claim_id: str, out: Path) -> dict[str, str]:
    """Write the files of a claim made before, as the ledger keeps them, and return its totals."""
    with _files(store, out) as built:
        with Ledger(ledger_path(store), read_only=True) as ledger:
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
    """home_id, claim_id and made_at of every home claimed so far; empty without a ledger."""
    path = ledger_path(store)
    if not path.exists():
        return pl.DataFrame(
            schema={"home_id": pl.String, "claim_id": pl.String, "made_at": pl.String}
        )
    with Ledger(path, read_only=True) as ledger:
        return ledger.homes()


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


def _lines(chosen: pl.DataFrame, claim_id: str, run_id: str) -> pl.DataFrame:
    """One line per home, figures rounded once to the decimals of `files.LINE` and kept as text."""
    text = [
        pl.col(name).cast(pl.String)
        if decimals is None
        else pl.col(name).map_elements(_rounder(decimals), return_dtype=pl.String)
        for name, decimals in files.LINE.items()
    ]
    return chosen.select(
        pl.lit(claim_id).alias("claim_id"),
        pl.int_range(1, pl.len() + 1).cast(pl.String).alias("line"),
        *text,
        pl.lit(run_id).alias("run_id"),
    )


def _rounder(decimals: int) -> Any:
    step = Decimal(1).scaleb(-decimals)
    return lambda value: str(Decimal(repr(value)).quantize(step))


def _totals(lines: pl.DataFrame) -> dict[str, str]:
    """Sums of the rounded lines, in decimal arithmetic, so that they reconcile to the penny."""
    sums = {name: str(sum(map(Decimal, lines[name]), Decimal(0))) for name in files.TOTALLED}
    return {"homes": str(lines.height), **sums}
