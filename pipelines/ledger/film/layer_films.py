"""The measured film of each panel's layers, after the witness strips have had their say.

Here belongs the one rule that depends on the order in which strips are weighed against each other and against the panel's
own readings. What an increment is, stands in film_increments.sql; what landed, in record_faces.sql.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Any

import polars as pl

from pipelines.settings import Settings

PANEL = ["shop_id", "job_id", "panel_id"]
INCREMENT = [*PANEL, "from_operation", "to_operation"]
STRIP_REL_SD = 0.10  # a strip beside the panel is not the panel


@dataclass(frozen=True)
class Piece:
    """Film of some layers of one panel, um. extra_var_um2: variance beside the readings' own; the other fields are those of
    the increment it was read by."""

    source_id: str
    from_operation: int
    to_operation: int
    layers: frozenset[int]
    mean_um: float
    sd_um: float | None
    n_effective: float | None
    kind: str
    area_m2: float | None
    area_rel_sd: float | None
    blend: bool
    gain_u: float | None
    extra_var_um2: float
    source: str
    grade: str
    usable: bool
    why_not: str | None

    @property
    def var_um2(self) -> float:
        """Variance of its mean as far as it is known from itself."""
        read = self.sd_um**2 / self.n_effective if self.sd_um is not None and self.n_effective else 0.0
        return self.extra_var_um2 + read


FIELDS = [name for name in Piece.__dataclass_fields__ if name != "layers"]


def film_pieces(
    film_increments: pl.DataFrame, increment_layers: pl.DataFrame, sprays: pl.DataFrame, settings: Settings
) -> pl.DataFrame:
    """One row per piece of measured film and layer.

    A strip stands for its panel (relative sd .10 added), those with most layers first, several that saw the same layers by
    their mean:
    - the panel's own usable readings win for the same layers;
    - inside a larger piece (the panel's own, or a longer strip) it takes its layers, and the piece keeps the rest by
      difference in mL (_rest), grade B;
    - it replaces an unusable increment of the same layers, and stands alone where nothing else holds its layers.
    A strip whose layers lie partly in one piece and partly elsewhere is not used.
    """
    roles = (
        increment_layers.join(
            sprays.select("shop_id", "job_id", "operation_no", "role"),
            on=["shop_id", "job_id", "operation_no"],
            how="left",
            maintain_order="left",
        )
        .sort(*INCREMENT, "operation_no")
        .group_by(INCREMENT, maintain_order=True)
        .agg(numbers=pl.col("operation_no"), roles=pl.col("role").fill_null("?").str.join("+"))
    )
    light_var = pl.col("n_light") * settings.film.scuff_removed_sd_um**2
    increments = film_increments.join(roles, on=INCREMENT, how="inner", maintain_order="left").with_columns(
        # a strip is new steel: readings of it do not scatter like those of a panel with old film on it
        kind=pl.concat_str(
            "roles",
            pl.when(pl.col("witness_of").is_not_null())
            .then(pl.lit("/strip"))
            .when("paired")
            .then(pl.lit("/paired"))
            .otherwise(pl.lit("/unpaired")),
        ),
        stands_for=pl.coalesce("witness_of", "panel_id"),
        extra_var_um2=light_var.cast(pl.Float64),
        source_id="panel_id",
    )
    own = increments.filter(pl.col("witness_of").is_null()).with_columns(source=pl.lit("own"))
    strips = increments.filter(pl.col("witness_of").is_not_null() & pl.col("usable"))
    beside = strips.select("shop_id", "job_id", panel_id="stands_for").unique()

    plain = (
        own.join(beside, on=PANEL, how="anti").select(*PANEL, *FIELDS, operation_no="numbers").explode("operation_no")
    )
    walked = _walked(own.join(beside, on=PANEL, how="semi"), strips)
    return (
        pl.concat([plain, walked.select(plain.columns).cast({name: plain.schema[name] for name in plain.columns})])
        .with_columns(
            piece=pl.concat_str(
                [*PANEL[:2], "source_id", pl.col("from_operation").cast(pl.String), "source"], separator="/"
            )
        )
        .with_columns(alone=pl.len().over("piece") == 1)
        .sort(*PANEL, "from_operation", "source_id", "operation_no")
    )


def _walked(own: pl.DataFrame, strips: pl.DataFrame) -> pl.DataFrame:
    panels: dict[tuple[str, ...], list[Piece]] = {}
    for row in own.sort(INCREMENT).iter_rows(named=True):
        panels.setdefault((row["shop_id"], row["job_id"], row["panel_id"]), []).append(_piece(row))
    same: dict[tuple[str, ...], dict[frozenset[int], list[Piece]]] = {}
    for row in strips.sort("shop_id", "job_id", "from_operation", "to_operation", "panel_id").iter_rows(named=True):
        piece = replace(_piece(row | {"source": "strip"}), source="strip")
        beside = (row["shop_id"], row["job_id"], row["stands_for"])
        same.setdefault(beside, {}).setdefault(piece.layers, []).append(piece)
    for panel, by_layers in same.items():
        pieces = panels.setdefault(panel, [])
        for _, found in sorted(by_layers.items(), key=lambda item: -len(item[0])):  # stable: then the earlier ones
            _place(_mean(found), pieces)
    rows = [
        {
            **dict(zip(PANEL, panel, strict=True)),
            **{name: getattr(piece, name) for name in FIELDS},
            "operation_no": number,
        }
        for panel, pieces in panels.items()
        for piece in pieces
        for number in sorted(piece.layers)
    ]
    schema = {name: own.schema.get(name, pl.String) for name in [*PANEL, *FIELDS]} | {"operation_no": pl.Int64}
    return pl.DataFrame(rows, schema=schema, orient="row")


def _piece(row: Mapping[str, Any]) -> Piece:
    return Piece(layers=frozenset(row["numbers"]), **{name: row[name] for name in FIELDS})


def _mean(found: list[Piece]) -> Piece:
    """Strips of the same layers as one: the mean, its variance by their number."""
    mean = sum(piece.mean_um for piece in found) / len(found)
    spreads = [piece.sd_um for piece in found if piece.sd_um is not None]
    return replace(
        found[0],
        mean_um=mean,
        sd_um=(sum(sd**2 for sd in spreads) / len(spreads)) ** 0.5 if spreads else None,
        n_effective=sum(piece.n_effective or 0.0 for piece in found) or None,
        extra_var_um2=(STRIP_REL_SD * mean) ** 2 / len(found) + max(piece.extra_var_um2 for piece in found),
        grade=max(piece.grade for piece in found),
    )


def _place(strip: Piece, pieces: list[Piece]) -> None:
    """Put a strip among a panel's pieces."""
    if _tiled([piece for piece in pieces if piece.usable], strip.layers):
        return
    for at, piece in enumerate(pieces):
        if piece.layers == strip.layers:
            pieces[at] = strip
            return
        if piece.layers > strip.layers:
            pieces[at : at + 1] = [strip, _rest(piece, strip)]
            return
    if not any(piece.layers & strip.layers for piece in pieces):
        pieces.append(strip)


def _rest(piece: Piece, strip: Piece) -> Piece:
    """What a piece keeps beside a strip: film x area less film x area, as um over the piece's own area.

    The strip's film lies on the covered part, a panel read at places all over its face on the whole face: on a face that was
    covered in part, um less um would take the strip's film off the bare part too. How well the covered part is known (what its
    area's relative sd has above the piece's own) then enters the rest. Below 0 by more than three of its standard
    uncertainties, strip and panel contradict each other.
    """
    part = strip.area_m2 / piece.area_m2 if strip.area_m2 is not None and piece.area_m2 else 1.0
    taken = part * strip.mean_um
    part2 = max(0.0, (strip.area_rel_sd or 0.0) ** 2 - (piece.area_rel_sd or 0.0) ** 2) if part < 1 else 0.0
    rest = replace(
        piece,
        layers=piece.layers - strip.layers,
        mean_um=piece.mean_um - taken,
        extra_var_um2=piece.extra_var_um2 + part**2 * strip.var_um2 + part2 * taken**2,
        source="difference",
        grade="B",
    )
    if rest.usable and rest.mean_um < -3 * rest.var_um2**0.5:
        return replace(rest, usable=False, why_not="the strip beside it shows more film than the whole panel")
    return rest


def _tiled(pieces: list[Piece], layers: frozenset[int]) -> bool:
    """Some of the pieces together hold exactly these layers, each once."""
    inside = [piece.layers for piece in pieces if piece.layers <= layers]
    return any(
        sum(map(len, chosen)) == len(layers) and frozenset().union(*chosen) == layers
        for size in range(1, len(inside) + 1)
        for chosen in combinations(inside, size)
    )
