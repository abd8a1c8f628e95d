"""The published tables: what the pipeline tells the world, each column once with its unit.

Names and meanings are stable: columns are added, never renamed or given another meaning. Every estimate has low and high
(95 %), n and grade. Null means not known. Grades: A measured, B shared or partly assumed, C no record of its own.
"""

from __future__ import annotations

from schemas.area_classes import MIX_LEVELS
from schemas.registers import CARDS, PERIODS, ROLES
from schemas.vocabulary import (
    ColumnInfo,
    Table,
    choice,
    day,
    flag,
    fraction,
    integer,
    moment,
    number,
    table,
    text,
    texts,
)

LEDGER_PARTS = ("poured", "leftover", "flush_loss", "not_split", "overspray", "over_build", "useful")
LANDING_PARTS = ("overspray", "over_build", "useful")
#: the transfer efficiency that some rules ask for (rule_figures: transfer_65), of which `prob_below_65` speaks
TRANSFER_LINE = 0.65

_SHOP = text("The shop", key=True)
_GRADE = choice("Evidence: A measured, B shared, C assumed", "A", "B", "C", nullable=True)
_ROLE = choice("What the product is for", *ROLES, key=True)
_METHOD = text("How it was estimated", nullable=True)
_MONTH = text("Month, YYYY-MM", key=True)


def _te(what: str) -> dict[str, ColumnInfo]:
    """The columns that every transfer table shares."""
    return {
        "estimate": number(f"Transfer efficiency {what}: solids landed over solids sprayed", "1", nullable=True),
        "low": number("Lower end of the 95 % interval", "1", nullable=True),
        "high": number("Upper end of the 95 % interval", "1", nullable=True),
        "n": integer("Records behind it"),
        "n_direct": integer("Records of one layer among them"),
        "grade": _GRADE,
        "separable": flag("It can be told apart from what it always occurs with", nullable=True),
        "with_whom": text("What it cannot be told apart from", nullable=True),
        "prob_below_65": fraction("Probability that it is below 65 %; not a compliance test", nullable=True),
        "method": _METHOD,
        "advice": text("What to measure next", nullable=True),
        "combined": number("Where it is not separable: the figure of both together", "1", nullable=True),
        "combined_low": number("Lower end of its 95 % interval", "1", nullable=True),
        "combined_high": number("Upper end of its 95 % interval", "1", nullable=True),
        "bound": number("Where leftovers were not weighed: at least landed over poured", "1", nullable=True),
    }


def _typical(what: str) -> dict[str, ColumnInfo]:
    """For comparing: everybody set the same work, at partners of average effect; what records share is not in it."""
    return {
        "typical_estimate": number(f"For comparing: {what}, at the shop's mean work", "1", nullable=True),
        "typical_low": number("Lower end of its 95 % interval, without what all records share", "1", nullable=True),
        "typical_high": number("Upper end of its 95 % interval, without what all records share", "1", nullable=True),
    }


def _shares() -> dict[str, ColumnInfo]:
    return {f"share_{g.lower()}": fraction(f"Share by mass resting on grade {g}", nullable=True) for g in "ABC"}


intake_files = table(
    "intake_files",
    "What became of every row of every file: read = accepted + refused + duplicate + superseded",
    file=text("Path inside the workspace", key=True),
    table=text("The table it feeds; empty for a refused file", key=True, nullable=True),
    sha256=text("Fingerprint of its content", nullable=True),
    layout=text("The layout that read it; empty: canonical", nullable=True),
    state=choice("read or refused", "read", "refused"),
    message=text("Why it was refused, or a warning", nullable=True),
    rows_read=integer("Rows read"),
    accepted=integer("Rows used"),
    refused=integer("Rows refused"),
    duplicate=integer("Rows that stand word for word elsewhere"),
    superseded=integer("Rows replaced by a later export"),
)

refused_rows = table(
    "refused_rows",
    "Rows that were not used, with every reason",
    file=text("Path inside the workspace", key=True),
    line=integer("Line of the file", key=True),
    table=text("The table it was meant for", key=True, nullable=True),
    reasons=texts("Every reason"),
    raw=text("The row as it stood", nullable=True),
)

mixes = table(
    "mixes",
    "One row per cup: what it held and what it was",
    shop_id=_SHOP,
    mix_id=text("The cup", key=True),
    product_id=text("The product mixed; empty when its pours disagree", nullable=True),
    month=text("Month of its first pour, YYYY-MM", nullable=True),
    poured_g=number("Everything poured in, leftovers of other cups included", "g", nullable=True),
    leftover_g=number(
        "What was left after the last weigh-back and was not poured into another cup; empty: unknown",
        "g",
        nullable=True,
    ),
    leftover_known=flag("A weigh-back was read"),
    complete=flag("Nothing about it was unreadable"),
    density_g_per_ml=number("Density, volumes taken as additive", "g/mL", nullable=True),
    solids_mass_fraction=fraction("Solids by mass", nullable=True),
    solids_volume_fraction=fraction("Solids by volume", nullable=True),
    voc_g_per_l_actual=number("VOC per litre of everything: turns volume into mass emitted", "g/L", nullable=True),
    voc_g_per_l_regulatory=number(
        "VOC less water and exempt compounds (40 CFR 59.104(a)(1)): compared with limits", "g/L", nullable=True
    ),
    voc_g_per_l_eu=number("VOC less water by the EU definition (2004/42/EC Annex II B)", "g/L", nullable=True),
    cost=number("What was poured, in money; empty where a price is missing", "currency", nullable=True),
    grade=_GRADE,
    first_poured_at=moment("First pour", nullable=True),
    own_poured_g=number("Component pours only: what usage counts", "g", nullable=True),
    poured_on_g=number("What was poured from it into other cups", "g"),
    rts_l=number("Litres of component pours", "L", nullable=True),
    dry_density_g_per_ml=number("Density of the dry film", "g/mL", nullable=True),
    voc_mass_fraction=fraction("VOC by mass", nullable=True),
    exempt_mass_fraction=fraction("Exempt compounds by mass", nullable=True),
    cost_per_g=number("Cost of what is in the cup", "currency/g", nullable=True),
    why_incomplete=text("What could not be read", nullable=True),
)

lacking_figures = table(
    "lacking_figures",
    "Properties that cups of a product lack, each told once",
    shop_id=_SHOP,
    product_id=text("The product", key=True),
    property=choice(
        "What is lacking",
        "density", "solids by mass", "solids by volume", "VOC", "water", "exempt compounds",
        key=True,
    ),
    n_cups=integer("Cups of the product"),
    n_lacking=integer("Of them, with a component that does not tell it"),
    first_on=day("Day of the first of these"),
    components=text("These components"),
    from_sheet=flag("The whole cup takes the product's figure, ready to spray; else its figure is missing"),
    would_take=text("What it would take to know it"),
)  # fmt: skip

film_increments = table(
    "film_increments",
    "Film after minus film before, on one panel, between two neighbouring stages of reading",
    shop_id=_SHOP,
    job_id=text("The job", key=True),
    panel_id=text("The panel or witness strip", key=True),
    face=text("Side of the panel", key=True),
    from_operation=integer("Read after this operation, 0 = before any", key=True),
    to_operation=integer("Read after this operation", key=True),
    mean_um=number("Film gained, after gauge gain and film taken off", "um", nullable=True),
    sd_um=number("Spread between positions", "um", nullable=True),
    n_before=integer("Readings before"),
    n_after=integer("Readings after"),
    paired=flag("Both stages were read at the same marked places"),
    layers=texts("Spray operations whose film it holds"),
    usable=flag("It can carry a record"),
    why_not=text("Why it cannot", nullable=True),
    grade=_GRADE,
    witness_of=text("The panel that this strip stands for", nullable=True),
    n_layers=integer("Number of layers"),
    n_light=integer("Scuffs and polishes in between"),
    n_effective=number("Readings, as they count for the spread of the mean", "1", nullable=True),
    area_m2=number("Area that the mean stands for", "m2", nullable=True),
    area_rel_sd=number("Relative standard deviation of that area", "1", nullable=True),
    blend=flag("A layer covered part of the face only"),
    gain_u=number("Standard uncertainty of the gauge's gain, shared by its readings", "1", nullable=True),
)

transfer_records = table(
    "transfer_records",
    "Closed equations between solids that landed and solids that were sprayed",
    shop_id=_SHOP,
    job_id=text("The first job", key=True),
    record_no=integer("Number of the record on that job", key=True),
    operations=texts("Its operations, job/operation"),
    roles=texts("Their roles, in the same order"),
    sprayed_solids_ml=number("Solids that left the gun; empty where a leftover was not weighed", "mL", nullable=True),
    landed_solids_ml=number("Solids found on the panels", "mL", nullable=True),
    ratio=number("Landed over sprayed", "1", nullable=True),
    rel_u=number("Relative uncertainty (k = 1) of landed over sprayed: two in three lie within", "1", nullable=True),
    grade=_GRADE,
    usable=flag("It can enter the model"),
    why_not=text("Why it cannot", nullable=True),
    basis=choice("volume: film; mass: weighed targets", "volume", "mass"),
)

