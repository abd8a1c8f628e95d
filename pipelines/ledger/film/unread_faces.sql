-- Faces of an equation, or the part of their operations, that no measured film speaks of: a row for each operation.
WITH unread AS (
    SELECT e.equation, f.*
    FROM operation_faces AS f
    INNER JOIN equations AS e ON e.shop_id = f.shop_id AND e.job_id = f.job_id AND e.operation_no = f.operation_no
    LEFT JOIN film_pieces AS p
        ON f.face = 'outer' AND p.shop_id = f.shop_id AND p.job_id = f.job_id AND p.panel_id = f.panel_id
        AND p.operation_no = f.operation_no
    WHERE p.piece IS NULL
),
of_faces AS (
    SELECT
        f.equation,
        f.shop_id,
        f.job_id,
        f.panel_id,
        f.face,
        array_to_string(list_sort(list(lpad(CAST(f.operation_no AS VARCHAR), 6, '0'))), '+') AS layer_set,
        count(*) AS n_layers
    FROM unread AS f
    GROUP BY f.equation, f.shop_id, f.job_id, f.panel_id, f.face
)
SELECT u.*, f.layer_set, f.n_layers
FROM unread AS u
INNER JOIN of_faces AS f
    ON f.equation = u.equation AND f.shop_id = u.shop_id AND f.job_id = u.job_id AND f.panel_id = u.panel_id AND f.face = u.face
ORDER BY u.equation, u.shop_id, u.job_id, u.panel_id, u.face, u.operation_no
