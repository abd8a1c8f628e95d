"""A figure as an image for readers without script: SVG of what the pages' figures are made of.

Here belong bars, lines, markers, annotations, straight shapes and the two axes, as the modules beside this one set them; what
they do not use is not drawn. Colours are the stylesheet's, so that the image follows the ground.
"""

from __future__ import annotations

import re
from typing import Any

import plotly.graph_objects as go
from markupsafe import Markup

from reports.site.theme import COLOURS, PARTS
from reports.wording import MONTHS, plain

WIDTH = 1000
_NAMES = {pair[0]: name for name, pair in COLOURS.items()}
_HATCH = {part.pattern: part.key.replace("_", "-") for part in PARTS if part.pattern} | {
    "\\": "not-split",
    "x": "overspray",
}
_MARKS = {"circle": "M-5,0a5,5 0 1 0 10,0a5,5 0 1 0 -10,0z", "diamond": "M0,-7L7,0L0,7L-7,0z", "line-ns": "M0,-7V7",
          "triangle-up-open": "M-6,5L0,-6L6,5z"}  # fmt: skip


def still(figure: go.Figure, label: str) -> Markup:
    """The figure as SVG, WIDTH wide and as high as its layout says; `label` is read aloud."""
    plot = figure.to_plotly_json()
    layout = plot["layout"]
    height, margin = layout["height"], layout["margin"]
    left, top, right, foot = margin["l"], margin["t"], WIDTH - margin["r"], height - margin["b"]
    dates = sorted({x for t in plot["data"] for x in t.get("x") or () if isinstance(x, str)})
    if dates:
        left, foot = left + 60, foot - 40
    x0, x1 = (-0.5, len(dates) - 0.5) if dates else layout["xaxis"]["range"]
    y0, y1 = layout["yaxis"].get("range") or _reach(plot["data"])

    def x(v: Any) -> Any:
        return left + (right - left) * ((dates.index(v) if isinstance(v, str) else float(v)) - x0) / (x1 - x0)

    def y(v: float) -> Any:
        return foot - (foot - top) * (v - y0) / (y1 - y0)

    out = [f'<svg class="still" role="img" aria-label="{{}}" viewBox="0 0 {WIDTH} {height}">']
    for shape in layout.get("shapes") or ():
        if shape.get("visible") is False:
            continue
        at = [left, right] if shape.get("xref") == "paper" else [x(shape["x0"]), x(shape["x1"])]
        up, down = y(shape["y0"]), y(shape["y1"])
        corners = [(at[1], up), (at[1], down), (at[0], down), (at[0], up)]
        out.append(_line([(at[0], up), *(corners if shape["type"] == "rect" else [(at[1], down)])], shape["line"]))
    piled: dict[Any, list[float]] = {}
    for trace in plot["data"]:
        if trace.get("visible") is False:
            continue
        out += _bars(trace, x, y, piled, 0.75) if trace["type"] == "bar" else _points(trace, x, y)
    axis = layout["xaxis"]
    above = axis.get("side") == "top"
    for n, v in enumerate(axis.get("tickvals") or ()):
        word = axis["ticktext"][n] if axis.get("ticktext") else f"{MONTHS[int(v[5:7]) - 1][:3]} {v[:4]}"
        out.append(_word(x(v), top - 10 if above else foot + 18, word, 13, "muted", "middle"))
    if dates:
        out.append(_line([(left, y(0)), (right, y(0))], {"color": COLOURS["ink"][0]}))
        out += [_word(left - 8, y(v) + 4, plain(v, 0 if y1 >= 10 else 2), 13, "muted", "end") for v in (0, y1 / 2, y1)]
    for note in layout.get("annotations") or ():
        if note.get("visible") is False:
            continue
        font = note.get("font") or {}
        size = font.get("size", 14)
        at_x = (left + (right - left) * note["x"] if note.get("xref") == "paper" else x(note["x"])) + note.get(
            "xshift", 0
        )
        at_y = (top if note.get("yref") == "paper" else y(note["y"])) - note.get("yshift", 0)
        at_y += {"top": size, "middle": size / 3}.get(note.get("yanchor", "middle"), 0)
        for n, part in enumerate(note["text"].split("<br>")):
            out.append(
                _word(at_x, at_y + 1.2 * size * n, part, size, _NAMES.get(str(font.get("color")), "ink"), "start")
            )
    return Markup("\n".join([*out, "</svg>"])).format(label)


