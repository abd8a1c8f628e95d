"""Sites for one reader: only their pages, only their data, nobody's name but their own."""

from __future__ import annotations

import re

import polars as pl
import pytest
from published_frames import frame

from reports.audience import AUDIENCES
from reports.site import build

SETTINGS = {"business": {"currency": "crowns"}, "pages": {"people": "id"}}
SHARED = {"amounts.js", "plotly.min.js", "site.js", "style.css"}


def texts(site: dict[str, bytes]) -> dict[str, str]:
    """Everything in a site that came out of the tables."""
    return {n: b.decode() for n, b in site.items() if n not in ("plotly.min.js", "site.js", "style.css")}


def naming(site: dict[str, bytes], names: list[str]) -> dict[str, list[str]]:
    """file -> which of the names stand in it."""
    found = {
        n: [name for name in names if re.search(rf"\b{re.escape(name)}\b", text)] for n, text in texts(site).items()
    }
    return {n: names for n, names in found.items() if names}


@pytest.fixture(scope="session")
def telling(tables):
    """Tables in which every column of text that may name somebody does."""
    people = tables["technicians"]["technician_id"].to_list()
    registers = tables["technicians"].with_columns(label=pl.format("Name of {}", "technician_id"))
    refused = frame(
        "refused_rows",
        [
            {"file": "inbox/jobs.csv", "line": 4, "table": "operations", "raw": f"J1;{people[0]};Xaver",
             "reasons": ["technician_id: 'Xaver' is not in registers/technicians.csv"]}
        ],
    )  # fmt: skip
    guns = tables["transfer_by_gun"].with_columns(
        separable=pl.lit(False), with_whom=pl.lit(f"technician {people[0]}"), combined=pl.lit(0.5)
    )
    mixes = tables["mixes"].with_columns(why_incomplete=pl.lit(f"technician_id: '{people[0]}' has left"))
    training = frame(
        "compliance_training",
        [{"shop_id": "east", "technician_id": p, "rule": "painter", "label": "Painter training", "status": "trained"}
         for p in people[:3]],
    )  # fmt: skip
    return tables | {
        "technicians": registers, "refused_rows": refused, "transfer_by_gun": guns, "mixes": mixes,
        "compliance_training": training,
    }  # fmt: skip


def everybody(tables) -> list[str]:
    return [*tables["technicians"]["technician_id"].to_list(), "Xaver", "Name"]


@pytest.mark.parametrize("audience", ["owner", "environment", "painter"])
def test_a_site_without_people_names_nobody_in_any_file(telling, audience: str) -> None:
    assert naming(build(telling, SETTINGS, audience), everybody(telling)) == {}


def test_the_environmental_record_counts_trained_people(telling) -> None:
    html = texts(build(telling, SETTINGS, "environment"))["index.html"]
    row = re.search(r"<tr[^>]*data-shop=\"east\"[^>]*>(?:(?!</tr>).)*Painter training.*?</tr>", html, re.S)
    assert row and re.findall(r'<td class="num">(\d+)</td>', row.group(0)) == ["3", "0", "0", "0", "0"]


def test_a_painters_site_holds_the_own_card_and_no_other_name(telling) -> None:
    site = build(telling, SETTINGS, "painter", person="T02")
    others = [n for n in everybody(telling) if n != "T02"]
    assert naming(site, others) == {}
    html = texts(site)["hands.html"]
    assert re.findall(r"<h3>(T\d+)</h3>", html) == ["T02"] and "Your card" in html


def test_each_site_has_its_pages_and_figures_alone(tables) -> None:
    for name, reader in AUDIENCES.items():
        site = build(tables, SETTINGS, name)
        pages = {n for n in site if n.endswith(".html")}
        expected = {"index.html"} | {f"{k}.html" for k in reader.pages[1:] if name != "painter" or k != "hands"}
        assert pages == expected
        assert ("emissions.js" in site) == (name == "environment")
        assert ('"ledger":' in texts(site)["amounts.js"]) == (name == "owner")
        for page in pages:
            links = re.findall(r'href="([\w.-]+\.html)', texts(site)[page])
            assert set(links) <= pages, (name, page)


def test_a_trainers_site_carries_no_money(tables) -> None:
    said = " ".join(texts(build(tables, SETTINGS, "trainer")).values())
    assert not re.search(r"\d\u202fcrowns|unit\">crowns", said)


@pytest.mark.parametrize(
    ("audience", "person", "said"),
    [
        ("accountant", None, "No site is made for 'accountant'; there is one for owner, environment, trainer, painter"),
        ("painter", "T99", "No technician 'T99'"),
        ("owner", "T01", "painter's site alone"),
    ],
)
def test_a_reader_that_is_not_known_is_refused_in_words(tables, audience: str, person: str | None, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        build(tables, SETTINGS, audience, person=person)


def test_labels_stand_for_ids_where_the_owner_chose_so(telling) -> None:
    site = texts(build(telling, {"pages": {"people": "label"}}))
    assert "<h3>Name of T01</h3>" in site["hands.html"]
    assert '"name":"Name of T01"' in site["amounts.js"]


def test_a_painter_reads_what_to_practise_of_nobody_else(telling) -> None:
    own, other = telling["technicians"]["technician_id"].to_list()[:2]
    row = {
        "reader": "trainer",
        "shop_id": "east",
        "kind": "practise",
        "worth": None,
        "unit": "1",
        "how_sure": "shown",
        "due_on": None,
    }
    lines = [
        row | {"rank": 1, "what": "practise the half overlap", "subject": own, "evidence": f"practice_cards: {own}"},
        row | {"rank": 2, "what": "read the film of far panels", "subject": f"transfer of clear by {other}", "evidence": "measure_next: east, 1"},
    ]  # fmt: skip
    site = texts(build(telling | {"actions": frame("actions", lines)}, SETTINGS, "painter", person=own))
    found = "".join(text for name, text in site.items() if name.endswith(".html"))
    assert "half overlap" in found and "far panels" not in found
