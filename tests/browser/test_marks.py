"""Marks of drawings against the ground behind them, as Chromium paints them: WCAG 2.2, 1.4.11 asks for 3:1."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from reports.site import theme

#: what is drawn in figures and small drawings: class, box, colours with their strength; guide lines and labels are not marks
MARKS = """() => {
  const not = 'defs, noscript, pattern, .patterns, .gridlayer, .zerolinelayer, .layer-below, .xaxislayer-above, .draglayer, .hoverlayer';
  const strength = e => {
    let o = 1;
    for (let x = e; x && x.tagName !== 'MAIN'; x = x.parentElement) o *= Number(getComputedStyle(x).opacity);
    return o;
  };
  const seen = [...document.querySelectorAll('main svg :is(rect, path, circle, line)')].map(e => {
    const c = getComputedStyle(e), box = e.getBoundingClientRect(), o = strength(e), of = [];
    if (e.closest(not) || (!box.width && !box.height) || e.matches('.axis, .typical, .bg, .nsewdrag, .drag')) return null;
    if (c.stroke.startsWith('rgb') && parseFloat(c.strokeWidth) > 0) of.push([c.stroke, o * Number(c.strokeOpacity)]);
    const hatch = c.fill.startsWith('url') && document.getElementById(c.fill.match(/#([^"')]+)/)[1]);
    (hatch ? [...hatch.querySelectorAll('*')] : [e]).forEach(k => {
      const inner = getComputedStyle(k);
      if (inner.fill.startsWith('rgb')) of.push([inner.fill, o * Number(inner.fillOpacity)]);
      if (hatch && inner.stroke.startsWith('rgb')) of.push([inner.stroke, o]);
    });
    return [e.getAttribute('class') || e.tagName, [box.left, box.top, box.right, box.bottom], of];
  });
  return [getComputedStyle(document.documentElement).backgroundColor, seen.filter(Boolean)];
}"""


def _over(colour: str, strength: float, ground: list[float]) -> tuple[str, float]:
    """The colour as it stands over the ground, and how opaque it is."""
    numbers = [float(n) for n in re.findall(r"[\d.]+", colour)]
    alpha = strength * (numbers[3] if len(numbers) > 3 else 1.0)
    mixed = (round(alpha * c + (1 - alpha) * g) for c, g in zip(numbers[:3], ground, strict=True))
    return "#" + "".join(f"{m:02x}" for m in mixed), alpha


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_every_mark_has_3_to_1_by_its_outline_or_its_fill(visit: Any, site: Path, scheme: str) -> None:
    """An outline may be an element of its own (a run's shares three sides with it, the fourth is the strip's); guide lines are no marks."""
    guide = theme.COLOURS["line"][scheme == "dark"]
    looked = 0
    for file in ("index.html", "owner.html", "environment.html", "hands.html", "guns.html"):
        told, marks = visit(site, file, color_scheme=scheme).evaluate(MARKS)
        ground = [float(n) for n in re.findall(r"[\d.]+", told)][:3]
        paper = _over(told, 1.0, ground)[0]
        strong, weak = [], []
        for name, box, of in marks:
            painted = [found for found in (_over(c, s, ground) for c, s in of) if found[1] > 0]
            if not painted or all(colour == guide for colour, _ in painted):
                continue
            best = max(theme.contrast(colour, paper) for colour, _ in painted)
            (strong if best >= 3 else weak).append((name, box, round(best, 2)))
            looked += 1
        poor = [
            w
            for w in weak
            if not any(sum(abs(a - b) < 4 for a, b in zip(w[1], one[1], strict=True)) >= 3 for one in strong)
        ]
        assert poor == [], (file, scheme)
    assert looked > 150
