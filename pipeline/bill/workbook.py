"""The files of a bill: CSV, and a workbook whose formulas a quantity surveyor can follow and price.

The yellow cells of the sheet Rates drive everything: item rates, lots, summary. Every formula has
its value stored beside it, so that readers which do not recalculate show the figures too. What a
home's share is cannot follow an edited rate by a formula: it is shown while no rate is edited.
"""

import datetime
import io
from typing import Any

import polars as pl
import xlsxwriter
from xlsxwriter.utility import xl_col_to_name

from pipeline.bill import ALONE, BESIDE, HERE, TERMS, WORKS, Bill, band
from pipeline.bill.sheets import EDITED, ENDS_TO_CHECK, LABELS, Sheets, add
from pipeline.explain import CAUTION
from pipeline.exports import csv_bytes
from pipeline.options import rates
from pipeline.published import Published

NAMES = ("bill.csv", "bill_lots.csv", "bill_homes.csv", "bill_packs.csv", "bill.xlsx")
HOLDS = (
    "Quantities come from the stock list's geometry (net wall area, lengths of reveals, sills,"
    " base, eaves and corners), estimated by form, storeys and openings where the list has none."
    " They are for budgeting and tender comparison; measure on site before ordering.",
    "Net is what is fixed; gross adds waste. Openings are deducted from the wall; reveals, sills,"
    " beads and edge fixings are measured along them.",
    "Fixings follow the catalogue's number per m2 and 300 mm centres at edges. The true number"
    " follows wind load, edge zones and pull-out tests.",
    "Rates are those of the rate book named below, brought to one price date by its index. Each"
    " rate holds material, labour where the item says so, plant, overheads and profit as the book's"
    " owner gave them.",
    "Access is scaffold by storeys and elevation for the ordinary hire. Not in it: bridging over"
    " extensions, pavement licences, temporary roofs, extra hire through winter.",
    "Enabling works are a wash and light making good of the wall, counts for the type of home (not"
    " a survey: flues, meters, pipes, dishes, cables, vents), and a share of the eaves.",
    "Lot discount lowers access and prelims for homes of one street done together. The order of"
    " homes was priced for the number of homes in a lot that the settings give.",
    "Not in it: repairs to the wall, damp or structural remedies, asbestos removal, windows and"
    " doors, roofs beyond the eaves share, decanting, land and legal fees, finance, the landlord's"
    " own staff, inflation after the price date.",
    "Whole packs are rounded up lot by lot. What is left over is priced on its own sheet and is"
    " not in the total.",
    "VAT is that of supplied and installed energy-saving materials on the day of installation;"
    " repairs and ancillary building work may bear another rate. Ask a tax adviser.",
)
"""What the number holds and what it does not, as the Basis sheet and the dashboard say it."""


def files(made: Bill, run: Published) -> dict[str, bytes]:
    """bill.csv (lines), bill_lots.csv, bill_homes.csv, bill_packs.csv and bill.xlsx, by name."""
    tables = (lines_table(made), in_pounds(made.lots), in_pounds(made.homes), packs_table(made))
    return dict(zip(NAMES, (*map(csv_bytes, tables), workbook(made, run)), strict=True))


def in_pounds(accounts: pl.DataFrame) -> pl.DataFrame:
    """Lots or homes with money in GBP and areas in m2, units in the names.

    The lot discount is below zero here, so that the parts of a row add up to its total.
    """
    money = [c for c in (*WORKS, *TERMS, "total", *HERE, *BESIDE, *ALONE) if c in accounts.columns]
    return (
        accounts.with_columns(lot_discount=-pl.col("lot_discount"))
        .with_columns(pl.col(money).mul(0.01).round(2), pl.col("net_area").mul(0.001).round(3))
        .rename({**{name: f"{name}_gbp" for name in money}, "net_area": "net_area_m2"})
    )


def lines_table(made: Bill) -> pl.DataFrame:
    """The lines with quantities in their unit and money in GBP."""
    thousandths = pl.col("net", "gross").mul(0.001).round(3)
    return made.lines.join(
        made.lots.select("lot_no", "street_lot"), on="lot_no", how="left", maintain_order="left"
    ).select(
        "lot_no", "street_lot", "section", "item", "label", "variant", "unit", "waste", thousandths,
        rate_gbp=pl.col("rate").mul(0.0001).round(4),
        amount_gbp=pl.col("amount").mul(0.01).round(2),
    )  # fmt: skip


def packs_table(made: Bill) -> pl.DataFrame:
    """Whole packs by lot, with what they leave over."""
    return made.packs.with_columns(
        pl.col("gross", "surplus").mul(0.001).round(3),
        pl.col("surplus_amount").mul(0.01).round(2),
    ).rename({"surplus_amount": "surplus_gbp"})


