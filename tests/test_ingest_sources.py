"""Several sources, mended quarantines, settled headings, personal data, changes between runs."""

import io
import json
import tomllib
import zipfile
from importlib.resources import files
from pathlib import Path

import duckdb
import fastexcel
import polars as pl
import pytest
import xlsxwriter
from xlsxwriter.utility import xl_rowcol_to_cell

from pipeline import changes, identity, reference, stock
from pipeline.columns import by_role, dictionary
from pipeline.errors import SettingsError, StockListError
from pipeline.exports import csv_bytes
from pipeline.homes import GRADED
from pipeline.published import Run, open_run, read_run
from pipeline.run import run
from pipeline.settings import Settings, build
from pipeline.stock import (
    Inputs,
    answers,
    headings,
    matching,
    mending,
    questions,
    reading,
    rules,
    workbook,
)
from tests.conftest import DEMO_STOCK, GOOD_ROW, same, stock_text

LIST = """Property Ref,UPRN,Address,Post Code,Prop Type,Age,Floor Area,Wall Type,Wall U
T1,100001,1 Alder Row,HX77 3AB,House,1934,85,Solid brick,1.7
T2,100002,2 Alder Row,HX77 3AB,House,1934,85,Solid brick,
T3,,3 Alder Row,HX77 3AB,House,N/K,abc,Solid brick,
"""


def _write(path: Path, text: str) -> Path:
    path.write_text(text, encoding="utf-8")
    return path


def _ingest(tmp_path: Path, precedence=None, **files: str) -> stock.Stock:
    base = _write(tmp_path / "list.csv", LIST)
    others = {name: _write(tmp_path / f"{name}.csv", text) for name, text in files.items()}
    return stock.ingest(Inputs(base, others), precedence or {})


def test_a_later_source_wins_fills_gaps_and_mends_and_says_so(tmp_path):
    survey = "Property Ref,Wall U,Floor Area,Age\nT1,1.45,,\nT2,1.5,,\nT3,,88,1931\nT9,1.1,,\n"
    listed = _ingest(tmp_path, survey=survey)
    homes = {row["home_id"]: row for row in listed.accepted.to_dicts()}
    assert homes["T1"]["u_existing_w_m2k"] == 1.45
    assert homes["T2"]["u_existing_w_m2k"] == 1.5
    assert (homes["T3"]["floor_area_m2"], homes["T3"]["construction_year"]) == (88, 1931)
    assert homes["T1"]["u_existing_w_m2k__from"] == "survey"
    log = {(r["home_id"], r["column"]): r for r in listed.overrides.to_dicts()}
    assert log["T1", "u_existing_w_m2k"]["outcome"].startswith("took the place")
    assert log["T1", "u_existing_w_m2k"]["gave_way"] == "1.7"
    assert log["T2", "u_existing_w_m2k"]["outcome"] == "filled a gap"
    assert "no home of the list" in log["T9", None]["outcome"]


def test_precedence_is_a_rule_per_column(tmp_path):
    survey = "UPRN,Wall U,Floor Area\n100001,1.45,91\n100002,1.5,92\n"
    rule = {"u_existing_w_m2k": ("list", "survey")}
    listed = _ingest(tmp_path, rule, survey=survey)
    homes = {row["home_id"]: row for row in listed.accepted.to_dicts()}
    assert homes["T1"]["u_existing_w_m2k"] == 1.7
    assert homes["T2"]["u_existing_w_m2k"] == 1.5
    assert homes["T1"]["floor_area_m2"] == 91
    kept = listed.overrides.filter(pl.col("outcome").str.starts_with("kept"))
    assert kept.select("home_id", "value").rows() == [("T1", "1.45")]
    with pytest.raises(SettingsError, match="names epc; the sources of this run are list, survey"):
        _ingest(tmp_path, {"u_existing_w_m2k": ("epc",)}, survey=survey)


def test_two_rows_for_one_home_and_rows_without_a_key_are_not_used(tmp_path):
    survey = "Property Ref,Wall U\nT1,1.2\nT1,1.3\n,1.4\nT2,bad\nT3,1.6\n"
    listed = _ingest(tmp_path, survey=survey)
    homes = {row["home_id"]: row for row in listed.accepted.to_dicts()}
    assert homes["T1"]["u_existing_w_m2k"] == 1.7
    told = " ".join(listed.overrides["outcome"])
    assert told.count(matching.UNDATED) == 2
    assert matching.NAMELESS in told
    assert "could not be read: not used" in told
    with pytest.raises(StockListError, match="neither the home's key nor a UPRN"):
        _ingest(tmp_path, survey="Postcode,Wall U\nHX77 3AB,1.2\n")


ACCOUNT_LIST = """Property Ref,UPRN,Address,Post Code,Prop Type,Age,Floor Area,Wall Type,Survey Date
A-007,100001,1 Alder Row,HX77 3AB,House,1934,85,Solid brick,2024-05-01
A-12,100002,2 Alder Row,HX77 3AB,House,1934,85,Solid brick,
A-1.2,100003,3 Alder Row,HX77 3AB,House,1934,85,Solid brick,
B1,100004,4 Alder Row,HX77 3AB,House,1934,85,Solid brick,
B01,100005,5 Alder Row,HX77 3AB,House,1934,85,Solid brick,
C5,100006,6 Alder Row,HX77 3AB,House,1934,85,Solid brick,
"""


def _laid(tmp_path: Path, text: str, precedence=None, **more: str) -> stock.Stock:
    base = _write(tmp_path / "list.csv", ACCOUNT_LIST)
    others = {n: _write(tmp_path / f"{n}.csv", t) for n, t in {"survey": text, **more}.items()}
    return stock.ingest(Inputs(base, others), precedence or {})


def _areas(listed: stock.Stock) -> dict[str, float]:
    return dict(listed.accepted.select("home_id", "floor_area_m2").iter_rows())


def test_a_source_is_accounted_for_row_by_row_and_value_by_value(tmp_path):
    """Every row of the source is one matched or one told; the numbers are counted by hand."""
    survey = """Property Ref,UPRN,Address,Post Code,Floor Area,Heating
a7,,,,91,
A-12,,,,92,Gas boiler
b.001,,,,93,
NEW,100003,,,94,
,,"Row, 6 Alder",hx773ab,96,
Z9,,,,97,
"""
    listed = _laid(tmp_path, survey)
    told = listed.sources["survey"]
    assert told["matched"] == {
        matching.LIKE_KEY: 1, matching.KEY: 1, matching.UPRN: 1, matching.ADDRESS: 1,
    }  # fmt: skip
    doubt = matching.DOUBT.format(matching.LIKE_KEY)
    assert told["not_matched"] == {
        doubt: {"rows": 1, "first": ["b.001"]},
        matching.STRANGE: {"rows": 1, "first": ["Z9"]},
    }
    assert (told["rows"], told["homes"]) == (6, 4)
    assert told["used"]["floor_area_m2"] == 4
    assert told["used"]["heating"] == 1
    areas = {"A-007": 91, "A-12": 92, "A-1.2": 94, "B1": 85, "B01": 85, "C5": 96}
    assert _areas(listed) == areas


@pytest.mark.parametrize(
    ("row", "why"),
    [
        ("c05,100001,,,91\n", matching.UPRN),  # the key's UPRN is another home's: not repaired
        ("C.5,,,,91\nC05,,,,92\n", matching.DOUBT.format(matching.LIKE_KEY)),
        ("A-01-2,,,,91\n", matching.LIKE_KEY),
    ],
)
def test_a_key_is_repaired_only_where_one_home_and_one_row_have_it(row, why, tmp_path):
    survey = "Property Ref,UPRN,Address,Post Code,Floor Area\nB1,,,,90\n" + row
    told = _laid(tmp_path, survey).sources["survey"]
    assert why in {**told["matched"], **told["not_matched"]}
    assert told["used"]["floor_area_m2"] == 2 - ("C.5" in row)


def test_the_newest_evidence_wins_by_its_own_date_unless_a_rule_says_otherwise(tmp_path):
    survey = "Property Ref,Floor Area,Survey Date\nA-007,91,2023-01-01\nB1,92,2023-01-01\n"
    later = "Property Ref,Floor Area,Survey Date\nA-007,93,2025-01-01\nB1,94,2022-01-01\n"
    assert _areas(_laid(tmp_path, survey))["A-007"] == 85  # the list's survey is of 2024
    areas = _areas(_laid(tmp_path, survey, later=later))
    assert (areas["A-007"], areas["B1"]) == (93, 92)
    rule = {"floor_area_m2": ("survey", "later", "list")}
    assert _areas(_laid(tmp_path, survey, rule, later=later))["A-007"] == 91
    undated = "Property Ref,Floor Area\nA-007,95\n"
    assert _areas(_laid(tmp_path, survey, later=undated))["A-007"] == 95


