"""The sheets of the workbook that lead from a rate to a line: Rates, Items, Bill and Packs.

Whatever depends on a yellow cell is a formula, with its value stored beside it.
"""

from collections.abc import Sequence
from typing import Any

import xlsxwriter

from pipeline.bill import Bill, band
from pipeline.options import rates
from pipeline.published import Published

LABELS = {
    "insulation": "Insulation", "render": "Render", "details": "Details", "access": "Access",
    "enabling": "Enabling works", "lot_discount": "Lot discount on access",
    "location": "Location index", "prelims": "Prelims", "contingency": "Contingency",
    "on_costs": "On-costs", "vat": "VAT", "total": "Total with VAT",
}  # fmt: skip
EDITED, ENDS_TO_CHECK = "Rates!$K$2", "Rates!$L$2"
"""Cells that count the rates typed over, and those whose low and high ends need a look."""
_AVERAGE = "average by size or type, not counted on site"
_NOTES = {
    "Bill": "Quantity with waste x rate, before lot discount and location index. Rates come from"
    " the sheet Items; do not type here.",
    "Items": "Rate of each item: (base + more for each 10 mm x thickness / 10), to 0.0001 GBP.",
    "Rates": "Type your rates, their low and high ends and their sources into the yellow cells: the"
    " whole workbook follows. Price index: 1 where your rate is at the prices of the Basis sheet.",
    "Packs": "Whole packs to order for each lot. What is left over is not in the total.",
}
_RATE_HEADINGS = [
    ("Item", 28), ("Applies to", 16), ("Unit", 20), ("Rate", 12), ("Low", 10), ("High", 10),
    ("Price date", 12), ("Price index", 10), ("Rate at the price date", 14), ("As exported", 12),
    ("Edited", 8), ("Ends to check", 8), ("Source", 70),
]  # fmt: skip
_ITEM_HEADINGS = [
    ("Section", 12), ("Item", 44), ("For", 24), ("Unit", 6), ("Base [GBP]", 12),
    ("More per 10 mm [GBP]", 12), ("Thickness [mm]", 11), ("Rate [GBP]", 12), ("Low [GBP]", 12),
    ("High [GBP]", 12),
]  # fmt: skip
_BILL_HEADINGS = [
    ("Lot", 6), ("Street lot", 40), ("Section", 12), ("Item", 44), ("For", 24), ("Unit", 6),
    ("Net", 13), ("Waste", 8), ("With waste", 13), ("Rate [GBP]", 11), ("Amount [GBP]", 14),
    ("At low rates [GBP]", 14), ("At high rates [GBP]", 14), ("Count", 36),
]  # fmt: skip
_PACK_HEADINGS = [
    ("Lot", 6), ("Item", 44), ("For", 24), ("Unit", 6), ("With waste", 13), ("Pack", 24),
    ("Packs", 9), ("Left over", 12), ("Left over [GBP]", 14),
]  # fmt: skip


class Sheets:
    """The workbook under construction, its formats, and where one sheet finds another's cells."""

    def __init__(self, book: xlsxwriter.Workbook) -> None:
        """Formats of a new workbook."""
        yellow = {"bg_color": "#fff2a8"}
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
        self.mine = book.add_format({"num_format": "#,##0.0000", **yellow})
        self.my_words = book.add_format(yellow)
        self.rate_row: dict[tuple[str, str], int] = {}
        self.rate_of: dict[tuple[str, str], float] = {}
        self.item_row: dict[tuple[str, str], int] = {}
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

    def rate_at(self, key: tuple[str, str], end: str = "rate") -> str:
        """Expression for a rate of the book, or an end of it, at the price date; 0 for none."""
        row = self.rate_row.get(key)
        if row is None:
            return "0"
        at = {"low": "$E", "high": "$F"}.get(end)
        return f"Rates!{at}${row}*Rates!$H${row}" if at else f"Rates!$I${row}"


def add(sheets: Sheets, made: Bill, run: Published) -> None:
    """Fill Bill, Items, Rates and Packs."""
    bill = sheets.sheet("Bill", _BILL_HEADINGS, _NOTES["Bill"])
    items = sheets.sheet("Items", _ITEM_HEADINGS, _NOTES["Items"])
    book_rates = sheets.sheet("Rates", _RATE_HEADINGS, _NOTES["Rates"])
    packs = sheets.sheet("Packs", _PACK_HEADINGS, _NOTES["Packs"])
    _rates(sheets, book_rates, made, run)
    _items(sheets, items, made)
    _bill(sheets, bill, made)
    _packs(sheets, packs, made)


def _used(made: Bill, run: Published) -> list[tuple[str, str]]:
    """Keys of the book's rows that this bill uses, terms last."""
    book, settings = run.base.book, run.base.settings.cost
    wanted = []
    for item in made.items.iter_rows(named=True):
        wanted.append((item["item"], item["applies_to"]))
        if item["priced_per_10mm"] == "yes":
            wanted.append((f"{item['item']}_per_10mm", item["applies_to"]))
    wanted += [("prelims", "all"), ("contingency", "all")]
    wanted += [("vat", rates.vat(book, settings)[0])]
    bands = {band(book, int(n)) for n in (*made.lots["homes"], settings.lot_homes)}
    wanted += [("lot_discount", least) for least in sorted(bands - {""}, key=int)]
    return list(dict.fromkeys(wanted))


