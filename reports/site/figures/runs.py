"""The runs: the strip opened up. Each part hangs down from the strip as far as that material got, from cup to film.

Leftover ends in the cup, flush loss in the gun, overspray past the panel, over-build on the panel, useful film as film.
Widths are shares of 100 poured, so the strip on top is the strip of every other page. The 95 % interval is drawn at the
foot of each run whose width is estimated, from its own left edge, so that it reads as the part's figure does.
"""

from __future__ import annotations

from typing import Any

import plotly.graph_objects as go

from reports.site.figures.strip import shares
from reports.site.page_sums import Sums
from reports.site.theme import PARTS, light, template
from reports.wording import phrase

TOP = 0.34  # depth of the strip on top, in stations
STATIONS = (
    (1.32, "left the cup"),
    (2.1, "left the gun"),
    (3.15, "on the panel"),
    (4.3, "as film the<br>sheet asks for"),
)
DEPTH = 5.15
HEIGHT = 620


def geometry(sums: Sums, see: str) -> dict[str, dict[str, Any]]:
    """Per part: left edge, width (both of 100), foot, label and the interval's ends on the x axis (or None)."""
    parts = shares(sums, see)
    poured = sums.get(f"poured.{see}", 0.0)
    out: dict[str, dict[str, Any]] = {}
    left = 0.0
    for part in PARTS:
        width = 100 * parts.get(part.key, 0.0)
        low, high = sums.get(f"{part.key}.{see}.low"), sums.get(f"{part.key}.{see}.high")
        ends = None
        label = phrase(width / 100, "per100")
        if low is not None and high is not None and poured > 0 and width > 0:
            low, high = 100 * low / poured, 100 * high / poured
            label = phrase(width / 100, "per100", low / 100, high / 100)
            ends = (left + low, left + high)
        out[part.key] = {"left": left, "width": width, "label": label, "ends": ends}
        left += width
    return out


def runs(sums: Sums, see: str) -> go.Figure:
    """The figure. Trace order: strip and run of each part, then the intervals; one annotation a part, then the
    stations.
    """
    shape = geometry(sums, see)
    figure = go.Figure(layout={"template": template()})
    annotations = []
    outlines = []
    whisker_x: list[float | None] = []
    whisker_y: list[float | None] = []
    for part in PARTS:
        g = shape[part.key]
        colour = light(part.key)
        pattern = {"shape": part.pattern, "fgcolor": light("paper"), "bgcolor": colour, "size": 7, "solidity": 0.28}
        middle = g["left"] + g["width"] / 2
        for base, foot, opacity in ((0.0, TOP, 1.0), (TOP, part.leaves_at, 0.42)):
            figure.add_bar(
                x=[middle],
                y=[foot - base],
                base=[base],
                width=[g["width"]],
                marker={
                    "color": colour,
                    "pattern": pattern,
                    "line": {"color": colour if base else light("paper"), "width": 1.5},
                    "opacity": opacity,
                    "cornerradius": 0 if not base else 7,
                },
                hovertemplate=f"{part.word}<br>{part.meaning}<extra></extra>",
            )
        outlines.append(
            {
                "type": "rect",
                "x0": g["left"],
                "x1": g["left"] + g["width"],
                "y0": 0,
                "y1": part.leaves_at,
                "visible": g["width"] > 0,
                "line": {"color": colour, "width": 1.5},
            }
        )
        if g["ends"]:
            y = part.leaves_at + 0.1
            low, high = g["ends"]
            whisker_x += [low, low, None, low, high, None, high, high, None]
            whisker_y += [y - 0.07, y + 0.07, None, y, y, None, y - 0.07, y + 0.07, None]
        annotations.append(
            {
                "x": g["left"],
                "y": part.leaves_at + (0.22 if g["ends"] else 0.06),
                "text": f"<b>{part.word}</b> {g['label']}",
                "showarrow": False,
                "xanchor": "left",
                "yanchor": "top",
                "align": "left",
                "visible": g["width"] > 0,
                "font": {"size": 16},
            }
        )
    figure.add_scatter(
        x=whisker_x, y=whisker_y, mode="lines", line={"color": light("ink"), "width": 2}, hoverinfo="skip"
    )
    for depth, word in STATIONS:
        annotations.append(
            {
                "xref": "paper",
                "x": 1,
                "xshift": 8,
                "y": depth,
                "text": word,
                "showarrow": False,
                "xanchor": "left",
                "yanchor": "middle",
                "align": "left",
                "font": {"size": 14, "color": light("muted")},
            }
        )
    figure.update_layout(
        barmode="overlay",
        height=HEIGHT,
        margin={"l": 8, "r": 116, "t": 30, "b": 4},
        annotations=annotations,
        xaxis={
            "range": [0, 100],
            "side": "top",
            "tickvals": [0, 25, 50, 75, 100],
            "ticktext": ["0", "25", "50", "75", "100 poured"],
            "ticks": "outside",
            "ticklen": 5,
        },
        yaxis={"range": [DEPTH, 0], "visible": False},
        shapes=outlines
        + [
            {
                "type": "line",
                "xref": "paper",
                "x0": 0,
                "x1": 1,
                "y0": depth,
                "y1": depth,
                "layer": "below",
                "line": {"color": light("line"), "width": 1, "dash": "dot"},
            }
            for depth, _ in STATIONS
        ],
    )
    return figure
