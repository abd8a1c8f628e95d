-- Where every gram went, per cup and operation, and for what no operation took (job_id and operation_no null):
--   poured = leftover + flush loss + not split + overspray + over-build + useful        solids g; VOC g and cost pro rata
-- Reckoned in g of mix and multiplied by the cup's solids, VOC and cost per g, so each row closes as it stands.
--   landed = TE x sprayed;  overspray = sprayed - landed;  useful = landed - over-build
-- An unweighed leftover is taken as usual for the shop and role (usual_leftovers); where nothing is known about it, where a
-- cup is incomplete, or where there is no TE, the part stands in not_split. poured here is what stayed the cup's own: what
-- was poured on into another cup stands in that cup's rows.
WITH cups AS (
    SELECT
        m.*,
        m.poured_g - m.poured_on_g AS kept_g,
        -- A weigh-back a little off, where more was poured on than it showed: the parts are kept to what the cup held.
        CASE WHEN g.gone_g > m.poured_g - m.poured_on_g - m.leftover_g AND g.gone_g > 0
            THEN (m.poured_g - m.poured_on_g - m.leftover_g) / g.gone_g ELSE 1.0 END AS gone_scale,
        r.role AS product_role,
        CASE
            WHEN m.leftover_known THEN least(m.leftover_g, m.poured_g - m.poured_on_g)
            WHEN m.complete AND h.leftover_share IS NOT NULL THEN h.leftover_share * (m.poured_g - m.poured_on_g)
            ELSE 0.0
        END AS left_g,
        m.leftover_known OR h.leftover_share IS NOT NULL AS leftover_thought_of
    FROM mixes AS m
    LEFT JOIN (SELECT product_id, min(role) AS role FROM products GROUP BY product_id) AS r ON r.product_id = m.product_id
    LEFT JOIN usual_leftovers AS h ON h.shop_id = m.shop_id AND h.role = r.role
    LEFT JOIN (SELECT shop_id, mix_id, sum(gone_g) AS gone_g FROM cup_intervals GROUP BY shop_id, mix_id) AS g
        ON g.shop_id = m.shop_id AND g.mix_id = m.mix_id
),
operation_rows AS (
    SELECT
        s.shop_id,
        s.mix_id,
        s.job_id,
        s.operation_no,
        coalesce(
            CASE WHEN c.complete AND c.leftover_known THEN s.gone_g * c.gone_scale END, s.share * (c.kept_g - c.left_g), 0.0
        ) AS part_g,
        c.complete AND c.leftover_thought_of AS splittable,
        c.product_role,
        c.solids_volume_fraction / c.density_g_per_ml AS solids_ml_per_g,
        s.flush_g,
        s.share_known,
        o.role,
        o.gun_id,
        o.technician_id,
        o.redone,
        o.why_incomplete AS operation_trouble,
        t.te,
        t.te_low,
        t.te_high,
        t.grade AS te_grade,
        t.source AS te_source,
        b.over_ml,
        b.over_ml_low,
        b.over_ml_high
    FROM sprayed AS s
    INNER JOIN cups AS c ON c.shop_id = s.shop_id AND c.mix_id = s.mix_id
    LEFT JOIN sprays AS o ON o.shop_id = s.shop_id AND o.job_id = s.job_id AND o.operation_no = s.operation_no
    LEFT JOIN operation_te AS t
        ON t.shop_id = s.shop_id AND t.op_job_id = s.job_id AND t.operation_no = s.operation_no
    LEFT JOIN over_build AS b
        ON b.shop_id = s.shop_id AND b.job_id = s.job_id AND b.operation_no = s.operation_no
),
flushed AS (
    SELECT
        *,
        CASE WHEN splittable THEN least(flush_g, part_g) ELSE 0.0 END AS flush_loss_g,
        splittable AND te IS NOT NULL AND operation_trouble IS NULL AS split
    FROM operation_rows
),
landed AS (
    SELECT
        shop_id,
        job_id,
        operation_no,
        sum(CASE WHEN split THEN (part_g - flush_loss_g) * te * solids_ml_per_g END) AS operation_landed_ml
    FROM flushed
    GROUP BY shop_id, job_id, operation_no
),
landings AS (
    SELECT
        f.*,
        CASE WHEN f.split THEN 0.0 ELSE f.part_g - f.flush_loss_g END AS not_split_g,
        CASE WHEN f.split THEN f.part_g - f.flush_loss_g ELSE 0.0 END AS sprayed_g,
        l.operation_landed_ml
    FROM flushed AS f
    INNER JOIN landed AS l ON l.shop_id = f.shop_id AND l.job_id = f.job_id AND l.operation_no = f.operation_no
),
parts AS (
    SELECT
        shop_id,
        mix_id,
        job_id,
        operation_no,
        coalesce(role, product_role) AS role,
        gun_id,
        technician_id,
        coalesce(redone, FALSE) AS rework,
        share_known,
        part_g AS poured_g,
        0.0 AS leftover_g,
        flush_loss_g,
        not_split_g,
        sprayed_g,
        CASE WHEN split THEN te END AS te,
        CASE WHEN split THEN te_low END AS te_low,
        CASE WHEN split THEN te_high END AS te_high,
        CASE WHEN split THEN te_source END AS te_source,
        CASE WHEN split THEN te_grade END AS te_grade,
        CASE WHEN operation_landed_ml > 0 THEN least(1, coalesce(over_ml, 0) / operation_landed_ml) ELSE 0.0 END AS over_part,
        CASE WHEN operation_landed_ml > 0 THEN least(1, coalesce(over_ml_low, 0) / operation_landed_ml) ELSE 0.0 END AS over_part_low,
        CASE WHEN operation_landed_ml > 0 THEN least(1, coalesce(over_ml_high, 0) / operation_landed_ml) ELSE 0.0 END AS over_part_high,
        CASE
            WHEN split THEN NULL
            WHEN NOT splittable THEN 'the cup is incomplete or its leftover is not known'
            WHEN operation_trouble IS NOT NULL THEN 'the operation is incomplete'
            ELSE 'no transfer efficiency is known'
        END AS why_not_split
    FROM landings
    UNION ALL
    SELECT
        c.shop_id,
        c.mix_id,
        NULL AS job_id,
        NULL AS operation_no,
        c.product_role AS role,
        NULL AS gun_id,
        NULL AS technician_id,
        FALSE AS rework,
        TRUE AS share_known,
        c.kept_g - coalesce(o.part_g, 0) AS poured_g,
        c.left_g AS leftover_g,
        0.0 AS flush_loss_g,
        greatest(0, c.kept_g - coalesce(o.part_g, 0) - c.left_g) AS not_split_g,
        0.0 AS sprayed_g,
        NULL AS te, NULL AS te_low, NULL AS te_high, NULL AS te_source, NULL AS te_grade,
        0.0 AS over_part, 0.0 AS over_part_low, 0.0 AS over_part_high,
        CASE WHEN c.kept_g - coalesce(o.part_g, 0) - c.left_g > 1e-9 * c.poured_g THEN 'no operation took it' END AS why_not_split
    FROM cups AS c
    LEFT JOIN (
        SELECT shop_id, mix_id, sum(part_g) AS part_g
        FROM operation_rows
        GROUP BY shop_id, mix_id
    ) AS o ON o.shop_id = c.shop_id AND o.mix_id = c.mix_id
),
grams AS (
    SELECT
        *,
        sprayed_g * coalesce(te, 0) AS landed_g,
        -- a transfer efficiency whose ends nobody could tell leaves those of what follows from it untold
        sprayed_g * CASE WHEN te IS NULL THEN 0 ELSE te_low END AS landed_g_low,
        sprayed_g * CASE WHEN te IS NULL THEN 0 ELSE te_high END AS landed_g_high
    FROM parts
),
ways AS (
    SELECT
        *,
        leftover_g + flush_loss_g + not_split_g + sprayed_g AS poured_sum_g,
        sprayed_g - landed_g AS overspray_g,
        landed_g * over_part AS over_build_g,
        landed_g - landed_g * over_part AS useful_g,
        CASE WHEN landed_g_high < sprayed_g THEN sprayed_g - landed_g_high ELSE 0 * landed_g_high END AS overspray_g_low,
        sprayed_g - landed_g_low AS overspray_g_high,
        landed_g * over_part_low AS over_build_g_low,
        landed_g * over_part_high AS over_build_g_high,
        CASE
            WHEN landed_g_low > landed_g * over_part_high THEN landed_g_low - landed_g * over_part_high
            ELSE 0 * landed_g_low
        END AS useful_g_low,
        landed_g_high - landed_g * over_part_low AS useful_g_high
    FROM grams
)
SELECT
    w.*,
    w.poured_sum_g * c.solids_mass_fraction AS poured_solids_g,
    w.poured_sum_g * c.voc_mass_fraction AS poured_voc_g,
    w.poured_sum_g * c.cost_per_g AS poured_cost,
    w.leftover_g * c.solids_mass_fraction AS leftover_solids_g,
    w.leftover_g * c.voc_mass_fraction AS leftover_voc_g,
    w.leftover_g * c.cost_per_g AS leftover_cost,
    w.flush_loss_g * c.solids_mass_fraction AS flush_loss_solids_g,
    w.flush_loss_g * c.voc_mass_fraction AS flush_loss_voc_g,
    w.flush_loss_g * c.cost_per_g AS flush_loss_cost,
    w.not_split_g * c.solids_mass_fraction AS not_split_solids_g,
    w.not_split_g * c.voc_mass_fraction AS not_split_voc_g,
    w.not_split_g * c.cost_per_g AS not_split_cost,
    w.overspray_g * c.solids_mass_fraction AS overspray_solids_g,
    w.overspray_g * c.voc_mass_fraction AS overspray_voc_g,
    w.overspray_g * c.cost_per_g AS overspray_cost,
    w.overspray_g_low * c.solids_mass_fraction AS overspray_solids_g_low,
    w.overspray_g_high * c.solids_mass_fraction AS overspray_solids_g_high,
    w.over_build_g * c.solids_mass_fraction AS over_build_solids_g,
    w.over_build_g * c.voc_mass_fraction AS over_build_voc_g,
    w.over_build_g * c.cost_per_g AS over_build_cost,
    w.over_build_g_low * c.solids_mass_fraction AS over_build_solids_g_low,
    w.over_build_g_high * c.solids_mass_fraction AS over_build_solids_g_high,
    w.useful_g * c.solids_mass_fraction AS useful_solids_g,
    w.useful_g * c.voc_mass_fraction AS useful_voc_g,
    w.useful_g * c.cost_per_g AS useful_cost,
    w.useful_g_low * c.solids_mass_fraction AS useful_solids_g_low,
    w.useful_g_high * c.solids_mass_fraction AS useful_solids_g_high,
    CASE
        WHEN c.grade IS NULL OR NOT c.complete THEN 'C'
        WHEN w.why_not_split IS NOT NULL THEN 'C'
        WHEN w.job_id IS NULL THEN CASE WHEN c.leftover_known THEN c.grade ELSE 'B' END
        WHEN NOT c.leftover_known OR NOT w.share_known THEN greatest('B', coalesce(w.te_grade, 'B'))
        ELSE greatest(c.grade, coalesce(w.te_grade, 'C'))
    END AS grade,
    c.month,
    c.product_id
FROM ways AS w
INNER JOIN cups AS c ON c.shop_id = w.shop_id AND c.mix_id = w.mix_id
WHERE w.job_id IS NOT NULL OR w.poured_sum_g > 1e-9 * c.poured_g  -- what rounding leaves over is no row
ORDER BY w.shop_id, w.mix_id, w.job_id NULLS LAST, w.operation_no NULLS LAST
