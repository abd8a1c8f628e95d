"""The invented business: its shops, people, guns, materials and the truth behind them.

What belongs here: everything that exists before the first cup is poured (the registers of the data contract, the mixing
recipes, and the true effects that the estimates will be held against). What does not: the days' events (scenario.py)
and the shapes in which the shops export them (exports.py).

Nothing here is measured. Places, people and products are invented; substances are real, with the CAS numbers and the
densities at 20 C of any handbook, because a made-up solvent would make a made-up VOC content. Film windows, tips and
transfer efficiencies are common practice of the trade, with no published source.
"""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import polars as pl

from schemas.registers import ROLES

#: True mean transfer efficiency of each role with a typical gun and technician, on 0.5-1.5 m2 (invented, plausible).
ROLE_TE = {
    "wash_primer": 0.50, "adhesion_promoter": 0.46, "epoxy": 0.57, "sprayable_filler": 0.60, "surfacer": 0.59,
    "sealer": 0.57, "base": 0.54, "mid_coat": 0.52, "clear": 0.63, "single_stage": 0.61, "specialty": 0.50,
}  # fmt: skip
ATOMISING_EFFECT = {
    "conventional": -0.40, "reduced_pressure": -0.02, "hvlp": 0.0,
    "airless": 0.05, "air_assisted_airless": 0.05, "electrostatic": 0.20,
}  # fmt: skip
AREA_EFFECT = np.array([-0.22, 0.0, 0.06, 0.10])
#: What is planted: upper edge less lower edge over the mean film, and clear over the middle of the sheet's window.
PLANTED_TILT = 0.22
PLANTED_CLEAR = 1.42
#: What practice left of that tilt, and for how many months before the end.
PRACTISED, PRACTISED_MONTHS = 0.5, 4
#: And what the last finish gun of the third shop loses of log TE over the whole period.
PLANTED_WEAR = 0.40
#: Month of the business, from 0, from which a finish gun of the first shop is another shop's.
MOVED_FROM = 8
BLENDED_EFFECT = -0.12
PLASTIC_EFFECT = -0.14


@dataclass(frozen=True)
class Parameters:
    """Everything that can be turned. Probabilities and relative sd are dimensionless, sd_* are sd of log TE."""

    seed: int = 20260
    shops: int = 3
    months: int = 14
    cups: int = 6000
    start: dt.date = dt.date(2025, 3, 1)
    technicians: int = 4
    colours: int = 30
    # truth of the transfer efficiency (the figures at the top of the method page)
    sd_gun: float = 0.10
    sd_technician: float = 0.08
    sd_pair: float = 0.03
    sd_event: float = 0.08
    sd_role: float = 0.0  # how far what each role transfers in this business lies from ROLE_TE; moves `level` too
    wear_log_te: float = 0.30
    own_gun: float = 0.75
    loner: bool = True
    helpers: bool = True
    movers: bool = True  # a gun that changes shop and one that is lent for some days; helpers are the people who do
    # film
    area_sd: float = 0.05
    panel_sd: float = 0.08
    within_cv: float = 0.13
    operation_sd: float = 0.08
    fraction_sd: float = 0.10
    inner_sd: float = 0.15
    # readings
    read_job: float = 0.85
    read_panel: float = 0.88
    mid_reading: float = 0.15
    positioned: float = 0.60
    lost_reading: float = 0.03
    targets: bool = True  # the first kind of shop sprays clear at weighed foils twice a year
    witness: float = 0.5
    gauge_noise_um: float = 1.2
    # cups
    leftover_weighed: float = 0.60
    mixed_weighing: bool = True
    leftover_mean: float = 0.16
    leftover_sd: float = 0.09
    solids_sd: float = 0.01
    kept: float = 0.10
    poured_on: float = 0.5
    shared_cup: float = 0.06
    explicit_draws: float = 0.65
    cup_without_job: float = 0.03
    operation_without_cup: float = 0.01
    odd_pours: float = 0.02
    # work
    redo: float = 0.05
    blended: float = 0.35
    # two hands whose habits are worth a practice card: one tilts the gun, one lays too much clear
    planted: bool = True
    # the small tables (stock, cleaning, checks ...) and unread plastic are left out where a test wants the core alone
    small_tables: bool = True

    @property
    def level(self) -> float:
        """Added to every role's mean log TE: where effects spread wider than in the demo, the middle lies lower.

        Nothing lands more than was sprayed. A draw that had to be cut off there would have another truth than its eta says.
        """
        spread = math.hypot(self.sd_gun, self.sd_technician, self.sd_pair, self.sd_event, self.sd_role)
        return -1.5 * max(0.0, spread - math.hypot(0.10, 0.08, 0.03, 0.08))

    @property
    def role_log_te(self) -> np.ndarray:
        """True mean log TE of each of ROLES in this business, drawn apart from everything else."""
        own = np.random.default_rng([self.seed, 9]).normal(0, self.sd_role, len(ROLES))
        return np.log([ROLE_TE[role] for role in ROLES]) + self.level + own


# ---------------------------------------------------------------------------------------------------------- materials
@dataclass(frozen=True)
class Substance:
    """One substance: CAS number, name, density at 20 C in g/mL, and how the US rule sees it.

    `status` is `voc`, `exempt` (40 CFR 51.100(s)), `water` or `solid` (stays in the film).
    """

    cas: str
    name: str
    density: float
    status: str


#: Densities: handbook values at 20 C, quoted from memory; tests compare those the `chemicals` library knows.
SUBSTANCES = {
    s.cas: s
    for s in (
        Substance("7732-18-5", "water", 0.9982, "water"),
        Substance("123-86-4", "n-butyl acetate", 0.8825, "voc"),
        Substance("141-78-6", "ethyl acetate", 0.9003, "voc"),
        Substance("108-65-6", "1-methoxy-2-propyl acetate", 0.966, "voc"),
        Substance("107-98-2", "1-methoxy-2-propanol", 0.922, "voc"),
        Substance("5131-66-8", "1-butoxy-2-propanol", 0.879, "voc"),
        Substance("111-76-2", "2-butoxyethanol", 0.900, "voc"),
        Substance("112-07-2", "2-butoxyethyl acetate", 0.941, "voc"),
        Substance("763-69-9", "ethyl 3-ethoxypropionate", 0.950, "voc"),
        Substance("1330-20-7", "xylene (mixed isomers)", 0.864, "voc"),
        Substance("100-41-4", "ethylbenzene", 0.867, "voc"),
        Substance("108-88-3", "toluene", 0.867, "voc"),
        Substance("64742-95-6", "aromatic naphtha", 0.875, "voc"),
        Substance("98-82-8", "cumene", 0.862, "voc"),
        Substance("78-93-3", "2-butanone", 0.805, "voc"),
        Substance("108-10-1", "4-methyl-2-pentanone", 0.801, "voc"),
        Substance("110-43-0", "2-heptanone", 0.815, "voc"),
        Substance("67-63-0", "2-propanol", 0.7855, "voc"),
        Substance("71-36-3", "1-butanol", 0.8098, "voc"),
        Substance("67-64-1", "acetone", 0.7900, "exempt"),
        Substance("98-56-6", "parachlorobenzotrifluoride", 1.340, "exempt"),
        Substance("540-88-5", "tert-butyl acetate", 0.866, "exempt"),
        Substance("822-06-0", "hexamethylene diisocyanate", 1.05, "solid"),
        Substance("28182-81-2", "hexamethylene diisocyanate, oligomers", 1.12, "solid"),
        Substance("13463-67-7", "titanium dioxide", 4.2, "solid"),
        Substance("14807-96-6", "talc", 2.7, "solid"),
        Substance("7727-43-7", "barium sulfate", 4.5, "solid"),
        Substance("7779-90-0", "zinc phosphate", 4.0, "solid"),
        Substance("7789-06-2", "strontium chromate", 3.9, "solid"),
        Substance("68186-94-7", "manganese ferrite black spinel", 4.6, "solid"),
        Substance("1333-86-4", "carbon black", 1.8, "solid"),
    )
}


