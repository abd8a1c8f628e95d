"""CAS numbers, names, densities and metal contents against the `chemicals` library, and HAP facts against the rules.

`chemicals` 1.x (Caleb Bell and contributors, MIT licence) carries names and CAS numbers of public registries, and
liquid densities by equation 105 of Perry's Chemical Engineers' Handbook, 8th edition, and by the equation of the VDI
Heat Atlas, 2nd edition. The reference tables and the scenario were written down without it.
"""

from __future__ import annotations

import re
from pathlib import Path

import polars as pl
import pytest

from seed_data.business import SUBSTANCES

chemicals = pytest.importorskip("chemicals")
FOLDER = Path(__file__).parents[2] / "seed_data" / "reference"

#: Names whose first match in the library is another substance, or an isomer, than the rule means, with the reason
OTHER_IN_LIBRARY = {
    "1330-20-7": "the library takes xylene for its ortho isomer",
    "57-74-9": "chlordane: the technical mixture has a number of its own",
    "121-69-7": "the statute prints N,N-diethyl aniline beside the number of N,N-dimethylaniline",
    "542-75-6": "the library prefers the trans isomer",
    "684-93-5": "the library reads the nitroso position otherwise",
    "1317-36-8": "the library takes lead monoxide for a mineral form",
}


def table(name: str) -> pl.DataFrame:
    return pl.read_csv(FOLDER / f"{name}.csv")


def named() -> list[tuple[str, str]]:
    pairs = [(s.cas, s.name) for s in SUBSTANCES.values()]
    for name in ("hap", "exempt_compounds", "target_metal_compounds"):
        pairs += list(table(name).select("cas", "substance").unique(maintain_order=True).iter_rows())
    return pairs


def library_number(name: str) -> str | None:
    for text in (name, re.sub(r"\s*\(.*?\)", "", name)):
        try:
            return str(chemicals.CAS_from_any(text))
        except ValueError:
            continue
    return None


def test_names_and_numbers_mean_the_same_substance() -> None:
    known = 0
    for cas, name in named():
        assert chemicals.identifiers.check_CAS(cas), (cas, name)
        found = library_number(name)
        if found is None or cas in OTHER_IN_LIBRARY:
            continue
        assert found == cas, name
        known += 1
    assert known > 220


def test_the_exempt_chlorinated_solvent_is_not_confused_with_ethylbenzene() -> None:
    """A published list gives parachlorobenzotrifluoride the number of ethylbenzene, a HAP: not reproduced here."""
    exempt = dict(table("exempt_compounds").select("substance", "cas").iter_rows())
    assert exempt["parachlorobenzotrifluoride"] == chemicals.CAS_from_any("4-chlorobenzotrifluoride") == "98-56-6"
    assert "100-41-4" not in exempt.values()
    assert "460-00-4" not in exempt.values()


def liquid_density(cas: str) -> float | None:
    """g/mL at 20 C by Perry, else by the Heat Atlas; None where the library has no coefficients."""
    chemicals.volume._load_rho_data()
    perry, atlas = chemicals.volume.rho_data_Perry_8E_105_l, chemicals.volume.rho_data_VDI_PPDS_2
    if cas in perry.index:
        c = perry.loc[cas]
        molar_volume = 1 / chemicals.dippr.EQ105(293.15, c["C1"], c["C2"], c["C3"], c["C4"])  # m3/mol
        return float(chemicals.search_chemical(cas).MW / molar_volume * 1e-6)
    if cas in atlas.index:
        c = atlas.loc[cas]
        t = 1 - 293.15 / c["Tc"]
        terms = (c["A"] * t**0.35, c["B"] * t ** (2 / 3), c["C"] * t, c["D"] * t ** (4 / 3))
        return float((c["rhoc"] + sum(terms)) / 1000)
    return None


def test_densities_of_liquids_are_the_librarys() -> None:
    stated = {s.cas: s.density for s in SUBSTANCES.values() if s.status in ("voc", "exempt")}
    stated |= dict(
        table("exempt_compounds").drop_nulls("density_g_per_ml").select("cas", "density_g_per_ml").iter_rows()
    )
    compared = 0
    for cas, density in stated.items():
        found = liquid_density(cas)
        if found is not None:
            assert density == pytest.approx(found, rel=0.015), (cas, found)
            compared += 1
    assert compared >= 14


def test_a_density_said_to_be_compared_is_one_the_library_has() -> None:
    rows = table("exempt_compounds").unique("cas")
    for cas, source in rows.select("cas", "density_source").iter_rows():
        assert ("compared with" in source and "no open library" not in source) == (liquid_density(cas) is not None), cas


def test_metal_contents_follow_from_the_formulas() -> None:
    symbol = {"chromium": "Cr", "cadmium": "Cd", "lead": "Pb", "manganese": "Mn", "nickel": "Ni"}
    compared = 0
    for cas, metal, fraction in (
        table("target_metal_compounds").select("cas", "metal", "metal_mass_fraction").iter_rows()
    ):
        try:
            formula = chemicals.search_chemical(cas).formula
        except ValueError:
            continue
        atoms = chemicals.simple_formula_parser(formula)
        if symbol[metal] not in atoms:
            continue
        masses = chemicals.elements.mass_fractions(atoms)
        assert fraction == pytest.approx(masses[symbol[metal]], abs=2e-3), (cas, formula)
        compared += 1
    assert compared >= 15


