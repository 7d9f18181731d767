"""Commands killed in the middle of their writing, many times over, from one warm process.

    with Killer() as killer:
        ended = killer.call("run", stock, "--store", store, "--out", out)   # to its end
        for step in spread(ended.steps, kills=5):
            ended = killer.call("run", ..., step=step)
            assert ended.killed

A child process has the libraries imported and forks once for each command, before polars has
started a thread of its own (a fork after that would hang). `steps` counts the lines run of
`modules` from the first call of `begins` to the end of the command; with `step` the command is
killed at that one: at even steps just before the line, at odd ones by the process above, so some
microseconds later, wherever the machine code then is. For writing of another kind name where it
begins and which modules do it:

    Killer(begins="pipeline.claims.ledger:Ledger.add", modules=("pipeline.claims.ledger",))
"""

import json
import os
import select
import signal
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from functools import reduce
from importlib import import_module
from typing import Any, Self

LIBRARIES = (
    "duckdb", "fastexcel", "fpdf", "matplotlib.backends.backend_agg", "matplotlib.pyplot",
    "pandera.polars", "pydantic", "rich.progress", "scipy.optimize", "scipy.sparse", "scipy.stats",
    "sqlite3", "typer", "xlsxwriter",
)  # fmt: skip
LONGEST_S = 120.0


@dataclass(frozen=True)
class Ended:
    """How a command ended: exit code (None where it was killed), steps of its writing, stderr."""

    code: int | None
    steps: int
    err: str

    @property
    def killed(self) -> bool:
        """Whether it was killed at the step asked for."""
        return self.code is None


def spread(steps: int, kills: int) -> list[int]:
    """Steps spread evenly over all, odd and even ones in turn."""
    return [1 + int((n + 0.5) * steps / kills) // 2 * 2 - n % 2 for n in range(kills)]


class Killer:
    """The child process that forks commands. Use as a context manager."""

    def __init__(
        self,
        begins: str = "pipeline.outputs:Outputs.building",
        modules: Sequence[str] = ("pipeline.outputs", "pipeline.store"),
    ) -> None:
        """Start the child; begins: module:function; modules: whose lines are steps."""
        words = [sys.executable, "-m", "tests.killing", begins, *modules]
        environment = os.environ | {"POLARS_MAX_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
        self._child = subprocess.Popen(
            words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env=environment
        )

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        assert self._child.stdin is not None
        assert self._child.stdout is not None
        self._child.stdin.close()
        self._child.wait(timeout=LONGEST_S)
        self._child.stdout.close()

    def call(self, *words: object, step: int = 0) -> Ended:
        """Run `programme ...` to its end, or to a step of its writing and kill it there."""
        assert self._child.stdin is not None
        assert self._child.stdout is not None
        print(json.dumps([step, *map(str, words)]), file=self._child.stdin, flush=True)
        return Ended(*json.loads(self._child.stdout.readline()))


def serve(begins: str, modules: Sequence[str]) -> None:
    """Read commands from stdin, fork each, and tell how it ended."""
    for name in LIBRARIES:
        import_module(name)
    for line in sys.stdin:
        step, *words = json.loads(line)
        with tempfile.TemporaryFile() as err:
            receiver, sender = os.pipe()
            if not (child := os.fork()):
                os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
                os.dup2(err.fileno(), 2)
                _command(words, begins, tuple(modules), step, sender)
            os.close(sender)
            steps = _watched(child, receiver)
            _, status = os.waitpid(child, 0)
            err.seek(0)
            code = None if os.WIFSIGNALED(status) else os.waitstatus_to_exitcode(status)
            print(json.dumps([code, steps, err.read().decode()]), flush=True)


def _watched(child: int, receiver: int) -> int:
    """Steps the child tells at its end; kill it where it asks, or where it takes too long."""
    told = b""
    while select.select([receiver], [], [], LONGEST_S)[0]:
        part = os.read(receiver, 100)
        if part == b"now":
            os.kill(child, signal.SIGKILL)
        elif not part:
            break
        else:
            told += part
    else:
        os.kill(child, signal.SIGKILL)
    os.close(receiver)
    return int(told or 0)


def _command(
    words: list[str], begins: str, modules: tuple[str, ...], step: int, sender: int
) -> None:
    """Run one command in this process, count the steps of its writing, and leave."""
    from pipeline import cli

    module, _, path = begins.partition(":")
    *owners, last = path.split(".")
    owner = reduce(getattr, owners, import_module(module))
    real = getattr(owner, last)
    steps = 0

    def entered(frame: Any, event: str, what: Any) -> Any:
        return tick if frame.f_globals.get("__name__") in modules else None

    def tick(frame: Any, event: str, what: Any) -> Any:
        nonlocal steps
        steps += event == "line"
        if event == "line" and steps == step and step % 2:
            os.write(sender, b"now")
        elif event == "line" and steps == step:
            os.kill(os.getpid(), signal.SIGKILL)
        return tick

    def begun(*arguments: Any, **named: Any) -> Any:
        sys.settrace(entered)
        return real(*arguments, **named)

    setattr(owner, last, begun)
    sys.argv = ["programme", *words]
    code = 0
    try:
        cli.main()
    except SystemExit as stop:
        code = int(stop.code or 0)
    sys.settrace(None)
    if 0 < step <= steps:
        signal.pause()  # killed only now, if the process above was slow
    os.write(sender, str(steps).encode())
    os._exit(code)


if __name__ == "__main__":
    serve(sys.argv[1], sys.argv[2:])
