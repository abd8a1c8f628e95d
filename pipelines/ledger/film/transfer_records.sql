-- The records as published: one closed equation a row, usable or with the reason why not.
WITH operation_lists AS (
    SELECT
        shop_id,
        job_id,
        record_no,
        list_sort(list(concat(lpad(CAST(position AS VARCHAR), 6, '0'), op_job_id, '/', CAST(operation_no AS VARCHAR)))) AS operations,
        list_sort(list(concat(lpad(CAST(position AS VARCHAR), 6, '0'), coalesce(role, '?')))) AS roles
    FROM record_layers
    GROUP BY shop_id, job_id, record_no
)
SELECT
    r.*,
    list_transform(o.operations, lambda x: substr(x, 7)) AS operations,
    list_transform(o.roles, lambda x: substr(x, 7)) AS roles
FROM records AS r
INNER JOIN operation_lists AS o ON o.shop_id = r.shop_id AND o.job_id = r.job_id AND o.record_no = r.record_no
ORDER BY r.shop_id, r.job_id, r.record_no