def test_carcinogens_are_those_of_the_lists_that_the_rule_named() -> None:
    """63.3941(a)(1) counted from 0.1 % what 29 CFR 1910.1200(d)(4) called a carcinogen: groups 1, 2A and 2B of the International Agency
    for Research on Cancer and what the Report on Carcinogens lists. `chemicals` carries both (the 13th report). Of metals it has
    classes, not each compound: those follow their metal's row of target_metals (tests/unit/test_reference_data.py)."""
    compared = 0
    for cas, stated, source in table("hap").select("cas", "carcinogen", "carcinogen_source").iter_rows():
        if "chemicals library" not in source:
            assert "target_metals" in source or cas == "106-94-5", cas
            continue
        said = chemicals.Carcinogen(cas).values()
        assert stated == any(re.search(r"\((1|2A|2B)\)|Known|Reasonably", one) for one in said), (cas, said)
        compared += 1
    assert compared > 180


def test_deletions_from_the_hap_list() -> None:
    """40 CFR 63.61 (methyl ethyl ketone, 70 FR 75047) and 63.63 (2-butoxyethanol), read; caprolactam, 61 FR 30816,
    secondary."""
    ends = dict(table("hap").drop_nulls("valid_to").select("cas", "valid_to").iter_rows())
    assert ends == {"78-93-3": "2005-12-19", "111-76-2": "2004-11-29", "105-60-2": "1996-06-18"}


def test_canada_left_five_solvents_out_on_3_june_2016() -> None:
    """SOR/2016-120 (Canada Gazette, Part II, vol. 150, no. 12), in force on its registration, 3 June 2016: methyl formate,
    t-butyl acetate, propylene carbonate, dimethyl carbonate and 2-amino-2-methyl-1-propanol among sixteen compounds."""
    rows = table("exempt_compounds").filter((pl.col("jurisdiction") == "ca") & pl.col("valid_from").is_not_null())
    assert set(rows["valid_from"]) == {"2016-06-03"} and rows.height == 10
    assert set(rows["cas"]) == {"107-31-3", "540-88-5", "108-32-7", "616-38-6", "124-68-5"}


def test_1_bromopropane_is_listed_from_4_february_2022() -> None:
    """87 FR 393, 5 January 2022 (40 CFR 63.64)."""
    (row,) = table("hap").filter(pl.col("cas") == "106-94-5").to_dicts()
    assert (row["valid_from"], row["carcinogen"], row["read"]) == ("2022-02-04", True, "yes")


def test_glycol_ethers_follow_the_definition_of_63_62() -> None:
    """R-(OCH2CH2)n-OR', n = 1-3: the acetate of 2-butoxyethanol is one although 2-butoxyethanol itself is deleted;
    ethers of propylene glycol are not."""
    glycol = set(table("hap").filter(pl.col("group") == "glycol ethers")["cas"])
    assert "112-07-2" in glycol
    assert glycol.isdisjoint({"108-65-6", "107-98-2", "5131-66-8", "34590-94-8"})
    for cas in glycol:
        assert "OCC" in chemicals.search_chemical(cas).smiles, cas


def test_the_list_holds_every_entry_of_the_statute_that_has_a_number() -> None:
    """42 U.S.C. 7412(b)(1), read in a copy, lists 189 pollutants: 17 classes without a number and 172 with one. The
    number printed for DDE belongs to another substance and is left out."""
    hap = table("hap")
    statute = hap.filter(pl.col("source").str.starts_with("42 U.S.C. 7412(b)(1) (Clean Air Act"))
    assert statute.height == 171
    assert "3547-04-4" not in set(hap["cas"])
    assert hap.filter(pl.col("cas") == "4098-71-9").is_empty()  # isophorone diisocyanate is no HAP of the Act (memory)


# 40 CFR 63 subpart MMMM, Table 3 (2015 edition, read): entry, organic HAP mass fraction
TABLE_3 = dict(
    enumerate(
        [
            1.0,
            1.0,
            0.5,
            1.0,
            1.0,
            0,
            0.02,
            0.09,
            0.02,
            0.1,
            0,
            0,
            0.15,
            0,
            0.01,
            0,
            0.001,
            0.01,
            0.05,
            0.01,
            0.06,
            0.08,
        ],
        start=1,
    )
)


def test_default_blends_are_those_of_tables_3_and_4() -> None:
    blends = table("hap_blends")
    found = dict(blends.filter(table_no=3).select("entry_no", "organic_hap_mass_fraction").unique().iter_rows())
    assert found == TABLE_3
    four = blends.filter(table_no=4)
    assert dict(four.select("blend", "organic_hap_mass_fraction").unique().iter_rows()) == {
        "Aliphatic": 0.03,
        "Aromatic": 0.06,
    }
    # the rule's traps: one number with two entries, told apart by name alone
    twice = {
        cas: set(blends.filter(cas=cas)["organic_hap_mass_fraction"]) for cas in ("110-54-3", "64742-95-6", "8032-32-4")
    }
    assert twice == {"110-54-3": {0.5, 1.0}, "64742-95-6": {0.02, 0.05}, "8032-32-4": {0.0}}
