"""What a run reads of the shop's own, as assets that Dagster observes: a new word for it shows that something changed."""

import dagster as dg

from pipelines import run as runs
from pipelines.defs import automation

DESCRIPTIONS = {
    "inbox": "The exports of scale, job log and film gauge, as the shop put them there.",
    "registers": "The tables that the shop keeps by hand.",
    "layouts": "How the headers and units of each export map to the tables.",
    "settings": "filmledger.toml.",
}


def _source(name: str) -> dg.SourceAsset:
    @dg.observable_source_asset(name=name, group_name="sources", description=DESCRIPTIONS[name])
    def source() -> dg.DataVersion:
        current = runs.look(automation.space(), runs.Silent())
        return dg.DataVersion((current.sources | {"settings": runs.settings_word(current.settings)})[name])

    return source


ASSETS = [_source(name) for name in DESCRIPTIONS]
observe = dg.define_asset_job(
    "observe", selection=dg.AssetSelection.assets(*DESCRIPTIONS), description="Look whether files or settings changed."
)
