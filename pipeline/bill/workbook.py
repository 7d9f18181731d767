"""The files of a bill: CSV, and a workbook whose formulas a quantity surveyor can follow and price.

The yellow cells of the sheet Rates drive everything: item rates, lots, summary. Every formula has
its value stored beside it, so that readers which do not recalculate show the figures too.
"""

import datetime
import io
from collections.abc import Sequence
from typing import Any

import polars as pl
import xlsxwriter
from xlsxwriter.utility import xl_col_to_name

from pipeline.bill import HERE, RANKED, TERMS, WORKS, Bill
from pipeline.explain import CAUTION
from pipeline.exports import csv_bytes
from pipeline.options import rates
from pipeline.published import Published

LABELS = {
    "insulation": "Insulation", "render": "Render", "details": "Details", "access": "Access",
    "enabling": "Enabling works", "lot_discount": "Lot discount on access",
    "location": "Location index", "prelims": "Prelims", "contingency": "Contingency",
    "on_costs": "On-costs", "vat": "VAT", "total": "Total with VAT",
}  # fmt: skip
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
    money = [c for c in (*WORKS, *TERMS, "total", *HERE, *RANKED) if c in accounts.columns]
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


class _Sheets:
    """The workbook under construction, its formats, and where one sheet finds another's cells."""

    def __init__(self, book: xlsxwriter.Workbook) -> None:
        self.book = book
        self.head = book.add_format({"bold": True, "text_wrap": True, "valign": "top", "bottom": 1})
        self.title = book.add_format({"bold": True, "font_size": 14})
        self.wrap = book.add_format({"text_wrap": True, "valign": "top"})
        self.money = book.add_format({"num_format": "#,##0.00"})
        self.total = book.add_format({"bold": True, "top": 1, "num_format": "#,##0.00"})
        self.quantity = book.add_format({"num_format": "#,##0.000"})
        self.rate = book.add_format({"num_format": "#,##0.0000"})
        self.share = book.add_format({"num_format": "0.0%"})
        self.index = book.add_format({"num_format": "0.0000"})
        self.mine = book.add_format({"num_format": "#,##0.0000", "bg_color": "#fff2a8"})
        self.rate_at: dict[tuple[str, str], str] = {}
        self.rate_of: dict[tuple[str, str], float] = {}
        self.item_at: dict[tuple[str, str], str] = {}
        self.first_line: dict[tuple[int, str], tuple[int, int]] = {}

    def sheet(self, name: str, headings: Sequence[tuple[str, float]], note: str) -> Any:
        """A sheet with a note, headings in row 3, widths, and panes frozen below."""
        made = self.book.add_worksheet(name)
        made.write_string(0, 0, note)
        for column, (heading, width) in enumerate(headings):
            made.write_string(2, column, heading, self.head)
            made.set_column(column, column, width)
        made.set_row(2, 32)
        made.freeze_panes(3, 0)
        return made


def workbook(made: Bill, run: Published) -> bytes:
    """bill.xlsx: Summary, Lots, Bill, Items, Rates, Packs, Homes, Basis. Same bytes every time."""
    buffer = io.BytesIO()
    book = xlsxwriter.Workbook(buffer, {"in_memory": True, "strings_to_formulas": False})
    book.set_properties({"created": datetime.datetime(2000, 1, 1)})
    book.set_calc_mode("auto")
    sheets = _Sheets(book)
    summary = book.add_worksheet("Summary")
    lots = sheets.sheet("Lots", _LOT_HEADINGS, _NOTES["Lots"])
    bill = sheets.sheet("Bill", _BILL_HEADINGS, _NOTES["Bill"])
    items = sheets.sheet("Items", _ITEM_HEADINGS, _NOTES["Items"])
    book_rates = sheets.sheet("Rates", _RATE_HEADINGS, _NOTES["Rates"])
    _rates(sheets, book_rates, made, run)
    _items(sheets, items, made)
    _bill(sheets, bill, made)
    _lots(sheets, lots, made, run)
    _packs(sheets, made)
    _homes(sheets, made)
    _basis(sheets, made, run)
    _summary(sheets, summary, made, run)
    book.close()
    return buffer.getvalue()