def workbook(made: Bill, run: Published) -> bytes:
    """bill.xlsx: Summary, Lots, Bill, Items, Rates, Packs, Homes, Basis. Same bytes every time."""
    buffer = io.BytesIO()
    book = xlsxwriter.Workbook(buffer, {"in_memory": True, "strings_to_formulas": False})
    book.set_properties({"created": datetime.datetime(2000, 1, 1)})
    book.set_calc_mode("auto")
    sheets = Sheets(book)
    summary = book.add_worksheet("Summary")
    lots = sheets.sheet("Lots", _LOT_HEADINGS, _LOT_NOTE)
    add(sheets, made, run)
    _lots(sheets, lots, made, run)
    _homes(sheets, made)
    _basis(sheets, made, run)
    _summary(sheets, summary, made, run)
    book.close()
    return buffer.getvalue()


_LOT_NOTE = (
    "One row for each street lot. Every sum of money is a formula on the sheets Bill and Rates."
    " Sections stand before the location index; Works here is at the place's index, less discount."
)
_HOME_NOTE = (
    "Each home's share of its lot, in whole pence; sections stand before the location index. Shown"
    " while the rates are as exported: bill_homes.csv keeps the shares at those rates."
)
_LOT_HEADINGS = [
    ("Lot", 6), ("Street lot", 44), ("Homes", 8), ("Net wall area [m2]", 12),
    *((LABELS[name], 14) for name in (*WORKS, "lot_discount")),
    ("Works here", 14), ("Location index", 10), ("Prelims", 14), ("Contingency", 14),
    ("On-costs here", 14), ("Before VAT", 15), ("VAT", 14), ("Total with VAT [GBP]", 15),
    ("GBP per m2", 10), ("GBP per home", 12), ("In lots of the settings' size [GBP]", 15),
    ("At low rates [GBP]", 15), ("At high rates [GBP]", 15),
]  # fmt: skip
_LOT_COLUMNS = {
    2: "homes", 3: "net_area", **dict(enumerate(WORKS, start=4)), 9: "lot_discount",
    10: "works_here", 12: "prelims", 13: "contingency", 14: "on_costs_here", 15: "before_vat",
    16: "vat", 17: "total", **dict(enumerate(BESIDE, start=20)),
}  # fmt: skip
"""Columns of the sheet Lots that are added up."""


def _lots(sheets: Sheets, sheet: Any, made: Bill, run: Published) -> None:
    for row, lot in enumerate(made.lots.iter_rows(named=True), start=3):
        n = row + 1
        sheet.write_number(row, 0, lot["lot_no"])
        sheet.write_string(row, 1, lot["street_lot"])
        sheet.write_number(row, 2, lot["homes"])
        sheet.write_number(row, 3, lot["net_area"] / 1000, sheets.quantity)
        sheet.write_number(row, 11, lot["location_index"], sheets.index)
        for column, formula in _lot_formulas(sheets, lot, n, run).items():
            name = _LOT_COLUMNS[column]
            pence = -lot[name] if name == "lot_discount" else lot[name]
            sheet.write_formula(row, column, formula, sheets.money, pence / 100)
        area = lot["net_area"] / 1000
        sheet.write_formula(row, 18, f"=R{n}/D{n}", sheets.money, lot["total"] / 100 / area)
        sheet.write_formula(row, 19, f"=R{n}/C{n}", sheets.money, lot["total"] / 100 / lot["homes"])
    last = made.lots.height + 3
    sheet.write_string(last, 1, "All lots", sheets.total)
    for column in _LOT_COLUMNS:
        letter = xl_col_to_name(column)
        sheet.write_formula(
            last, column, f"=SUM({letter}4:{letter}{last})", sheets.total,
            _lot_sum(made, column),
        )  # fmt: skip
    sheet.freeze_panes(3, 2)


