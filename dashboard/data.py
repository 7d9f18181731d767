"""The only door to the store: opened runs and their derived tables, cached, and the claims."""

import sys
import tempfile
import threading
from collections.abc import Callable, Sequence
from importlib.resources import files
from pathlib import Path
from typing import NamedTuple

import polars as pl
import streamlit as st

from dashboard import tables
from pipeline import assess, bill, claims, funding, published, scenarios
from pipeline.errors import ClaimError, StoreError
from pipeline.programme import funds
from pipeline.published import Published, open_run
from pipeline.settings import Settings
from pipeline.stock import reading, workbook

_ONE_AT_A_TIME = threading.Lock()
"""Held while this process has the ledger open: two sessions never freeze at once."""


class Identity(NamedTuple):
    """What tells one published file from the next at the same path."""

    path: str
    inode: int
    mtime_ns: int
    size: int


class Frozen(NamedTuple):
    """Outcome of freezing: the claim's number, its homes, its folder, and if it stood before."""

    claim_id: str
    homes: int
    folder: Path
    stood_before: bool


def store_path() -> Path:
    """Path of the store, the first argument after `--`. Raises StoreError where there is none."""
    if len(sys.argv) < 2:
        raise StoreError("No store was named. Start with `programme dashboard --store STORE`.")
    return Path(sys.argv[1])


def identity(path: Path) -> Identity:
    """Path, inode, time of change and size; zeros where there is no file."""
    try:
        found = path.stat()
    except OSError:
        return Identity(str(path), 0, 0, 0)
    return Identity(str(path), found.st_ino, found.st_mtime_ns, found.st_size)


def opened() -> tuple[Identity, Published]:
    """The run as it is published now. Raises StoreError where it cannot be read."""
    key = identity(store_path())
    return key, _open(key)


@st.cache_resource(max_entries=2, show_spinner="Opening the store")
def _open(key: Identity) -> Published:
    return open_run(Path(key.path))


def ranking_under(key: Identity, settings: Settings, run: Published) -> pl.DataFrame:
    """The run's homes ranked under other settings."""
    return _ranking_under(key, settings.model_dump_json(exclude={"budget_gbp"}), settings, run)


@st.cache_data(max_entries=24, show_spinner=False)
def _ranking_under(key: Identity, text: str, _settings: Settings, _run: Published) -> pl.DataFrame:
    return scenarios.rerank(_run.ranking, _run.base, _settings)


def by_thickness(
    key: Identity, settings: Settings, thicknesses_mm: Sequence[float], run: Published
) -> pl.DataFrame:
    """Totals by insulant and thickness under the settings; each insulant is cached on its own."""
    homes = ranking_under(key, settings, run)
    systems = settings.works.systems or tuple(labels(run))
    parts = []
    for system in systems:
        one = scenarios.with_setting(settings, "works.systems", [system])
        text = one.model_dump_json(exclude={"budget_gbp": True, "works": {"thickness_most_mm"}})
        parts.append(_by_thickness(key, text, tuple(thicknesses_mm), one, homes, run))
    return pl.concat(parts)


@st.cache_data(max_entries=200, show_spinner=False)
def _by_thickness(
    key: Identity, text: str, thicknesses_mm: tuple[float, ...], _settings: Settings,
    _homes: pl.DataFrame, _run: Published,
) -> pl.DataFrame:  # fmt: skip
    base = assess.basis(_run.base.reference, _settings, _run.base.book)
    return scenarios.by_thickness(_homes, base, list(thicknesses_mm))


@st.cache_resource(max_entries=4, show_spinner="Measuring the homes")
def bill_of(key: Identity, homes: tuple[str, ...], _run: Published) -> bill.Bill:
    """The bill of quantities of some homes, in the order of the ranking."""
    return bill.bill(_run.ranking.filter(pl.col("home_id").is_in(homes)), _run)


@st.cache_data(max_entries=12, show_spinner=False)
def stored(key: Identity, name: str) -> pl.DataFrame:
    """One more table of the store: screens, faults, mended, overrides or corrections."""
    return published.table(Path(key.path), name)