def test_of_several_rows_for_a_home_the_newest_is_used(tmp_path):
    survey = (
        "Property Ref,Floor Area,Survey Date\nB1,91,2023-01-01\nB1,92,2025-01-01\n"
        "C5,93,2023-01-01\nC5,94,\nA-12,95,\nA-12,96,\n"
    )
    listed = _laid(tmp_path, survey)
    areas = _areas(listed)
    assert (areas["B1"], areas["C5"], areas["A-12"]) == (92, 93, 85)
    told = listed.sources["survey"]
    assert told["rows"] == 6
    left = told["not_matched"]
    assert (left[matching.OLDER]["rows"], left[matching.UNDATED]["rows"]) == (2, 2)


def test_a_source_of_which_nothing_was_used_is_an_error(tmp_path):
    with pytest.raises(StockListError, match=r"nothing of it was used.*X1, X2.*A-007, A-12"):
        _laid(tmp_path, "Property Ref,Floor Area\nX1,91\nX2,92\n")
    with pytest.raises(StockListError, match="none of their values is used"):
        _laid(tmp_path, "Property Ref,Floor Area\nB1,\n")


def test_the_run_prints_and_keeps_the_account_of_its_sources(tmp_path, call):
    base = _write(tmp_path / "list.csv", ACCOUNT_LIST)
    survey = _write(tmp_path / "s.csv", "Property Ref,Floor Area\na7,91\nZ9,92\n")
    said = call("run", base, "--with", f"survey={survey}", "--store", tmp_path / "s.duckdb",
                "--out", tmp_path / "out")  # fmt: skip
    assert said.code == 0
    assert f"1 of 2 rows matched (1 by {matching.LIKE_KEY}); 1 home got something" in said.out
    assert "Values used: Floor area 1" in said.out
    assert f"1 not used: {matching.STRANGE} (such as Z9)" in said.out
    kept = open_run(tmp_path / "s.duckdb").account["sources"]["survey"]
    assert (kept["rows"], kept["used"]) == (2, {"floor_area_m2": 1})


def test_measured_sources_raise_the_grade_and_narrow_the_spread(tmp_path):
    base = _write(tmp_path / "list.csv", LIST)
    survey = _write(tmp_path / "s.csv", "Property Ref,Wall U\nT1,1.7\n")
    inputs = Inputs(base, {"survey": survey})
    plain = run(inputs, tmp_path / "a.duckdb", tmp_path / "a", Settings())
    chosen = build({"sources": {"measured": ["survey"]}}, "test")
    better = run(inputs, tmp_path / "b.duckdb", tmp_path / "b", chosen)
    first, second = (
        r.ranking.filter(pl.col("home_id") == "T1").to_dicts()[0] for r in (plain, better)
    )
    assert (first["u_value_grade"], second["u_value_grade"]) == ("B", "A")
    assert first["u_value_source"] == "survey"
    assert second["saving_spread"] < first["saving_spread"]
    assert first["cost_gbp"] == second["cost_gbp"]


def test_every_filled_value_has_a_source_and_a_grade(demo):
    for name, (column, filled, word) in GRADED.items():
        grades = demo.ranking[f"{name}_grade"]
        assert grades.null_count() == 0
        assert demo.ranking[f"{name}_source"].null_count() == 0
        by_form = {"C"} if name == "treatable_share" else set()  # walls refused, split by form
        assert set(grades) <= {"A", "B", filled} | by_form
        told = demo.ranking["estimated_inputs"].fill_null("").str.contains(word, literal=True)
        assert (told == grades.is_in(["C", "D"])).all(), column


def test_the_spread_is_the_quadrature_of_its_parts(demo):
    """By hand for one home: elasticities and spreads of input_spread.csv."""
    home = demo.ranking.filter(pl.col("rank") == 1).to_dicts()[0]
    table = reference.load().table("input_spread")
    total = 0.0
    for name in GRADED:
        row = table.filter(pl.col("input") == name, pl.col("grade") == home[f"{name}_grade"])
        elasticity = row["elasticity"][0]
        if name == "u_value":
            elasticity += home["u_after_w_m2k"] / home["u_existing_w_m2k"]
        if row["only_if_wall_area_estimated"][0] == "yes" and home["wall_area_grade"] != "C":
            elasticity = 0.0
        total += (elasticity * row["relative_spread"][0]) ** 2
    assert home["saving_spread"] == pytest.approx(total**0.5, rel=1e-12)


def _fill(
    source: Path,
    target: Path,
    corrected: dict[tuple[int, str], str],
    words: dict[tuple[str, str], str] | None = None,
) -> None:
    """The workbook again as a person would save it, with cells of the yellow columns filled."""
    book = fastexcel.read_excel(source)
    with xlsxwriter.Workbook(target) as made:
        for name in book.sheet_names:
            sheet = made.add_worksheet(name)
            rows = book.load_sheet(name, header_row=None, dtypes="string").to_polars()
            for number, row in enumerate(rows.iter_rows()):
                cells = ["" if cell is None else cell for cell in row]
                if name == "Faults" and number and cells[0].isdigit():
                    cells[6] = corrected.get((int(cells[0]), cells[3]), "")
                if name == "How we read it" and number:
                    cells[6] = (words or {}).get((cells[1], cells[2]), "")
                for column, cell in enumerate(cells):
                    sheet.write_string(number, column, cell)


def test_a_mended_quarantine_comes_back_in_and_leaves_a_trail(tmp_path):
    rows = [
        GOOD_ROW.format(ref="T1", n=1),
        'T2,"2 Alder Row, Tarnwick",HX77 3AB,House,N/K,abc,Solid brick,',
        'T3,"1 Alder Row, Tarnwick",HX77 3AB,House,1934,85,Solid brick,',
        'T4,"4 Alder Row, Tarnwick",HX77 3AB,House,1934,8500,Solid brick,',
    ]
    path = _write(tmp_path / "list.csv", stock_text(*rows))
    first = run(Inputs(path), tmp_path / "s.duckdb", tmp_path, Settings())
    assert first.account["rows"]["quarantined"] == 3
    corrected = {(3, "Age"): "1931", (3, "Floor Area"): "84 m2", (4, "(whole row)"): "keep"}
    _fill(tmp_path / "quarantine.xlsx", tmp_path / "mended.xlsx", corrected)
    second = run(
        Inputs(path, mended=[tmp_path / "mended.xlsx"]), tmp_path / "s.duckdb", tmp_path, Settings()
    )
    assert second.account["rows"] | {"ranked": 0} == {
        "read": 4, "superseded": 0, "accepted": 3, "quarantined": 1, "ranked": 0,
    }  # fmt: skip
    homes = {row["home_id"]: row for row in second.ranking.to_dicts()}
    assert (homes["T2"]["construction_year"], homes["T2"]["floor_area_m2"]) == (1931, 84)
    listed = stock.ingest(Inputs(path, mended=[tmp_path / "mended.xlsx"]), {})
    trail = {
        (r["source_row"], r["column"]): (r["was"], r["text"]) for r in listed.corrections.to_dicts()
    }
    assert trail == {
        (3, "construction_year"): ("N/K", "1931"),
        (3, "floor_area_m2"): ("abc", "84 m2"),
    }


