"""A shop's folder: where things stand, who may write, and how a finished set of results takes the old one's place.

Here belong paths, content fingerprints (contents), the store of files already read, snapshots and their swap, hand-outs, the run
lock, and every write that the program makes. Nothing else writes. Not here: what a file means (intake), what a table holds
(schemas, ledger), what a run consists of (defs).

    my_shop/
      filmledger.toml, inbox/, layouts/, registers/     the shop's own; `init` makes them, a run never touches them
      handouts/<period>/                                what was made to be handed out; `handout` alone writes there
      out                                               a link to the snapshot that is in force
      .filmledger/
        building/            the set a run is working on; worthless once that run has ended
        snapshots/000007/    finished sets; the one before the newest is kept for readers still in it
        intake/<key>/        what was read from one file, by content
        tables/              the workbench: every table of the last run, and what it was made of
        dagster/             Dagster's own records
        looked_at.json       which files were not touched since they were last looked at
        lock                 who is running

Readers that want one consistent set resolve `out` once (`Workspace.snapshot`) and read below the folder they got.
"""

from pipelines.workspace.checksums import MANIFEST
from pipelines.workspace.contents import (
    MOST_SETTINGS,
    UNREADABLE,
    Input,
    code_digest,
    digests,
    fingerprint,
    held,
    inputs,
    leading_out,
    library_versions,
    program_version,
    settings_bytes,
)
from pipelines.workspace.kept_handouts import is_whole, keep_handout, read_handout, read_whole, take_away_handout
from pipelines.workspace.looked_at import known_sums
from pipelines.workspace.paths import (
    PRIVATE,
    Workspace,
    draft_of,
    fill,
    find,
    init,
    keep_private,
    occupied,
    prepare_dagster,
    report_fault,
)
from pipelines.workspace.pseudonyms import (
    JOURNAL,
    Forgotten,
    begin_forgetting,
    begun,
    end_forgetting,
    forgotten,
    has_list,
    keep_forgotten,
    pseudonym,
)
from pipelines.workspace.refusals import WorkspaceError, causes, is_refusal, refusal, write_new
from pipelines.workspace.run_lock import lock
from pipelines.workspace.sealed import check_sealed, keep_sealed
from pipelines.workspace.snapshots import (
    begin,
    clear,
    defused,
    drop_earlier_sets,
    file_name_of,
    link_from_before,
    manifest_in_force,
    publish,
    read_snapshot,
    said_in_force,
    said_of,
    set_in_force,
    write_basis,
    write_bytes,
    write_csv,
    write_database,
    write_table,
)  # fmt: skip
from pipelines.workspace.store import (
    TOGETHER,
    Keeping,
    bench_is_damaged,
    drop_bench,
    forget_drafts,
    forget_reads,
    forget_tables,
    is_kept,
    kept_together,
    read_again,
    seal_bench,
    unseal_bench,
)
from pipelines.workspace.traces import as_written
