"""From figures to what somebody does on Monday: the decisions as others call them.

Here belongs which tables are decided together, what each decision reads, and the shape of what comes back. How it is reckoned stands
in a module each: film_model, technique, habits, drift, mixing, savings, gun_set, practice_cards and the others.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Protocol

import polars as pl

from pipelines.settings import Settings
from pipelines.transfer.decisions import (
    actions,
    change_effects,
    drift,
    film_model,
    gun_set,
    habits,
    measure_next,
    mixing,
    practice_cards,
    savings,
    setting_effects,
    technique,
    trials,
)
from pipelines.transfer.model import estimate, totals
from pipelines.transfer.model.joint import Statements
from pipelines.transfer.model.linearise import Joint
from schemas import validate

_READS: Mapping[str, Mapping[str, str | tuple[str, ...]]] = {
    "film": {
        "film_build": "shop_id job_id operation_no panel_id face film_um film_min_um film_max_um grade product_id role "
            "technician_id gun_id colour_id source found_um found_se_um under_ml",
        "material_ledger": "shop_id mix_id job_id operation_no over_build_solids_g over_build_voc_g over_build_cost "
            "useful_solids_g useful_cost role gun_id technician_id",
        "mixes": "shop_id mix_id product_id dry_density_g_per_ml",
    },
    "technique": {
        "film_increments": "shop_id job_id panel_id face from_operation to_operation mean_um paired usable witness_of blend",
        "stage_positions": "shop_id job_id panel_id after_operation row_no col_no reading_no um",
        "increment_layers": "shop_id job_id panel_id from_operation to_operation operation_no",
        "sprays": "shop_id job_id operation_no gun_id technician_id role",
    },
    "guns": {
        "gun_fit": "shop_id gun_id product_id tip_fits atomising_allowed why role n_operations tip_mm tip_min_mm "
            "tip_max_mm",
        "transfer_by_gun": "shop_id gun_id role typical_estimate",
        "guns_now": "gun_id shop_id retired_on",
        "sprays": "shop_id job_id operation_no technician_id role started_at",
    },
    "transfer": estimate.READS,
    "drift": {
        "record_layers": "shop_id job_id record_no gun_id op_job_id operation_no started_at",
        "gun_services": "gun_id serviced_on work",
    },
    "litres": {
        "sprays": "shop_id job_id operation_no gun_id started_at",
        "sprayed": "shop_id mix_id job_id operation_no share flush_g expected_gone_g",
        "mixes": "shop_id mix_id density_g_per_ml",
        "gun_services": "gun_id serviced_on work",
    },
    "mixing": {
        "mixes": "shop_id mix_id product_id leftover_g leftover_known complete density_g_per_ml solids_volume_fraction "
            "cost_per_g",
        "sprayed": "shop_id mix_id job_id operation_no share share_known leftover_known complete flush_g sprayed_g",
        "cup_feeds": "shop_id mix_id job_id operation_no",
        "pours": "shop_id mix_id pour_no technician_id colour_id",
        "sprays": "shop_id job_id operation_no gun_id technician_id product_id role started_at coats covered_m2 "
            "area_class why_incomplete",
    },
    "cup guide": {
        "mixes": "shop_id mix_id product_id poured_g poured_on_g leftover_g leftover_known complete density_g_per_ml",
    },
    "mix parts": {
        "mixes": "shop_id mix_id product_id complete",
        "cup_figures": "shop_id mix_id component_id own_ml",
    },
    "mix guide": {
        "products": "product_id valid_from label role coats_max film_min_um film_max_um min_mix_ml",
        "guns_now": "gun_id shop_id flush_loss_g",
        "transfer_by_gun": "shop_id gun_id role estimate",
    },
    "habits": {
        "mixes": "shop_id mix_id product_id first_poured_at poured_g leftover_g leftover_known complete density_g_per_ml "
            "poured_on_g",
        "pours": "shop_id mix_id pour_no technician_id",
        "products": "product_id valid_from role min_mix_ml",
    },
    "savings": {
        "jobs": "shop_id job_id opened_on",
        "pours": "shop_id mix_id pour_no technician_id",
        "mixes": "shop_id mix_id first_poured_at",
        "film_build": "shop_id job_id operation_no panel_id face film_um film_max_um role technician_id gun_id covered_m2 "
            "source held_um held_se_um within_um over_ml",
        "material_ledger": "shop_id mix_id job_id operation_no poured_solids_g poured_voc_g poured_cost leftover_solids_g "
            "leftover_voc_g leftover_cost flush_loss_solids_g flush_loss_voc_g flush_loss_cost overspray_solids_g "
            "overspray_voc_g overspray_cost over_build_solids_g over_build_voc_g over_build_cost useful_solids_g "
            "useful_voc_g useful_cost month role gun_id technician_id rework",
    },
    "guns and gauges": {
        "guns_now": "gun_id shop_id atomising price",
        "records": "shop_id job_id record_no gain_rel_u usable",
    },
    "totals": {
        "material_ledger": "shop_id mix_id job_id operation_no month product_id role te over_build_solids_g_low over_build_solids_g_high "
            + " ".join(f"{part}_{see}" for part in totals.LEDGER for see in totals.SEES),
        "mixes": "shop_id mix_id leftover_known",
        "sprayed": "shop_id mix_id job_id operation_no flush_g flush_sd_g leftover_rel_sd",
        "film_build": "shop_id job_id operation_no panel_id face first_operation product_id film_um covered_m2 prob_over",
        "operation_te": "shop_id op_job_id operation_no event_rel_u on_film design_row",
        "leftover_habits": "shop_id role leftover_share_sd",
    },
    "changes": {
        "changes": "change_id on until what shop_id technician_id gun_id replaces_gun_id product_id role",
    },
    "changed work": {
        "sprays": "shop_id job_id operation_no gun_id technician_id product_id role started_at redo_of redone covered_m2",
        "material_ledger": "shop_id mix_id job_id operation_no poured_solids_g poured_cost leftover_solids_g leftover_cost "
            "flush_loss_solids_g flush_loss_cost overspray_solids_g overspray_cost over_build_solids_g over_build_cost "
            "useful_solids_g useful_cost",
        "mixes": "shop_id mix_id first_poured_at",
    },
    "what changed": {"changes": "change_id what"},
    "trials": {
        **trials.NEEDS,
        "changes": "change_id on until what shop_id technician_id gun_id replaces_gun_id role jobs looks",
        "guns": "gun_id valid_from shop_id retired_on",
        "technicians": "technician_id shop_id left_on",
        "shops": "shop_id",
    },
    "settings": {
        "spray_settings": "shop_id job_id operation_no tip_out_mm inlet_kpa coats",
        "record_layers": "shop_id job_id record_no position op_job_id operation_no role",
    },
    "next": {
        "sprays": "shop_id job_id operation_no gun_id technician_id role started_at",
        "mixes": "shop_id mix_id leftover_known",
        "gun_fit": "shop_id gun_id product_id role tip_fits atomising_allowed cross_use",
        "transfer_by_role": "shop_id role estimate low high",
        "transfer_by_technician": "shop_id technician_id role estimate low high",
    },
    "actions": {
        "gun_fit": "shop_id gun_id product_id tip_fits atomising_allowed n_operations",
        "voc_content": "shop_id mix_id jurisdiction category product_id limit_g_per_l over",
        "compliance_training": "shop_id technician_id rule label status due_by valid_until",
        "permit_headroom": "shop_id measure period already crossed_in share_of_limit",
        "changes": "change_id on what shop_id technician_id gun_id replaces_gun_id product_id card",
    },
    "cards": {
        "technician_effects": "technician_id effect low high n reliability vif flagged prob_low method",
        "transfer_by_pair": "shop_id gun_id technician_id role low high n method advice",
    },
}  # fmt: skip
#: part -> table -> the columns it reads. A table of a large business is held with these alone, and no longer than its part.
READS = {
    part: {name: tuple(held.split()) if isinstance(held, str) else held for name, held in tables.items()}
    for part, tables in _READS.items()
}


class Tables(Protocol):
    """Tables in the order of their keys, so that the order of rows can move nothing."""

    def whole(self, name: str, columns: Sequence[str] | None = None) -> pl.DataFrame:
        """A table with these columns or all."""

    def each(self, wanted: Mapping[str, Sequence[str]]) -> Iterator[dict[str, pl.DataFrame]]:
        """Tables with these columns for some shops after the other, no shop twice; one that no shop owns comes whole each time."""


class Source:
    """What decisions read: tables, and the transfer model. fitted: gives the model, None where there is nothing to fit."""

    def __init__(self, tables: Tables, fitted: Callable[[], Joint | None]) -> None:
        self._tables = tables
        self._fitted = fitted

    def of(self, part: str) -> dict[str, pl.DataFrame]:
        """What a part reads, whole."""
        return {name: self._tables.whole(name, columns) for name, columns in READS[part].items()}

    def parts(self, part: str) -> Iterator[dict[str, pl.DataFrame]]:
        """What a part reads that looks at one shop at a time, some shops after the other."""
        return self._tables.each(READS[part])

    def decided(self, *names: str) -> dict[str, pl.DataFrame]:
        """Tables of other decisions, whole."""
        return {name: self._tables.whole(name) for name in names}

    @cached_property
    def joint(self) -> Joint | None:
        return self._fitted()

    @cached_property
    def cups(self) -> pl.DataFrame:
        """What was left over of each cup."""
        return pl.concat(habits.cups(**part) for part in self.parts("habits"))


def films(source: Source, settings: Settings) -> dict[str, pl.DataFrame]:
    found, read = film_model.film_by_technician(source.parts("film"), settings)
    given = source.of("settings")
    joint = source.joint
    effects = setting_effects.setting_effects(
        given["spray_settings"],
        te=None if joint is None else setting_effects.of_transfer(joint, given["record_layers"]),
        film=None if read is None else setting_effects.of_film(read),
    )
    return {"film_by_technician": found, "setting_effects": effects}


def technique_of_hands(source: Source, settings: Settings) -> dict[str, pl.DataFrame]:
    panels, heat = [], []
    for part in source.parts("technique"):
        gained = technique.places(**part)
        panels.append(technique.panels(gained))
        heat.append(technique.panel_heat(gained))
    each = pl.concat(panels)
    return {
        "edge_bias": technique.edge_bias(each, settings),
        "panel_heat": pl.concat(heat, how="vertical_relaxed"),
        "technique_power": technique.technique_power(each),
    }


def change_effects_of(source: Source, settings: Settings) -> dict[str, pl.DataFrame]:
    """Nothing but the register is read where it has no row."""
    changes = source.of("changes")["changes"]
    if changes.is_empty():
        return {"change_effects": changes}
    given = source.of("changed work")
    found = change_effects.change_effects(
        changes,
        transfer=lambda: source.of("transfer"),
        films=lambda: pl.concat(film_model.operations(part["film_build"]) for part in source.parts("film")),
        panels=lambda: pl.concat(technique.panels(technique.places(**part)) for part in source.parts("technique")),
        cups=source.cups, sprays=given["sprays"], ledger=given["material_ledger"], mixes=given["mixes"],
    )  # fmt: skip
    return {"change_effects": found}


def trials_on_record(source: Source, settings: Settings) -> dict[str, pl.DataFrame]:
    has_one = "gun_trial" in source.of("what changed")["changes"]["what"]
    return {"trial_standing": trials.trial_standing(source.of("trials"))} if has_one else {}


def watch_over_guns(source: Source, settings: Settings) -> dict[str, pl.DataFrame]:
    if source.joint is None:
        return {}
    litres = drift.litres_sprayed(**source.of("litres"))
    given = source.of("drift")
    residuals = drift.residuals(source.joint, given["record_layers"], litres)
    return {
        "gun_drift": drift.gun_drift(residuals, litres),
        "gun_service_contrasts": drift.gun_service_contrasts(residuals, given["gun_services"]),
    }


def totals_of_all(source: Source, settings: Settings) -> dict[str, pl.DataFrame]:
    joint = source.joint
    said = None if joint is None else Statements(joint, settings)
    cells = totals.cells(source.parts("totals"), said, settings)
    table = totals.totals(cells, said)
    steps = None if joint is None else joint.steps
    return {
        "totals": table, "total_loadings": totals.loadings(cells),
        "transfer_by_period": totals.by_period(table, cells, steps) if table.height else table,
        "error_budget": pl.DataFrame() if said is None else totals.error_budget(cells, said),
    }  # fmt: skip


def mixes_to_come(source: Source, settings: Settings) -> dict[str, pl.DataFrame]:
    known = mixing.past(source.parts("mixing"))
    given = source.of("mix guide")
    priced = known.paint.select("shop_id", "product_id", "price_per_ml")
    seen = known.seen.join(priced, on=["shop_id", "product_id"], how="left", maintain_order="left")
    tried = mixing.backtest(seen, given["products"], settings)
    return {
        "mix_guide": mixing.mix_guide(known, **given, settings=settings),
        "mix_parts": mixing.mix_parts(source.parts("mix parts")),
        "cup_guide": mixing.cup_guide(
            (part["mixes"] for part in source.parts("cup guide")), given["products"], settings
        ),
        "mix_backtest": mixing.mix_backtest(tried),
        "mix_levels": mixing.mix_levels(tried),
    }


def savings_and_guns(source: Source, settings: Settings) -> dict[str, pl.DataFrame]:
    cover = gun_set.gun_cover(**source.of("guns"), **source.decided("gun_drift"))
    left = habits.leftover_habits_of_hands(source.cups, settings)
    saved, basis = savings.savings(
        source.parts("savings"),
        **source.of("guns and gauges"),
        joint=source.joint,
        habits=left,
        kept=gun_set.kept(cover),
    )
    return {
        "savings": saved, "savings_basis": basis,
        "gun_cover": gun_set.with_replacement(cover, formed("savings", saved)),
        "leftover_cups": habits.leftover_cups(source.cups, left.people),
    }  # fmt: skip


def further_records(source: Source, settings: Settings) -> dict[str, pl.DataFrame]:
    return {"measure_next": measure_next.measure_next(source.joint, **source.of("next"), **source.decided("savings"))}


def what_to_practise(source: Source, settings: Settings) -> dict[str, pl.DataFrame]:
    found = practice_cards.practice_cards(
        **source.of("cards"),
        **source.decided("film_by_technician", "edge_bias"),
        habits=habits.leftover_habits_of_hands(source.cups, settings),
        settings=settings,
    )
    return {"practice_cards": found, "cautions": practice_cards.cautions()}


def what_to_do(source: Source, settings: Settings) -> dict[str, pl.DataFrame]:
    return {"actions": actions.actions(**source.of("actions"), **source.decided(*ACTED_ON))}


ACTED_ON = ("savings", "gun_cover", "practice_cards", "measure_next", "change_effects")


@dataclass(frozen=True)
class Decision:
    """makes   its tables; the first names it
    make    what makes them, or those of them that have something to say
    parts   what it asks for of READS; "transfer" stands for the transfer model too
    decided tables of other decisions that it reads
    """

    makes: tuple[str, ...]
    make: Callable[[Source, Settings], dict[str, pl.DataFrame]]
    parts: tuple[str, ...]
    decided: tuple[str, ...] = ()

    @property
    def reads(self) -> tuple[str, ...]:
        """Every table that it reads; with the transfer model the table that stands once it is fitted, so that nobody fits it before."""
        model = ("transfer_model",) if "transfer" in self.parts else ()
        return tuple(dict.fromkeys([*(name for part in self.parts for name in READS[part]), *model, *self.decided]))

    def made(self, source: Source, settings: Settings) -> dict[str, pl.DataFrame]:
        """Its tables, each in its form; with no rows where there is nothing to say."""
        found = self.make(source, settings)
        return {name: formed(name, found.get(name, pl.DataFrame())) for name in self.makes}


DECISIONS = (
    Decision(("film_by_technician", "setting_effects"), films, ("film", "settings", "transfer")),
    Decision(("edge_bias", "panel_heat", "technique_power"), technique_of_hands, ("technique",)),
    Decision(("gun_drift", "gun_service_contrasts"), watch_over_guns, ("litres", "drift", "transfer")),
    Decision(("totals", "total_loadings", "transfer_by_period", "error_budget"), totals_of_all, ("totals", "transfer")),
    Decision(
        ("mix_guide", "mix_parts", "cup_guide", "mix_backtest", "mix_levels"), mixes_to_come,
        ("mixing", "mix guide", "mix parts", "cup guide"),
    ),
    Decision(
        ("change_effects",), change_effects_of, ("changes", "changed work", "habits", "film", "technique", "transfer"),
    ),
    Decision(("trial_standing",), trials_on_record, ("what changed", "trials")),
    Decision(
        ("savings", "savings_basis", "gun_cover", "leftover_cups"), savings_and_guns,
        ("guns", "guns and gauges", "habits", "savings", "transfer"), ("gun_drift",),
    ),
    Decision(("measure_next",), further_records, ("next", "transfer"), ("savings",)),
    Decision(("practice_cards", "cautions"), what_to_practise, ("cards", "habits"), ("film_by_technician", "edge_bias")),
    Decision(("actions",), what_to_do, ("actions",), ACTED_ON),
)  # fmt: skip


def formed(name: str, frame: pl.DataFrame) -> pl.DataFrame:
    """A frame in its table's form; columns that a part had nothing for are null, a part with nothing to say gives no rows."""
    if not frame.height:
        return validate.empty(name)
    have = set(frame.columns)
    infos = validate.columns(name)
    # flags are never null: nothing shown is not flagged
    fill = [
        pl.lit(False if info.kind == "bool" and not info.nullable else None, info.dtype).alias(info.name)
        for info in infos
        if info.name not in have
    ]
    frame = frame.with_columns(fill).with_columns(
        pl.col(info.name).fill_null(False) for info in infos if info.kind == "bool" and not info.nullable
    )
    return validate.conform(name, frame)