@st.cache_data(max_entries=2, show_spinner="Estimating every home anew")
def beside_type(key: Identity, _run: Published) -> pl.DataFrame:
    """Wall U-value and area of every home beside what its age and form suggest."""
    return tables.beside_type(_run.ranking, _run.base)


@st.cache_data(max_entries=2, show_spinner=False)
def digest(key: Identity) -> str:
    """SHA-256 of the store's file."""
    return reading.sha256(Path(key.path))


def mending_workbook(key: Identity, run: Published) -> bytes:
    """quarantine.xlsx of the run, the same bytes as the run wrote."""
    faults, said, asked = (stored(key, name) for name in ("faults", "said", "questions"))
    sha256 = run.account["stock_list_sha256"]
    return workbook.build(run.quarantine, faults, said, asked, sha256)


def labels(run: Published) -> dict[str, str]:
    """Plain label of every insulant the reference tables hold."""
    table = run.base.reference.table("insulation_systems")
    return dict(table.select("system", "label").iter_rows())


def rule_files(pattern: str) -> dict[str, Path]:
    """Files of funds' rules or of the landlord's means, by name: beside the store, then the demo's.

    pattern: of their names, as `fund*.toml`.
    """
    demo = Path(str(files("data_demo")))
    found = [path for folder in (demo, store_path().parent) for path in folder.glob(pattern)]
    return {path.name: path for path in sorted(found, key=lambda path: path.name)}


def allocated(
    run: Published, chosen: Sequence[Path], means: Path | None,
    progress: Callable[[str, int, int], None],
) -> funding.Funding:  # fmt: skip
    """The funds allocated to the homes that are not claimed. Raises ProgrammeError."""
    asked = funding.Asked(tuple(map(funds.read, chosen)), funds.read_means(means))
    return funding.fund(run, asked, met_before(run), progress=progress)


ALLOCATION = "allocation_made"
"""Where a session keeps what the funding page allocated last, with what it rested on."""


def last_allocation() -> pl.DataFrame | None:
    """Every home of the allocation this session made last; None before the first."""
    _, made = st.session_state.get(ALLOCATION, (None, None))
    return None if made is None else made.homes


def ledger_of(run: Published) -> Identity:
    """What tells the ledger as it is now from the ledger after one more claim."""
    return identity(claims.ledger_path(run.path, run.base.settings))


def met_before(run: Published) -> pl.DataFrame:
    """Homes of the run that were claimed before under any key, or look like one that was."""
    with _ONE_AT_A_TIME:
        return claims.met_before(run)


def claimed(store: Path) -> pl.DataFrame:
    """Every line of the ledger so far."""
    with _ONE_AT_A_TIME:
        return claims.claimed(store)


def freeze(store: Path, claim_id: str, homes: claims.Wanted, out: Path) -> Frozen:
    """Freeze a claim in the ledger and write its files; the very same claim only once.

    claim_id: the number of the claim that was looked at, which is frozen and no other.
    Raises ProgrammeError where the ledger refuses, or where the files cannot be written.
    """
    with _ONE_AT_A_TIME:
        stood = claims.claimed(store).filter(pl.col("claim_id") == claim_id)
        if stood.height:
            return Frozen(claim_id, stood.height, out, stood_before=True)
        try:
            made = claims.export(store, homes, out, as_previewed=claim_id)
        except OSError as fault:
            raise ClaimError(
                f"The files could not be written to {out}: {fault.strerror}. If claim {claim_id}"
                " is listed below, it stands in the ledger: fetch its files there."
            ) from None
        return Frozen(claim_id, made.lines.height, out, stood_before=False)


def frozen_files(store: Path, claim_id: str) -> dict[str, bytes]:
    """The three files of a claim made before, by name, the same bytes as when it was made."""
    return _frozen_files(identity(claims.ledger_path(store)), str(store), claim_id)


@st.cache_data(max_entries=8, show_spinner=False)
def _frozen_files(ledger: Identity, store: str, claim_id: str) -> dict[str, bytes]:
    with tempfile.TemporaryDirectory() as folder, _ONE_AT_A_TIME:
        claims.reissue(Path(store), claim_id, Path(folder))
        return {name: (Path(folder) / name).read_bytes() for name in claims.files.NAMES}
