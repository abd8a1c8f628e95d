"""The registers: tables a shop keeps by hand about its places, people, guns, gauges and materials.

A register with `valid_from` keeps history: the row valid at an event's date is used; an empty valid_from is valid from ever.
"""

from __future__ import annotations

import polars as pl

from schemas.vocabulary import Rule, Table, choice, day, flag, fraction, given, integer, number, text

ROLES = (
    "wash_primer", "adhesion_promoter", "epoxy", "sprayable_filler", "surfacer", "sealer", "base", "mid_coat", "clear",
    "single_stage", "specialty",
)  # fmt: skip
ATOMISING = ("conventional", "reduced_pressure", "hvlp", "airless", "air_assisted_airless", "electrostatic")
#: what may be changed in a paint shop; those of GUN_CHANGES are about one gun
CHANGES = (
    "gun_trial", "gun_replaced", "gun_serviced", "tip", "inlet", "practice", "product", "procedure", "other",
)  # fmt: skip
GUN_CHANGES = CHANGES[:5]
#: kind of a practice card -> the kind of measure of change_effects that it is about
CARD_MEASURES = {
    "low_transfer": "te",
    "over_build": "film_over",
    "tilt": "tilt",
    "thin_edges": "edge",
    "leftover": "leftover_share",
}
CARDS = tuple(CARD_MEASURES)
MEASURES = ("rts_l", "voc_kg", "exempt_kg", "hap_kg", "pm_kg", "solvent_kg")
#: what a limit counts over, and how that is said
PERIODS = {"month": "each month", "rolling_12_months": "over twelve months", "calendar_year": "over the calendar year"}

_col = pl.col
_VALID_FROM = day("First day of this version; empty: from ever", key=True, nullable=True)


def _fractions_sum_to_one() -> Rule:
    """Solids, VOC, water and exempt make up the whole; checked where all four are given (computation: sum = 1 +- 0.01)."""
    parts = ["solids_mass_fraction", "voc_mass_fraction", "water_mass_fraction", "exempt_mass_fraction"]
    total = pl.sum_horizontal([_col(p) for p in parts])
    known = pl.all_horizontal([_col(p).is_not_null() for p in parts])
    message = "solids, voc, water and exempt mass fractions must sum to 1 (within 0.01)"
    return Rule("solids_mass_fraction", message, ~known | ((total - 1).abs() <= 0.01 + 1e-12))


def _fractions_below_one() -> Rule:
    parts = ["solids_mass_fraction", "voc_mass_fraction", "water_mass_fraction", "exempt_mass_fraction"]
    total = pl.sum_horizontal([_col(p).fill_null(0) for p in parts])
    return Rule("solids_mass_fraction", "mass fractions sum to more than 1.01", total <= 1.01 + 1e-12)


shops = given(
    "shops",
    "The paint shops of the business",
    shop_id=text("The shop", key=True),
    label=text("Its name on pages", nullable=True),
    jurisdiction=text("Whose limits and statuses apply, e.g. us, eu, ca; empty: the setting", nullable=True),
    time_zone=text("IANA name of its time zone; empty: the setting", nullable=True),
)

booths = given(
    "booths",
    "Spray booths and what their filters hold back",
    booth_id=text("The booth", key=True),
    valid_from=_VALID_FROM,
    shop_id=text("Its shop", refers_to="shops"),
    filter_capture=fraction("Part of the overspray that the filter holds back", nullable=True),
    evidence_ref=text("The paper that shows it", nullable=True),
)

technicians = given(
    "technicians",
    "The people who spray",
    [Rule("left_on", "must not be before hired_on", _col("left_on") >= _col("hired_on"))],
    technician_id=text("The technician", key=True),
    shop_id=text("Home shop", refers_to="shops"),
    label=text("Name on pages, shown only where the owner chooses so", nullable=True),
    hired_on=day("Hired", nullable=True),
    left_on=day("Left", nullable=True),
)

