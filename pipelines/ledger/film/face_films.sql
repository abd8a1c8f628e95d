-- Film of just those operations that some face was not read after, on panels of the same job that were: what an unread face is
-- filled from. Pieces that lie wholly inside the set of operations are added up; blends never give.
WITH wanted AS (
    SELECT DISTINCT equation, shop_id, job_id, layer_set, n_layers, operation_no
    FROM unread_faces
),
fitting AS (
    SELECT
        w.equation, w.shop_id, w.job_id, w.layer_set, w.n_layers AS n_wanted,
        m.panel_id, m.piece, m.um, m.blend, m.n_layers
    FROM wanted AS w
    INNER JOIN film_pieces AS p
        ON p.shop_id = w.shop_id AND p.job_id = w.job_id AND p.operation_no = w.operation_no AND p.usable
    INNER JOIN piece_films AS m
        ON m.equation = w.equation AND m.shop_id = w.shop_id AND m.job_id = w.job_id AND m.panel_id = p.panel_id
        AND m.piece = p.piece AND m.usable
    GROUP BY
        w.equation, w.shop_id, w.job_id, w.layer_set, w.n_layers, m.panel_id, m.piece, m.um, m.blend, m.n_layers
    HAVING count(*) = m.n_layers
)
SELECT equation, shop_id, job_id, panel_id, layer_set, sum(um) AS um
FROM fitting
GROUP BY equation, shop_id, job_id, panel_id, layer_set, n_wanted
HAVING sum(n_layers) = n_wanted AND NOT bool_or(blend)
ORDER BY equation, shop_id, job_id, panel_id, layer_set
