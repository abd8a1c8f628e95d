"""The README's pictures, taken of the demo's pages: `make pictures`.

python tests/browser/pictures.py demo_shop/out/site reports/pictures
"""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

from playwright.sync_api import sync_playwright

PAGES = {"start": "index.html", "hands": "hands.html"}
LARGEST = 300_000  # bytes
QUIET = ["--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking"]


def take(site: Path, into: Path) -> None:
    """One PNG a page, 1280 x 960, in light colours. SystemExit where there is no Chromium or a picture is too large."""
    found = next((p for n in ("chromium", "chromium-browser", "google-chrome") if (p := shutil.which(n))), None)
    if found is None:
        raise SystemExit("No Chromium on this machine: install the system package `chromium` to take pictures.")
    into.mkdir(parents=True, exist_ok=True)
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=found, args=QUIET)
        page = browser.new_page(viewport={"width": 1280, "height": 960}, color_scheme="light", reduced_motion="reduce")
        for name, file in PAGES.items():
            page.goto((site / file).resolve().as_uri())
            page.wait_for_selector("html[data-ready]", state="attached", timeout=20_000)
            size = len(page.screenshot(path=into / f"{name}.png"))
            if size > LARGEST:
                raise SystemExit(f"{into / name}.png is {size} bytes; at most {LARGEST} are meant for the README.")
        browser.close()


if __name__ == "__main__":
    take(Path(sys.argv[1]), Path(sys.argv[2]))
