-- What was set for each spray operation, as far as it is written down: nothing is filled in.
--   tip_out_mm  how far the tip lay outside the data sheet's window, 0 inside; the day's tip where stated, else the register's
SELECT
    t.shop_id, t.job_id, t.operation_no,
    CASE
        WHEN t.tip_mm < t.tip_min_mm THEN t.tip_min_mm - t.tip_mm
        WHEN t.tip_mm > t.tip_max_mm THEN t.tip_mm - t.tip_max_mm
        WHEN t.tip_mm >= t.tip_min_mm AND t.tip_mm <= t.tip_max_mm THEN 0.0
    END AS tip_out_mm,
    t.inlet_kpa, t.coats
FROM (
    SELECT
        o.shop_id, o.job_id, o.operation_no, o.inlet_kpa, o.coats, coalesce(o.tip_mm, g.tip_mm) AS tip_mm, v.tip_min_mm,
        v.tip_max_mm
    FROM operations AS o
    LEFT JOIN gun_versions AS g
        ON g.gun_id = o.gun_id
        AND CAST(o.started_at AS DATE) >= g.from_on
        AND CAST(o.started_at AS DATE) < g.until_on
    LEFT JOIN product_versions AS v
        ON v.product_id = o.product_id
        AND CAST(o.started_at AS DATE) >= v.from_on
        AND CAST(o.started_at AS DATE) < v.until_on
    WHERE o.kind = 'spray'
) AS t
ORDER BY t.shop_id, t.job_id, t.operation_no