_NOTES = {
    "Lots": "One row for each street lot. Every figure is a formula on the sheets Bill and Rates."
    " Sections stand before the location index; Works here is at the place's index, less discount.",
    "Bill": "Quantity with waste x rate, before lot discount and location index. Rates come from"
    " the sheet Items; do not type here.",
    "Items": "Rate of each item: (base + more for each 10 mm x thickness / 10), to 0.0001 GBP.",
    "Rates": "Type your rates into the yellow cells: the whole workbook follows.",
    "Packs": "Whole packs to order for each lot. What is left over is not in the total.",
    "Homes": "Each home's share of its lot, in whole pence, as exported; it does not follow edits."
    " Sections stand before the location index.",
}
_AVERAGE = "average by size or type, not counted on site"
_LOT_HEADINGS = [
    ("Lot", 6), ("Street lot", 44), ("Homes", 8), ("Net wall area [m2]", 12),
    *((LABELS[name], 14) for name in (*WORKS, "lot_discount")),
    ("Works here", 14), ("Location index", 10), ("Prelims", 14), ("Contingency", 14),
    ("On-costs here", 14), ("Before VAT", 15), ("VAT", 14), ("Total with VAT [GBP]", 15),
    ("GBP per m2", 10), ("GBP per home", 12),
]  # fmt: skip
_BILL_HEADINGS = [
    ("Lot", 6), ("Street lot", 40), ("Section", 12), ("Item", 44), ("For", 24), ("Unit", 6),
    ("Net", 13), ("Waste", 8), ("With waste", 13), ("Rate [GBP]", 11), ("Amount [GBP]", 14),
    ("Count", 36),
]  # fmt: skip
_ITEM_HEADINGS = [
    ("Section", 12), ("Item", 44), ("For", 24), ("Unit", 6), ("Base [GBP]", 12),
    ("More per 10 mm [GBP]", 12), ("Thickness [mm]", 11), ("Rate [GBP]", 12),
]  # fmt: skip
_RATE_HEADINGS = [
    ("Item", 28), ("Applies to", 16), ("Unit", 20), ("Rate", 12), ("Low", 10), ("High", 10),
    ("Price date", 12), ("Price index", 10), ("Rate at the price date", 14), ("Source", 70),
]  # fmt: skip


def _rates(sheets: _Sheets, sheet: Any, made: Bill, run: Published) -> None:
    """The rows of the user's book that this bill uses, terms last."""
    book, settings = run.base.book, run.base.settings.cost
    wanted = []
    for item in made.items.iter_rows(named=True):
        wanted.append((item["item"], item["applies_to"]))
        if item["priced_per_10mm"] == "yes":
            wanted.append((f"{item['item']}_per_10mm", item["applies_to"]))
    bands = [rates.lot_discount(book, int(n))[0] for n in made.lots["homes"]]
    wanted += [("prelims", "all"), ("contingency", "all")]
    wanted += [("vat", rates.vat(book, settings)[0])]
    wanted += [("lot_discount", band) for band in sorted(set(bands), key=lambda b: int(b or 0))]
    row = 3
    for key in dict.fromkeys(wanted):
        if key == ("lot_discount", ""):
            continue
        found = book.row(*key)
        index = 1.0 if key[0] in rates.TERMS else rates.price_index(book, settings, found)
        for column, text in enumerate((key[0].replace("_", " "), key[1], found.unit)):
            sheet.write_string(row, column, text)
        sheet.write_number(row, 3, found.rate, sheets.mine)
        sheet.write_number(row, 4, found.low, sheets.rate)
        sheet.write_number(row, 5, found.high, sheets.rate)
        sheet.write_string(row, 6, found.price_date.isoformat())
        sheet.write_number(row, 7, index, sheets.index)
        sheet.write_formula(row, 8, f"=D{row + 1}*H{row + 1}", sheets.rate, found.rate * index)
        sheet.write_string(row, 9, found.source)
        sheets.rate_at[key] = f"Rates!$I${row + 1}"
        sheets.rate_of[key] = found.rate * index
        row += 1