def _lot_formulas(sheets: Sheets, lot: dict[str, Any], n: int, run: Published) -> dict[int, str]:
    """The account of a lot in row n, by column, and its totals under other terms."""
    book, cost = run.base.book, run.base.settings.cost
    prelims, contingency = (sheets.rate_at((name, "all")) for name in ("prelims", "contingency"))
    vat = sheets.rate_at(("vat", rates.vat(book, cost)[0]))
    mine, stated = band(book, lot["homes"]), band(book, cost.lot_homes)
    off, stated_off = (sheets.rate_at(("lot_discount", least)) for least in (mine, stated))

    def lines(section: str, column: str = "K") -> str:
        found = sheets.first_line.get((lot["lot_no"], section))
        return f"SUM(Bill!${column}${found[0]}:${column}${found[1]})" if found else "0"

    def at_once(off: str, end: str, column: str) -> str:
        works = "+".join(lines(name, column) for name in WORKS)
        less = f"{lines('access', column)}*{off}"
        more, most = (sheets.rate_at((name, "all"), end) for name in ("prelims", "contingency"))
        built = f"({works}-{less})*(1+{more}*(1-{off}))*(1+{most})"
        return f"=ROUND(({built}+{lines('on_costs', column)})*L{n}*(1+{vat}),2)"

    return {
        **{column: f"={lines(name)}" for column, name in enumerate(WORKS, start=4)},
        9: f"=-ROUND(H{n}*{off},2)",
        10: f"=ROUND((E{n}+F{n}+G{n}+H{n}+I{n}+J{n})*L{n},2)",
        12: f"=ROUND(K{n}*{prelims}*(1-{off}),2)",
        13: f"=ROUND((K{n}+M{n})*{contingency},2)",
        14: f"=ROUND({lines('on_costs')}*L{n},2)",
        15: f"=K{n}+M{n}+N{n}+O{n}",
        16: f"=ROUND(P{n}*{vat},2)",
        17: f"=P{n}+Q{n}",
        20: f"=R{n}" if mine == stated else at_once(stated_off, "rate", "K"),
        21: at_once(off, "low", "L"),
        22: at_once(off, "high", "M"),
    }


def _lot_sum(made: Bill, column: int) -> float:
    name = _LOT_COLUMNS[column]
    by = {"homes": 1, "net_area": 1000, "lot_discount": -100}.get(name, 100)
    return _sum(made.lots, name) / by


def _sum(table: pl.DataFrame, name: str) -> int:
    return int(table[name].sum())


def _homes(sheets: Sheets, made: Bill) -> None:
    headings = [("Lot", 6), ("Home", 14), ("Address", 34), ("Street lot", 40), ("System", 16),
                ("Thickness [mm]", 10), ("Net wall area [m2]", 11), ("Priced alone [GBP]", 13),
                *((LABELS[name], 13) for name in (*WORKS, *TERMS)),
                ("Total [GBP]", 14)]  # fmt: skip
    sheet = sheets.sheet("Homes", headings, _HOME_NOTE)
    table = in_pounds(made.homes).with_columns(pl.col("system").str.replace_all("_", " "))
    order = ["lot_no", "home_id", "address", "street_lot", "system", "thickness_mm", "net_area_m2",
             "priced_alone_gbp",
             *(f"{name}_gbp" for name in (*WORKS, *TERMS, "total"))]  # fmt: skip
    for column, name in enumerate(order):
        for row, value in enumerate(table[name], start=3):
            if isinstance(value, str):
                sheet.write_string(row, column, value)
            elif name.endswith("_gbp"):
                shown = f'=IF({EDITED}=0,{value!r},"")'
                sheet.write_formula(row, column, shown, sheets.money, value)
            elif value is not None:
                style = sheets.quantity if name == "net_area_m2" else None
                sheet.write_number(row, column, value, style)
    last = table.height + 3
    sheet.write_string(last, 1, "All homes", sheets.total)
    for column, name in list(enumerate(order))[6:]:
        letter = xl_col_to_name(column)
        added = f"SUM({letter}4:{letter}{last})"
        money = name.endswith("_gbp")
        value = _sum(made.homes, name.removesuffix("_gbp").removesuffix("_m2"))
        sheet.write_formula(
            last, column, f'=IF({EDITED}=0,{added},"")' if money else f"={added}", sheets.total,
            value / {"net_area_m2": 1000, "lot_discount_gbp": -100}.get(name, 100),
        )  # fmt: skip
    sheet.autofilter(2, 0, last - 1, len(order) - 1)
    sheet.freeze_panes(3, 2)


def _basis(sheets: Sheets, made: Bill, run: Published) -> None:
    sheet = sheets.book.add_worksheet("Basis")
    sheet.set_column(0, 0, 120)
    account, settings = run.account, run.base.settings.cost
    told = [
        "What this number holds, and what it does not",
        *HOLDS,
        f"Rate book as exported: {account['rate_book']} ({account['rate_book_source']}); the sheet"
        " Rates marks what was typed over since."
        f" Prices of {settings.price_date or run.base.book.newest}; works on"
        f" {settings.installation_date}.",
        f"Run {account['run_id']}, code {account['code_version']}, reference tables"
        f" {account['reference_version']}.",
        CAUTION,
    ]
    sheet.write_string(0, 0, told[0], sheets.title)
    for row, text in enumerate(told[1:], start=1):
        sheet.write_string(row, 0, text, sheets.wrap)


