"""The claim: homes chosen, the claim previewed, frozen in the ledger, and its files fetched."""

import json
import shlex
from pathlib import Path

import polars as pl
import streamlit as st

from dashboard import data, tables, words
from dashboard.views import common
from pipeline import claims, identity
from pipeline.claims import files
from pipeline.errors import ProgrammeError
from pipeline.exports import csv_bytes
from pipeline.published import Published

_TOP, _STREET, _PASTE = "From the top of the order", "By street", "By their keys"
_ALLOCATED = "As allocated"
_NO_HOME = "Choose at least one home to see its claim."
_NO_ALLOCATION = (
    "Allocate on the page *The funding* first; an allocation made elsewhere is claimed with"
    " `programme claim --homes allocation.csv`."
)
_TOLD = "claim_told"
_FEW = 12
_FOLDED = ("settings", "libraries", "headings_not_used", "notes", "seconds_per_stage", "rows")


@common.guarded
def page() -> None:
    """The page: choose homes, see the claim as it would be, freeze it, fetch what is frozen."""
    _, run = data.opened()
    store = data.store_path().absolute()
    common.head(
        "The claim",
        "For the funding officer: savings claimed home by home, frozen once and never twice, with"
        " the method beside the figures.",
        run,
    )
    wanted = _choose(run)
    keys = wanted["home_id"].to_list() if isinstance(wanted, pl.DataFrame) else list(wanted)
    open_homes, taken = tables.left_out(keys, data.met_before(run))
    _outcome()
    _left_out(taken)
    if isinstance(wanted, pl.DataFrame):
        wanted = wanted.filter(pl.col("home_id").is_in(open_homes))
    else:
        wanted = open_homes
    if open_homes:
        _preview_and_freeze(run, store, wanted)
    elif keys:
        st.info("Every home chosen is claimed already, or held, so nothing is left to claim.")
    else:
        st.info(_NO_ALLOCATION if st.session_state["how"] == _ALLOCATED else _NO_HOME)
    _frozen(store)


def _choose(run: Published) -> claims.Wanted:
    """Keys of homes, each with the option of the ranking, or homes with those allocated."""
    how = st.segmented_control(
        "How to choose the homes", [_TOP, _STREET, _ALLOCATED, _PASTE], default=_TOP,
        required=True, key="how",
    )  # fmt: skip
    if how == _ALLOCATED:
        allocation = data.last_allocation()
        return [] if allocation is None else claims.of_allocation(allocation)
    if how == _TOP:
        most = tables.ranked(run.ranking).height
        top = st.number_input(
            "Homes from the top of the order", 0, most, min(20, most), 1, key="top", width=320
        )
        return tables.ranked(run.ranking)["home_id"].head(top).to_list()
    if how == _STREET:
        left, middle, right = st.columns([1, 1.5, 1.5])
        funded = common.affordable(run, common.budget(run, left))
        estates, streets = common.places(run, middle, right)
        here = tables.narrowed(funded, estates, streets)
        common.told_place(here.height, funded.height, bool(estates or streets))
        return here["home_id"].to_list() if estates or streets else []
    pasted = st.text_area(
        "Keys of the homes", key="pasted", placeholder="One to a line, or with commas between"
    )
    return words.keys(pasted)


def _left_out(taken: pl.DataFrame) -> None:
    before, sure = pl.col("claim_id").is_not_null(), pl.col("way").is_in(identity.SURE)
    _told_left_out(taken.filter(before & sure), "Left out, claimed before", "A home is claimed once"
                   " for one measure.")  # fmt: skip
    then = (
        "Where somebody has seen that two are two homes, claim them with `programme claim --another"
        " HOME=OTHER=REASON`."
    )
    _told_left_out(
        taken.filter(before & ~sure), "Held, as they look like homes claimed before", then
    )
    _told_left_out(
        taken.filter(~before), "Held, as they look like a home further up in the order", then
    )


def _told_left_out(taken: pl.DataFrame, what: str, then: str) -> None:
    if not taken.height:
        return
    told = [
        f"{words.some(part['home_id'].to_list())}"
        f" ({f'claim {claim} of {made[:10]}, ' if claim else ''}by {way})"
        for (claim, made, way), part in taken.group_by(
            "claim_id", "made_at", "way", maintain_order=True
        )
    ]
    st.warning(f"**{what}:** {words.plain('; '.join(told))}. {then}")
    if taken.height > 10:
        with st.expander(f"All {taken.height:,} homes: {what.lower()}"):
            common.table(taken)


def _preview_and_freeze(run: Published, store: Path, homes: claims.Wanted) -> None:
    claim = claims.preview(run, homes)
    st.header(f"Preview of claim {claim.claim_id}")
    st.caption(
        f"{claim.manifest['options'].capitalize()}. Nothing is recorded yet. Figures are rounded"
        " line by line and then added up."
    )
    totals = {name: float(value) for name, value in claim.totals.items()}
    common.three_groups(totals, "The homes of this claim")
    lines, method, trace = st.tabs(["Lines", "Method and factors", "Trace"])
    with lines:
        _lines(run, claim)
    with method:
        st.caption(words.MARKS)
        shown = [{key: words.plain(value) for key, value in row.items()}
                 for row in claim.manifest["method"]]  # fmt: skip
        st.table(
            pl.DataFrame(shown).rename({"name": "Factor", "value": "Value", "unit": "Unit",
                                        "source": "Source", "checked": "Mark"}),
            border="horizontal",
        )  # fmt: skip
    with trace:
        _trace(claim)
    _freeze(store, claim, homes)