def _items(sheets: _Sheets, sheet: Any, made: Bill) -> None:
    for row, item in enumerate(made.items.iter_rows(named=True), start=3):
        key, n = (item["item"], item["applies_to"]), row + 1
        for column, text in enumerate(
            (LABELS[item["section"]], item["label"], item["variant"], item["unit"])
        ):
            sheet.write_string(row, column, text)
        sheet.write_formula(row, 4, f"={sheets.rate_at[key]}", sheets.rate, sheets.rate_of[key])
        base = f"E{n}"
        if item["priced_per_10mm"] == "yes":
            more = (f"{item['item']}_per_10mm", item["applies_to"])
            at, value = sheets.rate_at[more], sheets.rate_of[more]
            sheet.write_formula(row, 5, f"={at}", sheets.rate, value)
            sheet.write_number(row, 6, item["thickness_mm"])
            base = f"E{n}+F{n}*G{n}/10"
        sheet.write_formula(row, 7, f"=ROUND({base},4)", sheets.rate, item["rate"] / 10_000)
        sheets.item_at[item["item"], item["variant"]] = f"Items!$H${n}"
    sheet.autofilter(2, 0, made.items.height + 2, len(_ITEM_HEADINGS) - 1)


def _bill(sheets: _Sheets, sheet: Any, made: Bill) -> None:
    lots = dict(made.lots.select("lot_no", "street_lot").rows())
    for row, line in enumerate(made.lines.iter_rows(named=True), start=3):
        n = row + 1
        sheet.write_number(row, 0, line["lot_no"])
        for column, text in enumerate(
            (lots[line["lot_no"]], LABELS[line["section"]], line["label"], line["variant"],
             line["unit"]), start=1,
        ):  # fmt: skip
            sheet.write_string(row, column, text)
        sheet.write_number(row, 6, line["net"] / 1000, sheets.quantity)
        sheet.write_number(row, 7, line["waste"], sheets.share)
        gross = f"=ROUND(G{n}*(1+H{n}),3)"
        sheet.write_formula(row, 8, gross, sheets.quantity, line["gross"] / 1000)
        rate = f"={sheets.item_at[line['item'], line['variant']]}"
        sheet.write_formula(row, 9, rate, sheets.rate, line["rate"] / 10_000)
        amount = f"=ROUND(I{n}*J{n},2)"
        sheet.write_formula(row, 10, amount, sheets.money, line["amount"] / 100)
        if line["unit"] == "no" and line["net"] % 1000:
            sheet.write_string(row, 11, _AVERAGE)
        key = (line["lot_no"], line["section"])
        first, _ = sheets.first_line.get(key, (n, n))
        sheets.first_line[key] = (first, n)
    sheet.autofilter(2, 0, made.lines.height + 2, len(_BILL_HEADINGS) - 1)


