"""The reference tables: their form, their honesty about sources, and that they agree with one another."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import polars as pl
import pytest
from chemicals.identifiers import check_CAS

from schemas import validate
from schemas.reference import METALS, READ, REFERENCE
from seed_data.business import PRODUCTS, SUBSTANCES

FOLDER = Path(__file__).parents[2] / "seed_data" / "reference"


def reference(table: str) -> pl.DataFrame:
    """One reference table, typed by its schema."""
    raw = pl.read_csv(FOLDER / f"{table}.csv", infer_schema=False)
    assert raw.columns == [c.name for c in validate.columns(table)]
    cast = {
        "text": lambda c: pl.col(c),
        "int": lambda c: pl.col(c).cast(pl.Int64),
        "float": lambda c: pl.col(c).cast(pl.Float64),
        "bool": lambda c: pl.col(c).replace_strict({"true": True, "false": False}, return_dtype=pl.Boolean),
        "date": lambda c: pl.col(c).str.to_date("%Y-%m-%d"),
    }
    return raw.select(cast[c.kind](c.name) for c in validate.columns(table))


@pytest.mark.parametrize("table", REFERENCE)
def test_every_table_passes_the_door_and_every_row_names_its_source(table: str) -> None:
    frame = validate.conform(table, reference(table))
    assert frame.height > 0
    assert set(frame["read"]) <= set(READ)
    assert frame["source"].str.len_chars().min() > 10
    memory = frame.filter(pl.col("read") == "memory")
    # what is only remembered says so in words too
    assert memory["source"].str.contains("memory|verify|40 CFR 63.11180").all()
    for column in ("source", "note"):
        if column in frame.columns:
            assert not frame[column].fill_null("").str.contains(r"https?://|\bTODO\b").any()


def test_files_and_schemas_are_the_same_set() -> None:
    assert {p.stem for p in FOLDER.glob("*.csv")} == set(REFERENCE)


def test_every_limit_belongs_to_a_pack_and_shares_its_basis() -> None:
    packs, limits = reference("packs"), reference("voc_limits")
    both = limits.join(packs.rename({"basis": "pack_basis"}), on="jurisdiction", how="left")
    assert both["pack_basis"].null_count() == 0
    assert set(packs["jurisdiction"]) == set(limits["jurisdiction"])
    assert (both["basis"].str.starts_with("eu") == (both["pack_basis"] == "eu")).all()
    # preparatory and cleaning products keep their water in the EU's sum; nothing else does
    whole = limits.filter(basis="eu_whole_volume")
    assert set(whole["category"]) == {"preparatory", "pre_cleaner"}
    assert limits.filter(pl.col("category").is_in(["preparatory", "pre_cleaner"]))["basis"].unique().to_list() == [
        "eu_whole_volume"
    ]


def test_a_pack_from_memory_is_marked_to_be_verified_and_so_is_every_limit_of_it() -> None:
    packs, limits = reference("packs"), reference("voc_limits")
    assert packs.filter(~pl.col("verify") & (pl.col("read") == "memory")).is_empty()
    assert packs.filter("verify")["jurisdiction"].to_list() == ["us-ca", "us-ca-scaqmd"]
    remembered = limits.filter(pl.col("read") == "memory").join(packs, on="jurisdiction")
    assert remembered["verify"].all() and set(remembered["jurisdiction"]) == {"us-ca"}
    assert limits.filter(jurisdiction="ca")["read"].unique().to_list() == ["secondary"]


def test_little_is_from_memory_and_what_was_read_names_its_section_and_edition() -> None:
    """Fewer than 20 rows from memory in all tables (issue 16), carcinogens among them. A row that says it was read names where: a
    section, an article, a table, a clause or a page; and of which year, with nobody else's account between us and the text."""
    rows = pl.concat([reference(table).select("source", "read", table=pl.lit(table)) for table in REFERENCE])
    assert rows.filter(pl.col("read") == "memory").height == 14 < 20
    read = rows.filter(pl.col("read") == "yes")
    assert read.height > 250
    where = r"\d+ (CFR|U\.S\.C\.|FR) [\d. ]+\d|annex|Annex|article|[Tt]able|s\. \d+|clause|section|scope|page"
    edition = r"\b(19|20)\d\d\b"
    accounts = r"as stated by|as explained|summed up|checklist|instructions for|in an? .*account|guide"
    for lacking in (
        read.filter(~pl.col("source").str.contains(where)),
        read.filter(~pl.col("source").str.contains(edition)),
        read.filter(pl.col("source").str.contains(accounts)),
        read.filter(pl.col("source").str.contains("memory")),
    ):
        assert lacking.is_empty(), lacking.unique().to_dicts()
    assert not reference("hap")["carcinogen_source"].fill_null("").str.contains("memory").any()


def test_sections_of_us_rules_are_not_shown_in_europe() -> None:
    sections = {j: set(x.split("|")) for j, x in reference("packs").select("jurisdiction", "sections").iter_rows()}
    us_only = {"hap", "target_metals", "shop_rules", "transfer_65"}
    assert us_only <= sections["us"]
    for jurisdiction in ("eu", "uk"):
        assert not us_only & sections[jurisdiction]
        assert {"solvent_consumption", "solvent_balance", "diisocyanate_training"} <= sections[jurisdiction]
    averaging = dict(reference("packs").select("jurisdiction", "averaging").iter_rows())
    assert [j for j, a in averaging.items() if a == "monthly_weighted"] == ["ca-qc"]


