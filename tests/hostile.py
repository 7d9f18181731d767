"""Files made to take a reader's memory or time, small to make; and a reader that is watched.

python -m tests.hostile FILE...   # one line of JSON for each file: what was said, peak, seconds
"""

import contextlib
import io
import itertools
import json
import re
import resource
import struct
import sys
import time
import zipfile
from collections.abc import Callable, Iterable
from functools import cache
from pathlib import Path

import polars as pl

HEADINGS = "Property Ref,Address,Post Code,Prop Type,Age,Floor Area,Wall Type\n"
ROW = "T1,1 Alder Row,HX77 3AB,House,1934,85,Solid brick\n"
_NS = 'xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"'
_REL = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
_PACKAGE = "http://schemas.openxmlformats.org/package/2006/"


def _list(
    middle: str, times: int = 1, before: str = "", after: str = "", good_rows: int = 1
) -> Callable[[Path], None]:
    """A list of good rows and then one text over and over, with texts before and after it."""

    def write(path: Path) -> None:
        with path.open("wb") as file:
            file.write((HEADINGS + ROW * good_rows + before).encode())
            for _ in range(times):
                file.write(middle.encode())
            file.write((after + ROW).encode())

    return write


def _sparse(path: Path) -> None:
    """A cell of zero bytes, of which the disk holds none."""
    _list("")(path)
    with path.open("ab") as file:
        file.truncate(500_000_000)


def _headings(count: int, rows: int) -> Callable[[Path], None]:
    def write(path: Path) -> None:
        path.write_text(",".join(f"h{i}" for i in range(count)) + "\n" + "T1\n" * rows)

    return write


def _book(
    sheet: Iterable[str],
    strings: Iterable[str] = (),
    sheets: Iterable[str] = ('<sheet name="Homes" sheetId="1" r:id="rId1"/>',),
    prolog: str = "",
) -> Callable[[Path], None]:
    """A workbook written by hand, a part at a time, so that anything can stand in it."""

    def write(path: Path) -> None:
        with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
            for name, pieces in _parts(sheet, strings, sheets, prolog).items():
                with archive.open(name, "w", force_zip64=True) as part:
                    for piece in pieces:
                        part.write(piece.encode())

    return write


def _parts(
    sheet: Iterable[str], strings: Iterable[str], sheets: Iterable[str], prolog: str
) -> dict[str, Iterable[str]]:
    kinds = {"worksheet": "worksheets/sheet1.xml", "sharedStrings": "sharedStrings.xml"}
    links = "".join(
        f'<Relationship Id="rId{i}" Type="{_REL}/{kind}" Target="{target}"/>'
        for i, (kind, target) in enumerate(kinds.items(), start=1)
    )
    return {
        "[Content_Types].xml": [f'<Types xmlns="{_PACKAGE}content-types"></Types>'],
        "_rels/.rels": [
            f'<Relationships xmlns="{_PACKAGE}relationships"><Relationship Id="rId1"'
            f' Type="{_REL}/officeDocument" Target="xl/workbook.xml"/></Relationships>'
        ],
        "xl/_rels/workbook.xml.rels": [
            f'<Relationships xmlns="{_PACKAGE}relationships">{links}</Relationships>'
        ],
        "xl/workbook.xml": [
            f'<workbook {_NS} xmlns:r="{_REL}"><sheets>', *sheets, "</sheets></workbook>"
        ],
        "xl/sharedStrings.xml": [f"{prolog}<sst {_NS}>", *strings, "</sst>"],
        "xl/worksheets/sheet1.xml": [
            f"{prolog}<worksheet {_NS}><sheetData>", *sheet, "</sheetData></worksheet>"
        ],
    }  # fmt: skip


def _shared(row: int, column: str, index: int = 0) -> str:
    return f'<row r="{row}"><c r="{column}{row}" t="s"><v>{index}</v></c></row>'


def _inline(row: int, column: str, text: str) -> str:
    return f'<row r="{row}"><c r="{column}{row}" t="inlineStr"><is><t>{text}</t></is></c></row>'


def _unpacks_to_more_than_it_says(path: Path) -> None:
    """130 MB of spaces in a part whose stated size is a thousand bytes."""
    _book(itertools.repeat(" " * (1 << 20), 130))(path)
    content = bytearray(path.read_bytes())
    size = struct.pack("<I", 1000)
    for place in (m.start() for m in re.finditer(b"PK\x01\x02", bytes(content))):
        name_length = struct.unpack_from("<H", content, place + 28)[0]
        if content[place + 46 : place + 46 + name_length].endswith(b"sheet1.xml"):
            content[place + 24 : place + 28] = size
    path.write_bytes(content)


def _many_parts(path: Path) -> None:
    with zipfile.ZipFile(path, "w") as archive:
        for number in range(11_000):
            archive.writestr(zipfile.ZipInfo(f"{number}"), b"")


def _identical_rows(path: Path) -> None:
    same = pl.select(pl.repeat("T1", 30_000_000).alias("Property Ref"))
    same.write_parquet(path, row_group_size=30_000_000)


def _one_long_text(path: Path) -> None:
    names = ["Property Ref", "Prop Type", "Age", "Floor Area", "Wall Type"]
    texts = pl.repeat("x" * 900_000, 400, eager=True)
    pl.DataFrame(dict.fromkeys(names, texts)).write_parquet(path)


def _many_columns(path: Path) -> None:
    pl.DataFrame({f"h{i}": ["a"] for i in range(5000)}).write_parquet(path)


