-- One row per spray operation with what is known of it: gun, hands, product, role, area and when.
WITH areas AS (
    SELECT
        shop_id,
        job_id,
        operation_no,
        count(*) AS n_faces,
        CASE WHEN count(covered_m2) = count(*) THEN sum(covered_m2) END AS covered_m2,
        min(covered_fraction) < 1 AS blended,
        CASE WHEN count(covered_m2) = count(*) AND sum(covered_m2) > 0
            THEN sum(CASE WHEN substrate IN ('plastic', 'composite') THEN covered_m2 ELSE 0 END) / sum(covered_m2)
        END AS plastic_share
    FROM operation_faces
    GROUP BY shop_id, job_id, operation_no
),
troubles AS (
    SELECT shop_id, job_id, operation_no, array_to_string(list_sort(list(DISTINCT reason)), '; ') AS why_incomplete
    FROM incomplete
    WHERE what = 'operation'
    GROUP BY shop_id, job_id, operation_no
)
SELECT
    o.shop_id,
    o.job_id,
    o.operation_no,
    o.gun_id,
    o.technician_id,
    o.product_id,
    o.booth_id,
    v.role,
    g.atomising,
    o.started_at,
    o.redo_of,
    coalesce(o.coats, v.coats_min, 1) AS coats,
    coalesce(a.n_faces, 0) AS n_faces,
    a.covered_m2,
    coalesce(a.blended, FALSE) AS blended,
    a.plastic_share,
    CASE
        WHEN a.covered_m2 IS NULL THEN NULL
        WHEN a.covered_m2 < 0.5 THEN 'under_0.5'
        WHEN a.covered_m2 < 1.5 THEN '0.5_to_1.5'
        WHEN a.covered_m2 < 4 THEN '1.5_to_4'
        ELSE 'over_4'
    END AS area_class,
    EXISTS (
        SELECT 1 FROM operations AS r
        WHERE r.shop_id = o.shop_id AND r.job_id = o.job_id AND r.redo_of = o.operation_no
    ) AS redone,
    t.why_incomplete
FROM operations AS o
LEFT JOIN areas AS a ON a.shop_id = o.shop_id AND a.job_id = o.job_id AND a.operation_no = o.operation_no
LEFT JOIN gun_versions AS g
    ON g.gun_id = o.gun_id
    AND CAST(o.started_at AS DATE) >= g.from_on
    AND CAST(o.started_at AS DATE) < g.until_on
LEFT JOIN product_versions AS v
    ON v.product_id = o.product_id
    AND CAST(o.started_at AS DATE) >= v.from_on
    AND CAST(o.started_at AS DATE) < v.until_on
LEFT JOIN troubles AS t ON t.shop_id = o.shop_id AND t.job_id = o.job_id AND t.operation_no = o.operation_no
WHERE o.kind = 'spray'
ORDER BY o.shop_id, o.job_id, o.operation_no
