"""The working tables: steps between the exports and the published tables.

They live as long as a run; what a reader needs of them to trace a figure is published beside it (emission_lines, film_increments,
transfer_records). They are declared like all others, so that every step says what it hands on and in which unit.
"""

from __future__ import annotations

from schemas.registers import PERIODS, REGISTERS, ROLES
from schemas.vocabulary import Table, choice, day, flag, fraction, integer, moment, number, table, text

_SHOP = text("The shop", key=True)
_JOB = text("The job", key=True)
_OPERATION = integer("The operation", key=True)
_GRADE = choice("Evidence", "A", "B", "C", nullable=True)

incomplete = table(
    "incomplete",
    "Cups, operations, panel stages and months with something unreadable in them",
    what=choice("What is incomplete", "cup", "operation", "panel_stage", "month"),
    shop_id=text("The shop", nullable=True),
    mix_id=text("The cup", nullable=True),
    job_id=text("The job", nullable=True),
    operation_no=integer("The operation", nullable=True),
    panel_id=text("The panel", nullable=True),
    after_operation=integer("The stage; empty: every stage of the panel", nullable=True),
    month=text("The month, YYYY-MM", nullable=True),
    reason=text("Why"),
    file=text("Path inside the workspace", nullable=True),
    line=integer("Line of the file", nullable=True),
)

_CUP = text("The cup", key=True)
_PANEL = text("The panel", key=True)
_FACE = text("Side of the panel", key=True)
_ROLE = choice("What the product is for", *ROLES, nullable=True)
_RECORD = integer("Number of the record on its first job", key=True)
_LAYER_SET = text("The operations, six digits each, joined by +")
_EQUATION = text("The equation: its first operation as shop/job/operation", key=True)

cup_pours = table(
    "cup_pours",
    "Net mass of each component in each cup",
    shop_id=_SHOP,
    mix_id=_CUP,
    component_id=text("The component", key=True),
    on_date=day("Day that picks the version of the component"),
    net_g=number("Poured less taken out again", "g"),
    by_volume=flag("Some of it was not weighed"),
)

cup_contents = table(
    "cup_contents",
    "What each cup holds, leftovers of other cups included",
    shop_id=_SHOP,
    mix_id=_CUP,
    component_id=text("The component", key=True),
    on_date=day("Day that picks the version of the component", key=True),
    by_volume=flag("Some of it was not weighed", key=True),
    mass_g=number("Mass in the cup", "g"),
    own_g=number("Of it, poured here as a component", "g"),
    trouble=text("Why the contents are not known whole", nullable=True),
)

cup_intervals = table(
    "cup_intervals",
    "What left each cup between its weigh-backs",
    shop_id=_SHOP,
    mix_id=_CUP,
    interval_no=integer("Number of the weigh-back that ends it", key=True, low=1),
    n_weighings=integer("Weigh-backs of the cup"),
    begins_at=moment("The weigh-back before; empty for the first", nullable=True),
    ends_at=moment("This weigh-back; empty for the last, which stays open", nullable=True),
    weighed_at=moment("When it was weighed"),
    fate=choice("What then became of the rest", "kept", "discarded", nullable=True),
    fate_before=choice("What became of it at the weigh-back before", "kept", "discarded", nullable=True),
    kept_before=flag("A weigh-back before it kept the rest"),
    leftover_g=number("Left after it, less what was then poured on", "g"),
    gone_g=number("What left the cup", "g"),
)


def _versions(name: str, register: str) -> Table:
    return table(
        name,
        f"Each version of a row of {register} with the days on which it is in force",
        **REGISTERS[register].columns,
        from_on=day("First day"),
        until_on=day("First day no longer"),
    )


booth_versions = _versions("booth_versions", "booths")
gun_versions = _versions("gun_versions", "guns")
guns_now = _versions("guns_now", "guns")
component_versions = _versions("component_versions", "components")
product_versions = _versions("product_versions", "products")

unit_factors = table(
    "unit_factors",
    "Units of mass and volume",
    unit=text("The unit", key=True),
    quantity=choice("What it measures", "mass", "volume"),
    factor=number("What an amount in it is multiplied by to have kg or L", "1", above=0),
)

permit_amounts = table(
    "permit_amounts",
    "Limits of permits in kg and L",
    shop_id=_SHOP,
    measure=text("What is limited", key=True),
    period=choice("Over which period", *PERIODS, key=True),
    from_on=day("First day", key=True),
    until_on=day("First day no longer"),
    limit_stated=number("The limit as the permit states it", "unit", low=0),
    unit=text("Its unit"),
    source=text("Where it stands"),
    factor=number("What an amount in its unit is multiplied by to have kg or L", "1", nullable=True, above=0),
    amount=number("The limit in kg or L; empty: its unit cannot measure this", "by measure", nullable=True),
)

component_facts = table(
    "component_facts",
    "Each version of a component with what follows from its figures",
    component_id=text("The component", key=True),
    from_on=day("First day", key=True),
    until_on=day("First day no longer"),
    density_g_per_ml=number("Density", "g/mL", nullable=True),
    solids_mass_fraction=fraction("Solids by mass", nullable=True),
    solids_volume_fraction=fraction("Solids by volume", nullable=True),
    voc_mass_fraction=fraction("VOC by mass", nullable=True),
    water_mass_fraction=fraction("Water by mass", nullable=True),
    exempt_mass_fraction=fraction("Exempt compounds by mass", nullable=True),
    exempt_density_g_per_ml=number("Density of the exempt compounds", "g/mL", nullable=True),
    voc_eu_mass_fraction=fraction("VOC by the EU definition, by mass", nullable=True),
    price_per_kg=number("Price", "currency/kg", nullable=True),
    composition_known=flag("Its substances are listed, or it is said that none must be"),
)