trainings = given(
    "trainings",
    "Completed trainings",
    technician_id=text("The technician", key=True, refers_to="technicians"),
    completed_on=day("Completed", key=True),
    hands_on=flag("Hands-on part done", nullable=True),
    classroom=flag("Classroom part done", nullable=True),
    certificate_ref=text("The certificate", nullable=True),
)

guns = given(
    "guns",
    "Spray guns",
    gun_id=text("The gun", key=True),
    valid_from=_VALID_FROM,
    shop_id=text("Home shop", refers_to="shops"),
    atomising=choice("How it breaks the fluid up", *ATOMISING),
    feed=choice("How the fluid reaches it", "gravity", "siphon", "pressure", nullable=True),
    tip_mm=number("Fluid tip", "mm", nullable=True, above=0),
    cup_ml=number("Size of its cup", "mL", nullable=True, above=0),
    flush_loss_g=number(
        "What stays in cup and passages and leaves with the cleaning solvent", "g", nullable=True, low=0
    ),
    price=number("Price, in the shop's currency", "currency", nullable=True, low=0),
    in_service_on=day("In service since", nullable=True),
    retired_on=day("Retired", nullable=True),
)

gun_services = given(
    "gun_services",
    "Work done on guns",
    gun_id=text("The gun", key=True, refers_to="guns"),
    serviced_on=day("Day", key=True),
    work=choice("What was done", "rebuilt", "tip_changed", "cleaned", key=True),
)

gauges = given(
    "gauges",
    "Film gauges",
    gauge_id=text("The gauge", key=True),
    principle=choice("How it measures", "magnetic", "eddy", "dual", "ultrasonic"),
)

products = given(
    "products",
    "What data sheets describe, ready to spray",
    [
        Rule("tip_max_mm", "must not be below tip_min_mm", _col("tip_max_mm") >= _col("tip_min_mm")),
        Rule("coats_max", "must not be below coats_min", _col("coats_max") >= _col("coats_min")),
        Rule("film_max_um", "must not be below film_min_um", _col("film_max_um") >= _col("film_min_um")),
    ],
    product_id=text("The product", key=True),
    valid_from=_VALID_FROM,
    label=text("Name on pages", nullable=True),
    role=choice("What it is for", *ROLES),
    tip_min_mm=number("Smallest tip of the data sheet", "mm", nullable=True, above=0),
    tip_max_mm=number("Largest tip of the data sheet", "mm", nullable=True, above=0),
    inlet_max_kpa=number("Highest inlet pressure of the data sheet", "kPa", nullable=True, above=0),
    coats_min=integer("Fewest coats", nullable=True, low=1),
    coats_max=integer("Most coats", nullable=True, low=1),
    film_min_um=number("Least dry film of all coats", "um", nullable=True, low=0),
    film_max_um=number("Greatest dry film of all coats", "um", nullable=True, above=0),
    film_basis=choice("What the window speaks of", "as_applied", "after_sanding", nullable=True),
    pot_life_min=number("Pot life", "min", nullable=True, above=0),
    min_mix_ml=number("Least that can be mixed", "mL", nullable=True, above=0),
    sheet_ref=text("The data sheet", nullable=True),
    rts_density_g_per_ml=number("Ready to spray: density", "g/mL", nullable=True, above=0),
    rts_solids_mass_fraction=fraction("Ready to spray: solids by mass", nullable=True),
    rts_solids_volume_fraction=fraction("Ready to spray: solids by volume", nullable=True),
    rts_voc_g_per_l=number("Ready to spray: VOC as applied, per litre of everything", "g/L", nullable=True, low=0),
    rts_water_mass_fraction=fraction("Ready to spray: water by mass", nullable=True),
    rts_exempt_mass_fraction=fraction("Ready to spray: exempt compounds by mass", nullable=True),
)

product_categories = given(
    "product_categories",
    "Which category of limits a product belongs to, by jurisdiction; several rows: the most restrictive rules",
    product_id=text("The product", key=True, refers_to="products"),
    jurisdiction=text("The jurisdiction", key=True),
    category=text("Its category there", key=True),
)

