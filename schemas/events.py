"""The event tables: what a shop's scale, job log and film gauge export, one row per event.

Here stands what one row may hold. What several rows must satisfy together (keys, shares, weigh-backs that rise) is checked
by pipelines/intake, which sees them all. Units inside: g, mL, um, m2, kPa, mm. Times are the shop's naive local time.
"""

from __future__ import annotations

import polars as pl

from schemas.vocabulary import Rule, Table, choice, day, flag, fraction, given, integer, moment, number, text

_SHOP = text("The paint shop", key=True, refers_to="shops")
_col = pl.col

pours = given(
    "pours",
    "One row per component put into a cup",
    [
        Rule(
            "component_id",
            "component_id or from_mix_id must be given",
            _col("component_id").is_not_null() | _col("from_mix_id").is_not_null(),
        ),
        Rule(
            "from_mix_id",
            "give component_id or from_mix_id, not both",
            _col("component_id").is_null() | _col("from_mix_id").is_null(),
        ),
        Rule("from_mix_id", "a cup cannot be poured into itself", _col("from_mix_id") != _col("mix_id")),
    ],
    shop_id=_SHOP,
    mix_id=text("The cup: one mix on the scale, unique inside its shop", key=True),
    pour_no=integer("Order of the pour in its cup", key=True, low=1),
    poured_at=moment("When it was weighed; the cup's month is that of its first pour"),
    product_id=text("What was being mixed; one cup, one product", refers_to="products"),
    component_id=text("What was poured; empty when from_mix_id is given", nullable=True, refers_to="components"),
    from_mix_id=text("The cup whose leftover was poured in", nullable=True),
    weighed_g=number("Mass poured; 0 = line skipped, negative = taken out again", "g", possible=(1e-6, 1e6)),
    target_g=number("What the formula asked for", "g", nullable=True, possible=(1e-6, 1e6)),
    technician_id=text("Who poured", nullable=True, refers_to="technicians"),
    scale_id=text("Which scale", nullable=True),
    colour_id=text("The colour mixed", nullable=True),
    measured_by=choice("How the mass was found", "scale", "volume", "ready", nullable=True, default="scale"),
    job_id=text("The job it was mixed for; used where no draws are given", nullable=True),
)

leftovers = given(
    "leftovers",
    "Weigh-backs of cups",
    shop_id=_SHOP,
    mix_id=text("The cup", key=True, refers_to="pours"),
    weigh_no=integer("Order of the weigh-back; absent: the order in time", key=True, nullable=True, low=1),
    weighed_at=moment("When it was weighed back"),
    leftover_g=number("What was still in the cup, net of the cup", "g", low=0, possible=(1e-6, 1e6)),
    fate=choice("What became of it", "kept", "discarded", nullable=True),
)

jobs = given(
    "jobs",
    "One row per job",
    shop_id=_SHOP,
    job_id=text("The job, unique inside its shop", key=True),
    vehicle_class=text("Class of vehicle: finds the areas of panels", nullable=True),
    opened_on=day("First day", nullable=True),
    closed_on=day("Last day", nullable=True),
)

_spray = _col("kind") == "spray"

operations = given(
    "operations",
    "One row per step on a job, in order",
    [
        Rule("gun_id", "a spray operation needs gun_id", ~_spray | _col("gun_id").is_not_null()),
        Rule("technician_id", "a spray operation needs technician_id", ~_spray | _col("technician_id").is_not_null()),
        Rule(
            "product_id",
            "spray and hand operations need product_id",
            ~_col("kind").is_in(["spray", "hand"]) | _col("product_id").is_not_null(),
        ),
        Rule("ended_at", "must not be before started_at", _col("ended_at") >= _col("started_at")),
        Rule("redo_of", "must be an earlier operation_no of this job", _col("redo_of") < _col("operation_no")),
    ],
    shop_id=_SHOP,
    job_id=text("The job", key=True, refers_to="jobs"),
    operation_no=integer("Order of the step on its job", key=True, low=1),
    kind=choice(
        "spray; hand (film without a gun: filler, brush, roller); sand; polish", "spray", "hand", "sand", "polish"
    ),
    removal=choice(
        "For sand: scuff keys the surface, cut levels it, strip goes to bare", "scuff", "cut", "strip", nullable=True
    ),
    removed_um=number("Film taken off by scuffing or polishing", "um", nullable=True, low=0),
    started_at=moment("Start"),
    ended_at=moment("End", nullable=True),
    technician_id=text("Who did it; required for spray", nullable=True, refers_to="technicians"),
    gun_id=text("The gun; required for spray", nullable=True, refers_to="guns"),
    product_id=text("The product; required for spray and hand", nullable=True, refers_to="products"),
    tip_mm=number("Fluid tip where it differs from the register", "mm", nullable=True, above=0),
    inlet_kpa=number("Inlet pressure of the day", "kPa", nullable=True, low=0),
    coats=integer(
        "Coats sprayed; absent: the product's coats_min, else 1", nullable=True, low=1, possible=(1.0, 1000.0)
    ),
    booth_id=text("The booth", nullable=True, refers_to="booths"),
    redo_of=integer("The operation_no that failed inspection and is repeated here", nullable=True, low=1),
)

