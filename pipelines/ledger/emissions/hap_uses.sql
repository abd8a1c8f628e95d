-- Grams of each component in each line of emission_lines that emits material (cups by composition, cleaning net of what
-- came back, unscaled use). Kept leftovers are out until they are shown gone; waste credits are VOC only.
SELECT
    l.shop_id,
    l.line,
    l.month,
    l.on_date,
    p.component_id,
    sum(l.mass_g * p.part) AS mass_g,
    bool_and(l.complete) AS complete
FROM emission_lines AS l
INNER JOIN emission_parts AS p ON p.shop_id = l.shop_id AND p.mix_id = l.mix_id
WHERE l.source = 'mixes'
GROUP BY l.shop_id, l.line, l.month, l.on_date, p.component_id
UNION ALL
SELECT shop_id, line, month, on_date, component_id, mass_g, complete
FROM emission_lines
WHERE source IN ('cleaning', 'unscaled_use')
ORDER BY shop_id, line, component_id
