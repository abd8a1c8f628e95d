"""Who a site is for: which pages it has, whose name may stand in it, and which figures travel with it.

A site for one reader is built from tables in which the rest is already gone (`veil.py`), so that no page and no script has
to remember to leave something out. Not here: how a page reads.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Audience:
    """`pages` by key, the first of them is the file index.html; `people`: "all" as the settings say, "own" one person
    alone, "none"; `amounts` which sums travel with the pages for their filters; `prices` whether mixing is told in money.
    """

    pages: tuple[str, ...]
    people: str = "none"
    amounts: tuple[str, ...] = ()
    prices: bool = True


EVERYBODY = Audience(
    ("index", "owner", "environment", "hands", "guns", "bench", "intake", "method"), "all", ("ledger", "emissions")
)
AUDIENCES: dict[str, Audience] = {
    "owner": Audience(("index", "owner", "guns", "bench", "intake", "method"), "none", ("ledger",)),
    "environment": Audience(("environment", "intake", "method"), "none", ("emissions",)),
    "trainer": Audience(("hands", "guns", "bench", "method"), "all", prices=False),
    "painter": Audience(("bench", "guns", "hands", "method"), "own"),
}


class AudienceError(ValueError):
    """There is no such reader or person; the text says which there are."""


def of(name: str | None, person: str | None = None) -> Audience:
    """The audience of that name; None: everybody. Raises AudienceError, naming those there are, and where a person is
    named beside an audience that has no page of one person."""
    if name is not None and name not in AUDIENCES:
        raise AudienceError(f"No site is made for {name!r}; there is one for {', '.join(AUDIENCES)}.")
    found = EVERYBODY if name is None else AUDIENCES[name]
    if person is not None and found.people != "own":
        raise AudienceError("A technician is named for the painter's site alone: --for painter --who TECHNICIAN.")
    return found
