# ruff: noqa: E501  (tables of words)
"""Words by which exports call our columns and values, in English, German, French, Spanish, Dutch, with some Italian and
Portuguese. No rule stands here.

Trade words, common practice without a published source; our own names come first by themselves. Headers are compared without
units, accents and case (`plain`). A word list is evidence beside what the cells hold, and never the only one.
"""

from __future__ import annotations

import re
import unicodedata
from functools import cache

#: column -> headers that mean it, wherever the column exists; `table.column` wins over `column`
HEADERS: dict[str, str] = {
    "shop_id": "shop|branch|location|site|betrieb|filiale|standort|werkstatt|atelier|agence|taller|sucursal|vestiging|filiaal",
    "mix_id": "mix|mix no|cup|cup no|ticket|mixture|batch|batch no|becher|mischung|mischungsnr|ansatz|charge|melange|godet|preparation|mezcla|vaso"
    "|preparacion|mengsel|mengnummer|beker|menging|lot|miscela|mistura|mix ref|mixing no|cup id|dose",
    "pour_no": "pour|pour no|line|line no|seq|sequence|pos|position|order|zeile|lfd nr|laufnr|nr|ligne|rang|ordre|linea|secuencia|regel|volgnummer|volgnr|schritt|step|no|stap|paso|etape",
    "poured_at": "poured at|weighed at|mixed at|mix time|mixed on|timestamp|date time|datetime|when|zeitpunkt|zeitstempel|gemischt am|gemischt|at|logged at|date|datum"
    "|horodatage|date heure|fecha|fecha hora|momento|tijdstip|tijdstempel|gemengd op|melange le|le|mezclado|erfasst|recorded|pesé le|pesado",
    "product_id": "product|paint|finish|material mixed|produkt|lack|coating|paint system|what was mixed|produit|peinture|vernis|pintura|producto|acabado|verf|lak|laksysteem"
    "|lacksystem|material|finition|prodotto|revetement|recubrimiento|beschichtung",
    "component_id": "component|ingredient|material|part|komponente|bestandteil|item|stoff|component code|tin|article|artikel|solvent|solvent code|cleaner|composant|matiere|constituant"
    "|componente|articulo|ingrediente|ingredient|bestanddeel|grondstof|product|tint|toner|base|losungsmittel|solvant|disolvente|oplosmiddel|reiniger|material code|artikelnr|reference|referencia|codigo|code",
    "from_mix_id": "from mix|from cup|aus becher|leftover of|reste de|resto de|rest van|du melange|de mezcla",
    "weighed_g": "weighed|net|net weight|weight|amount|mass|poured|menge|gewicht|netto|nettogewicht|einwaage|ist|istmenge|actual|actual weight|scale|reading|grams|gramm|poids|quantite|quantity|qty|masse|pese"
    "|peso|cantidad|neto|pesado|masa|hoeveelheid|afgewogen|massa|poids net|peso neto|quantita|volume|volumen|real|reel",
    "gross": "gross|gross weight|total weight|brutto|bruttogewicht|display|anzeige|running total|cumulative|kumuliert|summe|affichage|brut|poids brut|cumul|lecture|lectura|bruto|acumulado|pantalla"
    "|aflezing|cumulatief|scale shows|stand|weight with cup|mit becher|avec godet|con vaso|met beker|balance|total so far|gesamt",
    "target_g": "target|formula|wanted|should be|soll|soll menge|sollmenge|sollgewicht|rezept|target weight|cible|formule|demande|theorique|objetivo|formula|teorico|doel|recept|gevraagd|consigne|receta",
    "technician_id": "technician|painter|operator|employee|person|worker|mitarbeiter|lackierer|mixed by|sprayed by|by|who|user|peintre|operateur|technicien|par|salarie|pintor|operario|tecnico|empleado|usuario"
    "|spuiter|medewerker|uitvoerder|wie|door|wer|name|bediener|monteur|utilisateur|kuerzel|initials|initialen|verniciatore",
    "scale_id": "scale|scale id|balance|waage|bascule|bascula|balanza|weegschaal",
    "colour_id": "colour|color|colour code|color code|farbe|farbton|farbcode|teinte|couleur|color codigo|kleur|kleurcode|code teinte|tono",
    "job_id": "job|job no|job number|order|order no|repair order|work order|ro|wo|auftrag|auftrag nr|auftrags nr|werkstattauftrag|reparaturauftrag|vorgangsnr|ordre|or|dossier|ordre de travail|ordre de reparation"
    "|orden|ot|orden de trabajo|expediente|werkorder|ordernummer|opdracht|opdrachtnr|commessa|case|file no|claim|schadennr|akte|siniestro|numero de orden",
    "weigh_no": "weigh no|weighing no|rueckwaage nr",
    "weighed_at": "weighed at|weighed back at|returned at|time|date time|timestamp|rueckwaage am|gewogen am|when|at|date|datum|zeitpunkt|fecha|momento|tijdstip|le|horodatage|gewogen op",
    "leftover_g": "leftover|left|left over|returned|return|remaining|remainder|rest|restmenge|rueckwaage|left in cup|weighed back|weight back|uebrig|reste|retour|restant|surplus|sobrante|resto|devuelto|remanente"
    "|over|teruggewogen|terug|net|netto|restgewicht|avanzo|pese en retour|brutto|gross|weight|gewicht|poids|peso|brut|bruto|display|anzeige|affichage|lectura|aflezing",
    "fate": "fate|kept or discarded|what became of it|verbleib|disposition|devenir|destination|destino|bestemming|verwendung|afloop|wohin",
    "vehicle_class": "vehicle class|vehicle|vehicle size|car class|class|fahrzeug|fahrzeugklasse|fahrzeugart|klasse|size|vehicule|classe|type vehicule|vehiculo|clase|tipo de vehiculo|voertuig|voertuigklasse|type auto|auto|car|coche|voiture|wagen|veicolo",
    "opened_on": "opened|opened on|date in|received|arrival|annahme|annahmedatum|in|eingang|eroeffnet|entree|ouvert|ouvert le|recu le|entrada|abierto|recepcion|binnen|binnengekomen|geopend|ontvangst|angelegt|start|begin|debut|inicio|beginn",
    "closed_on": "closed|closed on|date out|delivered|handed over|uebergabe|abgabe|out|ausgang|abgeschlossen|sortie|ferme|ferme le|livre|livre le|salida|cerrado|entrega|uit|gesloten|aflevering|fertig|end|ende|fin|einde|auslieferung",
    "operation_no": "operation|operation no|step|step no|op|op no|schritt|arbeitsgang|ag|stage|seq|sequence|etape|phase|no op|operation no|paso|etapa|fase|stap|bewerkingsnr|volgorde|line|position|pos|zeile|folge|line no|ligne|linea|regel|arbeitsschritt|bew",
    "kind": "kind|type|type of work|work|activity|taetigkeit|art|action|what was done|task|arbeit|leistung|travail|operation|activite|tache|nature|trabajo|actividad|tarea|tipo|werk|bewerking|soort|taak|handeling|lavoro|job type|what|was",
    "removal": "removal|sanding|schliff|schliffart|schleifart|poncage|lijado|schuren|schuurwijze|type de poncage|tipo de lijado|grade|level",
    "removed_um": "removed|abtrag|enleve|quitado|afgenomen|enlevement",
    "started_at": "start|started|started at|begin|beginn|from|start time|von|started on|anfang|startzeit|debut|commence|de|inicio|comienzo|desde|aanvang|van|begonnen|heure debut|hora inicio|starttijd|date|datum|fecha",
    "ended_at": "end|ended|ended at|finish|finished|ende|until|to|end time|bis|done at|fertig|endzeit|stop|fin|termine|a|jusqu a|termino|hasta|einde|eind|klaar|tot|heure fin|hora fin|eindtijd|completed",
    "gun_id": "gun|gun id|gun no|spray gun|pistole|pistole nr|spritzpistole|pistolet|pistola|spuitpistool|pistool|pist|gun used",
    "tip_mm": "tip|fluid tip|nozzle|duese|duesengroesse|tip size|nozzle size|buse|boquilla|pico|spuitkop|naald|ugello|paso de pico",
    "inlet_kpa": "inlet|pressure|inlet pressure|air pressure|druck|eingangsdruck|luftdruck|air|pression|pression d entree|presion|presion de entrada|druk|luchtdruk|ingangsdruk|pressione",
    "coats": "coats|no of coats|number of coats|gaenge|spritzgaenge|passes|schichten|couches|manos|capas|pasadas|lagen|gangen|mani|anzahl gaenge",
    "booth_id": "booth|cabin|kabine|spray booth|cabine|cabina|spuitcabine",
    "redo_of": "redo of|repeats|repeat of|wiederholt|redo|wiederholung von|refait|repite|herhaling van|rework of",
    "panel_id": "panel|panels|part|parts|bauteil|bauteile|teil|teile|panel name|body part|piece|pieces|element|elements|panneau|panneaux|pieza|piezas|paneles|elemento|elementos|paneel|panelen|onderdeel|onderdelen|deel|delen|plaatdeel|karosserieteil|pannello|flaeche|flaechen|where|stelle",
    "face": "face|side|seite|cote|lado|cara|zijde|kant",
    "area_m2": "area|surface|flaeche|size|oberflaeche|aire|superficie|oppervlak|oppervlakte|sq ft|qm|m2|sup|opp",
    "covered_fraction": "covered|coverage|lackiert|part covered|share covered|bedeckt|anteil lackiert|deckung|part couverte|couverture|cubierto|cobertura|bedekt|dekking|share painted|part peinte|parte pintada",
    "substrate": "substrate|base material|werkstoff|untergrund|metal|made of|material|support|materiau|soporte|sustrato|ondergrond|materiaal|grundmaterial",
    "share": "share|portion|anteil|part of cup|fraction|part|proportion|parte|porcion|cuota|aandeel|deel|portie|teil|percent|prozent|pourcentage|porcentaje",
    "after_operation": "after operation|after step|after op|nach schritt|nach ag|nach arbeitsgang|stage|after|apres etape|apres|apres op|tras paso|despues de|tras|na stap|na|na bewerking|step|schritt|stand|operation|etape|paso|stap|read after",
    "reading_no": "reading no|no|nr|messung|point|point no|seq|n|shot|messpunkt|mesure|punto|medida|medicion|punt|meting|meetpunt|mesure no|#|position|spot|reading",
    "row": "row|reihe|rangee|fila|rij",
    "col": "col|column|spalte|colonne|columna|kolom",
    "reading_um": "reading|thickness|film|film thickness|film build|dft|dry film|dicke|schichtdicke|value|measurement|messwert|result|wert|epaisseur|valeur|mesure|espesor|valor|medida|laagdikte|dikte|waarde|meetwaarde|spessore|um|micron|microns|mils|sd|ep|esp",
    "gauge_id": "gauge|gauge id|gauge no|instrument|probe|geraet|messgeraet|device|sonde|jauge|appareil|medidor|aparato|instrumento|meter|meetapparaat|toestel|strumento|pruefgeraet",
    "taken_at": "taken at|measured at|read at|date time|datetime|timestamp|when|gemessen am|gemessen|time of reading|at|date|datum|zeitpunkt|mesure le|le|fecha|momento|medido|gemeten|gemeten op|tijdstip|horodatage",
    "witness_of": "witness of|stands for|strip for|streifen fuer|temoin de|testigo de|strook voor",
    "used_at": "used at|date|when|at|verwendet am|issued at|datum|fecha|le|zeitpunkt|momento|tijdstip|day|tag|jour|dia|dag",
    "purpose": "purpose|use|used for|zweck|what was cleaned|gereinigt|usage|objet|nettoye|uso|motivo|que se limpio|doel|gereinigd|waarvoor|wofuer",
    "issued_g": "issued|handed out|given out|ausgabe|ausgegeben|entnahme|sorti|sortie|distribue|preleve|entregado|salida|retirado|uitgegeven|uitgifte|afgenomen|taken|out|poids|weight|gewicht|menge",
    "recovered_g": "recovered|came back|returned|zurueck|rueckgabe|recupere|retourne|recuperado|vuelto|devuelto|teruggewonnen|terug|collected|aufgefangen|opgevangen|back|in",
    "mass_g": "mass|weight|amount|quantity|qty|menge|gewicht|masse|quantite|poids|cantidad|peso|masa|hoeveelheid|massa|used|verbrauch|cant",
    "use_no": "use no|entry|no|nr|id|lfd nr|numero|n",
    "cleaning_no": "cleaning no|entry|no|nr|id|lfd nr|numero|n|beleg|eintrag|entree|saisie|apunte|registro|boeking|regel|line",
    "document_no": "document|document no|delivery note|invoice|lieferschein|beleg|doc no|doc|bon|bon de livraison|piece|albaran|documento|justificante|pakbon|bonnummer|voucher|belegnr|dok nr",
    "line_no": "line|line no|pos|position|zeile|ligne|poste|linea|renglon|regel|positie|item no",
    "happened_on": "date|on|day|booked on|datum|happened on|jour|fecha|dia|dag|buchungsdatum|booking date|le|tag",
    "movement": "movement|booking|buchung|bewegung|type|kind|what|mouvement|transaction|vorgang|movimiento|apunte|operacion|mutatie|boeking|beweging|operation|art|reason",
    "checked_at": "checked at|date time|when|at|timestamp|geprueft am|date|datum|fecha|le|zeitpunkt|momento|tijdstip|controle le",
    "shim_um": "shim|foil|nominal|sollwert|folie|nennwert|cale|etalon|galga|patron|nominaal|standard|ijkfolie|soll|referenz|known",
    "gauge_checks.reading_um": "reading|shown|measured|value|display|anzeige|messwert|wert|istwert|ist|valeur|mesure|lecture|epaisseur|thickness|dicke|schichtdicke|espesor|valor|medida|lectura|laagdikte|dikte|waarde|gemeten|film|dft",
    "weight_g": "weight|nominal|sollwert|pruefgewicht|test weight|poids etalon|peso patron|testgewicht|known weight",
    "reading_g": "reading|shown|display|anzeige|affichage|lectura|aflezing|istwert",
    "before_g": "before|before spraying|vorher|avant|antes|vooraf|voor", "after_g": "after|after cure|nachher|apres|despues|na|nadien",
    "target_id": "target|plate|foil|blech|platte|plaque|placa|plaat|testblech",
    "label": "label|name|description|bezeichnung|designation|libelle|nombre|descripcion|naam|omschrijving|beschreibung|nom",
    "role": "role|layer|kind|type|use|schicht|couche|capa|laag|funktion",
    "atomising": "atomising|atomizing|atomisation|zerstaeubung|atomisierung|pulverisation|atomizacion|verneveling|technology",
    "density_g_per_ml": "density|specific gravity|dichte|densite|densidad|dichtheid|sg",
    "solids_mass_fraction": "solids by mass|solids by weight|solids mass|fk massenanteil|solids wt",
    "solids_volume_fraction": "solids by volume|solids volume|fk volumenanteil|solids vol",
    "voc_mass_fraction": "voc by mass|voc by weight|voc mass|voc wt",
    "price_per_kg": "price|price per kg|preis|prix|precio|prijs",
    "film_min_um": "film min|min film|minimum film|dft min|min dft", "film_max_um": "film max|max film|maximum film|dft max|max dft",
}  # fmt: skip

