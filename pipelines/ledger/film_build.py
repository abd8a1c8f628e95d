"""The film of each product on each face against its data sheet's window, with the probability that it lies outside.

Here belongs how readings over several layers are split between them, and what that leaves uncertain. Which operations are
summed and which window they are held against is said in film_groups.sql; what people make of it is said by the model.
"""

from __future__ import annotations

import numpy as np
import polars as pl
from scipy.special import ndtr

from pipelines.ledger.film import FACE, Z95, expected_excess

LAYER = [*FACE, "operation_no"]
OPERATION = ["shop_id", "job_id", "operation_no"]
PANEL_LAYER = [*OPERATION, "panel_id"]
SUM = ["piece", "source_id"]
NO_KIND = "none"
PANEL_CV, PANEL_CV_LOW, PANEL_CV_HIGH = 0.10, 0.05, 0.25  # spread between panels of one operation where data are few
BLEND_REL_SD = 0.10  # of a covered fraction below 1: it is written down by eye (our choice)
INNER_RATIO, INNER_REL_SD = 0.6, 1 / 3  # film on inner faces and jambs over the outer film: .6 +- .2, common practice
NARROWEST_REL_SE = 0.005  # no panel's mean is known better than a gauge's own repeatability
UNKNOWN_CELL = 0.15  # relative sd of a transfer that the model gives no interval for
SHARED_REL_U = 0.05  # what gauge gain, table of areas and densities share in all films (the default of shared_rel_u)
POPULATION_CV = 0.08  # one technician's films of one product differ from job to job by at least this (our choice)
POPULATION = 8  # films from which a population's middle and spread are taken
GAPS, GAP = 0.02, 0.5  # one film in fifty misses a cup or a reading and is then off by about half (our choice)
FEW = 20  # sums read at marked places, from which the data themselves say how far a film lies from what transfer tells


def panel_spread(films: pl.DataFrame) -> float:
    """Relative sd of film between panels of one operation, from operations of which two or more panels were read alone.

    Moment estimate: pooled squared relative difference from the operation's mean, less what readings explain; kept
    between 5 % and 25 %, and 10 % where fewer than 10 such differences are at hand.
    """
    read = films.filter((pl.col("source") == "read") & (pl.col("film_um") > 0) & (pl.col("face") == "outer"))
    of_operation = ["shop_id", "job_id", "operation_no"]
    some = (
        read.with_columns(mean=pl.col("film_um").mean().over(of_operation), n=pl.len().over(of_operation))
        .filter(pl.col("n") >= 2)
        .with_columns(
            miss=((pl.col("film_um") / pl.col("mean") - 1) ** 2) * pl.col("n") / (pl.col("n") - 1),
            noise=(pl.col("se_um") / pl.col("mean")) ** 2,
        )
        .filter(pl.col("noise") < 0.15**2)
    )
    if some.height < 10:
        return PANEL_CV
    variance = float(some.select((pl.col("miss") - pl.col("noise")).mean()).item() or 0.0)
    return float(np.clip(np.sqrt(max(variance, 0.0)), PANEL_CV_LOW, PANEL_CV_HIGH))


def film_scatter(operation_films: pl.DataFrame, film_pieces: pl.DataFrame) -> pl.DataFrame:
    """What all shops tell of how readings and panels scatter: s2_um2, the variance of single readings of each kind of film, and
    on every row panel_cv (see panel_spread). The row of no kind is always there."""
    spread = (
        film_pieces.filter(pl.col("usable") & (pl.col("n_effective") > 1) & pl.col("sd_um").is_not_null())
        .unique(SUM, keep="first", maintain_order=True)
        .group_by("kind", maintain_order=True)
        .agg(s2_um2=((pl.col("n_effective") - 1) * pl.col("sd_um") ** 2).sum() / (pl.col("n_effective") - 1).sum())
    )
    none = pl.DataFrame({"kind": [NO_KIND], "s2_um2": [None]}, schema=spread.schema)
    return pl.concat([none, spread.sort("kind")]).with_columns(panel_cv=pl.lit(panel_spread(operation_films)))


