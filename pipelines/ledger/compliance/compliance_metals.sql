-- Target metals of 40 CFR 63 subpart HHHHHH in each cup, as mass of the compound over mass of the cup:
--   above   even the lowest stated content is above the threshold       below   even the highest is below
--   review  exactly at it (the rule says both "above" and "or more"), or a stated range that holds it
WITH thresholds AS (
    SELECT DISTINCT cas, class AS metal, form, substance, threshold_mass_fraction
    FROM substance_status
    WHERE purpose = 'metal'
),
contents AS (
    SELECT
        p.shop_id,
        p.mix_id,
        s.cas,
        sum(p.part * coalesce(s.mass_fraction_high, s.mass_fraction)) AS high,
        sum(p.part * coalesce(s.mass_fraction_low, s.mass_fraction, 0)) AS low
    FROM emission_parts AS p
    INNER JOIN component_species AS s ON s.component_id = p.component_id
    INNER JOIN (SELECT DISTINCT cas FROM thresholds) AS t ON t.cas = s.cas
    GROUP BY p.shop_id, p.mix_id, s.cas
)
SELECT
    c.shop_id,
    c.mix_id,
    t.*,
    c.low AS mass_fraction_low,
    c.high AS mass_fraction_high,
    CASE
        WHEN c.low > t.threshold_mass_fraction * (1 + 1e-9) THEN 'above'
        WHEN c.high < t.threshold_mass_fraction * (1 - 1e-9) THEN 'below'
        ELSE 'review'
    END AS verdict,
    u.product_id,
    u.month
FROM contents AS c
INNER JOIN thresholds AS t ON t.cas = c.cas
INNER JOIN emission_cups AS u ON u.shop_id = c.shop_id AND u.mix_id = c.mix_id
ORDER BY c.shop_id, c.mix_id, t.cas, t.metal
