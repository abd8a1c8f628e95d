-- All organic HAP of each component in each line of emission_lines by 40 CFR 63.3941, kg: the component's counted fractions
-- summed and cut off to 3 decimals (0.7635 is 0.763), times the mass used. hap_63_3941 is the sum.
WITH decimals AS (
    SELECT power(10, max(value)) AS places FROM rule_figures WHERE rule = 'hap_content' AND figure = 'sum_decimals'
),
materials AS (
    SELECT
        u.shop_id,
        u.line,
        u.component_id,
        u.month,
        min(u.mass_g) AS mass_g,
        floor(sum(s.fraction_63_3941) * max(d.places) + 1e-7) / max(d.places) AS organic_hap_mass_fraction
    FROM hap_uses AS u
    CROSS JOIN decimals AS d
    INNER JOIN hap_species AS s
        ON s.component_id = u.component_id AND u.on_date >= s.from_on AND u.on_date < s.until_on
    WHERE NOT s.metal
    GROUP BY u.shop_id, u.line, u.month, u.component_id
)
SELECT
    *,
    mass_g * organic_hap_mass_fraction / 1000 AS kg
FROM materials
ORDER BY shop_id, line, component_id
