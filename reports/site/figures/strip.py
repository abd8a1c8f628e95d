"""The strip: what was poured as a horizontal strip of 100, cut in the fixed order of theme.PARTS.

Drawn as SVG with widths in per cent, so that it fits any place from a table cell to the head of the page, prints
sharply and needs no script. Colours and hatchings are CSS classes; the patterns stand once in templates/base.html.
"""

from __future__ import annotations

from markupsafe import Markup

from reports.site.page_sums import Sums
from reports.site.theme import PARTS
from reports.wording import phrase, plain


def shares(sums: Sums, see: str = "solids") -> dict[str, float]:
    """Each part as a share of what was poured, 0-1; they add up to 1 (ledger closure). Nothing poured: empty."""
    poured = sums.get(f"poured.{see}", 0.0)
    if poured <= 0:
        return {}
    return {part.key: max(0.0, sums[f"{part.key}.{see}"]) / poured for part in PARTS}


def spoken(parts: dict[str, float]) -> str:
    """The strip in words, for a screen reader."""
    if not parts:
        return "nothing poured"
    return ", ".join(f"{p.word} {phrase(parts[p.key], 'per100')}" for p in PARTS if parts[p.key] > 0) + " of 100 poured"


def strip(parts: dict[str, float], css: str = "strip") -> Markup:
    """The strip as SVG. Rectangles in the fixed order, each with a title; an empty strip is an outline."""
    out = [
        Markup('<svg class="{}" role="img" aria-label="{}" data-strip width="100%" height="100%">').format(
            css, spoken(parts)
        )
    ]
    x = 0.0
    for part in PARTS:
        width = 100 * parts.get(part.key, 0.0)
        for layer in ("fill", "hatch") if part.pattern else ("fill",):
            out.append(
                Markup('<rect class="{}-{}" data-part="{}" x="{}%" y="0" width="{}%" height="100%">{}</rect>').format(
                    layer,
                    part.key.replace("_", "-"),
                    part.key,
                    plain(x, 2),
                    plain(width, 2),
                    Markup("<title>{}</title>").format(f"{part.word} {phrase(width / 100, 'per100')} of 100"),
                )
            )
        x += width
    out.append(Markup("</svg>"))
    return Markup("").join(out)
