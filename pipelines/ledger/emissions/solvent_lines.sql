-- Organic solvent consumed where the EU's definitions hold, kg, line by line: solvent_kg of rolling_12_months is its sum.
--   cup        component pours: own mass x (VOC + what the EU counts besides), in the month of the first pour
--   cleaning, surface_prep, unscaled        as in emission_lines (cleaning less what came back)
SELECT
    c.shop_id,
    u.month,
    'cup' AS kind,
    min(CAST(u.first_poured_at AS DATE)) AS on_date,
    c.mix_id,
    CAST(NULL AS VARCHAR) AS number,
    c.component_id,
    sum(c.own_g * (p.voc + p.exempt) / p.part) / 1000 AS kg,
    bool_and(u.complete AND p.voc IS NOT NULL AND p.exempt IS NOT NULL) AS complete
FROM cup_contents AS c
INNER JOIN emission_places AS w ON w.shop_id = c.shop_id AND w.basis = 'eu'
INNER JOIN emission_parts AS p
    ON p.shop_id = c.shop_id AND p.mix_id = c.mix_id AND p.component_id = c.component_id AND p.on_date = c.on_date
INNER JOIN emission_cups AS u ON u.shop_id = c.shop_id AND u.mix_id = c.mix_id
WHERE c.own_g <> 0
GROUP BY c.shop_id, u.month, c.mix_id, c.component_id
UNION ALL
SELECT
    l.shop_id,
    l.month,
    l.kind,
    l.on_date,
    CAST(NULL AS VARCHAR) AS mix_id,
    l.number,
    l.component_id,
    l.voc_kg + l.exempt_kg AS kg,
    l.complete
FROM emission_lines AS l
INNER JOIN emission_places AS w ON w.shop_id = l.shop_id AND w.basis = 'eu'
WHERE l.source IN ('cleaning', 'unscaled_use')
ORDER BY shop_id, month, kind, mix_id, number, component_id
