"""The film of each product on each face against its data sheet's window, with the probability that it lies outside.

Here belongs how readings over several layers are split between them, and what that leaves uncertain. Which operations are
summed and which window they are held against is said in film_groups.sql; what people make of it is said by the model.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from polars import selectors
from scipy.special import ndtr

from pipelines.ledger.film.excess import FACE, expected_excess
from pipelines.settings import Settings
from schemas.published import Z95

LAYER = [*FACE, "operation_no"]
OPERATION = ["shop_id", "job_id", "operation_no"]
PANEL_LAYER = [*OPERATION, "panel_id"]
SUM = ["piece", "source_id"]
PANEL_CV, PANEL_CV_LOW, PANEL_CV_HIGH = 0.10, 0.05, 0.25  # spread between panels of one operation where data are few
BLEND_REL_SD = 0.10  # of a covered fraction below 1: it is written down by eye (our choice)
NARROWEST_REL_SE = 0.005  # no panel's mean is known better than a gauge's own repeatability
UNKNOWN_EVENT = 0.15  # relative sd of one operation's transfer where no model tells it (our choice)
POPULATION_CV = 0.08  # one technician's films of one product differ from job to job by at least this (our choice)
POPULATION_UM = 0.1  # and by at least this: films of next to nothing (our choice)
POPULATION = 8  # films from which a population's middle and spread are taken
PASSES = 30  # until they are settled
GAPS, GAP = 0.02, 0.5  # one film in fifty misses a cup or a reading and is then too small by about half (our choice)
# Films of one hand lie about the middle of the window, give or take this part of it, said with the weight of so many hands and
# products; what a shop reads says the rest. A hand far out stays there: t distribution of so many degrees (our choice).
AIM, AIM_WEIGHT, AIM_DEGREES = 0.25, 4, 4
AIM_READ = (
    8  # films of a role that are read, from which they speak for themselves rather than for the shop's other roles
)
UNKNOWN_VAR = 1e6  # of a population's place in its window where there is none (relative)
FEW = 20  # sums read at marked places, from which the data themselves say how far a film lies from what transfer tells


def panel_spread(films: pl.DataFrame) -> float:
    """Relative sd of film between panels of one operation, from operations of which two or more panels were read alone.

    The median of squared relative differences from the operation's mean, over that of one degree of freedom of chi square
    (.455), less what readings explain: one poor reading does not move it. Faces covered in part are left out: there the film
    stands on a fraction written down by eye. Kept between 5 % and 25 %, and 10 % where fewer than 10 differences are at hand.
    """
    whole = (pl.col("face") == "outer") & (pl.col("covered_fraction") == 1)
    read = films.filter((pl.col("source") == "read") & (pl.col("film_um") > 0) & whole)
    some = (
        read.with_columns(mean=pl.col("film_um").mean().over(OPERATION), n=pl.len().over(OPERATION))
        .filter(pl.col("n") >= 2)
        .with_columns(
            miss=((pl.col("film_um") / pl.col("mean") - 1) ** 2) * pl.col("n") / (pl.col("n") - 1),
            noise=(pl.col("se_um") / pl.col("mean")) ** 2,
        )
        .filter(pl.col("noise") < 0.15**2)
    )
    if some.height < 10:
        return PANEL_CV
    variance = float(some.select(pl.col("miss").median() / 0.455 - pl.col("noise").median()).item())
    return float(np.clip(np.sqrt(max(variance, 0.0)), PANEL_CV_LOW, PANEL_CV_HIGH))


def film_scatter(operation_films: pl.DataFrame) -> pl.DataFrame:
    """What all shops tell of how panels scatter: one row, panel_cv (see panel_spread)."""
    return pl.DataFrame({"panel_cv": [panel_spread(operation_films)]})


def told_films(
    operation_films: pl.DataFrame,
    sprayed: pl.DataFrame,
    operation_faces: pl.DataFrame,
    operation_te: pl.DataFrame,
    transfer_model: pl.DataFrame,
    film_scatter: pl.DataFrame,
    settings: Settings,
) -> pl.DataFrame:
    """Film of each spray operation on each face as read or as transfer tells. One row per LAYER.

    What landed spreads over all faces of the operation, read or not, by covered area, on inner faces and jambs with the ratio
    of inner to outer film: outer m = landed / sum (area x ratio), inner ratio x m.

    Where transfer alone tells, relative variances: own2, one operation's chance and the spread between panels; loose2, leftover,
    flush loss, areas and fractions covered, which average out over an operation's panels; shared2, the cell of gun, technician
    and role with what all records share, and the ratio of inner faces. Of what they share, the table of areas, solids and
    densities cancel: the transfer was found with the same ones. An operation's own record tells of that operation alone.
    """
    landed = pl.col("source") == "from transfer"
    outer, ratio = pl.col("face") == "outer", settings.film.inner_face_ratio
    weight = pl.when(outer).then(1.0).otherwise(ratio)
    sent = pl.col("expected_gone_g") - pl.col("flush_g")
    misses = (sent * pl.col("leftover_rel_sd").fill_null(0.0)) ** 2 + pl.col("flush_sd_g").fill_null(0.0) ** 2
    unweighed = sprayed.group_by(OPERATION, maintain_order=True).agg(
        left2=pl.when(sent.sum() > 0).then(misses.sum() / sent.sum() ** 2)
    )
    blend2 = (pl.col("covered_fraction") < 1).cast(pl.Float64) * BLEND_REL_SD**2
    areas = operation_faces.group_by(OPERATION, maintain_order=True).agg(
        area2=(pl.col("covered_m2") ** 2 * (pl.col("area_rel_sd") ** 2 + blend2)).sum()
        / pl.col("covered_m2").sum() ** 2
    )
    told_by = operation_te.select("shop_id", "operation_no", job_id="op_job_id", told_by="source")
    event = transfer_model.filter((pl.col("term") == "spread") & (pl.col("level") == "event"))["value"]
    event2 = (event[0] if event.len() else UNKNOWN_EVENT) ** 2
    spread = pl.col("covered_m2").sum().over(OPERATION) / (pl.col("covered_m2") * weight).sum().over(OPERATION)
    loose = (pl.col(name).fill_nan(0.0).fill_null(0.0) for name in ("left2", "area2"))
    own, model = (pl.col("told_by").eq_missing(name) for name in ("own", "model"))
    chance2 = pl.when(own).then("rel2").when(model).then(pl.min_horizontal("rel2", pl.lit(event2))).otherwise(event2)
    same2 = settings.film.area_shared_sd**2 + settings.cup.solids_rel_u**2 + settings.cup.density_rel_u**2
    beyond2 = (pl.col("rel2") - event2 - same2).clip(lower_bound=0.0)
    cell2 = pl.when(own).then(0.0).when(model).then(beyond2).otherwise("rel2")
    inner2 = pl.when(outer).then(0.0).otherwise((settings.film.inner_face_ratio_sd / ratio) ** 2)
    return (
        operation_films.join(unweighed, on=OPERATION, how="left")
        .join(areas, on=OPERATION, how="left")
        .join(told_by, on=OPERATION, how="left")
        # a cup that the flush loss used up tells nothing of a film
        .with_columns(film_um=pl.when(landed & (pl.col("film_um") <= 0)).then(None).otherwise("film_um"))
        .with_columns(
            rel2=(pl.col("se_um") / pl.col("film_um")) ** 2,
            film_um=pl.col("film_um") * pl.when(landed).then(spread * weight).otherwise(1.0),
        )
        .select(
            *LAYER,
            "film_um",
            "source",
            se_um=pl.max_horizontal("se_um", NARROWEST_REL_SE * pl.col("film_um").abs()),
            own2=pl.when(landed).then(chance2 + film_scatter["panel_cv"][0] ** 2),
            loose2=pl.when(landed).then(pl.sum_horizontal(loose)),
            shared2=pl.when(landed).then(cell2 + inner2),
        )
    )


def told_sums(film_pieces: pl.DataFrame, told_films: pl.DataFrame, film_spreads: pl.DataFrame) -> pl.DataFrame:
    """Readings over several layers of each of which transfer alone tells: a row per piece and layer, the sum as it was read with
    its variance s2_um2 beside what told_films holds of the layer's outer face."""
    landed = pl.col("source") == "from transfer"
    return (
        film_pieces.filter(pl.col("usable") & ~pl.col("blend") & pl.col("mean_um").is_not_null())
        .join(film_spreads, on=["kind", "blend"], how="left")
        .select(
            *PANEL_LAYER,
            *SUM,
            "kind",
            sum_um="mean_um",
            s2_um2=pl.col("extra_var_um2").fill_null(0.0)
            + pl.col("s2_um2").fill_null(0.0) / pl.col("n_effective").clip(1.0)
            + (pl.col("gain_u").fill_null(0.0) * pl.col("mean_um")) ** 2,
        )
        .join(told_films.filter(pl.col("face") == "outer"), on=PANEL_LAYER, how="left")
        .filter((pl.len().over(SUM) > 1) & landed.fill_null(False).all().over(SUM))
        .select(*PANEL_LAYER, *SUM, "kind", "sum_um", "s2_um2", "film_um", "own2", "loose2", "shared2")
    )


