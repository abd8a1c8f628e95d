"""Words by which exports call our columns: what infer.py recognises in headers and cells. No rule stands here.

Trade words in English and German, common practice without a published source; our own names come first by themselves.
A word list is matched against a header without units, in lower case, letters and digits only.
"""

#: column -> headers that mean it, wherever the column exists; `table.column` wins over `column`
HEADERS: dict[str, str] = {
    "shop_id": "shop|branch|location|site|betrieb|filiale|standort|werkstatt",
    "mix_id": "mix|mix no|mix number|mix id|cup|cup no|cup id|ticket|ticket no|mixture|becher|becher nr|mischung|mischung nr"
    "|ansatz|mix ref",
    "pour_no": "pour|pour no|line|line no|seq|sequence|pos|position|order|zeile|lfd nr|nr",
    "poured_at": "zeitstempel|poured at|weighed at|mixed at|mix time|mixed on|timestamp|date time|datetime|when|zeitpunkt|gemischt am|at"
    "|logged at",
    "product_id": "product|paint|finish|material mixed|produkt|lack|coating|product code|paint system|what was mixed",
    "component_id": "component|ingredient|material|part|komponente|bestandteil|item|stoff|component code|tin|article|solvent|solvent code|cleaner",
    "from_mix_id": "from mix|from cup|aus becher|leftover of",
    "weighed_g": "weighed|net|net weight|weight|amount|mass|poured|menge|gewicht|netto|einwaage|actual|scale|reading|grams"
    "|gross|gross weight|total weight|brutto|display|anzeige|running total|cumulative|volume",
    "target_g": "target|formula|wanted|should be|soll|soll menge|target weight",
    "technician_id": "technician|painter|operator|employee|person|worker|mitarbeiter|lackierer|mixed by|sprayed by|by|who|user",
    "scale_id": "scale|scale id|balance|waage",
    "colour_id": "colour|color|colour code|color code|farbe|farbton",
    "job_id": "job|job no|job number|job id|order no|repair order|work order|ro|ro number|auftrag|auftrag nr|auftrags nr|wo",
    "weigh_no": "weigh no|weighing no|rueckwaage nr",
    "weighed_at": "weighed at|weighed back at|returned at|time|date time|timestamp|rueckwaage am|gewogen am|when|at",
    "leftover_g": "leftover|left|left over|returned|remaining|remainder|rest|restmenge|rueckwaage|left in cup|weighed back",
    "fate": "fate|kept or discarded|what became of it|verbleib|disposition",
    "vehicle_class": "vehicle class|vehicle|vehicle size|car class|class|fahrzeug|fahrzeugklasse|size",
    "opened_on": "opened|opened on|date in|received|arrival|annahme|in",
    "closed_on": "closed|closed on|date out|delivered|handed over|uebergabe|abgabe|out",
    "operation_no": "operation|operation no|step|step no|op|op no|schritt|arbeitsgang|stage|seq|sequence",
    "kind": "kind|type|type of work|work|activity|taetigkeit|art|action|what was done|task",
    "removal": "removal|sanding|schliff",
    "removed_um": "removed|abtrag",
    "started_at": "start|started|started at|begin|beginn|from|start time|von|started on",
    "ended_at": "end|ended|ended at|finish|finished|ende|until|to|end time|bis|done at",
    "gun_id": "gun|gun id|gun no|spray gun|pistole|pistole nr",
    "tip_mm": "tip|fluid tip|nozzle|duese|tip size|nozzle size",
    "inlet_kpa": "inlet|pressure|inlet pressure|air pressure|druck|eingangsdruck|air",
    "coats": "coats|no of coats|number of coats|gaenge|spritzgaenge|passes",
    "booth_id": "booth|cabin|kabine|spray booth",
    "redo_of": "redo of|repeats|repeat of|wiederholt|redo",
    "panel_id": "panel|panels|part|bauteil|teil|panel name|where|body part",
    "face": "face|side|seite",
    "area_m2": "area|surface|flaeche|size",
    "covered_fraction": "covered|coverage|lackiert|part covered|share covered",
    "substrate": "substrate|base material|werkstoff|untergrund|metal|made of",
    "share": "share|portion|anteil|part of cup|fraction",
    "after_operation": "after operation|after step|after op|nach schritt|stage|after",
    "reading_no": "reading no|no|nr|messung|point|point no|seq|n|shot",
    "row": "row|reihe",
    "col": "col|column|spalte",
    "reading_um": "reading|thickness|film|film thickness|dft|dry film|dicke|schichtdicke|value|measurement|messwert|result",
    "gauge_id": "gauge|gauge id|gauge no|instrument|probe|geraet|messgeraet|device",
    "taken_at": "taken at|measured at|read at|date time|datetime|timestamp|when|gemessen am|time of reading|at",
    "witness_of": "witness of|stands for|strip for|streifen fuer",
    "used_at": "used at|date|when|at|verwendet am|issued at",
    "purpose": "purpose|use|used for|zweck|what was cleaned",
    "issued_g": "issued|handed out|given out|ausgabe|ausgegeben",
    "recovered_g": "recovered|came back|returned|zurueck|rueckgabe",
    "mass_g": "mass|weight|amount|quantity|qty|menge|gewicht",
    "document_no": "document|document no|delivery note|invoice|lieferschein|beleg|doc no|doc",
    "line_no": "line|line no|pos|position|zeile",
    "happened_on": "date|on|day|booked on|datum|happened on",
    "movement": "movement|booking|buchung|bewegung|type|kind|what",
    "cleaning_no": "cleaning no|entry|no|nr|id|lfd nr",
    "use_no": "use no|entry|no|nr|id|lfd nr",
    "checked_at": "checked at|date time|when|at|timestamp|geprueft am",
    "shim_um": "shim|foil|nominal|sollwert|folie",
    "weight_g": "weight|nominal|sollwert|pruefgewicht|test weight",
    "reading_g": "reading|shown|display|anzeige",
    "label": "label|name|description|bezeichnung",
    "role": "role|layer|kind|type|use",
    "atomising": "atomising|atomizing|atomisation|zerstaeubung",
    "density_g_per_ml": "density|specific gravity|dichte",
    "solids_mass_fraction": "solids by mass|solids by weight|solids mass|fk massenanteil",
    "solids_volume_fraction": "solids by volume|solids volume|fk volumenanteil",
    "voc_mass_fraction": "voc by mass|voc by weight|voc mass",
    "price_per_kg": "price|price per kg|preis",
    "film_min_um": "film min|min film|minimum film|dft min|min dft",
    "film_max_um": "film max|max film|maximum film|dft max|max dft",
}

