"""A real Chromium on pages opened from disk. Chromium comes from the system's packages, axe-core from npm (`make
browser`).

Where one is missing the tests that need it are skipped and say so; under CI=true they fail instead: there it must be
there.
"""

from __future__ import annotations

import shutil
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "reports"))
from page_files import SETTINGS, missing, written
from published_frames import make

from reports.site import build

HERE = Path(__file__).parent
ARGUMENTS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
]  # fmt: skip


@pytest.fixture(scope="module")  # one that stays open works on while other tests run
def browser() -> Iterator[Any]:
    found = next((p for n in ("chromium", "chromium-browser", "google-chrome") if (p := shutil.which(n))), None)
    if found is None:
        missing(
            "No Chromium on this machine: install the system package `chromium` (make browser does) to test the pages."
        )
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        started = play.chromium.launch(executable_path=found, args=ARGUMENTS)
        yield started
        started.close()


@pytest.fixture(scope="session")
def axe() -> str:
    """The script of axe-core."""
    path = HERE / "node_modules" / "axe-core" / "axe.min.js"
    if not path.is_file():
        missing("axe-core is missing: `npm --prefix tests/browser install` (make browser does) to test accessibility.")
    return path.read_text(encoding="utf-8")


@pytest.fixture(scope="session")
def tables() -> dict[str, Any]:
    return make()


@pytest.fixture(scope="session")
def site(tmp_path_factory: pytest.TempPathFactory, tables: dict[str, Any]) -> Path:
    return written(tmp_path_factory.mktemp("site"), build(tables, SETTINGS))


@pytest.fixture
def visit(browser: Any) -> Iterator[Callable[..., Any]]:
    """Open a page of a site; at the end of the test it must have said nothing to the console and asked nothing off the
    disk.
    """
    opened: list[Any] = []
    said: list[str] = []

    def go(folder: Path, page: str = "index.html", *, ready: bool = True, **more: Any) -> Any:
        context = browser.new_context(**{"viewport": {"width": 1280, "height": 900}} | more)
        opened.append(context)
        tab = context.new_page()
        tab.on("console", lambda m: said.append(f"console: {m.text}"))
        tab.on("pageerror", lambda e: said.append(f"error: {e}"))
        tab.on(
            "request",
            lambda r: said.append(f"asked for {r.url}") if not r.url.startswith(("file:", "data:", "blob:")) else None,
        )
        tab.on("requestfailed", lambda r: said.append(f"not found: {r.url}"))
        tab.goto(f"file://{folder}/{page}")
        if ready:
            tab.wait_for_selector("html[data-ready]", state="attached")
        return tab

    yield go
    for context in opened:
        context.close()
    assert said == []