transfer_by_pair = table(
    "transfer_by_pair",
    "Transfer efficiency of one gun in one technician's hands, by role",
    shop_id=_SHOP,
    gun_id=text("The gun", key=True),
    technician_id=text("The technician", key=True),
    role=_ROLE,
    **_te("of the pair"),
)
transfer_by_gun = table(
    "transfer_by_gun",
    "Transfer efficiency of a gun in the hands that really use it, by role",
    shop_id=_SHOP,
    gun_id=text("The gun", key=True),
    role=_ROLE,
    **_te("of the gun"),
    **_typical("in a hand of average effect"),
)
transfer_by_technician = table(
    "transfer_by_technician",
    "Transfer efficiency of a technician with the guns really used, by role",
    shop_id=_SHOP,
    technician_id=text("The technician", key=True),
    role=_ROLE,
    **_te("of the technician"),
    **_typical("with a gun of average effect"),
)
transfer_by_role = table(
    "transfer_by_role",
    "Transfer efficiency of a shop over its guns and hands as they are used, by role",
    shop_id=_SHOP,
    role=_ROLE,
    **_te("of the shop"),
    **_typical("a gun and a hand of average effect"),
)


def _effects(what: str) -> dict[str, ColumnInfo]:
    return {
        "effect": number(f"Multiplier of the typical transfer efficiency; 1 = typical {what}", "1", nullable=True),
        "low": number("Lower end of the 95 % interval", "1", nullable=True),
        "high": number("Upper end of the 95 % interval", "1", nullable=True),
        "n": integer("Records behind it"),
        "reliability": number("1 - prediction error variance / variance between them", "1", nullable=True),
        "vif": number(
            "How much the other's being unknown widens it; empty where no record tells them apart", "1", nullable=True
        ),
        "separable": flag("It can be told apart from what it always occurs with", nullable=True),
        "with_whom": text("What it cannot be told apart from", nullable=True),
        "flagged": flag("Its transfer is shown to be low by a material size"),
        "prob_low": fraction("Probability that its effect lies below the material size", nullable=True),
        "method": _METHOD,
    }


# Of table total_loadings: the direction that each cell has to itself, and from how many cells on months become quarters, then
# years (it travels with every site). The two-sided 95 % point of the standard normal distribution, for who adds loadings up.
OWN_DIRECTION = "own"
MOST_CELLS = 12_000
Z95 = 1.959963984540054
ALL = "all"  # in a key: every shop, role, product or month together
MOST_SAVING = 3  # changes whose sum savings_basis has (best_cost)

_LEDGER_PARTS = {
    "poured": "What was poured",
    "leftover": "Left in the cup",
    "flush_loss": "Flushed out of the gun",
    "not_split": "Its way is not known",
    "overspray": "Sprayed past the panel",
    "over_build": "Film above the data sheet's maximum",
    "useful": "Film the sheet asks for",
}


def _ledger_sums() -> dict[str, ColumnInfo]:
    out: dict[str, ColumnInfo] = {}
    for part, meaning in _LEDGER_PARTS.items():
        for see, (of, unit) in {
            "solids_g": ("solids", "g"),
            "voc_g": ("VOC", "g"),
            "cost": ("cost", "currency"),
        }.items():
            out[f"{part}_{see}"] = number(f"{meaning}: {of}, of rows whose amount is known", unit, nullable=True)
            out[f"{part}_{see}_low"] = number("Lower end of the 95 % interval", unit, nullable=True)
            out[f"{part}_{see}_high"] = number("Upper end of the 95 % interval", unit, nullable=True)
    return out


totals = table(
    "totals",
    "The ledger added up, with the intervals of one joint posterior: as wide as the whole is uncertain, not as its parts are",
    shop_id=text("The shop; all: not cut by it", key=True),
    role=text("What the product is for; all: not cut by it", key=True),
    product_id=text("The product; all: not cut by it", key=True),
    period=text("YYYY-MM, YYYY-Qn or YYYY of the cups' first pours; all: not cut by it", key=True),
    n=integer("Operations with a transfer efficiency, once a cup"),
    te=number("Transfer efficiency: solids landed over solids sprayed, their own chance included", "1", nullable=True),
    te_low=number("Lower end of the 95 % interval", "1", nullable=True),
    te_high=number("Upper end of the 95 % interval", "1", nullable=True),
    u_event=number("Standard uncertainty of te from the chance of single operations", "1", nullable=True),
    u_cells=number("The same from what records leave open of guns, hands, roles and work", "1", nullable=True),
    u_shared=number(
        "The same from what all records share: areas, gauges, solids, densities, flush", "1", nullable=True
    ),
    narrowest=text("What would narrow te most, and from what to what", nullable=True),
    **_ledger_sums(),
)


def _change(label: str, against: str) -> dict[str, ColumnInfo]:
    return {
        label: number(
            f"Transfer over that of {against}, at equal mix of products, guns, hands and sizes", "1", nullable=True
        ),
        f"{label}_low": number("Lower end of its 95 % interval", "1", nullable=True),
        f"{label}_high": number("Upper end of its 95 % interval", "1", nullable=True),
        f"{label}_prob": fraction("Probability that it rose", nullable=True),
        f"{label}_shown": flag("Its interval leaves out no change", nullable=True),
    }


error_budget = table(
    "error_budget",
    "What makes the transfer efficiency of the whole uncertain, the largest source first",
    position=integer("Place in the list", key=True),
    source=text("The source"),
    size=number("Relative standard uncertainty of the source itself", "1"),
    points=number("Standard uncertainty it makes of te of the whole, points of a hundred", "1"),
    stated=text("Where its size is stated"),
    halves=text("What halves it"),
)


transfer_by_period = table(
    "transfer_by_period",
    "Transfer efficiency of a shop in each month, quarter and year, and how it changed",
    shop_id=_SHOP,
    role=text("What the product is for; all: every role", key=True),
    period=text("YYYY-MM, YYYY-Qn or YYYY of the cups' first pours", key=True),
    estimate=number("Solids landed over solids sprayed, the operations' own chance included", "1", nullable=True),
    low=number("Lower end of the 95 % interval", "1", nullable=True),
    high=number("Upper end of the 95 % interval", "1", nullable=True),
    n=integer("Operations behind it"),
    **_change("change", "the period before"),
    **_change("change_year", "a year before"),
)

total_loadings = table(
    "total_loadings",
    "What any choice of cells of the ledger adds up to find its interval: per direction the sum over cells, the squares of these "
    "sums added, is the variance; on the direction `own` squares are added at once",
    shop_id=_SHOP,
    period=text("YYYY-MM; YYYY-Qn or YYYY where months would be too many", key=True),
    product_id=text("The product", key=True),
    role=text("What the product is for", key=True),
    direction=text("The direction", key=True),
    landed_g=number("Landed solids: standard uncertainty on this direction", "g"),
    over_build_g=number("Film above the window: the same", "g"),
)

gun_effects = table("gun_effects", "What a gun does to transfer", gun_id=text("The gun", key=True), **_effects("gun"))
technician_effects = table(
    "technician_effects",
    "What a technician's hand does to transfer",
    technician_id=text("The technician", key=True),
    **_effects("technician"),
)

screened_records = table(
    "screened_records",
    "Records that the model set aside, and why",
    shop_id=_SHOP,
    job_id=text("The first job", key=True),
    record_no=integer("Number of the record on that job", key=True),
    ratio=number("Landed over sprayed", "1", nullable=True),
    z=number("Standardised residual", "1", nullable=True),
    why=text("Why it was set aside"),
)


def _ledger_amounts() -> dict[str, ColumnInfo]:
    columns: dict[str, ColumnInfo] = {}
    for part in LEDGER_PARTS:
        columns[f"{part}_solids_g"] = number(f"Solids: {part.replace('_', ' ')}", "g", nullable=True)
        columns[f"{part}_voc_g"] = number(f"VOC that went with it: {part.replace('_', ' ')}", "g", nullable=True)
        columns[f"{part}_cost"] = number(f"Material cost: {part.replace('_', ' ')}", "currency", nullable=True)
        if part in LANDING_PARTS:
            columns[f"{part}_solids_g_low"] = number("Lower end of the 95 % interval", "g", nullable=True)
            columns[f"{part}_solids_g_high"] = number("Upper end of the 95 % interval", "g", nullable=True)
    return columns


material_ledger = table(
    "material_ledger",
    "Where every gram went: poured = leftover + flush loss + not split + overspray + over-build + useful",
    shop_id=_SHOP,
    mix_id=text("The cup", key=True),
    job_id=text("The job; empty: no operation took it", key=True, nullable=True),
    operation_no=integer("The operation; empty: no operation took it", key=True, nullable=True),
    **_ledger_amounts(),
    te=number("Transfer efficiency used", "1", nullable=True),
    te_low=number("Lower end of its 95 % interval", "1", nullable=True),
    te_high=number("Upper end of its 95 % interval", "1", nullable=True),
    te_source=text("own record, or the cell it was taken from", nullable=True),
    grade=_GRADE,
    month=text("Month of the cup's first pour, YYYY-MM", nullable=True),
    product_id=text("The product", nullable=True),
    role=text("The product's role", nullable=True),
    gun_id=text("The gun", nullable=True),
    technician_id=text("The technician", nullable=True),
    rework=flag("Film of an operation that a later one repeats"),
    why_not_split=text("Why a part's way is not known", nullable=True),
)