def test_a_filled_workbook_is_kept_and_the_next_ones_add_to_it(tmp_path, call):
    """The README's own loop, in one folder: fill, run again, fill the next, give both."""
    rows = [GOOD_ROW.format(ref=f"G{n}", n=n) for n in range(4)]
    rows += [GOOD_ROW.format(ref="T1", n=11).replace(",1934,", ",N/K,")]
    rows += [GOOD_ROW.format(ref="T2", n=12).replace(",85,", ",abc,")]
    rows += [GOOD_ROW.format(ref="T3", n=13).replace(",85,", ",xyz,")]
    path = _write(tmp_path / "list.csv", stock_text(*rows))
    out = tmp_path / "o"
    first, second = out / "quarantine.xlsx", out / "quarantine-2.xlsx"
    words = ["run", path, "--store", tmp_path / "s.duckdb", "--out", out]

    def homes(*mended: Path) -> tuple[set[str], str, str]:
        said = call(*words, *(word for book in mended for word in ("--mended", book)))
        assert said.code == 0, said.err
        held = {row for row in pl.read_csv(out / "ranking.csv")["home_id"] if row[0] == "T"}
        return held, json.loads((out / "run.json").read_text())["workbook"], said.out

    assert homes()[:2] == (set(), "quarantine.xlsx")
    _fill(first, first, {(6, "Age"): "1931", (7, "Floor Area"): "still unknown"})
    filled = first.read_bytes()
    for _ in range(2):
        held, book, told = homes(first)
        assert (held, book) == ({"T1"}, "quarantine-2.xlsx")
        assert "fill the yellow cells of quarantine-2.xlsx" in told
        assert "quarantine-2.xlsx, run.json" in told
        assert same(first.read_bytes(), filled)
    _fill(second, second, {(7, "Floor Area"): "84", (8, "Floor Area"): "86"})
    held, book, told = homes(first, second)
    assert (held, book) == ({"T1", "T2", "T3"}, "quarantine-3.xlsx")
    assert "cells mended before that quarantine-2.xlsx mends anew: 1." in told
    assert homes(second)[0] == {"T2", "T3"}
    assert homes()[:2] == (set(), "quarantine-3.xlsx")
    assert same(first.read_bytes(), filled)
    assert not (out / "quarantine-4.xlsx").exists()


def test_a_workbook_just_read_is_kept_though_nobody_filled_it(tmp_path, call):
    rows = [GOOD_ROW.format(ref=f"T{n}", n=n) for n in range(3)]
    path = _write(tmp_path / "list.csv", stock_text(*rows, rows[0]))
    words = ["run", path, "--store", tmp_path / "s.duckdb", "--out", tmp_path]
    assert call(*words).code == 0
    before = (tmp_path / "quarantine.xlsx").read_bytes()
    assert call(*words, "--mended", tmp_path / "quarantine.xlsx").code == 0
    assert same((tmp_path / "quarantine.xlsx").read_bytes(), before)
    assert (tmp_path / "quarantine-2.xlsx").exists()
    said = call(*words, "--mended", tmp_path / "quarantine-3.xlsx")
    assert (said.code, "quarantine-3.xlsx could not be read as a mended" in said.err) == (2, True)


def test_a_word_that_stands_in_several_rows_is_settled_once(tmp_path):
    rows = [f"T{n},{n} Alder Row,HX77 3AB,House,1934,85,Clinker slab," for n in range(1, 5)]
    good = [GOOD_ROW.format(ref=f"G{n}", n=n + 20) for n in range(6)]
    path = _write(tmp_path / "list.csv", stock_text(*good, *rows))
    run(Inputs(path), tmp_path / "s.duckdb", tmp_path, Settings())
    book = fastexcel.read_excel(tmp_path / "quarantine.xlsx")
    first = book.load_sheet("How we read it").to_polars().row(0)
    assert first[:4] == ("Wall construction", "Wall Type", "Clinker slab", 4)
    assert first[5] == "the whole cell"
    word = {("Wall Type", "Clinker slab"): "System built"}
    own = {(8, "Wall Type"): "Solid brick"}
    _fill(tmp_path / "quarantine.xlsx", tmp_path / "m.xlsx", own, word)
    listed = stock.ingest(Inputs(path, mended=[tmp_path / "m.xlsx"]), {})
    assert listed.quarantine.height == 0
    walls = dict(listed.accepted.select("home_id", "wall_construction").iter_rows())
    assert [walls[f"T{n}"] for n in range(1, 5)] == ["solid_brick"] + ["system_built"] * 3
    assert listed.corrections.height == 4


def test_a_mended_quarantine_of_another_list_is_refused(tmp_path):
    path = _write(tmp_path / "list.csv", LIST)
    run(Inputs(path), tmp_path / "s.duckdb", tmp_path, Settings())
    other = _write(tmp_path / "other.csv", LIST + "\n")
    with pytest.raises(StockListError, match="belongs to another stock list"):
        stock.ingest(Inputs(other, mended=[tmp_path / "quarantine.xlsx"]), {})
    with pytest.raises(StockListError, match="could not be read as a mended quarantine"):
        stock.ingest(Inputs(path, mended=[path]), {})
    _fill(tmp_path / "quarantine.xlsx", tmp_path / "m.xlsx", {(4, "Age"): "still unknown"})
    again = stock.ingest(Inputs(path, mended=[tmp_path / "m.xlsx"]), {})
    assert "Age 'still unknown' could not be read" in again.quarantine["reasons"][0]


SURVEYED = "Property Ref,Wall U\nT1,17\nT2,1.9\n"


@pytest.mark.parametrize("by_dictionary", [False, True])
def test_a_correction_counts_before_every_source(tmp_path, by_dictionary):
    """Of a value that a source gave, in a column of the list or in none of it."""
    rows = [GOOD_ROW.format(ref=ref, n=n) for n, ref in enumerate(("T1", "T2", "T3"), start=1)]
    headings = stock_text(*rows).splitlines()[0].rsplit(",", 1)[0]
    without_u = [headings, *(row.rsplit(",", 1)[0] for row in rows)]
    survey = _write(tmp_path / "survey.csv", SURVEYED)
    for number, text in enumerate((stock_text(*rows), "\n".join(without_u) + "\n")):
        folder = tmp_path / str(number)
        folder.mkdir()
        path = _write(folder / "list.csv", text)
        first = run(Inputs(path, {"survey": survey}), folder / "s.duckdb", folder, Settings())
        assert "outside" in first.listed.quarantine["reasons"][0]
        label = dictionary()["u_existing_w_m2k"].label  # where the list has no word for it
        heading = "Wall U" if number == 0 else label
        assert first.listed.faults["heading"][0] == heading
        _fill(folder / "quarantine.xlsx", folder / "m.xlsx", {(2, heading): "1.7"})
        book = Inputs(path, {"survey": survey}, None, [folder / "m.xlsx"], folder / "own.toml")
        listed = run(book, folder / "s.duckdb", folder, Settings()).listed
        if by_dictionary:
            kept = Inputs(path, {"survey": survey}, dictionary=folder / "own.toml")
            listed = stock.ingest(kept, {})
        u = dict(listed.accepted.select("home_id", "u_existing_w_m2k").iter_rows())
        assert (u["T1"], u["T2"]) == (1.7, 1.9)
        told = listed.overrides.filter(pl.col("outcome") == "kept what a person corrected")
        assert told.select("home_id", "value", "gave_way").rows() == [("T1", "17.0", "1.7")]


def _sheets_of(path: Path) -> dict[str, list[list[str]]]:
    book = fastexcel.read_excel(path)
    return {
        name: [
            ["" if cell is None else cell for cell in row]
            for row in book.load_sheet(name, header_row=None, dtypes="string").to_polars().rows()
        ]
        for name in book.sheet_names
    }


def _edit(source: Path, target: Path, cells: dict[tuple[str, int, int], str]) -> None:
    """The workbook again as a person would save it, with cells written by sheet, line, column."""
    sheets = _sheets_of(source)
    with xlsxwriter.Workbook(target) as made:
        for name in dict.fromkeys([*sheets, *(name for name, _, _ in cells)]):
            sheet = made.add_worksheet(name)
            for number, row in enumerate(sheets.get(name, ())):
                sheet.write_row(number, 0, row)
            for (of, number, column), text in cells.items():
                if of == name:
                    sheet.write_string(number, column, text)