@dataclass(frozen=True)
class Recipe:
    """One component as the maker would know it.

    `solids` is the mass fraction that stays in the film, `dry_density` the density of that part (g/mL); `volatiles` and
    `in_solids` are mass fractions by CAS of the whole component. Solids + volatiles = 1. `low_high` gives the range a
    safety data sheet would print for a species instead of a figure.
    """

    component_id: str
    label: str
    kind: str
    solids: float
    dry_density: float
    volatiles: dict[str, float]
    price_per_kg: float
    in_solids: dict[str, float] = field(default_factory=dict)
    low_high: dict[str, tuple[float, float]] = field(default_factory=dict)


def _recipes() -> list[Recipe]:
    water, butyl, pma = "7732-18-5", "123-86-4", "108-65-6"
    xylene, ethylbenzene, naphtha, mek, mibk = "1330-20-7", "100-41-4", "64742-95-6", "78-93-3", "108-10-1"
    acetone, pcbtf, tbac, mak, butylglycol = "67-64-1", "98-56-6", "540-88-5", "110-43-0", "5131-66-8"
    hdi, hdi_oligomer = "822-06-0", "28182-81-2"
    toluene, ipa, butanol, eep, ethac, bga = "108-88-3", "67-63-0", "71-36-3", "763-69-9", "141-78-6", "112-07-2"
    out = [
        # waterborne base: binder, toners, reducer
        Recipe(
            "wb_binder", "Water base binder", "binder", 0.22, 1.18, {water: 0.66, butylglycol: 0.08, ipa: 0.04}, 21.0
        ),
        Recipe(
            "wb_toner_white",
            "Water toner white",
            "toner",
            0.48,
            2.35,
            {water: 0.43, butylglycol: 0.06, ipa: 0.03},
            44.0,
            {"13463-67-7": 0.30},
        ),
        Recipe(
            "wb_toner_black",
            "Water toner black",
            "toner",
            0.24,
            1.32,
            {water: 0.63, butylglycol: 0.09, ipa: 0.04},
            47.0,
            {"1333-86-4": 0.03},
        ),
        Recipe(
            "wb_toner_blue",
            "Water toner deep blue",
            "toner",
            0.27,
            1.34,
            {water: 0.60, butylglycol: 0.09, ipa: 0.04},
            61.0,
        ),
        Recipe(
            "wb_toner_red",
            "Water toner oxide red",
            "toner",
            0.33,
            1.72,
            {water: 0.56, butylglycol: 0.07, ipa: 0.04},
            58.0,
        ),
        Recipe(
            "wb_toner_flake",
            "Water toner fine flake",
            "toner",
            0.26,
            1.42,
            {water: 0.57, butylglycol: 0.12, ipa: 0.05},
            66.0,
        ),
        Recipe(
            "wb_toner_graphite",
            "Water toner graphite",
            "toner",
            0.30,
            1.60,
            {water: 0.58, butylglycol: 0.08, ipa: 0.04},
            52.0,
            {"68186-94-7": 0.010},
        ),
        Recipe("wb_reducer", "Water reducer", "reducer", 0.0, 1.2, {water: 0.95, butylglycol: 0.05}, 6.5),
        # solvent-borne base with an exempt solvent in the reducer
        Recipe(
            "sb_binder",
            "Solvent base binder",
            "binder",
            0.47,
            1.20,
            {butyl: 0.27, xylene: 0.06, ethylbenzene: 0.02, pma: 0.18},
            19.0,
            {},
            {xylene: (0.05, 0.10), ethylbenzene: (0.01, 0.025)},
        ),
        Recipe(
            "sb_toner_white",
            "Solvent toner white",
            "toner",
            0.58,
            2.30,
            {butyl: 0.28, xylene: 0.08, pma: 0.06},
            39.0,
            {"13463-67-7": 0.36},
        ),
        Recipe(
            "sb_toner_black",
            "Solvent toner black",
            "toner",
            0.36,
            1.30,
            {butyl: 0.40, xylene: 0.12, pma: 0.12},
            42.0,
            {"1333-86-4": 0.04},
        ),
        Recipe(
            "sb_toner_blue",
            "Solvent toner deep blue",
            "toner",
            0.38,
            1.33,
            {butyl: 0.40, xylene: 0.10, pma: 0.12},
            55.0,
        ),
        Recipe(
            "sb_toner_red", "Solvent toner oxide red", "toner", 0.44, 1.70, {butyl: 0.36, xylene: 0.08, pma: 0.12}, 53.0
        ),
        Recipe(
            "sb_toner_flake",
            "Solvent toner fine flake",
            "toner",
            0.33,
            1.40,
            {butyl: 0.42, naphtha: 0.12, pma: 0.13},
            60.0,
        ),
        Recipe("sb_reducer", "Solvent base reducer, exempt", "reducer", 0.0, 1.2, {acetone: 0.90, butyl: 0.10}, 7.2),
        # clears and their hardeners
        Recipe(
            "hs_clear", "High solids clear binder", "binder", 0.58, 1.10, {butyl: 0.20, naphtha: 0.08, mak: 0.14}, 24.0
        ),
        Recipe(
            "hs_hardener",
            "High solids hardener",
            "hardener",
            0.70,
            1.15,
            {butyl: 0.20, pma: 0.10},
            38.0,
            {hdi_oligomer: 0.697, hdi: 0.003},
            {hdi: (0.001, 0.005)},
        ),
        Recipe(
            "hs_reducer", "Clear reducer, exempt", "reducer", 0.0, 1.2, {tbac: 0.55, pcbtf: 0.20, butyl: 0.25}, 11.0
        ),
        Recipe(
            "ec_clear",
            "Low solvent clear binder",
            "binder",
            0.60,
            1.10,
            {butyl: 0.22, eep: 0.10, bga: 0.03, naphtha: 0.05},
            26.0,
        ),
        Recipe(
            "ec_hardener",
            "Low solvent hardener",
            "hardener",
            0.80,
            1.15,
            {butyl: 0.20},
            41.0,
            {hdi_oligomer: 0.796, hdi: 0.004},
            {hdi: (0.001, 0.005)},
        ),
        Recipe("ec_reducer", "Low solvent reducer", "reducer", 0.0, 1.2, {butyl: 0.60, pma: 0.40}, 9.0),
        # primers
        Recipe(
            "sf_binder",
            "Grey surfacer",
            "binder",
            0.66,
            2.05,
            {butyl: 0.18, xylene: 0.09, ethylbenzene: 0.02, pma: 0.05},
            14.0,
            {"14807-96-6": 0.20, "13463-67-7": 0.10, "7779-90-0": 0.04},
            {xylene: (0.05, 0.10)},
        ),
        Recipe(
            "sf_hardener",
            "Surfacer hardener",
            "hardener",
            0.50,
            1.14,
            {butyl: 0.35, pma: 0.15},
            33.0,
            {hdi_oligomer: 0.498, hdi: 0.002},
        ),
        Recipe("sf_reducer", "Surfacer reducer", "reducer", 0.0, 1.2, {acetone: 0.60, butyl: 0.40}, 7.0),
        Recipe(
            "ep_binder",
            "Epoxy primer binder",
            "binder",
            0.62,
            1.95,
            {xylene: 0.12, ethylbenzene: 0.03, butanol: 0.08, mibk: 0.15},
            18.0,
            {"14807-96-6": 0.15, "7727-43-7": 0.12, "7779-90-0": 0.08},
        ),
        Recipe(
            "ep_hardener",
            "Epoxy primer hardener",
            "hardener",
            0.45,
            1.08,
            {xylene: 0.20, ethylbenzene: 0.04, butanol: 0.31},
            20.0,
        ),
        Recipe(
            "wp_binder",
            "Chromate wash primer",
            "binder",
            0.16,
            1.70,
            {ipa: 0.48, butanol: 0.20, xylene: 0.16},
            23.0,
            {"7789-06-2": 0.035},
        ),
        Recipe("wp_hardener", "Wash primer acid part", "hardener", 0.06, 1.30, {ipa: 0.80, water: 0.14}, 12.0),
        Recipe(
            "ad_ready",
            "Adhesion promoter, ready to spray",
            "binder",
            0.07,
            1.05,
            {toluene: 0.18, xylene: 0.40, naphtha: 0.35},
            27.0,
        ),
        Recipe(
            "se_binder",
            "Sealer binder",
            "binder",
            0.61,
            1.75,
            {butyl: 0.22, pma: 0.11, xylene: 0.06},
            17.0,
            {"13463-67-7": 0.14, "14807-96-6": 0.12},
        ),
        Recipe("mc_binder", "Mid-coat binder", "binder", 0.4, 1.16, {butyl: 0.35, pma: 0.18, ethac: 0.07}, 31.0),
        Recipe(
            "ss_binder",
            "Single-stage binder",
            "binder",
            0.57,
            1.32,
            {butyl: 0.23, pma: 0.10, naphtha: 0.10},
            22.0,
            {"13463-67-7": 0.12},
        ),
        Recipe(
            "filler_paste",
            "Body filler paste",
            "binder",
            0.82,
            1.95,
            {"7732-18-5": 0.0, eep: 0.18},
            6.0,
            {"14807-96-6": 0.45},
        ),
        # what never goes through a gun for good
        Recipe(
            "cl_gun",
            "Gun cleaning solvent",
            "solvent",
            0.0,
            1.2,
            {acetone: 0.45, toluene: 0.20, mek: 0.20, xylene: 0.15},
            3.2,
        ),
        Recipe(
            "cl_gun_low", "Gun cleaning solvent, low toxicity", "solvent", 0.0, 1.2, {butyl: 0.55, acetone: 0.45}, 3.9
        ),
        Recipe("cl_wipe", "Surface wipe solvent", "solvent", 0.0, 1.2, {naphtha: 0.35, ipa: 0.65}, 4.4),
        Recipe("cl_water_wipe", "Surface wipe, water", "solvent", 0.0, 1.2, {water: 0.90, ipa: 0.10}, 2.5),
        Recipe(
            "aerosol_guide",
            "Aerosol guide coat",
            "additive",
            0.12,
            1.4,
            {acetone: 0.58, xylene: 0.10, butyl: 0.20},
            19.0,
        ),
    ]
    return out