def _rates(sheets: Sheets, sheet: Any, made: Bill, run: Published) -> None:
    book, settings = run.base.book, run.base.settings.cost
    used = _used(made, run)
    for row, key in enumerate(used, start=3):
        found, n = book.row(*key), row + 1
        index = 1.0 if key[0] in rates.TERMS else rates.price_index(book, settings, found)
        value = found.rate * index
        for column, text in enumerate((key[0].replace("_", " "), key[1], found.unit)):
            sheet.write_string(row, column, text)
        sheet.write_number(row, 3, found.rate, sheets.mine)
        sheet.write_string(row, 6, found.price_date.isoformat())
        sheet.write_number(row, 7, index, sheets.mine)
        sheet.write_formula(row, 8, f"=D{n}*H{n}", sheets.rate, value)
        sheet.write_number(row, 9, value, sheets.rate)
        sheet.write_formula(row, 10, f"=IF(ROUND(I{n}-J{n},6)=0,0,1)", None, 0)
        if key[0] not in ("vat", "lot_discount"):  # the range takes these as they stand
            sheet.write_number(row, 4, found.low, sheets.mine)
            sheet.write_number(row, 5, found.high, sheets.mine)
            kept = f"AND(K{n}=1,E{n}={found.low!r},F{n}={found.high!r})"
            sheet.write_formula(row, 11, f"=IF(OR(E{n}>D{n},D{n}>F{n},{kept}),1,0)", None, 0)
        sheet.write_string(row, 12, found.source, sheets.my_words)
        sheets.rate_row[key], sheets.rate_of[key] = n, value
    for column, letter in ((10, "K"), (11, "L")):
        sheet.write_formula(1, column, f"=SUM({letter}4:{letter}{len(used) + 3})", None, 0)


def _items(sheets: Sheets, sheet: Any, made: Bill) -> None:
    for row, item in enumerate(made.items.iter_rows(named=True), start=3):
        key, n = (item["item"], item["applies_to"]), row + 1
        for column, text in enumerate(
            (LABELS[item["section"]], item["label"], item["variant"], item["unit"])
        ):
            sheet.write_string(row, column, text)
        sheet.write_formula(row, 4, f"={sheets.rate_at(key)}", sheets.rate, sheets.rate_of[key])
        more = (f"{item['item']}_per_10mm", item["applies_to"])
        thick = item["priced_per_10mm"] == "yes"
        if thick:
            at = f"={sheets.rate_at(more)}"
            sheet.write_formula(row, 5, at, sheets.rate, sheets.rate_of[more])
            sheet.write_number(row, 6, item["thickness_mm"])
        for column, end in enumerate(("rate", "low", "high"), start=7):
            base, each = (
                (f"E{n}", f"F{n}")
                if end == "rate"
                else (sheets.rate_at(key, end), sheets.rate_at(more, end))
            )
            formula = f"=ROUND({base}+{each}*G{n}/10,4)" if thick else f"=ROUND({base},4)"
            value = item["rate" if end == "rate" else f"rate_{end}"] / 10_000
            sheet.write_formula(row, column, formula, sheets.rate, value)
        sheets.item_row[item["item"], item["variant"]] = n
    sheet.autofilter(2, 0, made.items.height + 2, len(_ITEM_HEADINGS) - 1)


def _bill(sheets: Sheets, sheet: Any, made: Bill) -> None:
    lots = dict(made.lots.select("lot_no", "street_lot").rows())
    for row, line in enumerate(made.lines.iter_rows(named=True), start=3):
        n, item = row + 1, sheets.item_row[line["item"], line["variant"]]
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
        sheet.write_formula(row, 9, f"=Items!$H${item}", sheets.rate, line["rate"] / 10_000)
        for column, name, formula in (
            (10, "amount", f"=ROUND(I{n}*J{n},2)"),
            (11, "amount_low", f"=ROUND(I{n}*Items!$I${item},2)"),
            (12, "amount_high", f"=ROUND(I{n}*Items!$J${item},2)"),
        ):
            sheet.write_formula(row, column, formula, sheets.money, line[name] / 100)
        if line["unit"] == "no" and line["net"] % 1000:
            sheet.write_string(row, 13, _AVERAGE)
        key = (line["lot_no"], line["section"])
        first, _ = sheets.first_line.get(key, (n, n))
        sheets.first_line[key] = (first, n)
    sheet.autofilter(2, 0, made.lines.height + 2, len(_BILL_HEADINGS) - 1)


def _packs(sheets: Sheets, sheet: Any, made: Bill) -> None:
    for row, pack in enumerate(made.packs.iter_rows(named=True), start=3):
        item = sheets.item_row[pack["item"], pack["variant"]]
        sheet.write_number(row, 0, pack["lot_no"])
        for column, name in ((1, "label"), (2, "variant"), (3, "unit"), (5, "pack_label")):
            sheet.write_string(row, column, pack[name])
        sheet.write_number(row, 4, pack["gross"] / 1000, sheets.quantity)
        sheet.write_number(row, 6, pack["packs"])
        sheet.write_number(row, 7, pack["surplus"] / 1000, sheets.quantity)
        left = f"=ROUND(H{row + 1}*Items!$H${item},2)"
        sheet.write_formula(row, 8, left, sheets.money, pack["surplus_amount"] / 100)
    sheet.autofilter(2, 0, made.packs.height + 2, len(_PACK_HEADINGS) - 1)