cup_figures = table(
    "cup_figures",
    "What each component brings into its cup, where one lacks a property by the product's sheet",
    shop_id=_SHOP,
    mix_id=_CUP,
    component_id=text("The component", key=True),
    on_date=day("Day that picks its version", key=True, nullable=True),
    by_volume=flag("Measured by volume or bought ready", key=True),
    mass_g=number("Mass in the cup", "g"),
    own_g=number("Of it poured as a component", "g"),
    density_g_per_ml=number("Density", "g/mL", nullable=True),
    ml=number("Volume", "mL", nullable=True),
    own_ml=number("Volume of what was poured as a component", "mL", nullable=True),
    solids_g=number("Solids", "g", nullable=True),
    solids_ml=number("Solids", "mL", nullable=True),
    voc_g=number("VOC", "g", nullable=True),
    water_g=number("Water", "g", nullable=True),
    water_ml=number("Water", "mL", nullable=True),
    exempt_g=number("Exempt compounds", "g", nullable=True),
    exempt_ml=number("Exempt compounds", "mL", nullable=True),
    voc_eu_g=number("VOC by the EU's definition", "g", nullable=True),
    cost=number("Cost", "currency", nullable=True),
    density_from_sheet=flag("The density is the product sheet's"),
    solids_mass_from_sheet=flag("The solids by mass are the sheet's"),
    solids_volume_from_sheet=flag("The solids by volume are the sheet's"),
    voc_from_sheet=flag("The VOC is the sheet's"),
    water_from_sheet=flag("The water is the sheet's"),
    exempt_from_sheet=flag("The exempt compounds are the sheet's"),
    eu_substituted=flag("VOC + exempt stood in for the EU's fraction"),
    lacks=text("What this component does not tell", nullable=True),
)

operation_faces = table(
    "operation_faces",
    "Which faces each spray operation covered",
    shop_id=_SHOP,
    job_id=_JOB,
    operation_no=_OPERATION,
    panel_id=_PANEL,
    face=_FACE,
    area_m2=number("Area of the whole face", "m2", nullable=True),
    area_rel_sd=number("Relative standard deviation of that area", "1"),
    covered_fraction=fraction("Part that was covered"),
    substrate=text("What lies under the film"),
    coats=integer("Coats"),
    role=_ROLE,
    covered_m2=number("Area covered", "m2", nullable=True),
)

sprays = table(
    "sprays",
    "Every spray operation with what is known of it",
    shop_id=_SHOP,
    job_id=_JOB,
    operation_no=_OPERATION,
    gun_id=text("The gun"),
    technician_id=text("The technician"),
    product_id=text("The product"),
    booth_id=text("The booth", nullable=True),
    role=_ROLE,
    atomising=text("How the gun breaks the fluid up", nullable=True),
    started_at=moment("Start"),
    redo_of=integer("The operation it repeats", nullable=True),
    coats=integer("Coats"),
    n_faces=integer("Faces it names"),
    covered_m2=number("Area covered", "m2", nullable=True),
    blended=flag("A face was covered in part"),
    plastic_share=fraction("Part of the area on plastic or composite", nullable=True),
    area_class=text("Class of the area sprayed", nullable=True),
    redone=flag("A later operation repeats it"),
    why_incomplete=text("What of it could not be read", nullable=True),
)

cup_feeds = table(
    "cup_feeds",
    "Which operations each cup fed",
    shop_id=_SHOP,
    mix_id=_CUP,
    job_id=_JOB,
    operation_no=_OPERATION,
    share=number("Part of all that left the cup", "1", nullable=True),
    gone_g=number("What went this way; empty while the leftover is unknown", "g", nullable=True),
    offered_g=number("The most that can have gone this way", "g", nullable=True),
    share_known=flag("Stated, or the only way it can have gone"),
    shared_with=text("Operations with the same value share a cup without stated shares", nullable=True),
    why_not=text("Why what it took cannot carry a record", nullable=True),
)

gun_uses = table(
    "gun_uses",
    "How each gun is used, in whichever shop it was",
    gun_id=text("The gun", key=True),
    tip_mm=number("The tip last written down for it", "mm", nullable=True),
    n_primer=integer("Operations with surfacer or sprayable filler"),
    n_finish=integer("Operations with base, mid coat, clear or single stage"),
)

spray_settings = table(
    "spray_settings",
    "What was set for each spray operation, as far as it is written down",
    shop_id=_SHOP,
    job_id=_JOB,
    operation_no=_OPERATION,
    tip_out_mm=number("How far the tip lay outside the data sheet's window; 0: inside", "mm", nullable=True),
    inlet_kpa=number("Inlet pressure", "kPa", nullable=True),
    coats=integer("Coats", nullable=True),
)

leftover_habits = table(
    "leftover_habits",
    "How much is usually left in a cup",
    shop_id=_SHOP,
    role=choice("What the product is for", *ROLES, key=True),
    n=integer("Weighed cups"),
    leftover_share=number("Mean of leftover over poured", "1"),
    leftover_share_sd=number("Its standard deviation between cups", "1", nullable=True),
)

usual_leftovers = table(
    "usual_leftovers",
    "What is taken as left in a cup that nobody weighed back, what film shows of such cups in it",
    shop_id=_SHOP,
    role=choice("What the product is for", *ROLES, key=True),
    leftover_share=fraction("Leftover over poured"),
)

sprayed = table(
    "sprayed",
    "What each cup sent through each operation's gun",
    shop_id=_SHOP,
    mix_id=_CUP,
    job_id=_JOB,
    operation_no=_OPERATION,
    share=number("Part of all that left the cup", "1", nullable=True),
    share_known=flag("Stated, or the only way it can have gone"),
    why_not=text("Why what it took cannot carry a record", nullable=True),
    leftover_known=flag("The cup was weighed back"),
    complete=flag("The cup is complete"),
    mix_grade=_GRADE,
    gone_g=number("What left the cup this way", "g", nullable=True),
    offered_g=number("The most that can have left this way", "g", nullable=True),
    flush_g=number("Flush loss it pays", "g"),
    flush_sd_g=number("Standard deviation of that", "g"),
    sprayed_g=number("Mix that left the gun", "g", nullable=True),
    solids_g=number("Solids that left the gun", "g", nullable=True),
    solids_ml=number("Solids that left the gun", "mL", nullable=True),
    offered_solids_ml=number("The most solids that can have left the gun", "mL", nullable=True),
    expected_gone_g=number("What left the cup, with the usual leftover where none was weighed", "g", nullable=True),
    leftover_rel_sd=number("Relative standard deviation from an unweighed leftover", "1", nullable=True),
)

