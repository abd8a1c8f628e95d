-- One row per cup: what it held and what it was. Masses g, volumes mL taken as additive.
--   M = sum m            V = sum m/rho          rho = M/V           S = sum m s / M        Q = sum (m/rho) q / V
--   dry density = M S/(V Q)
--   VOC actual      = 1000 sum m v / V
--   VOC regulatory  = 1000 sum m v / (V - V_water - V_exempt)               40 CFR 59.104(a)(1)
--   VOC EU          = 1000 sum m e / (V - V_water), over V where all its categories are
--                     preparatory or cleaning (2004/42/EC Annex II B); voc_content has each category's own
-- The sums are those of cup_figures. Where any component lacks a property the whole cup has the product's ready-to-spray figure
-- of it, and is grade B; with neither the cup's number is null, never smaller.
WITH cups AS (
    SELECT
        shop_id,
        mix_id,
        min(poured_at) AS first_poured_at,
        CASE WHEN count(DISTINCT product_id) = 1 THEN min(product_id) END AS product_id,
        count(DISTINCT product_id) AS n_products,
        sum(weighed_g) AS poured_g,
        sum(CASE WHEN component_id IS NOT NULL THEN weighed_g ELSE 0 END) AS own_poured_g
    FROM pours
    GROUP BY shop_id, mix_id
),
poured_on AS (
    SELECT shop_id, from_mix_id AS mix_id, sum(weighed_g) AS g
    FROM pours
    WHERE from_mix_id IS NOT NULL
    GROUP BY shop_id, from_mix_id
),
over_all_volume AS (
    SELECT product_id
    FROM product_categories
    WHERE jurisdiction IN ('eu', 'uk')
    GROUP BY product_id
    HAVING count(*) = count(CASE WHEN category IN ('preparatory', 'pre_cleaner') THEN 1 END)
),
totals AS (
    SELECT
        shop_id,
        mix_id,
        sum(mass_g) AS g,
        CASE WHEN count(ml) = count(*) THEN sum(ml) END AS ml,
        CASE WHEN count(solids_g) = count(*) THEN sum(solids_g) END AS solids_g,
        CASE WHEN count(solids_ml) = count(*) THEN sum(solids_ml) END AS solids_ml,
        CASE WHEN count(voc_g) = count(*) THEN sum(voc_g) END AS voc_g,
        CASE WHEN count(exempt_g) = count(*) THEN sum(exempt_g) END AS exempt_g,
        CASE WHEN count(water_ml) = count(*) THEN sum(water_ml) END AS water_ml,
        CASE WHEN count(exempt_ml) = count(*) THEN sum(exempt_ml) END AS exempt_ml,
        CASE WHEN count(voc_eu_g) = count(*) THEN sum(voc_eu_g) END AS voc_eu_g,
        CASE WHEN count(cost) = count(*) THEN sum(cost) END AS cost,
        CASE WHEN count(ml) = count(*) THEN sum(own_ml) / 1000 END AS rts_l,
        bool_or(lacks IS NOT NULL) AS fell_back,
        bool_or(by_volume) AS by_volume
    FROM cup_figures
    GROUP BY shop_id, mix_id
),
last_weighing AS (
    SELECT shop_id, mix_id, leftover_g
    FROM cup_intervals
    WHERE interval_no = n_weighings
),
troubles AS (
    SELECT shop_id, mix_id, reason FROM incomplete WHERE what = 'cup'
    UNION
    SELECT shop_id, mix_id, trouble AS reason FROM cup_contents WHERE trouble IS NOT NULL
    UNION
    SELECT shop_id, mix_id, 'nothing was poured' AS reason FROM cups WHERE poured_g <= 0
    UNION
    SELECT shop_id, mix_id, 'its pours name more than one product' AS reason FROM cups WHERE n_products > 1
    UNION
    SELECT shop_id, mix_id, 'no volume left beside water and exempt compounds' AS reason
    FROM totals WHERE ml - water_ml - exempt_ml <= 0
    UNION
    SELECT t.shop_id, t.mix_id, 'no volume left beside water' AS reason
    FROM totals AS t WHERE t.ml - t.water_ml <= 0
    UNION
    SELECT shop_id, mix_id, 'more was poured on than was left' AS reason
    FROM last_weighing WHERE leftover_g < -0.5
    UNION
    SELECT shop_id, mix_id, 'more was poured on or left than was there' AS reason
    FROM cup_intervals WHERE gone_g < -0.5
),
why AS (
    SELECT shop_id, mix_id, array_to_string(list_sort(list(DISTINCT reason)), '; ') AS reasons
    FROM troubles
    GROUP BY shop_id, mix_id
)
SELECT
    u.*,
    strftime(u.first_poured_at, '%Y-%m') AS month,
    CASE WHEN l.leftover_g >= 0 THEN l.leftover_g WHEN l.leftover_g < 0 THEN 0.0 END AS leftover_g,
    l.leftover_g IS NOT NULL AS leftover_known,
    y.reasons IS NULL AS complete,
    t.g / t.ml AS density_g_per_ml,
    t.solids_g / t.g AS solids_mass_fraction,
    t.solids_ml / t.ml AS solids_volume_fraction,
    1000 * t.voc_g / t.ml AS voc_g_per_l_actual,
    CASE WHEN t.ml - t.water_ml - t.exempt_ml > 0 THEN 1000 * t.voc_g / (t.ml - t.water_ml - t.exempt_ml) END
        AS voc_g_per_l_regulatory,
    CASE
        WHEN v.product_id IS NOT NULL THEN 1000 * t.voc_eu_g / t.ml
        WHEN t.ml - t.water_ml > 0 THEN 1000 * t.voc_eu_g / (t.ml - t.water_ml)
    END AS voc_g_per_l_eu,
    t.cost,
    CASE WHEN t.g IS NULL THEN NULL WHEN t.fell_back OR t.by_volume THEN 'B' ELSE 'A' END AS grade,
    coalesce(o.g, 0) AS poured_on_g,
    t.rts_l,
    CASE WHEN t.solids_ml > 0 THEN t.solids_g / t.solids_ml END AS dry_density_g_per_ml,
    t.voc_g / t.g AS voc_mass_fraction,
    t.exempt_g / t.g AS exempt_mass_fraction,
    t.cost / t.g AS cost_per_g,
    y.reasons AS why_incomplete
FROM cups AS u
LEFT JOIN totals AS t ON t.shop_id = u.shop_id AND t.mix_id = u.mix_id
LEFT JOIN last_weighing AS l ON l.shop_id = u.shop_id AND l.mix_id = u.mix_id
LEFT JOIN poured_on AS o ON o.shop_id = u.shop_id AND o.mix_id = u.mix_id
LEFT JOIN over_all_volume AS v ON v.product_id = u.product_id
LEFT JOIN why AS y ON y.shop_id = u.shop_id AND y.mix_id = u.mix_id
ORDER BY u.shop_id, u.mix_id