components = given(
    "components",
    "What is poured: binders, toners, hardeners, reducers",
    [_fractions_sum_to_one(), _fractions_below_one()],
    component_id=text("The component", key=True),
    valid_from=_VALID_FROM,
    label=text("Name on pages", nullable=True),
    kind=choice("What it is", "binder", "toner", "hardener", "reducer", "additive", "solvent", nullable=True),
    density_g_per_ml=number("Density", "g/mL", nullable=True, above=0),
    solids_mass_fraction=fraction("Solids by mass", nullable=True),
    solids_volume_fraction=fraction("Solids by volume", nullable=True),
    voc_mass_fraction=fraction("VOC by mass", nullable=True),
    water_mass_fraction=fraction("Water by mass", nullable=True),
    exempt_mass_fraction=fraction("Exempt compounds by mass", nullable=True),
    exempt_density_g_per_ml=number("Density of the exempt compounds", "g/mL", nullable=True, above=0),
    voc_eu_mass_fraction=fraction("VOC by the EU definition, by mass", nullable=True),
    composition_complete=flag(
        "component_species lists all that must be listed, none where it has no row; empty: so where it has rows, else its"
        " pollutants and metals are not known",
        nullable=True,
    ),
    price_per_kg=number("Price, in the shop's currency", "currency/kg", nullable=True, low=0),
)

component_species = given(
    "component_species",
    "Substances in a component",
    component_id=text("The component", key=True, refers_to="components"),
    cas=text("CAS number", key=True),
    substance=text("Its name", nullable=True),
    mass_fraction=fraction("Part by mass", nullable=True),
    mass_fraction_low=fraction("Lower end of a stated range", nullable=True),
    mass_fraction_high=fraction("Upper end of a stated range", nullable=True),
)

component_categories = given(
    "component_categories",
    "Which category of limits a material for cleaning or surface preparation belongs to, by jurisdiction; without a row: by purpose",
    component_id=text("The material", key=True, refers_to="components"),
    jurisdiction=text("The jurisdiction", key=True),
    category=text("Its category there", key=True),
)

panel_areas = given(
    "panel_areas",
    "Areas of panels by class of vehicle",
    vehicle_class=text("Class of vehicle", key=True),
    panel_id=text("The panel", key=True),
    face=choice("Side of the panel", "outer", "inner", "jamb", key=True, default="outer"),
    area_m2=number("Area of the whole face", "m2", above=0),
    area_rel_sd=number("Relative standard deviation of the area; empty: 0.05", "1", nullable=True, default=0.05, low=0),
    substrate=choice("What it is made of", "steel", "aluminium", "plastic", "composite", "unknown", nullable=True),
)

notifications = given(
    "notifications",
    "What was sent to an authority, kept with the record",
    shop_id=text("The shop", key=True, refers_to="shops"),
    sent_on=day("Day on which it was sent", key=True),
    kind=text("What it was: initial notification, compliance status, change, annual statement", key=True),
    document_ref=text("Where the paper is kept"),
)

