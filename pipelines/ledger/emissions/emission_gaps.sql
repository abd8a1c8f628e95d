-- Rows of a shop's month that were refused. unread: some of them stand for material of which nothing is in any figure (a cup
-- no pour of which could be read, a cleaning, a use, a stock movement), so every figure of that month is a lower bound; the
-- others belong to cups that are there and incomplete. A row that names no shop may be any shop's.
WITH lost AS (
    SELECT p.shop_id, i.month, i.file, i.line, TRUE AS unread
    FROM incomplete AS i
    INNER JOIN emission_places AS p ON p.shop_id = i.shop_id OR i.shop_id IS NULL
    WHERE i.what = 'month' AND i.month IS NOT NULL
    UNION
    SELECT m.shop_id, m.month, i.file, i.line, FALSE AS unread
    FROM incomplete AS i
    INNER JOIN mixes AS m ON m.shop_id = i.shop_id AND m.mix_id = i.mix_id
    WHERE i.what = 'cup'
),
rows_lost AS (
    SELECT shop_id, month, file, line, bool_or(unread) AS unread
    FROM lost
    GROUP BY shop_id, month, file, line
)
SELECT shop_id, month, count(*) AS n_refused, bool_or(unread) AS unread
FROM rows_lost
GROUP BY shop_id, month
ORDER BY shop_id, month
