"""From the fitted joint model to the published figures: cells, what cannot be told apart, effects, operations.

Here belong statements; how the model is fitted stands in linearise.py. A figure that the model cannot support is null.
"""

from __future__ import annotations

from functools import cached_property

import numpy as np
import polars as pl
import scipy.sparse as sp
from numpy.typing import NDArray

from pipelines.settings import Settings
from pipelines.transfer.model import flags, shared_terms, transfer_tables
from pipelines.transfer.model.design import NOBODY, combine
from pipelines.transfer.model.direct import CELL
from pipelines.transfer.model.linearise import Joint
from pipelines.transfer.solver.mixed_model import Floats, Ints, Rows
from pipelines.transfer.solver.table_model import Meeting, meetings
from schemas.published import Z95

METHOD = "joint model"
NOT_SETTLED = "joint model, did not settle: no interval is given"
NEVER_WEIGHED = "leftovers are never weighed back: only a lower bound is known"

CORRELATED = -0.8  # two cells whose errors are correlated like this are two halves of one known sum
WIDE = 0.15  # standard error of log TE from which a cell that shares its records is not known by itself
MAX_VIF = 3.0
UNWEIGHED_Z = 3.0  # from here the offset of cups not weighed back is a finding of its own
SLICE = 1 << 15  # design rows predicted together
NEVER = 5  # so many unweighed cups in a row and none weighed is a habit, not chance


