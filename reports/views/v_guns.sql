-- What each gun lands by role, with what the register says of it.
SELECT
    e.shop_id, coalesce(s.label, e.shop_id) AS shop, e.gun_id, g.atomising, g.feed, g.tip_mm, g.in_service_on, g.retired_on,
    e.role, e.estimate, e.low, e.high, e.n, e.grade, e.separable, e.with_whom
FROM transfer_by_gun AS e
LEFT JOIN shops AS s ON s.shop_id = e.shop_id
LEFT JOIN v_gun_register AS g ON g.gun_id = e.gun_id
