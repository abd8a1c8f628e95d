"""How the pages look: every colour bound to its meaning, once, and the plotly template made from it.

Here belong colours (for a light and a dark ground), the parts of the ledger with their words, order and hatching, and
the template of the figures. Not here: sizes and spacing of the page (static/style.css), the wording of numbers
(wording.py).

Figures are always made with the light colours; the page's script swaps each for its dark counterpart by meaning, so a
figure may use only colours of this module (a test keeps it so). Hues of the ledger's parts follow Okabe and Ito's set
for colour-vision deficiency (2008, https://jfly.uni-koeln.de/color/), darkened on the light ground where that is
needed for 3:1 against it (WCAG 2.2, 1.4.11).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import plotly.graph_objects as go

SANS = "system-ui, -apple-system, 'Segoe UI', 'Noto Sans', 'DejaVu Sans', sans-serif"


@dataclass(frozen=True, slots=True)
class Part:
    """One part of what was poured: its key in the ledger's columns, its word, and what it means in one line."""

    key: str
    word: str
    meaning: str
    pattern: str  # plotly's pattern shape, "" = plain
    leaves_at: float  # how far from cup (0) to useful film (4) it got


# The fixed order of the strip. It never changes, on no page.
PARTS: tuple[Part, ...] = (
    Part("useful", "useful film", "landed, up to the data sheet's greatest film", "", 4.55),
    Part("over_build", "over-build", "landed above the data sheet's greatest film", "|", 3.55),
    Part("overspray", "overspray", "left the gun and missed the panel", ".", 2.5),
    Part("flush_loss", "flush loss", "stayed in cup and gun passages, left with the cleaning solvent", "-", 1.56),
    Part("leftover", "leftover", "weighed back from the cup", "", 0.84),
    Part("not_split", "not split", "its way is not known", "/", 0.5),
)

# meaning -> (on light paper, on dark slate)
COLOURS: dict[str, tuple[str, str]] = {
    "paper": ("#f7f2e7", "#1b2229"),
    "raised": ("#efe8d8", "#252e37"),
    "ink": ("#22272c", "#ece6d9"),
    "muted": ("#5d5a52", "#b3b0a6"),
    "line": ("#cfc6b2", "#46525d"),
    "band": ("#8a8475", "#727d87"),
    "link": ("#1f4f7a", "#9cc7ec"),
    "useful": ("#008f68", "#1aab81"),
    "over_build": ("#b85f91", "#cc79a7"),
    "overspray": ("#c85600", "#e06a0c"),
    "flush_loss": ("#3388bd", "#56b4e9"),
    "leftover": ("#0069a6", "#2b82c4"),
    "not_split": ("#757069", "#a09b90"),
    # Sources of emissions and states of rows are no parts of the ledger: they stay in ink, told apart by hatching.
    "source_coating": ("#4a4f55", "#c9c4b7"),
    "source_other": ("#6a6e70", "#a8a69d"),
    "limit": ("#23272d", "#ebe5d8"),
}

# What the sources of emissions are called, with their hatching (never colour alone).
SOURCES: tuple[tuple[str, str, str, str], ...] = (
    ("coating", "coatings sprayed or thrown away", "source_coating", ""),
    ("cleaning", "cleaning", "source_other", "-"),
    ("surface_prep", "surface preparation", "source_other", "\\"),
    ("unscaled", "used without a scale", "source_other", "."),
    ("unmapped", "no category known", "source_other", "x"),
    ("waste", "documented waste, taken off", "source_other", "/"),
)


def light(name: str) -> str:
    return COLOURS[name][0]


def dark(name: str) -> str:
    return COLOURS[name][1]


def swap() -> dict[str, str]:
    """Light colour -> dark colour, what the page's script needs to turn a figure to the dark ground."""
    return {pair[0]: pair[1] for pair in COLOURS.values()}


def css_variables(ground: int) -> str:
    """The colours as CSS custom properties; ground 0 = light, 1 = dark."""
    return "".join(f"--{name.replace('_', '-')}:{pair[ground]};" for name, pair in COLOURS.items())


def template() -> go.layout.Template:
    """The template that all figures share: no frame, few lines, text as large as the page's."""
    axis: dict[str, Any] = {
        "showgrid": False,
        "zeroline": False,
        "linecolor": light("muted"),
        "tickcolor": light("muted"),
        "tickfont": {"color": light("muted"), "size": 14},
        "title": {"font": {"color": light("ink"), "size": 15}, "standoff": 10},
        "automargin": True,
        "fixedrange": True,
    }
    return go.layout.Template(
        layout={
            "font": {"family": SANS, "size": 15, "color": light("ink")},
            "paper_bgcolor": "rgba(0,0,0,0)",
            "plot_bgcolor": "rgba(0,0,0,0)",
            "xaxis": axis,
            "yaxis": axis,
            "margin": {"l": 8, "r": 8, "t": 8, "b": 8},
            "showlegend": False,
            "dragmode": False,
            "hoverlabel": {
                "bgcolor": light("raised"),
                "bordercolor": light("muted"),
                "font": {"family": SANS, "size": 14, "color": light("ink")},
                "align": "left",
            },
            "hovermode": "closest",
        }
    )


def channels(colour: str) -> tuple[float, float, float]:
    """Linear-light red, green, blue in 0-1 of an #rrggbb colour (IEC 61966-2-1, as WCAG 2.2 uses it)."""
    out = []
    for at in (1, 3, 5):
        c = int(colour[at : at + 2], 16) / 255
        out.append(c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4)
    return out[0], out[1], out[2]


def contrast(one: str, other: str) -> float:
    """Contrast ratio of two #rrggbb colours, 1 to 21 (WCAG 2.2, definition of contrast ratio)."""

    def luminance(colour: str) -> float:
        red, green, blue = channels(colour)
        return 0.2126 * red + 0.7152 * green + 0.0722 * blue

    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)
