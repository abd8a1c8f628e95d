-- What the scale saw: net mass of each component in each cup, g. A pour taken out again is netted within its component.
-- on_date picks the version of the component's register row.
SELECT
    shop_id,
    mix_id,
    component_id,
    CAST(min(poured_at) AS DATE) AS on_date,
    sum(weighed_g) AS net_g,
    bool_or(coalesce(measured_by, 'scale') <> 'scale') AS by_volume
FROM pours
WHERE component_id IS NOT NULL
GROUP BY shop_id, mix_id, component_id
ORDER BY shop_id, mix_id, component_id
