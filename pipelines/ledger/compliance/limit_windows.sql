-- Every window in which a permit's limit holds, judged: each month, each calendar year and each twelve months ending in a month
-- of the shop's records, by the limit in force on the window's last day (of a year under way: of its last month so far).
--   total_metric, limit_metric   L or kg         total, limit   the same in the permit's unit
--   breached     true as soon as what is known is above the limit; false only where nothing of the window is lacking; else null
-- A window that ends in a month without records but between them is judged too; there is none before the first or after
-- the last record. months_present: months of the window inside the records.
WITH months AS (
    SELECT
        r.*,
        substr(r.month, 1, 4) AS year,
        s.next_on,
        row_number() OVER (PARTITION BY r.shop_id, r.measure, substr(r.month, 1, 4) ORDER BY r.month DESC) AS back,
        count(*) OVER (PARTITION BY r.shop_id, r.measure, substr(r.month, 1, 4)) AS n_of_year
    FROM rolling_12_months AS r
    INNER JOIN shop_months AS s ON s.shop_id = r.shop_id AND s.month = r.month
),
windows AS (
    SELECT shop_id, measure, 'month' AS period, month AS "window", next_on, month_total AS total, month_complete AS complete, 1 AS n
    FROM months
    UNION ALL
    SELECT shop_id, measure, 'rolling_12_months' AS period, month AS "window", next_on, total, complete, months_present AS n
    FROM months
    UNION ALL
    SELECT shop_id, measure, 'calendar_year' AS period, year AS "window", next_on, year_to_date AS total, year_complete AS complete, n_of_year AS n
    FROM months
    WHERE back = 1
)
SELECT
    w.shop_id,
    w.measure,
    w.period,
    w."window",
    w.total / a.factor AS total,
    a.limit_stated AS "limit",
    a.unit,
    w.total AS total_metric,
    a.amount AS limit_metric,
    CASE WHEN a.amount > 0 THEN w.total / a.amount END AS share_of_limit,
    CASE
        WHEN w.total > a.amount * (1 + 1e-9) THEN TRUE
        WHEN w.complete AND w.total IS NOT NULL THEN FALSE
    END AS breached,
    w.complete,
    w.n AS months_present,
    a.source
FROM windows AS w
INNER JOIN permit_amounts AS a
    ON a.shop_id = w.shop_id AND a.measure = w.measure AND a.period = w.period AND a.from_on < w.next_on AND a.until_on >= w.next_on
WHERE a.amount IS NOT NULL
ORDER BY w.shop_id, w.measure, w.period, w."window"