@dataclass(frozen=True)
class Product:
    """One product of the demo: its role, recipe by mass, and what its data sheet says (um, mm, kPa, min, mL)."""

    product_id: str
    label: str
    role: str
    mix: tuple[tuple[str, float], ...]
    film: tuple[float, float]
    tip: tuple[float, float]
    pressure: float
    coats: tuple[int, int]
    pot_life: int | None
    us: str
    eu: str
    toners: tuple[str, ...] = ()
    basis: str = "as_applied"
    min_mix_ml: float = 50.0


_WB = ("wb_toner_white", "wb_toner_black", "wb_toner_blue", "wb_toner_red", "wb_toner_flake", "wb_toner_graphite")
_SB = ("sb_toner_white", "sb_toner_black", "sb_toner_blue", "sb_toner_red", "sb_toner_flake")

PRODUCTS = (
    Product("wash_primer", "Wash primer, two parts", "wash_primer", (("wp_binder", 1.0), ("wp_hardener", 0.9)),
            (6, 14), (1.3, 1.5), 200, (1, 1), 480, "wash_primer", "wash_primer"),
    Product("adhesion", "Plastic adhesion promoter", "adhesion_promoter", (("ad_ready", 1.0),),
            (3, 8), (1.2, 1.4), 200, (1, 2), None, "specialty", "special_finish"),
    Product("epoxy_grey", "Epoxy primer grey", "epoxy", (("ep_binder", 1.0), ("ep_hardener", 0.32)),
            (30, 60), (1.4, 1.7), 220, (1, 2), 480, "primer_surfacer", "primer"),
    Product("surfacer_grey", "Filling surfacer grey", "surfacer",
            (("sf_binder", 1.0), ("sf_hardener", 0.16), ("sf_reducer", 0.10)),
            (90, 170), (1.6, 1.8), 220, (2, 3), 60, "primer_surfacer", "primer"),
    Product("surfacer_low", "Filling surfacer, low solvent", "surfacer",
            (("sf_binder", 1.0), ("ec_hardener", 0.14), ("ec_reducer", 0.05)),
            (90, 170), (1.6, 1.8), 220, (2, 3), 60, "primer_surfacer", "primer"),
    Product("sealer_grey", "Wet-on-wet sealer", "sealer",
            (("se_binder", 1.0), ("sf_hardener", 0.18), ("sf_reducer", 0.08)),
            (20, 35), (1.3, 1.5), 210, (1, 1), 90, "primer_sealer", "primer"),
    Product("base_water", "Water base, mixed colour", "base", (("wb_binder", 1.0), ("wb_reducer", 0.22)),
            (10, 22), (1.2, 1.4), 200, (2, 3), None, "topcoat_two_stage", "topcoat", _WB),
    Product("base_solvent", "Solvent base, mixed colour", "base", (("sb_binder", 1.0), ("sb_reducer", 0.80)),
            (14, 28), (1.3, 1.4), 210, (2, 3), None, "topcoat_two_stage", "topcoat", _SB),
    Product("mid_pearl", "Pearl mid coat", "mid_coat",
            (("mc_binder", 1.0), ("sb_toner_flake", 0.10), ("sb_reducer", 0.5)),
            (10, 20), (1.2, 1.4), 200, (2, 3), None, "topcoat_multi_stage", "topcoat"),
    Product("mid_water", "Pearl mid coat, water", "mid_coat",
            (("wb_binder", 1.0), ("wb_toner_flake", 0.12), ("wb_reducer", 0.2)),
            (8, 18), (1.2, 1.4), 200, (2, 3), None, "topcoat_multi_stage", "topcoat"),
    Product("clear_hs", "High solids clear", "clear", (("hs_clear", 1.0), ("hs_hardener", 0.50), ("hs_reducer", 0.10)),
            (45, 70), (1.2, 1.4), 200, (2, 2), 75, "topcoat_two_stage", "topcoat"),
    Product("clear_low", "Low solvent clear", "clear", (("ec_clear", 1.0), ("ec_hardener", 0.52), ("ec_reducer", 0.04)),
            (45, 70), (1.2, 1.4), 200, (2, 2), 60, "topcoat_two_stage", "topcoat"),
    Product("single_white", "Single-stage white", "single_stage",
            (("ss_binder", 1.0), ("hs_hardener", 0.40), ("sf_reducer", 0.12)),
            (50, 80), (1.3, 1.5), 210, (2, 3), 120, "topcoat_two_stage", "topcoat"),
    Product("filler_body", "Body filler", "specialty", (("filler_paste", 1.0),),
            (100, 2000), (2.0, 3.0), 0, (1, 1), 6, "specialty", "filler"),
)  # fmt: skip
PRODUCT_INDEX = {p.product_id: i for i, p in enumerate(PRODUCTS)}

