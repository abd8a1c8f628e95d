"""Emissions by month: columns cut by source, in ink and hatching (sources are no parts of the ledger and wear none of
its colours); documented waste hangs below the line; months that lack something are marked.
"""

from __future__ import annotations

from typing import Any

import plotly.graph_objects as go

from reports.site.page_sums import PageSums
from reports.site.theme import SOURCES, light, template

_APART = {key for key, *_ in SOURCES if key != "coating"}


def source_of(category: str) -> str:
    """Which source a category of emissions_monthly belongs to: every category of coatings is `coating`."""
    return category if category in _APART else "coating"


def monthly(amounts: PageSums, months: list[str], measure: str) -> dict[str, Any]:
    """Per source the measure's value in each of `months`, and which months lack something."""
    at = {m: i for i, m in enumerate(months)}
    values = {key: [0.0] * len(months) for key, *_ in SOURCES}
    lacking = [False] * len(months)
    for row in amounts.frame.iter_rows(named=True):
        i = at[row["month"]]
        values[source_of(row["category"])][i] += row[measure]
        lacking[i] = lacking[i] or row["incomplete"] > 0
    return {"values": {k: [round(v, 4) for v in vs] for k, vs in values.items()}, "lacking": lacking}


def ticks_every(months: int, room: int) -> int:
    """Every how many months the axis names one, with room for `room` names."""
    return max(1, -(-months // room))


def emissions(
    amounts: PageSums, months: list[str], measure: str = "voc", unit: str = "kg", noun: str = "VOC"
) -> go.Figure:
    """One trace a source in the order of theme.SOURCES, then the marks of months that lack something."""
    shown = monthly(amounts, months, measure)
    figure = go.Figure(layout={"template": template()})
    x = [f"{m}-15" for m in months]
    for key, word, colour, pattern in SOURCES:
        figure.add_bar(
            x=x,
            y=[value or None for value in shown["values"][key]],
            name=word,
            marker={
                "color": light(colour),
                "pattern": {
                    "shape": pattern,
                    "fgcolor": light("paper"),
                    "bgcolor": light(colour),
                    "size": 7,
                    "solidity": 0.35,
                },
                "line": {"color": light("paper"), "width": 1},
            },
            hovertemplate=f"{word}, %{{x|%B %Y}}: %{{y:.1f}}<extra></extra>",
            visible=any(shown["values"][key]),
        )
    tops = [sum(max(0.0, shown["values"][k][i]) for k, *_ in SOURCES) for i in range(len(months))]
    lacking = [i for i, missing in enumerate(shown["lacking"]) if missing]
    figure.add_scatter(
        x=[x[i] for i in lacking],
        y=[tops[i] for i in lacking],
        mode="markers+text",
        marker={
            "symbol": "triangle-up-open",
            "size": 11,
            "color": light("ink"),
            "line": {"width": 2, "color": light("ink")},
        },
        text=["" for _ in lacking],
        cliponaxis=False,
        hovertemplate="%{x|%B %Y} is incomplete<extra></extra>",
    )
    figure.update_layout(
        barmode="relative",
        bargap=0.25,
        height=420,
        margin={"l": 8, "r": 8, "t": 44, "b": 8},
        xaxis={"type": "date", "tickformat": "%b<br>%Y", "ticks": "", "tickvals": x[:: ticks_every(len(x), 16)]},
        yaxis={
            "title": {"text": ""},
            "showgrid": True,
            "gridcolor": light("line"),
            "zeroline": True,
            "zerolinecolor": light("ink"),
            "rangemode": "tozero",
            "nticks": 6,
        },
        annotations=[
            {
                "xref": "paper",
                "yref": "paper",
                "x": 0,
                "y": 1,
                "yshift": 12,
                "xanchor": "left",
                "yanchor": "bottom",
                "showarrow": False,
                "text": f"{noun} a month, {unit}",
                "font": {"size": 15},
            }
        ],
    )
    return figure
