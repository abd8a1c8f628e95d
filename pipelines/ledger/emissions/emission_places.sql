-- Whose rules each shop answers to: the jurisdiction of its register row, else the setting; with the pack's basis and
-- averaging. A jurisdiction without a pack is taken on the regulatory basis, each mix by itself. last_on: last day on which the
-- shop recorded anything that can show material; first_month and last_month: span of its pours, cleaning and unscaled use,
-- refused ones that name their month too; inside it a month counts as present.
WITH seen AS (
    SELECT shop_id, CAST(poured_at AS DATE) AS on_date, TRUE AS spans FROM pours
    UNION ALL
    SELECT shop_id, CAST(used_at AS DATE) AS on_date, TRUE AS spans FROM cleaning
    UNION ALL
    SELECT shop_id, CAST(used_at AS DATE) AS on_date, TRUE AS spans FROM unscaled_use
    UNION ALL
    SELECT shop_id, CAST(weighed_at AS DATE) AS on_date, FALSE AS spans FROM leftovers
    UNION ALL
    SELECT shop_id, CAST(started_at AS DATE) AS on_date, FALSE AS spans FROM operations
    UNION ALL
    SELECT shop_id, happened_on AS on_date, FALSE AS spans FROM stock
),
spans AS (
    SELECT
        shop_id,
        max(on_date) AS last_on,
        min(CASE WHEN spans THEN on_date END) AS first_span_on,
        max(CASE WHEN spans THEN on_date END) AS last_span_on
    FROM seen
    GROUP BY shop_id
),
unread AS (
    SELECT shop_id, min(month) AS first_month, max(month) AS last_month
    FROM incomplete
    WHERE what = 'month' AND shop_id IS NOT NULL AND month IS NOT NULL
    GROUP BY shop_id
),
names AS (
    SELECT shop_id FROM shops
    UNION
    SELECT shop_id FROM spans
    UNION
    SELECT shop_id FROM unread
)
SELECT
    n.shop_id,
    coalesce(s.jurisdiction, $jurisdiction) AS jurisdiction,
    coalesce(p.basis, 'regulatory') AS basis,
    coalesce(p.averaging, 'each_mix') AS averaging,
    m.last_on,
    CASE
        WHEN u.first_month < strftime(m.first_span_on, '%Y-%m') OR m.first_span_on IS NULL THEN u.first_month
        ELSE strftime(m.first_span_on, '%Y-%m')
    END AS first_month,
    CASE
        WHEN u.last_month > strftime(m.last_span_on, '%Y-%m') OR m.last_span_on IS NULL THEN u.last_month
        ELSE strftime(m.last_span_on, '%Y-%m')
    END AS last_month
FROM names AS n
LEFT JOIN shops AS s ON s.shop_id = n.shop_id
LEFT JOIN packs AS p ON p.jurisdiction = coalesce(s.jurisdiction, $jurisdiction)
LEFT JOIN spans AS m ON m.shop_id = n.shop_id
LEFT JOIN unread AS u ON u.shop_id = n.shop_id
ORDER BY n.shop_id