#: what says of a weight that it is a leftover and nothing else
LEFT = "remanente|restant|surplus|uebrig|over|teruggewogen|rueckgewogen|zurueckgewogen|weighed back|leftover|left|left over|returned|return|remaining|rest|restmenge|rueckwaage|reste|retour|sobrante|resto|teruggewogen|weighed back|leftover g"
DATES = "date|day|datum|tag|mix date|date mixed|on|jour|fecha|dia|dag|le|am|op|el dia|data"
TIMES = "time|clock|uhrzeit|zeit|time of day|mix time|heure|hora|tijd|uur|kloktijd|hour|um|h|hr|ora"
TARES = "tare|cup weight|empty cup|empty|leergewicht|tara|empty weight|becher leer|godet vide|poids a vide|vaso vacio|peso vacio|tarra|lege beker|leeg gewicht|vide|leeg|vacio"
#: what a business notes beside, and no figure needs
IGNORED = (
    "price|cost|costs|value|total|sum|preis|kosten|wert|summe|prix|cout|montant|precio|coste|costo|importe|prijs|bedrag|waarde|remark|remarks|note|notes|comment|bemerkung|notiz|hinweis|remarque|commentaire|nota|observacion"
    "|comentario|opmerking|notitie|toelichting|phone|plate|mileage|km|hours|stunden|heures|horas|uren|temperature|temp|humidity|feuchte|deviation|difference|diff|abweichung|ecart|error|printed|user id|id|row|currency|eur|usd|kennzeichen|odometer|invoice"
)  # fmt: skip
#: a row whose cell begins so holds sums
TOTALS = r"(?i)^(grand |sub ?)?(total|totals|sum|summe|gesamt|zwischensumme|somme|sous-total|suma|totaal|subtotaal|subtotal|totale|end of|ende|mean|average|mittelwert|durchschnitt|moyenne|media|promedio|gemiddelde)\b"