film_build = table(
    "film_build",
    "Film of one operation on one panel against its data sheet's window",
    shop_id=_SHOP,
    job_id=text("The job", key=True),
    operation_no=integer("The operation", key=True),
    panel_id=text("The panel", key=True),
    face=text("Side of the panel", key=True),
    film_um=number("Film", "um", nullable=True),
    film_low=number("Lower end of the 95 % interval", "um", nullable=True),
    film_high=number("Upper end of the 95 % interval", "um", nullable=True),
    film_min_um=number("Data sheet: least", "um", nullable=True),
    film_max_um=number("Data sheet: greatest", "um", nullable=True),
    prob_over=fraction("Probability that the panel's mean is above", nullable=True),
    prob_under=fraction("Probability that the panel's mean is below", nullable=True),
    grade=_GRADE,
    first_operation=integer("First of the operations whose films are summed; `operation_no` is the last"),
    product_id=text("The product", nullable=True),
    role=choice("What the product is for", *ROLES, nullable=True),
    technician_id=text("Who sprayed it; empty: several", nullable=True),
    gun_id=text("The gun; empty: several", nullable=True),
    colour_id=text("The colour", nullable=True),
    covered_m2=number("Area covered", "m2", nullable=True),
    source=choice(
        "read: that layer alone; shared: readings over several layers, split; from transfer: nothing was read",
        "read",
        "shared",
        "from transfer",
        nullable=True,
    ),
    film_se_um=number("Standard error of the panel's mean", "um", nullable=True),
    film_basis=text("Film as applied or after sanding", nullable=True),
    found_um=number("Film by its own evidence alone, before it is held against its like", "um", nullable=True),
    found_se_um=number("Standard error of that", "um", nullable=True),
    held_um=number("Film as held against its like: what the probabilities rest on", "um", nullable=True),
    held_se_um=number("Standard error of that", "um", nullable=True),
    within_um=number("Spread between places on the face", "um", nullable=True),
    over_ml=number("Dry film expected above the window", "mL", nullable=True),
    under_ml=number("Dry film expected to be missing below the window", "mL", nullable=True),
)

film_by_technician = table(
    "film_by_technician",
    "How a technician's film lies against the data sheet's window, by role",
    shop_id=_SHOP,
    technician_id=text("The technician", key=True),
    role=_ROLE,
    ratio=number("Mean film over the window's greatest", "1", nullable=True),
    low=number("Lower end of the 95 % interval", "1", nullable=True),
    high=number("Upper end of the 95 % interval", "1", nullable=True),
    window_low=number("The window's least over its greatest", "1", nullable=True),
    n=integer("Operations behind it"),
    n_read=integer("Operations among them whose film was read"),
    n_colours=integer("Colours among them"),
    prob_mean_over=fraction("Probability that the mean lies above the window", nullable=True),
    prob_next_over=fraction("Probability that the next job lies above the window", nullable=True),
    prob_mean_under=fraction("Probability that the mean lies below the window", nullable=True),
    prob_next_under=fraction("Probability that the next job lies below the window", nullable=True),
    prob_material=fraction("Probability that the mean lies above the window by a material size", nullable=True),
    reliability=number("1 - prediction error variance / variance between them", "1", nullable=True),
    vif=number("How much the guns' being unknown widens it", "1", nullable=True),
    separable=flag("It can be told apart from the gun", nullable=True),
    with_whom=text("What it cannot be told apart from", nullable=True),
    flagged=flag("Shown to build over the window by a material size"),
    why_not_flagged=text("Why it may not be flagged whatever the figures say", nullable=True),
    grade=_GRADE,
    over_build_solids_kg=number("Dry film above the window in these data", "kg", nullable=True),
    over_build_voc_kg=number("VOC that went with it", "kg", nullable=True),
    over_build_cost=number("Material cost of it", "currency", nullable=True),
    under_build_solids_kg=number("Dry film missing below the window in these data", "kg", nullable=True),
    under_build_cost=number("Material cost of what is missing, were it sprayed", "currency", nullable=True),
)

edge_bias = table(
    "edge_bias",
    "Tilt, heavy edges and stripes from 3x3 readings",
    shop_id=_SHOP,
    technician_id=text("The technician", key=True),
    role=_ROLE,
    tilt=number("(top - bottom) / mean", "1", nullable=True),
    tilt_low=number("Lower end of the 95 % interval", "1", nullable=True),
    tilt_high=number("Upper end of the 95 % interval", "1", nullable=True),
    edge=number("((top + bottom)/2 - centre) / mean", "1", nullable=True),
    edge_low=number("Lower end of the 95 % interval", "1", nullable=True),
    edge_high=number("Upper end of the 95 % interval", "1", nullable=True),
    stripe_f=number("Between rows over within rows, after the tilt", "1", nullable=True),
    stripe_p=fraction("Its p value", nullable=True),
    n_panels=integer("Panels"),
    flagged=flag("Shown, by a material size"),
    tilt_sees=number("Smallest tilt that so many panels show with 80 % power", "1", nullable=True),
    edge_sees=number("Smallest heavy edge that so many panels show with 80 % power", "1", nullable=True),
    prob_tilt=fraction("Probability that the tilt is of a material size, either way", nullable=True),
    thin_edges=flag("Edges are shown to be thin by a material size"),
    prob_thin=fraction("Probability that edges are thin by a material size", nullable=True),
    n_technician=integer("Panels of this technician over all roles"),
    reliability=number("1 - prediction error variance / variance between them", "1", nullable=True),
    vif=number("How much the guns' being unknown widens it", "1", nullable=True),
    separable=flag("It can be told apart from the gun", nullable=True),
    with_whom=text("What it cannot be told apart from", nullable=True),
)

panel_heat = table(
    "panel_heat",
    "Where on the panel the film lies: nine places over the panel's mean",
    shop_id=_SHOP,
    technician_id=text("The technician", key=True),
    role=_ROLE,
    row=integer("1 the upper edge, 3 the lower", key=True),
    col=integer("Along the stroke", key=True),
    relative_film=number("Film over the panel's mean", "1", nullable=True),
    low=number("Lower end of the 95 % interval", "1", nullable=True),
    high=number("Upper end of the 95 % interval", "1", nullable=True),
    n_panels=integer("Panels"),
)

technique_power = table(
    "technique_power",
    "How many panels of nine readings it takes to see a difference with 80 % power",
    measure=choice("What is looked for", "tilt", "edge", key=True),
    difference=number("Its size", "1", key=True),
    spread=number("Relative spread between places on a panel, pooled over all", "1", nullable=True),
    panels=integer("Panels needed", nullable=True),
)

gun_fit = table(
    "gun_fit",
    "Which gun and tip fits which product",
    shop_id=_SHOP,
    gun_id=text("The gun", key=True),
    product_id=text("The product", key=True),
    tip_fits=flag("The tip lies in the data sheet's range", nullable=True),
    pressure_fits=flag("The pressure used lies under the data sheet's highest", nullable=True),
    atomising_allowed=flag("The place's rule allows it", nullable=True),
    verdict=choice("In short", "fits", "misfit", "not_allowed", "unknown"),
    why=text("Why", nullable=True),
    role=choice("What the product is for", *ROLES, nullable=True),
    n_operations=integer("Operations of this product with this gun"),
    tip_mm=number("The tip: the day's last where stated, else the register's", "mm", nullable=True),
    tip_min_mm=number("Data sheet: smallest", "mm", nullable=True),
    tip_max_mm=number("Data sheet: largest", "mm", nullable=True),
    inlet_kpa=number("Highest inlet pressure written down", "kPa", nullable=True),
    inlet_max_kpa=number("Data sheet: highest", "kPa", nullable=True),
    cup_rule=choice("Its cup against the line of 3 fl oz (40 CFR 63.11180)", "below", "review", "above", "unknown"),
    cross_use=flag("A primer gun sprayed finish, or the reverse"),
    film_um=number("Mean film of these operations", "um", nullable=True),
    reads=choice("Against the window", "thin", "in the window", "thick", nullable=True),
)

gun_cover = table(
    "gun_cover",
    "Which guns and tips a shop needs for its products and hands, and what is missing, spare or idle",
    shop_id=_SHOP,
    part=choice("What becomes of it", "keep", "review", "spare", "idle", "to_buy", key=True),
    item=text("The gun, or the tip that is missing", key=True),
    purpose=choice("Primer guns are kept apart from finish guns", "primer", "finish", "any", key=True),
    tip_low_mm=number("Tip, from", "mm", nullable=True),
    tip_high_mm=number("Tip, to", "mm", nullable=True),
    products=texts("The products it is for"),
    why=text("Why"),
)

gun_drift = table(
    "gun_drift",
    "Guns whose transfer changes",
    gun_id=text("The gun", key=True),
    since=day("Day of the service it counts from", key=True),
    slope_per_litre=number("Log transfer efficiency per litre ready to spray", "1/L", nullable=True),
    low=number("Lower end of the 95 % interval", "1/L", nullable=True),
    high=number("Upper end of the 95 % interval", "1/L", nullable=True),
    litres=number("Litres since", "L", nullable=True),
    changed_on=day("Day of a change", nullable=True),
    alarm=flag("A change is shown"),
    until=day("Last day of the period", nullable=True),
    n=integer("Records behind it"),
    z=number("Largest standardised step in transfer, before against after, while looking on", "1", nullable=True),
    step=number("Log transfer efficiency after the change less before", "1", nullable=True),
    step_low=number("Lower end of the 95 % interval", "1", nullable=True),
    step_high=number("Upper end of the 95 % interval", "1", nullable=True),
    n_steps=integer("Steps found looking back over the whole period", nullable=True),
    autocorrelation=number(
        "Lag-one correlation of the residuals; above .1 they are averaged per day", "1", nullable=True
    ),
    prob_wear=fraction("Probability that transfer falls with use", nullable=True),
    months_to_loss=number("Months until the next 5 % of transfer is lost, at this use", "months", nullable=True),
    months_low=number("Lower end of the 95 % interval", "months", nullable=True),
    months_high=number("Upper end of the 95 % interval; empty: no end", "months", nullable=True),
)