def transfer_spread(told_sums: pl.DataFrame) -> pl.DataFrame:
    """One row, rel_sd: of one panel's film around what its operation's transfer tells, from sums read at marked places; 0: few.

    rho = (D - sum m)/sum m has variance s^2/(sum m)^2 + sum (m_l/sum m)^2 (tau^2 + loose2_l + shared2_l) around a middle
    that may lie off 0. tau^2 from the median of |rho - middle| (times 1.4826, the normal law's sd over its median deviation) and the
    medians of the rest: single blunders do not move it.
    """
    sums = (
        told_sums.filter(pl.col("kind").str.ends_with("/paired"))
        .group_by(SUM, maintain_order=True)
        .agg(
            pl.col("sum_um", "s2_um2").first(),
            m=pl.col("film_um").sum(),
            squares=(pl.col("film_um") ** 2).sum(),
            loose=(pl.col("film_um") ** 2 * (pl.col("loose2") + pl.col("shared2"))).sum(),
        )
        .filter(pl.col("m") > 0)
    )
    if sums.height < FEW:
        return pl.DataFrame({"rel_sd": [0.0]})
    rho = (sums["sum_um"] / sums["m"] - 1).to_numpy()
    scale = 1.4826 * np.median(np.abs(rho - np.median(rho)))
    per_square = sums.select(
        known=((pl.col("s2_um2") + pl.col("loose")) / pl.col("m") ** 2).median(),
        share=(pl.col("squares") / pl.col("m") ** 2).median(),
    )
    known, share = (float(value or other) for value, other in zip(per_square.row(0), (0.0, 1.0), strict=True))
    return pl.DataFrame({"rel_sd": [float(np.sqrt(max(scale**2 - known, 0.0) / share))]})


