-- What evaporated of the solvent handed out for cleaning, g, row by row. Per shop, month and category (cleaning: guns and
-- booths; surface_prep: surfaces), and within it per solvent:
--   evaporated = max(0, issued - max(0, recovered - flush losses))
-- Dirty solvent comes back with the flush of cups and guns in it, whose own VOC was counted with its cup: the flush losses of
-- the shop's operations of that month are taken off what came back (from several solvents pro rata to what came back of
-- each; never off surface preparation). What was not said to come back did not. Each row carries its part by what it issued.
WITH flushes AS (
    SELECT s.shop_id, strftime(o.started_at, '%Y-%m') AS month, sum(s.flush_g) AS flush_g
    FROM sprayed AS s
    INNER JOIN operations AS o
        ON o.shop_id = s.shop_id AND o.job_id = s.job_id AND o.operation_no = s.operation_no
    GROUP BY s.shop_id, strftime(o.started_at, '%Y-%m')
),
handed_out AS (
    SELECT
        shop_id,
        cleaning_no,
        CAST(used_at AS DATE) AS on_date,
        strftime(used_at, '%Y-%m') AS month,
        CASE WHEN purpose = 'surface' THEN 'surface_prep' ELSE 'cleaning' END AS category,
        component_id,
        issued_g,
        coalesce(recovered_g, 0) AS recovered_g
    FROM cleaning
),
summed AS (
    SELECT
        *,
        sum(issued_g) OVER (PARTITION BY shop_id, month, category, component_id) AS solvent_issued_g,
        sum(recovered_g) OVER (PARTITION BY shop_id, month, category, component_id) AS solvent_recovered_g,
        sum(recovered_g) OVER (PARTITION BY shop_id, month, category) AS all_recovered_g
    FROM handed_out
),
netted AS (
    SELECT
        s.*,
        CASE
            WHEN s.category = 'cleaning' AND s.all_recovered_g > 0
                THEN coalesce(f.flush_g, 0) * s.solvent_recovered_g / s.all_recovered_g
            ELSE 0.0
        END AS solvent_flush_g
    FROM summed AS s
    LEFT JOIN flushes AS f ON f.shop_id = s.shop_id AND f.month = s.month
)
SELECT
    *,
    CASE
        WHEN solvent_issued_g > 0
            THEN greatest(0, solvent_issued_g - greatest(0, solvent_recovered_g - solvent_flush_g)) * issued_g / solvent_issued_g
        ELSE 0.0
    END AS evaporated_g
FROM netted
ORDER BY shop_id, cleaning_no
