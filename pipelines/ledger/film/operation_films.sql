-- Film of each spray operation on each face, um: as read where the film of that operation alone was read, else from what
-- landed by the transfer efficiency, spread by covered area. se_um is the standard error of the mean, from spreads pooled
-- over readings of the same kind (one never read twice: the usual spread on a face) and the gauge's gain; within_um the spread
-- between places on a face, pooled over paired readings.
WITH pooled AS (
    SELECT coalesce(max(within_cv), $within_face_cv) AS cv
    FROM film_spreads
),
alone AS (
    SELECT
        p.shop_id,
        p.job_id,
        p.panel_id,
        p.operation_no,
        p.mean_um,
        p.area_m2,
        p.grade,
        sqrt(
            p.extra_var_um2 + coalesce(s.s2_um2, power(w.cv * p.mean_um, 2)) / coalesce(p.n_effective, 1)
            + power(coalesce(p.gain_u, 0) * p.mean_um, 2)
        ) AS se_um
    FROM film_pieces AS p
    LEFT JOIN film_spreads AS s ON s.kind = p.kind AND s.blend = p.blend
    CROSS JOIN pooled AS w
    WHERE p.usable AND p.alone
),
gone AS (
    -- as in material_ledger: a leftover that nobody weighed is the usual one, the transfer model's finding in it
    SELECT
        s.*,
        CASE WHEN s.leftover_known THEN s.expected_gone_g ELSE s.offered_g * (1 - u.leftover_share) END AS likely_gone_g
    FROM sprayed AS s
    LEFT JOIN sprays AS o ON o.shop_id = s.shop_id AND o.job_id = s.job_id AND o.operation_no = s.operation_no
    LEFT JOIN usual_leftovers AS u ON u.shop_id = s.shop_id AND u.role = o.role
),
landed AS (
    SELECT
        s.shop_id,
        s.job_id,
        s.operation_no,
        sum((s.likely_gone_g - s.flush_g) / m.density_g_per_ml * m.solids_volume_fraction) * max(t.te) AS landed_ml,
        max((t.te_high - t.te_low) / (2 * $z95 * t.te)) AS rel_se
    FROM gone AS s
    INNER JOIN mixes AS m ON m.shop_id = s.shop_id AND m.mix_id = s.mix_id
    INNER JOIN operation_te AS t
        ON t.shop_id = s.shop_id AND t.op_job_id = s.job_id AND t.operation_no = s.operation_no AND t.te IS NOT NULL
    WHERE s.complete
    GROUP BY s.shop_id, s.job_id, s.operation_no
    HAVING count(s.likely_gone_g / m.density_g_per_ml * m.solids_volume_fraction) = count(*)
),
read_films AS (
    -- Readings over a whole face that was covered in part tell what landed; the film is where the paint is.
    SELECT
        a.shop_id,
        a.job_id,
        a.panel_id,
        a.operation_no,
        a.mean_um * a.area_m2 / f.covered_m2 AS film_um,
        a.se_um * a.area_m2 / f.covered_m2 AS se_um,
        a.grade
    FROM alone AS a
    INNER JOIN operation_faces AS f
        ON f.shop_id = a.shop_id AND f.job_id = a.job_id AND f.panel_id = a.panel_id
        AND f.operation_no = a.operation_no AND f.face = 'outer'
    WHERE f.covered_m2 > 0
)
SELECT
    f.*,
    coalesce(a.film_um, l.landed_ml / s.covered_m2) AS film_um,
    CASE WHEN a.film_um IS NOT NULL THEN a.se_um ELSE l.landed_ml / s.covered_m2 * coalesce(l.rel_se, 0.5) END AS se_um,
    abs(coalesce(a.film_um, l.landed_ml / s.covered_m2)) * c.cv AS within_um,
    CASE WHEN a.film_um IS NOT NULL THEN 'read' WHEN l.landed_ml IS NOT NULL AND s.covered_m2 > 0 THEN 'from transfer' END AS source,
    CASE WHEN a.film_um IS NOT NULL THEN a.grade WHEN l.landed_ml IS NOT NULL THEN 'B' END AS grade
FROM operation_faces AS f
INNER JOIN sprays AS s ON s.shop_id = f.shop_id AND s.job_id = f.job_id AND s.operation_no = f.operation_no
CROSS JOIN pooled AS c
LEFT JOIN read_films AS a
    ON f.face = 'outer' AND a.shop_id = f.shop_id AND a.job_id = f.job_id AND a.panel_id = f.panel_id
    AND a.operation_no = f.operation_no
LEFT JOIN landed AS l ON l.shop_id = f.shop_id AND l.job_id = f.job_id AND l.operation_no = f.operation_no
ORDER BY f.shop_id, f.job_id, f.operation_no, f.panel_id, f.face