gun_service_contrasts = table(
    "gun_service_contrasts",
    "Transfer after a service against before it",
    gun_id=text("The gun", key=True),
    serviced_on=day("Day of the service", key=True),
    work=text("What was done", nullable=True),
    ratio=number("Transfer efficiency after over before", "1", nullable=True),
    low=number("Lower end of the 95 % interval", "1", nullable=True),
    high=number("Upper end of the 95 % interval", "1", nullable=True),
    prob_better=fraction("Probability that it is better after", nullable=True),
    n_before=integer("Records since the service before"),
    n_after=integer("Records until the service after"),
)

emissions_monthly = table(
    "emissions_monthly",
    "Usage and emissions of a month by category",
    shop_id=_SHOP,
    month=_MONTH,
    category=text("Category of the limits, or cleaning, surface_prep, unscaled, unmapped, waste", key=True),
    rts_l=number("Poured, ready to spray", "L", nullable=True),
    rts_kg=number("Poured, ready to spray", "kg", nullable=True),
    issued_l=number("Clean-up and surface preparation: solvent issued", "L", nullable=True),
    voc_kg=number("VOC reported; negative for a documented waste credit", "kg", nullable=True),
    exempt_kg=number("Exempt compounds", "kg", nullable=True),
    pm_kg=number("Particulate from overspray behind the filter, an upper figure", "kg", nullable=True),
    pm_kg_low=number("Lower end of the 95 % interval", "kg", nullable=True),
    pm_kg_high=number("Upper end of the 95 % interval", "kg", nullable=True),
    complete=flag("Nothing in it was unreadable or without a figure; else the figures are lower bounds"),
    **_shares(),
    not_split_solids_kg=number("Solids whose transfer is not known: not in pm_kg", "kg", nullable=True),
    n_lines=integer("Rows of emission_lines behind it; 0: nothing of the month could be read"),
    n_refused=integer("Rows of the month that were refused, the same on each of its rows"),
)

emission_lines = table(
    "emission_lines",
    "What each figure of a month was added from: cups, cleanings, other uses, waste, overspray; emissions_monthly is its sum",
    shop_id=_SHOP,
    line=integer("Number of the line", key=True),
    month=text("Month, YYYY-MM"),
    category=text("Category of the limits, or cleaning, surface_prep, unscaled, unmapped, waste"),
    kind=choice(
        "cup: left it or thrown away in the month of its first pour; drawn, weighed_back, discarded, unseen: kept before and"
        " shown gone by that; found: poured on from an unseen cup, taken off; cleaning, surface_prep, unscaled, waste, overspray",
        "cup", "drawn", "weighed_back", "discarded", "unseen", "found", "cleaning", "surface_prep", "unscaled", "waste", "overspray",
    ),
    source=text("The table to look in: mixes, cleaning, unscaled_use, stock or material_ledger"),
    on_date=day("Day on which it counts", nullable=True),
    mix_id=text("The cup", nullable=True),
    job_id=text("The job", nullable=True),
    operation_no=integer("The operation", nullable=True),
    number=text("cleaning_no, use_no or document_no", nullable=True),
    document_line=integer("Line of the document", nullable=True),
    component_id=text("The component", nullable=True),
    mass_g=number("Mass gone, evaporated, used or credited", "g", nullable=True),
    rts_l=number("Poured, ready to spray", "L", nullable=True),
    rts_kg=number("Poured, ready to spray", "kg", nullable=True),
    issued_l=number("Solvent issued", "L", nullable=True),
    issued_g=number("Solvent issued", "g", nullable=True),
    recovered_g=number("Solvent that came back, flush in it", "g", nullable=True),
    flush_g=number("The flush in it", "g", nullable=True),
    voc_kg=number("VOC", "kg", nullable=True),
    exempt_kg=number("Exempt compounds", "kg", nullable=True),
    pm_kg=number("Particulate behind the filter", "kg", nullable=True),
    pm_kg_low=number("Lower end of the 95 % interval", "kg", nullable=True),
    pm_kg_high=number("Upper end of the 95 % interval", "kg", nullable=True),
    pm_own_kg=number("Standard uncertainty by chance of this operation alone", "kg", nullable=True),
    not_split_solids_kg=number("Solids whose transfer is not known", "kg", nullable=True),
    complete=flag("Nothing of it was unreadable or without a figure"),
    grade=_GRADE,
    note=text("What is missing, or why no credit", nullable=True),
    file=text("The file that a cleaning, a use or a line of stock was read from", nullable=True),
    file_line=integer("Its line there", nullable=True),
)  # fmt: skip

hap_monthly = table(
    "hap_monthly",
    "Hazardous air pollutants of a month by CAS number",
    shop_id=_SHOP,
    month=_MONTH,
    cas=text("CAS number", key=True),
    substance=text("The substance", nullable=True),
    kg=number("All of it", "kg", nullable=True),
    kg_low=number("Lower end", "kg", nullable=True),
    kg_high=number("Upper end", "kg", nullable=True),
    kg_63_3941=number("By the truncation and thresholds of 40 CFR 63.3941", "kg", nullable=True),
    metal=flag("A compound of a target metal, as mass of the compound in the material used"),
    complete=flag("Nothing in it was unreadable or without a figure; else the figures are lower bounds", nullable=True),
    grade=choice("Evidence: A stated content, B a stated range, C a default blend", "A", "B", "C", nullable=True),
)

hap_lines = table(
    "hap_lines",
    "What each figure of hap_monthly was added from, by line of emission_lines",
    shop_id=_SHOP,
    line=integer("Line of emission_lines", key=True),
    cas=text("CAS number", key=True),
    month=text("Month, YYYY-MM"),
    substance=text("The substance", nullable=True),
    metal=flag("A compound of a target metal"),
    kg=number("All of it", "kg", nullable=True),
    kg_low=number("Lower end of the stated range", "kg", nullable=True),
    kg_high=number("Upper end of the stated range", "kg", nullable=True),
    kg_63_3941=number("By the truncation and thresholds of 40 CFR 63.3941", "kg", nullable=True),
    complete=flag("Nothing of it was unreadable or without a figure"),
    from_blend=flag("At least partly a default blend's content"),
)

hap_gaps = table(
    "hap_gaps",
    "Material of a month whose composition nobody gave: its pollutants and metals are not known",
    shop_id=_SHOP,
    month=_MONTH,
    component_id=text("The component", key=True),
    mass_g=number("Mass used", "g"),
)

hap_63_3941 = table(
    "hap_63_3941",
    "All organic hazardous air pollutants of a month by 40 CFR 63.3941, each material's sum cut off to 3 decimals",
    shop_id=_SHOP,
    month=_MONTH,
    kg=number("Organic HAP", "kg", nullable=True),
)

hap_material_lines = table(
    "hap_material_lines",
    "What hap_63_3941 was added from, by line of emission_lines and component",
    shop_id=_SHOP,
    line=integer("Line of emission_lines", key=True),
    component_id=text("The component", key=True),
    month=text("Month, YYYY-MM"),
    mass_g=number("Mass used", "g", nullable=True),
    organic_hap_mass_fraction=fraction("Its counted organic HAP, cut off to 3 decimals", nullable=True),
    kg=number("Organic HAP", "kg", nullable=True),
)

solvent_lines = table(
    "solvent_lines",
    "Organic solvent consumed by the EU's definition, what solvent_kg of rolling_12_months was added from",
    shop_id=_SHOP,
    month=text("Month, YYYY-MM", key=True),
    kind=choice("What it is", "cup", "cleaning", "surface_prep", "unscaled", key=True),
    mix_id=text("The cup", key=True, nullable=True),
    number=text("cleaning_no or use_no", key=True, nullable=True),
    component_id=text("The component", key=True),
    on_date=day("Day of the first pour or the use"),
    kg=number("Organic solvent", "kg", nullable=True),
    complete=flag("Nothing of it was unreadable or without a figure"),
)

rolling_12_months = table(
    "rolling_12_months",
    "Sums of the last twelve calendar months",
    shop_id=_SHOP,
    month=_MONTH,
    measure=text("What is summed", key=True),
    total=number("The sum", "by measure", nullable=True),
    months_present=integer("Months that have records", "months"),
    limit=number("The permit's limit", "by measure", nullable=True),
    share_of_limit=number("Total over limit", "1", nullable=True),
    month_total=number("The month alone", "by measure", nullable=True),
    year_to_date=number(
        "From 1 January to the end of the month; in December the calendar year", "by measure", nullable=True
    ),
    complete=flag("No month of the window lacks anything; else the sum is a lower bound"),
    month_complete=flag("The month lacks nothing"),
    year_complete=flag("No month since 1 January lacks anything"),
)

