"""How soon pages of a large group stand and answer: 200 shops over ten years, published tables drawn directly.

    python tests/bench/pages_large.py [shops] [months]

Prints, for Start, Material and Emissions: bytes that the page needs, first paint, when choices work (`awake`), when figures stand
(`ready`), and how long a choice of a shop, of months and of a role takes until everything on the page says it. Bars: paint
under 1 s, a choice under .3 s (issue 18). Times are of this machine, cold, from disk;
what another process takes of it shows in them, but not in the processor's seconds beside a choice.
"""

from __future__ import annotations

import random
import shutil
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

sys.path.insert(0, str(Path(__file__).parents[1] / "reports"))
sys.path.insert(0, str(Path(__file__).parents[1] / "browser"))
from page_files import SETTINGS, written
from published_frames import ROLES, make

from reports.site import build
from schemas import validate
from schemas.published import LANDING_PARTS, LEDGER_PARTS

PAINT, CHOICE = 1.0, 0.3  # seconds
PAGES = ("index.html", "owner.html", "environment.html")
TIMES = """() => { const p = performance.getEntriesByType('paint').find(e => e.name === 'first-contentful-paint');
  return [p ? p.startTime / 1000 : null, performance.now() / 1000]; }"""
CHOOSE = """([name, value]) => { const el = document.querySelector(`select[name=${name}]`), began = performance.now();
  el.value = value; el.dispatchEvent(new Event('change', {bubbles: true})); document.body.offsetHeight;
  return (performance.now() - began) / 1000; }"""


def grown(shops: int, months: int) -> dict[str, pl.DataFrame]:
    """A small group's tables, its ledger, loadings and emissions drawn anew at full size: a row a shop, month and product."""
    tables = make(n_months=2, shops=shops, cups_a_month=2)
    rng = np.random.default_rng(5)
    names = tables["shops"].select("shop_id")
    span = pl.DataFrame({"month": [f"{2014 + m // 12}-{m % 12 + 1:02d}" for m in range(months)]})
    rows = names.join(span, how="cross").join(
        pl.DataFrame({"product_id": list(ROLES), "role": list(ROLES.values())}), how="cross"
    )
    n = rows.height
    shares = rng.dirichlet([9, 1, 8, 0.5, 2, 0.3], n)
    parts = dict(
        zip(("useful", "over_build", "overspray", "flush_loss", "leftover", "not_split"), shares.T, strict=True)
    )
    solids = rng.uniform(900, 4000, n)
    grams = {"poured": solids} | {name: share * solids for name, share in parts.items()}
    columns = {
        f"{p}_{see}": by * grams[p]
        for p in LEDGER_PARTS
        for see, by in (("solids_g", 1.0), ("voc_g", 0.8), ("cost", 0.05))
    }
    columns["poured_solids_g"] = solids
    columns |= {f"{p}_solids_g_{end}": f * grams[p] for p in LANDING_PARTS for end, f in (("low", 0.9), ("high", 1.1))}
    ledger = rows.with_columns(
        mix_id=pl.format("m{}", pl.int_range(n)), job_id=pl.format("j{}", pl.int_range(n)), operation_no=pl.lit(1), te=pl.lit(0.58),
        grade=pl.lit("B"), rework=pl.lit(False), **{k: pl.Series(v) for k, v in columns.items()},
    )  # fmt: skip
    landed = ledger.select(
        "shop_id", "product_id", "role", period="month", g=pl.col("useful_solids_g") + pl.col("over_build_solids_g")
    )
    loads = pl.concat(
        landed.with_columns(direction=direction, landed_g=size * pl.col("g"), over_build_g=0.1 * size * pl.col("g"))
        for direction, size in ((pl.lit("area"), 0.05), (pl.format("gauge {}", "shop_id"), 0.04), (pl.lit("own"), 0.1))
    )
    used = names.join(span, how="cross").join(
        pl.DataFrame({"category": ["topcoat", "primer", "cleaning"]}), how="cross"
    )
    litres = rng.uniform(5, 40, used.height)
    emissions = used.with_columns(
        rts_l=pl.Series(litres), rts_kg=pl.Series(litres), voc_kg=pl.Series(0.4 * litres), exempt_kg=pl.lit(0.1), pm_kg=pl.lit(0.02),
        pm_kg_low=pl.lit(0.01), pm_kg_high=pl.lit(0.03), share_a=pl.lit(0.5), share_b=pl.lit(0.4), share_c=pl.lit(0.1), complete=pl.lit(True),
    )  # fmt: skip
    drawn = {"material_ledger": ledger, "total_loadings": loads, "emissions_monthly": emissions}
    for name in (
        "emission_lines",
        "voc_content_lines",
        "transfer_records",
    ):  # a row each where the real ones are millions
        drawn[name] = tables[name].head(1)
    return tables | {name: _full(name, frame) for name, frame in drawn.items()}