def layer_films(told_films: pl.DataFrame, told_sums: pl.DataFrame, transfer_spread: pl.DataFrame) -> pl.DataFrame:
    """Film of each spray operation on each face: um, its standard error, and where it comes from. One row per LAYER.

    own_se_um is the part of the standard error that is this face's alone; the rest (a transfer known poorly for all of its
    kind, what gauge and table of areas share) moves every film of a population together.

    read           as it was read, where that layer alone was
    from transfer  m: what landed, spread as told_films says. Its relative variance: own = one operation's chance + spread
                   between panels, no smaller than transfer_spread finds it, + loose; shared
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


@dataclass(frozen=True)
class Films:
    """Films x +- s of their own, one entry each. s of a film that was read is what readings say (read2, um2); of one that
    transfer tells it is a part of the true film (part2, relative): taken of the found one, films found small would count as
    sharp and draw all others down."""

    film: np.ndarray
    read2: np.ndarray
    part2: np.ndarray

    def own2(self, level: np.ndarray) -> np.ndarray:
        """s^2 of films that truly are `level` um."""
        return np.asarray(self.read2 + self.part2 * level**2)

    def sound(self, mu: np.ndarray, omega2: np.ndarray) -> np.ndarray:
        """Probability that nothing is missing from a film of a population N(mu, omega2): of one film in fifty a cup or a reading
        is, and it then comes out too small by about half of mu. Nothing missing makes a film too large."""
        sound2 = omega2 + self.own2(mu)
        poor2 = sound2 + (GAP * mu) ** 2
        bend = np.minimum((self.film - mu) ** 2 / 2 * (1 / sound2 - 1 / poor2), 500.0)
        gap = GAPS / (1 - GAPS) * np.sqrt(sound2 / poor2) * np.exp(bend)
        return np.where(self.film < mu, 1 / (1 + gap), 1.0)


@dataclass(frozen=True)
class Populations:
    """Populations of films N(mu, omega2), one entry each, and the variances of both estimates."""

    mu: np.ndarray
    omega2: np.ndarray
    var_mu: np.ndarray
    var_omega2: np.ndarray


def populations(code: np.ndarray, films: Films, middle: np.ndarray) -> Populations:
    """By REML. code: to which population each film belongs, 0, 1, ...; middle: where each mu begins.

    mu = sum r w x / sum r w and omega2 = sum r w^2 ((x - mu)^2 - s^2) / sum r w^2 + 1 / sum r w with w = 1/(omega2 + s^2),
    taken in turn; r is the probability that nothing is missing. omega is at least 8 % of mu. var_mu = 1 / sum r w,
    var_omega2 = 2 / sum r w^2 (Fisher information).
    """

    def total(values: np.ndarray) -> np.ndarray:
        return np.bincount(code, values, len(middle))

    def least(mu: np.ndarray) -> np.ndarray:
        return np.maximum((POPULATION_CV * mu) ** 2, POPULATION_UM**2)

    mu, n = middle.astype(float), total(np.ones(len(code)))
    omega2 = np.maximum(total((films.film - mu[code]) ** 2 - films.own2(mu[code])) / n, least(mu))
    for _ in range(PASSES):
        own2 = films.own2(mu[code])
        weight, sound = 1 / (omega2[code] + own2), films.sound(mu[code], omega2[code])
        precision, information = total(sound * weight), total(sound * weight**2)
        mu = total(sound * weight * films.film) / precision
        omega2 = total(sound * weight**2 * ((films.film - mu[code]) ** 2 - own2)) / information + 1 / precision
        omega2 = np.maximum(omega2, least(mu))
    return Populations(mu, omega2, 1 / precision, 2 / information)


def held_against_others(frame: pl.DataFrame) -> pl.DataFrame:
    """Adds held_um and held_se: each film held against the others of its product, shop and hand.

    A film found far out is more often a poor reading than a far film. With films of a population N(mu, omega^2) and an
    estimate film +- s of its own and +- c shared by all of the population, what is known is mu + w (film - mu) with variance
    w s^2 + c^2, w = omega^2 / (omega^2 + s^2); that mu and omega^2 are estimates adds (1 - w)^2 var(mu) and
    ((film - mu) s^2 / (omega^2 + s^2)^2)^2 var(omega^2) (Kass and Steffey 1989, first order). The population is a technician's,
    with 8 films or more, else the shop's. What its films share is held against the sheet in the same way: painters aim at the
    middle of the window, give or take a part a of it: 25 % in roles that are read, in others as the shop's hands are found to
    (aim_spread), so mu moves to it by the part
    c^2 / (c^2 + var(mu) + (a middle)^2), and c^2 shrinks by as much; a transfer that is well known hardly moves. A film so far
    out that something missing is the likelier reason counts as little as that makes likely (mixture of the two laws, by its mean
    and variance). Fewer than 8 films in the shop, or an inner face (whose ratio to the outer is assumed): the film as it is.
    """
    wide = ["shop_id", "product_id"]
    hand = [*wide, "technician_id"]
    frame = frame.with_row_index("@row")
    known = frame.filter(pl.col("film_um").is_not_null() & (pl.col("own_se_um") > 0) & (pl.col("face") == "outer"))
    of_hand = known.filter(pl.col("technician_id").is_not_null() & (pl.len().over(hand) >= POPULATION))
    of_shop = known.filter(pl.len().over(wide) >= POPULATION)
    held = [_among(of_hand, hand), _among(of_shop.join(of_hand, on="@row", how="anti"), wide, of_shop)]
    aims = _aims(known, held)
    told = pl.concat([one.held(sd) for one, sd in zip(held, aims, strict=True)])
    return (
        frame.join(told, on="@row", how="left", maintain_order="left")
        .with_columns(pl.coalesce("held_um", "film_um"), pl.coalesce("held_se", "se_um"))
        .drop("@row")
    )


def _aims(known: pl.DataFrame, held: list[Among]) -> list[np.ndarray]:
    """How far each population may lie off the middle of its window, sd, as a part of it: the fewer films of its role the shop reads,
    the more as the shop's hands are found to lie (aim_spread), else AIM."""
    off, var = (np.concatenate(parts) for parts in zip(*(one.off_middle() for one in held), strict=True))
    groups = pl.concat([one.groups for one in held])
    read = known.group_by("shop_id", "role", maintain_order=True).agg(n=(pl.col("source") == "read").sum())
    read = groups.join(read, on=["shop_id", "role"], how="left", maintain_order="left", nulls_equal=True)
    n_read = read["n"].to_numpy()
    shops, aims = groups["shop_id"].to_numpy(), np.full(len(off), AIM)
    for shop in groups["shop_id"].unique().to_list():
        here = shops == shop
        found2 = aim_spread(off[here], var[here]) ** 2
        aims[here] = np.sqrt((n_read[here] * AIM**2 + AIM_READ * found2) / (n_read[here] + AIM_READ))
    return np.split(aims, [held[0].groups.height])


