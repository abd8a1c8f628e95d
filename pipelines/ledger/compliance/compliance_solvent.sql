-- The solvent balance of a calendar year where the EU's definitions hold, kg of organic solvent:
--   input  = component pours + cleaning issued + unscaled use
--   input  = emitted + came back from cleaning, net of the flush in it + change of what stands kept in cups       (closes)
-- documented waste is part of emitted or of what came back and stands beside it; emitted_less_waste is voc_kg of the record.
WITH pours_in AS (
    SELECT shop_id, substr(month, 1, 4) AS year, sum(kg) AS kg
    FROM solvent_lines
    WHERE kind = 'cup'
    GROUP BY shop_id, substr(month, 1, 4)
),
cleanings AS (
    SELECT
        e.shop_id,
        substr(e.month, 1, 4) AS year,
        sum(e.issued_g * (m.voc_mass_fraction + m.exempt_mass_fraction)) / 1000 AS issued_kg,
        sum((e.issued_g - e.evaporated_g) * (m.voc_mass_fraction + m.exempt_mass_fraction)) / 1000 AS back_kg
    FROM emission_cleaning AS e
    INNER JOIN emission_places AS w ON w.shop_id = e.shop_id AND w.basis = 'eu'
    LEFT JOIN emission_materials AS m
        ON m.jurisdiction = w.jurisdiction AND m.component_id = e.component_id AND m.on_date = e.on_date
    GROUP BY e.shop_id, substr(e.month, 1, 4)
),
lines AS (
    SELECT
        l.shop_id,
        substr(l.month, 1, 4) AS year,
        sum(CASE WHEN l.source = 'mixes' THEN l.voc_kg + l.exempt_kg ELSE 0 END) AS cups_kg,
        sum(CASE WHEN l.source = 'cleaning' THEN l.voc_kg + l.exempt_kg ELSE 0 END) AS cleaning_kg,
        sum(CASE WHEN l.source = 'unscaled_use' THEN l.voc_kg + l.exempt_kg ELSE 0 END) AS unscaled_kg,
        sum(CASE WHEN l.source = 'stock' THEN 0 - l.voc_kg ELSE 0 END) AS waste_kg,
        bool_and(l.complete) AS complete
    FROM emission_lines AS l
    INNER JOIN emission_places AS w ON w.shop_id = l.shop_id AND w.basis = 'eu'
    GROUP BY l.shop_id, substr(l.month, 1, 4)
),
unread AS (
    SELECT shop_id, substr(month, 1, 4) AS year
    FROM emission_gaps
    WHERE unread
    GROUP BY shop_id, substr(month, 1, 4)
)
SELECT
    l.shop_id,
    CAST(l.year AS INTEGER) AS year,
    coalesce(p.kg, 0.0) AS pours_kg,
    coalesce(c.issued_kg, 0.0) AS cleaning_issued_kg,
    l.unscaled_kg,
    coalesce(p.kg, 0) + coalesce(c.issued_kg, 0) + l.unscaled_kg AS input_kg,
    coalesce(c.back_kg, 0.0) AS came_back_kg,
    coalesce(p.kg, 0) + coalesce(c.issued_kg, 0) + l.unscaled_kg - coalesce(c.back_kg, 0) AS consumed_kg,
    l.cups_kg + l.cleaning_kg + l.unscaled_kg AS emitted_kg,
    coalesce(p.kg, 0) - l.cups_kg AS kept_change_kg,
    l.waste_kg,
    l.cups_kg + l.cleaning_kg + l.unscaled_kg - l.waste_kg AS emitted_less_waste_kg,
    l.complete AND u.year IS NULL AS complete
FROM lines AS l
LEFT JOIN pours_in AS p ON p.shop_id = l.shop_id AND p.year = l.year
LEFT JOIN cleanings AS c ON c.shop_id = l.shop_id AND c.year = l.year
LEFT JOIN unread AS u ON u.shop_id = l.shop_id AND u.year = l.year
ORDER BY l.shop_id, year
