-- Film after minus film before on one panel, between two neighbouring stages of reading.
--   increment = mean after - mean before (paired by place where both stages were read at marked places and all of them, or at
--   least five, are the same: a reading lost from nine does not undo the pairing of eight; else the means of all), + film taken off in between by scuffing and polishing. Read with one gauge, its offset cancels and the
--   gain of the later day divides both. Layers: spray operations in (from, to] on this
--   panel. Stripping to bare counts as a film of 0 read after it. A witness strip's layers are those of its panel.
-- Film is read on the outer side, so face is outer.
WITH refused_stages AS (
    SELECT DISTINCT shop_id, job_id, panel_id, after_operation
    FROM incomplete
    WHERE what = 'panel_stage'
),
marked AS (
    SELECT s.*, r.panel_id IS NOT NULL AS stage_refused
    FROM stage_means AS s
    LEFT JOIN (SELECT DISTINCT shop_id, job_id, panel_id, after_operation FROM refused_stages WHERE after_operation IS NOT NULL) AS r
        ON r.shop_id = s.shop_id AND r.job_id = s.job_id AND r.panel_id = s.panel_id
        AND r.after_operation = s.after_operation
),
neighbours AS (
    SELECT
        m.*,
        lag(after_operation) OVER stage_order AS from_operation,
        lag(mean_um) OVER stage_order AS mean_before,
        lag(raw_mean_um) OVER stage_order AS raw_mean_before,
        lag(first_gauge) OVER stage_order AS first_gauge_before,
        lag(last_gauge) OVER stage_order AS last_gauge_before,
        lag(var_um2) OVER stage_order AS var_before,
        lag(n_readings) OVER stage_order AS n_before,
        lag(n_values) OVER stage_order AS n_values_before,
        lag(n_places) OVER stage_order AS n_places_before,
        lag(places) OVER stage_order AS places_before,
        lag(bare) OVER stage_order AS bare_before,
        lag(stage_refused) OVER stage_order AS refused_before,
        lag(gain_u) OVER stage_order AS gain_u_before
    FROM marked AS m
    WINDOW stage_order AS (PARTITION BY shop_id, job_id, panel_id ORDER BY after_operation)
),
pairs AS (
    SELECT
        *,
        places > 0 AND places_before > 0 AND n_places = n_values AND n_places_before = n_values_before AS marked,
        coalesce(
            first_gauge = last_gauge AND first_gauge_before = last_gauge_before AND first_gauge = first_gauge_before, FALSE
        ) AS one_gauge
    FROM neighbours
    WHERE from_operation IS NOT NULL
),
paired_differences AS (
    SELECT
        p.shop_id,
        p.job_id,
        p.panel_id,
        p.after_operation,
        avg(CASE WHEN p.one_gauge THEN (a.raw_um - b.raw_um) / p.gain ELSE a.um - b.um END) AS mean_um,
        stddev_samp(CASE WHEN p.one_gauge THEN (a.raw_um - b.raw_um) / p.gain ELSE a.um - b.um END) AS sd_um,
        count(*) AS n_places
    FROM pairs AS p
    INNER JOIN stage_positions AS a
        ON a.shop_id = p.shop_id AND a.job_id = p.job_id AND a.panel_id = p.panel_id
        AND a.after_operation = p.after_operation
    INNER JOIN stage_positions AS b
        ON b.shop_id = p.shop_id AND b.job_id = p.job_id AND b.panel_id = p.panel_id
        AND b.after_operation = p.from_operation AND b.row_no = a.row_no AND b.col_no = a.col_no
    WHERE p.marked
    GROUP BY p.shop_id, p.job_id, p.panel_id, p.after_operation
    HAVING count(*) >= 5 OR max(p.places) = max(p.places_before)
),
between_stages AS (
    SELECT
        p.shop_id,
        p.job_id,
        p.panel_id,
        p.after_operation,
        list_sort(list(CASE WHEN w.kind = 'spray' AND NOT w.unclear THEN w.operation_no END)) AS layer_numbers,
        count(CASE WHEN w.kind = 'spray' AND NOT w.unclear THEN 1 END) AS n_layers,
        count(CASE WHEN w.kind = 'hand' AND NOT w.unclear THEN 1 END) AS n_hand,
        count(CASE WHEN w.kind = 'sand' AND w.removal = 'cut' AND NOT w.unclear THEN 1 END) AS n_cut,
        count(CASE WHEN w.kind = 'sand' AND w.removal = 'strip' AND NOT w.unclear THEN 1 END) AS n_strip,
        count(CASE WHEN w.kind = 'sand' AND w.removal IS NULL AND NOT w.unclear THEN 1 END) AS n_unstated,
        count(CASE WHEN w.unclear THEN 1 END) AS n_unclear,
        min(CASE WHEN w.unclear THEN w.operation_no END) AS first_unclear,
        count(CASE WHEN (w.kind = 'polish' OR (w.kind = 'sand' AND w.removal = 'scuff')) AND NOT w.unclear THEN 1 END) AS n_light,
        coalesce(sum(
            CASE WHEN (w.kind = 'polish' OR (w.kind = 'sand' AND w.removal = 'scuff')) AND NOT w.unclear
                THEN coalesce(w.removed_um, $scuff_removed_um) END
        ), 0) AS removed_um
    FROM pairs AS p
    INNER JOIN panel_work AS w
        ON w.shop_id = p.shop_id AND w.job_id = p.job_id AND w.panel_id = p.panel_id
        AND w.operation_no > p.from_operation AND w.operation_no <= p.after_operation
    GROUP BY p.shop_id, p.job_id, p.panel_id, p.after_operation
),
layer_faces AS (
    SELECT
        p.shop_id,
        p.job_id,
        p.panel_id,
        p.after_operation,
        min(f.covered_fraction) AS least_fraction,
        max(f.covered_fraction) AS greatest_fraction,
        max(f.area_m2) AS area_m2,
        max(f.area_rel_sd) AS area_rel_sd,
        min(CASE WHEN f.substrate = 'unknown' THEN 0 ELSE 1 END) = 1 AS substrate_known
    FROM pairs AS p
    INNER JOIN operation_faces AS f
        ON f.shop_id = p.shop_id AND f.job_id = p.job_id AND f.panel_id = coalesce(p.witness_of, p.panel_id)
        AND f.face = 'outer' AND f.operation_no > p.from_operation AND f.operation_no <= p.after_operation
    GROUP BY p.shop_id, p.job_id, p.panel_id, p.after_operation
),
whole_panel_refused AS (
    SELECT DISTINCT shop_id, job_id, panel_id FROM refused_stages WHERE after_operation IS NULL
),
judged AS (
    SELECT
        p.*,
        coalesce(b.n_layers, 0) AS n_layers,
        b.layer_numbers,
        coalesce(b.n_light, 0) AS n_light,
        coalesce(b.removed_um, 0) AS removed_um,
        l.area_m2 AS face_area_m2,
        l.area_rel_sd,
        l.least_fraction,
        l.greatest_fraction,
        coalesce(l.substrate_known, TRUE) OR p.witness_of IS NOT NULL AS substrate_known,
        p.witness_of IS NULL AND p.n_places >= 5 AND (p.n_places_before >= 5 OR p.bare_before) AS over_the_whole_face,
        coalesce(
            d.mean_um,
            CASE WHEN p.one_gauge THEN (p.raw_mean_um - p.raw_mean_before) / p.gain ELSE p.mean_um - p.mean_before END
        ) AS difference_um,
        d.n_places IS NOT NULL AS paired,
        d.n_places AS n_paired,
        CASE
            WHEN d.n_places IS NOT NULL THEN d.sd_um
            WHEN p.bare_before THEN sqrt(p.var_um2)
            ELSE sqrt(p.var_um2 + p.var_before)
        END AS sd_um,
        concat_ws('; ',
            CASE WHEN p.stage_refused OR p.refused_before OR x.panel_id IS NOT NULL
                THEN 'a reading of its stages was refused' END,
            CASE WHEN b.n_unclear > 0
                THEN concat('operation ', CAST(b.first_unclear AS VARCHAR), ' between the readings is incomplete') END,
            CASE WHEN b.n_hand > 0 THEN 'hand work between the readings' END,
            CASE WHEN b.n_cut > 0 THEN 'cut between the readings' END,
            CASE WHEN b.n_strip > 0 THEN 'strip between the readings' END,
            CASE WHEN b.n_unstated > 0 THEN 'sand with no removal stated between the readings' END,
            CASE WHEN coalesce(b.n_layers, 0) > 0 AND l.least_fraction < l.greatest_fraction
                AND NOT (p.witness_of IS NULL AND p.n_places >= 5 AND (p.n_places_before >= 5 OR p.bare_before))
                THEN 'blend read at unknown place' END,
            CASE WHEN coalesce(b.n_layers, 0) = 0 AND coalesce(b.n_unclear, 0) = 0
                THEN CASE WHEN coalesce(b.n_light, 0) + coalesce(b.n_cut, 0) + coalesce(b.n_strip, 0)
                    + coalesce(b.n_unstated, 0) + coalesce(b.n_hand, 0) = 0
                    THEN 'repeatability check: no layer between the readings' ELSE 'no layer between the readings' END
            END
        ) AS reasons
    FROM pairs AS p
    LEFT JOIN paired_differences AS d
        ON d.shop_id = p.shop_id AND d.job_id = p.job_id AND d.panel_id = p.panel_id
        AND d.after_operation = p.after_operation
    LEFT JOIN between_stages AS b
        ON b.shop_id = p.shop_id AND b.job_id = p.job_id AND b.panel_id = p.panel_id
        AND b.after_operation = p.after_operation
    LEFT JOIN layer_faces AS l
        ON l.shop_id = p.shop_id AND l.job_id = p.job_id AND l.panel_id = p.panel_id
        AND l.after_operation = p.after_operation
    LEFT JOIN whole_panel_refused AS x ON x.shop_id = p.shop_id AND x.job_id = p.job_id AND x.panel_id = p.panel_id
)
SELECT
    shop_id,
    job_id,
    panel_id,
    'outer' AS face,
    from_operation,
    after_operation AS to_operation,
    difference_um + removed_um AS mean_um,
    sd_um,
    n_before,
    n_readings AS n_after,
    paired,
    list_transform(
        list_filter(coalesce(layer_numbers, []), lambda x: x IS NOT NULL),
        lambda x: CAST(x AS VARCHAR)
    ) AS layers,
    reasons = '' AS usable,
    CASE WHEN reasons <> '' THEN reasons END AS why_not,
    CASE WHEN n_light > 0 OR NOT substrate_known THEN 'B' ELSE 'A' END AS grade,
    witness_of,
    n_layers,
    n_light,
    CASE
        WHEN paired THEN CAST(n_paired AS DOUBLE)
        WHEN bare THEN NULL
        WHEN bare_before THEN CAST(n_values AS DOUBLE)
        ELSE 2.0 / (1.0 / n_values + 1.0 / n_values_before)
    END AS n_effective,
    face_area_m2 * CASE WHEN over_the_whole_face THEN 1 ELSE least_fraction END AS area_m2,
    CASE
        WHEN over_the_whole_face OR least_fraction = 1 THEN area_rel_sd
        WHEN least_fraction >= 0.5 THEN greatest(area_rel_sd, 0.2)
        ELSE greatest(area_rel_sd, 0.4)
    END AS area_rel_sd,
    coalesce(least_fraction < 1, FALSE) AS blend,
    greatest(gain_u, gain_u_before) AS gain_u
FROM judged
ORDER BY shop_id, job_id, panel_id, from_operation, to_operation
