"""Stores cut short, overwritten in part or changed by another program end in one message."""

import random
import shutil
import subprocess
import sys

import duckdb
import pytest

from pipeline.errors import StoreError
from pipeline.published import open_run

TAMPERED = (
    "drop table quarantine",
    "drop table rate_book",
    "alter table ranking drop column fuel",
    "alter table ranking alter column cost_gbp type varchar",
    "insert into ranking select * from ranking limit 1",
    "update ranking set home_id = null",
    "update run set account = '{'",
    "update run set account = '[]'",
    "update run set account = '{}'",
    "update run set account = null",
    "update run set account = replace(account, '\"budget_gbp\": 1', '\"budget_gbp\": -1')",
    "delete from run",
    "delete from rate_book",
    "delete from system_catalogue",
    "alter table system_catalogue drop column lambda_design_w_mk",
    "alter table faults drop column fault",
    "update run set format = 999",
)


@pytest.fixture
def store(demo_folder, tmp_path):
    return shutil.copy(demo_folder / "demo.duckdb", tmp_path / "town.duckdb")


@pytest.mark.parametrize("change", TAMPERED)
def test_a_store_changed_by_another_program(change, store, call, demo):
    with duckdb.connect(str(store)) as connection:
        connection.execute(change)
    home = demo.ranking["home_id"][0]
    assert call("changes", store, store).code in (0, 2)
    said = call("explain", home, "--store", store)
    if change.startswith("alter table faults"):
        said = call("changes", store, store)
    assert said.code in (0, 2), said.err
    assert said.code == 2 or change.startswith("alter table faults")


def test_a_store_of_which_some_bytes_are_others(store):
    """Sixty places: opened in a process of its own, as a crash of the library would be one too."""
    whole = store.read_bytes()
    draw = random.Random(7)
    opened = (
        "import sys\n"
        "from pathlib import Path\n"
        "from pipeline.errors import ProgrammeError\n"
        "from pipeline.published import open_run\n"
        "for path in sys.argv[1:]:\n"
        "    try:\n"
        "        open_run(Path(path))\n"
        "    except ProgrammeError:\n"
        "        pass\n"
    )
    paths = []
    for number in range(60):
        torn = bytearray(whole)
        if number % 3 == 0:
            del torn[draw.randrange(len(torn)) :]
        else:
            place = draw.randrange(len(torn) if number % 2 else 20_000)
            torn[place : place + 64] = draw.randbytes(64)
        path = store.with_name(f"torn{number}.duckdb")
        path.write_bytes(torn)
        paths.append(str(path))
    made = subprocess.run(
        [sys.executable, "-c", opened, *paths], capture_output=True, text=True, check=False
    )
    assert made.returncode == 0, made.stderr[-2000:]


def test_other_files_are_no_store(tmp_path, call):
    for name, content in (("a", b""), ("b", b"SQLite format 3\0"), ("c", b"\0" * 20_000)):
        path = tmp_path / f"{name}.duckdb"
        path.write_bytes(content)
        with pytest.raises(StoreError):
            open_run(path)
        assert call("screens", "x", "--store", path).code == 2


def test_a_store_reads_no_file_of_the_machine(store):
    """A view planted in a store cannot read or fetch: access to files is off."""
    with duckdb.connect(str(store)) as connection:
        connection.execute("alter table ranking rename to hidden")
        connection.execute("create view ranking as select * from read_text('/etc/hostname')")
    with pytest.raises(StoreError, match="changed by another program"):
        open_run(store)