limit_windows = table(
    "limit_windows",
    "Every window of a permit's limit, judged",
    shop_id=_SHOP,
    measure=text("What is limited", key=True),
    period=choice("Over which period", *PERIODS, key=True),
    window=text("The month, the year, or the month with which the twelve end", key=True),
    total=number("The sum in the permit's unit", "unit", nullable=True),
    limit=number("The limit in force on its last day, in the permit's unit", "unit"),
    unit=text("That unit"),
    total_metric=number("The sum in L or kg", "by measure", nullable=True),
    limit_metric=number("The limit in L or kg", "by measure"),
    share_of_limit=number("Sum over limit", "1", nullable=True),
    breached=flag("Above the limit; empty: something is lacking, so that it cannot be told", nullable=True),
    complete=flag("Nothing of the window is lacking; else the sum is a lower bound"),
    months_present=integer("Months of the window inside the records", "months"),
    source=text("Where the limit stands"),
)


def _curve(month: ColumnInfo) -> dict[str, ColumnInfo]:
    return {
        "shop_id": _SHOP,
        "measure": text("What is limited", key=True),
        "period": choice("Over which period", *PERIODS, key=True),
        "month": month,
        "total": number("The period's sum up to that month", "by measure", nullable=True),
        "limit": number("The limit, in L or kg", "by measure", nullable=True),
        "headroom": number("Limit less total", "by measure", nullable=True),
        "share_of_limit": number("Total over limit", "1", nullable=True),
        "pace_per_month": number("Mean of the last three months", "by measure", nullable=True),
        "already": flag("Crossed by then", nullable=True),
        "crossed_in": text("Month in which it is crossed at that pace, YYYY-MM; empty: not in sight", nullable=True),
        "months_present": integer("Months that have records", "months", nullable=True),
        "complete": flag("No month of the window lacks anything", nullable=True),
        "limit_stated": number("The limit as the permit states it", "unit"),
        "total_stated": number("The sum in the permit's unit", "unit", nullable=True),
        "headroom_stated": number("What is left in the permit's unit", "unit", nullable=True),
        "pace_stated": number("The pace in the permit's unit", "unit", nullable=True),
        "unit": text("That unit"),
        "unit_fits": flag("The unit can measure this"),
        "source": text("Where it stands"),
    }


permit_headroom = table(
    "permit_headroom",
    "What is left under each limit of the permits, and when it would be crossed at the present pace",
    **_curve(text("The shop's last month, YYYY-MM")),
)

limit_curve = table(
    "limit_curve",
    "How each limit of the permits was used up, month by month, with the pace and the month of the crossing",
    **_curve(_MONTH),
)

material_log = table(
    "material_log",
    "The monthly log of materials: products as applied, components as supplied, solvents, waste",
    shop_id=_SHOP,
    month=_MONTH,
    kind=choice(
        "What it is", "product", "component", "cleaning", "surface_prep", "unscaled", "waste",
        key=True,
    ),
    product_id=text("The product", key=True, nullable=True),
    component_id=text("The component", key=True, nullable=True),
    category=text("Category of the limits, or what it was used for", key=True),
    label=text("What it is called", nullable=True),
    colour_id=text("The colour, where all mixes had the same", nullable=True),
    rts_l=number("Poured, ready to spray; of a component poured; of a solvent issued", "L", nullable=True),
    mass_kg=number("The same by mass", "kg", nullable=True),
    share_by_volume=number("Mixing ratio: its part of the mixes by volume", "1", nullable=True),
    share_by_mass=number("Mixing ratio: its part of the mixes by mass", "1", nullable=True),
    voc_g_per_l_supplied=number("VOC as supplied", "g/L", nullable=True),
    voc_lb_per_gal_supplied=number("VOC as supplied", "lb/gal_us", nullable=True),
    voc_g_per_l_applied=number("VOC as applied, over all of the volume", "g/L", nullable=True),
    voc_lb_per_gal_applied=number("VOC as applied, over all of the volume", "lb/gal_us", nullable=True),
    voc_g_per_l_regulatory=number("Highest content of its mixes on the basis of the limit", "g/L", nullable=True),
    voc_lb_per_gal_regulatory=number("The same", "lb/gal_us", nullable=True),
    limit_g_per_l=number("The limit", "g/L", nullable=True),
    n_over=integer("Mixes above it", nullable=True),
    recovered_kg=number("Solvent that came back", "kg", nullable=True),
    shipped_kg=number("Shipped as waste", "kg", nullable=True),
    document_ref=text("Papers that show it", nullable=True),
    n=integer("Mixes, uses or shipments behind it"),
)  # fmt: skip

annual_statement = table(
    "annual_statement",
    "The statement of a calendar year against the thresholds of the place",
    shop_id=_SHOP,
    year=integer("Calendar year", "a", key=True),
    line=choice(
        "Of what", "throughput", "voc", "exempt", "pm", "voc_in_any_12_months", "all_hap", "class_hap", "single_hap",
        key=True,
    ),
    cas=text("CAS number", key=True, nullable=True),
    substance=text("The substance or class", key=True, nullable=True),
    rule=text("The rule whose threshold stands beside it", key=True, nullable=True),
    kg=number("The year's sum", "kg", nullable=True),
    kg_low=number("Lower end", "kg", nullable=True),
    kg_high=number("Upper end", "kg", nullable=True),
    tonnes=number("The sum", "tonne", nullable=True),
    tons_us=number("The sum", "ton_us", nullable=True),
    litres=number("Throughput", "L", nullable=True),
    threshold=number("The threshold, in `unit`", "unit", nullable=True),
    unit=text("Its unit", nullable=True),
    share_of_threshold=number("Sum over threshold", "1", nullable=True),
    reached=flag("At or above the threshold; empty: cannot be told, or none", nullable=True),
    complete=flag("Nothing of the year is lacking; else a lower bound"),
    n_months=integer("Months of the year that the records hold", "months", nullable=True),
    source=text("Where the threshold stands", nullable=True),
)  # fmt: skip

reported_figures = table(
    "reported_figures",
    "The figures of each month that a reader is given, one a row",
    shop_id=_SHOP,
    month=_MONTH,
    figure_table=text("The table", key=True),
    part=text("What of it: a category, a CAS number, a limit", key=True),
    figure=text("Which figure", key=True),
    amount=number("What it is", "by figure", nullable=True),
    said=text("What it is in words", nullable=True),
)

restatements = table(
    "restatements",
    "Figures of closed months that are no longer as they were reported",
    shop_id=_SHOP,
    month=_MONTH,
    figure_table=text("The table", key=True),
    part=text("What of it: a category, a CAS number, a limit", key=True),
    figure=text("Which figure", key=True),
    what=choice("What happened to it", "changed", "new", "gone"),
    was=number("What was reported", "by figure", nullable=True),
    is_now=number("What it is now", "by figure", nullable=True),
    was_said=text("What was reported in words", nullable=True),
    is_said=text("What it is now in words", nullable=True),
    because=text("Files that came, went or changed since"),
)

spray_time = table(
    "spray_time",
    "How long each technician sprayed products that hold isocyanates, month by month",
    shop_id=_SHOP,
    technician_id=text("The technician", key=True),
    month=_MONTH,
    product_id=text("The product", key=True, nullable=True),
    n_operations=integer("Operations"),
    n_timed=integer("Of them, with their end on record"),
    minutes=number("From start to end of these", "min", nullable=True),
    why=text("Why it is taken to hold isocyanates"),
)

waste_drum = table(
    "waste_drum",
    "The drum of discarded coating and recovered solvent, month by month",
    shop_id=_SHOP,
    month=_MONTH,
    stream=choice("Discarded coating with the flush, or recovered solvent", "coating", "solvent", key=True),
    opening_kg=number("In the drum before", "kg"),
    in_kg=number("Went in: discarded, flush, recovered", "kg"),
    shipped_kg=number("Shipped, at most what was there", "kg"),
    document_ref=text("Papers that show it", nullable=True),
    unexplained_kg=number("Shipped beyond what the drum held", "kg"),
    closing_kg=number("In the drum after", "kg"),
    generated_kg=number("Generated: what went in", "kg"),
    credit_voc_kg=number("VOC taken off the month's emissions", "kg"),
)

waste_monthly = table(
    "waste_monthly",
    "Waste of a month: generated, shipped, on hand, and the category of generator that the place knows by it",
    shop_id=_SHOP,
    month=_MONTH,
    generated_kg=number("Generated", "kg"),
    shipped_kg=number("Shipped, at most what was there", "kg"),
    unexplained_kg=number("Shipped beyond what the drum held", "kg"),
    on_hand_kg=number("On hand at the end of the month", "kg"),
    generator=choice(
        "Category by the month's amount; empty: the place names none", "very small", "small", "large", nullable=True
    ),
    too_much_on_hand=flag("More on hand than that category may have", nullable=True),
    source=text("Where the categories stand", nullable=True),
)

voc_content = table(
    "voc_content",
    "VOC content of cups, and of materials for cleaning where the place limits them, against limits",
    shop_id=_SHOP,
    mix_id=text("The cup; of a material for cleaning or preparation cleaning_no or use_no", key=True),
    jurisdiction=text("The jurisdiction", key=True),
    category=text("A category that it serves there; empty: none is known", key=True, nullable=True),
    g_per_l=number("VOC content on the jurisdiction's basis", "g/L", nullable=True),
    basis=text("The basis", nullable=True),
    limit_g_per_l=number("The limit", "g/L", nullable=True),
    over=flag("Above the limit", nullable=True),
    source=text("Where the limit stands", nullable=True),
    month=text("Month of its first pour, YYYY-MM", nullable=True),
    product_id=text("The product", nullable=True),
    component_id=text("The material for cleaning or preparation", nullable=True),
    kind=choice("What it is", "cup", "cleaning", "unscaled", key=True),
    n_categories=integer("Categories its product is in there; the lowest limit rules", nullable=True),
    why_not=text("Why it cannot be compared with the limit that there is", nullable=True),
    rules=flag("Of its categories the one that decides: it takes most of this one's limit"),
    eu_substituted=flag("VOC + exempt stood in for an EU fraction that nobody gave"),
    status_date=day("Day whose limits and lists hold: that of the first pour"),
)

