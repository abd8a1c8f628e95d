-- Two roads to usage, per component between two counts, g: sums of stock_lines.
--   gone by the store = opening + delivered - returned - transferred - written off - shipped as waste - closing
--   recorded use      = component pours + cleaning issued + unscaled use
--   unexplained       = gone by the store - recorded use
-- low and high: 95 %, from the scales alone: what was counted was weighed too ($scale_rel_u each); each scale's relative error
-- is the root mean square of (reading - weight)/weight over its checks ($scale_rel_u without any) and is shared by all it
-- weighed; pours by volume or bought ready $volume_rel_u.
WITH scales AS (
    SELECT scale_id, sqrt(avg(power((reading_g - weight_g) / weight_g, 2))) AS rel_u
    FROM scale_checks
    GROUP BY scale_id
),
by_way AS (
    SELECT shop_id, component_id, from_on, scale_id, by_volume, sum(mass_g) AS g
    FROM stock_lines
    WHERE kind IN ('cup', 'cleaning', 'unscaled')
    GROUP BY shop_id, component_id, from_on, scale_id, by_volume
),
-- By volume the scale is no matter: its parts share one error.
by_error AS (
    SELECT
        shop_id,
        component_id,
        from_on,
        CASE WHEN by_volume THEN 'by volume' ELSE concat('scale ', coalesce(scale_id, '')) END AS way,
        sum(g) AS g,
        min(scale_id) AS scale_id,
        bool_or(by_volume) AS by_volume
    FROM by_way
    GROUP BY shop_id, component_id, from_on, CASE WHEN by_volume THEN 'by volume' ELSE concat('scale ', coalesce(scale_id, '')) END
),
used AS (
    SELECT
        b.shop_id,
        b.component_id,
        b.from_on,
        sum(power(b.g * CASE WHEN b.by_volume THEN $volume_rel_u ELSE coalesce(k.rel_u, $scale_rel_u) END, 2)) AS u2_g
    FROM by_error AS b
    LEFT JOIN scales AS k ON k.scale_id = b.scale_id
    GROUP BY b.shop_id, b.component_id, b.from_on
),
roads AS (
    SELECT
        shop_id,
        component_id,
        from_on,
        min(to_on) AS to_on,
        sum(CASE WHEN kind = 'opening' THEN mass_g ELSE 0.0 END) AS opening_g,
        sum(CASE WHEN kind = 'delivered' THEN mass_g ELSE 0.0 END) AS delivered_g,
        sum(CASE WHEN kind IN ('returned', 'transferred', 'written_off', 'shipped_as_waste') THEN mass_g ELSE 0.0 END) AS out_g,
        sum(CASE WHEN kind = 'closing' THEN mass_g ELSE 0.0 END) AS closing_g,
        sum(CASE WHEN kind IN ('cup', 'cleaning', 'unscaled') THEN mass_g ELSE 0.0 END) AS recorded_use_g
    FROM stock_lines
    GROUP BY shop_id, component_id, from_on
),
spread AS (
    SELECT
        r.*,
        r.opening_g + r.delivered_g - r.out_g - r.closing_g - r.recorded_use_g AS unexplained_g,
        sqrt(coalesce(u.u2_g, 0) + power($scale_rel_u, 2) * (power(r.opening_g, 2) + power(r.closing_g, 2))) AS u_g
    FROM roads AS r
    LEFT JOIN used AS u ON u.shop_id = r.shop_id AND u.component_id = r.component_id AND u.from_on = r.from_on
)
SELECT
    *,
    unexplained_g - $z95 * u_g AS low,
    unexplained_g + $z95 * u_g AS high,
    CASE
        WHEN unexplained_g > $z95 * u_g
            THEN 'more left the store than was recorded: pours, cleaning or other uses may lack, or waste and transfers'
        WHEN unexplained_g < -$z95 * u_g
            THEN 'more was recorded than left the store: a delivery may lack, or a count was too high at the end or too low at the start'
        ELSE 'inside the spread of the scales'
    END AS hint
FROM spread
ORDER BY shop_id, component_id, from_on, to_on
