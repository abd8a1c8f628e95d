-- How each limit of the permits was used up, month by month of the shop's records, in L or kg and in the permit's unit: the sum
-- of the period up to the month, the limit in force on its last day, what is left, and the month in which the limit would be crossed
-- at the pace of the last three months (fewer where there are not three). A rolling sum loses its oldest month with every step; a
-- year starts anew in January. already: crossed. crossed_in null: not within 24 months (or not this year, or not in a single
-- month) at that pace, or the sum is not known.
WITH months AS (
    SELECT
        r.shop_id,
        r.measure,
        r.month,
        s.month_no AS m,
        s.next_on,
        r.month_total,
        r.total,
        r.year_to_date,
        r.complete,
        r.month_complete,
        r.year_complete,
        r.months_present,
        avg(r.month_total) OVER (
            PARTITION BY r.shop_id, r.measure ORDER BY r.month ROWS BETWEEN 2 PRECEDING AND CURRENT ROW
        ) AS pace,
        sum(r.month_total) OVER (
            PARTITION BY r.shop_id, r.measure ORDER BY r.month ROWS BETWEEN UNBOUNDED PRECEDING AND CURRENT ROW
        ) AS so_far
    FROM rolling_12_months AS r
    INNER JOIN shop_months AS s ON s.shop_id = r.shop_id AND s.month = r.month
),
stands AS (
    SELECT
        l.shop_id,
        l.measure,
        l.period,
        l.limit_stated,
        l.unit,
        l.source,
        l.factor,
        l.amount,
        m.month,
        m.m,
        CASE l.period WHEN 'month' THEN m.month_complete WHEN 'calendar_year' THEN m.year_complete ELSE m.complete END AS complete,
        m.months_present,
        m.pace,
        CASE l.period WHEN 'month' THEN m.month_total WHEN 'calendar_year' THEN m.year_to_date ELSE m.total END AS total
    FROM permit_amounts AS l
    INNER JOIN months AS m
        ON m.shop_id = l.shop_id AND m.measure = l.measure AND l.from_on < m.next_on AND l.until_on >= m.next_on
),
ahead AS (
    SELECT a.n + 5 * b.n + 1 AS k
    FROM (VALUES (0), (1), (2), (3), (4)) AS a (n)
    CROSS JOIN (VALUES (0), (1), (2), (3), (4)) AS b (n)
    WHERE a.n + 5 * b.n < 24
),
steps AS (
    SELECT s.*, a.k, s.m - 12 + least(a.k, 12) AS until_m
    FROM stands AS s
    CROSS JOIN ahead AS a
),
crossings AS (
    SELECT s.shop_id, s.measure, s.period, s.month, min(s.k) AS k
    FROM steps AS s
    LEFT JOIN months AS o ON o.shop_id = s.shop_id AND o.measure = s.measure AND o.m = s.m - 12
    LEFT JOIN months AS n ON n.shop_id = s.shop_id AND n.measure = s.measure AND n.m = s.until_m
    WHERE CASE s.period
        WHEN 'month' THEN s.total IS NOT NULL AND s.pace > s.amount
        WHEN 'calendar_year' THEN s.total + s.k * s.pace > s.amount AND s.m % 12 + s.k <= 11
        ELSE s.total - (coalesce(n.so_far, 0) - coalesce(o.so_far, 0)) + least(s.k, 12) * s.pace > s.amount
    END
    GROUP BY s.shop_id, s.measure, s.period, s.month
)
SELECT
    s.*,
    s.amount AS "limit",
    s.amount - s.total AS headroom,
    CASE WHEN s.amount > 0 THEN s.total / s.amount END AS share_of_limit,
    s.pace AS pace_per_month,
    s.total > s.amount AS already,
    CASE
        WHEN s.total > s.amount THEN s.month
        WHEN c.k IS NOT NULL THEN concat(
            lpad(CAST(CAST(floor((s.m + c.k) / 12) AS INTEGER) AS VARCHAR), 4, '0'), '-',
            lpad(CAST((s.m + c.k) % 12 + 1 AS VARCHAR), 2, '0')
        )
    END AS crossed_in,
    s.total / s.factor AS total_stated,
    s.limit_stated - s.total / s.factor AS headroom_stated,
    s.pace / s.factor AS pace_stated,
    s.amount IS NOT NULL AS unit_fits
FROM stands AS s
LEFT JOIN crossings AS c
    ON c.shop_id = s.shop_id AND c.measure = s.measure AND c.period = s.period AND c.month = s.month
ORDER BY s.shop_id, s.measure, s.period, s.month