voc_content_lines = table(
    "voc_content_lines",
    "What the VOC content of each cup is a quotient of: its pours by component",
    shop_id=_SHOP,
    mix_id=text("The cup", key=True),
    line=integer("Number of the line", key=True),
    pour_no=integer("The pour that brought it"),
    component_id=text("The component"),
    from_mix_id=text("The cup with whose leftover it came", nullable=True),
    mass_g=number("Mass; negative: taken out again", "g"),
    density_g_per_ml=number("Density", "g/mL", nullable=True),
    volume_ml=number("Volume", "mL", nullable=True),
    voc_g=number("VOC", "g", nullable=True),
    water_g=number("Water", "g", nullable=True),
    water_ml=number("Volume of the water", "mL", nullable=True),
    exempt_g=number("Exempt compounds", "g", nullable=True),
    exempt_ml=number("Volume of the exempt compounds", "mL", nullable=True),
    regulatory_ml=number("Volume less water and exempt compounds", "mL", nullable=True),
    voc_eu_g=number("VOC by the EU definition", "g", nullable=True),
    eu_ml=number("Volume that the EU's figure is over: less water, or all of it", "mL", nullable=True),
    content_voc_g=number("VOC as the place's limits see it", "g", nullable=True),
    content_ml=number("Volume that the place's limit is over, of the category that rules", "mL", nullable=True),
    from_product=flag(
        "A component of the cup lacks a figure, and the whole cup takes that of its product, ready to spray"
    ),
    on_date=day("Day that picks the version of the component"),
    product_id=text("The cup's product", nullable=True),
    product_on=day("Day that picks the version of that product"),
    file=text("The file the pour was read from", nullable=True),
    file_line=integer("Its line there", nullable=True),
)
#: figure of mixes, g/L -> its VOC mass and its volume in voc_content_lines: 1000 sum / sum
VOC_QUOTIENTS = {
    "voc_g_per_l": ("content_voc_g", "content_ml"),
    "voc_g_per_l_actual": ("voc_g", "volume_ml"),
    "voc_g_per_l_regulatory": ("voc_g", "regulatory_ml"),
    "voc_g_per_l_eu": ("voc_eu_g", "eu_ml"),
}

compliance_average = table(
    "compliance_average",
    "VOC content of a month by category, weighted by the volumes used",
    shop_id=_SHOP,
    month=_MONTH,
    category=text("Category of the limits", key=True),
    jurisdiction=text("The jurisdiction"),
    basis=text("The basis"),
    n_cups=integer("Cups behind it"),
    limited_l=number(
        "Volume it is divided by: less water, and less exempt compounds but on the EU's basis", "L", nullable=True
    ),
    g_per_l=number("Average VOC content", "g/L", nullable=True),
    limit_g_per_l=number("The limit", "g/L", nullable=True),
    over=flag("Above the limit, where the jurisdiction judges the average", nullable=True),
    complete=flag("Nothing in it was unreadable"),
    source=text("Where the limit stands", nullable=True),
    judged=flag("The jurisdiction judges this average, and there is a limit"),
)

compliance_multistage = table(
    "compliance_multistage",
    "VOC content of multi-stage topcoats, job by job; for information, the rule binds makers of coatings",
    shop_id=_SHOP,
    job_id=text("The job", key=True),
    jurisdiction=text("The jurisdiction"),
    base_g_per_l=number("Base coat, less water and exempt compounds", "g/L"),
    clear_g_per_l=number("Clear coat, less water and exempt compounds", "g/L"),
    n_mid_coats=integer("Mid coats"),
    g_per_l=number("(base + mid coats + 2 clear) / (mid coats + 3)", "g/L"),
    limit_g_per_l=number("The limit", "g/L", nullable=True),
    over=flag("Above the limit", nullable=True),
)


def _training(as_of: ColumnInfo) -> dict[str, ColumnInfo]:
    return {
        "shop_id": _SHOP,
        "technician_id": text("The technician", key=True),
        "rule": text("The training rule", key=True),
        "label": text("Its name"),
        "hired_on": day("Hired", nullable=True),
        "left_on": day("Left", nullable=True),
        "due_by": day("Last day for the first training", nullable=True),
        "first_completed_on": day("First full training", nullable=True),
        "latest_completed_on": day("Latest full training", nullable=True),
        "valid_until": day("Last day on which it counts", nullable=True),
        "certificate_ref": text("The certificate of the latest", nullable=True),
        "status": choice("On that day", "trained", "due", "overdue", "expired", "missing", "left"),
        "missing": text("Evidence that is not in the registers", nullable=True),
        "as_of": as_of,
        "source": text("Where the rule stands"),
    }


compliance_training = table(
    "compliance_training",
    "Who must be trained, who is, and until when, on the last day of the shop's records",
    **_training(day("Last day of the shop's records", nullable=True)),
)

training_days = table(
    "training_days",
    "The same on the last day of each month of the shop's records",
    **_training(day("The day: the last of a month, or of the records", key=True, nullable=True)),
)

compliance_booths = table(
    "compliance_booths",
    "What booth filters hold back, and whether a paper shows it",
    shop_id=_SHOP,
    booth_id=text("The booth", key=True),
    from_on=day("First day of this version; 0001-01-01: from ever", key=True),
    until_on=day("First day of the next version", nullable=True),
    filter_capture=fraction("Part of the overspray held back", nullable=True),
    filter_capture_needed=fraction("What the rule asks for"),
    evidence_ref=text("The paper", nullable=True),
    status=choice("Against the rule", "holds", "below", "missing"),
    missing=text("Evidence that is not in the registers", nullable=True),
    source=text("Where the rule stands"),
)

compliance_guns = table(
    "compliance_guns",
    "Which guns qualify under the shop rules, and why; cups at the 3.0 fl oz line",
    shop_id=_SHOP,
    gun_id=text("The gun", key=True),
    atomising=text("How it breaks the fluid up"),
    qualifies=choice("review: an equivalent needs its papers", "yes", "review", "no"),
    why=text("Why"),
    cup_ml=number("Size of its cup", "mL", nullable=True),
    cup=choice("Against the 3.0 fl oz line", "outside", "review", "review: refilled", "inside", "missing"),
    cup_by_size=choice("The same by its size alone", "outside", "review", "inside", "missing"),
    first_refilled_on=day("First operation that sprayed more than its small cup holds", nullable=True),
    n_refilled=integer("Operations that sprayed more than its small cup holds"),
    in_service_on=day("In service since", nullable=True),
    retired_on=day("Retired", nullable=True),
)

compliance_retention = table(
    "compliance_retention",
    "How long each kind of record must be kept; the longest rule wins",
    shop_id=_SHOP,
    record=text("Kind of record", key=True),
    years=integer("Years", "a"),
    keep_since=day("Records from this day on must still be there at the end of the shop's records", nullable=True),
    n_rules=integer("Rules that speak of it"),
    note=text("What to know of it", nullable=True),
    source=text("Where it stands"),
)

compliance_solvent = table(
    "compliance_solvent",
    "Organic solvent of a calendar year by the EU's definitions: in, out, kept",
    shop_id=_SHOP,
    year=integer("Calendar year", "a", key=True),
    pours_kg=number("In component pours", "kg", nullable=True),
    cleaning_issued_kg=number("Handed out for cleaning", "kg", nullable=True),
    unscaled_kg=number("In unscaled use", "kg", nullable=True),
    input_kg=number("Sum of the three", "kg", nullable=True),
    came_back_kg=number("Came back from cleaning, net of the flush in it", "kg", nullable=True),
    consumed_kg=number("Input less what came back: the year's consumption", "kg", nullable=True),
    emitted_kg=number("Emitted, waste credit not taken off", "kg", nullable=True),
    kept_change_kg=number("More kept in cups at the end than at the start", "kg", nullable=True),
    waste_kg=number("In documented waste", "kg", nullable=True),
    emitted_less_waste_kg=number("Emitted less documented waste", "kg", nullable=True),
    complete=flag("Nothing in it was unreadable or without a figure"),
)

compliance_metals = table(
    "compliance_metals",
    "Target metals of 40 CFR 63 subpart HHHHHH in cups, against their thresholds",
    shop_id=_SHOP,
    mix_id=text("The cup", key=True),
    cas=text("CAS number of the compound", key=True),
    metal=text("The metal", key=True),
    form=text("Its form"),
    substance=text("The compound", nullable=True),
    mass_fraction_low=number("Lower end, mass of the compound over mass of the cup", "1", nullable=True),
    mass_fraction_high=number("Upper end", "1", nullable=True),
    threshold_mass_fraction=fraction("The threshold"),
    verdict=choice("review: exactly at it, or a range that holds it", "above", "review", "below"),
    product_id=text("The product", nullable=True),
    month=text("Month of its first pour, YYYY-MM", nullable=True),
)

