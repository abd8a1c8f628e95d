"""A panel in nine places: film there over the panel's mean, in per cent apart from it.

Drawn in tints of ink (the ledger's colours mean parts of a cup); every place carries its number, and a frame where its
whole 95 % interval lies apart from the mean. Row 1 is the upper edge.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from markupsafe import Markup

from reports.wording import plain

WIDE, HIGH = 62, 34
STRONGEST = 0.25  # this far from the mean, and farther, has the strongest tint


def words(relative: float) -> str:
    """ "+8", "−6", "0": per cent apart from the panel's mean."""
    value = round(100 * (relative - 1))
    return f"+{value}" if value > 0 else (f"\u2212{-value}" if value < 0 else "0")


def apart(low: float | None, high: float | None) -> bool:
    return low is not None and high is not None and (low > 1 or high < 1)


def heat(places: Sequence[dict[str, Any]]) -> Markup:
    """`places`: rows of panel_heat of one technician and role (row, col, relative_film, low, high)."""
    said = "; ".join(
        f"row {p['row']} place {p['col']}: {words(p['relative_film'])} %"
        for p in places
        if p["relative_film"] is not None
    )
    out = [
        Markup('<svg class="heat" role="img" aria-label="{}" viewBox="0 0 {} {}" width="{}" height="{}">').format(
            f"film apart from the panel's mean, {said}", 3 * WIDE, 3 * HIGH, 3 * WIDE, 3 * HIGH
        )
    ]
    for p in places:
        x, y = (p["col"] - 1) * WIDE, (p["row"] - 1) * HIGH
        value = p["relative_film"]
        strength = min(1.0, abs(value - 1) / STRONGEST) if value is not None else 0.0
        out.append(
            Markup('<rect class="place" x="{}" y="{}" width="{}" height="{}" fill-opacity="{}"/>').format(
                x, y, WIDE, HIGH, plain(0.9 * strength, 2)
            )
        )
        if apart(p["low"], p["high"]):
            out.append(
                Markup('<rect class="apart" x="{}" y="{}" width="{}" height="{}"/>').format(
                    x + 2, y + 2, WIDE - 4, HIGH - 4
                )
            )
        out.append(
            Markup('<text x="{}" y="{}">{}</text>').format(
                x + WIDE // 2, y + 22, "–" if value is None else words(value)
            )
        )
    out.append(Markup("</svg>"))
    return Markup("").join(out)