#: a date or a time of day alone, to be joined
DATES = "date|day|datum|tag|mix date|date mixed|on"
TIMES = "time|clock|uhrzeit|zeit|time of day|mix time"
TARES = "tare|cup weight|empty cup|empty|leergewicht|tara|empty weight"
TOTALS = r"(?i)^(grand )?(total|totals|sum|summe|gesamt|subtotal|end of)"

#: cells that mean one of a column's closed values
VALUES: dict[str, dict[str, str]] = {
    "kind": {
        "spray": "spray|sprayed|spraying|paint|spritzen|lackieren|gun|spr",
        "hand": "hand|brush|filler|putty|fill|spachteln|roller|by hand",
        "sand": "sand|sanding|sanded|schleifen|flat|grind",
        "polish": "polish|polishing|polished|polieren|buff",
    },
    "removal": {"scuff": "scuff|anschleifen|key", "cut": "cut|level|planschleifen|block", "strip": "strip|blank|bare"},
    "fate": {"kept": "kept|keep|stored|aufgehoben|k|shelf", "discarded": "discarded|waste|entsorgt|d|thrown away|dumped"},
    "face": {"outer": "outer|outside|aussen|o", "inner": "inner|inside|innen|i", "jamb": "jamb|falz|edge|j"},
    "substrate": {
        "steel": "steel|stahl|st", "aluminium": "aluminium|aluminum|alu|al", "plastic": "plastic|kunststoff|pp",
        "composite": "composite|grp|gfk|cfk", "unknown": "unknown|unbekannt",
    },
    "movement": {
        "delivered": "delivered|in|receipt|delivery|lieferung|zugang", "counted": "counted|count|inventory|inventur|zaehlung",
        "returned": "returned|return|rueckgabe", "transferred": "transferred|transfer|umlagerung",
        "written_off": "written off|write off|abschreibung", "shipped_as_waste": "shipped as waste|waste|entsorgung|abfall",
    },
    "purpose": {"gun": "gun|guns|pistole|gun cleaning", "surface": "surface|panel|panels|flaeche|wipe", "booth": "booth|kabine"},
}  # fmt: skip
