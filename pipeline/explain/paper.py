"""The sheet as a document: head, steps laid out, check and drawing, before any form is chosen."""

from dataclasses import dataclass
from typing import Any

from pipeline.columns import dictionary
from pipeline.explain.damp import Profile, caption, profile
from pipeline.explain.layout import Layout, lay_out
from pipeline.explain.step import CAUTION, show
from pipeline.explain.steps import Check, check, sheet
from pipeline.published import Published

_IN_SHORT = (
    "rank", "reason", "system", "thickness_mm", "treated_wall_area_m2", "u_existing_w_m2k",
    "u_after_w_m2k", "fuel_saved_kwh_per_year", "expected_fuel_saved_kwh_per_year", "cost_gbp",
    "co2_saved_lifetime_t", "net_present_value_gbp", "expected_net_present_value_gbp",
    "moisture_verdict", "mould_risk_at", "estimated_inputs", "warnings", "cautions",
)  # fmt: skip


@dataclass(frozen=True)
class Paper:
    """What every form of the sheet holds. origin and short are pairs of label and text.

    before, after: the wall to be drawn, where a generic build-up stands for it; drawn: in words;
    whose: the home and the run, for the drawing's head.
    """

    title: str
    published_at: str
    origin: tuple[tuple[str, str], ...]
    short: tuple[tuple[str, str], ...]
    layout: Layout
    check: Check
    before: Profile | None
    after: Profile | None
    drawn: str
    whose: str

    @property
    def cautions(self) -> tuple[str, ...]:
        """What stands at the head of every form: first that the check failed, where it did."""
        return (CAUTION,) if self.check.agrees else (self.check.words(), CAUTION)


def paper(
    home: dict[str, Any], run: Published, store_sha256: str, named_in: str | None = None
) -> Paper:
    """The document of one home. store_sha256: digest of the file the run was opened from.

    named_in: the list that names the home's option, where that is not the ranking's.
    """
    account = run.account
    before = profile(home, run.base, after=False)
    after = profile(home, run.base, after=True) if home["system"] is not None else None
    steps = sheet(home, run.base)
    return Paper(
        f"Hand calculation of home {home['home_id']}",
        run.published_at,
        (
            ("Address", home["address"] or "not in the stock list"),
            ("Row of the stock list", f"{home['source_row']:.0f} of {account['stock_list']}"),
            *([("Option", f"as {named_in} names it")] if named_in else []),
            ("Run", account["run_id"]),
            ("Date of the run", run.published_at),
            ("Store, SHA-256", store_sha256),
            ("ranking.csv, SHA-256", account["ranking_sha256"]),
            ("Stock list, SHA-256", account["stock_list_sha256"]),
            ("Reference tables", account["reference_version"]),
            ("Code", account["code_version"]),
            ("Rate book", f"{account['rate_book']}: {account['rate_book_source']}"),
        ),
        tuple(
            (
                dictionary()[name].titled.removesuffix(" [no]").removesuffix(" [-]"),
                _text(home[name]),
            )
            for name in _IN_SHORT
            if home[name] is not None
        ),
        lay_out(steps),
        check(home, steps, "the assessment with this option" if named_in else "ranking.csv"),
        before,
        after,
        caption(before, after) if before else "",
        f"Home {home['home_id']}, run {account['run_id']}",
    )


def _text(value: Any) -> str:
    return str(value).replace("_", " ") if isinstance(value, str) else show(value)