#: cells that mean one of a column's closed values
VALUES: dict[str, dict[str, str]] = {
    "kind": {
        "spray": "spray|sprayed|spraying|paint|painting|spritzen|lackieren|gespritzt|gun|spr|pistolage|peinture|peindre|pulverisation|application|pintado|pintar|pistola|pulverizar|spuiten|gespoten|lakken|verniciatura",
        "hand": "hand|brush|filler|putty|fill|filling|von hand|a la main|a mano|met de hand|handmatig|spachteln|spachtel|roller|rolle|pinsel|by hand|masticage|mastic|pinceau|rouleau|masillado|masilla|masillar|plamuren|plamuur|kwast|stucco",
        "sand": "sand|sanding|sanded|schleifen|schliff|flat|flatting|grind|poncage|poncer|lijado|lijar|schuren|geschuurd|carteggiatura",
        "polish": "polish|polishing|polished|polieren|buff|buffing|polissage|lustrage|pulido|pulir|abrillantado|polijsten|poetsen|lucidatura",
    },
    "removal": {
        "scuff": "scuff|scuffing|anschleifen|key|keying|matt|mattieren|depolir|depolissage|mater|matizar|matizado|matteren|opruwen|light",
        "cut": "cut|level|block|planschleifen|plan|a plat|blocken|egaliser|niveler|egalisation|nivelar|nivelado|vlakschuren|egaliseren|flatten",
        "strip": "strip|stripped|blank|bare|to bare|bis blech|abschleifen|a nu|decaper|metal nu|chapa viva|decapar|a chapa|kaal|tot blik|kaalschuren|decapage",
    },
    "fate": {
        "kept": "kept|keep|stored|store|aufgehoben|behalten|gelagert|k|shelf|garde|conserve|stocke|guardado|conservado|bewaard|opgeslagen|reuse|lager",
        "discarded": "discarded|discard|waste|entsorgt|entsorgung|d|thrown away|dumped|jete|dechet|elimine|desechado|tirado|residuo|weggegooid|afval|afgevoerd|muell|bin",
    },
    "face": {"outer": "outer|outside|aussen|o|exterieur|exterior|buiten|fuera", "inner": "inner|inside|innen|i|interieur|interior|binnen|dentro", "jamb": "jamb|falz|edge|j|feuillure|canto|sponning"},
    "substrate": {
        "steel": "steel|stahl|st|acier|acero|staal|tole|chapa|blech|acciaio", "aluminium": "aluminium|aluminum|alu|al|aluminio",
        "plastic": "plastic|kunststoff|pp|plastique|plastico|kunststof|plastik", "composite": "composite|grp|gfk|cfk|composito|composiet|verbund", "unknown": "unknown|unbekannt|inconnu|desconocido|onbekend",
    },
    "movement": {
        "delivered": "delivered|in|receipt|delivery|received|lieferung|zugang|wareneingang|livraison|reception|entree|entrada|recepcion|entrega|levering|ontvangst|purchase",
        "counted": "counted|count|inventory|stocktake|inventur|zaehlung|bestand|inventaire|comptage|inventario|recuento|telling|inventaris",
        "returned": "returned|return|rueckgabe|retoure|ruecklieferung|retour|devolucion|retour leverancier|retourzending",
        "transferred": "transferred|transfer|umlagerung|umbuchung|transfert|traslado|transferencia|overboeking|verplaatsing",
        "written_off": "written off|write off|writeoff|abschreibung|verlust|schwund|mise au rebut|perte|rebut|baja|merma|afschrijving|verlies",
        "shipped_as_waste": "shipped as waste|waste|waste shipped|entsorgung|abfall|sonderabfall|dechets|dechets expedies|enlevement dechets|residuos|residuo|retirada de residuos|afval|afval afgevoerd",
    },
    "purpose": {
        "gun": "gun|guns|pistole|pistolen|gun cleaning|pistolet|pistolets|pistola|pistolas|pistool|spuitpistool|equipment|gun wash",
        "surface": "surface|surfaces|panel|panels|flaeche|flaechen|wipe|teile|pieces|superficie|superficies|piezas|oppervlak|panelen|degreasing|entfetten|degraissage",
        "booth": "booth|kabine|cabine|cabina|spuitcabine|floor",
    },
    "atomising": {}, "feed": {}, "role": {}, "principle": {}, "measured_by": {},
    # rows of one export that are not all of one kind
    "row": {
        "pour": "mix|pour|poured|mixing|mischung|einwaage|mischen|melange|pesee|mezcla|pesada|mengen|menging|m|p|out",
        "leftover": "leftover|left over|return|returned|rest|restmenge|rueckwaage|reste|retour|sobrante|resto|devolucion|rest terug|terug|r|l|back|remaining",
    },
}  # fmt: skip