def test_a_cell_edited_where_none_is_read_is_named_with_where_to_write_instead(tmp_path, call):
    rows = [GOOD_ROW.format(ref=f"G{n}", n=n) for n in range(3)]
    rows += [f"T{n},{n} Alder Row,HX77 3AB,House,N/K,85,Clinker slab," for n in (7, 8)]
    path = _write(tmp_path / "list.csv", stock_text(*rows))
    words = ("run", path, "--store", tmp_path / "s.duckdb", "--out", tmp_path)
    assert call(*words).code == 0
    first, own = tmp_path / "quarantine.xlsx", tmp_path / "own.xlsx"
    sheets = _sheets_of(first)
    sent, faults = sheets["Rows as sent"], sheets["Faults"]
    row = next(n for n, line in enumerate(sent) if line[0] == "6")
    age, area, wall, kind = map(sent[0].index, ("Age", "Floor Area", "Wall Type", "Prop Type"))
    edits = {age: "1931", area: "86", kind: "Flat"}
    _edit(
        first,
        own,
        {("Rows as sent", row, place): text for place, text in edits.items()}
        | {("Faults (2)", 0, 0): "1931"},
    )
    said = call(*words, "--mended", own)
    assert said.code == 0, said.err
    line = next(n for n, cells in enumerate(faults, 1) if (cells[0], cells[3]) == ("6", "Age"))
    read = next(n for n, cells in enumerate(sheets["How we read it"], 1) if cells[2] == "House")
    told = said.out.replace("\n", " ")
    for place, instead in (
        (age, f"write into sheet Faults, line {line}"),
        (area, "no yellow cell is for it: correct the list"),
        (kind, f"write into sheet How we read it, line {read}, for every row with that text"),
    ):
        assert f"sheet Rows as sent, cell {xl_rowcol_to_cell(row, place)} ({instead})" in told
    assert xl_rowcol_to_cell(row, wall) not in told
    assert "sheet Faults (2) (write into the sheets that the run made)" in told


@pytest.mark.parametrize("column", ["Row", "Column"])
def test_an_answer_beside_a_changed_name_of_its_cell_is_refused(tmp_path, column):
    """It would go to another home, or another column, than the run asked of."""
    path = _write(tmp_path / "list.csv", LIST)
    run(Inputs(path), tmp_path / "s.duckdb", tmp_path, Settings())
    first, own = tmp_path / "quarantine.xlsx", tmp_path / "own.xlsx"
    place, yellow = (workbook.COLUMNS["Faults"].index(name) for name in (column, "Corrected"))
    text = "2" if column == "Row" else "Floor area"
    answered = {("Faults", 1, yellow): "1931"}
    _edit(first, own, answered | {("Faults", 1, place): text})
    told = f"own.xlsx: sheet Faults, line 2 is answered, and its cell {column} was changed"
    with pytest.raises(StockListError, match=told):
        stock.ingest(Inputs(path, mended=(own,)), {})
    _edit(first, own, answered)
    stock.ingest(Inputs(path, mended=(own,)), {})


def test_what_a_workbook_holds_is_counted_and_what_stands_beside_is_told(tmp_path, call):
    path = _write(tmp_path / "list.csv", LIST)
    words = ("run", path, "--store", tmp_path / "s.duckdb", "--out", tmp_path)
    assert call(*words).code == 0
    first, own = tmp_path / "quarantine.xlsx", tmp_path / "own.xlsx"
    _fill(first, own, {})
    said = call(*words, "--mended", own)
    assert "own.xlsx: nothing is filled in. Only its yellow cells are read" in said.out
    cells = {("Faults", 0, 7): "My notes", ("Faults", 1, 7): "1931"}
    _edit(first, own, cells)
    said = call(*words, "--mended", own)
    assert said.code == 0, said.err
    told = "own.xlsx: changed beside the yellow cells, and not read: "
    assert told + "sheet Faults, cell H2 (write into Corrected of that line)." in said.out
    _fill(first, first, {(4, "Age"): "1931"})
    assert "is filled in and this run was not given it" in call(*words).out.replace("\n", " ")


def test_a_workbook_whose_heading_stands_twice_is_refused(tmp_path):
    """Nobody could say which of the two columns holds the answers."""
    path = _write(tmp_path / "list.csv", LIST)
    run(Inputs(path), tmp_path / "s.duckdb", tmp_path, Settings())
    first, own = tmp_path / "quarantine.xlsx", tmp_path / "own.xlsx"
    _edit(first, own, {("Faults", 0, 7): workbook.COLUMNS["Faults"][-1]})
    with pytest.raises(StockListError, match="stands twice in sheet Faults"):
        stock.ingest(Inputs(path, mended=(own,)), {})


def test_the_quarantine_workbook_is_the_same_twice_and_its_lines_are_the_faults(tmp_path):
    listed = stock.ingest(Inputs(DEMO_STOCK), {})
    one, two = (
        workbook.build(
            listed.quarantine, listed.faults, listed.said, questions.table([]), listed.raw.sha256
        )
        for _ in range(2)
    )
    assert one == two
    lines = fastexcel.read_excel(io.BytesIO(one).getvalue()).load_sheet("Faults").to_polars()
    assert lines.height == listed.faults.filter(pl.col("severity") != "warn").height
    assert lines["Corrected"].null_count() == lines.height


def test_headings_are_settled_by_a_map(tmp_path, call):
    text = stock_text().replace("Floor Area", "Extent").replace("Wall Type", "Element 7")
    path = _write(tmp_path / "list.csv", text)
    said = call("run", path, "--store", tmp_path / "s.duckdb", "--out", tmp_path)
    assert (said.code, "no heading for Floor area, Wall construction" in said.err) == (2, True)
    said = call("headings", path)
    assert said.code == 0
    assert '# ? = "Extent"' in said.out
    assert 'property_type = "Prop Type"' in said.out
    chosen = '[columns]\nfloor_area_m2 = "Extent"\nwall_construction = "Element 7"\n'
    map_file = _write(tmp_path / "map.toml", chosen)
    said = call(
        "run", path, "--store", tmp_path / "s.duckdb", "--out", tmp_path, "--columns", map_file
    )
    assert said.code == 0
    for bad, words in (
        ('[columns]\nfloor_ara_m2 = "Flr Sz"\n', "floor_ara_m2 (meant floor_area_m2?)"),
        ("[columns\n", "not readable as TOML"),
        ("[other]\n", "must hold one table"),
    ):
        map_file.write_text(bad)
        said = call(
            "run", path, "--store", tmp_path / "s.duckdb", "--out", tmp_path, "--columns", map_file
        )
        assert (said.code, words in said.err) == (2, True), said.err


def test_the_starter_map_of_the_demo_list_is_a_map(tmp_path, call, capsys):
    call("headings", DEMO_STOCK)
    found = reading.read(DEMO_STOCK).match
    text = headings.starter_map(found)
    settled = answers.read(columns=_write(tmp_path / "m.toml", text))
    assert reading.read(DEMO_STOCK, settled).match.positions == found.positions
    assert '# ? = "Patch Officer"' in text


def test_two_rows_of_merged_headings_are_read_together(tmp_path):
    path = tmp_path / "merged.xlsx"
    with xlsxwriter.Workbook(path) as book:
        sheet = book.add_worksheet()
        sheet.write(0, 0, "Tarnwick Homes, invented")
        sheet.merge_range(2, 0, 2, 4, "Property")
        sheet.merge_range(2, 5, 2, 7, "Wall")
        sheet.write_row(3, 0, ["Ref", "Address Line 1", "Type", "Age", "Floor Area"])
        sheet.write_row(3, 5, ["Type", "U-value", "Thickness (mm)"])
        sheet.write_row(4, 0, ["T1", "1 Alder Row", "House", 1934, 85, "Solid brick", 1.7, 230])
        sheet.write_row(5, 0, ["T2", "2 Alder Row", "House", 1934, 85, "Solid brick", 1.6, 230])
        sheet.write_row(6, 0, ["Total", None, None, None, 170])
    listed = stock.ingest(Inputs(path), {})
    assert listed.accepted["u_existing_w_m2k"].to_list() == [1.7, 1.6]
    assert listed.accepted["wall_thickness_mm"].to_list() == [230, 230]
    assert listed.quarantine.is_empty()
    assert "1 row of totals between the homes was left out" in listed.raw.notes


def test_personal_data_is_dropped_and_counted(tmp_path):
    people = ["Ann Oakbourne", "ann.oakbourne@mail.example", "07700 900123", "1951-02-03"]
    text = (
        "Property Ref,Tenant Name,Email,Mobile,DOB,Address,Post Code,Prop Type,Age,Floor Area,"
        "Wall Type\n"
        f"T1,{','.join(people)},1 Alder Row {people[1]},HX77 3AB,House,1934,85,Solid brick\n"
        f"T2,{','.join(people)},2 Alder Row tel {people[2]},HX77 3AB,House,N/K,85,Solid brick\n"
    )
    path = _write(tmp_path / "list.csv", text)
    out = tmp_path / "out"
    result = run(Inputs(path), tmp_path / "s.duckdb", out, Settings())
    assert result.account["personal"] == {"columns_dropped": 4, "pieces_struck_out": 2}
    kept = [p.read_bytes() for p in out.iterdir() if p.suffix in (".csv", ".json")]
    kept.append((tmp_path / "s.duckdb").read_bytes())
    book = fastexcel.read_excel(out / "quarantine.xlsx")
    for name in book.sheet_names:
        kept.append(book.load_sheet(name, header_row=None).to_polars().write_csv().encode())
    for content in kept:
        for secret in (*people, "Oakbourne"):
            assert secret.encode() not in content, secret
    assert b"1 Alder Row" in b"".join(kept)


