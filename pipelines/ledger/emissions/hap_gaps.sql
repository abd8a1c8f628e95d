-- Material of a month whose composition nobody gave, g by component: what hazardous pollutants or target metals it holds is not
-- known, and the month's figures of them are lower bounds. Known: the register lists substances of the component, or says that
-- the list is complete (composition_complete; said to be false: not known).
SELECT u.shop_id, u.month, u.component_id, sum(u.mass_g) AS mass_g
FROM hap_uses AS u
LEFT JOIN component_facts AS f
    ON f.component_id = u.component_id AND u.on_date >= f.from_on AND u.on_date < f.until_on
WHERE NOT coalesce(f.composition_known, FALSE) AND u.mass_g > 0
GROUP BY u.shop_id, u.month, u.component_id
ORDER BY u.shop_id, u.month, u.component_id
