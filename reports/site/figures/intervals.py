"""Intervals: one row a gun, technician or pair, a point on a pale band for 95 %, its words beside the band.

Rows stand in the order of their ids, never by the estimate. What cannot be told apart is one hollow, joined mark with
both names; a row without an estimate says "not enough jobs" and is drawn as a faint line.
"""

from __future__ import annotations

import re
from collections.abc import Collection
from typing import Any

import plotly.graph_objects as go

from reports.site.figures.figure import drawn_text
from reports.site.theme import light, template
from reports.wording import standing
from schemas.published import TRANSFER_LINE

ROW = 34  # px a row, wide; on narrow screens the words stand above the band and a row takes NARROW_ROW (site.js)
HEAD = 44
CHARACTER = 8.4  # px a character of the words takes, on the wide side


def words_width(rows: list[dict[str, Any]]) -> float:
    """Room left of the bands for the longest row of words, px."""
    longest = max((len(re.sub(r"<[^>]*>", "", row_label(row))) for row in rows), default=0)
    return min(640, max(240, CHARACTER * longest + 12))


def row_label(row: dict[str, Any]) -> str:
    """The words beside a row's band."""
    name = drawn_text(row["name"])
    words = standing(row["v"], row["lo"], row["hi"], row["n"], row["grade"])
    if row["joined"] and not row["typical"]:
        return f"<b>{name}</b> together with {drawn_text(row['joined'])}: {words}"
    return f"<b>{name}</b>  {words}"


def layout(rows: list[dict[str, Any]], held: Collection[str]) -> dict[str, Any]:
    """Everything of the layout that depends on the rows (the script repeats it, and knows a narrow form)."""
    annotations = [
        {
            "x": 0,
            "xref": "paper",
            "xshift": -words_width(rows),
            "y": at + 0.5,
            "text": row_label(row),
            "showarrow": False,
            "xanchor": "left",
            "yanchor": "middle",
            "align": "left",
            "font": {"size": 15, "color": light("muted" if row["v"] is None or row["typical"] else "ink")},
        }
        for at, row in enumerate(rows)
    ]
    shapes = [
        {
            "type": "line",
            "x0": 100 * TRANSFER_LINE,
            "x1": 100 * TRANSFER_LINE,
            "y0": first,
            "y1": end,
            "line": {"color": light("limit"), "width": 1.5, "dash": "dash"},
        }
        for first, end in stretches(rows, held)
    ]
    for at in range(len(rows)):
        shapes.append(
            {
                "type": "line",
                "x0": 0,
                "x1": 100,
                "y0": at + 0.5,
                "y1": at + 0.5,
                "layer": "below",
                "line": {"color": light("line"), "width": 1},
            }
        )
    return {
        "annotations": annotations,
        "shapes": shapes,
        "height": HEAD + ROW * max(1, len(rows)) + 8,
        "yaxis": {"range": [max(1, len(rows)), 0], "visible": False},
    }


def points(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """x and y of the traces: band, ends of the band, points told apart, points joined, typical of the shop."""
    band: dict[str, list[float | None]] = {"x": [], "y": []}
    ends: dict[str, list[float | None]] = {"x": [], "y": []}
    kinds: list[dict[str, list[float | None]]] = [{"x": [], "y": []} for _ in range(3)]
    for at, row in enumerate(rows):
        y = at + 0.5
        if row["v"] is None:
            continue
        if row["lo"] is not None and row["hi"] is not None:
            band["x"] += [_pct(row["lo"]), _pct(row["hi"]), None]
            band["y"] += [y, y, None]
            for end in ("lo", "hi"):
                ends["x"].append(_pct(row[end]))
                ends["y"].append(y)
        kind = kinds[2 if row["typical"] else (1 if row["joined"] else 0)]
        kind["x"].append(_pct(row["v"]))
        kind["y"].append(y)
    return [band, ends, *kinds]


def stretches(rows: list[dict[str, Any]], held: Collection[str]) -> list[tuple[int, int]]:
    """(first, end) of each run of rows whose shops are `held`: where the line at 65 % is drawn."""
    out: list[tuple[int, int]] = []
    for at, row in enumerate(rows):
        if row["shop"] in held:
            joins = bool(out) and out[-1][1] == at
            out[-1 if joins else len(out) :] = [(out[-1][0] if joins else at, at + 1)]
    return out


def _ticks(line_65: bool) -> list[float]:
    return sorted([0, 25, 50, 75, 100, *([100 * TRANSFER_LINE] if line_65 else [])])


def _pct(value: float) -> float:
    return round(100 * value, 3)


def intervals(rows: list[dict[str, Any]], *, held: Collection[str] = ()) -> go.Figure:
    """`rows` as page_sums.transfer_rows gives them, with `typical` set on the shop's own row; beside the rows of shops in `held`
    stands a line at 65 %.
    """
    line_65 = bool(stretches(rows, held))
    band, ends, *kinds = points(rows)
    figure = go.Figure(layout={"template": template()})
    figure.add_scatter(**band, mode="lines", line={"color": light("band"), "width": 9}, hoverinfo="skip")
    figure.add_scatter(
        **ends,
        mode="markers",
        marker={
            "symbol": "line-ns",
            "size": 14,
            "line": {"width": 2, "color": light("muted")},
            "color": light("muted"),
        },
        hovertemplate="end of the 95 % interval: %{x:.0f} %<extra></extra>",
    )
    marks = (
        {"symbol": "circle", "size": 12, "color": light("ink")},
        {"symbol": "circle", "size": 12, "color": light("paper"), "line": {"width": 2.5, "color": light("ink")}},
        {"symbol": "diamond", "size": 12, "color": light("muted")},
    )
    for kind, mark in zip(kinds, marks, strict=True):
        figure.add_scatter(**kind, mode="markers", marker=mark, hovertemplate="%{x:.0f} %<extra></extra>")
    figure.update_layout(
        margin={"l": words_width(rows), "r": 62, "t": HEAD, "b": 8},
        xaxis={
            "range": [0, 100],
            "side": "top",
            "tickvals": _ticks(line_65),
            "ticktext": ["100 % landed" if tick == 100 else f"{tick:g}" for tick in _ticks(line_65)],
            "ticks": "outside",
        },
        **layout(rows, held),
    )
    return figure