def aim_spread(off: np.ndarray, var: np.ndarray) -> np.ndarray:
    """How far each population of a shop is found to lie off the middle of its window, sd, as a part of it. off: found; var: how
    uncertain that is.

    One spread for the shop, by expectation and maximisation, with AIM as found on AIM_WEIGHT more. One of which nothing is
    known (var large) moves nothing and gets that spread; one found far out gets more (Lange, Little and Taylor 1989, their
    EM for the t distribution).
    """
    aim2, weight = AIM**2, np.ones(len(off))
    for _ in range(10 * PASSES):
        known = aim2 / (aim2 + var * weight)
        found2 = (known * off) ** 2 + var * known
        aim2 = (AIM_WEIGHT * AIM**2 + float((weight * found2).sum())) / (AIM_WEIGHT + len(off))
        weight = (AIM_DEGREES + 1) / (AIM_DEGREES + found2 / aim2)
    return np.asarray(np.sqrt(aim2 / weight))


@dataclass(frozen=True)
class Among:
    """Films that are held against their populations, one entry each. row: where they stand; at: their population; shared2: variance
    of what they share with it, at its middle (um2); aim: middle of their window (nan: none). groups: shop_id
    and role of each population."""

    groups: pl.DataFrame
    row: pl.Series
    films: Films
    at: np.ndarray
    like: Populations
    shared2: np.ndarray
    aim: np.ndarray

    def off_middle(self) -> tuple[np.ndarray, np.ndarray]:
        """Each population's mean off the middle of its window, relative, and the variance of that (without a window: unknown)."""
        n = np.bincount(self.at, minlength=len(self.like.mu))
        with np.errstate(invalid="ignore", divide="ignore"):
            aim = np.bincount(self.at, self.aim, len(n)) / n
            var = (self.like.var_mu + np.bincount(self.at, self.shared2, len(n)) / n) / aim**2
            off = self.like.mu / aim - 1
        return np.where(aim > 0, off, 0.0), np.where(aim > 0, var, UNKNOWN_VAR)

    def held(self, aim_sd: np.ndarray) -> pl.DataFrame:
        """@row, held_um and held_se. aim_sd: aim_spread of each population."""
        mu, omega2, var_mu = self.like.mu[self.at], self.like.omega2[self.at], self.like.var_mu[self.at]
        sound, near = self.films.sound(mu, omega2), mu
        for _ in range(2):  # the first with s of a film like the others, then with that of the film itself
            own2 = self.films.own2(near)
            w = omega2 / (omega2 + own2)
            near = mu + w * (self.films.film - mu)
        held = mu + sound * (near - mu)
        aimed = np.where(self.aim > 0, self.shared2 / (self.shared2 + var_mu + (aim_sd[self.at] * self.aim) ** 2), 0.0)
        held = held - aimed * np.where(self.aim > 0, mu - self.aim, 0.0)
        variance = (
            sound * w * own2
            + (1 - sound) * omega2
            + sound * (1 - sound) * (near - mu) ** 2
            + (1 - sound * w) ** 2 * var_mu
            + (sound * (self.films.film - mu) * own2 / (omega2 + own2) ** 2) ** 2 * self.like.var_omega2[self.at]
            + self.shared2 * (1 - aimed)
        )
        return pl.DataFrame({"@row": self.row, "held_um": held, "held_se": np.sqrt(variance)})