def _lots(sheets: _Sheets, sheet: Any, made: Bill, run: Published) -> None:
    prelims, contingency = sheets.rate_at["prelims", "all"], sheets.rate_at["contingency", "all"]
    vat = sheets.rate_at["vat", rates.vat(run.base.book, run.base.settings.cost)[0]]
    for row, lot in enumerate(made.lots.iter_rows(named=True), start=3):
        n = row + 1
        sheet.write_number(row, 0, lot["lot_no"])
        sheet.write_string(row, 1, lot["street_lot"])
        sheet.write_number(row, 2, lot["homes"])
        sheet.write_number(row, 3, lot["net_area"] / 1000, sheets.quantity)
        for column, name in enumerate(WORKS, start=4):
            formula = f"={_lines_sum(sheets, lot['lot_no'], name)}"
            sheet.write_formula(row, column, formula, sheets.money, lot[name] / 100)
        band = rates.lot_discount(run.base.book, lot["homes"])[0]
        off = sheets.rate_at.get(("lot_discount", band), "0")
        fees = _lines_sum(sheets, lot["lot_no"], "on_costs")
        place = lot["location_index"]
        cells = (
            (9, f"=-ROUND(H{n}*{off},2)", -lot["lot_discount"]),
            (10, f"=ROUND((E{n}+F{n}+G{n}+H{n}+I{n}+J{n})*L{n},2)", lot["works_here"]),
            (12, f"=ROUND(K{n}*{prelims}*(1-{off}),2)", lot["prelims"]),
            (13, f"=ROUND((K{n}+M{n})*{contingency},2)", lot["contingency"]),
            (14, f"=ROUND({fees}*L{n},2)", lot["on_costs_here"]),
            (15, f"=K{n}+M{n}+N{n}+O{n}", lot["before_vat"]),
            (16, f"=ROUND(P{n}*{vat},2)", lot["vat"]),
            (17, f"=P{n}+Q{n}", lot["total"]),
        )
        for column, formula, pence in cells:
            sheet.write_formula(row, column, formula, sheets.money, pence / 100)
        sheet.write_number(row, 11, place, sheets.index)
        area = lot["net_area"] / 1000
        sheet.write_formula(row, 18, f"=R{n}/D{n}", sheets.money, lot["total"] / 100 / area)
        sheet.write_formula(row, 19, f"=R{n}/C{n}", sheets.money, lot["total"] / 100 / lot["homes"])
    last = made.lots.height + 3
    sheet.write_string(last, 1, "All lots", sheets.total)
    for column in (2, 3, *range(4, 11), *range(12, 18)):
        letter = xl_col_to_name(column)
        sheet.write_formula(
            last, column, f"=SUM({letter}4:{letter}{last})", sheets.total,
            _lot_sum(made, column),
        )  # fmt: skip
    sheet.freeze_panes(3, 2)


def _lines_sum(sheets: _Sheets, lot: int, section: str) -> str:
    """Sum of a lot's lines of a section: they stand side by side."""
    found = sheets.first_line.get((lot, section))
    return f"SUM(Bill!$K${found[0]}:$K${found[1]})" if found else "0"


_LOT_COLUMNS = {
    2: "homes", 3: "net_area", **dict(enumerate(WORKS, start=4)), 9: "lot_discount",
    10: "works_here", 12: "prelims", 13: "contingency", 14: "on_costs_here", 15: "before_vat",
    16: "vat", 17: "total",
}  # fmt: skip


def _lot_sum(made: Bill, column: int) -> float:
    name = _LOT_COLUMNS[column]
    by = {"homes": 1, "net_area": 1000, "lot_discount": -100}.get(name, 100)
    return _sum(made.lots, name) / by


def _sum(table: pl.DataFrame, name: str) -> int:
    return int(table[name].sum())


def _packs(sheets: _Sheets, made: Bill) -> None:
    headings = [("Lot", 6), ("Item", 44), ("For", 24), ("Unit", 6), ("With waste", 13),
                ("Pack", 24), ("Packs", 9), ("Left over", 12), ("Left over [GBP]", 14)]  # fmt: skip
    sheet = sheets.sheet("Packs", headings, _NOTES["Packs"])
    for row, pack in enumerate(made.packs.iter_rows(named=True), start=3):
        sheet.write_number(row, 0, pack["lot_no"])
        for column, name in ((1, "label"), (2, "variant"), (3, "unit"), (5, "pack_label")):
            sheet.write_string(row, column, pack[name])
        sheet.write_number(row, 4, pack["gross"] / 1000, sheets.quantity)
        sheet.write_number(row, 6, pack["packs"])
        sheet.write_number(row, 7, pack["surplus"] / 1000, sheets.quantity)
        sheet.write_number(row, 8, pack["surplus_amount"] / 100, sheets.money)
    sheet.autofilter(2, 0, made.packs.height + 2, len(headings) - 1)


