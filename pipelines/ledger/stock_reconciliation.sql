-- Two roads to usage, per component between two counts, g. A count is the closing stock of its day, so movements and uses
-- count after the opening day and up to the closing day:
--   gone by the store = opening + delivered - returned - transferred - written off - shipped as waste - closing
--   recorded use      = component pours + cleaning issued + unscaled use
--   unexplained       = gone by the store - recorded use
-- low and high: 95 %, from the scales alone: what was counted was weighed too ($scale_rel_u each); each scale's relative error is the root mean square of (reading - weight)/weight
-- over its checks ($scale_rel_u without any) and is shared by all it weighed; pours by volume or bought ready $volume_rel_u.
WITH counts AS (
    SELECT shop_id, component_id, happened_on, sum(mass_g) AS counted_g
    FROM stock
    WHERE movement = 'counted' AND component_id IS NOT NULL
    GROUP BY shop_id, component_id, happened_on
),
spans AS (
    SELECT
        shop_id,
        component_id,
        happened_on AS from_on,
        counted_g AS opening_g,
        lead(happened_on) OVER (PARTITION BY shop_id, component_id ORDER BY happened_on) AS to_on,
        lead(counted_g) OVER (PARTITION BY shop_id, component_id ORDER BY happened_on) AS closing_g
    FROM counts
),
moved AS (
    SELECT
        s.shop_id,
        s.component_id,
        s.from_on,
        sum(CASE WHEN k.movement = 'delivered' THEN k.mass_g ELSE 0 END) AS delivered_g,
        sum(CASE WHEN k.movement <> 'delivered' THEN k.mass_g ELSE 0 END) AS out_g
    FROM spans AS s
    INNER JOIN stock AS k
        ON k.shop_id = s.shop_id AND k.component_id = s.component_id AND k.movement <> 'counted'
        AND k.happened_on > s.from_on AND k.happened_on <= s.to_on
    GROUP BY s.shop_id, s.component_id, s.from_on
),
scales AS (
    SELECT scale_id, sqrt(avg(power((reading_g - weight_g) / weight_g, 2))) AS rel_u
    FROM scale_checks
    GROUP BY scale_id
),
uses AS (
    SELECT
        p.shop_id,
        p.component_id,
        CAST(p.poured_at AS DATE) AS on_date,
        CASE WHEN coalesce(p.measured_by, 'scale') = 'scale' THEN coalesce(p.scale_id, '') ELSE 'by volume' END AS way,
        coalesce(p.measured_by, 'scale') = 'scale' AS weighed,
        p.weighed_g AS g
    FROM pours AS p
    WHERE p.component_id IS NOT NULL
    UNION ALL
    SELECT shop_id, component_id, CAST(used_at AS DATE) AS on_date, '' AS way, TRUE AS weighed, issued_g AS g
    FROM cleaning
    UNION ALL
    SELECT shop_id, component_id, CAST(used_at AS DATE) AS on_date, '' AS way, TRUE AS weighed, mass_g AS g
    FROM unscaled_use
),
by_way AS (
    SELECT s.shop_id, s.component_id, s.from_on, u.way, u.weighed, sum(u.g) AS g
    FROM spans AS s
    INNER JOIN uses AS u
        ON u.shop_id = s.shop_id AND u.component_id = s.component_id AND u.on_date > s.from_on AND u.on_date <= s.to_on
    GROUP BY s.shop_id, s.component_id, s.from_on, u.way, u.weighed
),
used AS (
    SELECT
        b.shop_id,
        b.component_id,
        b.from_on,
        sum(b.g) AS recorded_use_g,
        sqrt(sum(power(b.g * CASE WHEN b.weighed THEN coalesce(k.rel_u, $scale_rel_u) ELSE $volume_rel_u END, 2))) AS u_g
    FROM by_way AS b
    LEFT JOIN scales AS k ON k.scale_id = b.way
    GROUP BY b.shop_id, b.component_id, b.from_on
),
roads AS (
    SELECT
        s.shop_id,
        s.component_id,
        s.from_on,
        s.to_on,
        s.opening_g,
        coalesce(m.delivered_g, 0.0) AS delivered_g,
        coalesce(m.out_g, 0.0) AS out_g,
        s.closing_g,
        coalesce(u.recorded_use_g, 0.0) AS recorded_use_g,
        s.opening_g + coalesce(m.delivered_g, 0) - coalesce(m.out_g, 0) - s.closing_g - coalesce(u.recorded_use_g, 0)
            AS unexplained_g,
        sqrt(power(coalesce(u.u_g, 0.0), 2) + power($scale_rel_u, 2) * (power(s.opening_g, 2) + power(s.closing_g, 2))) AS u_g
    FROM spans AS s
    LEFT JOIN moved AS m ON m.shop_id = s.shop_id AND m.component_id = s.component_id AND m.from_on = s.from_on
    LEFT JOIN used AS u ON u.shop_id = s.shop_id AND u.component_id = s.component_id AND u.from_on = s.from_on
    WHERE s.to_on IS NOT NULL
)
SELECT
    shop_id,
    component_id,
    from_on,
    to_on,
    opening_g,
    delivered_g,
    out_g,
    closing_g,
    recorded_use_g,
    unexplained_g,
    unexplained_g - 1.96 * u_g AS low,
    unexplained_g + 1.96 * u_g AS high,
    CASE
        WHEN unexplained_g > 1.96 * u_g
            THEN 'more left the store than was recorded: pours, cleaning or other uses may lack, or waste and transfers'
        WHEN unexplained_g < -1.96 * u_g
            THEN 'more was recorded than left the store: a delivery may lack, or a count was too high at the end or too low at the start'
        ELSE 'inside the spread of the scales'
    END AS hint
FROM roads
ORDER BY shop_id, component_id, from_on, to_on
