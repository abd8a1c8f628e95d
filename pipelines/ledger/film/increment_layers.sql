-- One row per layer of each increment: the layers of film_increments, in long form.
SELECT
    i.*,
    w.operation_no,
    coalesce(i.witness_of, i.panel_id) AS stands_for
FROM film_increments AS i
INNER JOIN panel_work AS w
    ON w.shop_id = i.shop_id AND w.job_id = i.job_id AND w.panel_id = i.panel_id
    AND w.operation_no > i.from_operation AND w.operation_no <= i.to_operation
WHERE w.kind = 'spray' AND NOT w.unclear
ORDER BY i.shop_id, i.job_id, i.panel_id, i.from_operation, w.operation_no
