"""Valid HTML by html-validate (npm), every page of the site for everybody, of many shops, and of nothing.

Two of its rules are off in htmlvalidate.json: scrolling regions are named `div`s on purpose (a `section` would put each of
them into the outline), and forms here act at once, so they have no button to submit.
"""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import polars as pl
import pytest
from page_files import SETTINGS, missing, written
from published_frames import make

from reports.site import build

HERE = Path(__file__).parent


@pytest.fixture(scope="session")
def validator() -> list[str]:
    script = HERE / "node_modules" / "html-validate" / "bin" / "html-validate.mjs"
    if not script.exists():
        script = HERE / "node_modules" / ".bin" / "html-validate"
    if not script.exists() or shutil.which("node") is None:
        missing(
            "html-validate is not installed: `npm --prefix tests/browser install` (make browser does) checks the HTML."
        )
    return ["node", str(script), "--config", str(HERE / "htmlvalidate.json"), "--formatter", "text"]


@pytest.mark.parametrize("case", ["everybody", "environment", "many shops", "nothing"])
def test_every_page_is_valid_html(
    validator: list[str], tables: dict[str, pl.DataFrame], tmp_path: Path, case: str
) -> None:
    given = {"many shops": make(n_months=1, shops=14, cups_a_month=2), "nothing": {}}.get(case, tables)
    folder = written(tmp_path, build(given, SETTINGS, "environment" if case == "environment" else None))
    pages = sorted(str(p) for p in folder.glob("*.html"))
    done = subprocess.run([*validator, *pages], capture_output=True, text=True, timeout=120, check=False)
    assert (done.returncode, done.stdout[:3000], done.stderr[:500]) == (0, "", "")
