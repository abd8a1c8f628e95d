-- Faces of an equation, or the part of their operations, that no measured film speaks of: a row for each operation.
SELECT
    e.equation,
    f.*,
    array_to_string(
        list_sort(list(lpad(CAST(f.operation_no AS VARCHAR), 6, '0')) OVER face_of), '+'
    ) AS layer_set,
    count(*) OVER face_of AS n_layers
FROM operation_faces AS f
INNER JOIN equations AS e ON e.shop_id = f.shop_id AND e.job_id = f.job_id AND e.operation_no = f.operation_no
LEFT JOIN film_pieces AS p
    ON f.face = 'outer' AND p.shop_id = f.shop_id AND p.job_id = f.job_id AND p.panel_id = f.panel_id
    AND p.operation_no = f.operation_no
WHERE p.piece IS NULL
WINDOW face_of AS (PARTITION BY e.equation, f.shop_id, f.job_id, f.panel_id, f.face)
ORDER BY e.equation, f.shop_id, f.job_id, f.panel_id, f.face, f.operation_no
