"""What every figure carries besides its drawing.

A figure's drawing is made here in Python for all data. Its `kind` names the function of static/site.js that redraws it
from the embedded amounts when the reader filters, with the same rules; a browser test compares the two for all data.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from typing import Any

import plotly.graph_objects as go
from markupsafe import Markup

from reports.site.figures.still import still
from reports.site.listing import Listing


@dataclass(slots=True)
class Figure:
    """`key` makes every id of the figure; `finding` is its visible one-sentence result; `how` names a block of
    templates/how.html; `units` maps an axis ("x", "y") to the kind of quantity it shows; `spec` is what the script
    needs.
    """

    key: str
    title: str
    finding: Markup
    plot: go.Figure
    kind: str
    how: str
    data: Listing | None = None
    behind: str = ""
    units: dict[str, dict[str, str]] = field(default_factory=dict)
    spec: dict[str, Any] = field(default_factory=dict)

    def still(self) -> Markup:
        """The drawing as an image, for readers without script."""
        return still(self.plot, self.title)

    def embedded(self) -> Markup:
        """The drawing as JSON, safe inside a script element; the shared template is left out (it is embedded once)."""
        plot = self.plot.to_plotly_json()
        plot["layout"].pop("template", None)
        whole = {"kind": self.kind, "plot": plot, "units": self.units, "spec": self.spec}
        return Markup(safe_json(whole))


def safe_json(value: Any) -> str:
    """Compact JSON, keys sorted, no character that could end a script element or a line of script."""
    text = json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False, default=_list)
    for char, code in (
        ("<", "\\u003c"),
        (">", "\\u003e"),
        ("&", "\\u0026"),
        ("\u2028", "\\u2028"),
        ("\u2029", "\\u2029"),
    ):
        text = text.replace(char, code)
    return text


def _list(value: Any) -> Any:
    if hasattr(value, "tolist"):
        return value.tolist()
    if isinstance(value, tuple):
        return list(value)
    raise TypeError(f"{type(value).__name__} cannot stand in a figure")


def drawn_text(text: str) -> str:
    """Text from a shop's data for a label inside a drawing, where plotly would read <b> or <a> as markup."""
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
