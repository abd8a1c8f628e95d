"""The README's pictures, taken of the demo's pages: `make pictures`.

python tests/browser/pictures.py demo_shop/out/site reports/pictures
"""

from __future__ import annotations

import sys
from pathlib import Path

from playwright.sync_api import sync_playwright

PAGES = {"start": "index.html", "hands": "hands.html"}
CHROMIUM = "/usr/bin/chromium"
QUIET = ["--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking"]


def take(site: Path, into: Path) -> None:
    """One PNG a page, 1180 x 900, in light colours."""
    into.mkdir(parents=True, exist_ok=True)
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=QUIET)
        page = browser.new_page(viewport={"width": 1180, "height": 900}, color_scheme="light")
        for name, file in PAGES.items():
            page.goto((site / file).resolve().as_uri())
            page.wait_for_selector(".js-plotly-plot, svg", timeout=10_000)
            page.wait_for_timeout(800)  # figures settle after their fonts are measured
            page.screenshot(path=into / f"{name}.png")
        browser.close()


if __name__ == "__main__":
    take(Path(sys.argv[1]), Path(sys.argv[2]))
