-- One row per cup as the environmental record sees it: its category, its limit, and what of its mass is VOC or exempt where
-- the shop reports. Of several categories of its product in the shop's jurisdiction that one rules whose limit the cup takes
-- most of (cup_categories). No category: null, `unmapped` in the sums. voc and exempt are null where a component has no figure.
SELECT
    u.shop_id,
    u.mix_id,
    u.product_id,
    u.month,
    u.first_poured_at,
    p.jurisdiction,
    c.category,
    c.label,
    coalesce(c.n_categories, 0) AS n_categories,
    c.limit_g_per_l,
    c.limit_source,
    p.basis,
    p.averaging,
    u.poured_g,
    u.own_poured_g,
    u.rts_l,
    t.voc AS voc_mass_fraction,
    t.exempt AS exempt_mass_fraction,
    t.content_voc AS content_voc_mass_fraction,
    t.limited_ml AS limited_ml_per_g,
    u.complete,
    u.why_incomplete,
    u.leftover_known,
    u.grade
FROM mixes AS u
INNER JOIN emission_places AS p ON p.shop_id = u.shop_id
LEFT JOIN cup_categories AS c ON c.shop_id = u.shop_id AND c.mix_id = u.mix_id AND c.rules
LEFT JOIN cup_contents_placed AS t ON t.shop_id = u.shop_id AND t.mix_id = u.mix_id
ORDER BY u.shop_id, u.mix_id
