-- What every figure of stock_reconciliation is added from, one row per count, movement and use between two counts of a
-- component, g. A count is the closing stock of its day, so movements and uses count after the opening day and up to the
-- closing day. signed_g: what the row does to the unexplained part: opening and deliveries +, all else -. Pours of one
-- component into one cup by one way of measuring stand together.
WITH counts AS (
    SELECT shop_id, component_id, happened_on
    FROM stock
    WHERE movement = 'counted' AND component_id IS NOT NULL
    GROUP BY shop_id, component_id, happened_on
),
spans AS (
    SELECT
        shop_id,
        component_id,
        happened_on AS from_on,
        lead(happened_on) OVER (PARTITION BY shop_id, component_id ORDER BY happened_on) AS to_on
    FROM counts
),
uses AS (
    SELECT
        shop_id,
        component_id,
        CAST(poured_at AS DATE) AS on_date,
        'cup' AS kind,
        mix_id,
        CAST(NULL AS VARCHAR) AS number,
        CAST(NULL AS BIGINT) AS document_line,
        scale_id,
        coalesce(measured_by, 'scale') <> 'scale' AS by_volume,
        sum(weighed_g) AS mass_g
    FROM pours
    WHERE component_id IS NOT NULL
    GROUP BY shop_id, component_id, CAST(poured_at AS DATE), mix_id, scale_id, coalesce(measured_by, 'scale') <> 'scale'
    UNION ALL
    SELECT
        shop_id, component_id, CAST(used_at AS DATE) AS on_date, 'cleaning' AS kind, NULL AS mix_id, cleaning_no AS number,
        NULL AS document_line, NULL AS scale_id, FALSE AS by_volume, issued_g AS mass_g
    FROM cleaning
    UNION ALL
    SELECT
        shop_id, component_id, CAST(used_at AS DATE) AS on_date, 'unscaled' AS kind, NULL AS mix_id, use_no AS number,
        NULL AS document_line, NULL AS scale_id, FALSE AS by_volume, mass_g
    FROM unscaled_use
    UNION ALL
    SELECT
        shop_id, component_id, happened_on AS on_date, movement AS kind, NULL AS mix_id, document_no AS number,
        line_no AS document_line, NULL AS scale_id, FALSE AS by_volume, mass_g
    FROM stock
    WHERE movement <> 'counted'
),
lines AS (
    SELECT
        s.shop_id, s.component_id, s.from_on, s.to_on, u.kind, u.on_date, u.mix_id, u.number, u.document_line, u.scale_id,
        u.by_volume, u.mass_g
    FROM spans AS s
    INNER JOIN uses AS u
        ON u.shop_id = s.shop_id AND u.component_id = s.component_id AND u.on_date > s.from_on AND u.on_date <= s.to_on
    UNION ALL
    SELECT
        s.shop_id,
        s.component_id,
        s.from_on,
        s.to_on,
        CASE WHEN k.happened_on = s.from_on THEN 'opening' ELSE 'closing' END AS kind,
        k.happened_on AS on_date,
        NULL AS mix_id,
        k.document_no AS number,
        k.line_no AS document_line,
        NULL AS scale_id,
        FALSE AS by_volume,
        k.mass_g
    FROM spans AS s
    INNER JOIN stock AS k
        ON k.shop_id = s.shop_id AND k.component_id = s.component_id AND k.movement = 'counted'
        AND (k.happened_on = s.from_on OR k.happened_on = s.to_on)
    WHERE s.to_on IS NOT NULL
)
SELECT
    *,
    row_number() OVER (
        PARTITION BY shop_id, component_id, from_on
        ORDER BY
            CASE kind WHEN 'opening' THEN 0 WHEN 'closing' THEN 2 ELSE 1 END,
            on_date, kind, mix_id, number, document_line, scale_id, by_volume
    ) AS line,
    CASE WHEN kind IN ('opening', 'delivered') THEN mass_g ELSE 0 - mass_g END AS signed_g
FROM lines
ORDER BY shop_id, component_id, from_on, line
