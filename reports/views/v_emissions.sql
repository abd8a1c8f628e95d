-- Usage and emissions of each month and category, with the shop and its jurisdiction in words.
SELECT
    e.shop_id, coalesce(s.label, e.shop_id) AS shop, s.jurisdiction, k.label AS rules, e.month, e.category,
    e.rts_l, e.rts_kg, e.voc_kg, e.exempt_kg, e.pm_kg, e.pm_kg_low, e.pm_kg_high, e.complete, e.n_lines, e.n_refused
FROM emissions_monthly AS e
LEFT JOIN shops AS s ON s.shop_id = e.shop_id
LEFT JOIN packs AS k ON k.jurisdiction = s.jurisdiction
