"""Transfer efficiency over the months with its 95 % band, as a drawing that needs no script."""

from __future__ import annotations

from typing import Any

from markupsafe import Markup

from reports import wording

WIDTH, HEIGHT, LEFT, FOOT = 440, 150, 44, 24


def trend(rows: list[dict[str, Any]]) -> Markup:
    """SVG of rows with `period` (in order), `te`, `te_low`, `te_high` in 0-1; the axis runs from 0 to 100 %."""
    known = [r for r in rows if wording.known(r["te"])]
    if len(known) < 2:
        return Markup("")
    step = (WIDTH - LEFT - 8) / (len(rows) - 1)
    at = {r["period"]: LEFT + i * step for i, r in enumerate(rows)}

    def y(share: float) -> float:
        return 6 + (HEIGHT - FOOT - 6) * (1 - min(max(share, 0.0), 1.0))

    def path(points: list[tuple[float, float]]) -> str:
        return " ".join(f"{a:.1f},{b:.1f}" for a, b in points)

    ended = [r for r in known if wording.known(r["te_low"]) and wording.known(r["te_high"])]  # the band is of these
    upper = [(at[r["period"]], y(r["te_high"])) for r in ended]
    lower = [(at[r["period"]], y(r["te_low"])) for r in ended]
    first, last = known[0], known[-1]
    said = "; ".join(
        f"{wording.month_word(r['period'])}: {wording.phrase(r['te'], 'share', r['te_low'], r['te_high'])}"
        for r in (first, last)
    )
    out = [
        Markup('<svg class="trend" role="img" aria-label="{}" viewBox="0 0 {} {}">').format(said, WIDTH, HEIGHT),
        *(
            Markup('<line class="grid" x1="{}" x2="{}" y1="{}" y2="{}"/><text x="{}" y="{}" text-anchor="end">{}</text>').format(
                LEFT, WIDTH - 8, f"{y(v):.1f}", f"{y(v):.1f}", LEFT - 6, f"{y(v) + 4:.1f}", f"{100 * v:.0f}"
            )
            for v in (0, 0.5, 1)
        ),
        Markup('<polygon class="band" points="{}"/>').format(path(upper + lower[::-1])),
        Markup('<polyline class="edge" points="{}"/><polyline class="edge" points="{}"/>').format(path(upper), path(lower)),
        Markup('<polyline class="middle" points="{}"/>').format(path([(at[r["period"]], y(r["te"])) for r in known])),
        *(
            Markup('<circle cx="{}" cy="{}" r="3"/>').format(f"{at[r['period']]:.1f}", f"{y(r['te']):.1f}") for r in known
        ),
        Markup('<text x="{}" y="{}">{}</text>').format(LEFT, HEIGHT - 6, wording.month_word(rows[0]["period"])),
        Markup('<text x="{}" y="{}" text-anchor="end">{}</text></svg>').format(
            WIDTH - 8, HEIGHT - 6, wording.month_word(rows[-1]["period"])
        ),
    ]  # fmt: skip
    return Markup("").join(out)
