"""A page as somebody reads it: every text it can show, with tooltips, names read aloud and the words of its drawings; and which
of its words a painter, a trainer, an owner or a reporter would stumble over.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from html.parser import HTMLParser
from typing import Any

VOID = {"meta", "link", "input", "br", "hr", "img", "path", "circle", "rect", "line"}
READ_ALOUD = ("title", "aria-label", "placeholder")


class _Reader(HTMLParser):
    """Runs of text between tags. What a section whose id starts with "how-", or a fold-out named "How it is computed",
    holds is method; scripts, code and rows kept as a file had them are nobody's words of ours.
    """

    def __init__(self, hidden: bool) -> None:
        super().__init__()
        self.hidden = hidden
        self.open: list[tuple[str, str]] = []
        self.ours: list[str] = []
        self.method: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        left_out = tag in ("script", "style", "code") or (not self.hidden and "hidden" in given)
        how = (given.get("id") or "").startswith("how-")
        if not self._in("out"):
            for name in READ_ALOUD:
                self._say(given.get(name) or "")
        if tag not in VOID:
            self.open.append((tag, "out" if left_out else "how" if how else ""))

    def handle_endtag(self, tag: str) -> None:
        while self.open and any(t == tag for t, _ in self.open):
            if self.open.pop()[0] == tag:
                break

    def handle_data(self, data: str) -> None:
        if self._in("out"):
            return
        if data.strip() == "How it is computed":
            tag, _ = self.open[-2]  # the details or section around the summary or heading
            self.open[-2] = (tag, "how")
        self._say(data)

    def _in(self, what: str) -> bool:
        return any(kind == what for _, kind in self.open)

    def _say(self, text: str) -> None:
        said = " ".join(text.split())
        if said:
            (self.method if self._in("how") else self.ours).append(said)


def read(html: str, *, hidden: bool = True) -> tuple[list[str], list[str]]:
    """(what a page shows, what its method fold-outs show). `hidden`: with what it shows only for some choice."""
    reader = _Reader(hidden)
    reader.feed(html)
    for text in re.findall(r'<script type="application/json"[^>]*>(.*?)</script>', html, re.S):
        reader.ours += drawn(json.loads(text))
    return reader.ours, reader.method


def drawn(value: Any) -> Iterator[str]:
    """Every text with a blank in a drawing."""
    if isinstance(value, str):
        if " " in value:
            yield re.sub(r"<[^>]*>", "", value)
    elif isinstance(value, dict):
        for inner in value.values():
            yield from drawn(inner)
    elif isinstance(value, list):
        for inner in value:
            yield from drawn(inner)


def of_script(source: str) -> list[str]:
    """The sentences that the pages' script can write: its literals with a blank in them, comments left out."""
    bare = re.sub(r"/\*.*?\*/|(?<![:\"'])//[^\n]*", "", source, flags=re.S)
    return [text for text in re.findall(r'"((?:[^"\\\n]|\\.)*)"', bare) if " " in text]


# what it is -> words for it that only a statistician knows
STATISTICS = {
    "what was believed before, and after": r"posterior|priors?|bayes\w*|credible|likelihood",
    "how a figure is made": r"joint model|mixed model|random effects?|fixed effects?|shr[iu]nk\w*|regress\w+|latent|"
    r"identifiab\w+|estimators?|parameters?|bootstrap\w*|monte carlo|fieller\w*|student's|henderson\w*|degrees of freedom",
    "how it varies": r"(co)?varianc\w*|heterosc?k?edastic\w*|standard (error|deviation|uncertainty)|sigma|σ|quantiles?|percentiles?|"
    r"correlat\w+|residuals?|coefficients?",
    "how well it is known": r"reliability|vif|p-values?|significan\w+|null hypothesis|rel u|80 % power|log[ -](scale|odds|units?|use|normal\w*)",
    "how sure it is": r"P\s?\(\w*|P\s?[<>][\s\d.]*|with probability|prob \w+",
    "size that matters": r"material size",
    "what stands between landed and sprayed": r"equations?",
}
# words that the vocabulary keeps out, so far as they have no other plain sense on a page (coat, line, loss have)
NOT_OURS = (
    r"batch(es)?|sku|tenants?|ingredients?|tint lines?|labour lines?|coupons?|utili[sz]ation|score ?cards?|quality scores?|"
    r"rulesets?|balance sheets?|gun types?|paint codes?|rejected|deposited|worst|winners?|losers?|league"
)
OUTSIDE_METHOD = re.compile(rf"(?<![\w-])(?:{'|'.join([*STATISTICS.values(), NOT_OURS])})(?!\w)", re.IGNORECASE)
# a fold-out may name the method; the rest has plain words even there
EVEN_THERE = re.compile(
    rf"(?<![\w-])(?:{STATISTICS['how well it is known']}|{STATISTICS['size that matters']}|joint model|posterior|priors?|"
    rf"quantiles?|{NOT_OURS})(?!\w)",
    re.IGNORECASE,
)


def found(texts: list[str], words: re.Pattern[str] = OUTSIDE_METHOD) -> list[str]:
    """Each forbidden word with the text it stands in."""
    return sorted({f"{m[0]}: {text}" for text in texts for m in words.finditer(text)})


def unplain(html: str) -> list[str]:
    """`found` over a whole page, its method fold-outs by their own measure."""
    ours, method = read(html)
    return found(ours) + found(method, EVEN_THERE)
