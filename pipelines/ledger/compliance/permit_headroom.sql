-- What is left under each limit of the permits in the month of the shop's last pour, cleaning or unscaled use, L or kg,
-- and the month in which the limit would be crossed at the present pace: the mean of the last three months (fewer where
-- there are not three). A rolling sum loses its oldest month with every step; a year starts anew in January. already:
-- crossed now. Null: not within 24 months (or not this year, or not in a single month) at that pace. limit_stated and unit
-- are the permit's own words. The limit is that in force on the last day of that month.
WITH latest AS (
    SELECT
        shop_id,
        last_month AS month,
        make_date(
            CAST(substr(last_month, 1, 4) AS INTEGER) + CASE WHEN substr(last_month, 6, 2) = '12' THEN 1 ELSE 0 END,
            CAST(substr(last_month, 6, 2) AS INTEGER) % 12 + 1,
            1
        ) AS next_on
    FROM emission_places
    WHERE last_month IS NOT NULL
),
months AS (
    SELECT
        r.shop_id,
        r.measure,
        r.month,
        r.month_total,
        r.total,
        r.year_to_date,
        r.complete,
        r.month_complete,
        r.year_complete,
        r.months_present,
        CAST(substr(r.month, 1, 4) AS INTEGER) * 12 + CAST(substr(r.month, 6, 2) AS INTEGER) - 1 AS m,
        row_number() OVER (PARTITION BY r.shop_id, r.measure ORDER BY r.month DESC) AS back
    FROM rolling_12_months AS r
    INNER JOIN latest AS t ON t.shop_id = r.shop_id AND r.month <= t.month
),
paces AS (
    SELECT shop_id, measure, avg(month_total) AS pace
    FROM months
    WHERE back <= 3
    GROUP BY shop_id, measure
),
stands AS (
    SELECT
        l.shop_id,
        l.measure,
        l.period,
        l.limit_stated,
        l.unit,
        l.source,
        l.amount,
        t.month,
        m.m,
        CASE l.period WHEN 'month' THEN m.month_complete WHEN 'calendar_year' THEN m.year_complete ELSE m.complete END AS complete,
        m.months_present,
        p.pace,
        CASE l.period
            WHEN 'month' THEN m.month_total
            WHEN 'calendar_year' THEN m.year_to_date
            ELSE m.total
        END AS total
    FROM permit_amounts AS l
    INNER JOIN latest AS t ON t.shop_id = l.shop_id AND l.from_on < t.next_on AND l.until_on >= t.next_on
    LEFT JOIN months AS m ON m.shop_id = l.shop_id AND m.measure = l.measure AND m.month = t.month
    LEFT JOIN paces AS p ON p.shop_id = l.shop_id AND p.measure = l.measure
),
ahead AS (
    SELECT a.n + 5 * b.n + 1 AS k
    FROM (VALUES (0), (1), (2), (3), (4)) AS a (n)
    CROSS JOIN (VALUES (0), (1), (2), (3), (4)) AS b (n)
    WHERE a.n + 5 * b.n < 24
),
dropped AS (
    SELECT s.shop_id, s.measure, a.k, coalesce(sum(m.month_total), 0) AS gone
    FROM stands AS s
    CROSS JOIN ahead AS a
    LEFT JOIN months AS m
        ON m.shop_id = s.shop_id AND m.measure = s.measure AND m.m > s.m - 12 AND m.m <= s.m - 12 + a.k AND m.m <= s.m
    WHERE s.period = 'rolling_12_months'
    GROUP BY s.shop_id, s.measure, a.k
),
crossings AS (
    SELECT s.shop_id, s.measure, s.period, min(a.k) AS k
    FROM stands AS s
    CROSS JOIN ahead AS a
    LEFT JOIN dropped AS d ON d.shop_id = s.shop_id AND d.measure = s.measure AND d.k = a.k AND s.period = 'rolling_12_months'
    WHERE CASE s.period
        WHEN 'month' THEN s.pace > s.amount
        WHEN 'calendar_year' THEN s.total + a.k * s.pace > s.amount AND s.m % 12 + a.k <= 11
        ELSE s.total - d.gone + least(a.k, 12) * s.pace > s.amount
    END
    GROUP BY s.shop_id, s.measure, s.period
)
SELECT
    s.shop_id,
    s.measure,
    s.period,
    s.month,
    s.total,
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
    s.months_present,
    s.complete,
    s.limit_stated,
    s.unit,
    s.amount IS NOT NULL AS unit_fits,
    s.source
FROM stands AS s
LEFT JOIN crossings AS c ON c.shop_id = s.shop_id AND c.measure = s.measure AND c.period = s.period
ORDER BY s.shop_id, s.measure, s.period
