"""Files that are no stock list: one clear message, exit code 2, and the old store untouched."""

import gzip
import io
import zipfile
from collections.abc import Callable
from pathlib import Path

import polars as pl
import pytest
import xlsxwriter

from tests.conftest import DEMO_STOCK, GOOD_ROW, HEADINGS, same, stock_text


def _workbook(fill: Callable[[xlsxwriter.Workbook], None]) -> bytes:
    buffer = io.BytesIO()
    with xlsxwriter.Workbook(buffer, {"in_memory": True}) as book:
        fill(book)
    return buffer.getvalue()


def _merged_headings(book: xlsxwriter.Workbook) -> None:
    sheet = book.add_worksheet()
    sheet.merge_range(0, 0, 0, 3, "Property")
    sheet.merge_range(0, 4, 0, 7, "Fabric")
    sheet.merge_range(1, 0, 1, 3, "Who and where")
    sheet.merge_range(1, 4, 1, 7, "What it is made of")
    sheet.write_row(2, 0, ["T1", "1 Alder Row", "HX77 3AB", "House", 1934, 85, "Solid", 1.7])


def _zip_bomb() -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("[Content_Types].xml", "<Types/>")
        with archive.open("xl/worksheets/sheet1.xml", "w", force_zip64=True) as part:
            for _ in range(160):
                part.write(b"0" * (1 << 20))
    return buffer.getvalue()


def _parquet(frame: pl.DataFrame) -> bytes:
    buffer = io.BytesIO()
    frame.write_parquet(buffer)
    return buffer.getvalue()


GOOD = stock_text().encode()
NESTED = pl.DataFrame({"Property Ref": [["a"]], "Age": ["1934"], "Floor Area": ["85"]})
MALFORMED: dict[str, tuple[str, bytes, str]] = {
    "empty": ("a.csv", b"", "is empty"),
    "only blank lines": ("a.csv", b"\n\n\n", "no row of headings"),
    "no header": ("a.csv", GOOD.split(b"\n", 1)[1], "no row of headings"),
    "headings and nothing below": ("a.csv", HEADINGS.encode() + b"\n", "no homes below"),
    "an essential heading missing": (
        "a.csv",
        GOOD.replace(b"Floor Area", b"Flr Areaa"),
        "no heading for Floor area. Headings read",
    ),
    "utf-16 without its mark": ("a.csv", stock_text().encode("utf-16-le"), "zero bytes"),
    "bytes of no encoding": ("a.csv", GOOD.replace(b"Alder", b"Al\x81er\xff"), "fits no encoding"),
    "a PDF named csv": ("a.csv", b"%PDF-1.7\n%\xe2\xe3\n1 0 obj\n", "is a PDF document"),
    "a picture named csv": ("a.csv", b"\x89PNG\r\n\x1a\n" + b"0" * 99, "is a picture"),
    "a workbook named csv": ("a.csv", _workbook(_merged_headings), "zip archive or workbook"),
    "a gzip named csv": ("a.csv", gzip.compress(GOOD), "is a gzip archive"),
    "a web page named csv": ("a.csv", b"<html><body>Log in</body></html>", "is a web page"),
    "an open quote": ("a.csv", GOOD.replace(b"T2,", b'"T2,'), "opened and never closed"),
    "csv named xlsx": ("a.xlsx", GOOD, "is not an .xlsx workbook"),
    "an old binary xls named xlsx": ("a.xlsx", b"\xd0\xcf\x11\xe0" + b"\0" * 600, "not an .xlsx"),
    "merged heading rows": ("a.xlsx", _workbook(_merged_headings), "Put one row of headings above"),
    "an empty workbook": ("a.xlsx", _workbook(lambda b: b.add_worksheet()), "no row of headings"),
    "a zip that is no workbook": (
        "a.xlsx",
        b"PK\x05\x06" + bytes(18),
        "could not be opened as a workbook",
    ),
    "a zip bomb": ("a.xlsx", _zip_bomb(), "would unpack from"),
    "half a parquet": ("a.parquet", b"PAR1" + b"0" * 64, "could not be read as a flat parquet"),
    "a nested parquet": ("a.parquet", _parquet(NESTED), "could not be read as a flat parquet"),
    "an ending nobody reads": ("a.ods", GOOD, "ending '.ods'"),
}


@pytest.mark.parametrize("case", MALFORMED)
def test_one_clear_message_and_the_store_untouched(case, demo_folder, tmp_path, call):
    name, content, words = MALFORMED[case]
    source, store = tmp_path / name, tmp_path / "town.duckdb"
    source.write_bytes(content)
    older = (demo_folder / "demo.duckdb").read_bytes()
    store.write_bytes(older)
    said = call("run", source, "--store", store, "--out", tmp_path / "out")
    assert said.code == 2
    assert words in said.err
    assert said.err.count("Stopped") == 1
    assert "Traceback" not in said.err + said.out
    assert same(store.read_bytes(), older)
    asked = case == "an essential heading missing"  # the workbook asks which heading holds it
    assert (tmp_path / "out").exists() is asked
    left = [p.name for p in tmp_path.iterdir() if p.name != "out"]
    assert sorted(left) == sorted([name, "town.duckdb"])


def test_a_list_of_bad_rows_leaves_the_store_and_a_workbook_to_mend(demo_folder, tmp_path, call):
    source, store = tmp_path / "a.csv", tmp_path / "town.duckdb"
    source.write_text(stock_text(GOOD_ROW.format(ref="", n=1)))
    older = (demo_folder / "demo.duckdb").read_bytes()
    store.write_bytes(older)
    said = call("run", source, "--store", store, "--out", tmp_path / "out")
    assert said.code == 2
    assert "Home is missing in 1 of 1 row. A list like this leaves nothing to rank" in said.err
    assert "Nothing was published" in said.err
    assert same(store.read_bytes(), older)
    written = {p.name for p in (tmp_path / "out").iterdir() if not p.name.startswith(".")}
    assert written == {"quarantine.csv", "quarantine.xlsx"}


@pytest.mark.parametrize("missing", ["file", "folder"])
def test_no_such_file(missing, tmp_path, call):
    source = tmp_path / "nothing.csv"
    if missing == "folder":
        source.mkdir()
    said = call("run", source, "--store", tmp_path / "s.duckdb", "--out", tmp_path / "o")
    assert said.code == 2
    assert ("does not exist" in said.err) or ("is a folder" in said.err)


def test_a_store_that_is_none_of_ours(tmp_path, call):
    store = tmp_path / "s.duckdb"
    store.write_text("not a database")
    for words in (["explain", "T1"], ["whatif", "--sweep", "thickness_mm=20:40:10", "--out", "w"]):
        said = call(*words, "--store", store)
        assert (said.code, "could not be opened as a store" in said.err) == (2, True)
    said = call("explain", "T1", "--store", tmp_path / "other.duckdb")
    assert (said.code, "No store at" in said.err) == (2, True)


def test_the_real_list_still_runs_beside_all_this(tmp_path, call):
    said = call("run", DEMO_STOCK, "--store", tmp_path / "s.duckdb", "--out", tmp_path / "o")
    assert said.code == 0
    assert Path(tmp_path / "o" / "ranking.csv").stat().st_size > 100_000