gauge_fits = table(
    "gauge_fits",
    "Gain and offset of gauges on the days they were used",
    gauge_id=text("The gauge", key=True),
    used_on=day("The day", key=True),
    n=integer("Checks behind it"),
    offset_um=number("Reading at no film", "um"),
    gain=number("Reading per um of film", "1"),
    gain_u=number("Standard uncertainty of the gain", "1"),
)

stage_positions = table(
    "stage_positions",
    "Film at each place of each stage of reading",
    shop_id=_SHOP,
    job_id=_JOB,
    panel_id=_PANEL,
    after_operation=integer("The stage", key=True),
    row_no=integer("Row of the place", key=True, nullable=True),
    col_no=integer("Place along the stroke", key=True, nullable=True),
    reading_no=integer("The reading, where it has no place", key=True, nullable=True),
    n=integer("Readings at this place"),
    raw_um=number("What the gauge showed", "um"),
    um=number("Film", "um"),
    gain=number("Gain of the gauge that day", "1"),
    first_gauge=text("The gauge; empty: none stated"),
    last_gauge=text("The gauge, where more than one read the place"),
    gain_u=number("Standard uncertainty of the gain", "1"),
    witness_of=text("The panel that this strip stands for", nullable=True),
)

stage_means = table(
    "stage_means",
    "Every stage of reading of a panel or strip, stripping to bare among them",
    shop_id=_SHOP,
    job_id=_JOB,
    panel_id=_PANEL,
    after_operation=integer("The stage", key=True),
    witness_of=text("The panel that this strip stands for", nullable=True),
    n_readings=integer("Readings"),
    mean_um=number("Film, mean of all readings", "um"),
    raw_mean_um=number("What the gauge showed, mean of all readings", "um"),
    gain=number("Gain of the gauge that day", "1"),
    first_gauge=text("The gauge; empty: none stated, or bare", nullable=True),
    last_gauge=text("The gauge, where more than one read the stage", nullable=True),
    var_um2=number("Variance between places", "um2", nullable=True),
    n_values=integer("Places read, and readings without a place"),
    n_places=integer("Places read"),
    places=number("Which places: the sum of 2^(3 (row - 1) + column - 1)", "1"),
    gain_u=number("Standard uncertainty of the gain", "1"),
    bare=flag("Stripped to bare and not read"),
)

panel_work = table(
    "panel_work",
    "Which operations touched each panel that was read",
    shop_id=_SHOP,
    job_id=_JOB,
    panel_id=_PANEL,
    operation_no=_OPERATION,
    kind=text("spray, hand, sand or polish", nullable=True),
    removal=text("What sanding removed", nullable=True),
    removed_um=number("Film taken off", "um", nullable=True),
    unclear=flag("It may have touched this panel: its row or its panels could not be read"),
)

increment_layers = table(
    "increment_layers",
    "The layers of each increment",
    shop_id=_SHOP,
    job_id=_JOB,
    panel_id=_PANEL,
    from_operation=integer("Stage before", key=True),
    to_operation=integer("Stage after", key=True),
    operation_no=_OPERATION,
    stands_for=text("The panel it speaks of"),
)

film_pieces = table(
    "film_pieces",
    "Measured film after the witness strips have had their say, a row per layer",
    shop_id=_SHOP,
    job_id=_JOB,
    panel_id=_PANEL,
    source_id=text("The panel or strip that was read", key=True),
    from_operation=integer("Stage before", key=True),
    to_operation=integer("Stage after", key=True),
    operation_no=_OPERATION,
    piece=text("Name of the piece"),
    mean_um=number("Film of all its layers", "um", nullable=True),
    sd_um=number("Spread between places", "um", nullable=True),
    n_effective=number("Readings as they count", "1", nullable=True),
    kind=text("Roles of the layers and how they were read"),
    area_m2=number("Area it stands for", "m2", nullable=True),
    area_rel_sd=number("Relative standard deviation of that area", "1", nullable=True),
    blend=flag("A layer covered part of the face only"),
    gain_u=number("Standard uncertainty of the gain", "1", nullable=True),
    extra_var_um2=number("Variance from strips and removed film", "um2", nullable=True),
    source=choice("How it was read", "own", "difference", "strip"),
    grade=_GRADE,
    usable=flag("It can carry a record"),
    alone=flag("It is of one layer"),
    why_not=text("Why it cannot", nullable=True),
)

film_spans = table(
    "film_spans",
    "Which spray operations are held against a data sheet's window together",
    shop_id=_SHOP,
    job_id=_JOB,
    panel_id=_PANEL,
    face=_FACE,
    operation_no=_OPERATION,
    product_id=text("The product", key=True),
    role=_ROLE,
    first_operation=integer("First operation of the span"),
    last_operation=integer("Last operation of the span"),
    n_operations=integer("Operations of the span"),
    least_fraction=number("Least fraction of the face covered by one of them", "1"),
    greatest_fraction=number("Greatest fraction covered", "1"),
    covered_m2=number("Area covered", "m2", nullable=True),
    substrate_known=flag("What lies under the film is known"),
    film_min_um=number("Data sheet: least", "um", nullable=True),
    film_max_um=number("Data sheet: greatest", "um", nullable=True),
    film_basis=text("What the window speaks of", nullable=True),
)

sanded_films = table(
    "sanded_films",
    "Film after sanding where it was read",
    shop_id=_SHOP,
    job_id=_JOB,
    panel_id=_PANEL,
    product_id=text("The product", key=True),
    first_operation=integer("First operation of the span", key=True),
    kind=text("Role of the product and how it was read"),
    mean_um=number("Film", "um"),
    sd_um=number("Spread between places", "um", nullable=True),
    n_effective=number("Readings as they count", "1", nullable=True),
    extra_var_um2=number("Variance from film taken off before the first operation", "um2"),
    gain_u=number("Standard uncertainty of the gain", "1"),
    grade=_GRADE,
)