def test_personal_data_in_any_known_column_reaches_no_file_and_no_table(tmp_path):
    head = (
        "Property Ref,Address,Estate,Block,Post Code,Prop Type,Age,Floor Area,Wall Type,Funded by"
    )
    rows = [
        'T1,"1 Alder Row (Mrs J Oakbourne)",Weir ring 01632 960131,c/o Oakbourne,HX77 3AB,House,'
        "1934,85,Solid brick,ann at mail dot example",
        "T2,2 Alder Row,NHS 943 476 5919,Weir Court 7700 900123,HX77 3AB,House,ask Mr Oakbourne,see"
        " DOB 12/03/1951,Solid QQ 12 34 56 C,12-34-56 12345678",
        "T3,3 Alder Row,Weir,Weir Court,HX77 3AB,House,1934,85,brikc (01632) 960 131,",
    ]
    path = _write(tmp_path / "list.csv", "\n".join([head, *rows]) + "\n")
    survey = "Property Ref,Estate,Wall Type,Floor Area\nT1,Mr Oakbourne,mobile 07700.900.123,90\n"
    other = _write(tmp_path / "survey.csv", survey)
    out, store = tmp_path / "out", tmp_path / "s.duckdb"
    result = run(Inputs(path, {"survey": other}), store, out, Settings())
    assert result.account["personal"]["pieces_struck_out"] == 11
    told = {(4, "Wall Type"): "Cavity, says Miss Oakbourne"}
    _fill(out / "quarantine.xlsx", tmp_path / "m.xlsx", told)
    mended = mending.read_all([tmp_path / "m.xlsx"], result.account["stock_list_sha256"])
    assert mended.rows["text"].to_list() == ["Cavity, says"]
    kept = [file.read_bytes() for file in out.iterdir() if file.suffix in (".csv", ".json")]
    kept.append(store.read_bytes())
    book = fastexcel.read_excel(out / "quarantine.xlsx")
    for name in book.sheet_names:
        kept.append(book.load_sheet(name, header_row=None).to_polars().write_csv().encode())
    for secret in ("Oakbourne", "960131", "960 131", "900123", "900.123", "943 476", "ann at",
                   "12/03/1951", "12 34 56", "12345678"):  # fmt: skip
        assert not [content for content in kept if secret.encode() in content], secret


def test_formula_cells_are_neutralised_and_come_back_as_sent(tmp_path):
    texts = ["=1+1", "+44 Row", "-3 Row", "@SUM(A1)", "'quoted", "plain", "\tLodge"]
    frame = pl.DataFrame({"home_id": [f"T{i}" for i in range(len(texts))], "address": texts})
    written = csv_bytes(frame)
    again = pl.read_csv(written, infer_schema=False)["address"].to_list()
    assert not any(text.startswith(("=", "+", "-", "@", "\t")) for text in again)
    rows = "\n".join(
        f'{h},"{a}",HX77 3AB,House,1934,85,Solid brick'
        for h, a in zip(frame["home_id"], again, strict=True)
    )
    heading = "Property Ref,Address,Post Code,Prop Type,Age,Floor Area,Wall Type\n"
    listed = stock.ingest(Inputs(_write(tmp_path / "x.csv", heading + rows)), {})
    assert listed.accepted["address"].to_list() == [text.strip() for text in texts]


def _published(tmp_path: Path, name: str, text: str, **given) -> Run:
    """A run of a small list."""
    path = _write(tmp_path / f"{name}.csv", text)
    run(Inputs(path), tmp_path / f"{name}.duckdb", tmp_path / name, build(given, "test"))
    return read_run(tmp_path / f"{name}.duckdb")


def test_changes_between_two_runs(tmp_path, call):
    """Home 2 has a larger floor, home 3 another key, home 1 is gone and home 4 new."""
    row = GOOD_ROW.format
    one = _published(tmp_path, "a", stock_text(*(row(ref=f"T{n}", n=n) for n in (1, 2, 3))))
    rows = [row(ref="T2", n=2).replace(",85,", ",95,"), row(ref="N3", n=3), row(ref="T4", n=4)]
    two = _published(tmp_path, "b", stock_text(*rows), budget_gbp=5.0)
    found = changes.compare(one, two)
    assert found.homes == {
        "before": 3, "kept": 1, "rekeyed": 1, "gone": 1, "after": 3, "new": 1,
    }  # fmt: skip
    assert found.basis == [("settings budget_gbp", "10000000.0", "5.0")]
    kinds = {(r["home_id"], r["kind"], r["column"]): r for r in found.lines.to_dicts()}
    assert {("T1", "gone", None), ("T4", "new", None)} <= set(kinds)
    floor = kinds["T2", "input", "floor_area_m2"]
    assert (floor["before"], floor["after"], floor["other_key"]) == ("85.0", "95.0", None)
    key = kinds["N3", "input", "home_id"]
    assert (key["before"], key["after"], key["other_key"]) == ("T3", "N3", "T3")
    assert {r["home_id"] for r in kinds.values() if r["kind"] == "result"} == {"T2"}
    assert ("T2", "derived", "volume_m3") in kinds
    assert (found.money["ranking"]["in"], found.money["ranking"]["out"]) == (["T4"], ["T1"])
    assert (found.money["budget"]["in"], len(found.money["budget"]["out"])) == ([], 3)
    assert changes.compare(one, one).lines.is_empty()


def test_the_command_tells_changes_in_order_and_derived_ones_only_on_request(tmp_path, call):
    row = GOOD_ROW.format
    _published(tmp_path, "a", stock_text(row(ref="T1", n=1), row(ref="T2", n=2)))
    _published(tmp_path, "b", stock_text(row(ref="T1", n=1).replace(",85,", ",95,")))
    stores, out = [tmp_path / "a.duckdb", tmp_path / "b.duckdb"], tmp_path / "c.csv"
    said = call("changes", *stores, "--out", out)
    assert said.code == 0
    places = [said.out.index(text) for text in (
        "Settings, rates and versions are the same",
        "Homes before 2 = kept 1 + re-keyed 0 + gone 1. After 1 = kept 1 + re-keyed 0 + new 0",
        "Inputs that differ", "Results that differ", "Homes in the ranking", "Homes in the budget",
    )]  # fmt: skip
    assert places == sorted(places)
    assert "Derived" not in said.out
    assert set(pl.read_csv(out)["kind"]) == {"gone", "input", "result"}
    said = call("changes", *stores, "--out", out, "--derived")
    assert "Derived columns that differ" in said.out
    assert set(pl.read_csv(out)["kind"]) == {"gone", "input", "result", "derived"}


def test_changes_reads_a_run_made_with_other_reference_tables_and_tells_rates(tmp_path, call):
    """The earlier run is of another version of the tool, and one of its rates was another."""
    _published(tmp_path, "a", stock_text())
    later, earlier = tmp_path / "a.duckdb", tmp_path / "old.duckdb"
    earlier.write_bytes(later.read_bytes())
    version = read_run(later).account["reference_version"]
    with duckdb.connect(str(earlier)) as store:
        store.execute(f"update run set account = replace(account, '{version}', 'earlier')")
        store.execute("update rate_book set rate_gbp = '0.5' where item = 'wall_preparation'")
    basis = {what: (was, now) for what, was, now in
             changes.compare(*map(read_run, (earlier, later))).basis}  # fmt: skip
    assert set(basis) == {"reference_version", "rate wall_preparation all"}
    assert basis["reference_version"] == ("earlier", version)
    assert "0.5" in basis["rate wall_preparation all"][0]
    said = call("changes", earlier, later)
    assert said.code == 0
    assert "The runs rest on other figures" in said.out


def test_two_homes_of_one_uprn_are_not_taken_for_one_under_another_key():
    """One gone home and two new ones share a UPRN: none is re-keyed."""
    named = pl.DataFrame(
        {"home_id": ["A1", "B1", "B2"], "uprn": ["100001"] * 3, "address": [None] * 3,
         "postcode": [None] * 3}, schema=dict.fromkeys(identity.NAMED, pl.String),
    )  # fmt: skip
    assert changes.rekeyed(named[:1], named[1:]).is_empty()
    assert changes.rekeyed(named[:1], named[1:2]).rows() == [("B1", "A1")]


