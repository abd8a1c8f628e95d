"""A page as somebody reads it: every text it can show, with tooltips, names read aloud and the words of its drawings."""

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