film_spreads = table(
    "film_spreads",
    "How far readings of one kind of film differ from place to place, over all shops",
    kind=text("Roles of the layers and how they were read", key=True),
    blend=flag("A layer covered part of the face only", key=True),
    s2_um2=number("Variance of single readings", "um2"),
    within_cv=number("Relative spread on a face read at marked places, the same on every row", "1"),
)

equations = table(
    "equations",
    "Which spray operations hang together",
    shop_id=_SHOP,
    job_id=_JOB,
    operation_no=_OPERATION,
    equation=text("The equation: its first operation as shop/job/operation"),
    first_job_id=text("The first job"),
    record_no=integer("Number of the record on that job"),
)

piece_films = table(
    "piece_films",
    "Measured film by equation, its layers put together",
    equation=_EQUATION,
    shop_id=_SHOP,
    job_id=_JOB,
    panel_id=_PANEL,
    piece=text("Name of the piece", key=True),
    usable=flag("It can carry a record"),
    why_not=text("Why it cannot", nullable=True),
    layer_set=_LAYER_SET,
    n_layers=integer("Number of operations"),
    um=number("Film of all its layers", "um", nullable=True),
    area_m2=number("Area it stands for", "m2", nullable=True),
    area_rel_sd=number("Relative standard deviation of that area", "1", nullable=True),
    blend=flag("A layer covered part of the face only"),
    grade=_GRADE,
    source=choice("How it was read", "own", "difference", "strip"),
    gain_u=number("Standard uncertainty of the gain", "1", nullable=True),
)

unread_faces = table(
    "unread_faces",
    "Faces, or the part of their operations, that no measured film speaks of",
    equation=_EQUATION,
    shop_id=_SHOP,
    job_id=_JOB,
    panel_id=_PANEL,
    face=_FACE,
    operation_no=_OPERATION,
    area_m2=number("Area of the face", "m2", nullable=True),
    area_rel_sd=number("Relative standard deviation of that area", "1", nullable=True),
    covered_fraction=number("Part of the face that the operation covered", "1"),
    substrate=text("What the panel is made of", nullable=True),
    layer_set=_LAYER_SET,
    n_layers=integer("Number of operations"),
)

face_films = table(
    "face_films",
    "Film of just the operations that some other face of the job was not read after",
    equation=_EQUATION,
    shop_id=_SHOP,
    job_id=_JOB,
    panel_id=_PANEL,
    layer_set=text("The operations, six digits each, joined by +", key=True),
    um=number("Film of all its layers", "um"),
)

panel_spread = table(
    "panel_spread",
    "How far the film of the same operations differs between panels of one job, over all shops",
    rel_var=number("Relative variance", "1"),
)

record_faces = table(
    "record_faces",
    "What landed on each face of an equation, piece by piece",
    equation=_EQUATION,
    shop_id=_SHOP,
    job_id=_JOB,
    panel_id=_PANEL,
    face=_FACE,
    layer_set=text("The operations, six digits each, joined by +", key=True),
    n_layers=integer("Number of operations"),
    source=choice("How it was found", "own", "difference", "strip", "filled", key=True),
    um=number("Film of all its layers", "um", nullable=True),
    area_m2=number("Area it stands for", "m2", nullable=True),
    grade=_GRADE,
    gain_u=number("Standard uncertainty of the gain", "1", nullable=True),
    landed_ml=number("Solids landed", "mL", nullable=True),
    read_var_ml2=number("Variance of that from readings and filling in", "mL2", nullable=True),
    area_var_ml2=number("Variance of that from the area", "mL2", nullable=True),
    read_m2=number("Area read", "m2", nullable=True),
    reason=text("Why the face is not covered", nullable=True),
)

record_layers = table(
    "record_layers",
    "The spray operations of each record: what was sprayed, by whom, with what, on what",
    shop_id=_SHOP,
    job_id=text("First job of the record", key=True),
    record_no=_RECORD,
    position=integer("Place in the record", key=True, low=1),
    equation=text("The equation"),
    op_job_id=text("The operation's job"),
    operation_no=integer("The operation"),
    gun_id=text("The gun"),
    technician_id=text("The technician"),
    product_id=text("The product"),
    role=_ROLE,
    atomising=text("How the gun breaks the fluid up", nullable=True),
    started_at=moment("Start"),
    sprayed_solids_ml=number("Solids that left the gun; empty while a leftover is unknown", "mL", nullable=True),
    sprayed_solids_g=number("Solids that left the gun", "g", nullable=True),
    poured_solids_ml=number("The most solids that can have left the gun", "mL", nullable=True),
    sprayed_rel_u=number("Relative standard uncertainty: scale, flush and solids", "1", nullable=True),
    leftover_known=flag("Every cup was weighed back"),
    share_known=flag("Every share was stated or the only one"),
    mix_grade=_GRADE,
    area_m2=number("Area covered", "m2", nullable=True),
    area_class=text("Class of the area sprayed", nullable=True),
    blended=flag("A face was covered in part"),
    plastic_share=fraction("Part of the area on plastic or composite", nullable=True),
    n_faces=integer("Faces it names"),
    trouble=text("Why it cannot enter a record", nullable=True),
)

