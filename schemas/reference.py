"""The reference tables that ship with the project: limits, exempt compounds, hazardous air pollutants, thresholds.

Data, not code: seed_data/reference/<table>.csv. Every row names its `source` (document, section, edition) and says in
`read` whether that source was read in itself (`yes`), in somebody's account of it (`secondary`), or written down from
memory (`memory`); pages show memory as "verify before use". Laws change and local rules may be stricter: the tables
help to find the rule, they do not replace it or the authority.

valid_from is the first day on which a row holds, valid_to the first day on which it no longer does; empty: from ever,
and still. No table of a shop's own belongs here (see registers.py).
"""

from __future__ import annotations

import polars as pl

from schemas.vocabulary import ColumnInfo, Rule, Table, choice, day, flag, fraction, integer, number, table, text

READ = ("yes", "secondary", "memory")
SECTIONS = (
    "voc_content", "usage", "hap", "target_metals", "shop_rules", "transfer_65", "solvent_consumption",
    "solvent_balance", "diisocyanate_training",
)  # fmt: skip
METALS = ("cadmium", "chromium", "lead", "manganese", "nickel")
_CAS = r"^\d{2,7}-\d{2}-\d$"

_col = pl.col


def _origin() -> dict[str, ColumnInfo]:
    return {
        "source": text("Document, section, edition"),
        "read": choice("Whether that source was read: in itself, in an account of it, or not (from memory)", *READ),
    }


def _jurisdiction() -> ColumnInfo:
    return text(
        "Jurisdiction: us, us-ca, us-ca-scaqmd, ca, ca-qc, eu, uk, or a local one of the user's; us-ca stands below us",
        key=True,
    )


def _from() -> ColumnInfo:
    return day("First day on which it holds; empty: from ever", key=True, nullable=True)


def _to() -> ColumnInfo:
    return day("First day on which it no longer holds; empty: still", nullable=True)


def _cas_form(column: str = "cas") -> Rule:
    return Rule(column, "must be a CAS number, like 67-64-1", _col(column).str.contains(_CAS))


_ORDER = Rule("valid_to", "must be after valid_from", _col("valid_to") > _col("valid_from"))

packs = table(
    "packs",
    "Jurisdictions: what their limits are compared with, how, and which sections their shops see",
    [
        Rule(
            "sections",
            "must be names of sections joined by '|': " + ", ".join(SECTIONS),
            _col("sections").str.split("|").list.eval(pl.element().is_in(list(SECTIONS))).list.all(),
        )
    ],
    jurisdiction=_jurisdiction(),
    label=text("Its name on pages"),
    basis=choice("regulatory: VOC less water and exempt; eu: the EU's definition, less water", "regulatory", "eu"),
    averaging=choice("Each mix by itself, or the month's mean weighted by volume", "each_mix", "monthly_weighted"),
    sections=text("Sections that its shops see, joined by '|'"),
    verify=flag("Must be verified before use"),
    note=text("What to know of it", nullable=True),
    **_origin(),
)

voc_limits = table(
    "voc_limits",
    "Limits on VOC content by jurisdiction and category",
    [_ORDER],
    jurisdiction=_jurisdiction(),
    category=text("The category, as product_categories names it", key=True),
    valid_from=_from(),
    valid_to=_to(),
    label=text("The rule's words for it"),
    limit_g_per_l=number("The limit; compared in g/L only", "g/L", above=0),
    basis=choice(
        "What the limit is compared with: less water and exempt; EU less water; EU, water included; VOC per litre as it is",
        "regulatory", "eu", "eu_whole_volume", "whole_volume",
    ),
    **_origin(),
)  # fmt: skip

exempt_compounds = table(
    "exempt_compounds",
    "Compounds that a jurisdiction does not count as VOC, for content limits and for reporting apart",
    [_ORDER, _cas_form()],
    jurisdiction=_jurisdiction(),
    cas=text("CAS number", key=True),
    purpose=choice("content: limits on content; reporting: records and inventories", "content", "reporting", key=True),
    valid_from=_from(),
    valid_to=_to(),
    substance=text("Its name"),
    density_g_per_ml=number("Density of the liquid at 20 C", "g/mL", nullable=True, above=0),
    density_source=text("Where the density is from", nullable=True),
    also_hap=flag("Exempt as VOC and yet a hazardous air pollutant"),
    **_origin(),
)