def test_products_of_the_demo_have_a_limit_wherever_they_are_used() -> None:
    limits = reference("voc_limits")
    for jurisdiction in ("us", "eu"):
        known = set(limits.filter(jurisdiction=jurisdiction)["category"])
        assert {getattr(p, jurisdiction) for p in PRODUCTS} <= known


def test_every_cas_number_has_a_valid_check_digit() -> None:
    for table, columns in (
        ("exempt_compounds", ["cas"]), ("hap", ["cas"]), ("hap_blends", ["cas", "hap_cas"]),
        ("target_metal_compounds", ["cas"]),
    ):  # fmt: skip
        for column in columns:
            assert [c for c in reference(table)[column].drop_nulls() if not check_CAS(c)] == []
    assert [c for c in SUBSTANCES if not check_CAS(c)] == []


def test_an_exempt_compound_has_one_name_and_one_density_wherever_it_is_exempt() -> None:
    names = (
        reference("exempt_compounds")
        .group_by("cas")
        .agg(pl.col("substance").n_unique(), pl.col("density_g_per_ml").n_unique())
    )
    assert (names["substance"] == 1).all()
    assert (names["density_g_per_ml"] == 1).all()


def test_exempt_compounds_of_the_scenario_are_exempt_in_the_tables_with_the_same_density() -> None:
    exempt = reference("exempt_compounds").filter(jurisdiction="us", purpose="content")
    density = dict(exempt.select("cas", "density_g_per_ml").iter_rows())
    for cas, substance in SUBSTANCES.items():
        assert (substance.status == "exempt") == (cas in density), substance
        if cas in density:
            assert density[cas] == substance.density


def test_the_eu_has_no_exempt_compounds() -> None:
    assert set(reference("exempt_compounds")["jurisdiction"]).isdisjoint({"eu", "uk"})


def test_tertiary_butyl_acetate_is_reported_until_2016_04_25() -> None:
    rows = reference("exempt_compounds").filter(cas="540-88-5", jurisdiction="us")
    from_on = dict(rows.select("purpose", "valid_from").iter_rows())
    assert from_on == {"content": None, "reporting": dt.date(2016, 4, 25)}


def test_every_jurisdiction_states_both_purposes_for_each_compound() -> None:
    listed = reference("exempt_compounds")
    # a rule on content alone (South Coast's Rule 1151) has no list for reports: that of the place above it holds
    alone = listed.group_by("jurisdiction").agg(pl.col("purpose").unique()).filter(pl.col("purpose").list.len() == 1)
    assert alone.rows() == [("us-ca-scaqmd", ["content"])]
    purposes = (
        listed.join(alone, on="jurisdiction", how="anti")
        .group_by("jurisdiction", "cas")
        .agg(pl.col("purpose").n_unique())
    )
    assert (purposes["purpose"] == 2).all()


def test_blend_entries_add_up_to_their_total() -> None:
    blends = reference("hap_blends")
    sums = blends.group_by("table_no", "entry_no").agg(
        pl.col("hap_mass_fraction").sum(),
        pl.col("organic_hap_mass_fraction").first(),
        pl.len(),
        pl.col("hap_cas").null_count().alias("none"),
    )
    assert ((sums["hap_mass_fraction"] - sums["organic_hap_mass_fraction"]).abs() < 1e-12).all()
    assert (sums.filter(pl.col("none") > 0)["organic_hap_mass_fraction"] == 0).all()
    hap = reference("hap").filter(pl.col("valid_to").is_null())
    assert set(blends["hap_cas"].drop_nulls()) <= set(hap["cas"])


def test_printed_cas_numbers_that_fail_their_check_digit_are_kept_as_printed_and_never_matched() -> None:
    printed = reference("hap_blends").drop_nulls("cas_as_printed")
    failing = printed.filter(~pl.col("cas_as_printed").map_elements(check_CAS, return_dtype=pl.Boolean))
    assert set(failing["cas_as_printed"]) == {"64742-89-6", "8052-49-3"}
    assert failing["cas"].null_count() == failing.height
    assert failing["note"].str.contains("check digit").all()
    rest = printed.join(failing, on=["table_no", "entry_no"], how="anti")
    assert rest["cas"].equals(rest["cas_as_printed"])


def test_target_metals_and_their_compounds_fit_together() -> None:
    metals, compounds = reference("target_metals"), reference("target_metal_compounds")
    assert set(metals["metal"]) == set(METALS)
    assert compounds.join(metals, on=["metal", "form"], how="anti").is_empty()
    hap = reference("hap").filter("metal")
    # elemental lead may not be listed (42 U.S.C. 7412(b)(7)); every compound is
    assert set(compounds["cas"]) - set(hap["cas"]) == {"7439-92-1"}
    listed = compounds.join(metals, on=["metal", "form"]).group_by("cas").agg(pl.col("carcinogen").any())
    assert hap.join(listed, on="cas").filter(pl.col("carcinogen") != pl.col("carcinogen_right")).is_empty()


def test_windows_never_end_before_they_begin_and_use_real_days() -> None:
    for table in ("voc_limits", "exempt_compounds", "hap"):
        frame = reference(table).filter(pl.col("valid_to").is_not_null())
        assert (frame["valid_to"] > pl.Series([dt.date(1990, 11, 15)])).all()


def test_the_longest_retention_is_found_per_record() -> None:
    years = reference("retention").filter(jurisdiction="us", record="shop_rules")["years"].to_list()
    assert years == [5]
    assert reference("retention")["years"].max() == 5