def _lines(run: Published, claim: claims.Claim) -> None:
    numbers = [name for name, places in files.LINE.items() if places is not None]
    shown = tables.as_numbers(claim.lines, numbers).drop("claim_id", "run_id", *files.INPUTS)
    shown = tables.with_system_labels(shown, run.base.reference)
    config = common.columns(shown.columns, ("line", "home_id"))
    for name in numbers:
        config[name] = st.column_config.NumberColumn(
            words.title(name), help=words.meaning(name), format=_format(files.LINE[name])
        )
    st.dataframe(shown, hide_index=True, column_config=config, placeholder="")
    st.caption("The download has the inputs of each line too.")
    common.download("Download the preview", claim.lines, f"PREVIEW-{claim.claim_id}.csv")


def _format(places: int | None) -> str | None:
    return None if places == files.EXACT else f"%,.{places}f"


def _trace(claim: claims.Claim) -> None:
    account = claim.manifest["account"]
    told = {name: claim.manifest[name] for name in ("claim_id", "measure", "options", "ledger")}
    told |= account
    lines = [
        f"{name.replace('_', ' '):<20} {value}"
        for name, value in told.items()
        if name not in _FOLDED
    ]
    st.code("\n".join(lines), language=None, wrap_lines=True)
    with st.expander("Settings, libraries and times of the run"):
        st.code(json.dumps({name: account[name] for name in _FOLDED if name in account}, indent=2),
                language="json")  # fmt: skip


def _freeze(store: Path, claim: claims.Claim, homes: claims.Wanted) -> None:
    st.header("Freeze it")
    st.markdown(
        f"Freezing records every line in the ledger, {words.plain(claim.manifest['ledger'])}, and"
        " writes `claim.csv`, `claim.xlsx` and `claim.json`. It cannot be undone."
    )
    if claim.begins:
        st.warning(
            "There is no ledger yet, and this claim begins one. If claims were made before, that is"
            " the wrong place: look for the ledger that holds them first."
        )
    claim_id = claim.claim_id
    folder = st.text_input(
        "Folder for the files", str(store.parent / f"claim-{claim_id}"), key=f"folder-{claim_id}"
    )
    sure = st.checkbox("I have checked the homes and the figures", key=f"sure-{claim_id}")
    st.button(
        "Freeze this claim", type="primary", disabled=not (sure and folder.strip()),
        on_click=_frozen_now, args=(store, claim_id, homes, folder.strip()), key="freeze",
    )  # fmt: skip
    with st.expander("The same from the command line"):
        _command(store, homes, folder.strip())


def _command(store: Path, homes: claims.Wanted, folder: str) -> None:
    if isinstance(homes, pl.DataFrame):
        said, listed = "homes.csv", csv_bytes(homes).decode()
    elif len(homes) > _FEW:
        said, listed = "homes.txt", "\n".join(homes) + "\n"
    else:
        said, listed = ",".join(homes), ""
    parts = ["programme", "claim", "--store", str(store), "--homes", said, "--out", folder]
    st.code(shlex.join(parts), language="bash", wrap_lines=True)
    if listed:
        st.download_button(f"Download {said}", listed, said, "text/plain", on_click="ignore")


def _frozen_now(store: Path, claim_id: str, homes: claims.Wanted, folder: str) -> None:
    """Freeze on the press of the button. Pressing twice finds the claim standing, and says so."""
    try:
        made = data.freeze(store, claim_id, homes, Path(folder).expanduser())
    except ProgrammeError as fault:
        st.session_state[_TOLD] = (False, str(fault))
        return
    st.session_state["frozen_claim"] = made.claim_id
    if made.stood_before:
        said = f"Claim {made.claim_id} is frozen. It stands in the ledger once."
    else:
        said = f"Claim {made.claim_id} is frozen: {made.homes:,} homes. Files: {made.folder}"
    st.session_state[_TOLD] = (True, said)


def _outcome() -> None:
    if _TOLD in st.session_state:
        good, said = st.session_state.pop(_TOLD)
        (st.success if good else st.error)(words.plain(said))


def _frozen(store: Path) -> None:
    made = tables.by_claim(data.claimed(store))
    if not made.height:
        return
    st.header("Claims frozen so far")
    st.caption(f"In the ledger {words.plain(str(claims.ledger_path(store)))}. Back that file up.")
    common.table(made)
    chosen = st.selectbox("Fetch the files of", made["claim_id"].to_list(), key="frozen_claim",
                          width=320)  # fmt: skip
    if chosen is None:
        return
    row = st.container(horizontal=True)
    for name, content in sorted(data.frozen_files(store, chosen).items()):
        row.download_button(name, content, f"{chosen}-{name}", key=name, on_click="ignore")
