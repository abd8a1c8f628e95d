# ruff: noqa: E501  (tables of words)
"""Headers that drawn exports wear: concept -> language -> words, those before `//` for development, those behind for judging.

Trade words in five languages, common practice without a published source. The recogniser has its own list
(pipelines/intake/recognising/words.py), made apart from this one; what stands behind `//` here was not looked at while it was tuned.
"""

WORDS: dict[str, dict[str, str]] = {
    "mix_id": {
        "en": "Mix No|Cup|Ticket|Mix Nr. // Batch of paint|Mixing ref|Cup code",
        "de": "Becher|Mischung Nr|Ansatz // Mischnummer|Becher-Kennung",
        "fr": "Mélange|No mélange|Godet // Réf. mélange|N° godet",
        "es": "Mezcla|Nº mezcla|Vaso // Ref. mezcla|Código mezcla",
        "nl": "Mengsel|Mengnummer|Beker // Beker nr|Mengsel-ID",
    },
    "job_id": {
        "en": "Job|RO number|Work order|Job No // Repair order no.|WO|Order ref",
        "de": "Auftrag|Auftrags-Nr|Auftr. // Werkstattauftrag|Auftr.Nr.",
        "fr": "Ordre|OR|N° dossier // Ordre de réparation|Dossier",
        "es": "Orden|OT|Nº orden // Orden de trabajo|Expediente",
        "nl": "Order|Werkorder|Ordernr // Opdracht|WO-nummer",
    },
    "component_id": {
        "en": "Component|Ingredient|Article // Tint|Material code|What went in",
        "de": "Komponente|Bestandteil|Artikel // Stoff|Materialnr",
        "fr": "Composant|Article|Matière // Constituant|Réf. article",
        "es": "Componente|Artículo|Ingrediente // Material|Cod. art.",
        "nl": "Component|Artikel|Ingrediënt // Bestanddeel|Art.nr",
    },
    "product_id": {
        "en": "Product|Paint|Finish // Coating|Paint system",
        "de": "Produkt|Lack|Material // Lacksystem|Beschichtung",
        "fr": "Produit|Peinture // Finition|Vernis/peinture",
        "es": "Producto|Pintura // Acabado|Recubrimiento",
        "nl": "Product|Lak|Verf // Laksysteem|Coating",
    },
    "weighed_g": {
        "en": "Weight|Net|Amount // Poured|Actual weight|Qty",
        "de": "Gewicht|Menge|Netto // Einwaage|Istgewicht",
        "fr": "Poids|Quantité|Net // Masse pesée|Qté",
        "es": "Peso|Cantidad|Neto // Peso real|Cant.",
        "nl": "Gewicht|Hoeveelheid|Netto // Afgewogen|Hvh",
    },
    "gross": {
        "en": "Display|Gross|Scale shows // Running total|Reading of the scale",
        "de": "Anzeige|Brutto // Waagenanzeige|Gesamt lfd.",
        "fr": "Affichage|Brut // Cumul|Lecture balance",
        "es": "Lectura|Bruto // Acumulado|Pantalla",
        "nl": "Aflezing|Bruto // Cumulatief|Weegschaal toont",
    },
    "tare": {
        "en": "Tare|Empty cup // Cup weight",
        "de": "Tara|Leergewicht // Becher leer",
        "fr": "Tare|Godet vide // Poids à vide",
        "es": "Tara|Vaso vacío // Peso vacío",
        "nl": "Tarra|Lege beker // Leeg gewicht",
    },
    "pour_no": {
        "en": "Line|Pos|No // Seq.|Step in cup",
        "de": "Pos|Zeile|lfd. Nr // Schritt|Reihenfolge",
        "fr": "Ligne|Pos // Rang|Ordre de pesée",
        "es": "Línea|Pos // Orden de pesaje|Sec.",
        "nl": "Regel|Pos // Volgnr|Stap",
    },
    "at": {
        "en": "Date|Mixed at|When // Timestamp|Recorded",
        "de": "Datum|Zeitpunkt|gemischt am // Zeitstempel|erfasst",
        "fr": "Date|Le|Horodatage // Date et heure|Saisi le",
        "es": "Fecha|Momento // Fecha y hora|Registrado",
        "nl": "Datum|Tijdstip // Datum en tijd|Vastgelegd",
    },
    "date": {"en": "Date|Day // On", "de": "Datum|Tag // am", "fr": "Date|Jour // Le", "es": "Fecha|Día // El día", "nl": "Datum|Dag // Op"},
    "time": {"en": "Time|Clock // Hour", "de": "Uhrzeit|Zeit // um", "fr": "Heure // H", "es": "Hora // Hr", "nl": "Tijd|Uur // Kloktijd"},
    "start": {"en": "Start|Started // Begin|From", "de": "Beginn|Start // von|Anfang", "fr": "Début // Commencé|De", "es": "Inicio // Comienzo|Desde", "nl": "Begin|Start // Aanvang|Van"},
    "end": {"en": "End|Finished // Stop|Until", "de": "Ende // bis|Fertig", "fr": "Fin // Terminé|À", "es": "Fin // Término|Hasta", "nl": "Einde|Eind // Klaar|Tot"},
    "technician_id": {
        "en": "Painter|Technician|Operator // By|Employee|Who",
        "de": "Lackierer|Mitarbeiter // MA|Wer|Kürzel",
        "fr": "Peintre|Opérateur // Technicien|Par",
        "es": "Pintor|Operario // Técnico|Quién",
        "nl": "Spuiter|Medewerker // Wie|Uitvoerder",
    },
    "gun_id": {"en": "Gun|Spray gun // Gun used", "de": "Pistole|Spritzpistole // Pist.", "fr": "Pistolet // Pist.", "es": "Pistola // Pist.", "nl": "Spuitpistool|Pistool // Pist."},
    "kind": {"en": "Work|Activity|Operation type // Task|What", "de": "Tätigkeit|Arbeit // Art|Was", "fr": "Travail|Opération // Activité|Tâche", "es": "Trabajo|Actividad // Tarea|Tipo", "nl": "Werk|Bewerking // Soort|Taak"},
    "removal": {"en": "Sanding // Removal", "de": "Schliff // Schleifart", "fr": "Ponçage // Type de ponçage", "es": "Lijado // Tipo de lijado", "nl": "Schuren // Schuurwijze"},
    "operation_no": {"en": "Step|Op No|Operation // Stage|Seq", "de": "Schritt|Arbeitsgang|AG // Vorgang|Folge", "fr": "Étape|N° op. // Phase|Opé", "es": "Paso|Nº op. // Etapa|Fase", "nl": "Stap|Bewerkingsnr // Fase|Volgorde"},
    "panel_id": {"en": "Panel|Part // Body part|Piece", "de": "Bauteil|Teil // Karosserieteil|Panel", "fr": "Élément|Pièce // Panneau|Partie", "es": "Pieza|Panel // Elemento|Parte", "nl": "Paneel|Onderdeel // Deel|Plaatdeel"},
    "coats": {"en": "Coats // Passes", "de": "Gänge|Spritzgänge // Schichten", "fr": "Couches // Passes", "es": "Manos|Capas // Pasadas", "nl": "Lagen // Gangen"},
    "inlet_kpa": {"en": "Pressure|Air pressure // Inlet", "de": "Druck|Eingangsdruck // Luftdruck", "fr": "Pression // Press. entrée", "es": "Presión // Pres. entrada", "nl": "Druk|Luchtdruk // Ingangsdruk"},
    "tip_mm": {"en": "Tip|Nozzle // Fluid tip", "de": "Düse // Düsengröße", "fr": "Buse // Ø buse", "es": "Boquilla|Pico // Ø boquilla", "nl": "Nozzle|Spuitkop // Naald"},
    "area_m2": {"en": "Area|Surface // Sq. area", "de": "Fläche // Oberfläche", "fr": "Surface // Aire", "es": "Superficie|Área // Sup.", "nl": "Oppervlak // Opp."},
    "covered_fraction": {"en": "Covered|Coverage // Share painted", "de": "Anteil lackiert|bedeckt // Deckung", "fr": "Part couverte|Couverture // Part peinte", "es": "Cubierto // Parte pintada", "nl": "Bedekt|Dekking // Deel gespoten"},
    "substrate": {"en": "Material|Made of // Substrate", "de": "Werkstoff // Untergrund", "fr": "Support // Matériau", "es": "Soporte|Material // Sustrato", "nl": "Ondergrond // Materiaal"},
    "after_operation": {"en": "After step|Stage // After op.", "de": "nach Schritt|nach AG // Stand nach", "fr": "Après étape // Après op.", "es": "Tras paso|Después de // Tras op.", "nl": "Na stap // Na bew."},
    "reading_no": {"en": "No|Point // Shot", "de": "Nr|Messpunkt // Messung", "fr": "Point|N° // Mesure n°", "es": "Punto|Nº // Medida nº", "nl": "Nr|Punt // Meting nr"},
    "reading_um": {"en": "Film|Thickness|DFT // Film build|Value", "de": "Schichtdicke|Dicke // Messwert|SD", "fr": "Épaisseur // Valeur|Ép.", "es": "Espesor // Valor|Esp.", "nl": "Laagdikte|Dikte // Waarde|LD"},
    "gauge_id": {"en": "Gauge|Instrument // Meter", "de": "Gerät|Messgerät // Sonde", "fr": "Jauge|Appareil // Instrument", "es": "Medidor|Aparato // Instrumento", "nl": "Meter|Meetapparaat // Toestel"},
    "leftover_g": {"en": "Left over|Returned|Rest // Weighed back|Remaining", "de": "Rest|Restmenge // Rückwaage|übrig", "fr": "Reste|Retour // Surplus|Restant", "es": "Sobrante|Resto // Devuelto|Remanente", "nl": "Rest|Over // Teruggewogen|Restant"},
    "fate": {"en": "Fate|Disposition // What became of it", "de": "Verbleib // Wohin", "fr": "Devenir // Destination", "es": "Destino // Qué se hizo", "nl": "Bestemming // Waarheen"},
    "vehicle_class": {"en": "Vehicle|Class // Car size", "de": "Fahrzeug|Klasse // Fzg-Art", "fr": "Véhicule|Classe // Type véhicule", "es": "Vehículo|Clase // Tipo vehículo", "nl": "Voertuig|Klasse // Type auto"},
    "opened_on": {"en": "Opened|Date in // Received", "de": "Annahme|Eingang // Eröffnet", "fr": "Entrée|Ouvert le // Reçu le", "es": "Entrada|Abierto // Recepción", "nl": "Binnen|Geopend // Ontvangst"},
    "closed_on": {"en": "Closed|Date out // Delivered", "de": "Abgabe|Ausgang // Abgeschlossen", "fr": "Sortie|Fermé le // Livré le", "es": "Salida|Cerrado // Entrega", "nl": "Uit|Gesloten // Aflevering"},
    "share": {"en": "Share|Portion // Part of cup", "de": "Anteil // Teil", "fr": "Part // Proportion", "es": "Parte|Porción // Cuota", "nl": "Aandeel|Deel // Portie"},
    "cleaning_no": {"en": "Entry|No // ID", "de": "Nr|Beleg // Eintrag", "fr": "N°|Entrée // Saisie", "es": "Nº|Apunte // Registro", "nl": "Nr|Boeking // Regel"},
    "purpose": {"en": "What was cleaned|Purpose // Used for", "de": "Zweck|gereinigt // Wofür", "fr": "Usage|Objet // Nettoyé", "es": "Uso|Qué se limpió // Motivo", "nl": "Doel|Gereinigd // Waarvoor"},
    "issued_g": {"en": "Issued|Handed out // Taken", "de": "Ausgabe|ausgegeben // Entnahme", "fr": "Sorti|Distribué // Prélevé", "es": "Entregado|Salida // Retirado", "nl": "Uitgegeven|Uitgifte // Afgenomen"},
    "recovered_g": {"en": "Recovered|Came back // Collected", "de": "Rückgabe|zurück // aufgefangen", "fr": "Récupéré // Retourné", "es": "Recuperado // Vuelto", "nl": "Teruggewonnen|Terug // Opgevangen"},
    "shim_um": {"en": "Foil|Nominal // Standard", "de": "Folie|Sollwert // Nennwert", "fr": "Cale|Nominal // Étalon", "es": "Galga|Nominal // Patrón", "nl": "Folie|Nominaal // IJkfolie"},
    "document_no": {"en": "Delivery note|Document // Voucher", "de": "Lieferschein|Beleg // Dok.-Nr", "fr": "Bon|Document // Pièce n°", "es": "Albarán|Documento // Justificante", "nl": "Bon|Document // Pakbon"},
    "line_no": {"en": "Pos|Line // Item no", "de": "Pos|Zeile // Position", "fr": "Pos|Ligne // Poste", "es": "Pos|Línea // Renglón", "nl": "Pos|Regel // Positie"},
    "movement": {"en": "Booking|Movement // Transaction", "de": "Buchung|Bewegung // Vorgang", "fr": "Mouvement // Opération de stock", "es": "Movimiento // Apunte", "nl": "Boeking|Mutatie // Beweging"},
    "mass_g": {"en": "Quantity|Amount // Mass", "de": "Menge // Masse", "fr": "Quantité // Masse", "es": "Cantidad // Masa", "nl": "Hoeveelheid // Massa"},
    "note": {"en": "Remark|Note // Comment", "de": "Bemerkung|Notiz // Hinweis", "fr": "Remarque|Note // Commentaire", "es": "Nota|Observación // Comentario", "nl": "Opmerking|Notitie // Toelichting"},
    "price": {"en": "Price|Cost // Value", "de": "Preis|Kosten // Wert", "fr": "Prix|Coût // Montant", "es": "Precio|Coste // Importe", "nl": "Prijs|Kosten // Bedrag"},
    "cup_list": {"en": "Cups|Mixes used // Mix nos", "de": "Becher|Mischungen // Verwendete Becher", "fr": "Mélanges|Godets // Mélanges utilisés", "es": "Mezclas|Vasos // Mezclas usadas", "nl": "Mengsels|Bekers // Gebruikte bekers"},
    "panel_list": {"en": "Panels|Parts // Painted parts", "de": "Teile|Bauteile // Flächen", "fr": "Éléments|Pièces // Panneaux", "es": "Piezas|Paneles // Elementos", "nl": "Panelen|Delen // Onderdelen"},
    "year": {"en": "Year", "de": "Jahr", "fr": "Année", "es": "Año", "nl": "Jaar"},
    "target_g": {"en": "Target|Formula // Wanted", "de": "Soll|Rezept // Sollmenge", "fr": "Cible|Formule // Demandé", "es": "Objetivo|Fórmula // Teórico", "nl": "Doel|Recept // Gevraagd"},
}  # fmt: skip