def told_films(
    operation_films: pl.DataFrame,
    sprayed: pl.DataFrame,
    operation_faces: pl.DataFrame,
    sprays: pl.DataFrame,
    transfer_by_pair: pl.DataFrame,
    film_scatter: pl.DataFrame,
) -> pl.DataFrame:
    """Film of each spray operation on each face as read or as transfer tells, inner faces told apart. One row per LAYER.

    Where transfer alone tells, relative variances: own2, one operation's chance and the spread between panels; loose2, leftover
    and fraction covered; shared2, the cell of gun, technician and role, what all share, and the assumed ratio of inner faces.
    A cell without an interval: 15 %.
    """
    landed = pl.col("source") == "from transfer"
    inner = pl.col("face") != "outer"
    weight = pl.when(inner).then(INNER_RATIO).otherwise(1.0)
    unweighed = sprayed.group_by(OPERATION, maintain_order=True).agg(
        left2=((pl.col("expected_gone_g") * pl.col("leftover_rel_sd").fill_null(0.0)) ** 2).sum()
        / pl.col("expected_gone_g").sum() ** 2
    )
    blends = operation_faces.select(*LAYER, blend2=(pl.col("covered_fraction") < 1).cast(pl.Float64) * BLEND_REL_SD**2)
    pair = ["shop_id", "gun_id", "technician_id", "role"]
    cells = transfer_by_pair.filter((pl.col("low") > 0) & (pl.col("high") > pl.col("low"))).select(
        *pair, cell2=((pl.col("high") / pl.col("low")).log() / (2 * Z95)) ** 2
    )
    covered = pl.col("covered_m2").filter(landed).sum() / (pl.col("covered_m2") * weight).filter(landed).sum()
    cv2 = film_scatter["panel_cv"][0] ** 2
    return (
        operation_films.join(unweighed, on=OPERATION, how="left")
        .join(blends, on=LAYER, how="left")
        .join(sprays.select(*OPERATION, *pair[1:]), on=OPERATION, how="left")
        .join(cells, on=pair, how="left")
        # a cup that the flush loss used up tells nothing of a film
        .with_columns(film_um=pl.when(landed & (pl.col("film_um") <= 0)).then(None).otherwise("film_um"))
        .with_columns(
            rel2=(pl.col("se_um") / pl.col("film_um")) ** 2,
            cell2=pl.col("cell2").fill_null(UNKNOWN_CELL**2),
            film_um=pl.col("film_um") * pl.when(landed).then(covered.over(OPERATION) * weight).otherwise(1.0),
        )
        .select(
            *LAYER,
            "film_um",
            "source",
            se_um=pl.max_horizontal("se_um", NARROWEST_REL_SE * pl.col("film_um").abs()),
            own2=pl.when(landed).then((pl.col("rel2") - pl.col("cell2")).clip(lower_bound=0.0) + cv2),
            loose2=pl.when(landed).then(pl.col("left2").fill_nan(0.0).fill_null(0.0) + pl.col("blend2").fill_null(0.0)),
            shared2=pl.when(landed).then(
                pl.col("cell2") + SHARED_REL_U**2 + pl.when(inner).then(INNER_REL_SD**2).otherwise(0.0)
            ),
        )
    )


def told_sums(film_pieces: pl.DataFrame, told_films: pl.DataFrame, film_scatter: pl.DataFrame) -> pl.DataFrame:
    """Readings over several layers of each of which transfer alone tells: a row per piece and layer, the sum as it was read with
    its variance s2_um2 beside what told_films holds of the layer's outer face."""
    landed = pl.col("source") == "from transfer"
    return (
        film_pieces.filter(pl.col("usable") & ~pl.col("blend") & pl.col("mean_um").is_not_null())
        .join(film_scatter.filter(pl.col("kind") != NO_KIND), on="kind", how="left")
        .select(
            *PANEL_LAYER,
            *SUM,
            "kind",
            sum_um="mean_um",
            s2_um2=pl.col("extra_var_um2").fill_null(0.0)
            + pl.col("s2_um2").fill_null(0.0) / pl.col("n_effective").clip(1.0),
        )
        .join(told_films.filter(pl.col("face") == "outer"), on=PANEL_LAYER, how="left")
        .filter((pl.len().over(SUM) > 1) & landed.fill_null(False).all().over(SUM))
        .select(*PANEL_LAYER, *SUM, "kind", "sum_um", "s2_um2", "film_um", "own2", "loose2", "shared2")
    )


