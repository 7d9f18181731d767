"""The real dashboard served to a headless Chromium: one server and one browser for each worker."""

import os
import shutil
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from playwright.sync_api import BrowserContext, Page, sync_playwright

from pipeline.published import Published, open_run

FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
PROGRAMME = Path(sys.executable).with_name("programme")
PATIENCE_MS = 60_000


@dataclass(frozen=True)
class Served:
    """A running dashboard: its address, its store, and the run in that store."""

    url: str
    store: Path
    run: Published


@pytest.fixture(scope="session")
def chromium() -> str:
    found = shutil.which("chromium") or shutil.which("chromium-browser")
    if found:
        return found
    if os.environ.get("CI"):
        pytest.fail("Chromium is missing, and in CI the browser tests must run.")
    pytest.skip("Chromium is not installed; the browser tests need it.")


@pytest.fixture(scope="session")
def served(chromium: str, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    folder = tmp_path_factory.mktemp("served")
    store = folder / "demo.duckdb"
    subprocess.run([PROGRAMME, "demo", "--out", folder], check=True, capture_output=True)
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    command = [PROGRAMME, "dashboard", "--store", store, "--port", str(port)]
    log = (folder / "dashboard.log").open("wb")
    with log, subprocess.Popen(command, stdout=log, stderr=log, start_new_session=True) as server:
        try:
            _wait(f"http://127.0.0.1:{port}/_stcore/health", server, folder / "dashboard.log")
            yield Served(f"http://127.0.0.1:{port}", store, open_run(store))
        finally:
            os.killpg(server.pid, signal.SIGTERM)


def _wait(url: str, server: subprocess.Popen[bytes], log: Path) -> None:
    give_up = time.monotonic() + 120
    while time.monotonic() < give_up and server.poll() is None:
        try:
            with urllib.request.urlopen(url, timeout=2):
                return
        except (urllib.error.URLError, OSError):
            time.sleep(0.2)
    pytest.fail(f"The dashboard did not start:\n{log.read_text()}")


@pytest.fixture(scope="session")
def context(chromium: str) -> Iterator[BrowserContext]:
    """One window for all tests of a worker, so that it fetches the front end only once."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium, args=FLAGS)
        window = browser.new_context(viewport={"width": 1440, "height": 1000})
        window.set_default_timeout(PATIENCE_MS)
        yield window
        browser.close()


@pytest.fixture
def tab(context: BrowserContext) -> Iterator[Page]:
    """A fresh tab. Afterwards: nothing was asked of another host, and no fault was shown."""
    asked: list[str] = []

    def listen(page: Page) -> None:
        page.on("request", lambda request: asked.append(request.url))
        page.on("websocket", lambda socket: asked.append(socket.url))

    context.on("page", listen)
    page = context.new_page()
    yield page
    text = page.locator("body").inner_text()
    faults = page.get_by_test_id("stException").count()
    for opened in context.pages:
        opened.close()
    context.remove_listener("page", listen)
    asked = [url for url in asked if not url.startswith(("data:", "blob:"))]
    assert asked
    assert {urlsplit(url).hostname for url in asked} == {"127.0.0.1"}
    assert faults == 0
    assert "Traceback" not in text
    assert "fault of the tool itself" not in text
