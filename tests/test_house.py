"""House rules that a machine can see."""

import ast
import re
import subprocess
from pathlib import Path

from typer.main import get_command

from pipeline import cli

TOP = Path(__file__).parent.parent
TRACKED = [
    TOP / name
    for name in subprocess.run(
        ["git", "ls-files"], cwd=TOP, capture_output=True, text=True, check=True
    ).stdout.split()
]


def test_the_lock_names_only_the_public_index():
    hosts = set(re.findall(r"https?://[^/\"]+", (TOP / "uv.lock").read_text()))
    assert hosts == {"https://pypi.org", "https://files.pythonhosted.org"}


def test_the_top_level_holds_what_the_design_names():
    top = {path.relative_to(TOP).parts[0] for path in TRACKED}
    named = (
        "README.md DEVELOPERS.md LICENSE pyproject.toml uv.lock pipeline dashboard data_demo tests"
    )
    assert {name for name in top if not name.startswith(".")} <= set(named.split())


def test_every_command_has_an_example_and_stands_in_the_readme():
    readme = (TOP / "README.md").read_text(encoding="utf-8")
    commands = get_command(cli.app).commands
    assert len(commands) >= 6
    for name, command in commands.items():
        assert f"Example: programme {name}" in (command.help or ""), name
        assert f"programme {name}" in readme, name


def test_no_file_names_a_path_of_one_machine():
    for path in TRACKED:
        if path.suffix in {".py", ".md", ".csv", ".toml", ".txt"} and path.exists():
            text = path.read_text(encoding="utf-8", errors="replace")
            found = re.findall(r"(?<![\w.])/(?:work|root|home)/\w+", text)
            assert path.name == "test_house.py" or not found, (path, found)


def test_no_column_is_divided_by_a_plain_number():
    """Polars divides a long column by a scalar through its reciprocal, one row exactly."""
    for path in TRACKED:
        if path.suffix != ".py" or "tests" in path.parts or not path.exists():
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.BinOp) or not isinstance(node.op, ast.Div):
                continue
            if isinstance(node.right, ast.Constant):
                left = ast.unparse(node.left)
                assert "pl.col" not in left, (path.name, node.lineno, left)
