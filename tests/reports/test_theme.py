"""Colours: bound to meaning once, seen on both grounds, told apart with colour-vision deficiency, used by every
figure.
"""

from __future__ import annotations

import itertools
import json
import re
from pathlib import Path

import pytest

from reports.site import theme

TEXT = ("ink", "muted", "link")
DRAWN = (
    "useful",
    "over_build",
    "overspray",
    "flush_loss",
    "leftover",
    "not_split",
    "source_coating",
    "source_other",
    "limit",
    "ink",
    "muted",
    "band",
)


def test_contrast_is_the_formula_of_wcag() -> None:
    """WCAG 2.2: black on white is 21:1; #777777 on white is the well-known near miss 4.48:1."""
    assert theme.contrast("#000000", "#ffffff") == pytest.approx(21)
    assert theme.contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.005)


@pytest.mark.parametrize("ground", ["paper", "raised"])
@pytest.mark.parametrize("side", [theme.light, theme.dark])
def test_text_has_4_5_to_1_and_drawings_3_to_1(side, ground: str) -> None:
    """WCAG 2.2, 1.4.3 and 1.4.11."""
    for name in TEXT:
        assert theme.contrast(side(name), side(ground)) >= 4.5, name
    for name in DRAWN:
        assert theme.contrast(side(name), side(ground)) >= 3, name


# Machado, Oliveira, Fernandes 2009, "A Physiologically-based Model for Simulation of Color Vision Deficiency",
# severity 1.0, applied to linear RGB. MEMORY: coefficients written from memory; their rows sum to 1 as they must.
MACHADO = {
    "protanopia": ((0.152286, 1.052583, -0.204868), (0.114503, 0.786281, 0.099216), (-0.003882, -0.048116, 1.051998)),
    "deuteranopia": ((0.367322, 0.860646, -0.227968), (0.280085, 0.672501, 0.047413), (-0.011820, 0.042940, 0.968881)),
    "tritanopia": ((1.255528, -0.076749, -0.178779), (-0.078411, 0.930809, 0.147602), (0.004733, 0.691367, 0.303900)),
}


def lab(linear: tuple[float, float, float]) -> tuple[float, float, float]:
    """CIELAB of linear sRGB, D65 (IEC 61966-2-1, CIE 15)."""
    r, g, b = (min(1.0, max(0.0, c)) for c in linear)
    x = (0.4124 * r + 0.3576 * g + 0.1805 * b) / 0.95047
    y = 0.2126 * r + 0.7152 * g + 0.0722 * b
    z = (0.0193 * r + 0.1192 * g + 0.9505 * b) / 1.08883
    fx, fy, fz = (c ** (1 / 3) if c > 0.008856 else 7.787 * c + 16 / 116 for c in (x, y, z))
    return 116 * fy - 16, 500 * (fx - fy), 200 * (fy - fz)


@pytest.mark.parametrize("deficiency", MACHADO)
@pytest.mark.parametrize("side", [theme.light, theme.dark])
def test_neighbours_in_the_strip_stay_apart_for_every_colour_vision(side, deficiency: str) -> None:
    matrix = MACHADO[deficiency]
    assert all(sum(row) == pytest.approx(1, abs=2e-6) for row in matrix)

    def seen(name: str) -> tuple[float, float, float]:
        rgb = theme.channels(side(name))
        return lab(tuple(sum(m * c for m, c in zip(row, rgb, strict=True)) for row in matrix))

    for one, other in itertools.pairwise(theme.PARTS):
        distance = sum((a - b) ** 2 for a, b in zip(seen(one.key), seen(other.key), strict=True)) ** 0.5
        # Hatching differs too wherever two parts touch, so colour is never alone.
        assert distance >= 10, (one.key, other.key, distance)
        assert one.pattern != other.pattern


def test_every_colour_has_one_meaning_so_that_the_script_can_swap_it() -> None:
    lights = [pair[0] for pair in theme.COLOURS.values()]
    assert len(set(lights)) == len(lights)


def test_figures_use_only_colours_of_the_theme(site: dict[str, bytes]) -> None:
    known = {pair[0] for pair in theme.COLOURS.values()}
    for name, content in site.items():
        for block in re.findall(rb'<script type="application/json"[^>]*>(.*?)</script>', content):
            used = set(re.findall(r"#[0-9a-fA-F]{6}\b", json.dumps(json.loads(block))))
            assert used <= known, (name, used - known)


def test_the_stylesheet_and_the_script_name_no_colour_of_their_own() -> None:
    static = Path(theme.__file__).parent / "static"
    for name in ("style.css", "site.js"):
        assert re.findall(r"#[0-9a-fA-F]{3,8}\b(?![-\w])", (static / name).read_text(encoding="utf-8")) == []