operation_panels = given(
    "operation_panels",
    "Which panels an operation covered",
    shop_id=_SHOP,
    job_id=text("The job", key=True),
    operation_no=integer("The operation", key=True, low=1, refers_to="operations"),
    panel_id=text("The panel", key=True),
    face=choice("Side of the panel", "outer", "inner", "jamb", key=True, default="outer"),
    area_m2=number("Area of the whole face; absent: panel_areas", "m2", nullable=True, above=0),
    covered_fraction=fraction("Part of the face that was covered", nullable=True, default=1.0, low=None, above=0.0),
    substrate=choice(
        "What lies under the film", "steel", "aluminium", "plastic", "composite", "unknown", nullable=True
    ),
)

draws = given(
    "draws",
    "Which cup fed which operation",
    shop_id=_SHOP,
    job_id=text("The job", key=True),
    operation_no=integer("The operation", key=True, low=1, refers_to="operations"),
    mix_id=text("The cup", key=True, refers_to="pours"),
    share=fraction("Part of what left the cup; the shares of a cup sum to at most 1", nullable=True),
)

readings = given(
    "readings",
    "Dry-film gauge readings",
    shop_id=_SHOP,
    job_id=text("The job", key=True, refers_to="jobs"),
    panel_id=text("The panel or witness strip", key=True),
    after_operation=integer(
        "Read after this operation, 0 = before any; absent: found from taken_at", key=True, nullable=True, low=0
    ),
    reading_no=integer("Number of the reading at this stage", key=True, low=1),
    row=integer(
        "1 upper edge (on lids the edge farthest from the painter), 2 middle, 3 opposite", nullable=True, low=1, high=3
    ),
    col=integer("Position along the stroke", nullable=True, low=1, high=3),
    reading_um=number("Film at this position", "um", low=0, high=3000),
    gauge_id=text("The gauge", nullable=True, refers_to="gauges"),
    taken_at=moment("When it was read", nullable=True),
    witness_of=text("This panel_id is a steel or foil strip that stands for the panel named here", nullable=True),
)

target_weighings = given(
    "target_weighings",
    "The direct test: targets weighed before spraying and after full cure",
    [Rule("after_g", "must not be below before_g", _col("after_g") >= _col("before_g"))],
    shop_id=_SHOP,
    job_id=text("The job", key=True),
    operation_no=integer("The operation", key=True, low=1, refers_to="operations"),
    target_id=text("The target", key=True),
    before_g=number("Mass before spraying", "g", low=0),
    after_g=number("Mass after full cure", "g", low=0),
    whole=flag("All of the operation's spray went at these targets"),
)

cleaning = given(
    "cleaning",
    "Solvent handed out for cleaning, and what came back",
    shop_id=_SHOP,
    cleaning_no=text("Number of the cleaning", key=True),
    used_at=moment("When"),
    component_id=text("The solvent", refers_to="components"),
    purpose=choice("What was cleaned", "gun", "surface", "booth"),
    gun_id=text("Which gun", nullable=True, refers_to="guns"),
    issued_g=number("Handed out", "g", low=0),
    recovered_g=number("Came back", "g", nullable=True, low=0),
)

unscaled_use = given(
    "unscaled_use",
    "Material that never touches the scale: aerosols, ready-to-spray cans, wipes",
    shop_id=_SHOP,
    use_no=text("Number of the use", key=True),
    used_at=moment("When"),
    component_id=text("What", refers_to="components"),
    mass_g=number("How much", "g", low=0),
    job_id=text("The job", nullable=True),
)

stock = given(
    "stock",
    "Movements and counts of the store",
    shop_id=_SHOP,
    document_no=text("Delivery note, count sheet or manifest", key=True),
    line_no=integer("Line on it", key=True, default=1, low=1),
    happened_on=day("Day; a count is the closing stock of its day"),
    component_id=text("What; may be empty for mixed waste", nullable=True, refers_to="components"),
    movement=choice(
        "What happened", "delivered", "counted", "returned", "transferred", "written_off", "shipped_as_waste"
    ),
    mass_g=number("How much", "g", low=0),
    voc_mass_fraction=fraction("VOC in waste shipped, from its analysis", nullable=True),
    document_ref=text("The paper that proves it", nullable=True),
)

gauge_checks = given(
    "gauge_checks",
    "Readings of known shims, to check a film gauge",
    gauge_id=text("The gauge", key=True, refers_to="gauges"),
    checked_at=moment("When", key=True),
    shim_um=number("Stated thickness of the shim", "um", key=True, low=0, high=3000),
    check_no=integer("Number of the check", key=True, default=1, low=1),
    reading_um=number("What the gauge showed", "um", low=0, high=3000),
)

scale_checks = given(
    "scale_checks",
    "Readings of known weights, to check a scale",
    scale_id=text("The scale", key=True),
    checked_at=moment("When", key=True),
    weight_g=number("Stated mass of the weight", "g", key=True, above=0),
    check_no=integer("Number of the check", key=True, default=1, low=1),
    reading_g=number("What the scale showed", "g", low=0),
)

deviations = given(
    "deviations",
    "When a rule was not kept, and what was done",
    [Rule("to_on", "must not be before from_on", _col("to_on") >= _col("from_on"))],
    shop_id=_SHOP,
    deviation_no=text("Number of the deviation", key=True),
    from_on=day("First day"),
    to_on=day("Last day", nullable=True),
    rule=text("The rule"),
    nature=text("What was not kept"),
    action=text("What was done"),
)

EVENTS: dict[str, Table] = {
    t.name: t
    for t in (
        pours, leftovers, jobs, operations, operation_panels, draws, readings, target_weighings, cleaning, unscaled_use,
        stock, gauge_checks, scale_checks, deviations,
    )
}  # fmt: skip
