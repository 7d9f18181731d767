"""Files made to take memory or time: one message, under 2 GB and 20 s; large honest lists read."""

import json
import subprocess
import sys
import time
import zipfile

import polars as pl
import pytest
import xlsxwriter

from pipeline.errors import StockListError
from pipeline.stock import apart, bounds, csv_files, reading
from tests import hostile
from tests.conftest import stock_text

MOST_GB, MOST_SECONDS = 2.0, 20.0
linux = pytest.mark.skipif(sys.platform != "linux", reason="peaks are read from /proc")


@pytest.fixture(scope="module")
def seen(tmp_path_factory: pytest.TempPathFactory) -> dict[str, dict[str, object]]:
    """Every file read once, in turn, by one child that tells what it took."""
    folder = tmp_path_factory.mktemp("hostile")
    command = [sys.executable, "-m", "tests.hostile"]
    told = {}
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as child:
        for name, (end, make, _) in hostile.FILES.items():
            path = folder / (name + end)
            make(path)
            child.stdin.write(f"{path}\n")
            child.stdin.flush()
            line = child.stdout.readline()
            path.unlink()
            told[name] = json.loads(line or '{"kind": "died"}')
            if not line:
                break
        child.stdin.close()
    return told


@linux
@pytest.mark.parametrize("name", hostile.FILES)
def test_one_message_within_two_gigabytes_and_twenty_seconds(seen, name):
    took = seen[name]
    assert took["kind"] == "refused", took
    assert hostile.FILES[name][2] in took["said"]
    assert took["own_gb"] + took["children_gb"] < MOST_GB
    assert took["seconds"] < MOST_SECONDS


def test_a_file_that_breaks_its_reader_ends_the_command_in_words(tmp_path, call):
    path = tmp_path / "corner.xlsx"
    hostile.FILES["a cell in the last row of a wide sheet"][1](path)
    said = call("run", path, "--store", tmp_path / "s.duckdb", "--out", tmp_path / "out")
    assert said.code == 2
    assert said.err.count("Stopped") == 1
    assert "Ctrl+End" in said.err
    assert "panicked" not in said.err + said.out
    assert sorted(p.name for p in tmp_path.iterdir()) == ["corner.xlsx"]


def test_what_the_reader_leaves_is_removed(tmp_path, monkeypatch):
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    (tmp_path / "in").mkdir()
    path = tmp_path / "in" / "homes [1].parquet"
    pl.DataFrame({"Ref": ["T1", None]}).write_parquet(path)
    (table,) = bounds.tables(path)
    assert (table.headings, table.rows.rows()) == (("Ref",), [("T1",), (None,)])
    assert [p.name for p in tmp_path.iterdir()] == ["in"]


def test_every_sheet_is_read_in_order_and_whether_it_shows(tmp_path):
    path = tmp_path / "book.xlsx"
    with xlsxwriter.Workbook(path) as book:
        for name, row in (("B", ["x", 1.5]), ("A", ["y"]), ("Empty", [])):
            sheet = book.add_worksheet(name)
            sheet.write_row(0, 0, row)
        sheet.hide()
    found = [(t.name, t.shows, t.rows.rows()) for t in bounds.tables(path)]
    assert found == [("B", True, [("x", "1.5")]), ("A", True, [("y",)]), ("Empty", False, [])]


def test_empty_formatted_cells_far_out_do_not_refuse_a_workbook(tmp_path):
    path = tmp_path / "list.xlsx"
    with xlsxwriter.Workbook(path) as book:
        sheet, style = book.add_worksheet(), book.add_format({"bold": True})
        sheet.write_row(0, 0, ["Ref", "Age"])
        sheet.write_blank(1_048_575, 16_383, None, style)
    assert bounds.tables(path)[0].rows.rows() == [("Ref", "Age")]


def test_a_row_wider_than_the_first_forty_keeps_every_cell(tmp_path):
    path = tmp_path / "list.csv"
    rows = [f"T{n},a,b" for n in range(60)]
    path.write_text("\n".join([*rows, "T60,a,b,c,d", 'T61,5" by 3" pipe,"q"x', *rows]))
    read, _ = csv_files.rows(path)
    assert read.shape == (122, 5)
    assert read.row(60) == ("T60", "a", "b", "c", "d")
    assert read.row(61) == ("T61", '5" by 3" pipe', "qx", None, None)
    assert read.row(121) == ("T59", "a", "b", None, None)


@pytest.mark.parametrize("encoding", ["utf-16", "cp1252", "utf-8-sig"])
def test_pieces_of_any_encoding_join_to_the_same_rows(tmp_path, monkeypatch, encoding):
    monkeypatch.setattr(csv_files, "_PIECE_BYTES", 7)
    path = tmp_path / "list.csv"
    path.write_bytes("Ref,Näme\r\nT1,Café €\r\nT2,naïve\r\n".encode(encoding))
    read, _ = csv_files.rows(path)
    assert read.rows() == [("Ref", "Näme"), ("T1", "Café €"), ("T2", "naïve")]


def test_bytes_of_no_encoding_are_named_by_their_place(tmp_path, monkeypatch):
    monkeypatch.setattr(csv_files, "_PIECE_BYTES", 7)
    path = tmp_path / "list.csv"
    path.write_bytes(b"Ref,Name\nT1,A\x81\n")
    with pytest.raises(StockListError, match="byte 13 fits no encoding"):
        csv_files.rows(path)


def test_an_open_quote_is_named_though_no_line_has_an_odd_number_of_them(tmp_path):
    path = tmp_path / "list.csv"
    path.write_text('Ref,Name\nT1,5" pipe\nT2,"a "b\n')
    with pytest.raises(StockListError, match="line 3: a double quote"):
        csv_files.rows(path)


def test_lines_within_cells_are_no_rows(tmp_path, monkeypatch):
    monkeypatch.setattr(csv_files, "MOST_ROWS", 50)
    path = tmp_path / "list.csv"
    path.write_text("Ref,Notes\n" + 'T1,"a\nb\nc"\n' * 45)
    assert csv_files.rows(path)[0].height == 46
    path.write_text("Ref,Notes\n" + 'T1,"a\nb\nc"\n' * 51)
    with pytest.raises(StockListError, match="51 rows of up to 2 columns so far"):
        csv_files.rows(path)


def test_an_ordinary_workbook_costs_little_for_being_read_apart(tmp_path):
    path = tmp_path / "list.xlsx"
    with xlsxwriter.Workbook(path) as book:
        sheet = book.add_worksheet()
        for number in range(500):
            sheet.write_row(number, 0, ["T", number, "1 Alder Row", 85.5])
    begun = time.process_time(), time.perf_counter()
    bounds.tables(path)
    assert time.process_time() - begun[0] < 0.5
    assert time.perf_counter() - begun[1] < 5.0  # 0.4 s on a quiet machine


def test_the_bounds_leave_room_for_honest_lists():
    assert apart.MOST_ROWS >= 1_000_000
    assert apart.MOST_CELLS >= 1_000_000 * 30
    assert apart._MOST_SHEET_CELLS >= 300_000 * 40


def test_a_workbook_with_a_password_or_a_damaged_part_is_no_workbook(tmp_path):
    path = tmp_path / "list.xlsx"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("xl/workbook.xml", stock_text())
    content = bytearray(path.read_bytes())
    content[60] ^= 255
    path.write_bytes(content)
    with pytest.raises(StockListError, match=r"is not an \.xlsx workbook"):
        reading.read(path)
