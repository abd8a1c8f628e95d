-- Which products leave the most money in the cup, and in how many cups was that weighed?
SELECT
    l.product, l.role, round(sum(m.cost_per_g * m.leftover_g), 2) AS left_cost, round(sum(m.leftover_g) / 1000, 2) AS left_kg,
    count(*) FILTER (WHERE m.leftover_known) AS cups_weighed_back, count(*) AS cups
FROM v_cups AS l
JOIN mixes AS m ON m.shop_id = l.shop_id AND m.mix_id = l.mix_id
GROUP BY l.product, l.role
HAVING sum(m.cost_per_g * m.leftover_g) > 0
ORDER BY left_cost DESC, l.product, l.role
LIMIT 10