def _summary(sheets: Sheets, sheet: Any, made: Bill, run: Published) -> None:
    """The programme's account from measured works to the price, each line a formula on Lots."""
    last = made.lots.height + 4
    homes, area = _sum(made.lots, "homes"), _sum(made.lots, "net_area") / 1000
    sheet.set_column(0, 0, 40)
    sheet.set_column(1, 4, 18)
    sheet.write_string(0, 0, "Bill of quantities", sheets.title)
    source = run.account["rate_book_source"]
    if "invented" in source:
        told = "INVENTED RATES: put your own into the sheet Rates."
        formula = f'=IF({EDITED}<{len(sheets.rate_row)},"{told}","")'
        sheet.write_formula(1, 0, formula, sheets.head, told)
    sheet.write_string(2, 0, "Homes")
    sheet.write_formula(2, 1, f"=Lots!C{last}", None, homes)
    sheet.write_string(3, 0, "Net wall area [m2]")
    sheet.write_formula(3, 1, f"=Lots!D{last}", sheets.quantity, area)
    for column, heading in enumerate(
        ("Sections: before the location index", "GBP", "GBP per home", "GBP per m2", "Share")
    ):
        sheet.write_string(5, column, heading, sheets.head)
    rows = [
        *((LABELS[name], f"=Lots!{xl_col_to_name(4 + i)}{last}", name, 1)
          for i, name in enumerate(WORKS)),
        ("Lot discount on access", f"=Lots!J{last}", "lot_discount", -1),
        ("Location index on works", "=B14-SUM(B7:B12)", "", 0),
        ("Works at the place's index", f"=Lots!K{last}", "works_here", 1),
        ("Prelims", f"=Lots!M{last}", "prelims", 1),
        ("Contingency", f"=Lots!N{last}", "contingency", 1),
        ("On-costs at the place's index", f"=Lots!O{last}", "on_costs_here", 1),
        ("Before VAT", f"=Lots!P{last}", "before_vat", 1),
        ("VAT", f"=Lots!Q{last}", "vat", 1),
        ("Total with VAT", f"=Lots!R{last}", "total", 1),
    ]  # fmt: skip
    pence = {name: _sum(made.lots, name) * sign for _, _, name, sign in rows if name}
    pence[""] = pence["works_here"] - sum(pence[n] for n in (*WORKS, "lot_discount"))
    n_total = 6 + len(rows)
    for row, (label, formula, name, _) in enumerate(rows, start=6):
        bold = name in ("works_here", "before_vat", "total")
        value, n, style = pence[name] / 100, row + 1, sheets.total if bold else sheets.money
        sheet.write_string(row, 0, label, sheets.total if bold else None)
        sheet.write_formula(row, 1, formula, style, value)
        sheet.write_formula(row, 2, f"=B{n}/$B$3", style, value / homes)
        sheet.write_formula(row, 3, f"=B{n}/$B$4", style, value / area)
        share = value / (pence["total"] / 100)
        sheet.write_formula(row, 4, f"=B{n}/$B${n_total}", sheets.share, share)
    _checks(sheets, sheet, made, n_total)


def _checks(sheets: Sheets, sheet: Any, made: Bill, n_total: int) -> None:
    """Whether homes add up to the total, the lots' discount, the range, and what was edited."""
    homes_last, lots_last = made.homes.height + 4, made.lots.height + 4
    total, stated, low, high = (_sum(made.lots, name) / 100 for name in ("total", *BESIDE))
    column = xl_col_to_name(8 + len(WORKS) + len(TERMS))
    apart = f'=IF({EDITED}=0,ROUND(Homes!{column}{homes_last}-B{n_total},2),"")'
    rows = (
        ("Homes less lots, while the rates are as exported", apart,
         _sum(made.homes, "total") / 100 - total),
        ("The same homes in lots of the settings' size (cost.lot_homes)", f"=Lots!U{lots_last}",
         stated),
        ("Saved by treating these homes in their lots; below zero where that costs more",
         f"=B{n_total + 3}-B{n_total}", stated - total),
        ("In their lots, every rate at its low end", f"=Lots!V{lots_last}", low),
        ("In their lots, every rate at its high end", f"=Lots!W{lots_last}", high),
        ("Rates edited since this workbook was exported", f"={EDITED}", 0),
    )  # fmt: skip
    for row, (label, formula, value) in enumerate(rows, start=n_total + 1):
        sheet.write_string(row, 0, label, sheets.wrap)
        sheet.write_formula(row, 1, formula, None if "edited" in label else sheets.money, value)
    well = "Every rate lies within its low and high end."
    ill = "Some rates lie outside their low and high ends, or were edited without them: see Rates."
    formula = f'=IF({ENDS_TO_CHECK}=0,"{well}","{ill}")'
    sheet.write_formula(n_total + 4, 2, formula, None, well)
    sheet.write_string(n_total + 8, 0, CAUTION, sheets.wrap)
