"""A small interval for a practice card: pale band for 95 %, a mark at the estimate, a thin line at the shop's own
figure.
"""

from __future__ import annotations

from markupsafe import Markup

from reports.wording import phrase, plain


def mini(
    value: float | None, low: float | None, high: float | None, typical: float | None, *, joined: bool = False
) -> Markup:
    """SVG from 0 to 100 % landed. `joined`: the estimate is drawn hollow, it cannot be told apart. No estimate: the
    bare line.
    """
    said = phrase(value, "share", low, high) if value is not None else "not enough jobs"
    out = [
        Markup('<svg class="mini" role="img" aria-label="{}" width="100%" height="18">').format(said),
        Markup('<line class="axis" x1="0" x2="100%" y1="9" y2="9"/>'),
    ]
    if low is not None and high is not None:
        left, right = max(0.0, 100 * low), min(100.0, 100 * high)
        out.append(
            Markup('<rect class="band" x="{}%" width="{}%" y="4" height="10"/>').format(
                plain(left, 2), plain(max(0.0, right - left), 2)
            )
        )
        for x in (left, right):
            out.append(Markup('<line class="end" x1="{0}%" x2="{0}%" y1="4" y2="14"/>').format(plain(x, 2)))
    if typical is not None:
        out.append(Markup('<line class="typical" x1="{0}%" x2="{0}%" y1="0" y2="18"/>').format(plain(100 * typical, 2)))
    if value is not None:
        css = "mark joined" if joined else "mark"
        out.append(
            Markup('<circle class="{}" cx="{}%" cy="9" r="4.5"/>').format(css, plain(min(100.0, 100 * value), 2))
        )
    out.append(Markup("</svg>"))
    return Markup("").join(out)


def share_of_limit(share: float | None) -> Markup:
    """A bar from 0 to 125 % of a limit, the limit as an upright line; longer bars end at the edge, their number says
    it.
    """
    if share is None:
        return Markup("")
    return Markup(
        '<svg class="mini" role="img" aria-label="{} of the limit" width="100%" height="18">'
        '<line class="axis" x1="0" x2="100%" y1="9" y2="9"/>'
        '<rect class="amount" x="0" width="{}%" y="4" height="10"/>'
        '<line class="typical" x1="80%" x2="80%" y1="0" y2="18"/></svg>'
    ).format(phrase(share, "share"), plain(min(100.0, 80 * max(0.0, share)), 2))


def place(value: float, low: float, high: float) -> float:
    """Where a value lies between two ends, in per cent; inside them."""
    return 100 * min(1.0, max(0.0, (value - low) / (high - low))) if high > low else 0.0


def span(value: float | None, low: float | None, high: float | None, least: float, most: float) -> Markup:
    """An interval of any quantity on a line from `least` to `most`, the upright line at zero."""
    if value is None:
        return Markup("")
    at = [
        plain(place(v, least, most), 2)
        for v in (low if low is not None else value, high if high is not None else value)
    ]
    return Markup(
        '<svg class="mini" role="img" aria-label="interval drawn" width="100%" height="18" data-span>'
        '<line class="axis" x1="0" x2="100%" y1="9" y2="9"/><rect class="band" x="{}%" width="{}%" y="4" height="10"/>'
        '<line class="typical" x1="{zero}%" x2="{zero}%" y1="0" y2="18"/><circle class="mark" cx="{}%" cy="9" r="4.5"/></svg>'
    ).format(
        at[0],
        plain(max(0.0, float(at[1]) - float(at[0])), 2),
        plain(place(value, least, most), 2),
        zero=plain(place(0.0, least, most), 2),
    )


def window(
    value: float | None, low: float | None, high: float | None, floor: float | None, most: float = 1.5
) -> Markup:
    """Film over the sheet's greatest: a line from 0 to `most` times it, the window as an open frame from `floor` to 1."""
    said = phrase(value, "share", low, high) if value is not None else "not enough jobs"
    out = [
        Markup('<svg class="mini" role="img" aria-label="{} of the greatest film" width="100%" height="18">').format(
            said
        ),
        Markup('<line class="axis" x1="0" x2="100%" y1="9" y2="9"/>'),
    ]
    if low is not None and high is not None:
        left, right = place(low, 0, most), place(high, 0, most)
        out.append(
            Markup('<rect class="band" x="{}%" width="{}%" y="4" height="10"/>').format(
                plain(left, 2), plain(right - left, 2)
            )
        )
    left, right = place(floor or 0.0, 0, most), place(1.0, 0, most)
    out.append(
        Markup('<rect class="window" x="{}%" width="{}%" y="1" height="16"/>').format(
            plain(left, 2), plain(right - left, 2)
        )
    )
    if value is not None:
        out.append(Markup('<circle class="mark" cx="{}%" cy="9" r="4.5"/>').format(plain(place(value, 0, most), 2)))
    out.append(Markup("</svg>"))
    return Markup("").join(out)
