-- Gain and offset of each gauge on each day it was used: reading = a + b shim, least squares over the gauge's checks within
-- $gauge_check_days of the day, where its shims span at least $gauge_check_span_um. Days without such checks have no row:
-- then b = 1 and its standard uncertainty is the setting's.
WITH used AS (
    SELECT DISTINCT r.gauge_id, CAST(coalesce(r.taken_at, o.ended_at, o.started_at) AS DATE) AS used_on
    FROM readings AS r
    LEFT JOIN operations AS o
        ON o.shop_id = r.shop_id AND o.job_id = r.job_id AND o.operation_no = r.after_operation
    WHERE r.gauge_id IS NOT NULL AND coalesce(r.taken_at, o.ended_at, o.started_at) IS NOT NULL
)
SELECT
    u.gauge_id,
    u.used_on,
    count(*) AS n,
    regr_intercept(c.reading_um, c.shim_um) AS offset_um,
    regr_slope(c.reading_um, c.shim_um) AS gain,
    CASE WHEN count(*) > 2 AND var_samp(c.shim_um) > 0
        THEN sqrt(greatest(0, regr_syy(c.reading_um, c.shim_um)
            - regr_slope(c.reading_um, c.shim_um) * regr_sxy(c.reading_um, c.shim_um)) / (count(*) - 2)
            / regr_sxx(c.reading_um, c.shim_um))
        ELSE $gauge_gain_u
    END AS gain_u
FROM used AS u
INNER JOIN gauge_checks AS c
    ON c.gauge_id = u.gauge_id AND abs(date_diff('day', CAST(c.checked_at AS DATE), u.used_on)) <= $gauge_check_days
GROUP BY u.gauge_id, u.used_on
HAVING max(c.shim_um) - min(c.shim_um) >= $gauge_check_span_um
ORDER BY u.gauge_id, u.used_on
