-- Which faces each spray operation covered, with area (m2) and what lies under the film.
-- Area: the row's own, else panel_areas by the job's class of vehicle. coats: the day's, else the product's fewest, else 1.
SELECT
    o.shop_id,
    o.job_id,
    o.operation_no,
    p.panel_id,
    p.face,
    coalesce(p.area_m2, a.area_m2) AS area_m2,
    CASE WHEN p.area_m2 IS NULL THEN coalesce(a.area_rel_sd, $area_rel_sd) ELSE $area_rel_sd END AS area_rel_sd,
    coalesce(p.covered_fraction, 1) AS covered_fraction,
    coalesce(CASE WHEN p.substrate <> 'unknown' THEN p.substrate END, a.substrate, 'unknown') AS substrate,
    coalesce(o.coats, v.coats_min, 1) AS coats,
    v.role,
    coalesce(p.area_m2, a.area_m2) * coalesce(p.covered_fraction, 1) AS covered_m2
FROM operations AS o
INNER JOIN operation_panels AS p
    ON p.shop_id = o.shop_id AND p.job_id = o.job_id AND p.operation_no = o.operation_no
LEFT JOIN jobs AS j ON j.shop_id = o.shop_id AND j.job_id = o.job_id
LEFT JOIN panel_areas AS a ON a.vehicle_class = j.vehicle_class AND a.panel_id = p.panel_id AND a.face = p.face
LEFT JOIN product_versions AS v
    ON v.product_id = o.product_id
    AND CAST(o.started_at AS DATE) >= v.from_on
    AND CAST(o.started_at AS DATE) < v.until_on
WHERE o.kind = 'spray'
ORDER BY o.shop_id, o.job_id, o.operation_no, p.panel_id, p.face