_WRITTEN = str.maketrans(
    {"ä": "ae", "ö": "oe", "ü": "ue", "ß": "ss", "µ": "u", "μ": "u", "#": " no ", "²": "2", "º": "", "°": ""}
)


@cache
def plain(header: str) -> str:
    """A header as words: without units in brackets, accents, case and punctuation."""
    bare = re.sub(r"[\(\[\{][^)\]}]*[\)\]\}]", " ", header)
    bare = re.sub(r"([a-z])([A-Z])", r"\1 \2", bare).lower()
    bare = unicodedata.normalize("NFKD", bare.translate(_WRITTEN))
    bare = "".join(c for c in bare if not unicodedata.combining(c))
    return " ".join(re.sub(r"[^a-z0-9]+", " ", bare).split())


@cache
def listed(told: str) -> frozenset[str]:
    """The words of one of the lists above, as `plain` writes them."""
    return frozenset(plain(w) for w in told.split("|") if w)


@cache
def headers(table: str, column: str) -> frozenset[str]:
    """The headers that mean a column, as `plain` writes them."""
    own = column.replace("_", " ")
    bare = re.sub(r" (id|no|g|um|m2|ml|kpa|mm|min|at|on)$", "", own)
    told = HEADERS.get(f"{table}.{column}") or HEADERS.get(column, "")
    return listed(told) | {own, bare}