def _homes(sheets: _Sheets, made: Bill) -> None:
    headings = [("Lot", 6), ("Home", 14), ("Address", 34), ("Street lot", 40), ("System", 16),
                ("Thickness [mm]", 10), ("Net wall area [m2]", 11), ("As ranked [GBP]", 13),
                *((LABELS[name], 13) for name in (*WORKS, *TERMS)),
                ("Total [GBP]", 14)]  # fmt: skip
    sheet = sheets.sheet("Homes", headings, _NOTES["Homes"])
    table = in_pounds(made.homes)
    order = ["lot_no", "home_id", "address", "street_lot", "system", "thickness_mm", "net_area_m2",
             "as_ranked_gbp", *(f"{name}_gbp" for name in (*WORKS, *TERMS, "total"))]  # fmt: skip
    for column, name in enumerate(order):
        money = sheets.money if name.endswith("_gbp") else None
        style = sheets.quantity if name == "net_area_m2" else money
        for row, value in enumerate(table[name], start=3):
            if isinstance(value, str):
                sheet.write_string(row, column, value.replace("_", " "))
            elif value is not None:
                sheet.write_number(row, column, value, style)
    last = table.height + 3
    sheet.write_string(last, 1, "All homes", sheets.total)
    for column, name in list(enumerate(order))[6:]:
        letter = xl_col_to_name(column)
        value = _sum(made.homes, name.removesuffix("_gbp").removesuffix("_m2"))
        sheet.write_formula(
            last, column, f"=SUM({letter}4:{letter}{last})", sheets.total,
            value / {"net_area_m2": 1000, "lot_discount_gbp": -100}.get(name, 100),
        )  # fmt: skip
    sheet.autofilter(2, 0, last - 1, len(order) - 1)
    sheet.freeze_panes(3, 2)


def _basis(sheets: _Sheets, made: Bill, run: Published) -> None:
    sheet = sheets.book.add_worksheet("Basis")
    sheet.set_column(0, 0, 120)
    account, settings = run.account, run.base.settings.cost
    told = [
        "What this number holds, and what it does not",
        *HOLDS,
        f"Rate book: {account['rate_book']} ({account['rate_book_source']})."
        f" Prices of {settings.price_date or run.base.book.newest}; works on"
        f" {settings.installation_date}.",
        f"Run {account['run_id']}, code {account['code_version']}, reference tables"
        f" {account['reference_version']}.",
        CAUTION,
    ]
    sheet.write_string(0, 0, told[0], sheets.title)
    for row, text in enumerate(told[1:], start=1):
        sheet.write_string(row, 0, text, sheets.wrap)


def _summary(sheets: _Sheets, sheet: Any, made: Bill, run: Published) -> None:
    """The programme's account from measured works to the price, each line a formula on Lots."""
    last = made.lots.height + 4
    homes, area = _sum(made.lots, "homes"), _sum(made.lots, "net_area") / 1000
    sheet.set_column(0, 0, 40)
    sheet.set_column(1, 4, 18)
    sheet.write_string(0, 0, "Bill of quantities", sheets.title)
    source = run.account["rate_book_source"]
    if "invented" in source:
        sheet.write_string(1, 0, "INVENTED RATES: put your own into the sheet Rates.", sheets.head)
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


def _checks(sheets: _Sheets, sheet: Any, made: Bill, n_total: int) -> None:
    """Whether lots and homes add up to the total, and the total as ranked."""
    homes_last = made.homes.height + 4
    total, ranked = _sum(made.lots, "total"), _sum(made.homes, "as_ranked")
    column = xl_col_to_name(8 + len(WORKS) + len(TERMS))
    rows = (
        ("Homes less lots (0.00 until a rate is edited)",
         f"=ROUND(Homes!{column}{homes_last}-B{n_total},2)",
         (_sum(made.homes, "total") - total) / 100),
        ("As ranked, each home as if in a lot of the settings' size", f"=Homes!H{homes_last}",
         ranked / 100),
        ("Saved by treating these homes in their lots", f"=B{n_total + 3}-B{n_total}",
         (ranked - total) / 100),
    )  # fmt: skip
    for row, (label, formula, value) in enumerate(rows, start=n_total + 1):
        sheet.write_string(row, 0, label, sheets.wrap)
        sheet.write_formula(row, 1, formula, sheets.money, value)
    for row, end in enumerate(("low", "high"), start=n_total + 4):
        sheet.write_string(row, 0, f"As ranked, with every rate at its {end} end", sheets.wrap)
        sheet.write_number(row, 1, _sum(made.homes, f"as_ranked_{end}") / 100, sheets.money)
    sheet.write_string(n_total + 7, 0, CAUTION, sheets.wrap)