def _among(some: pl.DataFrame, by: list[str], among: pl.DataFrame | None = None) -> Among:
    """Films with their populations, taken from all of `among` (None: from themselves)."""
    among = (some if among is None else among).sort(*by, "@row")
    middles = (
        among.group_by(by, maintain_order=True)
        .agg(pl.col("role").first(), middle=pl.col("film_um").median())
        .with_row_index("@population")
    )
    groups, middles = middles.select("shop_id", "role"), middles.drop("role")
    among = among.join(middles, on=by, how="left", maintain_order="left")
    some = some.join(middles, on=by, how="left", maintain_order="left")
    like = populations(among["@population"].to_numpy().astype(np.int64), _films(among), middles["middle"].to_numpy())
    films, at = _films(some), some["@population"].to_numpy().astype(np.int64)
    shared2 = (some["se_um"] ** 2 - some["own_se_um"] ** 2).clip(lower_bound=0.0).to_numpy()
    # a part of the film, so as large as it is at the middle
    shared2 = shared2 * np.divide(like.mu[at], films.film, out=np.ones_like(films.film), where=films.part2 > 0) ** 2
    aim = some.select((pl.col("film_min_um") + pl.col("film_max_um")) / 2).to_series().to_numpy()
    return Among(groups, some["@row"], films, at, like, shared2, aim)