records = table(
    "records",
    "Closed equations as the model takes them",
    shop_id=_SHOP,
    job_id=text("First job", key=True),
    record_no=_RECORD,
    equation=text("The equation"),
    kind=text("Roles in order, and paired, unpaired or mass", nullable=True),
    basis=choice("volume: film; mass: weighed targets", "volume", "mass"),
    n_layers=integer("Operations in it"),
    landed_solids_ml=number("Solids landed", "mL", nullable=True),
    sprayed_solids_ml=number("Solids sprayed", "mL", nullable=True),
    ratio=number("Landed over sprayed", "1", nullable=True),
    read_var_ml2=number("Variance of landed from readings and filling in", "mL2", nullable=True),
    area_rel_var=number("Relative variance of landed from areas", "1", nullable=True),
    sprayed_rel_u=number("Relative standard uncertainty of sprayed", "1", nullable=True),
    rel_u=number("Relative standard uncertainty of the ratio", "1", nullable=True),
    gain_rel_u=number("Relative standard uncertainty shared through the gauge", "1", nullable=True),
    grade=_GRADE,
    usable=flag("It can enter the model"),
    why_not=text("Why it cannot", nullable=True),
    leftover_known=flag("Every cup was weighed back"),
    landed_at=moment("Start of its last operation", nullable=True),
)

operation_te = table(
    "operation_te",
    "The transfer efficiency that the ledger takes for each spray operation",
    shop_id=_SHOP,
    op_job_id=_JOB,
    operation_no=_OPERATION,
    te=number("Transfer efficiency", "1", nullable=True),
    te_low=number("Lower end of the 95 % interval", "1", nullable=True),
    te_high=number("Upper end of the 95 % interval", "1", nullable=True),
    grade=_GRADE,
    source=text("own record, or what it was taken from", nullable=True),
    event_rel_u=number(
        "Chance of the one operation, or what its own record alone leaves open: relative", "1", nullable=True
    ),
    on_film=flag("It rests on film, not on weighed targets", nullable=True),
    design_row=integer("Row of the transfer model's design; empty: own record, or no model", nullable=True),
)

record_budgets = table(
    "record_budgets",
    "What makes the transfer efficiency of one operation's own record uncertain; every part a relative standard uncertainty",
    shop_id=_SHOP,
    job_id=text("The first job", key=True),
    record_no=integer("Number of the record on that job", key=True),
    op_job_id=text("The job of the operation"),
    operation_no=integer("The operation"),
    te=number("Landed over sprayed", "1", above=0.0),
    low=number("Lower end of the 95 % interval", "1", nullable=True),
    high=number("Upper end of the 95 % interval", "1", nullable=True),
    rel_u=number("All parts together", "1", low=0.0),
    how=choice("How the interval was found", "propagation", "Monte Carlo", "too uncertain for an interval"),
    film_rel_u=number("Readings", "1", low=0.0),
    area_rel_u=number("Areas", "1", low=0.0),
    sprayed_rel_u=number("Scale and flush", "1", low=0.0),
    leftover_rel_u=number("A leftover that was not weighed; 0: it was", "1", low=0.0),
    gauge_rel_u=number("Gain of the gauge: one error of all its readings; 0: a weighed target", "1", low=0.0),
    area_shared_rel_u=number("Table of areas as a whole; 0: a weighed target", "1", low=0.0),
    solids_rel_u=number("Solids content of the product", "1", low=0.0),
    density_rel_u=number("Densities of the product, wet and dry; 0: a weighed target", "1", low=0.0),
    on_film=flag("It rests on film, not on weighed targets"),
    grade=_GRADE,
)

transfer_model = table(
    "transfer_model",
    "What the transfer model found besides guns and hands",
    term=text("What it is about", key=True),
    level=text("Which of them", key=True),
    value=number(
        "Multiplier of TE, standard deviation of log TE under spread (of its change in a year: wear), number of passes",
        "1",
    ),
    low=number("Lower end of the 95 % interval", "1", nullable=True),
    high=number("Upper end of the 95 % interval", "1", nullable=True),
    note=text("What follows from it", nullable=True),
)

operation_films = table(
    "operation_films",
    "Film of each spray operation on each face",
    shop_id=_SHOP,
    job_id=_JOB,
    operation_no=_OPERATION,
    panel_id=_PANEL,
    face=_FACE,
    covered_fraction=number("Fraction of the face covered", "1"),
    covered_m2=number("Area covered", "m2", nullable=True),
    film_um=number("Film", "um", nullable=True),
    se_um=number("Standard error of that mean", "um", nullable=True),
    within_um=number("Spread between places on the face", "um", nullable=True),
    source=choice("How it was found", "read", "from transfer", nullable=True),
    grade=_GRADE,
)

film_scatter = table(
    "film_scatter",
    "How panels scatter, over all shops",
    panel_cv=number("Relative spread between panels of one operation", "1"),
)

_OWN2 = number("Relative variance that is this face's own, where transfer alone tells", "1", nullable=True)
_LOOSE2 = number("Relative variance of leftover, flush loss, areas and fractions covered", "1", nullable=True)
_SHARED2 = number("Relative variance that its like share", "1", nullable=True)

told_films = table(
    "told_films",
    "Film of each spray operation on each face as read or as transfer tells",
    shop_id=_SHOP,
    job_id=_JOB,
    operation_no=_OPERATION,
    panel_id=_PANEL,
    face=_FACE,
    film_um=number("Film", "um", nullable=True),
    se_um=number("Standard error of that mean", "um", nullable=True),
    source=choice("How it was found", "read", "from transfer", nullable=True),
    own2=_OWN2,
    loose2=_LOOSE2,
    shared2=_SHARED2,
)

told_sums = table(
    "told_sums",
    "Readings over several layers of which transfer alone tells each",
    shop_id=_SHOP,
    job_id=_JOB,
    operation_no=_OPERATION,
    panel_id=_PANEL,
    piece=text("Name of the piece", key=True),
    source_id=text("The panel or strip that was read", key=True),
    kind=text("Roles of the layers and how they were read"),
    sum_um=number("Film of all its layers as it was read", "um"),
    s2_um2=number("Variance of that", "um2", nullable=True),
    film_um=number("Film of this layer as transfer tells it", "um", nullable=True),
    own2=_OWN2,
    loose2=_LOOSE2,
    shared2=_SHARED2,
)

transfer_spread = table(
    "transfer_spread",
    "How far a panel's film lies from what its operation's transfer tells, over all shops",
    rel_sd=number("Relative standard deviation; 0: too few sums were read", "1"),
)