#: Which product a shop of each style uses in a role. Style 0: US, water base; 1: US, solvent base; 2: EU, water base.
STYLE_PRODUCTS = (
    {"wash_primer": "wash_primer", "adhesion_promoter": "adhesion", "epoxy": "epoxy_grey", "surfacer": "surfacer_grey",
     "sealer": "sealer_grey", "base": "base_water", "mid_coat": "mid_water", "clear": "clear_hs",
     "single_stage": "single_white"},
    {"wash_primer": "wash_primer", "adhesion_promoter": "adhesion", "epoxy": "epoxy_grey", "surfacer": "surfacer_grey",
     "sealer": "sealer_grey", "base": "base_solvent", "mid_coat": "mid_pearl", "clear": "clear_hs",
     "single_stage": "single_white"},
    {"wash_primer": "wash_primer", "adhesion_promoter": "adhesion", "epoxy": "epoxy_grey", "surfacer": "surfacer_low",
     "sealer": "sealer_grey", "base": "base_water", "mid_coat": "mid_water", "clear": "clear_low",
     "single_stage": "single_white"},
)  # fmt: skip
STYLE_JURISDICTION = ("us", "us", "eu")
STYLE_ZONE = ("America/Denver", "America/Denver", "Europe/Vienna")
#: Places of an invented region; no such towns.
STYLE_ID = ("tarnwick", "vellmoor", "ostenried")
STYLE_LABEL = ("Tarnwick Panel and Paint", "Vellmoor Body Works", "Ostenried Lackierstube")

PEOPLE = (
    "Ailo", "Benedikta", "Corvin", "Dunja", "Eskil", "Fenna", "Gunvor", "Hanno", "Idunn", "Jorin", "Kaisa", "Levke",
    "Mirja", "Nando", "Oda", "Piet", "Quint", "Runa", "Sverre", "Tjark", "Ulva", "Veit", "Wiebke", "Ylva", "Zeno",
)  # fmt: skip


def component_figures(recipe: Recipe) -> dict[str, float | None]:
    """Densities and fractions of a component from its recipe, volumes taken as additive.

    Returns density_g_per_ml, solids_mass_fraction, solids_volume_fraction, voc_, water_, exempt_, voc_eu_mass_fraction
    (dimensionless) and exempt_density_g_per_ml (g/mL; None without exempt solvent). EU VOC counts every organic
    solvent, the US-exempt ones included (2004/42/EC has no such list).
    """
    total = recipe.solids + sum(recipe.volatiles.values())
    if abs(total - 1) > 1e-9:
        raise ValueError(f"{recipe.component_id}: solids and volatiles sum to {total:.4f}, not to 1")
    by_status = {"voc": 0.0, "water": 0.0, "exempt": 0.0}
    exempt_volume = 0.0
    volume = recipe.solids / recipe.dry_density
    for cas, fraction in recipe.volatiles.items():
        substance = SUBSTANCES[cas]
        by_status[substance.status] += fraction
        volume += fraction / substance.density
        if substance.status == "exempt":
            exempt_volume += fraction / substance.density
    density = 1 / volume
    return {
        "density_g_per_ml": round(density, 4),
        "solids_mass_fraction": round(recipe.solids, 4),
        "solids_volume_fraction": round(recipe.solids / recipe.dry_density * density, 4),
        "voc_mass_fraction": round(by_status["voc"], 4),
        "water_mass_fraction": round(by_status["water"], 4),
        "exempt_mass_fraction": round(by_status["exempt"], 4),
        "exempt_density_g_per_ml": round(by_status["exempt"] / exempt_volume, 4) if exempt_volume else None,
        "voc_eu_mass_fraction": round(by_status["voc"] + by_status["exempt"], 4),
    }


