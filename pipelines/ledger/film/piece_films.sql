-- Measured film by equation: a row for each piece, its layers put together. How sure it is, record_faces.sql says.
SELECT
    e.equation,
    p.shop_id,
    p.job_id,
    p.panel_id,
    p.piece,
    p.usable,
    max(p.why_not) AS why_not,
    array_to_string(list_sort(list(lpad(CAST(p.operation_no AS VARCHAR), 6, '0'))), '+') AS layer_set,
    count(*) AS n_layers,
    max(p.mean_um) AS um,
    max(p.area_m2) AS area_m2,
    max(p.area_rel_sd) AS area_rel_sd,
    bool_or(p.blend) AS blend,
    max(p.grade) AS grade,
    max(p.source) AS source,
    max(p.gain_u) AS gain_u
FROM film_pieces AS p
INNER JOIN equations AS e ON e.shop_id = p.shop_id AND e.job_id = p.job_id AND e.operation_no = p.operation_no
GROUP BY e.equation, p.shop_id, p.job_id, p.panel_id, p.piece, p.usable
ORDER BY e.equation, p.shop_id, p.job_id, p.panel_id, p.piece
