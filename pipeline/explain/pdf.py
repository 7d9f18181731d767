"""The sheet as PDF, A4, in the DejaVu fonts that matplotlib brings, so that every symbol prints."""

import datetime
from pathlib import Path

import matplotlib as mpl
from fpdf import FPDF
from fpdf.fonts import FontFace, TTFFont

from pipeline.explain.layout import Grid, Line, pretty
from pipeline.explain.paper import Paper
from pipeline.explain.step import MARKS, show

_FONTS = {"": "DejaVuSans.ttf", "B": "DejaVuSans-Bold.ttf"}
_MARGIN, _TEXT, _SMALL, _TINY = 12.0, 8.0, 7.0, 6.3
_GREY, _BAND = 95, 236
_LINE_COLUMNS = (9, 38, 60, 19, 18, 42)
_NO_GLYPH = "□"


class _Document(FPDF):
    """A4 pages with the title, the run and the page number below."""

    def __init__(self, paper: Paper) -> None:
        super().__init__(format="A4")
        folder = Path(mpl.get_data_path()) / "fonts" / "ttf"
        for style, name in _FONTS.items():
            self.add_font("sans", style, folder / name)
        font = self.fonts["sans"]
        self._held = font.cmap if isinstance(font, TTFFont) else {}
        self.set_margin(_MARGIN)
        self.set_auto_page_break(True, 16.0)
        self.set_creation_date(datetime.datetime.fromisoformat(paper.published_at))
        self.set_lang("en-GB")
        self.set_title(self.known(paper.title))
        self.set_draw_color(190)
        self.set_line_width(0.15)
        self._below = f"{paper.title}   run {dict(paper.origin)['Run']}"
        self.write_at("", _TEXT)
        self.add_page()

    def known(self, text: str) -> str:
        """Text on one line with characters the font lacks shown as boxes."""
        return "".join(c if ord(c) in self._held else _NO_GLYPH for c in " ".join(text.split()))

    def write_at(self, style: str, size: float, grey: int = 0) -> None:
        """Font style, size and grey of what follows."""
        self.set_font("sans", style, size)
        self.set_text_color(grey)

    def paragraph(self, text: str) -> None:
        """Text over the whole width."""
        self.multi_cell(0, self.font_size * 1.35, self.known(text), align="L",
                        new_x="LMARGIN", new_y="NEXT")  # fmt: skip

    def heading(self, text: str, room: float = 25.0) -> None:
        """A heading that does not stand alone at the foot of a page."""
        if self.will_page_break(room):
            self.add_page()
        self.ln(2.5)
        self.start_section(self.known(text))
        self.write_at("B", 10.0)
        self.paragraph(text)
        self.ln(0.8)

    def footer(self) -> None:
        """Title, run and page number."""
        self.set_y(-11.0)
        self.write_at("", _TINY, _GREY)
        self.cell(150.0, 4.0, self.known(self._below))
        self.cell(0, 4.0, f"page {self.page_no()} of {{nb}}", align="R")


def write(paper: Paper, drawing: bytes) -> bytes:
    """The document; the same bytes for the same run."""
    pdf = _Document(paper)
    pdf.write_at("B", 14.0)
    pdf.paragraph(paper.title)
    pdf.ln(1.0)
    pdf.write_at("B", _TEXT)
    for told in paper.cautions:
        pdf.multi_cell(0, 4.4, pdf.known(told), border=1, padding=2, align="L", new_x="LMARGIN",
                       new_y="NEXT")  # fmt: skip
    for title, pairs in (("Where it comes from", paper.origin), ("In short", paper.short)):
        pdf.heading(title)
        _pairs(pdf, pairs)
    for section in paper.layout.sections:
        pdf.heading(section.title)
        for block in section.blocks:
            if isinstance(block, Grid):
                _grid(pdf, block)
            else:
                _lines(pdf, block)
    if drawing:
        pdf.heading("The wall drawn", room=150.0)
        pdf.image(drawing, w=pdf.epw, alt_text=paper.drawn)
        pdf.write_at("", _SMALL)
        pdf.paragraph(paper.drawn)
    pdf.heading("Check")
    pdf.write_at("", _TEXT)
    pdf.paragraph(paper.check.words())
    pdf.heading("Sources")
    pdf.write_at("", _SMALL)
    pdf.paragraph(MARKS)
    for number, source in enumerate(paper.layout.sources, start=1):
        pdf.paragraph(f"[{number}] {source}")
    return bytes(pdf.output())