# ------------------------------------------------------------------------------------------------------------- panels
#: Outer faces going round a vehicle, so that neighbours on the list are neighbours on the car.
RING = (
    "front_bumper", "hood", "left_front_fender", "left_front_door", "left_rear_door", "left_quarter", "rear_bumper",
    "trunk_lid", "right_quarter", "right_rear_door", "right_front_door", "right_front_fender",
)  # fmt: skip
PANELS = (*RING, "roof", "test_foil")
VEHICLE_CLASSES = ("small_car", "large_car", "van")
_AREA = {
    "front_bumper": 1.25, "rear_bumper": 1.20, "hood": 1.35, "trunk_lid": 0.95, "left_front_fender": 0.72,
    "right_front_fender": 0.72, "left_front_door": 1.05, "right_front_door": 1.05, "left_rear_door": 0.95,
    "right_rear_door": 0.95, "left_quarter": 1.15, "right_quarter": 1.15, "roof": 1.75, "test_foil": 1.0,
}  # fmt: skip
_CLASS_SCALE = {"small_car": 0.85, "large_car": 1.1, "van": 1.35}
PLASTIC = np.array([p.endswith("bumper") for p in PANELS])
#: Panels with an inner face or a jamb that is painted when the panel is new, and its share of the outer area.
INNER = {
    "hood": ("inner", 0.80),
    "trunk_lid": ("inner", 0.70),
    "left_front_door": ("jamb", 0.30),
    "right_front_door": ("jamb", 0.30),
    "left_rear_door": ("jamb", 0.30),
    "right_rear_door": ("jamb", 0.30),
}
FACES = ("outer", "inner", "jamb")


def panel_area_table() -> np.ndarray:
    """Area in m2, shape (vehicle class, panel, face); nan where a panel has no such face."""
    out = np.full((len(VEHICLE_CLASSES), len(PANELS), len(FACES)), np.nan)
    for c, vehicle in enumerate(VEHICLE_CLASSES):
        for i, panel in enumerate(PANELS):
            scale = 1.0 if panel == "test_foil" else _CLASS_SCALE[vehicle]
            out[c, i, 0] = round(_AREA[panel] * scale, 2)
            if panel in INNER:
                face, share = INNER[panel]
                out[c, i, FACES.index(face)] = round(_AREA[panel] * scale * share, 2)
    return out


#: The hood of a large car is aluminium in this region: a magnetic gauge is blind on it.
ALUMINIUM = np.array([[c == "large_car" and p == "hood" for p in PANELS] for c in VEHICLE_CLASSES])


# --------------------------------------------------------------------------------------------------------- the business
@dataclass
class ShopTruth:
    """What scenario.py needs of one shop: index arrays into Business.guns / technicians and its habits."""

    shop_id: str
    style: int
    product: dict[str, int]
    painters: np.ndarray
    helpers: np.ndarray
    finish_guns: np.ndarray
    primer_guns: np.ndarray
    spot_gun: int
    loner: bool
    scales: list[str]
    gauges: list[int]
    booths: list[str]
    colours: list[str]
    colour_weight: np.ndarray
    hiding: np.ndarray
    cleaner: str
    wipe: str


@dataclass
class Business:
    """Registers (frames), recipes (arrays) and true effects of the invented business."""

    registers: dict[str, pl.DataFrame]
    shops: list[ShopTruth]
    technician_ids: list[str]
    gun_ids: list[str]
    technician_effect: np.ndarray
    gun_effect: np.ndarray
    pair_effect: np.ndarray
    atomising: np.ndarray
    flush_g: np.ndarray
    cup_ml: np.ndarray
    wear_per_day: np.ndarray
    service_day: np.ndarray  # days after the start on which wear begins anew; beyond the end where it never does
    gun_from: np.ndarray
    gun_to: np.ndarray
    weigh_prob: np.ndarray
    tilt: np.ndarray
    practised: np.ndarray  # day since 1970 from which a hand keeps PRACTISED of its tilt
    edge: np.ndarray
    build_habit: np.ndarray
    gauge_ids: list[str]
    gauge_principle: list[str]
    gauge_offset: np.ndarray
    gauge_gain: np.ndarray
    component_ids: list[str]
    component_kinds: list[str]
    density: np.ndarray
    solids_mass: np.ndarray
    solids_volume: np.ndarray
    product_mix: np.ndarray
    toner_mix: dict[tuple[int, int], np.ndarray]
    area: np.ndarray
    start: dt.date
    moving: tuple[int, int, int] | None  # a gun, the shop it goes to, and the gun that is lent; None: none does


def _colour_mixes(rng: np.random.Generator, product: Product, components: dict[str, int], colours: int) -> np.ndarray:
    """Toner grams per gram of binder, shape (colour, component): two to four toners a colour."""
    out = np.zeros((colours, len(components)))
    columns = [components[t] for t in product.toners]
    for c in range(colours):
        chosen = rng.choice(len(columns), size=rng.integers(2, min(5, len(columns) + 1)), replace=False)
        weights = rng.dirichlet(np.full(len(chosen), 1.2)) * rng.uniform(0.45, 0.85)
        for k, w in zip(chosen, weights, strict=True):
            out[c, columns[k]] = max(w, 0.01)
    return out


def _frame(rows: list[dict[str, Any]], schema: dict[str, pl.DataType]) -> pl.DataFrame:
    return pl.DataFrame(rows, schema=schema)


_T, _F, _I, _B, _D = pl.String(), pl.Float64(), pl.Int64(), pl.Boolean(), pl.Date()