_NOISE = r"\b(id|no|nr|number|num|numero|nummer|code|name|ref|n|de|la|le|of|the|d|des|der|die|das|van|het|in)\b"


@cache
def meant(header: str, told: frozenset[str]) -> float:
    """1 where a plain header is one of the words, less where it holds one among others or is one cut short."""
    if not header:
        return 0.0
    if header in told:
        return 1.0
    short = " ".join(re.sub(_NOISE, " ", header).split())
    unitless = re.sub(r" (g|kg|lb|oz|um|mil|mils|mm|bar|psi|kpa|m2|sq ft|ft2|ml|pct|percent)$", "", header)
    digits = re.sub(r"[ _]*\d+$", "", unitless)
    if {short, unitless, digits} & told:
        return 0.9
    tokens = set(header.split())
    held = [w for w in told if w and set(w.split()) <= tokens and len(w) > 1]
    if held:
        return max(0.5 * len(w.split()) / len(tokens) + 0.25 for w in held)
    if len(short) >= 3 and any(w.startswith(short) for w in told):
        return 0.6
    first = short.split()[0] if short else ""
    if len(first) >= 4 and any(w.startswith(first) for w in told):
        return 0.5
    return 0.0


@cache
def closed(column: str, cell: str) -> str | None:
    """The closed value that a cell means, of the values that have words here."""
    said = plain(cell) or cell.lower()
    for value, told in VALUES.get(column, {}).items():
        if said == value.replace("_", " ") or said in {plain(w) for w in told.split("|")}:
            return value
    for value, told in VALUES.get(column, {}).items():
        if any(len(w) >= 4 and (said.startswith(plain(w)) or plain(w) in said.split()) for w in told.split("|")):
            return value
    return None