stock_lines = table(
    "stock_lines",
    "What each figure of stock_reconciliation was added from: counts, movements and uses between two counts",
    shop_id=_SHOP,
    component_id=text("The component", key=True),
    from_on=day("Opening count", key=True),
    line=integer("Number of the line", key=True),
    to_on=day("Closing count"),
    kind=choice(
        "What it is",
        "opening", "delivered", "returned", "transferred", "written_off", "shipped_as_waste", "cup", "cleaning", "unscaled",
        "closing",
    ),
    on_date=day("Its day"),
    mix_id=text("The cup", nullable=True),
    number=text("document_no, cleaning_no or use_no", nullable=True),
    document_line=integer("Line of the document", nullable=True),
    scale_id=text("The scale", nullable=True),
    by_volume=flag("Found from a volume, or bought ready"),
    mass_g=number("Mass", "g", nullable=True),
    signed_g=number("What it adds to the unexplained part", "g", nullable=True),
)  # fmt: skip

stock_reconciliation = table(
    "stock_reconciliation",
    "Two roads to usage: the store against the scale",
    shop_id=_SHOP,
    component_id=text("The component", key=True),
    from_on=day("Opening count", key=True),
    to_on=day("Closing count", key=True),
    opening_g=number("Counted at the opening", "g", nullable=True),
    delivered_g=number("Delivered", "g"),
    out_g=number("Returned, transferred, written off or shipped", "g"),
    closing_g=number("Counted at the closing", "g", nullable=True),
    recorded_use_g=number("Pours, cleaning issued and unscaled use", "g"),
    unexplained_g=number("Gone by the store, less recorded", "g", nullable=True),
    low=number("Lower end of its 95 % interval", "g", nullable=True),
    high=number("Upper end of its 95 % interval", "g", nullable=True),
    hint=text("What could explain it", nullable=True),
)

mix_guide = table(
    "mix_guide",
    "How much to mix",
    shop_id=_SHOP,
    product_id=text("The product", key=True),
    gun_id=text("The gun", key=True),
    area_class=text("Area sprayed", key=True),
    as_sprayed_ml_per_m2=number("What is used here, mean", "mL/m2", nullable=True),
    advised_ml_per_m2=number("What is advised: the quantile of what is used here", "mL/m2", nullable=True),
    quantile=fraction("Which quantile", nullable=True),
    mid_window_ml_per_m2=number("For the middle of the data sheet's window", "mL/m2", nullable=True),
    flush_ml=number("Flush loss, once a cup", "mL", nullable=True),
    n=integer("Operations behind it"),
    role=choice("What the product is for", *ROLES, nullable=True),
    coats=number("Coats that these figures stand for", "1", nullable=True),
    coats_max=integer("Data sheet: most coats", nullable=True),
    min_mix_ml=number("Data sheet: least that can be mixed", "mL", nullable=True),
    n_product=integer("Operations with this product in this shop"),
    spread=number("Standard deviation of log use between jobs", "1", nullable=True),
    product=text("The product's name on pages", nullable=True),
    price_per_ml=number("What a mL of it costs, mean of its cups", "currency/mL", nullable=True),
    second_cup_cost=number(
        "What a second cup costs in labour; empty: no hourly rate is set", "currency", nullable=True
    ),
    **{
        f"at_{level}_ml_per_m2": number(f"Enough in {level} of 100 jobs", "mL/m2", nullable=True)
        for level in MIX_LEVELS
    },
)

mix_parts = table(
    "mix_parts",
    "What a product is mixed of here: the parts by volume of its complete cups",
    shop_id=_SHOP,
    product_id=text("The product", key=True),
    component_id=text("The component", key=True),
    share=fraction("Its part of the volume, over all these cups"),
    n=integer("Cups that it is in"),
    n_cups=integer("Complete cups of the product"),
)

cup_guide = table(
    "cup_guide",
    "How much to mix where nobody wrote down what was sprayed: what weighed cups of a product had to give, whatever the job",
    shop_id=_SHOP,
    product_id=text("The product", key=True),
    role=choice("What the product is for", *ROLES),
    product=text("The product's name on pages", nullable=True),
    n=integer("Cups behind it: weighed back, something taken from them"),
    mixed_ml=number("Mixed so far, mean of these cups", "mL"),
    taken_ml=number("Taken from the cup, mean: sprayed, and flushed out of the gun", "mL"),
    left_ml=number("Left over so far, mean", "mL"),
    quantile=fraction("In how many of 100 cups the advised amount is meant to be enough"),
    advised_ml=number("What is advised a cup: that quantile of what was taken, at least the sheet's least mix", "mL"),
    low=number("Lower end of its 95 % interval", "mL"),
    high=number("Upper end of its 95 % interval", "mL"),
    n_short=integer("Of these cups, how many took more than that"),
    would_leave_ml=number("Left over, mean, had that been mixed each time", "mL"),
    grade=choice("Evidence: B weighed cups, sizes of the jobs not known", "B"),
)

mix_backtest = table(
    "mix_backtest",
    "The guide tried on the past: each job advised from earlier jobs alone",
    shop_id=_SHOP,
    role=_ROLE,
    n=integer("Advised mixes"),
    n_short=integer("Of them, run short"),
    share_short=fraction("Share run short", nullable=True),
    low=fraction("Lower end of its 95 % interval", nullable=True),
    high=fraction("Upper end of its 95 % interval", nullable=True),
    stated=fraction("Share meant to run short", nullable=True),
    leftover_l=number("Left over as it was, where it was weighed", "L", nullable=True),
    leftover_advised_l=number("Left over had the advised amount been mixed", "L", nullable=True),
    n_second=integer("Of them, took more than one cup, as it was"),
)

mix_levels = table(
    "mix_levels",
    "The same trial at other levels: the rarer a mix runs short, the more is left over",
    shop_id=_SHOP,
    enough_in=integer("Of 100 jobs, in how many the amount is meant to be enough", key=True),
    n=integer("Mixes tried"),
    n_short=integer("Of them, run short"),
    leftover_l=number("Left over had that amount been mixed, where the leftover was weighed", "L"),
)

savings = table(
    "savings",
    "What would save most, no gram counted twice",
    shop_id=text("The shop; all: every shop together, where there are several", key=True),
    lever=choice("The lever", "leftover", "transfer", "over_build", "rework", "gun", key=True),
    per_year_cost=number("Saved a year", "currency", nullable=True),
    low=number("Lower end of the 95 % interval", "currency", nullable=True),
    high=number("Upper end of the 95 % interval", "currency", nullable=True),
    per_year_voc_kg=number("VOC saved a year", "kg", nullable=True),
    per_year_solids_kg=number("Solids saved a year", "kg", nullable=True),
    basis=text("How it was reckoned", nullable=True),
    position=integer("Place in the order; each is reckoned after those before it"),
    per_year_voc_kg_low=number("Lower end of the 95 % interval", "kg", nullable=True),
    per_year_voc_kg_high=number("Upper end of the 95 % interval", "kg", nullable=True),
    per_year_solids_kg_low=number("Lower end of the 95 % interval", "kg", nullable=True),
    per_year_solids_kg_high=number("Upper end of the 95 % interval", "kg", nullable=True),
    item=text("The gun, where the lever is a gun", nullable=True),
    price=number("What the other gun costs", "currency", nullable=True),
    payback_years=number("Years until it has paid for itself", "a", nullable=True),
    payback_low=number("Lower end of the 95 % interval", "a", nullable=True),
    payback_high=number("Upper end of the 95 % interval; empty: it may never", "a", nullable=True),
)

savings_basis = table(
    "savings_basis",
    "What a year is, for the what-ifs: savings scale with price and with jobs",
    shop_id=text("The shop; all: every shop together, where there are several", key=True),
    from_on=day("First day of the data reckoned with", nullable=True),
    to_on=day("Last day", nullable=True),
    days=integer("Days between", "d"),
    jobs_per_year=number("Jobs a year", "1/a", nullable=True),
    cost_per_year=number("Material poured a year", "currency", nullable=True),
    voc_kg_per_year=number("VOC poured a year", "kg", nullable=True),
    solids_kg_per_year=number("Solids poured a year", "kg", nullable=True),
    gun_price=number("Price of a gun: the middle of the register's", "currency", nullable=True),
    cost_known_share=fraction("Share of the poured solids that has a cost", nullable=True),
    best_cost=number(
        "The three changes that save most, each above nothing, together a year", "currency", nullable=True
    ),
    best_low=number("Lower end of their joint 95 % interval", "currency", nullable=True),
    best_high=number("Its upper end", "currency", nullable=True),
    **{
        f"saved_{what}{end}": number(f"All levers that are known together{said}", unit, nullable=True)
        for what, unit in (("cost", "currency"), ("voc_kg", "kg"), ("solids_kg", "kg"))
        for end, said in (
            ("", ", a year"),
            ("_low", ": lower end of the joint 95 % interval"),
            ("_high", ": its upper end"),
        )
    },
)

practice_cards = table(
    "practice_cards",
    "What somebody could practise, with the evidence; people by id",
    shop_id=_SHOP,
    technician_id=text("The technician", key=True),
    kind=choice("What was seen", *CARDS, key=True),
    role=text("The role it was seen in; `all` where it is not one role", key=True),
    seen=text("What was seen"),
    value=number("The figure", "1", nullable=True),
    low=number("Lower end of the 95 % interval", "1", nullable=True),
    high=number("Upper end of the 95 % interval", "1", nullable=True),
    n=integer("Records, operations, panels or cups behind it"),
    prob=fraction("Probability that it is real and of a material size", nullable=True),
    how_sure=text("The same in words"),
    confused_with=text("What it could be confused with"),
    practise=text("What to practise"),
    would_settle=text("What would settle it, with how many more"),
    caution=text("What comes first"),
)