def build_business(p: Parameters) -> Business:
    """Draw the business of `p` (scenario.Parameters): registers and true effects, from the seed alone."""
    rng = np.random.default_rng([p.seed, 1])
    start, end = p.start, _add_months(p.start, p.months)
    recipes = _recipes()
    components = {r.component_id: i for i, r in enumerate(recipes)}
    figures = [component_figures(r) for r in recipes]

    n_people, n_finish, n_primer = p.technicians, p.technicians, 2
    per_shop_guns = n_finish + n_primer + 1
    n_tech, n_guns = p.shops * n_people, p.shops * per_shop_guns
    gun_effect = rng.normal(0, p.sd_gun, n_guns)
    technician_effect = rng.normal(0, p.sd_technician, n_tech)
    pair_effect = rng.normal(0, p.sd_pair, (n_guns, n_tech))

    shops: list[ShopTruth] = []
    reg: dict[str, list[dict[str, Any]]] = {
        k: []
        for k in ("shops", "booths", "technicians", "trainings", "guns", "gun_services", "gauges", "permit_limits")
    }
    gun_ids: list[str] = []
    tech_ids: list[str] = []
    gauge_ids: list[str] = []
    gauge_principle: list[str] = []
    atomising: list[str] = []
    flush, cup_ml = np.zeros(n_guns), np.zeros(n_guns)
    wear, service_day = np.zeros(n_guns), np.full(n_guns, 10**6)
    gun_from, gun_to = np.full(n_guns, -(10**6)), np.full(n_guns, 10**6)
    weigh = (
        rng.beta(p.leftover_weighed * 6, (1 - p.leftover_weighed) * 6, n_tech)
        if p.mixed_weighing
        else np.full(n_tech, p.leftover_weighed)
    )
    tilt, practised = rng.normal(0, 0.05, n_tech), np.full(n_tech, 10**6)
    edge = rng.normal(0.03, 0.04, n_tech)
    habit = np.exp(rng.normal(0.02, 0.09, (n_tech, len(ROLES))))
    if p.planted and n_people > 2:
        tilt[1] = PLANTED_TILT
        practised[1] = (_practised_from(p) - dt.date(1970, 1, 1)).days
        if p.shops > 1:
            habit[n_people + 1, ROLES.index("clear")] = PLANTED_CLEAR
    wear_done = False
    for s in range(p.shops):
        style = s % 3
        shop_id = STYLE_ID[s] if s < 3 else f"shop{s + 1:03d}"
        label = STYLE_LABEL[s] if s < 3 else f"Branch {s + 1}"
        reg["shops"].append(
            {
                "shop_id": shop_id,
                "label": label,
                "jurisdiction": STYLE_JURISDICTION[style],
                "time_zone": STYLE_ZONE[style],
            }
        )
        booths = [f"b{s + 1}{k}" for k in (1, 2)]
        for k, booth in enumerate(booths):
            reg["booths"].append(
                {"booth_id": booth, "valid_from": None, "shop_id": shop_id, "filter_capture": 0.98 if k == 0 else 0.965,
                 "evidence_ref": f"filter data {shop_id} {k + 1}" if k == 0 else None}
            )  # fmt: skip
            if k == 1:
                reg["booths"].append(
                    {"booth_id": booth, "valid_from": _add_months(start, p.months // 2), "shop_id": shop_id,
                     "filter_capture": 0.985, "evidence_ref": f"filter data {shop_id} {k + 1}b"}
                )  # fmt: skip
        people = np.arange(s * n_people, (s + 1) * n_people)
        for k, t in enumerate(people):
            tech_ids.append(f"t{s + 1}{k + 1:02d}")
            late = k == n_people - 1 and s == 0
            hired = _add_months(start, 4) if late else start - dt.timedelta(days=int(rng.integers(200, 4000)))
            name = PEOPLE[t % len(PEOPLE)] + ("" if t < len(PEOPLE) else f" {t // len(PEOPLE) + 1}")
            reg["technicians"].append(
                {"technician_id": tech_ids[-1], "shop_id": shop_id, "label": name, "hired_on": hired, "left_on": None}
            )
            # one is trained long ago (runs out during the period), one late, one has the classroom part alone
            if k == 1:
                done = _add_months(start, -58)
            elif late:
                done = hired + dt.timedelta(days=150)
            else:
                done = start - dt.timedelta(days=int(rng.integers(60, 1500)))
            done = max(done, hired + dt.timedelta(days=20)) if not late else done
            reg["trainings"].append(
                {
                    "technician_id": tech_ids[-1],
                    "completed_on": done,
                    "hands_on": not (k == 2 and s == 1),
                    "classroom": True,
                    "certificate_ref": f"C-{s + 1}{k + 1:02d}-{done:%y}" if not (k == 2 and s == 1) else None,
                }
            )
        guns = np.arange(s * per_shop_guns, (s + 1) * per_shop_guns)
        finish, primer, spot = guns[:n_finish], guns[n_finish : n_finish + n_primer], int(guns[-1])
        for k, g in enumerate(guns):
            gun_ids.append(f"g{s + 1}{k + 1:02d}")
            old = g == primer[-1] and style == 1
            kind = "conventional" if old else ("hvlp" if (k + s) % 3 else "reduced_pressure")
            atomising.append(kind)
            tip = 1.3 if k < n_finish else (1.7 if g == primer[0] else 1.6)
            if k < n_finish and k % 3 == 1:
                tip = 1.4
            if p.planted and g == primer[0] and style == 1:
                tip = 1.5  # between two stools: right for epoxy, too small for the surfacer
            if g == primer[-1] and style == 2:
                tip = 1.4  # too small a tip for a surfacer: gun_fit has something to say
            if g == spot:
                tip = 1.0
            cup_ml[g] = (88.0 if style == 0 else 85.0) if g == spot else (650.0 if k < n_finish else 800.0)
            flush[g] = round(float(2.5 + cup_ml[g] / 160 + rng.normal(0, 0.5)), 1)
            missing = g == primer[0] and style == 1
            reg["guns"].append(
                {
                    "gun_id": gun_ids[-1],
                    "valid_from": None,
                    "shop_id": shop_id,
                    "atomising": kind,
                    "feed": "siphon" if old else "gravity",
                    "tip_mm": tip,
                    "cup_ml": cup_ml[g],
                    "flush_loss_g": None if missing else flush[g],
                    "price": round(float(rng.uniform(280, 620)), 0),
                    "in_service_on": start - dt.timedelta(days=int(rng.integers(100, 2500))),
                    "retired_on": None,
                }
            )
            if missing:
                flush[g] = 5.0
            if not wear_done and k == 0:
                # the gun that wears: serviced at the start and once more after two thirds of the period
                wear[g] = -p.wear_log_te / max(1, (end - start).days)
                service_day[g] = (end - start).days * 2 // 3
                wear_done = True
                reg["gun_services"].append({"gun_id": gun_ids[-1], "serviced_on": start, "work": "rebuilt"})
                reg["gun_services"].append(
                    {
                        "gun_id": gun_ids[-1],
                        "serviced_on": start + dt.timedelta(days=(end - start).days * 2 // 3),
                        "work": "tip_changed",
                    }
                )
            elif rng.random() < 0.4:
                reg["gun_services"].append(
                    {
                        "gun_id": gun_ids[-1],
                        "serviced_on": start + dt.timedelta(days=int(rng.integers(5, max(6, (end - start).days)))),
                        "work": str(rng.choice(["rebuilt", "cleaned", "tip_changed"])),
                    }
                )
        if p.planted and s == 2:
            wear[finish[-1]] = -PLANTED_WEAR / max(1, (end - start).days)  # and nobody has serviced this one
        gauges = []
        for k, principle in enumerate(("dual", "magnetic") if style != 2 else ("dual", "ultrasonic")):
            gauges.append(len(gauge_ids))
            gauge_ids.append(f"f{s + 1}{k + 1}")
            gauge_principle.append(principle)
            reg["gauges"].append({"gauge_id": gauge_ids[-1], "principle": principle})
        if STYLE_JURISDICTION[style] == "us":
            reg["permit_limits"] += [
                {"shop_id": shop_id, "measure": "voc_kg", "period": "rolling_12_months", "limit": 0.7, "unit": "ton_us",
                 "source": "invented permit of the demo"},
                {"shop_id": shop_id, "measure": "rts_l", "period": "month", "limit": 26.0, "unit": "gal_us",
                 "source": "invented permit of the demo"},
                {"shop_id": shop_id, "measure": "hap_kg", "period": "rolling_12_months", "limit": 300.0, "unit": "lb",
                 "source": "invented permit of the demo"},
            ]  # fmt: skip
        else:
            reg["permit_limits"].append(
                {"shop_id": shop_id, "measure": "solvent_kg", "period": "calendar_year", "limit": 0.5, "unit": "tonne",
                 "source": "invented permit of the demo"}
            )  # fmt: skip
        colours = [f"C{k + 1:03d}" for k in range(p.colours)]
        weight = 1 / np.arange(2, p.colours + 2)
        shops.append(
            ShopTruth(
                shop_id,
                style,
                {r: PRODUCT_INDEX[i] for r, i in STYLE_PRODUCTS[style].items()},
                people,
                people[:1],
                finish,
                primer,
                spot,
                p.loner and style == 1,
                [f"w{s + 1}1", f"w{s + 1}2"],
                gauges,
                booths,
                colours,
                weight / weight.sum(),
                np.exp(rng.normal(0, 0.18, p.colours)),
                "cl_gun" if style != 2 else "cl_gun_low",
                "cl_wipe" if style == 1 else "cl_water_wipe",
            )
        )
    moving = None
    if p.movers and p.shops > 1 and n_finish > 2:
        moved, lent = int(shops[0].finish_guns[-2]), int(shops[0].finish_guns[-3])
        moving = (moved, min(2, p.shops - 1), lent)
        if p.months > MOVED_FROM:
            reg["guns"][moved]["shop_id"] = shops[moving[1]].shop_id  # the register names where it is now
    if p.mixed_weighing and n_tech >= 3:
        weigh[min(2, n_tech - 1)] = 0.03  # one who never weighs back
    toner_mix = {
        (s, PRODUCT_INDEX[i]): _colour_mixes(rng, PRODUCTS[PRODUCT_INDEX[i]], components, p.colours)
        for s, shop in enumerate(shops)
        for i in ("base_water", "base_solvent")
        if PRODUCT_INDEX[i] in shop.product.values()
    }
    product_mix = np.zeros((len(PRODUCTS), len(recipes)))
    for i, product in enumerate(PRODUCTS):
        for component, ratio in product.mix:
            product_mix[i, components[component]] = ratio
    area = panel_area_table()
    registers = {
        "shops": _frame(reg["shops"], {"shop_id": _T, "label": _T, "jurisdiction": _T, "time_zone": _T}),
        "booths": _frame(
            reg["booths"],
            {"booth_id": _T, "valid_from": _D, "shop_id": _T, "filter_capture": _F, "evidence_ref": _T},
        ),
        "technicians": _frame(
            reg["technicians"],
            {"technician_id": _T, "shop_id": _T, "label": _T, "hired_on": _D, "left_on": _D},
        ),
        "trainings": _frame(
            reg["trainings"],
            {"technician_id": _T, "completed_on": _D, "hands_on": _B, "classroom": _B, "certificate_ref": _T},
        ),
        "guns": _frame(
            reg["guns"],
            {"gun_id": _T, "valid_from": _D, "shop_id": _T, "atomising": _T, "feed": _T, "tip_mm": _F, "cup_ml": _F,
             "flush_loss_g": _F, "price": _F, "in_service_on": _D, "retired_on": _D},
        ),
        "gun_services": _frame(reg["gun_services"], {"gun_id": _T, "serviced_on": _D, "work": _T}),
        "gauges": _frame(reg["gauges"], {"gauge_id": _T, "principle": _T}),
        "products": _products_frame(product_mix, figures),
        "product_categories": _frame(
            [
                {"product_id": q.product_id, "jurisdiction": j, "category": c}
                for q in PRODUCTS
                for j, c in (("us", q.us), ("eu", q.eu))
            ],
            {"product_id": _T, "jurisdiction": _T, "category": _T},
        ),
        "components": _components_frame(recipes, figures, _add_months(start, p.months // 2)),
        "component_species": _species_frame(recipes),
        "panel_areas": _areas_frame(area),
        "permit_limits": _frame(
            [{"valid_from": None} | row for row in reg["permit_limits"]],
            {"shop_id": _T, "measure": _T, "period": _T, "valid_from": _D, "limit": _F, "unit": _T, "source": _T},
        ),
        "changes": _frame(
            _changes(p, [shop.shop_id for shop in shops], tech_ids, gun_ids) if p.planted else [],
            {"change_id": _T, "on": _D, "until": _D, "what": _T, "shop_id": _T, "technician_id": _T, "gun_id": _T,
             "replaces_gun_id": _T, "product_id": _T, "role": _T, "before": _T, "after": _T, "card": _T, "cost": _F,
             "jobs": _I, "looks": _I},
        ),
    }  # fmt: skip
    return Business(
        registers,
        shops,
        tech_ids,
        gun_ids,
        technician_effect,
        gun_effect,
        pair_effect,
        np.array(atomising),
        flush,
        cup_ml,
        wear,
        service_day,
        gun_from,
        gun_to,
        weigh,
        tilt,
        practised,
        edge,
        habit,
        gauge_ids,
        gauge_principle,
        rng.uniform(0.8, 3.0, len(gauge_ids)),
        1 + rng.normal(0, 0.012, len(gauge_ids)),
        list(components),
        [r.kind for r in recipes],
        np.array([f["density_g_per_ml"] for f in figures]),
        np.array([f["solids_mass_fraction"] for f in figures]),
        np.array([f["solids_volume_fraction"] for f in figures]),
        product_mix,
        toner_mix,
        area,
        start,
        moving,
    )


def _add_months(day: dt.date, months: int) -> dt.date:
    """First day of the month `months` after (or before) that of `day`."""
    index = day.year * 12 + day.month - 1 + months
    return dt.date(index // 12, index % 12 + 1, 1)


add_months = _add_months


def _practised_from(p: Parameters) -> dt.date:
    return _add_months(p.start, max(p.months - PRACTISED_MONTHS, 1))


def _changes(p: Parameters, shops: list[str], people: list[str], guns: list[str]) -> list[dict[str, Any]]:
    """What the business wrote down as changes: a gun that took another's place (they land alike), a hand that practised and tilts
    half as much since, and a way of working that came in the last month and does nothing. people, guns: those of the first shop."""
    found: list[dict[str, Any]] = []
    if p.movers and p.shops > 1 and p.technicians > 2 and p.months > MOVED_FROM:
        new, old = guns[p.technicians - 3], guns[p.technicians - 2]
        found.append(
            {"change_id": "c01", "on": _add_months(p.start, MOVED_FROM), "what": "gun_replaced", "shop_id": shops[0], "gun_id": new,
             "replaces_gun_id": old, "before": f"sprayed with {old}", "after": f"{old} went to another shop, {new} does its work"}
        )  # fmt: skip
    if p.technicians > 2:
        found.append(
            {"change_id": "c02", "on": _practised_from(p), "what": "practice", "shop_id": shops[0], "technician_id": people[1],
             "card": "tilt", "before": "more film at the upper edge", "after": "gun square to the panel down to the lower edge"}
        )  # fmt: skip
    if p.shops > 1:
        found.append(
            {"change_id": "c03", "on": _add_months(p.start, p.months - 1), "what": "procedure", "shop_id": shops[1],
             "role": "clear", "before": "clear stirred when it is mixed", "after": "stirred once more before it goes into the gun"}
        )  # fmt: skip
    return found


def _products_frame(product_mix: np.ndarray, figures: list[dict[str, Any]]) -> pl.DataFrame:
    """The products register; ready-to-spray figures are those of the recipe before toners."""
    density = np.array([f["density_g_per_ml"] for f in figures])
    rows = []
    for i, q in enumerate(PRODUCTS):
        m = product_mix[i] / product_mix[i].sum()
        volume = (m / density).sum()
        rho = 1 / volume
        solids_volume = (m / density * np.array([f["solids_volume_fraction"] for f in figures])).sum() / volume

        def total(key: str, m: np.ndarray = m) -> float:
            return round(float((m * np.array([f[key] for f in figures])).sum()), 4)

        voc, water, exempt = total("voc_mass_fraction"), total("water_mass_fraction"), total("exempt_mass_fraction")
        with_rts = q.role in ("clear", "surfacer", "sealer", "adhesion_promoter")
        rows.append(
            {
                "product_id": q.product_id, "valid_from": None, "label": q.label, "role": q.role,
                "tip_min_mm": q.tip[0], "tip_max_mm": q.tip[1],
                "inlet_max_kpa": float(q.pressure) if q.pressure else None,
                "coats_min": q.coats[0], "coats_max": q.coats[1],
                "film_min_um": float(q.film[0]), "film_max_um": float(q.film[1]),
                "film_basis": q.basis, "pot_life_min": float(q.pot_life) if q.pot_life else None,
                "min_mix_ml": q.min_mix_ml, "sheet_ref": f"sheet {q.product_id}",
                "rts_density_g_per_ml": round(rho, 4) if with_rts else None,
                "rts_solids_mass_fraction": total("solids_mass_fraction") if with_rts else None,
                "rts_solids_volume_fraction": round(float(solids_volume), 4) if with_rts else None,
                # g VOC per litre as applied, water and exempt solvents included
                "rts_voc_g_per_l": round(1000 * rho * voc, 1) if with_rts else None,
                "rts_water_mass_fraction": water if with_rts else None,
                "rts_exempt_mass_fraction": exempt if with_rts else None,
            }
        )  # fmt: skip
    schema = {
        "product_id": _T,
        "valid_from": _D,
        "label": _T,
        "role": _T,
        "tip_min_mm": _F,
        "tip_max_mm": _F,
        "inlet_max_kpa": _F,
        "coats_min": _I,
        "coats_max": _I,
        "film_min_um": _F,
        "film_max_um": _F,
        "film_basis": _T,
        "pot_life_min": _F,
        "min_mix_ml": _F,
        "sheet_ref": _T,
        "rts_density_g_per_ml": _F,
        "rts_solids_mass_fraction": _F,
        "rts_solids_volume_fraction": _F,
        "rts_voc_g_per_l": _F,
        "rts_water_mass_fraction": _F,
        "rts_exempt_mass_fraction": _F,
    }
    return _frame(rows, schema)


def _components_frame(recipes: list[Recipe], figures: list[dict[str, Any]], price_change: dt.date) -> pl.DataFrame:
    schema = {
        "component_id": _T,
        "valid_from": _D,
        "label": _T,
        "kind": _T,
        "density_g_per_ml": _F,
        "solids_mass_fraction": _F,
        "solids_volume_fraction": _F,
        "voc_mass_fraction": _F,
        "water_mass_fraction": _F,
        "exempt_mass_fraction": _F,
        "exempt_density_g_per_ml": _F,
        "voc_eu_mass_fraction": _F,
        "composition_complete": _B,
        "price_per_kg": _F,
    }
    rows = []
    for r, f in zip(recipes, figures, strict=True):
        row = {
            "component_id": r.component_id,
            "valid_from": None,
            "label": r.label,
            "kind": r.kind,
            **f,
            "composition_complete": True,  # every substance of an invented recipe is known
            "price_per_kg": r.price_per_kg,
        }
        rows.append(row)
        if r.component_id in ("hs_clear", "ec_clear", "wb_binder"):
            rows.append({**row, "valid_from": price_change, "price_per_kg": round(r.price_per_kg * 1.06, 2)})
    return _frame(rows, schema)


def _species_frame(recipes: list[Recipe]) -> pl.DataFrame:
    rows = []
    for r in recipes:
        for cas, fraction in {**r.volatiles, **r.in_solids}.items():
            if fraction:
                low, high = r.low_high.get(cas, (None, None))
                rows.append(
                    {
                        "component_id": r.component_id,
                        "cas": cas,
                        "substance": SUBSTANCES[cas].name,
                        "mass_fraction": fraction,
                        "mass_fraction_low": low,
                        "mass_fraction_high": high,
                    }
                )
    schema = {
        "component_id": _T,
        "cas": _T,
        "substance": _T,
        "mass_fraction": _F,
        "mass_fraction_low": _F,
        "mass_fraction_high": _F,
    }
    return _frame(rows, schema)


def _areas_frame(area: np.ndarray) -> pl.DataFrame:
    rows = []
    for c, vehicle in enumerate(VEHICLE_CLASSES):
        for i, panel in enumerate(PANELS):
            substrate = "plastic" if PLASTIC[i] else ("aluminium" if ALUMINIUM[c, i] else "steel")
            for f, face in enumerate(FACES):
                if np.isfinite(area[c, i, f]) and panel != "test_foil":
                    rows.append(
                        {"vehicle_class": vehicle, "panel_id": panel, "face": face, "area_m2": float(area[c, i, f]),
                         "area_rel_sd": 0.05 if face == "outer" else 0.10, "substrate": substrate}
                    )  # fmt: skip
    schema = {"vehicle_class": _T, "panel_id": _T, "face": _T, "area_m2": _F, "area_rel_sd": _F, "substrate": _T}
    return _frame(rows, schema)