film_groups = table(
    "film_groups",
    "Film of one product on one face, as it is compared with the data sheet's window",
    shop_id=_SHOP,
    job_id=_JOB,
    panel_id=_PANEL,
    face=_FACE,
    product_id=text("The product", key=True),
    first_operation=integer("First operation in it", key=True),
    last_operation=integer("Last operation in it"),
    covered_m2=number("Area covered", "m2", nullable=True),
    film_um=number("Film on the window's basis", "um", nullable=True),
    se_um=number("Standard error of that mean", "um", nullable=True),
    within_um=number("Spread between places on the face", "um", nullable=True),
    film_min_um=number("Data sheet: least", "um", nullable=True),
    film_max_um=number("Data sheet: greatest", "um", nullable=True),
    film_basis=text("What the window speaks of", nullable=True),
    grade=_GRADE,
)

over_build = table(
    "over_build",
    "Dry film above the data sheet's maximum, by spray operation",
    shop_id=_SHOP,
    job_id=_JOB,
    operation_no=_OPERATION,
    over_ml=number("Film above the maximum", "mL"),
    over_ml_low=number("Lower end of the 95 % interval", "mL"),
    over_ml_high=number("Upper end of the 95 % interval", "mL"),
)

# --- the environmental record ---

_JURISDICTION = text("The jurisdiction", key=True)
_ON = day("The day", key=True)
_PART_UNIT = "g/g of cup"

emission_places = table(
    "emission_places",
    "Whose rules each shop answers to, and the span of its records",
    shop_id=_SHOP,
    jurisdiction=text("The jurisdiction"),
    basis=choice("What limits are compared with", "regulatory", "eu"),
    averaging=choice("How limits are judged", "each_mix", "monthly_weighted"),
    last_on=day("Last day with a record", nullable=True),
    first_month=text("Month of the first pour, cleaning or unscaled use", nullable=True),
    last_month=text("Month of the last one", nullable=True),
)

shop_months = table(
    "shop_months",
    "Each calendar month from the first to the last of a shop's records",
    shop_id=_SHOP,
    month=text("Month, YYYY-MM", key=True),
    month_no=integer("Months since the year 0"),
    n_before=integer("Months of the records before it"),
    next_on=day("First day of the month after it"),
)

record_lines = table(
    "record_lines",
    "Cleanings, uses without a scale and lines of stock with the file and line that they were read from",
    source=choice("The table", "cleaning", "unscaled_use", "stock", key=True),
    shop_id=_SHOP,
    number=text("cleaning_no, use_no or document_no", key=True),
    document_line=integer("Line of the document; 1 but for stock", key=True),
    on_date=day("Its day"),
    file=text("Path inside the workspace", nullable=True),
    file_line=integer("Its line there", nullable=True),
)

substance_status = table(
    "substance_status",
    "What each place says of a substance, by purpose and day",
    jurisdiction=_JURISDICTION,
    cas=text("CAS number", key=True),
    purpose=choice(
        "mass: records and reports in kg; content: limits in g/L; hap: list of hazardous pollutants; metal: target metals",
        "mass", "content", "hap", "metal",
        key=True,
    ),
    **{"class": text("hap: the class it is tested in, or metal; metal: which", key=True, nullable=True)},
    from_on=day("First day", key=True),
    until_on=day("First day no longer"),
    status=choice("Left out as VOC, or not; or on the list", "exempt", "counts", "listed"),
    substance=text("Its name", nullable=True),
    density_g_per_ml=number("Density of the liquid", "g/mL", nullable=True),
    form=text("metal: its form", nullable=True),
    threshold_mass_fraction=fraction("Mass fraction from which it counts", nullable=True),
    source=text("Where it stands"),
)  # fmt: skip

cup_contents_placed = table(
    "cup_contents_placed",
    "What of a cup is VOC and exempt where it was used",
    shop_id=_SHOP,
    mix_id=_CUP,
    voc=number("VOC as reported", "g/g", nullable=True),
    exempt=number("Exempt as reported", "g/g", nullable=True),
    content_voc=number("VOC as limits on content see it", "g/g", nullable=True),
    ml=number("Volume", "mL/g", nullable=True),
    limited_ml=number("Volume less water, and less exempt but on the EU's basis", "mL/g", nullable=True),
    eu_substituted=flag("VOC + exempt stood in for the EU's fraction"),
)

cleaner_contents = table(
    "cleaner_contents",
    "VOC content of materials for cleaning and surface preparation, where the place limits them",
    shop_id=_SHOP,
    number=text("The cleaning or use", key=True),
    kind=choice("Of which table", "cleaning", "unscaled", key=True),
    category=text("The category", key=True),
    jurisdiction=text("The jurisdiction"),
    averaging=text("How limits are judged"),
    basis=text("What the limit is compared with"),
    component_id=text("The material"),
    on_date=day("Its day"),
    month=text("Its month, YYYY-MM"),
    mass_g=number("Handed out or used", "g"),
    voc_mass_fraction=number("VOC as limits on content see it", "1", nullable=True),
    limited_ml_per_g=number("Volume that the limit is over", "mL/g", nullable=True),
    g_per_l=number("Content", "g/L", nullable=True),
    limit_g_per_l=number("The limit", "g/L"),
    source=text("Where it stands"),
    eu_substituted=flag("VOC + exempt stood in for the EU's fraction"),
)

cup_categories = table(
    "cup_categories",
    "Each category that a cup's product serves where it was used",
    shop_id=_SHOP,
    mix_id=_CUP,
    jurisdiction=text("The jurisdiction"),
    category=text("The category", key=True),
    label=text("The rule's words for it", nullable=True),
    limit_g_per_l=number("The limit", "g/L", nullable=True),
    basis=text("What the limit is compared with"),
    limit_source=text("Where it stands", nullable=True),
    limit_read=text("Whether that was read", nullable=True),
    g_per_l=number("Content by this category's denominator", "g/L", nullable=True),
    eu_substituted=flag("VOC + exempt stood in for the EU's fraction", nullable=True),
    n_categories=integer("Categories of its product there"),
    rules=flag("This one decides"),
)