def _broken(path: Path) -> None:
    """Parquet whose pages are damaged behind a sound footer."""
    buffer = io.BytesIO()
    pl.DataFrame({"Property Ref": [f"T{i}" for i in range(5000)]}).write_parquet(buffer)
    content = bytearray(buffer.getvalue())
    content[4:4000] = bytes(b ^ 0xA5 for b in content[4:4000])
    path.write_bytes(content)


def _entities() -> str:
    """Each entity is twenty of the one before."""
    nested = "".join(f"<!ENTITY {chr(98 + i)} '{f'&{chr(97 + i)};' * 20}'>" for i in range(12))
    return f"<!DOCTYPE x [<!ENTITY a 'aaaaaaaaaaaaaaaaaaaaaaaa'>{nested}]>"


FILES: dict[str, tuple[str, Callable[[Path], None], str]] = {
    "a row of a million commas": (
        ".csv", _list(",", 1_000_000, after="\n"), "of up to 1,000,001 columns",
    ),
    "a row of a million commas far down": (
        ".csv", _list(",", 1_000_000, after="\n", good_rows=40_000), "row 40,002",
    ),
    "a million headings": (".csv", _headings(1_000_000, 1), "longer than 1 MiB"),
    "short rows below seven hundred headings": (".csv", _headings(700, 1_900_000), "cells"),
    "five million rows": (".csv", _list("T2\n" * 1000, 5000), "rows of up to"),
    "a cell of 20 MB in one line": (".csv", _list("x" * 20_000_000), "longer than 1 MiB"),
    "a quoted cell of 200 MB": (
        ".csv",
        _list(f"{'x' * 999}\n", 200_000, 'T2,"', '",,,,,\n', good_rows=99),
        "row 101: a cell of 200,000,000 bytes",
    ),
    "a cell of 50 MB that never closes": (
        ".csv",
        _list(f"{'x' * 999}\n", 50_000, 'T2,"', good_rows=99),
        "line 101: a double quote",
    ),
    "a cell of 500 MB": (".csv", _sparse, "has 477 MiB; the most this tool reads is 384 MiB"),
    "one shared text in 200,000 cells": (
        ".xlsx",
        _book((_shared(n, "A") for n in range(1, 200_001)), [f"<si><t>{'x' * 32_767}</t></si>"]),
        "could not be read with the memory",
    ),
    "a cell in the last corner": (
        ".xlsx", _book([_inline(1, "A", "x"), _inline(1_048_576, "XFD", "x")]), "at XFD1048576",
    ),
    "a cell in the last row of a wide sheet": (
        ".xlsx", _book([_inline(1, "ZZ", "x"), _inline(1_048_576, "A", "x")]), "Ctrl+End",
    ),
    "16.5 million cells": (
        ".xlsx", _book("<row>" + "<c><v>1</v></c>" * 500 + "</row>" for _ in range(33_000)),
        "filled cells",
    ),
    "a part that unpacks to more than it says": (
        ".xlsx", _unpacks_to_more_than_it_says, "would unpack from",
    ),
    "a million sheets": (
        ".xlsx",
        _book([], (), itertools.repeat('<sheet name="a" sheetId="1" r:id="rId1"/>' * 1000, 1000)),
        "more than 200 sheets",
    ),
    "eleven thousand parts": (".xlsx", _many_parts, "holds 11,000 parts"),
    "a million elements in one another": (
        ".xlsx", _book(["<row>" * 1_000_000, _inline(1, "A", "x"), "</row>" * 1_000_000]), "",
    ),
    "entities of entities": (
        ".xlsx", _book([_inline(1, "A", "&m;")], ["<si><t>&m;</t></si>"], prolog=_entities()), "",
    ),
    "an attribute of 130 MB": (
        ".xlsx", _book(['<row r="1" x="', *itertools.repeat("y" * (1 << 20), 130), '">', "</row>"]),
        "would unpack from",
    ),
    "30 million identical rows": (".parquet", _identical_rows, "holds 30,000,000 rows"),
    "one long text in 2,000 cells": (".parquet", _one_long_text, "bytes of text"),
    "five thousand columns": (".parquet", _many_columns, "5,000 columns"),
    "damaged pages": (".parquet", _broken, "could not be read as a flat parquet"),
}  # fmt: skip


def _memory_gb(what: str) -> float:
    """VmRSS (now) or VmHWM (the peak) of this process."""
    status = Path("/proc/self/status").read_text(encoding="ascii")
    return float(status.split(f"{what}:")[1].split()[0]) * 1.024e-6


@cache
def _fresh_gb() -> float:
    """What this process holds before its first file: it keeps some of what later ones took."""
    return _memory_gb("VmRSS")


def watch(path: Path) -> dict[str, object]:
    """Read one file; what was said, the peak of a process with this file alone, seconds."""
    from pipeline.errors import ProgrammeError
    from pipeline.stock import reading

    with contextlib.suppress(OSError):  # where it is not allowed the peak is that of all so far
        Path("/proc/self/clear_refs").write_text("5", encoding="ascii")
    kept = _memory_gb("VmRSS") - _fresh_gb()
    start, said, kind = time.perf_counter(), "", "read"
    try:
        reading.read(path)
    except ProgrammeError as fault:
        said, kind = str(fault), "refused"
    except BaseException as fault:
        said, kind = repr(fault)[:500], "broke"
    children = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss * 1.024e-6
    return {
        "name": path.stem, "said": said, "kind": kind,
        "own_gb": round(_memory_gb("VmHWM") - kept, 2), "children_gb": round(children, 2),
        "seconds": round(time.perf_counter() - start, 1),
    }  # fmt: skip


if __name__ == "__main__":
    for line in sys.stdin:
        print(json.dumps(watch(Path(line.rstrip("\n")))), flush=True)