def transfer_spread(told_sums: pl.DataFrame) -> pl.DataFrame:
    """One row, rel_sd: of one panel's film around what its operation's transfer tells, from sums read at marked places; 0: few.

    rho = (D - sum m)/sum m has variance s^2/(sum m)^2 + tau^2 sum (m_l/sum m)^2. tau^2 from the median of |rho| (times 1.4826,
    the normal law's sd over its median deviation) and the medians of the rest: single blunders do not move it.
    """
    sums = (
        told_sums.filter(pl.col("kind").str.ends_with("/paired"))
        .group_by(SUM, maintain_order=True)
        .agg(
            pl.col("sum_um", "s2_um2").first(),
            m=pl.col("film_um").sum(),
            squares=(pl.col("film_um") ** 2).sum(),
        )
        .filter(pl.col("m") > 0)
    )
    if sums.height < FEW:
        return pl.DataFrame({"rel_sd": [0.0]})
    rho = (sums["sum_um"] / sums["m"] - 1).to_numpy()
    scale = 1.4826 * np.median(np.abs(rho - np.median(rho)))
    per_square = sums.select(
        reading=(pl.col("s2_um2") / pl.col("m") ** 2).median(), share=(pl.col("squares") / pl.col("m") ** 2).median()
    )
    reading, share = (float(value or other) for value, other in zip(per_square.row(0), (0.0, 1.0), strict=True))
    return pl.DataFrame({"rel_sd": [float(np.sqrt(max(scale**2 - reading, 0.0) / share))]})


def layer_films(told_films: pl.DataFrame, told_sums: pl.DataFrame, transfer_spread: pl.DataFrame) -> pl.DataFrame:
    """Film of each spray operation on each face: um, its standard error, and where it comes from. One row per LAYER.

    own_se_um is the part of the standard error that is this face's alone; the rest (a transfer known poorly for all of its
    kind, what gauge and table of areas share) moves every film of a population together.

    read           as it was read, where that layer alone was
    from transfer  m: what landed, spread by covered area, inner faces at 0.6 of the outer. Its relative variance: own = one
                   operation's chance + spread between panels, no smaller than transfer_spread finds it, + a leftover that was
                   not weighed + a fraction covered written down by eye; shared = the cell's transfer + 5 % that all share
    shared         a reading D +- s over several layers: the normal law of films given their sum,
                   film_l = m_l + v_l (D - sum m) / (sum v + s^2), variance v_l - v_l^2 / (sum v + s^2)
    """
    landed = pl.col("source") == "from transfer"
    own2 = pl.max_horizontal("own2", transfer_spread["rel_sd"][0] ** 2) + pl.col("loose2")
    films = told_films.with_columns(own2=own2)
    layers = (
        told_sums.with_columns(v=(own2 + pl.col("shared2")) * pl.col("film_um") ** 2)
        .with_columns(
            total_v=pl.col("v").sum().over(SUM) + pl.col("s2_um2"),
            miss=pl.col("sum_um") - pl.col("film_um").sum().over(SUM),
        )
        .with_columns(
            given_um=pl.col("film_um") + pl.col("v") * pl.col("miss") / pl.col("total_v"),
            given_var=pl.col("v") - pl.col("v") ** 2 / pl.col("total_v"),
        )
        .filter(pl.col("given_um") > 0)
        .sort(*PANEL_LAYER, "given_var", *SUM)
        .unique(PANEL_LAYER, keep="first", maintain_order=True)
        .select(*PANEL_LAYER, "given_um", "given_var", face=pl.lit("outer"))
    )
    given = pl.col("given_um").is_not_null()
    variance = pl.coalesce("given_var", (pl.col("own2") + pl.col("shared2")) * pl.col("film_um") ** 2)
    return (
        films.join(layers, on=[*PANEL_LAYER, "face"], how="left")
        .with_columns(
            se_um=pl.when(landed).then(variance.sqrt()).otherwise("se_um"),
            own_se_um=pl.when(landed)
            .then((variance * pl.col("own2") / (pl.col("own2") + pl.col("shared2"))).sqrt())
            .otherwise("se_um"),
            film_um=pl.coalesce("given_um", "film_um"),
            source=pl.when(given).then(pl.lit("shared")).when(pl.col("film_um").is_not_null()).then("source"),
        )
        .select(*LAYER, "film_um", "se_um", "own_se_um", "source")
        .sort(LAYER)
    )