def test_warnings_let_a_row_in_and_stand_in_the_ranking(tmp_path):
    heading = "Property Ref,Address,Post Code,Prop Type,Age,Floor Area,Wall Type,Wall U,Survey Date"
    rows = [
        "T1,1 Alder Row,HX77 3AB,House,1995,85,Solid brick,,01/02/2012",
        "T2,Flat 2 Weir Court,HX77 3AB,Flat,1960,55,Filled cavity,1.5,2025-03-01",
        "T3,3 Alder Row,HX77 3AB,House,1890,85,Cavity,,",
    ]
    path = _write(tmp_path / "list.csv", "\n".join([heading, *rows]))
    result = run(Inputs(path), tmp_path / "s.duckdb", tmp_path, Settings())
    told = {row["home_id"]: row["warnings"] or "" for row in result.ranking.to_dicts()}
    assert "late for a solid wall" in told["T1"]
    assert "treat the record as stale" in told["T1"]
    assert "has no block" in told["T2"]
    assert "high for a filled cavity" in told["T2"]
    assert "early for a cavity wall" in told["T3"]


def test_a_run_of_equal_surveys_is_flagged(tmp_path):
    heading = "Property Ref,Address,Prop Type,Age,Floor Area,Wall Type,Ext Wall Area,Windows m2"
    heading += ",Loft Ins,Glazing"
    numbers = range(1, 7)
    rows = [f"T{n},{n} Alder Row,House,1934,85,Solid brick,62.5,14.2,100,Double" for n in numbers]
    rows += [f"S{n},{n} Elm Row,House,1934,8{n},Solid brick,6{n}.5,14,100,Double" for n in numbers]
    listed = stock.ingest(Inputs(_write(tmp_path / "x.csv", "\n".join([heading, *rows]))), {})
    told = {row["home_id"]: row["warnings"] for row in listed.accepted.to_dicts()}
    assert told["T1"] == "Figures equal to those of 5 homes of its street"
    assert told["S1"] is None


def test_a_list_most_of_which_fails_one_rule_is_refused_whole(tmp_path):
    rows = [GOOD_ROW.format(ref="T1", n=1)]
    rows += [GOOD_ROW.format(ref=f"T{n}", n=n).replace(",1934,", ",N/K,") for n in (2, 3, 4)]
    path, store = _write(tmp_path / "x.csv", stock_text(*rows)), tmp_path / "s.duckdb"
    with pytest.raises(StockListError, match="Age is missing in 3 of 4 rows"):
        run(Inputs(path), store, tmp_path / "o", Settings())
    assert not store.exists()
    ages = {(row, "Age"): "1934" for row in (3, 4, 5)}
    _fill(tmp_path / "o" / "quarantine.xlsx", tmp_path / "m.xlsx", ages)
    mended = run(Inputs(path, mended=[tmp_path / "m.xlsx"]), store, tmp_path / "o", Settings())
    assert mended.account["rows"]["accepted"] == 4


def test_keep_lets_a_row_stand_in_the_place_of_the_other_of_its_key(tmp_path):
    rows = [
        'T1,"1 Alder Row, Tarnwick",HX77 3AB,House,1934,85,Solid brick,1.6',
        'T1,"1 Alder Row, Tarnwick",HX77 3AB,House,1934,95,Solid brick,',
        'T2,"2 Alder Row, Tarnwick",HX77 3AB,House,1934,85,Solid brick,',
    ]
    path = _write(tmp_path / "list.csv", stock_text(*rows))
    run(Inputs(path), tmp_path / "s.duckdb", tmp_path, Settings())
    _fill(tmp_path / "quarantine.xlsx", tmp_path / "m.xlsx", {(3, "(whole row)"): "keep"})
    listed = stock.ingest(Inputs(path, mended=[tmp_path / "m.xlsx"]), {})
    assert listed.accepted.select("home_id", "floor_area_m2").rows() == [("T1", 95.0), ("T2", 85.0)]
    assert listed.quarantine["source_row"].to_list() == [2]


def test_a_bad_entry_never_throws_out_a_sound_one(tmp_path):
    rows = [
        "T1,1 Alder Row,HX77 3AB,House,1934,85,Solid brick,",
        "T1,1 Alder Row,HX77 3AB,House,1934,8500,Solid brick,1.7",
        "T2,2 Alder Row,HX77 3AB,House,1934,85,Solid brick,",
    ]
    listed = stock.ingest(Inputs(_write(tmp_path / "list.csv", stock_text(*rows))), {})
    assert listed.accepted["source_row"].to_list() == [2, 4]


def _two_sheets(path, other_headings):
    with xlsxwriter.Workbook(path) as book:
        for name, heads in (
            ("North", ["Ref", "Prop Type", "Age", "Floor Area", "Wall Type"]),
            ("South", other_headings),
            ("Sold", ["Ref", "Address", "Price"]),
        ):
            sheet = book.add_worksheet(name)
            if name == "Sold":
                sheet.hide()
            sheet.write_row(0, 0, heads)
            sheet.write_row(1, 0, [f"{name}1", "House", 1934, 85, "Solid brick"][: len(heads)])


def test_sheets_of_one_list_are_stacked_and_others_are_chosen_by_name(tmp_path):
    path = tmp_path / "two.xlsx"
    _two_sheets(path, ["Ref", "Prop Type", "Age", "Floor Area", "Wall Type"])
    listed = stock.ingest(Inputs(path), {})
    assert listed.accepted.select("home_id", "source_row").rows() == [("North1", 2), ("South1", 4)]
    assert listed.raw.notes[:3] == (
        "read sheets 'North', 'South'",
        "hidden sheets were not read: 'Sold'",
        "row 1 of sheet 'South' counts as row 3",
    )
    only = stock.ingest(Inputs(path, sheet="south"), {})
    assert only.accepted["home_id"].to_list() == ["South1"]
    with pytest.raises(StockListError, match=r"no sheet 'East'\. Its sheets are 'North', 'South'"):
        stock.ingest(Inputs(path, sheet="East"), {})


def test_sheets_with_other_headings_are_stacked_by_column_but_not_the_same_homes(tmp_path):
    path = tmp_path / "two.xlsx"
    _two_sheets(path, ["Unit Ref", "Dwelling Type", "Year Built", "GIA", "Walls"])
    listed = stock.ingest(Inputs(path), {})
    assert listed.accepted["home_id"].to_list() == ["North1", "South1"]
    with xlsxwriter.Workbook(path) as book:
        for name in ("2023", "2024"):
            sheet = book.add_worksheet(name)
            sheet.write_row(0, 0, ["Ref", "Prop Type", "Age", "Floor Area", "Wall Type"])
            sheet.write_row(1, 0, ["T1", "House", 1934, 85, "Solid brick"])
    with pytest.raises(StockListError, match="'2023', '2024' list the same homes"):
        stock.ingest(Inputs(path), {})


def test_formula_cells_in_a_workbook_are_text_and_read_back_as_sent(tmp_path):
    texts = ["=1+1", "+44 Row", "-3 Row", "@SUM(A1)", "'quoted", "=HYPERLINK(1)"]
    rows = [f'T{n},"{text}",HX77 3AB,House,N/K,85,SB,' for n, text in enumerate(texts)]
    good = [GOOD_ROW.format(ref=f"G{n}", n=n) for n in range(len(texts))]
    path = _write(tmp_path / "list.csv", stock_text(*good, *rows))
    run(Inputs(path), tmp_path / "s.duckdb", tmp_path, Settings())
    with zipfile.ZipFile(tmp_path / "quarantine.xlsx") as archive:
        sheets = [archive.read(n) for n in archive.namelist() if "worksheets" in n]
    assert not any(b"<f>" in sheet for sheet in sheets)
    book = fastexcel.read_excel(tmp_path / "quarantine.xlsx")
    assert book.load_sheet("Rows as sent").to_polars()["Address"].to_list() == texts


