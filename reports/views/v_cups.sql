-- Cups with what was mixed in words: shop, product, role; contents, grade and cost of each.
SELECT
    m.shop_id, coalesce(s.label, m.shop_id) AS shop, m.mix_id, m.month, m.first_poured_at,
    m.product_id, coalesce(p.label, m.product_id) AS product, p.role,
    m.poured_g, m.leftover_g, m.leftover_known, m.rts_l, m.cost, m.voc_g_per_l_actual, m.voc_g_per_l_regulatory,
    m.voc_g_per_l_eu, m.grade, m.complete, m.why_incomplete
FROM mixes AS m
LEFT JOIN shops AS s ON s.shop_id = m.shop_id
LEFT JOIN v_products AS p ON p.product_id = m.product_id