def _full(name: str, frame: pl.DataFrame) -> pl.DataFrame:
    """With every column of the table; not validated: that would take longer than all the rest."""
    infos = validate.columns(name)
    return frame.select(
        pl.col(i.name).cast(i.dtype) if i.name in frame.columns else pl.lit(None, dtype=i.dtype).alias(i.name)
        for i in infos
    )


def measured(browser: Any, folder: Path, page: str) -> dict[str, float]:
    tab = browser.new_context(viewport={"width": 1280, "height": 900}).new_page()
    tab.goto(f"file://{folder}/{page}", wait_until="commit")
    tab.wait_for_selector("html[data-awake]", state="attached", timeout=120_000)
    awake = tab.evaluate(TIMES)[1]
    tab.wait_for_selector("html[data-ready]", state="attached", timeout=120_000)
    paint, ready = tab.evaluate(TIMES)
    out = {"paint": paint, "awake": awake, "ready": ready}
    wire = tab.context.new_cdp_session(tab)
    wire.send("Performance.enable", {"timeDomain": "threadTicks"})

    def work() -> (
        float
    ):  # processor seconds of the page's thread: what another process takes of the clock does not show
        return next(
            float(m["value"]) for m in wire.send("Performance.getMetrics")["metrics"] if m["name"] == "TaskDuration"
        )

    for name in ("shop", "from", "role"):
        values = tab.evaluate("n => [...document.querySelectorAll(`select[name=${n}] option`)].map(o => o.value)", name)
        if values:
            draw = random.Random(3)
            each = []
            for _ in range(5):
                before = work()
                each.append((tab.evaluate(CHOOSE, [name, draw.choice(values[1:])]), work() - before))
            out[name], out[f"{name}, processor"] = (sorted(found)[2] for found in zip(*each, strict=True))
            tab.evaluate(CHOOSE, [name, ""])
    tab.context.close()
    return out


def main() -> None:
    shops, months = (int(a) for a in (*sys.argv[1:], 200, 120)[:2])
    from playwright.sync_api import sync_playwright

    began = time.time()
    files = build(grown(shops, months), SETTINGS)
    print(
        f"{shops} shops, {months} months: built in {time.time() - began:.0f} s, {sum(map(len, files.values())) / 1e6:.1f} MB in all"
    )
    sizes = ((name, len(content)) for name, content in files.items() if not name.startswith("rows_"))
    print("  " + ", ".join(f"{name} {size / 1e6:.2f} MB" for name, size in sorted(sizes, key=lambda x: -x[1])[:8]))
    found = next((p for n in ("chromium", "chromium-browser", "google-chrome") if (p := shutil.which(n))), None)
    if found is None:
        raise SystemExit("No Chromium on this machine: install the system package `chromium`.")
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as play:
        written(Path(folder), files)
        browser = play.chromium.launch(executable_path=found, args=["--no-sandbox", "--disable-gpu"])
        for page in PAGES:
            told = measured(browser, Path(folder), page)
            late = [
                k for k, v in told.items() if v > (PAINT if k == "paint" else CHOICE) and k not in ("awake", "ready")
            ]
            print(
                f"  {page}: "
                + ", ".join(f"{k} {v:.2f} s" for k, v in told.items())
                + (f"; over its bar: {', '.join(late)}" if late else "")
            )
        browser.close()


if __name__ == "__main__":
    main()
