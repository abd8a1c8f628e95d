-- Figures of closed months that are no longer as they were reported: what was, what is, and the files that came, went or changed
-- since the month was closed and have rows in it or rows without a month of their own, such as weigh-backs and registers (without
-- any such: all that changed since). Particulate follows the transfer
-- efficiency and is restated like the rest.
WITH closed AS (
    SELECT DISTINCT shop_id, month FROM closed_figures
),
present AS (
    SELECT r.*
    FROM reported_figures AS r
    INNER JOIN closed AS c ON c.shop_id = r.shop_id AND c.month = r.month
),
compared AS (
    SELECT
        coalesce(c.shop_id, n.shop_id) AS shop_id, coalesce(c.month, n.month) AS month,
        coalesce(c.figure_table, n.figure_table) AS figure_table, coalesce(c.part, n.part) AS part, coalesce(c.figure, n.figure) AS figure,
        c.amount AS was, n.amount AS is_now, c.said AS was_said, n.said AS is_said,
        CASE WHEN n.month IS NULL THEN 'gone' WHEN c.month IS NULL THEN 'new' ELSE 'changed' END AS what
    FROM closed_figures AS c
    FULL JOIN present AS n
        ON n.shop_id = c.shop_id AND n.month = c.month AND n.figure_table = c.figure_table AND n.part = c.part AND n.figure = c.figure
    WHERE n.month IS NULL OR c.month IS NULL
        OR abs(coalesce(c.amount, 0) - coalesce(n.amount, 0)) > 1e-9 * greatest(abs(coalesce(c.amount, 0)), abs(coalesce(n.amount, 0)), 1e-6)
        OR (c.amount IS NULL AND n.amount IS NOT NULL) OR (c.amount IS NOT NULL AND n.amount IS NULL)
        OR coalesce(c.said, '') <> coalesce(n.said, '')
),
held AS (
    SELECT
        file,
        min(sha256) AS sha256,
        bool_and(coalesce("table" IN ('pours', 'cleaning', 'unscaled_use', 'stock'), FALSE)) AS has_months
    FROM intake_files
    WHERE file NOT LIKE 'registers/closed_%'
    GROUP BY file
),
closed_months AS (
    SELECT DISTINCT month FROM closed_files
),
changes_since AS (
    SELECT m.month, h.file, CASE WHEN f.path IS NULL THEN 'new' ELSE 'changed' END AS how, h.has_months
    FROM closed_months AS m
    CROSS JOIN held AS h
    LEFT JOIN closed_files AS f ON f.month = m.month AND f.path = h.file
    WHERE f.path IS NULL OR coalesce(f.sha256, '') <> coalesce(h.sha256, '')
    UNION ALL
    SELECT f.month, f.path AS file, 'gone' AS how, FALSE AS has_months
    FROM closed_files AS f
    LEFT JOIN held AS h ON h.file = f.path
    WHERE h.file IS NULL
),
touching AS (
    SELECT DISTINCT p.shop_id, m.month, p.file
    FROM pours AS p
    INNER JOIN mixes AS m ON m.shop_id = p.shop_id AND m.mix_id = p.mix_id
    WHERE p.file IS NOT NULL
    UNION
    SELECT DISTINCT shop_id, strftime(on_date, '%Y-%m') AS month, file FROM record_lines WHERE file IS NOT NULL
),
near AS (
    SELECT
        c.shop_id,
        c.month,
        array_to_string(list_sort(list(DISTINCT concat(s.file, ' (', s.how, ')'))), '; ') AS files
    FROM closed AS c
    INNER JOIN changes_since AS s ON s.month = c.month
    LEFT JOIN touching AS t ON t.shop_id = c.shop_id AND t.month = c.month AND t.file = s.file
    WHERE t.file IS NOT NULL OR NOT s.has_months
    GROUP BY c.shop_id, c.month
),
every AS (
    SELECT month, array_to_string(list_sort(list(DISTINCT concat(file, ' (', how, ')'))), '; ') AS files
    FROM changes_since
    GROUP BY month
)
SELECT
    c.*,
    coalesce(n.files, e.files, 'no file: another version of the program, or a setting') AS because
FROM compared AS c
LEFT JOIN near AS n ON n.shop_id = c.shop_id AND n.month = c.month
LEFT JOIN every AS e ON e.month = c.month
ORDER BY c.shop_id, c.month, c.figure_table, c.part, c.figure