class Statements:
    """What a fitted model says about cells, guns, technicians and operations."""

    def __init__(self, joint: Joint, settings: Settings):
        self.joint, self.settings, self.d = joint, settings, joint.design
        self.posterior = joint.posterior
        self.kind = np.array([kind for kind, _ in self.d.names])
        self.weighed_rows = self._without(self.d.rows, "unweighed")
        d = self.d
        self.by: dict[tuple[str, ...], tuple[pl.DataFrame, Ints]] = {}  # groups that were asked for
        self.event_var = float(self.posterior.sd()[-1] ** 2)
        # records behind each layer row, and whether any of its leftovers was weighed
        self.row_records = np.bincount(d.layer_row, minlength=d.rows.shape[0])
        unweighed = self.kind == "unweighed"
        self.row_unweighed = np.asarray(d.rows[:, unweighed].sum(axis=1)).ravel() > 0 if unweighed.any() else (
            np.zeros(d.rows.shape[0], bool)
        )  # fmt: skip

    def _without(self, matrix: sp.csr_matrix, *kinds: str) -> sp.csr_matrix:
        keep = ~np.isin(self.kind, kinds)
        return sp.csr_matrix(matrix @ sp.diags(keep.astype(float)))

    def _only(self, matrix: sp.csr_matrix, *kinds: str) -> sp.csr_matrix:
        keep = np.isin(self.kind, kinds)
        return sp.csr_matrix(matrix @ sp.diags(keep.astype(float)))

    def _unknowns(self, columns: Ints) -> sp.csr_matrix:
        """Rows that are some of the unknowns themselves."""
        return sp.identity(self.d.unknowns.size, format="csr")[columns]

    def _rows(self, matrix: sp.csr_matrix) -> Rows:
        return Rows.of(self.joint.layout, matrix)

    # --- cells --------------------------------------------------------------------------------------------------------

    def groups(self, by: tuple[str, ...]) -> tuple[pl.DataFrame, Ints]:
        """The cells of `by`, sorted, and each layer row's cell (-1: it names no gun, technician)."""
        if by in self.by:
            return self.by[by]
        keys = self.d.row_keys
        named = pl.all_horizontal(~pl.col(c).str.starts_with(NOBODY) for c in by)
        cells = keys.filter(named).select(by).unique().sort(by).with_row_index("cell")
        code = keys.join(cells, on=by, how="left", maintain_order="left")["cell"].cast(pl.Int64).fill_null(-1)
        self.by[by] = cells.drop("cell"), code.to_numpy()
        return self.by[by]

    def weights(self, code: Ints, n: int) -> sp.csr_matrix:
        """Per cell the share of each design row in its operations; rows sum to 1."""
        times = self.d.row_keys["times"].to_numpy().astype(float)
        at = code >= 0
        total = np.bincount(code[at], times[at], minlength=n)
        return sp.csr_matrix((times[at] / total[code[at]], (code[at], np.flatnonzero(at))), shape=(n, len(code)))

    def mean_rows(self, code: Ints, n: int) -> sp.csr_matrix:
        """Mean design row over each cell's own operations, as if every leftover had been weighed."""
        return sp.csr_matrix(self.weights(code, n) @ self.weighed_rows)

    def shared_of_rows(self) -> Floats:
        """What each design row shares with others: relative standard uncertainty (shared_terms.py)."""
        alone = sp.identity(self.d.rows.shape[0], format="csr")
        shops = self.d.row_keys["shop_id"]
        return shared_terms.together(shared_terms.of_rows(self.d, self.settings, shops, alone, self.weighed_rows))

    def typical_rows(self, table: str, cells: pl.DataFrame, own: sp.csr_matrix) -> sp.csr_matrix:
        """Design rows of a gun, a technician or a role at the shop's typical partner (its effect 0) and typical work.

        Everybody is set the same work: the mean of the shop's operations of that role. A gun keeps its own way of
        atomising, a technician is given the shop's mean gun; so whoever gets the spot jobs is not shown as wasteful.
        """
        by_role, code = self.groups(("shop_id", "role"))
        work = self.mean_rows(code, by_role.height)
        at = cells.join(
            by_role.with_row_index("n"), on=["shop_id", "role"], how="left", maintain_order="left"
        )["n"].to_numpy()  # fmt: skip
        if table == "transfer_by_gun":
            base = self._without(work[at], "atomising", "gun", "technician", "pair", "wear")
            return sp.csr_matrix(base + self._only(own, "atomising", "gun"))
        base = self._without(work[at], "gun", "technician", "pair", "wear")
        return sp.csr_matrix(base + self._only(own, "technician")) if table == "transfer_by_technician" else base

    def table(self, table: str) -> pl.DataFrame:
        """One of the transfer tables, sorted by its cells, with more columns than are published."""
        by = transfer_tables.TABLES[table]
        cells, code = self.groups(by)
        weight = self.weights(code, cells.height)
        matrix = sp.csr_matrix(weight @ self.weighed_rows)
        rows = self._rows(matrix)
        eta, var = self.posterior.mean(rows), self.posterior.variance(rows)
        common = shared_terms.together(shared_terms.of_rows(self.d, self.settings, cells["shop_id"], weight, matrix))
        n, n_direct = self.counts(code, cells.height)
        frame = cells.with_columns(
            n=pl.Series(n), n_direct=pl.Series(n_direct),
            eta=pl.Series(eta), log_se=pl.Series(np.sqrt(var)), log_u=pl.Series(np.sqrt(var + common**2)),
            grade=pl.Series(self.grades(code, cells.height), dtype=pl.String),
            role_known=pl.col("role").is_in(self.roles_known),
            never=pl.Series(self.never_weighed(cells, by), dtype=pl.Boolean),
            bound=pl.Series(self.bound(matrix, cells, code, common), dtype=pl.Float64),
        )  # fmt: skip
        if table != "transfer_by_pair":
            typical = self._rows(self.typical_rows(table, cells, matrix))
            middle, se = self.posterior.mean(typical), np.sqrt(self.posterior.variance(typical))
            frame = frame.with_columns(typical_eta=pl.Series(middle), typical_se=pl.Series(se))
        return self._separability(self._published(frame), cells, code, matrix, common)

    def _published(self, frame: pl.DataFrame) -> pl.DataFrame:
        """Figures with their intervals: what records share is in those of a figure, in none of a comparison (typical_)."""
        known = pl.col("role_known")
        speaks = known & ~pl.col("never")
        told = speaks & pl.lit(self.joint.converged)
        low = (pl.col("eta") - Z95 * pl.col("log_u")).exp()
        high = (pl.col("eta") + Z95 * pl.col("log_u")).exp()
        if "typical_eta" in frame.columns:
            half = Z95 * pl.col("typical_se")
            frame = frame.with_columns(
                typical_estimate=pl.when(speaks).then(pl.col("typical_eta").exp()),
                typical_low=pl.when(told).then((pl.col("typical_eta") - half).exp()),
                typical_high=pl.when(told).then((pl.col("typical_eta") + half).exp()),
            )
        return frame.with_columns(
            estimate=pl.when(speaks).then(pl.col("eta").exp()),
            low=pl.when(known & pl.col("never")).then("bound").when(told).then(low),
            # nothing lands more than was sprayed: where only the bound is known, that is the other end
            high=pl.when(known & pl.col("never") & pl.col("bound").is_not_null()).then(1.0).when(told).then(high),
            prob_below_65=pl.when(told).then(transfer_tables.prob_below(pl.col("eta").exp(), pl.col("log_u"))),
            method=pl.when("never")
            .then(pl.lit(f"{METHOD}, {NEVER_WEIGHED}"))
            .otherwise(pl.lit(METHOD if self.joint.converged else NOT_SETTLED)),
        )

    @cached_property
    def roles_known(self) -> list[str]:
        """Roles of which at least one record was used; of any other the model knows its prior only."""
        used = self.row_records > 0
        return sorted(set(self.d.row_keys.filter(pl.Series(used))["role"].to_list()))

    def grades(self, code: Ints, n: int) -> list[str]:
        """A where grade A records carry at least half of a cell's information W share^2, B otherwise, C without records."""
        d, linear = self.d, self.joint.linear
        weight = 1 / (linear.v + linear.h * self.event_var)
        share = linear.mean_share[d.group] / d.in_group
        info = weight[d.record] * share**2
        cell = code[d.layer_row]
        at = cell >= 0
        every = np.bincount(cell[at], info[at], minlength=n)
        is_a = (d.grade == "A")[d.record] & at
        part = np.bincount(cell[is_a], info[is_a], minlength=n)
        return ["C" if e <= 0 else "A" if p >= 0.5 * e else "B" for e, p in zip(every, part, strict=True)]

    def never_weighed(self, cells: pl.DataFrame, by: tuple[str, ...]) -> NDArray[np.bool_]:
        """Cells of a technician who never weighs a cup back, or all cells where nobody does."""
        d = self.d
        weighed = self.row_records * ~self.row_unweighed
        if not weighed.any():
            return np.ones(cells.height, bool)
        if "technician_id" not in by:
            return np.zeros(cells.height, bool)
        habit = (
            d.row_keys.with_columns(weighed=pl.Series(weighed), records=pl.Series(self.row_records))
            .group_by("technician_id", maintain_order=True).agg(pl.col("weighed", "records").sum())
            .with_columns(never=(pl.col("weighed") == 0) & (pl.col("records") >= NEVER))
        )  # fmt: skip
        return cells.join(habit, on="technician_id", how="left", maintain_order="left")["never"].to_numpy().astype(bool)

    def bound(self, matrix: sp.csr_matrix, cells: pl.DataFrame, code: Ints, common: Floats) -> Floats:
        """TE >= landed / poured: lower 95 % end of the model's landed over poured for cups not weighed back; else nan.

        The column "unweighed" with the mean leftover taken as sprayed: log(D / poured) = eta + unweighed + log(1 - mean).
        """
        column = np.flatnonzero(self.kind == "unweighed")
        out = np.full(cells.height, np.nan)
        if not len(column):
            return out
        shifted = matrix.tolil()
        shifted[:, column[0]] = 1.0
        rows = self._rows(shifted.tocsr())
        eta, se = self.posterior.mean(rows), np.sqrt(self.posterior.variance(rows) + common**2)
        left = cells.join(
            self.d.leftover, on=["shop_id", "role"], how="left", maintain_order="left"
        )["mean"].to_numpy()  # fmt: skip
        some = np.bincount(code[(code >= 0) & self.row_unweighed & (self.row_records > 0)], minlength=cells.height) > 0
        out[some] = (np.exp(eta - Z95 * se) * (1 - left))[some]
        return out

    @cached_property
    def layers_of_signatures(self) -> tuple[Ints, Ints, Floats]:
        """Signature, layer row and share of each layer of the first record of every signature: all its records are alike."""
        d = self.d
        first = d.signature[d.signature_of_record[d.record]] == d.record
        share = self.joint.linear.mean_share[d.group] / d.in_group
        return d.signature_of_record[d.record][first], d.layer_row[first], share[first]

    @cached_property
    def signature_records(self) -> tuple[Ints, NDArray[np.bool_]]:
        """Records of each signature, and whether all its layers are of one pair and role."""
        signature, row, _ = self.layers_of_signatures
        pair = self.groups(CELL)[1][row]
        start = np.flatnonzero(np.diff(signature, prepend=-1))
        alone = np.minimum.reduceat(pair, start) == np.maximum.reduceat(pair, start)
        return np.bincount(self.d.signature_of_record), alone

    def counts(self, code: Ints, n: int) -> tuple[Ints, Ints]:
        """Records each cell takes part in, and those among them that touch one pair and role only."""
        signature, row, _ = self.layers_of_signatures
        records, alone = self.signature_records
        key = (signature * (n + 1) + code[row])[code[row] >= 0]
        key.sort()  # nearly in order as it comes, which np.unique does not use
        once = key[np.diff(key, prepend=-1) > 0]
        of, cell = once // (n + 1), once % (n + 1)
        return (
            np.bincount(cell, records[of], minlength=n).astype(np.int64),
            np.bincount(cell, records[of] * alone[of], minlength=n).astype(np.int64),
        )

    # --- what cannot be told apart ------------------------------------------------------------------------------------

    def shared(self, code: Ints) -> pl.DataFrame:
        """Which cells share records: combination, cell, share (sums to 1 in a combination), records. In layer order."""
        signature, row, share = self.layers_of_signatures
        cell = code[row]
        start = np.flatnonzero(np.diff(signature, prepend=-1))
        position = np.arange(len(signature)) - start[signature]
        combination = np.zeros(len(start), np.int64)
        for place in range(int(position.max(initial=-1)) + 1):
            here = np.zeros(len(start), np.int64)
            here[signature[position == place]] = cell[position == place] + 2
            combination, _ = combine(combination, here)
        _, example = np.unique(combination, return_index=True)  # the layers of one signature stand for its combination
        records = np.bincount(combination, self.signature_records[0])
        of = signature[np.isin(signature, example)]
        frame = pl.DataFrame({
            "combination": combination[of], "cell": cell[np.isin(signature, example)],
            "share": share[np.isin(signature, example)], "records": records[combination[of]].astype(np.int64),
        })  # fmt: skip
        return (
            frame.filter((pl.col("cell") >= 0).all().over("combination"))
            .group_by("combination", "cell", maintain_order=True).agg(pl.col("share").sum(), pl.col("records").first())
            .filter(pl.len().over("combination") > 1)
        )  # fmt: skip

    def _separability(
        self, table: pl.DataFrame, cells: pl.DataFrame, code: Ints, matrix: sp.csr_matrix, common: Floats
    ) -> pl.DataFrame:
        """Adds separable, with_whom, combined, combined_low, combined_high and advice.

        Two cells that share records are not separable where the correlation of their errors is below -0.8, or where
        either's standard error of log TE is above 0.15. Known then is the sum they share:
        eta_combined = sum of mean share x eta, over the combination that the cell shares most records in.
        """
        alike = self.shared(code)
        log_se = table["log_se"].to_numpy()
        n = cells.height
        bad = np.zeros(n, bool)
        pairs = (
            alike.join(alike, on="combination", suffix="_2")
            .filter(pl.col("cell") < pl.col("cell_2"))
            .select("cell", "cell_2").unique().sort("cell", "cell_2")
        )  # fmt: skip
        one, two = pairs["cell"].to_numpy(), pairs["cell_2"].to_numpy()
        whom: dict[int, set[int]] = {}
        if len(one):
            cov = self.posterior.covariance(self._rows(matrix[one]), self._rows(matrix[two]))
            apart = (cov / (log_se[one] * log_se[two]) >= CORRELATED) & (log_se[one] <= WIDE) & (log_se[two] <= WIDE)
            bad[one[~apart]] = bad[two[~apart]] = True
            for a, b in zip(one[~apart].tolist(), two[~apart].tolist(), strict=True):
                whom.setdefault(a, set()).add(b)
                whom.setdefault(b, set()).add(a)
        table = table.with_columns(separable=pl.when(pl.col("n") > 0).then(pl.Series(~bad)))
        names = [self._cell_name(row) for row in cells.iter_rows(named=True)]
        main = (
            alike.sort("records", "combination", descending=[True, False], maintain_order=True)
            .unique("cell", keep="first", maintain_order=True)
            .filter(pl.col("cell").is_in(np.flatnonzero(bad).tolist()))
        )  # fmt: skip
        told = alike.filter(pl.col("combination").is_in(main["combination"].to_list()))
        combos = {key[0]: part for key, part in told.group_by("combination", maintain_order=True)}
        with_whom: list[str | None] = [None] * n
        combined = np.full((n, 3), np.nan)
        lines, at = [], []
        for row in main.iter_rows(named=True):
            part = combos[row["combination"]]
            weight = sp.csr_matrix(
                (part["share"].to_numpy(), (np.zeros(part.height, int), part["cell"].to_numpy())), shape=(1, n)
            )
            lines.append(weight @ matrix)
            at.append(row["cell"])
            others = [c for c in part["cell"].to_list() if c != row["cell"]]
            others += sorted(whom[row["cell"]] - set(others))
            with_whom[row["cell"]] = "; ".join(names[c] for c in others)
        if at:
            rows = self._rows(sp.vstack(lines).tocsr())
            eta, se = self.posterior.mean(rows), np.sqrt(self.posterior.variance(rows) + common[at] ** 2)
            combined[at] = np.exp(eta[:, None] + np.outer(se, [0.0, -Z95, Z95]))
            if not self.joint.converged:
                combined[at, 1:] = np.nan
        return table.with_columns(
            with_whom=pl.Series(with_whom, dtype=pl.String),
            combined=pl.Series(combined[:, 0]).fill_nan(None),
            combined_low=pl.Series(combined[:, 1]).fill_nan(None),
            combined_high=pl.Series(combined[:, 2]).fill_nan(None),
            advice=pl.Series(self._advice(table), dtype=pl.String),
        )

    def _cell_name(self, row: dict[str, str]) -> str:
        hand = f" by {row['technician_id']}" if "technician_id" in row else ""
        return row["role"] + hand + (f" with {row['gun_id']}" if "gun_id" in row else "")

    def typical_record(self) -> tuple[dict[str, float], float]:
        """Relative variance of a typical record of one layer, chance included: by role, and of any role that has none."""
        d, linear = self.d, self.joint.linear
        single = np.bincount(d.record, minlength=d.n) == 1
        role_of_row = d.row_keys["role"].to_numpy()
        record_role = role_of_row[d.layer_row[d.start]] if d.n else np.zeros(0, object)
        pool = linear.v[single] if single.any() else linear.v
        by_role = {
            role: float(np.median(linear.v[single & (record_role == role)])) + self.event_var
            for role in sorted(set(record_role[single].tolist()))
        }
        return by_role, float(np.median(pool)) + self.event_var

    def _advice(self, table: pl.DataFrame) -> list[str | None]:
        """What must come first where a cell has no figure; what would narrow one that is there is tried in measure_next.py."""
        return [
            f"no film of {role} yet: {transfer_tables.NO_FILM}" if not known
            else "weigh the cups back: without it only a lower bound is known" if never
            else None
            for role, known, never in table.select("role", "role_known", "never").iter_rows()
        ]  # fmt: skip

    # --- guns and technicians -----------------------------------------------------------------------------------------

    def effects(self, table: str) -> pl.DataFrame:
        """gun_effects or technician_effects: exp(u), 1 = typical of its kind, with reliability, VIF and flags."""
        who = transfer_tables.EFFECTS[table]
        kind, other = ("gun", "technician") if who == "gun_id" else ("technician", "gun")
        named = [i for i in np.flatnonzero(self.kind == kind) if not self.d.names[i][1].startswith(NOBODY)]
        columns, ids = np.array(named, np.int64), [self.d.names[i][1] for i in named]
        rows = self._rows(self._unknowns(columns))
        u, pev = self.posterior.mean(rows), self.posterior.variance(rows)
        number = self.d.unknowns.component[columns[0]] if len(columns) else 0
        reliability = self.posterior.reliability(rows, number)
        vif, work_vif = self._vif(columns, other)
        probability = flags.prob_low(u, pev, self.settings.transfer.material_effect)

        people, code = self.groups((who,))
        counted = people.with_columns(n=pl.Series(self.counts(code, people.height)[0]))
        frame = pl.DataFrame({who: ids}, schema={who: pl.String}).join(
            counted, on=who, how="left", maintain_order="left"
        )
        n = frame["n"].to_numpy()
        met = self._met(kind, other, ids)
        # nothing crosses: no second one of its kind, or no second partner, hangs together with it
        alone = np.array([m.alike <= 1 or m.others <= 1 for m in met], bool)
        vif[alone] = np.nan  # no record tells it from the others: without end, whatever the priors make of it
        never = self.never_weighed(frame, (who,))
        told = (vif <= MAX_VIF) & (work_vif <= MAX_VIF) & ~alone & ~never
        with_whom = [
            None if ok or not k
            else "leftovers never weighed back" if no
            else ", ".join(m.partners) or f"the {other}s, which no record names" if lone or v > MAX_VIF
            else "the kind of work given"
            for ok, k, no, m, v, lone in zip(told, n, never, met, vif, alone, strict=True)
        ]  # fmt: skip
        flagged = flags.flag(
            probability, told & (n > 0) & self.joint.converged, self.settings.transfer.false_flag_share
        )
        some, settled = pl.col("n") > 0, pl.lit(self.joint.converged)
        return frame.with_columns(
            effect=pl.when(some).then(pl.Series(np.exp(u))),
            low=pl.when(some & settled).then(pl.Series(np.exp(u - Z95 * np.sqrt(pev)))),
            high=pl.when(some & settled).then(pl.Series(np.exp(u + Z95 * np.sqrt(pev)))),
            reliability=pl.when(some).then(pl.Series(reliability)),
            vif=pl.when(some).then(pl.Series(vif)),
            separable=pl.when(some).then(pl.Series(told)),
            with_whom=pl.Series(with_whom, dtype=pl.String),
            flagged=pl.Series(flagged),
            prob_low=pl.when(some & settled).then(pl.Series(probability)),
            method=pl.lit(METHOD if self.joint.converged else NOT_SETTLED),
        )

    def _vif(self, columns: Ints, other: str) -> tuple[Floats, Floats]:
        """PEV over PEV if the other's effects were known; the same if what the work does were known.

        Conditional variance of a normal: S_tt - S_to S_oo^-1 S_ot, S the inverse of the mixed model equations.
        """
        layout, factor, x = self.joint.layout, self.joint.fit.best.factor, self.d.unknowns
        work = np.flatnonzero(np.isin(self.kind[: layout.n_border], ("area_class", "blended", "plastic", "unweighed")))
        work_inverse = np.linalg.inv(factor.schur_inverse[np.ix_(work, work)]) if len(work) else np.zeros((0, 0))
        vif, work_vif = np.ones(len(columns)), np.ones(len(columns))
        for block in np.unique(x.block[columns]):
            mine = np.flatnonzero(x.block[columns] == block)
            theirs = np.flatnonzero((x.block == block) & (self.kind == other))
            inside, cross = factor.block_covariance(int(block))
            local = layout.place[columns[mine]] % layout.width
            local_other = layout.place[theirs] % layout.width
            own = inside[local, local]
            c = inside[np.ix_(local, local_other)]
            known = own - np.einsum("ij,ij->i", c @ np.linalg.inv(inside[np.ix_(local_other, local_other)]), c)
            vif[mine] = own / np.maximum(known, 1e-12 * own)
            c = cross[np.ix_(local, work)]
            known = own - np.einsum("ij,ij->i", c @ work_inverse, c)
            work_vif[mine] = own / np.maximum(known, 1e-12 * own)
        return vif, work_vif

    def _met(self, kind: str, other: str, ids: list[str]) -> list[Meeting]:
        """Each one's place in the graph of who sprayed with what, from used records alone: those the equations know."""
        keys = self.d.row_keys.filter(pl.Series(self.row_records > 0))
        one, two = (
            keys.select(pl.when(~pl.col(f"{k}_id").str.starts_with(NOBODY)).then(f"{k}_id").fill_null("")).to_series()
            for k in (kind, other)
        )
        found = meetings(one, two)
        return [found.get(name, Meeting((), 0, 0)) for name in ids]

    # --- operations ---------------------------------------------------------------------------------------------------

    def operations(self, prepared: pl.DataFrame, by_pair: pl.DataFrame, step: pl.Series) -> pl.DataFrame:
        """The model's TE for each spray operation: its own work, its cell's gun and hand, and the step of its month (log TE,
        per row of `prepared`); the interval is that of one event.

        shop_id, op_job_id, operation_no, te, te_low, te_high, log_u, grade, source, event_rel_u (chance alone), design_row
        (its row in the model's design), one row per row of `prepared`. Null where the cell is null.
        """
        eta, log_u = (np.empty(self.d.rows.shape[0]) for _ in range(2))
        for begin in range(0, len(eta), SLICE):  # rows are dense in here
            here = slice(begin, begin + SLICE)
            rows = self._rows(self.weighed_rows[here])
            eta[here] = self.posterior.mean(rows)
            log_u[here] = np.sqrt(self.posterior.variance(rows) + self.event_var)
        log_u = np.hypot(log_u, self.shared_of_rows())
        cell = self.groups(CELL)[1]
        speaks = (cell >= 0) & by_pair["estimate"].is_not_null().to_numpy()[cell]
        by_row = pl.DataFrame({
            "te": np.where(speaks, np.minimum(np.exp(eta), 1.0), np.nan),
            "te_low": np.where(speaks & self.joint.converged, np.minimum(np.exp(eta - Z95 * log_u), 1.0), np.nan),
            "te_high": np.where(speaks & self.joint.converged, np.minimum(np.exp(eta + Z95 * log_u), 1.0), np.nan),
            "log_u": np.where(speaks, log_u, np.inf),
            "event_rel_u": np.where(speaks, np.sqrt(self.event_var), np.nan),
            "design_row": np.arange(len(eta)),
        }).with_columns(
            pl.col("te", "te_low", "te_high", "event_rel_u").fill_nan(None),
            grade=pl.when(pl.Series(speaks)).then(by_pair["grade"].gather(pl.Series(np.maximum(cell, 0)))),
            source=pl.when(pl.Series(speaks)).then(pl.lit("model")),
        )  # fmt: skip
        moved = step.exp()
        return pl.concat(
            [prepared[transfer_tables.OPERATION], by_row[self.d.row_of_layer]], how="horizontal"
        ).with_columns((pl.col(end) * moved).clip(upper_bound=1.0) for end in ("te", "te_low", "te_high"))

    # --- the model itself ---------------------------------------------------------------------------------------------

    def model(self) -> pl.DataFrame:
        """What the model found besides guns and hands: term, level, value, low, high, note. For the method page.

        Multipliers of TE for what the work does (1 = no difference from the first class), for leftovers not weighed, and
        per role the TE at the first class of everything; standard deviations of log TE under "spread", and there under
        "readings" the factor by which readings scatter more than their stated spread.
        """
        fixed = np.flatnonzero(self.d.unknowns.component < 0)
        rows = self._rows(self._unknowns(fixed))
        mean, se = self.posterior.mean(rows), np.sqrt(self.posterior.variance(rows))
        out: list[tuple[str, str, float, float | None, float | None, str | None]] = []
        for i, m, s in zip(fixed.tolist(), mean.tolist(), se.tolist(), strict=True):
            term, level = self.d.names[i]
            note = None
            if term == "unweighed" and abs(m) > UNWEIGHED_Z * s:
                more = "more" if m < 0 else "less"
                note = f"cups that are not weighed back hold {more} than those that are: weigh them too"
            out.append((term, level, float(np.exp(m)), float(np.exp(m - Z95 * s)), float(np.exp(m + Z95 * s)), note))
        middle = self.posterior.over(p.log_sd for p in self.posterior.points)
        spread = np.sqrt(self.posterior.over((p.log_sd - middle) ** 2 for p in self.posterior.points))
        present = sorted(set(self.d.unknowns.component[self.d.unknowns.component >= 0].tolist()))
        kinds = [str(self.kind[np.flatnonzero(self.d.unknowns.component == k)[0]]) for k in present]
        ends = (np.exp(middle - Z95 * spread), np.exp(middle + Z95 * spread))
        for kind, value, low, high in zip([*kinds, "readings", "event"], self.posterior.sd(), *ends, strict=True):
            out.append(("spread", kind, float(value), float(low), float(high), None))
        settled = "settled" if self.joint.converged else "did not settle"
        out.append(("passes", settled, float(self.joint.passes), None, None, None))
        return pl.DataFrame(out, schema=transfer_tables.MODEL_COLUMNS, orient="row")