def _reach(traces: list[dict[str, Any]]) -> tuple[float, float]:
    """Least and greatest of bars piled up, with 0."""
    up: dict[Any, float] = {}
    down: dict[Any, float] = {}
    for t in (t for t in traces if t["type"] == "bar"):
        for at, v in zip(t["x"], t["y"], strict=True):
            pile = up if (v or 0) > 0 else down
            pile[at] = pile.get(at, 0.0) + (v or 0)
    return min(0.0, *down.values(), 0.0), max(0.0, *up.values(), 0.0) or 1.0


def _bars(trace: dict[str, Any], x: Any, y: Any, piled: dict[Any, list[float]], part: float) -> list[str]:
    marker, out = trace["marker"], []
    own = trace.get("width")
    for n, (at, v) in enumerate(zip(trace["x"], trace["y"], strict=True)):
        if not v:
            continue
        if own is not None:
            ends = x(at - own[n] / 2), x(at + own[n] / 2)
            base = trace["base"][n]
        else:
            half = part * (x(1) - x(0)) / 2
            ends = x(at) - half, x(at) + half
            pile = piled.setdefault(at, [0.0, 0.0])
            base = pile[v < 0]
            pile[v < 0] += v
        high, low = sorted((y(base), y(base + v)))
        box = f'x="{ends[0]:.1f}" y="{high:.1f}" width="{max(ends[1] - ends[0], 0):.1f}" height="{low - high:.1f}"'
        out.append(f'<rect {box} fill="{_var(marker["color"])}" opacity="{marker.get("opacity", 1)}"/>')
        if hatch := _HATCH.get(str((marker.get("pattern") or {}).get("shape"))):
            out.append(f'<rect {box} fill="url(#hatch-{hatch})"/>')
    return out


def _points(trace: dict[str, Any], x: Any, y: Any) -> list[str]:
    out, run = [], []
    for a, b in [*zip(trace["x"] or (), trace["y"] or (), strict=True), (None, None)]:
        if a is not None and b is not None:
            run.append((x(a), y(b)))
            continue
        if "lines" in trace["mode"] and len(run) > 1:
            out.append(_line(run, trace["line"]))
        elif "markers" in trace["mode"]:
            mark = trace["marker"]
            edge = mark.get("line") or {}
            fill = "none" if mark["symbol"].endswith(("-open", "-ns")) else _var(mark["color"])
            stroke = f' stroke="{_var(edge["color"])}" stroke-width="{edge["width"]}"' if edge else ""
            out += [
                f'<path d="{_MARKS[mark["symbol"]]}" transform="translate({p:.1f} {q:.1f})" fill="{fill}"{stroke}/>'
                for p, q in run
            ]
        run = []
    return out


def _line(points: list[tuple[float, float]], line: dict[str, Any]) -> str:
    dash = {"dash": ' stroke-dasharray="6 4"', "dot": ' stroke-dasharray="2 4"'}.get(line.get("dash") or "", "")
    path = "L".join(f"{a:.1f},{b:.1f}" for a, b in points)
    return f'<path d="M{path}" fill="none" stroke="{_var(line["color"])}" stroke-width="{line.get("width", 1)}"{dash}/>'


def _word(x: float, y: float, text: str, size: float, colour: str, anchor: str) -> str:
    """Text whose only markup is plotly's <b>; what comes from a shop is escaped already (figure.drawn_text)."""
    said = (
        re.sub(r"<(/?)b>", lambda m: "</tspan>" if m[1] else '<tspan font-weight="600">', text)
        .replace("{", "{{")
        .replace("}", "}}")
    )
    return f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size}" fill="var(--{colour.replace("_", "-")})" text-anchor="{anchor}">{said}</text>'


def _var(colour: str) -> str:
    return f"var(--{_NAMES[colour].replace('_', '-')})"
