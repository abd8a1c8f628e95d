# ruff: noqa: E501  (a table of files)
"""Exports shaped unlike the demo's, for the tests of recognising: invented files with what each column truly is.

Numbers are drawn with a seed; the shapes (words, order, units, marks, preambles) are ours.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, field
from datetime import datetime, timedelta

IDS = {
    "shops": {"quay", "mill"},
    "products": {"clear_hs", "surf_grey", "base_wb"},
    "components": {"ch_binder", "ch_hard", "ch_thin", "sg_binder", "bw_red", "gunwash"},
    "guns": {"G-01", "G-02", "G-07"},
    "technicians": {"t04", "t11", "t19"},
    "gauges": {"fg1", "fg2"},
    "booths": {"b1", "b2"},
}
START = datetime(2025, 3, 14, 7, 30)


@dataclass
class Shape:
    """`truth`: table -> column of ours -> header names it comes from (() for constants and numbering). `ask`: columns that
    no file can answer (a unit or the shop that is not named), which must be asked and not taken."""

    name: str
    file: str
    content: str
    truth: dict[str, dict[str, tuple[str, ...]]]
    encoding: str = "utf-8"
    ask: set[str] = field(default_factory=set)
    least: int = 40


def _rows(seed: int, n: int) -> list[dict[str, str]]:
    chance = random.Random(seed)
    out, gross = [], 0.0
    for i in range(n):
        cup, line = i // 4, i % 4
        gross = 0.0 if line == 0 else gross
        net = round(chance.uniform(15, 240), 1)
        gross = round(gross + net, 1)
        at = START + timedelta(days=cup // 3, minutes=37 * (cup % 3) + line)
        out.append(
            {
                "cup": f"{7000 + cup}",
                "line": f"{line + 1}",
                "net": f"{net}",
                "gross": f"{gross}",
                "tare": "31.5",
                "with_tare": f"{round(gross + 31.5, 1)}",
                "at": at,
                "job": f"R{400 + cup // 2}",
                "gun": chance.choice(sorted(IDS["guns"])),
                "tech": chance.choice(sorted(IDS["technicians"])),
                "product": chance.choice(sorted(IDS["products"])),
                "component": chance.choice(sorted(IDS["components"])),
                "film": f"{chance.uniform(60, 160):.1f}",
                "mils": f"{chance.uniform(2.2, 6.1):.2f}",
                "panel": chance.choice(["door_lf", "bonnet", "wing_r"]),
                "area": f"{chance.uniform(0.3, 1.9):.2f}",
                "bar": f"{chance.uniform(1.8, 2.4):.1f}",
                "gauge": chance.choice(sorted(IDS["gauges"])),
                "word": chance.choice(["rush", "see desk", ""]),
            }
        )
    return out


def _lines(header: str, rows: list[str]) -> str:
    return "\n".join([header, *rows]) + "\n"


def shapes() -> list[Shape]:
    r = _rows(5, 160)
    de = lambda s: s.replace(".", ",")  # noqa: E731
    return [
        Shape(
            "scale log, cumulative with the cup on, preamble and totals", "quay/balance_20250401.csv",
            "Balance log\nprinted 1 April\n\n" + _lines(
                "Cup No;Logged at;Article;Finish;Empty cup (g);Display (g);Mixed by",
                [f"{x['cup']};{x['at']:%d.%m.%Y %H:%M};{x['component']};{x['product']};{de(x['tare'])};{de(x['with_tare'])};{x['tech']}" for x in r],
            ) + "Total;;;;;;\n",
            {"pours": {"shop_id": (), "mix_id": ("Cup No",), "pour_no": (), "poured_at": ("Logged at",), "component_id": ("Article",),
                       "product_id": ("Finish",), "weighed_g": ("Display (g)",), "technician_id": ("Mixed by",)}},
        ),
        Shape(
            "tickets with date and time apart, ounces, job number in a note", "tickets.txt",
            _lines("Ticket\tMix date\tMix time\tPaint\tIngredient\tNet weight (oz)\tRemark\tOperator", [
                f"{x['cup']}\t{x['at']:%m/%d/%Y}\t{x['at']:%I:%M %p}\t{x['product']}\t{x['component']}\t{x['net']}\tfor {x['job']} {x['word']}\t{x['tech']}" for x in r]),
            {"pours": {"shop_id": (), "mix_id": ("Ticket",), "pour_no": (), "poured_at": ("Mix date", "Mix time"), "product_id": ("Paint",),
                       "component_id": ("Ingredient",), "weighed_g": ("Net weight (oz)",), "technician_id": ("Operator",), "job_id": ("Remark",)}},
            ask={"shop_id"},
        ),
        Shape(
            "gauge memory with batch names", "gauge/mill_memory.csv",
            _lines("Batch,No,Reading [um],Date,Time,Gauge", [
                f"{x['job']}-LF {x['panel']}-2,{i % 4 + 1},{x['film']},{x['at']:%Y-%m-%d},{x['at']:%H:%M:%S},{x['gauge']}" for i, x in enumerate(r)]),
            {"readings": {"shop_id": (), "job_id": ("Batch",), "panel_id": ("Batch",), "reading_no": ("No",), "reading_um": ("Reading [um]",),
                          "taken_at": ("Date", "Time"), "gauge_id": ("Gauge",)}},
        ),
        Shape(
            "readings side by side in mils", "films.csv",
            _lines("Repair order,Part,Measured at,P1 (mil),P2 (mil),P3 (mil),P4 (mil),Instrument", [
                f"{x['job']},{x['panel']},{x['at']:%Y-%m-%d %H:%M},{x['mils']},{x['mils']},{x['mils']},{x['mils']},{x['gauge']}" for x in r[::4]]),
            {"readings": {"shop_id": (), "job_id": ("Repair order",), "panel_id": ("Part",), "taken_at": ("Measured at",), "reading_no": (),
                          "reading_um": ("P1 (mil)", "P2 (mil)", "P3 (mil)", "P4 (mil)"), "gauge_id": ("Instrument",)}},
            ask={"shop_id"},
        ),
        Shape(
            "German step log", "mill/Schritte.csv",
            _lines("Auftrag Nr;Arbeitsgang;Tätigkeit;Beginn;Ende;Mitarbeiter;Pistole Nr;Produkt;Druck (bar);Düse (mm);Kabine", [
                f"{x['job']};{i % 3 + 1};{('Schleifen', 'Spritzen', 'Polieren')[i % 3]};{x['at']:%d.%m.%Y %H:%M};{x['at'] + timedelta(minutes=9):%d.%m.%Y %H:%M};"
                f"{x['tech']};{x['gun']};{x['product']};{de(x['bar'])};1,3;b1" for i, x in enumerate(r[:60])]),
            {"operations": {"shop_id": (), "job_id": ("Auftrag Nr",), "operation_no": ("Arbeitsgang",), "kind": ("Tätigkeit",), "started_at": ("Beginn",),
                            "ended_at": ("Ende",), "technician_id": ("Mitarbeiter",), "gun_id": ("Pistole Nr",), "product_id": ("Produkt",),
                            "inlet_kpa": ("Druck (bar)",), "tip_mm": ("Düse (mm)",), "booth_id": ("Kabine",)}},
            encoding="windows-1252",
        ),
        Shape(
            "weigh-backs, two-digit years, unit not named", "quay_back.csv",
            _lines("Mix Number|Weighed back at|Returned|Disposition", [
                f"{x['cup']}|{x['at']:%d/%m/%y %H:%M}|{x['net']}|{('shelf', 'waste')[i % 2]}" for i, x in enumerate(r[::4])]),
            {"leftovers": {"shop_id": (), "mix_id": ("Mix Number",), "weighed_at": ("Weighed back at",), "leftover_g": ("Returned",), "fate": ("Disposition",)}},
            ask={"leftover_g"},
        ),
        Shape(
            "store book in kilograms", "store_quay_2025-04-01.csv",
            _lines("Delivery note,Pos,Booked on,Item,Booking,Quantity (kg)", [
                f"D{900 + i // 3},{i % 3 + 1},{x['at']:%d %b %Y},{x['component']},{('receipt', 'count', 'return')[i % 3]},{float(x['net']) / 10:.2f}" for i, x in enumerate(r)]),
            {"stock": {"shop_id": (), "document_no": ("Delivery note",), "line_no": ("Pos",), "happened_on": ("Booked on",), "component_id": ("Item",),
                       "movement": ("Booking",), "mass_g": ("Quantity (kg)",)}},
        ),
        Shape(
            "wash solvent by hand, a day alone", "quay-wash.csv",
            _lines("Entry,Day,Solvent code,What was cleaned,Spray gun,Issued (g),Came back (g)", [
                f"{i + 1},{x['at']:%Y-%m-%d},gunwash,{('gun', 'booth')[i % 2]},{x['gun']},{x['net']},{float(x['net']) / 2:.1f}" for i, x in enumerate(r[:50])]),
            {"cleaning": {"shop_id": (), "cleaning_no": ("Entry",), "used_at": ("Day",), "component_id": ("Solvent code",), "purpose": ("What was cleaned",),
                          "gun_id": ("Spray gun",), "issued_g": ("Issued (g)",), "recovered_g": ("Came back (g)",)}},
        ),
        Shape(
            "panels sprayed, square feet, shares in percent", "mill/panels.csv",
            _lines("Work order,Step,Body part,Side,Surface (ft2),Covered (%),Made of", [
                f"{x['job']},{i % 3 + 1},{x['panel']},{('outside', 'jamb')[i % 2]},{x['area']},{(100, 50)[i % 2]},{('steel', 'alu')[i % 2]}" for i, x in enumerate(r)]),
            {"operation_panels": {"shop_id": (), "job_id": ("Work order",), "operation_no": ("Step",), "panel_id": ("Body part",), "face": ("Side",),
                                  "area_m2": ("Surface (ft2)",), "covered_fraction": ("Covered (%)",), "substrate": ("Made of",)}},
        ),
        Shape(
            "cups by step", "mill/which_cup.csv",
            _lines("RO Number,Op,Cup,Portion (%)", [f"{x['job']},{i % 3 + 1},{x['cup']},{(100, 40)[i % 2]}" for i, x in enumerate(r[::2])]),
            {"draws": {"shop_id": (), "job_id": ("RO Number",), "operation_no": ("Op",), "mix_id": ("Cup",), "share": ("Portion (%)",)}},
        ),
        Shape(
            "German scale log in kilograms that run on", "quay/Waagenprotokoll.tsv",
            _lines("Nr\tZeitstempel\tMischung\tKomponente\tAnzeige [kg]\tWaage\tLackierer\tProdukt", [
                f"{x['line']}\t{x['at']:%d.%m.%Y %H:%M:%S}\t{x['cup']}\t{x['component']}\t{de(str(float(x['gross']) / 1000))}\tW2\t{x['tech']}\t{x['product']}" for x in r]),
            {"pours": {"shop_id": (), "pour_no": ("Nr",), "poured_at": ("Zeitstempel",), "mix_id": ("Mischung",), "component_id": ("Komponente",),
                       "weighed_g": ("Anzeige [kg]",), "scale_id": ("Waage",), "technician_id": ("Lackierer",), "product_id": ("Produkt",)}},
        ),
        Shape(
            "a time of printing beside the time of mixing, target before actual, no unit", "mill/targets.csv",
            _lines("Printed;Mix No;Pos;Component;Target;Actual;Mixed at;Product", [
                f"2025-06-01 09:00;{x['cup']};{x['line']};{x['component']};{float(x['net']) + 1:.1f};{x['net']};{x['at']:%Y-%m-%d %H:%M};{x['product']}" for x in r]),
            {"pours": {"shop_id": (), "mix_id": ("Mix No",), "pour_no": ("Pos",), "component_id": ("Component",), "target_g": ("Target",),
                       "weighed_g": ("Actual",), "poured_at": ("Mixed at",), "product_id": ("Product",)}},
            ask={"weighed_g"},
        ),
        Shape(
            "volumes in millilitres", "mill/by_volume.csv",
            _lines("Cup,Material,Volume (mL),When,Coating", [f"{x['cup']},{x['component']},{x['net']},{x['at']:%Y-%m-%dT%H:%M},{x['product']}" for x in r]),
            {"pours": {"shop_id": (), "mix_id": ("Cup",), "pour_no": (), "component_id": ("Material",), "weighed_g": ("Volume (mL)",), "poured_at": ("When",),
                       "product_id": ("Coating",)}},
        ),
        Shape(
            "an order number that could be taken for a pour's", "quay_stamp.csv",
            _lines("order,ticket,item,grams,stamp,paint", [
                f"{88000 + int(x['cup']) // 2},{x['cup']},{x['component']},{x['net']},{x['at']:%d-%b-%Y %H:%M},{x['product']}" for x in r]),
            {"pours": {"shop_id": (), "mix_id": ("ticket",), "job_id": ("order",), "pour_no": (), "component_id": ("item",), "weighed_g": ("grams",), "poured_at": ("stamp",),
                       "product_id": ("paint",)}},
        ),
        Shape(
            "orders with the dates in and out", "quay/orders.csv",
            _lines("Repair order,Car class,Date in,Date out", [
                f"R{400 + i},{('compact', 'estate', 'van')[i % 3]},{START + timedelta(days=i):%Y-%m-%d},{START + timedelta(days=i + 3):%Y-%m-%d}" for i in range(45)]),
            {"jobs": {"shop_id": (), "job_id": ("Repair order",), "vehicle_class": ("Car class",), "opened_on": ("Date in",), "closed_on": ("Date out",)}},
        ),
        Shape(
            "positions on the panel", "mill/grid.csv",
            _lines("Job,Panel,Row,Col,DFT um,Gauge,Measured at", [
                f"R{400 + i // 9},{('bonnet', 'roof')[i // 9 % 2]},{i % 9 // 3 + 1},{i % 3 + 1},{x['film']},{x['gauge']},{x['at']:%Y-%m-%d %H:%M}" for i, x in enumerate(r[:90])]),
            {"readings": {"shop_id": (), "job_id": ("Job",), "panel_id": ("Panel",), "reading_no": (), "row": ("Row",), "col": ("Col",), "reading_um": ("DFT um",),
                          "gauge_id": ("Gauge",), "taken_at": ("Measured at",)}},
        ),
        Shape(
            "price list", "prices.csv",
            _lines("Article,Description,Specific gravity (kg/l),Solids by weight (%),Solids by volume (%),VOC by weight (%),Price per kg", [
                f"{c},Thing {i},{1 + i / 20:.2f},{50 - 5 * i},{40 - 4 * i},{50 + 5 * i},{20 + i}" for i, c in enumerate(sorted(IDS["components"]))]),
            {"components": {"component_id": ("Article",), "label": ("Description",), "density_g_per_ml": ("Specific gravity (kg/l)",),
                            "solids_mass_fraction": ("Solids by weight (%)",), "solids_volume_fraction": ("Solids by volume (%)",),
                            "voc_mass_fraction": ("VOC by weight (%)",), "price_per_kg": ("Price per kg",)}},
            least=6,
        ),
        Shape(
            "data sheets, film in mils", "sheets.txt",
            _lines("Product;Name;Layer;Min film (mil);Max film (mil);Min tip (mm);Max tip (mm);Pot life (min)", [
                f"{p};P{i};{('clear', 'base', 'surfacer')[i]};{1.0 + i};{2.0 + i};1.2;1.4;60" for i, p in enumerate(sorted(IDS["products"]))]),
            {"products": {"product_id": ("Product",), "label": ("Name",), "role": ("Layer",), "film_min_um": ("Min film (mil)",), "film_max_um": ("Max film (mil)",),
                          "tip_min_mm": ("Min tip (mm)",), "tip_max_mm": ("Max tip (mm)",), "pot_life_min": ("Pot life (min)",)}},
            least=3,
        ),
        Shape(
            "gauge checks, decimal comma", "pruefung.csv",
            _lines("Instrument;Geprüft am;Folie (µm);Messwert (µm)", [
                f"{x['gauge']};{START + timedelta(hours=i):%d.%m.%Y %H:%M};{('51,3', '121,0')[i % 2]};{de(x['film'])}" for i, x in enumerate(r[:50])]),
            {"gauge_checks": {"gauge_id": ("Instrument",), "checked_at": ("Geprüft am",), "shim_um": ("Folie (µm)",), "reading_um": ("Messwert (µm)",)}},
        ),
        Shape(
            "scale checks", "scale_test.csv",
            _lines("balance,checked,test weight (g),shown (g)", [
                f"W{i % 2 + 1},{START + timedelta(hours=i):%Y-%m-%d %H:%M},{(100, 500)[i % 2]},{x['net']}" for i, x in enumerate(r[:50])]),
            {"scale_checks": {"scale_id": ("balance",), "checked_at": ("checked",), "weight_g": ("test weight (g)",), "reading_g": ("shown (g)",)}},
        ),
        Shape(
            "aerosols", "mill/aerosols.csv",
            _lines("When,Product code,Amount (g),Job no,No", [f"{x['at']:%Y-%m-%d %H:%M},gunwash,{x['net']},{x['job']},{i + 1}" for i, x in enumerate(r[:50])]),
            {"unscaled_use": {"shop_id": (), "used_at": ("When",), "component_id": ("Product code",), "mass_g": ("Amount (g)",), "job_id": ("Job no",), "use_no": ("No",)}},
        ),
        Shape(
            "gun list in German", "quay/Pistolen.csv",
            _lines("Pistole,Zerstäubung,Düse (mm),Zuführung", [f"{g},{('hvlp', 'conventional')[i % 2]},1.{i + 2},gravity" for i, g in enumerate(sorted(IDS["guns"]))]),
            {"guns": {"gun_id": ("Pistole",), "shop_id": (), "atomising": ("Zerstäubung",), "tip_mm": ("Düse (mm)",), "feed": ("Zuführung",)}},
            least=3,
        ),
    ]  # fmt: skip