emission_materials = table(
    "emission_materials",
    "What of a component counts as VOC and what as exempt, where and when it was used",
    jurisdiction=_JURISDICTION,
    component_id=text("The component", key=True),
    on_date=_ON,
    density_g_per_ml=number("Density", "g/mL", nullable=True),
    voc_mass_fraction=number("VOC as reported there and then", "1", nullable=True),
    exempt_mass_fraction=number("Exempt as reported there and then", "1", nullable=True),
    restated_mass_fraction=number("What of the exempt counts as VOC in reports there and then", "1"),
    content_restated_mass_fraction=number("What of the exempt counts as VOC in limits on content there and then", "1"),
    content_restated_ml_per_g=number("Its volume", "mL/g", nullable=True),
)

emission_parts = table(
    "emission_parts",
    "What each component brings into its cup, per g of cup",
    shop_id=_SHOP,
    mix_id=_CUP,
    component_id=text("The component", key=True),
    on_date=_ON,
    part=number("Its mass", _PART_UNIT),
    voc=number("VOC in it, as reported", _PART_UNIT, nullable=True),
    exempt=number("Exempt compounds in it, as reported", _PART_UNIT, nullable=True),
    content_voc=number("VOC in it, as limits on content see it", _PART_UNIT, nullable=True),
    ml=number("Its volume", "mL/g of cup", nullable=True),
    limited_ml=number(
        "That volume less water, and less exempt compounds but on the EU's basis", "mL/g of cup", nullable=True
    ),
    eu_substituted=flag("VOC + exempt stood in for the EU's fraction"),
)

emission_cups = table(
    "emission_cups",
    "Cups as the environmental record sees them",
    shop_id=_SHOP,
    mix_id=_CUP,
    product_id=text("The product", nullable=True),
    month=text("Month of the first pour, YYYY-MM"),
    first_poured_at=moment("First pour"),
    jurisdiction=text("The jurisdiction"),
    category=text("The category with the lowest limit; empty: none known", nullable=True),
    label=text("The rule's words for it", nullable=True),
    n_categories=integer("Categories of its product there"),
    limit_g_per_l=number("The limit", "g/L", nullable=True),
    limit_source=text("Where it stands", nullable=True),
    basis=text("Basis of the jurisdiction"),
    averaging=text("How limits are judged"),
    poured_g=number("Everything poured in", "g"),
    own_poured_g=number("Component pours only", "g"),
    rts_l=number("Litres of component pours", "L", nullable=True),
    voc_mass_fraction=number("VOC by mass, as reported", "1", nullable=True),
    exempt_mass_fraction=number("Exempt compounds by mass, as reported", "1", nullable=True),
    content_voc_mass_fraction=number("VOC by mass, as limits on content see it", "1", nullable=True),
    limited_ml_per_g=number(
        "Volume less water, and less exempt compounds but on the EU's basis", "mL/g", nullable=True
    ),
    complete=flag("Nothing about it was unreadable"),
    why_incomplete=text("What could not be read", nullable=True),
    leftover_known=flag("A weigh-back was read"),
    grade=_GRADE,
)

emission_uses = table(
    "emission_uses",
    "What left as material: cups, solvent evaporated in cleaning, unscaled use",
    shop_id=_SHOP,
    month=text("Month, YYYY-MM", key=True, nullable=True),
    category=text("Category of the limits, or cleaning, surface_prep, unscaled, unmapped"),
    kind=text("What it is, as in emission_lines", key=True),
    source=text("The table to look in"),
    on_date=day("Day on which it counts", key=True, nullable=True),
    mix_id=text("The cup", key=True, nullable=True),
    job_id=text("The job", nullable=True),
    number=text("cleaning_no or use_no", key=True, nullable=True),
    component_id=text("The component", nullable=True),
    mass_g=number("Mass gone, evaporated or used", "g", nullable=True),
    rts_l=number("Poured, ready to spray", "L", nullable=True),
    rts_kg=number("Poured, ready to spray", "kg", nullable=True),
    issued_l=number("Solvent issued", "L", nullable=True),
    issued_g=number("Solvent issued", "g", nullable=True),
    recovered_g=number("Solvent that came back, flush in it", "g", nullable=True),
    flush_g=number("The flush in it", "g", nullable=True),
    voc_kg=number("VOC", "kg", nullable=True),
    exempt_kg=number("Exempt compounds", "kg", nullable=True),
    complete=flag("Nothing of it was unreadable or without a figure"),
    grade=_GRADE,
    note=text("What is missing", nullable=True),
)

drum_inputs = table(
    "drum_inputs",
    "What goes into a shop's drum",
    shop_id=_SHOP,
    kind=choice("What it is", "discarded", "flush", "recovered", key=True),
    on_date=day("The day", key=True),
    mix_id=text("The cup", key=True, nullable=True),
    number=text("The cleaning", key=True, nullable=True),
    month=text("Its month, YYYY-MM"),
    stream=choice("Of which stream", "coating", "solvent"),
    mass_g=number("Mass", "g"),
    voc_g=number("VOC in it, of coating; empty: not known", "g", nullable=True),
)

emission_flows = table(
    "emission_flows",
    "When what was in a cup counts as gone; kept: not yet",
    shop_id=_SHOP,
    mix_id=_CUP,
    kind=choice("What shows it", "cup", "drawn", "weighed_back", "discarded", "unseen", "found", "kept", key=True),
    on_date=day("The day; empty: still kept", key=True, nullable=True),
    month=text("Its month, YYYY-MM", nullable=True),
    mass_g=number("Mass", "g"),
)

emission_cleaning = table(
    "emission_cleaning",
    "What evaporated of the solvent handed out for cleaning",
    shop_id=_SHOP,
    cleaning_no=text("The cleaning", key=True),
    on_date=day("The day"),
    month=text("Its month, YYYY-MM"),
    category=choice("cleaning: guns and booths", "cleaning", "surface_prep"),
    component_id=text("The solvent"),
    issued_g=number("Handed out", "g"),
    recovered_g=number("Came back", "g"),
    solvent_recovered_g=number("All of it that came back that month", "g"),
    solvent_flush_g=number("Flush losses in what came back", "g"),
    evaporated_g=number("Its part of what evaporated", "g"),
)

