-- Every operation that touched the outer side of a panel where film is read: as listed, or every panel of the job for sand,
-- hand and polish operations that list none. It stands here with unclear = true where it is not known whether or how it
-- touched the panel: a spray operation that lists none; one whose own row was refused, on the panels it lists (on all, if
-- it lists none); one with a refused panel row, on the panels it does not list.
-- A witness strip is worked on with the panel it stands for.
WITH read_panels AS (
    SELECT shop_id, job_id, panel_id, max(witness_of) AS witness_of
    FROM readings
    GROUP BY shop_id, job_id, panel_id
),
listed AS (
    SELECT DISTINCT shop_id, job_id, operation_no, panel_id
    FROM operation_panels
    WHERE face = 'outer'
),
with_list AS (
    SELECT DISTINCT shop_id, job_id, operation_no
    FROM operation_panels
),
unread AS (
    SELECT DISTINCT shop_id, job_id, operation_no
    FROM incomplete
    WHERE what = 'operation' AND job_id IS NOT NULL AND operation_no IS NOT NULL
)
SELECT
    p.shop_id,
    p.job_id,
    p.panel_id,
    o.operation_no,
    o.kind,
    o.removal,
    o.removed_um,
    w.operation_no IS NULL AND o.kind = 'spray' AS unclear
FROM read_panels AS p
INNER JOIN operations AS o ON o.shop_id = p.shop_id AND o.job_id = p.job_id
LEFT JOIN with_list AS w ON w.shop_id = o.shop_id AND w.job_id = o.job_id AND w.operation_no = o.operation_no
LEFT JOIN listed AS l
    ON l.shop_id = o.shop_id AND l.job_id = o.job_id AND l.operation_no = o.operation_no
    AND l.panel_id = coalesce(p.witness_of, p.panel_id)
WHERE l.panel_id IS NOT NULL OR w.operation_no IS NULL
UNION ALL
SELECT
    p.shop_id,
    p.job_id,
    p.panel_id,
    u.operation_no,
    o.kind,
    o.removal,
    o.removed_um,
    TRUE AS unclear
FROM read_panels AS p
INNER JOIN unread AS u ON u.shop_id = p.shop_id AND u.job_id = p.job_id
LEFT JOIN operations AS o ON o.shop_id = u.shop_id AND o.job_id = u.job_id AND o.operation_no = u.operation_no
LEFT JOIN with_list AS w ON w.shop_id = u.shop_id AND w.job_id = u.job_id AND w.operation_no = u.operation_no
LEFT JOIN listed AS l
    ON l.shop_id = u.shop_id AND l.job_id = u.job_id AND l.operation_no = u.operation_no
    AND l.panel_id = coalesce(p.witness_of, p.panel_id)
WHERE (o.operation_no IS NULL AND (l.panel_id IS NOT NULL OR w.operation_no IS NULL))
    OR (o.operation_no IS NOT NULL AND l.panel_id IS NULL AND w.operation_no IS NOT NULL)
ORDER BY shop_id, job_id, panel_id, operation_no