def _films(frame: pl.DataFrame) -> Films:
    # nothing is a part of no film: there the error stands as it is, as that of a reading does
    as_read = (pl.col("source") == "read") | (pl.col("film_um") <= 0)
    own2 = pl.col("own_se_um") ** 2
    parts = frame.select(
        "film_um",
        read2=pl.when(as_read).then(own2).otherwise(0.0),
        part2=pl.when(as_read).then(0.0).otherwise(own2 / pl.col("film_um") ** 2),
    )
    return Films(*(parts[name].to_numpy() for name in ("film_um", "read2", "part2")))


def beside_outer(frame: pl.DataFrame, ratio: float, ratio_sd: float) -> pl.DataFrame:
    """Inner faces and jambs as ratio +- ratio_sd times the film of the same operations on their panel's outer face: um u with
    u^2 = (ratio x u of the outer)^2 + (ratio_sd x outer)^2. One whose outer face has no such film keeps its own."""
    group = ["shop_id", "job_id", "panel_id", "product_id", "first_operation", "last_operation"]
    films = {"film_um": "se_um", "held_um": "held_se_um", "found_um": "found_se_um"}
    outer = frame.filter((pl.col("face") == "outer") & pl.col("film_um").is_not_null()).select(
        *group, pl.col(*films, *films.values(), "within_um").name.prefix("outer_")
    )
    beside = (pl.col("face") != "outer") & pl.col("outer_film_um").is_not_null()
    found = frame.join(outer, on=group, how="left", maintain_order="left")
    return found.with_columns(
        *(pl.when(beside).then(ratio * pl.col(f"outer_{um}")).otherwise(um).alias(um) for um in (*films, "within_um")),
        *(
            pl.when(beside)
            .then(((ratio * pl.col(f"outer_{u}")) ** 2 + (ratio_sd * pl.col(f"outer_{um}")) ** 2).sqrt())
            .otherwise(u)
            .alias(u)
            for um, u in films.items()
        ),
        source=pl.when(beside).then(pl.lit("from transfer")).otherwise("source"),
    ).drop(selectors.starts_with("outer_"))