def _pairs(pdf: _Document, pairs: tuple[tuple[str, str], ...]) -> None:
    pdf.write_at("", _SMALL)
    with pdf.table(
        col_widths=(58, 128), text_align="LEFT", borders_layout="HORIZONTAL_LINES",
        first_row_as_headings=False, line_height=3.6, padding=0.5,
    ) as table:  # fmt: skip
        for label, text in pairs:
            table.row((pdf.known(label), pdf.known(text)))


def _lines(pdf: _Document, lines: tuple[Line, ...]) -> None:
    bold, small = FontFace(emphasis="BOLD"), FontFace(size_pt=_TINY, color=_GREY)
    pdf.write_at("", _SMALL)
    with pdf.table(
        col_widths=_LINE_COLUMNS, text_align=("LEFT", "LEFT", "LEFT", "RIGHT", "LEFT", "LEFT"),
        borders_layout="HORIZONTAL_LINES", line_height=3.4, padding=(0.5, 0.7), v_align="TOP",
        headings_style=FontFace(emphasis="BOLD", fill_color=_BAND),
    ) as table:  # fmt: skip
        table.row(("No.", "What", "Reckoning", "Value", "", "Source; name in ranking.csv"))
        for line in lines:
            step, row = line.step, table.row()
            row.cell(line.number, style=small)
            row.cell(pdf.known(step.what))
            if step.symbol:
                row.cell(_reckoning(line))
                row.cell(show(step.value), style=bold)
                row.cell(pretty(step.unit))
            else:
                row.cell(pdf.known(show(step.value)), colspan=3, style=bold)
            named = f"\n{step.column}" if step.column else ""
            row.cell(f"{pdf.known(line.source)}{named}", style=small)


def _reckoning(line: Line) -> str:
    step = line.step
    if not step.formula:
        return step.symbol
    return f"{step.symbol} = {step.formula}" + (f"\n= {step.working}" if step.working else "")


def _grid(pdf: _Document, grid: Grid) -> None:
    if pdf.will_page_break(8.0 * len(grid.columns) * 0.5 + 20.0):
        pdf.add_page()
    pdf.ln(1.2)
    pdf.write_at("B", _SMALL)
    pdf.paragraph(f"{grid.number} Table: {grid.title}")
    pdf.write_at("", _TINY)
    for column in grid.columns:
        found = "".join(f" = {formula}" for formula in column.formulas)
        pdf.paragraph(f"{column.symbol}{found}: {column.what}; {'; '.join(column.sources)}")
    first = min(38.0, max(18.0, 1.35 * max(len(row[0]) for row in grid.rows)))
    other = min(24.0, (pdf.epw - first) / len(grid.columns))
    pdf.ln(0.6)
    with pdf.table(
        col_widths=(first, *(other for _ in grid.columns)),
        width=first + other * len(grid.columns), align="LEFT", padding=(0.3, 0.6),
        text_align=("LEFT", *("RIGHT" for _ in grid.columns)), line_height=3.2,
        borders_layout="HORIZONTAL_LINES",
        headings_style=FontFace(emphasis="BOLD", fill_color=_BAND),
    ) as table:  # fmt: skip
        table.row(("", *(f"{c.symbol}\n{pretty(c.unit)}" for c in grid.columns)))
        for cells in grid.rows:
            table.row(tuple(map(pdf.known, cells)))
    pdf.ln(1.5)