def held_against_others(frame: pl.DataFrame) -> pl.DataFrame:
    """Adds held_um and held_se: each film held against the others of its product, shop, hand and kind of face.

    A film found far out is more often a poor reading than a far film. With films of a population N(mu, omega^2) and an
    estimate film +- s of its own and +- c shared by all of the population, what is known is mu + w (film - mu) with variance
    w s^2 + c^2, w = omega^2 / (omega^2 + s^2). mu is the population's median (a technician's with 8 films or more, else the
    shop's), omega^2 its spread (68.3 % of the deviations lie within, squared) less the mean s^2, both of the sharper half,
    at least (8 % of mu)^2. One film in fifty misses a cup or a reading: a film so far out that this is the likelier reason
    counts as little as that makes likely (mixture of the two laws, by its mean and variance). Fewer than 8 films in the
    shop, or an inner face (whose ratio to the outer is assumed): the film as it is.
    """
    wide = ["shop_id", "product_id"]
    known = frame.filter(pl.col("film_um").is_not_null() & (pl.col("own_se_um") > 0) & (pl.col("face") == "outer"))
    miss, own = (pl.col("film_um") - pl.col("mu")).abs(), pl.col("own_se_um")
    for by, mark in ((wide, "shop"), ([*wide, "technician_id"], "hand")):
        better = own <= own.median().over(by)  # the sharper half tells the spread; poor readings would drown it
        some = (
            known.with_columns(mu=pl.col("film_um").median().over(by))
            .with_columns(miss=miss, better=better)
            .group_by(by, maintain_order=True)
            .agg(
                pl.col("mu").first().alias(f"mu_{mark}"),
                (
                    pl.col("miss").filter("better").quantile(0.683, "linear") ** 2
                    - (own.filter(pl.col("better")) ** 2).mean()
                ).alias(f"omega2_{mark}"),
                pl.len().alias(f"n_{mark}"),
            )
            .filter(pl.col(f"n_{mark}") >= POPULATION)
        )
        frame = frame.join(some, on=by, how="left", nulls_equal=True, maintain_order="left")
    hand = pl.col("mu_hand").is_not_null() & pl.col("technician_id").is_not_null()
    mu = pl.when(pl.col("face") == "outer").then(pl.when(hand).then("mu_hand").otherwise("mu_shop"))
    omega2 = pl.when(hand).then("omega2_hand").otherwise("omega2_shop")
    own2, miss2 = pl.col("own_se_um") ** 2, (pl.col("film_um") - pl.col("mu")) ** 2
    sound2 = pl.col("omega2") + own2  # of a film with nothing missing about the population's middle
    poor2 = sound2 + (GAP * pl.col("mu")) ** 2
    odds = (
        GAPS
        / (1 - GAPS)
        * (sound2 / poor2).sqrt()
        * (miss2 / 2 * (1 / sound2 - 1 / poor2)).clip(upper_bound=500.0).exp()
    )
    held = pl.col("mu") + pl.col("w") * (pl.col("film_um") - pl.col("mu"))
    return (
        frame.with_columns(mu=mu, omega2=pl.max_horizontal(omega2, (POPULATION_CV * mu) ** 2))
        .with_columns(
            w=pl.when(pl.col("mu").is_not_null()).then(pl.col("omega2") / (pl.col("omega2") + own2)),
            sound=1 / (1 + odds),
        )
        .with_columns(held=held)
        .with_columns(
            held_um=pl.coalesce(pl.col("mu") + pl.col("sound") * (pl.col("held") - pl.col("mu")), "film_um"),
            held_se=pl.coalesce(
                (
                    pl.col("sound") * pl.col("w") * own2
                    + (1 - pl.col("sound")) * pl.col("omega2")
                    + pl.col("sound") * (1 - pl.col("sound")) * (pl.col("held") - pl.col("mu")) ** 2
                    + (pl.col("se_um") ** 2 - own2).clip(lower_bound=0.0)
                ).sqrt(),
                "se_um",
            ),
        )
    )


