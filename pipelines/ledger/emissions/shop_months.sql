-- Each calendar month from the first to the last of a shop's records (a pour, a cleaning or an unscaled use, refused ones too).
-- next_on: first day of the month after it. n_before: months of the records before it; month_no: months since the year 0.
WITH digits AS (
    SELECT * FROM (VALUES (0), (1), (2), (3), (4), (5), (6), (7), (8), (9)) AS d (n)
),
numbers AS (
    SELECT a.n + 10 * b.n + 100 * c.n AS n
    FROM digits AS a
    CROSS JOIN digits AS b
    CROSS JOIN digits AS c
),
spans AS (
    SELECT
        shop_id,
        CAST(substr(first_month, 1, 4) AS INTEGER) * 12 + CAST(substr(first_month, 6, 2) AS INTEGER) - 1 AS first_m,
        CAST(substr(last_month, 1, 4) AS INTEGER) * 12 + CAST(substr(last_month, 6, 2) AS INTEGER) - 1 AS last_m
    FROM emission_places
)
SELECT
    s.shop_id,
    concat(
        lpad(CAST(CAST(floor((s.first_m + n.n) / 12) AS INTEGER) AS VARCHAR), 4, '0'), '-',
        lpad(CAST((s.first_m + n.n) % 12 + 1 AS VARCHAR), 2, '0')
    ) AS month,
    s.first_m + n.n AS month_no,
    n.n AS n_before,
    make_date(CAST(floor((s.first_m + n.n + 1) / 12) AS INTEGER), CAST((s.first_m + n.n + 1) % 12 + 1 AS INTEGER), 1) AS next_on
FROM spans AS s
CROSS JOIN numbers AS n
WHERE s.first_m + n.n <= s.last_m
ORDER BY s.shop_id, month
