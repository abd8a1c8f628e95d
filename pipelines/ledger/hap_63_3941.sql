-- All organic HAP of a month by 40 CFR 63.3941 and 63.3951(e), kg: per material the sum of its counted fractions is cut off
-- to 3 decimals (0.7635 is 0.763) and multiplied by the mass used; waste is not taken off (no analysis by substance).
WITH materials AS (
    SELECT
        u.shop_id,
        u.line,
        u.month,
        u.component_id,
        min(u.mass_g) AS mass_g,
        floor(sum(s.fraction_63_3941) * 1000 + 1e-7) / 1000 AS organic_hap
    FROM hap_uses AS u
    INNER JOIN hap_species AS s
        ON s.component_id = u.component_id AND u.on_date >= s.from_on AND u.on_date < s.until_on
    WHERE NOT s.metal
    GROUP BY u.shop_id, u.line, u.month, u.component_id
)
SELECT shop_id, month, sum(mass_g * organic_hap) / 1000 AS kg
FROM materials
GROUP BY shop_id, month
ORDER BY shop_id, month
