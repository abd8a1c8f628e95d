-- VOC content of multi-stage topcoats on each job, g/L less water and exempt compounds, for information:
--   (base + sum of mid coats + 2 clear) / (M + 3),  M = number of mid coats
-- 40 CFR 59.104(a)(2): its list of variables was read, its equation (an image in the copy) is from memory; for M = 0 it is
-- that of San Luis Obispo APCD Rule 423 (1993), which was read. Each layer is the mean of its cups by the volume offered.
-- limit: that of topcoats of two stages (M = 0), else of more than two, where the jurisdiction has these categories. The
-- national rule binds makers and importers of coatings, not shops.
WITH cups AS (
    SELECT
        f.shop_id,
        f.job_id,
        s.role,
        s.product_id,
        m.voc_g_per_l_regulatory AS g_per_l,
        f.offered_g / m.density_g_per_ml AS ml,
        CAST(s.started_at AS DATE) AS on_date
    FROM cup_feeds AS f
    INNER JOIN sprays AS s ON s.shop_id = f.shop_id AND s.job_id = f.job_id AND s.operation_no = f.operation_no
    INNER JOIN mixes AS m ON m.shop_id = f.shop_id AND m.mix_id = f.mix_id
    WHERE s.role IN ('base', 'mid_coat', 'clear')
),
layers AS (
    SELECT
        shop_id,
        job_id,
        role,
        CASE WHEN role = 'mid_coat' THEN product_id END AS product_id,
        max(on_date) AS on_date,
        CASE WHEN count(g_per_l) = count(*) AND count(ml) = count(*) AND sum(ml) > 0 THEN sum(g_per_l * ml) / sum(ml) END AS g_per_l
    FROM cups
    GROUP BY shop_id, job_id, role, CASE WHEN role = 'mid_coat' THEN product_id END
),
jobs_of AS (
    SELECT
        shop_id,
        job_id,
        max(on_date) AS on_date,
        max(CASE WHEN role = 'base' THEN g_per_l END) AS base_g_per_l,
        max(CASE WHEN role = 'clear' THEN g_per_l END) AS clear_g_per_l,
        count(CASE WHEN role = 'mid_coat' THEN 1 END) AS n_mid_coats,
        count(CASE WHEN role = 'mid_coat' THEN g_per_l END) AS n_mid_known,
        coalesce(sum(CASE WHEN role = 'mid_coat' THEN g_per_l END), 0) AS mid_g_per_l
    FROM layers
    GROUP BY shop_id, job_id
)
SELECT
    j.*,
    p.jurisdiction,
    (j.base_g_per_l + j.mid_g_per_l + 2 * j.clear_g_per_l) / (j.n_mid_coats + 3) AS g_per_l,
    l.limit_g_per_l,
    (j.base_g_per_l + j.mid_g_per_l + 2 * j.clear_g_per_l) / (j.n_mid_coats + 3) > l.limit_g_per_l AS over
FROM jobs_of AS j
INNER JOIN emission_places AS p ON p.shop_id = j.shop_id
LEFT JOIN voc_limits AS l
    ON l.jurisdiction = p.jurisdiction
    AND l.category = CASE WHEN j.n_mid_coats = 0 THEN 'topcoat_two_stage' ELSE 'topcoat_multi_stage' END
    AND j.on_date >= coalesce(l.valid_from, DATE '0001-01-01')
    AND j.on_date < coalesce(l.valid_to, DATE '9999-12-31')
WHERE j.base_g_per_l IS NOT NULL AND j.clear_g_per_l IS NOT NULL AND j.n_mid_known = j.n_mid_coats AND p.basis = 'regulatory'
ORDER BY j.shop_id, j.job_id
