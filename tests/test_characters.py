"""Characters that nobody sees stop at the reading; headings are guarded like cells."""

import csv
import io
import json
import unicodedata

import fastexcel
import polars as pl
import pytest
import xlsxwriter

from pipeline import explain
from pipeline.exports import csv_bytes
from pipeline.published import open_run
from pipeline.run import run
from pipeline.settings import Settings
from pipeline.stock import Inputs, characters, reading
from tests.conftest import GOOD_ROW, stock_text

UNSEEN = ["\x1b[31m", "\x1b]0;owned\x07", "\x9b2J", "\x07", "\x08", "\u202e", "\u2066", "\u200b",
          "\ufeff", "\u00ad", "\x7f"]  # fmt: skip


def _hidden(text: str) -> list[str]:
    return [c for c in text if c != "\n" and unicodedata.category(c) in {"Cc", "Cf", "Zl", "Zp"}]


@pytest.mark.parametrize(
    ("text", "left", "count"),
    [
        ("T\x071", "T1", 1),
        ("\x1b[1;31mred\x1b[0m", "red", 1),
        ("\x1b]0;title\x07x", "x", 1),
        ("\x9b2Jx", "x", 1),
        ("\u202egnirts\u202c", "gnirts", 1),
        ("1 Alder\nRow\tTarnwick", "1 Alder Row Tarnwick", 0),
        ("line\u2028next\u2029", "line next ", 0),
        ("\u200b", None, 1),
        ("Tŷ Gwyn é 5½", "Tŷ Gwyn é 5½", 0),
        ("'\tLodge", "Lodge", 0),
        (None, None, 0),
    ],
)
def test_what_nobody_sees_is_taken_out_and_counted(text, left, count):
    frame = pl.DataFrame({"a": [text, "x"], "b": ["y", None]}, schema_overrides={"a": pl.String})
    rows, found = characters.without_unseen(frame)
    assert (rows.rows(), found) == ([(left, "y"), ("x", None)], count)


def test_none_of_them_reaches_a_file_a_sheet_or_the_terminal(tmp_path, call):
    dirty = "".join(UNSEEN)
    rows = [
        f'T{dirty}1,"1 {dirty}Alder Row",HX77 3AB,House,1934,85,Solid brick,',
        f'T2,"2 Alder{dirty} Row",HX77 3AB,House,{dirty}abc,85,Solid brick,',
        GOOD_ROW.format(ref="T3", n=3),
    ]
    text = (
        stock_text(*rows)
        .replace("Wall U", f"Wall U,Odd{dirty} heading")
        .replace("brick,", "brick,,")
    )
    path, store, out = tmp_path / "list.csv", tmp_path / "s.duckdb", tmp_path / "out"
    path.write_bytes(text.encode())
    said = call("run", path, "--store", store, "--out", out)
    assert said.code == 0
    assert "control characters were taken out of 5 cells" in said.out
    assert _hidden(said.out + said.err) == []
    for file in ("ranking.csv", "screens.csv", "quarantine.csv", "run.json"):
        assert _hidden((out / file).read_text(encoding="utf-8").replace("\r", "")) == []
    book = fastexcel.read_excel(out / "quarantine.xlsx")
    for name in book.sheet_names:
        assert _hidden(book.load_sheet(name, header_row=None).to_polars().write_csv()) == []
    published = open_run(store)
    assert published.ranking["home_id"].sort().to_list() == ["T1", "T3"]
    home = published.ranking.filter(pl.col("home_id") == "T1").row(0, named=True)
    sheet = explain.files("T1", explain.paper(home, published, reading.sha256(store)))
    assert _hidden(sheet["T1.md"].decode()) == []


def test_names_of_sheets_are_cleaned_too(tmp_path):
    path = tmp_path / "list.xlsx"
    with xlsxwriter.Workbook(path) as book:
        book.add_worksheet("Mrs J Smith 01632 960131")
        sheet = book.add_worksheet("Ho\u202emes")
        for number, row in enumerate(csv.reader(io.StringIO(stock_text()))):
            sheet.write_row(number, 0, row)
    raw = reading.read(path)
    assert raw.notes == ("read sheet 'Homes', left 'sheet 1'",)


def test_headings_are_guarded_like_cells():
    frame = pl.DataFrame({"=cmd()": ["=1"], "+x": ["a"], "'y": ["b"], "plain": ["c"], "@z": [1]})
    head, row = csv_bytes(frame).decode().splitlines()
    assert head == "'=cmd(),'+x,''y,plain,'@z"
    assert row == "'=1,a,b,c,1"


def test_a_heading_of_the_list_is_guarded_in_the_quarantine(tmp_path):
    content = stock_text(GOOD_ROW.format(ref="T1", n=1), "T2,x,x,House,abc,85,Solid brick,")
    path = tmp_path / "list.csv"
    path.write_text(content.replace("Prop Type", "=Prop Type").replace("Age", "@Age"))
    run(Inputs(path), tmp_path / "s.duckdb", tmp_path / "out", Settings())
    head = (tmp_path / "out" / "quarantine.csv").read_text().splitlines()[0]
    assert ",'=Prop Type,'@Age," in head


def test_headings_that_no_column_took_are_told_and_not_kept(tmp_path, call):
    text = stock_text().replace("Wall U", "Wall U,Ask Joan Oakbourne").replace("brick,", "brick,,x")
    path, store, out = tmp_path / "list.csv", tmp_path / "s.duckdb", tmp_path / "out"
    path.write_text(text)
    said = call("run", path, "--store", store, "--out", out)
    assert "Headings not used: Ask Joan Oakbourne." in said.out
    assert json.loads((out / "run.json").read_text())["headings_not_used"] == 1
    kept = [file.read_bytes() for file in (*out.iterdir(), store)]
    assert not any(b"Oakbourne" in content for content in kept)