changes = given(
    "changes",
    "What was changed on a day, so that it can be asked whether it helped",
    [
        Rule("until", "must not be before on", _col("until") >= _col("on")),
        Rule(
            "gun_id",
            f"must name the gun where the change is one of {', '.join(GUN_CHANGES)}",
            ~_col("what").is_in(list(GUN_CHANGES)) | _col("gun_id").is_not_null(),
        ),
        Rule(
            "replaces_gun_id",
            "must be another gun, and only stands beside gun_trial and gun_replaced",
            _col("replaces_gun_id").is_null()
            | (_col("what").is_in(["gun_trial", "gun_replaced"]) & (_col("replaces_gun_id") != _col("gun_id"))),
        ),
        Rule(
            "technician_id",
            "must name who practised; a change of everybody's way of working is a procedure",
            (_col("what") != "practice") | _col("technician_id").is_not_null(),
        ),
        Rule(
            "product_id",
            "must name the new product where the change is a product",
            (_col("what") != "product") | _col("product_id").is_not_null(),
        ),
        Rule(
            "jobs",
            "and looks only stand beside gun_trial",
            (_col("what") == "gun_trial") | (_col("jobs").is_null() & _col("looks").is_null()),
        ),
    ],
    change_id=text("The change", key=True),
    on=day("First day with the change"),
    until=day("Last day with it; empty: it still holds", nullable=True),
    what=choice("What was changed", *CHANGES),
    shop_id=text("The shop", refers_to="shops"),
    technician_id=text("Whose work it touches; empty: everybody's", nullable=True, refers_to="technicians"),
    gun_id=text("The gun: of a trial or a replacement the new one", nullable=True, refers_to="guns"),
    replaces_gun_id=text("The gun that it is tried against or replaces", nullable=True, refers_to="guns"),
    product_id=text("The product: of a change of product the new one", nullable=True, refers_to="products"),
    role=choice("What it is about, where it is about one role", *ROLES, nullable=True),
    before=text("How it was before, in words", nullable=True),
    after=text("How it has been since, in words", nullable=True),
    card=choice("Kind of the practice card that it answers", *CARDS, nullable=True),
    cost=number("What it cost, in the shop's currency", "currency", nullable=True, low=0),
    jobs=integer("Of a trial: jobs with each gun, as its sheet says", nullable=True, low=3, high=2000),
    looks=integer("Of a trial: how often it is looked at, as its sheet says", nullable=True, low=1, high=5),
)

closed_figures = given(
    "closed_figures",
    "Figures of months as they were reported when the month was closed; filmledger close writes it, reopen takes rows out",
    shop_id=text("The shop", key=True),
    month=text("The month, YYYY-MM", key=True),
    figure_table=text("The table", key=True),
    part=text("What of it: a category, a CAS number, a limit", key=True),
    figure=text("Which figure", key=True),
    amount=number("What it was; empty: not known, or told in words", "by figure", nullable=True),
    said=text("What it was in words", nullable=True),
)

closed_files = given(
    "closed_files",
    "The files that closed months were reckoned from; filmledger close writes it, reopen takes rows out",
    month=text("The month, YYYY-MM", key=True),
    path=text("Path inside the workspace", key=True),
    sha256=text("SHA-256 of its content", nullable=True),
)

permit_limits = given(
    "permit_limits",
    "Limits of a permit on usage or emissions",
    [
        Rule(
            "measure",
            "must be one of rts_l, rts_l:<category>, voc_kg, exempt_kg, hap_kg, hap_kg:<CAS number>, pm_kg, solvent_kg",
            pl.col("measure").str.contains(
                r"^(rts_l(:\S+)?|voc_kg|exempt_kg|hap_kg(:\d{2,7}-\d{2}-\d)?|pm_kg|solvent_kg)$"
            ),
        ),
        Rule(
            "unit",
            "cannot measure this: rts_l takes l, gal_us or gal_imp, every other measure kg, lb, ton_us or tonne",
            pl.col("measure").str.starts_with("rts_l") == pl.col("unit").is_in(["l", "gal_us", "gal_imp"]),
        ),
    ],
    shop_id=text("The shop", key=True, refers_to="shops"),
    measure=text(
        "What is limited: rts_l, rts_l:<category>, voc_kg, exempt_kg, hap_kg, hap_kg:<cas>, pm_kg, solvent_kg; rts_l:cleaning and"
        " rts_l:surface_prep are litres of solvent issued",
        key=True,
    ),
    period=choice("Over which period", *PERIODS, key=True),
    valid_from=_VALID_FROM,
    limit=number("The limit, in `unit`", "unit", low=0),
    unit=choice("Its unit", "kg", "lb", "ton_us", "tonne", "l", "gal_us", "gal_imp"),
    source=text("Where it stands"),
)

REGISTERS: dict[str, Table] = {
    t.name: t
    for t in (
        shops, booths, technicians, trainings, guns, gun_services, gauges, products, product_categories, components,
        component_species, component_categories, panel_areas, permit_limits, notifications,
        changes, closed_figures, closed_files,
    )
}  # fmt: skip