#: closed values as exports write them
VALUES: dict[str, dict[str, dict[str, str]]] = {
    "kind": {
        "en": {"spray": "Spray", "hand": "Filler", "sand": "Sanding", "polish": "Polish"},
        "de": {"spray": "Spritzen", "hand": "Spachteln", "sand": "Schleifen", "polish": "Polieren"},
        "fr": {"spray": "Pistolage", "hand": "Masticage", "sand": "Ponçage", "polish": "Polissage"},
        "es": {"spray": "Pintado", "hand": "Masillado", "sand": "Lijado", "polish": "Pulido"},
        "nl": {"spray": "Spuiten", "hand": "Plamuren", "sand": "Schuren", "polish": "Polijsten"},
    },
    "removal": {
        "en": {"scuff": "scuff", "cut": "level", "strip": "bare"}, "de": {"scuff": "anschleifen", "cut": "planschleifen", "strip": "blank"},
        "fr": {"scuff": "dépolir", "cut": "égaliser", "strip": "à nu"}, "es": {"scuff": "matizar", "cut": "nivelar", "strip": "chapa viva"},
        "nl": {"scuff": "matteren", "cut": "vlakschuren", "strip": "kaal"},
    },
    "fate": {
        "en": {"kept": "kept", "discarded": "waste"}, "de": {"kept": "aufgehoben", "discarded": "entsorgt"}, "fr": {"kept": "gardé", "discarded": "jeté"},
        "es": {"kept": "guardado", "discarded": "desechado"}, "nl": {"kept": "bewaard", "discarded": "weggegooid"},
    },
    "substrate": {
        "en": {"steel": "steel", "aluminium": "alu", "plastic": "plastic"}, "de": {"steel": "Stahl", "aluminium": "Alu", "plastic": "Kunststoff"},
        "fr": {"steel": "acier", "aluminium": "alu", "plastic": "plastique"}, "es": {"steel": "acero", "aluminium": "aluminio", "plastic": "plástico"},
        "nl": {"steel": "staal", "aluminium": "aluminium", "plastic": "kunststof"},
    },
    "purpose": {
        "en": {"gun": "guns", "surface": "panels", "booth": "booth"}, "de": {"gun": "Pistole", "surface": "Fläche", "booth": "Kabine"},
        "fr": {"gun": "pistolet", "surface": "surface", "booth": "cabine"}, "es": {"gun": "pistola", "surface": "superficie", "booth": "cabina"},
        "nl": {"gun": "pistool", "surface": "oppervlak", "booth": "cabine"},
    },
    "movement": {
        "en": {"delivered": "receipt", "counted": "count", "returned": "return", "transferred": "transfer", "written_off": "write-off", "shipped_as_waste": "waste shipped"},
        "de": {"delivered": "Zugang", "counted": "Inventur", "returned": "Retoure", "transferred": "Umlagerung", "written_off": "Abschreibung", "shipped_as_waste": "Entsorgung"},
        "fr": {"delivered": "livraison", "counted": "inventaire", "returned": "retour", "transferred": "transfert", "written_off": "mise au rebut", "shipped_as_waste": "déchets expédiés"},
        "es": {"delivered": "entrada", "counted": "inventario", "returned": "devolución", "transferred": "traslado", "written_off": "baja", "shipped_as_waste": "residuos"},
        "nl": {"delivered": "levering", "counted": "telling", "returned": "retour", "transferred": "overboeking", "written_off": "afschrijving", "shipped_as_waste": "afval"},
    },
}  # fmt: skip
MONTHS: dict[str, list[str]] = {
    "en": ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"],
    "de": ["Januar", "Februar", "März", "April", "Mai", "Juni", "Juli", "August", "September", "Oktober", "November", "Dezember"],
    "fr": ["janvier", "février", "mars", "avril", "mai", "juin", "juillet", "août", "septembre", "octobre", "novembre", "décembre"],
    "es": ["enero", "febrero", "marzo", "abril", "mayo", "junio", "julio", "agosto", "septiembre", "octubre", "noviembre", "diciembre"],
    "nl": ["januari", "februari", "maart", "april", "mei", "juni", "juli", "augustus", "september", "oktober", "november", "december"],
}  # fmt: skip


def words(concept: str, language: str, unseen: bool) -> list[str]:
    """The words of a concept: those for development, or those that were kept for judging."""
    seen, _, kept = WORDS[concept][language].partition("//")
    return [w.strip() for w in (kept if unseen and kept else seen).split("|")]
