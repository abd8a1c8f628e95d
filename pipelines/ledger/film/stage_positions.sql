-- Film at each place of each stage of reading, um: raw_um as the gauge showed it, um after its gain and offset on that day.
-- Readings at one marked place are averaged; readings without a place are kept one by one.
WITH corrected AS (
    SELECT
        r.shop_id,
        r.job_id,
        r.panel_id,
        r.after_operation,
        r.reading_no,
        r.witness_of,
        CASE WHEN r.row IS NOT NULL AND r.col IS NOT NULL THEN r.row END AS row_no,
        CASE WHEN r.row IS NOT NULL AND r.col IS NOT NULL THEN r.col END AS col_no,
        r.reading_um AS raw_um,
        (r.reading_um - coalesce(f.offset_um, 0)) / coalesce(f.gain, 1) AS um,
        coalesce(f.gain, 1) AS gain,
        coalesce(r.gauge_id, '') AS gauge_id,
        coalesce(f.gain_u, $gauge_gain_u) AS gain_u
    FROM readings AS r
    LEFT JOIN operations AS o
        ON o.shop_id = r.shop_id AND o.job_id = r.job_id AND o.operation_no = r.after_operation
    LEFT JOIN gauge_fits AS f
        ON f.gauge_id = r.gauge_id AND f.used_on = CAST(coalesce(r.taken_at, o.ended_at, o.started_at) AS DATE)
)
SELECT
    shop_id,
    job_id,
    panel_id,
    after_operation,
    row_no,
    col_no,
    CASE WHEN row_no IS NULL THEN reading_no END AS reading_no,
    count(*) AS n,
    avg(raw_um) AS raw_um,
    avg(um) AS um,
    avg(gain) AS gain,
    min(gauge_id) AS first_gauge,
    max(gauge_id) AS last_gauge,
    max(gain_u) AS gain_u,
    max(witness_of) AS witness_of
FROM corrected
GROUP BY shop_id, job_id, panel_id, after_operation, row_no, col_no, CASE WHEN row_no IS NULL THEN reading_no END
ORDER BY shop_id, job_id, panel_id, after_operation, row_no, col_no, reading_no