def film_build(
    film_groups: pl.DataFrame,
    told_films: pl.DataFrame,
    told_sums: pl.DataFrame,
    transfer_spread: pl.DataFrame,
    sprays: pl.DataFrame,
    cup_feeds: pl.DataFrame,
    pours: pl.DataFrame,
    settings: Settings,
) -> pl.DataFrame:
    """Each film that a data sheet's window speaks of: um with a 95 % interval, and the probability of lying outside.

    One row per product and face, operations with no cut between them summed and named by the last of them. A film that was
    read stands as it was read; any other is held against its like (held_against_others); an inner face or jamb has the ratio x
    the film of its own panel's outer face (beside_outer), however that is known. prob_over and prob_under are of the
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
        split_own=(pl.col("own_se_um") ** 2).sum().sqrt(),
        split_shared=(pl.col("se_um") ** 2 - pl.col("own_se_um") ** 2).clip(lower_bound=0.0).sqrt().sum(),
        rank=rank.max(),
        source=pl.col("source").sort_by(rank).last(),
    )
    # a film after sanding is known from a reading or not at all, and stands as film_groups has it
    sanded = pl.col("film_basis").eq_missing("after_sanding")
    frame = (
        film_groups.join(sums, on=group, how="left")
        .with_columns(
            film_um=pl.when(sanded).then("film_um").otherwise("split_um"),
            se_um=pl.when(sanded)
            .then("se_um")
            .otherwise(pl.coalesce((pl.col("split_own") ** 2 + pl.col("split_shared") ** 2).sqrt(), "se_um")),
            own_se_um=pl.when(sanded).then("se_um").otherwise(pl.coalesce("split_own", "se_um")),
            source=pl.when(sanded).then(pl.lit("read")).otherwise("source"),
        )
        .with_columns(source=pl.when(pl.col("film_um").is_not_null()).then("source"))
    )
    # a film with no stated error is not taken as exact
    size = pl.col("film_um").abs()
    frame = held_against_others(
        frame.with_columns(
            pl.max_horizontal(pl.col(error).fill_null(0.5 * size), NARROWEST_REL_SE * size)
            for error in ("se_um", "own_se_um")
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
    frame = beside_outer(frame, settings.film.inner_face_ratio, settings.film.inner_face_ratio_sd)
    names = "film_um se_um held_um held_se_um within_um film_min_um film_max_um covered_m2".split()
    film, se, held, held_se, within, low, high, area = (
        frame[name].cast(pl.Float64).fill_null(np.nan).to_numpy() for name in names
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
