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
