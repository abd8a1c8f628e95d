"""How a permit's limit was used up: one small drawing a limit, with its sentence. Plain SVG, so that it stands without a script.

Drawn in the permit's own unit: the sum of the period month by month, the limit in force (a step where it changed), and, dotted, the way
to the month in which the limit would be crossed at the pace of the last three months. Months that lack something are hollow.
"""

from __future__ import annotations

from typing import Any

from markupsafe import Markup

from reports import wording

WIDTH, HEIGHT = 340, 176
LEFT, RIGHT, TOP, BOTTOM = 46, 12, 22, 26
Months = list[dict[str, Any]]  # rows of limit_curve of one limit, by month


def _number(month: str) -> int:
    return int(month[:4]) * 12 + int(month[5:7]) - 1


def _short(month: str) -> str:
    word = wording.month_word(month)
    return f"{word[:3]} {word[-4:]}"


def _said(value: float) -> str:
    return wording.plain(value, wording.digits(value))


def sentence(row: dict[str, Any], kind: str) -> Markup:
    """What stands against a limit at its latest month, in the permit's unit and in kg or L."""
    unit = wording.PERMIT_UNITS.get(row["unit"], row["unit"])
    month = wording.month_word(row["month"])
    if row["total_stated"] is None:
        return Markup("{}: what was reached is not known; the limit is {} {}.").format(
            month, _said(row["limit_stated"]), unit
        )
    at_least = "" if row["complete"] else "at least "
    out = Markup("{}: {}{} of {} {}; ").format(
        month, at_least, _said(row["total_stated"]), _said(row["limit_stated"]), unit
    )
    left = row["headroom_stated"]
    what = "left" if left >= 0 else "above it"
    out += Markup("{} {} {} ({})").format(_said(abs(left)), unit, what, wording.quantity(abs(row["headroom"]), kind))
    if row["pace_stated"] is not None:
        out += Markup("; pace {} a month").format(_said(row["pace_stated"]))
    if row["already"]:
        return out + Markup(".")
    if row["crossed_in"]:
        return out + Markup(", at which it would be crossed in {}.").format(wording.month_word(row["crossed_in"]))
    return out + Markup(", at which no crossing is in sight.")


def limit_curve(title: str, months: Months, kind: str, shop: str) -> Markup:
    """A figure: drawing and sentence. `kind`: how its kg or L are worded; `shop`: whose it is, for the page's filter."""
    last = months[-1]
    first_m, last_m = _number(months[0]["month"]), _number(last["month"])
    crossed = _number(last["crossed_in"]) if last["crossed_in"] and not last["already"] else None
    end_m = max(last_m + 1, min(crossed or 0, last_m + 12))
    totals = [(_number(r["month"]), r["total_stated"], r["complete"]) for r in months]
    most = max([r["limit_stated"] for r in months] + [t for _, t, _ in totals if t is not None]) * 1.12 or 1.0

    def x(month: float) -> str:
        return f"{LEFT + (WIDTH - LEFT - RIGHT) * (month - first_m) / (end_m - first_m):.1f}"

    def y(value: float) -> str:
        return f"{HEIGHT - BOTTOM - (HEIGHT - TOP - BOTTOM) * max(0.0, value) / most:.1f}"

    said = sentence(last, kind)
    out = [
        Markup('<div data-map data-shop="{}"><p><strong>{}</strong> {}</p>').format(shop, title, said),
        Markup('<svg class="limit-curve" role="img" aria-label="{} {}" viewBox="0 0 {} {}">').format(
            title, Markup(said).striptags(), WIDTH, HEIGHT
        ),
        Markup('<line class="axis" x1="{}" x2="{}" y1="{y}" y2="{y}"/>').format(LEFT, WIDTH - RIGHT, y=y(0)),
    ]
    steps = "M" + " L".join(f"{x(_number(r['month']))} {y(r['limit_stated'])}" for r in months)
    out.append(Markup('<path class="limit" d="{} L{} {}"/>').format(steps, x(end_m), y(last["limit_stated"])))
    drawn = ""
    pen_up = True
    for month, total, _ in totals:
        if last["period"] == "calendar_year" and month % 12 == 0:
            pen_up = True  # a year begins at nothing
        if total is not None:
            drawn += f"{'M' if pen_up else 'L'}{x(month)} {y(total)} "
        pen_up = total is None
    if drawn:
        out.append(Markup('<path class="run" d="{}"/>').format(drawn.strip()))
    if crossed is not None and crossed <= end_m and last["total_stated"] is not None:
        out.append(
            Markup('<path class="pace" d="M{} {} L{} {}"/>').format(
                x(last_m), y(last["total_stated"]), x(crossed), y(last["limit_stated"])
            )
        )
    for month, total, complete in totals:
        if total is not None:
            css = "mark" if complete else "mark open"
            out.append(
                Markup('<circle class="{}" cx="{}" cy="{}" r="{}"/>').format(
                    css, x(month), y(total), 4.5 if month == last_m else 2.5
                )
            )
    unit = wording.PERMIT_UNITS.get(last["unit"], last["unit"])
    out.append(Markup('<text x="{}" y="13">{}</text>').format(LEFT, unit))
    for value in (0.0, last["limit_stated"]):
        out.append(
            Markup('<text class="end" x="{}" y="{}">{}</text>').format(LEFT - 6, float(y(value)) + 4, _said(value))
        )
    out.append(
        Markup('<text class="end" x="{}" y="{}">limit</text>').format(WIDTH - RIGHT, float(y(last["limit_stated"])) - 6)
    )
    out.append(Markup('<text x="{}" y="{}">{}</text>').format(LEFT, HEIGHT - 8, _short(months[0]["month"])))
    if crossed is not None:
        where = f"to {_short(last['month'])}, crossed {_short(last['crossed_in'])}"
        out.append(Markup('<text class="end" x="{}" y="{}">{}</text>').format(WIDTH - RIGHT, HEIGHT - 8, where))
    elif len(months) > 3:
        out.append(
            Markup('<text class="end" x="{}" y="{}">{}</text>').format(x(last_m), HEIGHT - 8, _short(last["month"]))
        )
    return Markup("").join([*out, Markup("</svg></div>")])