def test_answers_go_into_the_landlords_dictionary_and_serve_the_next_list(tmp_path, call):
    rows = [f"T{n},{n} Alder Row,HX77 3AB,House,1934,85,Clinker slab," for n in range(1, 5)]
    rows += [GOOD_ROW.format(ref="G1", n=21), GOOD_ROW.format(ref="G2", n=22).replace("85", "abc")]
    path, ours = _write(tmp_path / "list.csv", stock_text(*rows)), tmp_path / "ours.toml"
    words = ["--store", tmp_path / "s.duckdb", "--out", tmp_path / "o", "--dictionary", ours]
    said = call("run", path, *words)
    assert (said.code, "4 Wall Type 'Clinker slab'" in said.out) == (0, True), said.out
    assert not ours.exists()
    book = tmp_path / "o" / "quarantine.xlsx"
    _fill(book, book, {(7, "Floor Area"): "84"}, {("Wall Type", "Clinker slab"): "system built"})
    said = call("run", path, *words, "--mended", book)
    assert said.code == 0, said.err
    held = tomllib.loads(ours.read_text(encoding="utf-8"))
    assert held == {
        "words": {"wall_construction": {"clinker slab": "system built"}},
        "homes": {"G2": {"floor_area_m2": {"was": "abc", "is": "84"}}},
    }
    by_hand = ours.read_text(encoding="utf-8") + "# ours, checked 3 June\n"
    ours.write_text(by_hand, encoding="utf-8")
    later = [row.replace("Clinker slab", "CLINKER  slab") for row in rows]
    assert call("run", _write(path, stock_text(*later)), *words).code == 0
    ranked = pl.read_csv(tmp_path / "o" / "ranking.csv")
    walls = dict(ranked.select("home_id", "wall_construction").iter_rows())
    assert walls == {f"T{n}": "system_built" for n in range(1, 5)} | {
        "G1": "solid_brick", "G2": "solid_brick",
    }  # fmt: skip
    assert ranked.filter(home_id="G2")["floor_area_m2"].to_list() == [84.0]
    assert ours.read_text(encoding="utf-8") == by_hand


def test_what_stands_in_the_dictionary_is_never_changed(tmp_path, call):
    good = [GOOD_ROW.format(ref=f"G{n}", n=n) for n in range(4)]
    row = "T1,11 Alder Row,HX77 3AB,House,1934,85,Clinker slab,"
    path, ours = _write(tmp_path / "list.csv", stock_text(*good, row)), tmp_path / "ours.toml"
    text = '[words.wall_construction]\n"Clinker slab" = "timber frame"\n'
    words = ["run", path, "--store", tmp_path / "s.duckdb", "--out", tmp_path / "o"]
    assert call(*words).code == 0
    book = tmp_path / "o" / "quarantine.xlsx"
    _fill(book, book, {}, {("Wall Type", "Clinker slab"): "system built"})
    ours.write_text(text, encoding="utf-8")
    said = call(*words, "--dictionary", ours, "--mended", book)
    assert said.code == 0, said.err
    assert "[words.wall_construction] clinker slab" in said.out
    assert ours.read_text(encoding="utf-8") == text
    ranked = pl.read_csv(tmp_path / "o" / "ranking.csv").filter(home_id="T1")
    assert ranked["wall_construction"].to_list() == ["timber_frame"]


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ("[words.hating]\ngas = 'x'\n", "hating (meant heating?)"),
        ("[word.heating]\ngas = 'x'\n", "word"),
        ("[homes.T1.heating]\nwas = 'x'\n", "is"),
    ],
)
def test_a_dictionary_that_cannot_be_used_is_told(content, words, tmp_path, call):
    path = _write(tmp_path / "list.csv", stock_text())
    ours = _write(tmp_path / "ours.toml", content)
    said = call(
        "run", path, "--store", tmp_path / "s.duckdb", "--out", tmp_path, "--dictionary", ours
    )
    assert (said.code, words in said.err, "Dictionary ours.toml" in said.err) == (2, True, True)


NEW = answers.Answers(
    {"uprn": ("Our UPRN",)},
    {"fuel": {"ember pod": "oil"}, "wall_construction": {"clinker slab": "system built"}},
    {"floor_area_m2": "in square metres"},
    {
        "T1": {"fuel": answers.Correction("x", "oil")},
        "T.2": {"uprn": answers.Correction(None, "7")},
    },
)


@pytest.mark.parametrize(
    "by_hand",
    [
        "",
        '# ours\n[words.fuel]\n"coke" = "house coal"  # seen\n',
        '\ufeff[words.fuel]\r\n"coke" = "house coal"\r\n\r\n[homes.T1]\r\nuprn = { is = "8" }\r\n',
        'words.fuel.coke = "house coal"\n',
        'words = { fuel = { coke = "house coal" } }\nhomes = { T1 = { fuel = { is = "lpg" } } }\n',
        '[words]\nfuel.coke = "a"\nfuel.slack = "b"\nbuilt_form.row = "c"\n',
        'words.fuel.coke = "a"\n# between\nhomes.T9.fuel = { is = "oil" }\n',
        '[homes]\nT1.fuel.is = "x"\n[words.fuel]\n[homes.T9.fuel]\nis = "oil"\n',
        '# ours\r\n[words.fuel]\ncoke = "house coal"\r\n# both ends of lines\n',
        'columns.uprn = ["A", "B"]\nwords.fuel."Ember  POD" = "lpg"\nconfirmed = {}\n',
    ],
)
def test_whatever_way_a_dictionary_is_written_nothing_in_it_is_lost(by_hand):
    """Either every answer of both is in the new file, or nothing is written and it is said."""
    content = by_hand.encode()
    stood = tomllib.loads(by_hand.removeprefix("\ufeff"))
    if by_hand.startswith(('words.fuel.coke = "a', "columns.uprn")):
        with pytest.raises(SettingsError, match="Nothing was changed"):
            answers.added(content, NEW)
        return
    made, _ = answers.added(content, NEW)
    held = tomllib.loads(made.decode("utf-8-sig"))
    for group, tables in stood.items():
        for name, said in tables.items():
            assert said.items() <= held[group][name].items()
    assert held["words"]["fuel"]["ember pod"] == "oil"
    assert held["words"]["wall_construction"] == {"clinker slab": "system built"}
    assert held["homes"]["T.2"] == {"uprn": {"is": "7"}}
    assert held["confirmed"] == {"floor_area_m2": "in square metres"}
    assert made.startswith(b"\xef\xbb\xbf") == by_hand.startswith("\ufeff")
    before, after = (c.decode("utf-8-sig").splitlines(keepends=True) for c in (content, made))
    assert {line for line in before if "{" not in line} <= set(after)
    if (ends := by_hand.count("\r\n")) in (0, by_hand.count("\n")):
        assert made.count(b"\r\n") == (made.count(b"\n") if ends else 0)
    lines = [line for line in by_hand.splitlines() if line.startswith("#")]
    assert set(lines) <= set(made.decode().splitlines())
    assert answers.added(made, NEW)[0] == made


def test_a_wall_of_which_only_the_u_value_is_known_keeps_its_home_in_the_stock(tmp_path):
    rows = [GOOD_ROW.format(ref=f"T{n}", n=n) for n in range(3)]
    rows += ["U1,11 Alder Row,HX77 3AB,House,2008,85,Average thermal transmittance 0.35 W/m2K,"]
    rows += [
        "U2,12 Alder Row,HX77 3AB,House,1934,85,,1.6",
        "U3,13 Alder Row,HX77 3AB,House,1934,85,,",
    ]
    path = _write(tmp_path / "list.csv", stock_text(*rows))
    made = run(Inputs(path), tmp_path / "s.duckdb", tmp_path / "o", Settings())
    homes = {row["home_id"]: row for row in made.ranking.to_dicts()}
    assert (homes["U1"]["u_existing_w_m2k"], homes["U2"]["u_existing_w_m2k"]) == (0.35, 1.6)
    for key in ("U1", "U2"):
        assert homes[key]["rank"] is None
        assert "only the U-value of the wall" in homes[key]["held_for"]
    assert made.listed.quarantine["home_id"].to_list() == ["U3"]


def test_a_column_nobody_named_tells_of_the_wall_s_insulation(tmp_path):
    head, *rows = stock_text(*(GOOD_ROW.format(ref=f"T{n}", n=n) for n in range(5))).splitlines()
    said = ["EWI and render", "overclad insulated render", "External wall insulation", "none", ""]
    roof = ["Pitched, insulated at rafters", "EWI", "External wall insulation", "EWI", "EWI"]
    text = [f"{head},External works,Roof works"]
    text += [f'{r},"{a}","{b}"' for r, a, b in zip(rows, said, roof, strict=True)]
    listed = stock.ingest(Inputs(_write(tmp_path / "list.csv", "\n".join(text) + "\n")), {})
    kept = dict(listed.accepted.select("home_id", "wall_insulation").iter_rows())
    assert kept == {"T0": "external", "T1": "external", "T2": "external", "T3": None, "T4": None}
    assert any("External works is read" in note for note in listed.raw.notes)
    assert not any("Roof works" in note for note in listed.raw.notes)