hap = table(
    "hap",
    "Hazardous air pollutants of the US Clean Air Act, with deletions",
    [_ORDER, _cas_form()],
    cas=text("CAS number", key=True),
    valid_from=_from(),
    valid_to=_to(),
    substance=text("Its name"),
    group=text("The class it is listed under or counted with", nullable=True),
    carcinogen=flag("Counts from 0.1 % by mass instead of 1 %"),
    carcinogen_source=text("Where that is from", nullable=True),
    metal=flag("A compound of a metal: no organic HAP"),
    **_origin(),
)

hap_blends = table(
    "hap_blends",
    "Default organic HAP of solvent blends, one row per entry and species; an entry without HAP has one row of 0",
    [_cas_form(), _cas_form("hap_cas")],
    table_no=integer("Table of 63 subpart MMMM: 3 by blend; 4 by aliphatic or aromatic alone", key=True, low=3, high=4),
    entry_no=integer("Entry", key=True, low=1),
    hap_cas=text("CAS number of the HAP", key=True, nullable=True),
    blend=text("The blend's name"),
    cas=text("Its CAS number; empty where none is printed or the printed one fails its check digit", nullable=True),
    cas_as_printed=text("The number as printed", nullable=True),
    organic_hap_mass_fraction=fraction("All organic HAP of the blend, by mass"),
    hap_substance=text("Name of the HAP", nullable=True),
    hap_mass_fraction=fraction("This HAP, by mass"),
    note=text("What to know of it", nullable=True),
    **_origin(),
)

target_metals = table(
    "target_metals",
    "Thresholds of the target metals of 40 CFR 63 subpart HHHHHH",
    metal=choice("The metal", *METALS, key=True),
    form=choice("Its form", "any", "hexavalent", "other", key=True),
    threshold_mass_fraction=fraction("Above it a coating contains the target HAP; exactly at it: review", above=0.0),
    carcinogen=flag("An OSHA-defined carcinogen"),
    note=text("What to know of it", nullable=True),
    **_origin(),
)

target_metal_compounds = table(
    "target_metal_compounds",
    "Which compounds hold a target metal, and how much",
    [_cas_form()],
    cas=text("CAS number of the compound", key=True),
    metal=choice("The metal", *METALS, key=True),
    form=choice("Its form", "any", "hexavalent", "other"),
    substance=text("Its name"),
    metal_mass_fraction=fraction("The metal, by mass of the compound", nullable=True),
    **_origin(),
)

statutory_te = table(
    "statutory_te",
    "Transfer efficiencies that US rules for other trades assign to methods: for comparison, never a default",
    rule=text("Section of 40 CFR 60", key=True),
    method=text("The method", key=True),
    condition=text("Under which condition", key=True),
    te=fraction("The transfer efficiency assigned"),
    **_origin(),
)

retention = table(
    "retention",
    "How long records must be kept; the longest rule wins",
    jurisdiction=_jurisdiction(),
    record=text("Kind of record", key=True),
    years=number("How long", "a", above=0),
    note=text("What to know of it", nullable=True),
    **_origin(),
)

training_rules = table(
    "training_rules",
    "Trainings that a jurisdiction asks for",
    jurisdiction=_jurisdiction(),
    rule=text("Short name of the rule", key=True),
    label=text("Its name on pages"),
    within_days=integer("Days after hiring until which it must be done; 0: before work", "d", nullable=True, low=0),
    valid_years=integer("Years after which it must be renewed", "a", nullable=True, low=1),
    applies_from=day("First day on which it is asked for", nullable=True),
    note=text("What to know of it", nullable=True),
    **_origin(),
)

rule_figures = table(
    "rule_figures",
    "Single figures of rules: thresholds, pressures, sizes",
    jurisdiction=_jurisdiction(),
    rule=text("Short name of the rule", key=True),
    figure=text("Short name of the figure", key=True),
    value=number("The figure, in `unit`", "unit"),
    unit=text("Its unit; 1 for a fraction, count for a number of things"),
    note=text("What to know of it", nullable=True),
    **_origin(),
)

film_practice = table(
    "film_practice",
    "Figures of standards of film measurement; written for steel structures, adopted for their arithmetic alone",
    practice=text("What it is about", key=True),
    figure=text("Short name of the figure", key=True),
    value=number("The figure, in `unit`", "unit"),
    unit=text("Its unit"),
    note=text("What to know of it", nullable=True),
    **_origin(),
)

#: rules of places, to which the user may add rows of a file of that name in registers/
LOCAL = ("packs", "voc_limits", "exempt_compounds", "retention", "training_rules", "rule_figures")

REFERENCE: dict[str, Table] = {
    t.name: t
    for t in (
        packs, voc_limits, exempt_compounds, hap, hap_blends, target_metals, target_metal_compounds, statutory_te,
        retention, training_rules, rule_figures, film_practice,
    )
}  # fmt: skip