leftover_cups = table(
    "leftover_cups",
    "The cups behind the practice cards on leftovers: those weighed back; people by id",
    shop_id=_SHOP,
    technician_id=text("Who mixed it", key=True),
    mix_id=text("The cup", key=True),
    first_poured_on=day("Day of its first pour"),
    product_id=text("The product"),
    role=text("What the product is for"),
    poured_g=number("Mixed, leftovers of other cups poured in included", "g"),
    sprayed_g=number("Sprayed, what was flushed out with it included", "g"),
    leftover_g=number("Left in the cup", "g"),
    left_share=fraction("Left, of what was not poured into another cup"),
)

actions = table(
    "actions",
    "What to do, reader by reader: what rules ask first, then what saves most, then practice and records",
    reader=choice("Who is told", "owner", "environment", "trainer", "painter", key=True),
    shop_id=_SHOP,
    rank=integer("Place in this reader's list for the shop", key=True),
    what=text("What to do"),
    subject=text("The gun, product, person, measure or figure it is about; empty: the whole shop"),
    worth=number("What it is worth, or how large it is", "by unit", nullable=True),
    worth_low=number("Lower end of the 95 % interval", "by unit", nullable=True),
    worth_high=number("Upper end of the 95 % interval", "by unit", nullable=True),
    unit=text(
        "Unit of the worth: currency/a, kg/a, operations, cups, trainings, or 1 (a share or a transfer efficiency)"
    ),
    how_sure=text("The word of the ladder"),
    due_on=day("The day by which", nullable=True),
    evidence=text("Table and key of what stands behind it"),
    kind=choice("What asks for it", "rule", "money", "gun", "practise", "record"),
)

measure_next = table(
    "measure_next",
    "What to record next: what narrows most, by what it narrows of the shop's sprayed solids",
    shop_id=_SHOP,
    rank=integer("Place in the shop's list", key=True),
    action=text("What to do"),
    jobs=integer("In how many jobs; never more than the shop had of the kind in three months", nullable=True),
    figure=text("Which figure it narrows"),
    half_width_now=number("Half of its 95 % interval now; empty: there is no figure yet", "1", nullable=True),
    half_width_then=number("Half of it then", "1", nullable=True),
    worth=number(
        "What deciding with it gains a year on average; empty: not known, for a reason", "currency", nullable=True
    ),
    why_no_worth=text("That reason", nullable=True),
)

change_effects = table(
    "change_effects",
    "Whether a change helped: what it moved at equal work, against everybody whom it did not touch",
    change_id=text("The change", key=True),
    measure=text(
        "What it may have moved: te:<role>, te:all (several roles together, as sprayed since), film_over:<role> (chance that a"
        " panel's mean lies above the window), tilt:<role>, edge:<role>, leftover_share, redo_rate, cost_per_job (at equal mix of"
        " jobs)",
        key=True,
    ),
    shop_id=text("The shop"),
    technician_id=text("Whose work the change touches; empty: everybody's", nullable=True),
    before=number("The measure as the work since would have had it without the change", "by measure"),
    after=number("The measure since", "by measure"),
    difference=number("te: after over before; else after less before", "by measure"),
    low=number("Lower end of the 95 % interval of the difference", "by measure"),
    high=number("Upper end of the 95 % interval of the difference", "by measure"),
    prob_better=fraction(
        "Probability that it is better: te up; size of tilt and edge, film_over, leftover_share, redo_rate and cost down"
    ),
    verdict=choice(
        "shown: the 95 % interval leaves out no difference; likely: else prob_better above .80 or below .20",
        "shown", "likely", "not shown",
    ),
    n_before=integer("Records (te), operations, panels, cups or jobs that it is about, before the change"),
    n_after=integer("The same since"),
    grade=_GRADE,
    jobs_to_decide=integer(
        "Further jobs like those since, at which the interval around today's difference would leave out none; empty: it is shown,"
        " or beyond 20 times the jobs since",
        nullable=True,
    ),
    confounded_with=text(
        "What else differs between the two sides: other changes by id, with commas, then words", nullable=True
    ),
    worth_per_year=number("What it saves a year at the shop's present work; below 0: it costs", "currency", nullable=True),
    worth_low=number("Lower end of its 95 % interval", "currency", nullable=True),
    worth_high=number("Upper end of its 95 % interval", "currency", nullable=True),
    returned_by_itself=number(
        "Where the change answers whoever looked worst of those compared before: what of the plain difference of the two sides"
        " would have come back by itself (te: a ratio)",
        "by measure",
        nullable=True,
    ),
)  # fmt: skip

trial_standing = table(
    "trial_standing",
    "Where each trial of two guns stands: jobs that count, looks made, and what its rule says",
    change_id=text("The change of the register", key=True),
    shop_id=text("The shop"),
    jobs=integer("Jobs with each gun until it has run its length", nullable=True),
    planned=flag("That number is written down with the change; else it is that of a trial planned today", nullable=True),
    looks=integer("Looks at it in all", nullable=True),
    n_a=integer("Jobs with the gun it is tried against that count", nullable=True),
    n_b=integer("Jobs with the gun that is tried that count", nullable=True),
    looked=integer("Looks made", nullable=True),
    next_at=integer("Jobs with each gun at the next look", nullable=True),
    ratio=number("What the tried gun lands over the other, at the last look", "1", nullable=True),
    low=number("Lower end of the interval that holds at every look at once", "1", nullable=True),
    high=number("Upper end of that interval", "1", nullable=True),
    word=choice(
        "What the rule says: go on, or stop because the first (tried against) or second gun (tried) is shown to land more, or because"
        " no difference within reach is shown",
        "go on", "first gun", "second gun", "not shown", nullable=True,
    ),
    said=text("The same in words, or why it cannot be judged"),
)  # fmt: skip

setting_effects = table(
    "setting_effects",
    "Settings that matter: what tip, inlet pressure and coats go with, at equal guns, hands, products and work",
    shop_id=_SHOP,
    role=choice("What the product is for", *ROLES, key=True),
    setting=choice(
        "What was set: how far the tip lies outside the sheet's window, the inlet pressure, the coats",
        "tip", "inlet", "coats", key=True,
    ),
    measure=choice("What it may move: transfer efficiency, or film over the window's greatest", "te", "film", key=True),
    n=integer("Operations with a record (te) or a film read (film)"),
    n_known=integer("Those of which the setting is written down"),
    n_apart=integer("Those of them that lie apart from the usual, by 0.05 mm, 10 kPa or a coat at least"),
    usual=number("The median of what is written down", "mm, kPa or 1", nullable=True),
    spread=number("Its standard deviation", "mm, kPa or 1", nullable=True),
    unit=number("The step that the effect is told for", "mm, kPa or 1"),
    effect=number("What one step more goes with: the measure over itself, less 1", "1", nullable=True),
    low=number("Lower end of the 95 % interval", "1", nullable=True),
    high=number("Upper end of the 95 % interval", "1", nullable=True),
    prob_more=fraction("Probability that the measure rises with it", nullable=True),
    verdict=choice(
        "shown: no effect is left out at 5 % wrong among all that are shown (Benjamini and Hochberg 1995); likely: else prob_more"
        " above .80 or below .20",
        "shown", "likely", "not shown", nullable=True,
    ),
    grade=_GRADE,
    why=text("Why there is no effect", nullable=True),
)  # fmt: skip

cautions = table(
    "cautions",
    "What stands beside advice that could hurt somebody",
    topic=text("What it is about", key=True),
    beside=texts("Tables whose advice it stands beside"),
    says=text("The caution"),
    source=text("Where more is said"),
)

job_costs = table(
    "job_costs",
    "Material cost of a job by ledger part",
    shop_id=_SHOP,
    job_id=text("The job", key=True),
    **{f"{part}_cost": number(part.replace("_", " "), "currency", nullable=True) for part in LEDGER_PARTS},
    rework_cost=number("Material of operations that had to be repeated", "currency", nullable=True),
    redo_labour_cost=number("Labour of repeats, where a rate is set", "currency", nullable=True),
)

PUBLISHED: dict[str, Table] = {
    t.name: t
    for t in (
        intake_files, refused_rows, mixes, lacking_figures, film_increments, transfer_records, transfer_by_pair, transfer_by_gun,
        transfer_by_technician, transfer_by_role, totals, total_loadings, transfer_by_period, error_budget, gun_effects,
        technician_effects, screened_records, material_ledger,
        film_build, film_by_technician, edge_bias, panel_heat, technique_power, gun_fit, gun_cover, gun_drift,
        gun_service_contrasts, emissions_monthly, emission_lines, hap_monthly, hap_lines, hap_gaps, hap_63_3941,
        hap_material_lines, solvent_lines, stock_lines,
        rolling_12_months, limit_windows, permit_headroom, limit_curve, waste_drum, waste_monthly, material_log,
        annual_statement, reported_figures, restatements, spray_time, voc_content, voc_content_lines,
        compliance_average, compliance_multistage, compliance_metals,
        compliance_training, training_days, compliance_booths, compliance_guns, compliance_retention, compliance_solvent,
        stock_reconciliation, mix_guide, mix_parts, cup_guide, mix_backtest, mix_levels, savings, savings_basis, job_costs, practice_cards,
        leftover_cups, measure_next, change_effects, trial_standing, setting_effects,
        actions,
        cautions,
    )
}  # fmt: skip
