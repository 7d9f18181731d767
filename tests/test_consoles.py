"""What is printed on any console: text is only text, and a console's limits stop nothing."""

import os
import subprocess
import sys
from importlib.resources import files

import pytest

from pipeline import printing

MAIN = "from pipeline.cli import main; main()"
LANTERN = files("data_demo") / "fund_lantern.toml"


def programme(*words: object, **environment: str) -> subprocess.CompletedProcess[bytes]:
    return subprocess.run(
        [sys.executable, "-c", MAIN, *map(str, words)],
        capture_output=True,
        env={**os.environ, **environment},
        check=False,
    )


@pytest.mark.parametrize("encoding", ["ascii", "cp437"])
def test_a_console_that_is_not_utf_8(encoding, demo_folder, demo):
    home = demo.ranking["home_id"][0]
    store = demo_folder / "demo.duckdb"
    made = programme("explain", home, "--store", store, PYTHONIOENCODING=encoding)
    assert made.returncode == 0, made.stderr
    assert home.encode() in made.stdout


def test_a_reader_who_has_read_enough(tmp_path, demo_folder):
    store = demo_folder / "demo.duckdb"
    command = f"'{sys.executable}' -c '{MAIN}' sources --store '{store}' --mark memory"
    whole = tmp_path / "figures.csv"
    script = f"set -o pipefail; {command} --out '{whole}' | head -1"
    made = subprocess.run(["bash", "-c", script], capture_output=True, check=False)
    assert (made.returncode, made.stderr) == (0, b"")
    assert whole.read_text(encoding="utf-8").count("\n") > 1000


def test_brackets_in_paths_and_keys_are_text(call, tmp_path, demo_folder):
    store = demo_folder / "demo.duckdb"
    for key in ("[/]", "[bold]x[/bold]", "[red", "]", "\\[", "{0}", ":warning:"):
        said = call("explain", key, "--store", store)
        assert said.code == 2
        assert f"No home '{key}'" in said.err
        said = call("explain", "x", "--store", tmp_path / key.replace("/", ""))
        assert said.code == 2
    out = tmp_path / "[bold]files[" / "[red]x.csv"
    out.parent.mkdir()
    said = call("sources", "--out", out)
    assert said.code == 0
    assert "[red]x.csv" in said.out.replace(" ", "")


def test_nothing_steers_the_terminal(capsys):
    printing.console.print("a\x1b[2Jb\x07c\u202ed")
    printing.console.print(printing.words(("a\x1b[2Jb", "bold")))
    printing._print("t\x1b", ["x\x1b"], [["y\x1b"]], shrinking=0)
    assert "\x1b" not in capsys.readouterr().out


@pytest.mark.parametrize("text", ["1" * 400, "-1", "nan", "0x", "1e999"])
def test_odd_figures_on_the_command_line(text, call, demo_folder, tmp_path):
    store = demo_folder / "demo.duckdb"
    said = call("allocate", "--store", store, "--fund", LANTERN, "--out", tmp_path, "--draws", text)
    assert said.code == 2
    said = call("dashboard", "--store", tmp_path / "none.duckdb", "--port", text)
    assert said.code == 2


def test_a_path_that_cannot_be_opened(call, tmp_path):
    loop = tmp_path / "loop.csv"
    loop.symlink_to(loop)
    long = tmp_path / ("x" * 300 + ".csv")
    for path in (loop, long):
        said = call("run", path, "--store", tmp_path / "s.duckdb", "--out", tmp_path / "o")
        assert said.code == 2, path