emission_waste = table(
    "emission_waste",
    "Waste shipped off and the credit it earns",
    shop_id=_SHOP,
    document_no=text("The document", key=True),
    line_no=integer("Line on it", key=True),
    happened_on=day("Day shipped"),
    month=text("Its month, YYYY-MM"),
    component_id=text("The component", nullable=True),
    mass_g=number("Shipped", "g"),
    voc_mass_fraction=fraction("VOC by its analysis", nullable=True),
    document_ref=text("The paper that proves it", nullable=True),
    solvent_g=number("Recovered solvent that it took out of the drum", "g"),
    coating_g=number("Coating that it took out", "g"),
    unexplained_g=number("Shipped beyond what the drum held", "g"),
    credit_g=number("VOC taken off", "g"),
    why_not=text("Why it earns none, or less than its analysis says", nullable=True),
)

emission_overspray = table(
    "emission_overspray",
    "Particulate of each cup and operation",
    shop_id=_SHOP,
    mix_id=_CUP,
    job_id=text("The job; empty: no operation took it", key=True, nullable=True),
    operation_no=integer("The operation; empty: no operation took it", key=True, nullable=True),
    on_date=day("Day of the operation, else of the cup's first pour"),
    month=text("Its month, YYYY-MM"),
    filter_capture=fraction("What its filter held back that day", nullable=True),
    pm_g=number("Behind the filter", "g", nullable=True),
    pm_g_low=number("Lower end of the 95 % interval", "g", nullable=True),
    pm_g_high=number("Upper end of the 95 % interval", "g", nullable=True),
    pm_own_g=number("Standard uncertainty by chance of this operation alone", "g", nullable=True),
    not_split_solids_g=number("Solids whose transfer is not known", "g", nullable=True),
    grade=_GRADE,
    why_not_split=text("Why a part's way is not known", nullable=True),
)

emission_gaps = table(
    "emission_gaps",
    "Rows of a month that were refused",
    shop_id=_SHOP,
    month=text("Month, YYYY-MM", key=True),
    n_refused=integer("How many"),
    unread=flag("Some stand for material of which nothing is in any figure"),
)

gun_rules = table(
    "gun_rules",
    "What 40 CFR 63 subpart HHHHHH says of each gun",
    shop_id=_SHOP,
    gun_id=text("The gun", key=True),
    qualifies=choice("Whether its way of atomising qualifies", "yes", "review", "no"),
    cup=choice("The cup against the 3 fl oz", "outside", "review", "review: refilled", "inside", "missing"),
    cup_by_size=choice("The same by its size alone", "outside", "review", "inside", "missing"),
    first_refilled_on=day("First operation that sprayed more than the small cup holds", nullable=True),
    n_refilled=integer("Operations that sprayed more than the small cup holds"),
)

hap_blend_matches = table(
    "hap_blend_matches",
    "Default blends behind species of components",
    component_id=text("The component", key=True),
    cas=text("CAS number as the register has it", key=True),
    substance=text("Name as the register has it", nullable=True),
    table_no=integer("Table of 63 subpart MMMM"),
    entry_no=integer("Its entry"),
    blend=text("Its name there"),
    organic_hap_mass_fraction=fraction("All organic HAP of the blend"),
    matched_by=text("By name and CAS number, one of them, or the kind alone"),
    ambiguous=flag("Other entries match as well; the one with most HAP is taken"),
)

hap_species = table(
    "hap_species",
    "Hazardous air pollutants in components",
    component_id=text("The component", key=True),
    cas=text("CAS number", key=True),
    from_on=day("First day on which it is listed", key=True),
    until_on=day("First day on which it no longer is"),
    substance=text("The substance"),
    metal=flag("A compound of a metal"),
    threshold_mass_fraction=fraction("Mass fraction from which 40 CFR 63.3941 counts it", nullable=True),
    fraction=number("Part by mass; upper end of a stated range", "1", nullable=True),
    fraction_low=number("Lower end", "1", nullable=True),
    fraction_high=number("Upper end", "1", nullable=True),
    fraction_63_3941=number("By 40 CFR 63.3941(a)(1), organic ones only", "1", nullable=True),
    from_blend=flag("At least partly a default blend's content"),
)

hap_uses = table(
    "hap_uses",
    "Grams of each component in each line of emission_lines",
    shop_id=_SHOP,
    line=integer("The line", key=True),
    month=text("Its month, YYYY-MM"),
    on_date=day("Its day"),
    component_id=text("The component", key=True),
    mass_g=number("Mass", "g"),
    complete=flag("Nothing of it was unreadable"),
)

WORKING: dict[str, Table] = {
    t.name: t
    for t in (
        incomplete, cup_pours, cup_contents, cup_intervals, booth_versions, gun_versions, guns_now, component_versions, product_versions,
        unit_factors, permit_amounts, component_facts, cup_figures, operation_faces, sprays, cup_feeds, gun_uses, spray_settings,
        leftover_habits, usual_leftovers, sprayed,
        gauge_fits, stage_positions, stage_means, panel_work, increment_layers, film_pieces, film_spans,
        sanded_films, film_spreads, equations,
        piece_films, unread_faces, face_films, panel_spread, record_faces, record_layers, records, operation_te,
        record_budgets, transfer_model, operation_films, film_scatter, told_films, told_sums, transfer_spread, film_groups,
        over_build,
        emission_places, shop_months, record_lines, substance_status, cup_contents_placed, cup_categories, cleaner_contents, emission_materials,
        emission_parts, emission_cups, emission_flows, emission_cleaning,
        emission_uses, drum_inputs, emission_waste, emission_overspray, emission_gaps, gun_rules, hap_blend_matches, hap_species,
        hap_uses,
    )
}  # fmt: skip
