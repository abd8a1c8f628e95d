-- Hazardous air pollutants of each line of emission_lines by CAS number, kg: hap_monthly is their sum.
SELECT
    u.shop_id,
    u.line,
    s.cas,
    min(u.month) AS month,
    min(s.substance) AS substance,
    bool_or(s.metal) AS metal,
    sum(u.mass_g * s.fraction) / 1000 AS kg,
    sum(u.mass_g * s.fraction_low) / 1000 AS kg_low,
    sum(u.mass_g * s.fraction_high) / 1000 AS kg_high,
    sum(u.mass_g * s.fraction_63_3941) / 1000 AS kg_63_3941,
    bool_and(u.complete AND s.fraction IS NOT NULL) AS complete,
    bool_or(s.from_blend) AS from_blend
FROM hap_uses AS u
INNER JOIN hap_species AS s
    ON s.component_id = u.component_id AND u.on_date >= s.from_on AND u.on_date < s.until_on
GROUP BY u.shop_id, u.line, s.cas
ORDER BY u.shop_id, u.line, s.cas