def film_build(
    film_groups: pl.DataFrame,
    told_films: pl.DataFrame,
    told_sums: pl.DataFrame,
    transfer_spread: pl.DataFrame,
    sprays: pl.DataFrame,
    cup_feeds: pl.DataFrame,
    pours: pl.DataFrame,
) -> pl.DataFrame:
    """Each film that a data sheet's window speaks of: um with a 95 % interval, and the probability of lying outside.

    One row per product and face, operations with no cut between them summed and named by the last of them. A film that was
    read stands as it was read; any other is held against its like (held_against_others). prob_over and prob_under are of the
    panel's mean, always so held; over_ml and under_ml = area x expected excess or lack of film with the spread between
    places added. Where nothing is known of the film, or the window, null.
    """
    layers = layer_films(told_films, told_sums, transfer_spread)
    colour = (
        cup_feeds.join(pours.filter(pl.col("colour_id").is_not_null()).select("shop_id", "mix_id", "colour_id"),
                       on=["shop_id", "mix_id"])
        .group_by(OPERATION, maintain_order=True).agg(pl.col("colour_id").min())
    )  # fmt: skip
    members = (
        film_groups.select(*FACE, "product_id", "first_operation", "last_operation")
        .join(
            sprays.select(*OPERATION, "product_id", "technician_id", "gun_id", "role"),
            on=["shop_id", "job_id", "product_id"],
        )
        .filter(pl.col("operation_no").is_between(pl.col("first_operation"), pl.col("last_operation")))
        .join(layers, on=LAYER)
        .join(colour, on=OPERATION, how="left")
    )
    rank = pl.col("source").replace_strict(
        {"read": 0, "shared": 1, "from transfer": 2}, default=3, return_dtype=pl.Int64
    )

    def only(column: str) -> pl.Expr:
        return pl.when(pl.col(column).n_unique() == 1).then(pl.col(column).min()).alias(column)

    group = [*FACE, "product_id", "first_operation"]
    sums = members.group_by(group, maintain_order=True).agg(
        only("technician_id"),
        only("gun_id"),
        only("role"),
        pl.col("colour_id").min(),
        split_um=pl.when(pl.col("film_um").null_count() == 0).then(pl.col("film_um").sum()),
        split_se=(pl.col("se_um") ** 2).sum().sqrt(),
        split_own=(pl.col("own_se_um") ** 2).sum().sqrt(),
        rank=rank.max(),
        source=pl.col("source").sort_by(rank).last(),
    )
    # a film read after sanding stands as film_groups has it
    sanded = pl.col("film_um").is_null() | ((pl.col("film_um") - pl.col("film_as_applied_um")).abs() > 1e-9)
    frame = (
        film_groups.join(sums, on=group, how="left")
        .with_columns(
            film_um=pl.when(sanded).then("film_um").otherwise("split_um"),
            se_um=pl.when(sanded).then("se_um").otherwise(pl.coalesce("split_se", "se_um")),
            own_se_um=pl.when(sanded).then("se_um").otherwise(pl.coalesce("split_own", "se_um")),
            source=pl.when(sanded & pl.col("film_um").is_not_null()).then(pl.lit("read")).otherwise("source"),
        )
        .with_columns(source=pl.when(pl.col("film_um").is_not_null()).then("source"))
    )
    # a film with no stated error is not taken as exact
    frame = held_against_others(
        frame.with_columns(
            pl.max_horizontal(
                pl.col(c).fill_null(0.5 * pl.col("film_um").abs()), NARROWEST_REL_SE * pl.col("film_um").abs()
            )
            for c in ("se_um", "own_se_um")
        )
    )
    read = pl.col("source") == "read"
    frame = frame.with_columns(
        found_um="film_um",
        held_se_um=pl.when(pl.col("film_um").is_not_null()).then("held_se"),
        found_se_um=pl.when(pl.col("film_um").is_not_null()).then("se_um"),
        film_um=pl.when(read).then("film_um").otherwise("held_um"),
        se_um=pl.when(read).then("se_um").otherwise("held_se"),
    )
    film, se, held, held_se, within, low, high, area = (
        frame[name].cast(pl.Float64).fill_null(np.nan).to_numpy()
        for name in ("film_um", "se_um", "held_um", "held_se", "within_um", "film_min_um", "film_max_um", "covered_m2")
    )
    places = np.hypot(held_se, np.nan_to_num(within))
    with np.errstate(invalid="ignore", divide="ignore"):
        over, under = ndtr((held - high) / held_se), ndtr((low - held) / held_se)
        over_ml = area * expected_excess(held, high, places)
        under_ml = area * expected_excess(-held, -low, places)

    def column(values: np.ndarray) -> pl.Series:
        return pl.Series(values).fill_nan(None)

    return frame.with_columns(
        operation_no="last_operation",
        film_low=column(np.maximum(film - Z95 * se, 0.0)),
        film_high=column(np.maximum(film + Z95 * se, 0.0)),
        film_se_um=column(np.where(np.isfinite(film), se, np.nan)),
        prob_over=column(over),
        prob_under=column(under),
        over_ml=column(np.where(np.isfinite(over), over_ml, np.nan)),
        under_ml=column(np.where(np.isfinite(under), under_ml, np.nan)),
        grade=pl.when(pl.col("source") == "read").then(pl.coalesce("grade", pl.lit("B")))
        .when(pl.col("film_um").is_not_null()).then(pl.lit("B")),
    )  # fmt: skip
