"""The frontier as a picture: worth found and proven bound against the budgets, as PNG bytes."""

import io
import textwrap

import matplotlib as mpl
import polars as pl
from matplotlib.figure import Figure


def draw(frontier: pl.DataFrame, unit: str, note: str) -> bytes:
    """Worth against budgets; the best possible lies in the band between worth and bound.

    frontier: as `pipeline.funding.fund` gives it. unit: of the worth. note: what it rests on.
    """
    found = frontier.drop_nulls("worth")
    money = found["budgets_gbp"].to_numpy() * 1e-6
    now = found.filter(pl.col("budget_factor") == 1.0)
    with mpl.rc_context({"font.size": 9, "axes.spines.top": False, "axes.spines.right": False}):
        figure = Figure(figsize=(8, 4.6), layout="constrained")
        axes = figure.subplots()
        worth, bound = found["worth"].to_numpy(), found["bound"].to_numpy()
        axes.fill_between(money, worth, bound, color="#e18700", alpha=0.5, linewidth=0,
                          label="the best possible lies in this band")  # fmt: skip
        axes.plot(money, worth, marker="o", color="#1d74a6", label="found, every rule kept")
        if now.height:
            axes.axvline(now["budgets_gbp"][0] * 1e-6, color="#9aa5ad", linestyle="--")
            axes.annotate(
                f"budgets as given:\n{now['homes'][0]:,} homes, gap {now['gap'][0]:.2%}",
                (now["budgets_gbp"][0] * 1e-6, 0.04), xycoords=("data", "axes fraction"),
                xytext=(6, 0), textcoords="offset points",
            )  # fmt: skip
        axes.set_ylim(bottom=min(0.0, float(worth.min(initial=0.0))))
        axes.set_xlabel("Budgets of the funds, and own money where limited [million GBP]")
        axes.yaxis.set_major_formatter("{x:,.0f}")
        axes.set_ylabel(f"Worth [{unit}]")
        axes.grid(alpha=0.3)
        axes.legend(frameon=False, loc="upper left")
        figure.supxlabel(textwrap.fill(note, 130), fontsize=7)
        buffer = io.BytesIO()
        figure.savefig(buffer, format="png", dpi=130, metadata={"Software": None})
    return buffer.getvalue()