def test_a_form_does_not_speak_for_a_type_that_nobody_understood(tmp_path):
    head, *rows = stock_text(*(GOOD_ROW.format(ref=f"T{n}", n=n) for n in range(3))).splitlines()
    rows[1] = rows[1].replace("House", "Gazebo")
    text = [f"{head},Attachment", *(f"{row},Semi" for row in rows)]
    listed = stock.ingest(Inputs(_write(tmp_path / "list.csv", "\n".join(text) + "\n")), {})
    assert listed.accepted["home_id"].to_list() == ["T0", "T2"]
    assert "'Gazebo' could not be read" in listed.quarantine["reasons"][0]


def test_remarks_on_damp_listing_and_a_sale_are_not_lost(tmp_path):
    head, *rows = stock_text(*(GOOD_ROW.format(ref=f"T{n}", n=n) for n in range(5))).splitlines()
    said = ["Mr Hill reports damp", "Grade II listed", "demolished 2019", "sold RTB 2017", "hens"]
    text = [f"{head},Tenure,Comments"]
    text += [f"{row},Social rent,{remark}" for row, remark in zip(rows, said, strict=True)]
    path = _write(tmp_path / "list.csv", "\n".join(text) + "\n")
    made = run(Inputs(path), tmp_path / "s.duckdb", tmp_path / "o", Settings())
    homes = {row["home_id"]: row for row in made.ranking.to_dicts()}
    assert (homes["T0"]["damp"], homes["T1"]["heritage"]) == ("kind_not_known", "listed")
    assert homes["T3"]["held_for"].startswith("Tenure 'Social rent' contradicts Remarks 'sold")
    assert homes["T4"]["held_for"] is None
    assert made.listed.quarantine["home_id"].to_list() == ["T2"]
    assert "no longer the landlord's" in made.listed.quarantine["reasons"][0]
    assert "Hill" not in str(made.listed.raw.frame.rows())


def test_the_storeys_of_a_block_are_not_those_of_its_flats(tmp_path):
    """A tall block's column of storeys put its flats into quarantine."""
    head, *rows = stock_text(*(GOOD_ROW.format(ref=f"T{n}", n=n) for n in range(3))).splitlines()
    rows = [rows[0], *(r.replace("House", "Flat").replace(",85,", ",55,") for r in rows[1:])]
    text = [f"{head},Storeys", *(f"{r},{s}" for r, s in zip(rows, (2, 12, 1), strict=True))]
    path = _write(tmp_path / "list.csv", "\n".join(text) + "\n")
    made = run(Inputs(path), tmp_path / "s.duckdb", tmp_path / "o", Settings())
    homes = {row["home_id"]: row for row in made.ranking.to_dicts()}
    assert {key: row["storeys"] for key, row in homes.items()} == {"T0": 2.0, "T1": 1.0, "T2": 1.0}
    assert "Storeys '12' is taken for that of its block" in homes["T1"]["warnings"]
    assert "Storeys" not in (homes["T2"]["warnings"] or "")


def test_no_source_moves_a_home(tmp_path):
    """A survey's shorter address would part a home from its street."""
    survey = "Property Ref,Address,Post Code,UPRN,Wall U,Survey Date\n"
    survey += "T1,1 Alder,HX77 3AC,100999,1.9,3 Oct 25\n"
    text = stock_text(GOOD_ROW.format(ref="T1", n=1), GOOD_ROW.format(ref="T2", n=2))
    path = _write(tmp_path / "list.csv", text)
    others = {"survey": _write(tmp_path / "survey.csv", survey)}
    home = stock.ingest(Inputs(path, others), {}).accepted.filter(home_id="T1").to_dicts()[0]
    assert (home["address"], home["postcode"]) == ("1 Alder Row, Tarnwick", "HX77 3AB")
    assert home["u_existing_w_m2k"] == 1.9
    assert str(home["survey_date"]) == "2025-10-03"


GIVEN = {c.name: c.headings[0] for c in by_role("stock") if c.headings}
OPTIONAL = [name for name in GIVEN if name not in headings.ESSENTIAL]


@pytest.mark.parametrize("column", [n for n in OPTIONAL if dictionary()[n].dtype != "text"])
def test_an_optional_cell_nobody_understood_costs_no_home_and_holds_it(column, tmp_path):
    """The list says something that moves the figures: no default may stand for it in silence."""
    head, *rows = stock_text(*(GOOD_ROW.format(ref=f"T{n}", n=n) for n in range(5))).splitlines()
    asked = dictionary()[column].headings[0]
    own = head.split(",").index("Wall U") if column == "u_existing_w_m2k" else None
    text = [head if own is not None else f"{head},{asked}"]
    for number, row in enumerate(rows):
        said = "qwzx vvk" if number < 2 else ""
        text.append(f"{row}{said}" if own is not None else f"{row},{said}")
    if column == "postcode":
        text = [head, *(r.replace("HX77 3AB", "qwzx vvk") for r in rows[:2]), *rows[2:]]
    path = _write(tmp_path / "list.csv", "\n".join(text) + "\n")
    made = run(Inputs(path), tmp_path / "s.duckdb", tmp_path / "o", Settings())
    assert made.account["rows"]["accepted"] == 5
    homes = {row["home_id"]: row for row in made.ranking.to_dicts()}
    for key, home in homes.items():
        said = key in ("T0", "T1")
        assert ("could not be read" in (home["warnings"] or "")) == said
        held = said and column not in rules.ONLY_INFORMS
        assert (home["rank"] is None) == held, key
        assert ((home["reason"] or "").startswith("held: ")) == held
        assert ("qwzx vvk" in (home["held_for"] or "")) == held


def test_a_held_home_is_neither_funded_nor_claimed_until_its_word_is_settled(tmp_path, call):
    head, *rows = stock_text(*(GOOD_ROW.format(ref=f"T{n}", n=n) for n in range(6))).splitlines()
    fuels = ["Gas boiler"] * 4 + ["Ember pod"] * 2
    text = [f"{head},Heating", *(f"{r},{f}" for r, f in zip(rows, fuels, strict=True))]
    path, store = _write(tmp_path / "list.csv", "\n".join(text) + "\n"), tmp_path / "s.duckdb"
    words = ["run", path, "--store", store, "--out", tmp_path / "o"]
    said = call(*words)
    assert (said.code, "2 Heating 'Ember pod'" in said.out) == (0, True), said.out
    claim = ("claim", "--store", store, "--homes", "T4", "--out", tmp_path / "c")
    said = call(*claim, "--first-claim")
    assert (said.code, "held: Main heating 'Ember pod' could not be read" in said.err) == (2, True)
    rules = (files("data_demo") / "fund_lantern.toml").read_text(encoding="utf-8")
    for asked in ('["E", "F", "G"]', '["social_rent"]'):
        rules = rules.replace(asked, "[]")  # the list tells neither
    fund = _write(tmp_path / "fund.toml", rules.replace("at_least = 0.30", "at_least = 0.0"))
    said = call("allocate", "--store", store, "--fund", fund, "--out", tmp_path / "a")
    assert said.code == 0, said.err
    listed = pl.read_csv(tmp_path / "a" / "allocation.csv").filter(pl.col("fund").is_not_null())
    assert set(listed["home_id"]) == {"T0", "T1", "T2", "T3"}
    settled = {"heating_oil": "oil condensing boiler", "mains_gas": "not known"}
    for fuel, answer in settled.items():
        word = {("Heating", "Ember pod"): answer}
        _fill(tmp_path / "o" / "quarantine.xlsx", tmp_path / f"{fuel}.xlsx", {}, word)
    for fuel in settled:
        book = tmp_path / f"{fuel}.xlsx"
        assert call(*words, "--mended", book).code == 0
        ranked = pl.read_csv(tmp_path / "o" / "ranking.csv")
        assert ranked["rank"].null_count() == 0
        assert ranked.filter(home_id="T4")["fuel"].to_list() == [fuel]
