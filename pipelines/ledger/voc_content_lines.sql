-- What the VOC content of each cup is a quotient of: one row per pour and component that the cup holds.
--   VOC actual      = 1000 sum voc_g / sum volume_ml
--   VOC regulatory  = 1000 sum voc_g / sum regulatory_ml         volume less water and exempt compounds, 40 CFR 59.104(a)(1)
--   VOC EU          = 1000 sum voc_eu_g / sum eu_ml              volume less water; preparatory and cleaning categories: all of it
-- A leftover poured in stands by component, w/M of what its cup of M g holds, at the pour that brought it. What was poured and
-- wholly taken out again is not in the cup and has no row. g and mL; null is not known, and then the quotient is not known.
-- on_date picks the version of the component's register row, product_on that of the product (where a figure of the component
-- is lacking: from_product).
WITH over_all_volume AS (
    SELECT DISTINCT product_id
    FROM product_categories
    WHERE category IN ('preparatory', 'pre_cleaner') AND jurisdiction IN ('eu', 'uk')
),
wholes AS (
    SELECT shop_id, mix_id, sum(mass_g) AS mass_g
    FROM cup_contents
    GROUP BY shop_id, mix_id
),
held AS (
    SELECT
        p.shop_id,
        p.mix_id,
        p.pour_no,
        p.from_mix_id,
        p.file,
        p.file_line,
        c.component_id,
        c.on_date,
        c.product_id,
        c.product_on,
        p.weighed_g AS m
    FROM pour_lines AS p
    INNER JOIN cup_pours AS o ON o.shop_id = p.shop_id AND o.mix_id = p.mix_id AND o.component_id = p.component_id
    INNER JOIN cup_contents AS c
        ON c.shop_id = p.shop_id AND c.mix_id = p.mix_id AND c.component_id = p.component_id
        AND c.on_date = o.on_date AND c.by_volume = o.by_volume
    INNER JOIN mixes AS u ON u.shop_id = p.shop_id AND u.mix_id = p.mix_id
    WHERE c.mass_g <> 0 AND c.product_id IS NOT DISTINCT FROM u.product_id AND c.product_on = CAST(u.first_poured_at AS DATE)
    UNION ALL
    SELECT
        p.shop_id,
        p.mix_id,
        p.pour_no,
        p.from_mix_id,
        p.file,
        p.file_line,
        c.component_id,
        c.on_date,
        c.product_id,
        c.product_on,
        CASE WHEN w.mass_g > 0 THEN p.weighed_g * s.mass_g / w.mass_g ELSE 0.0 END AS m
    FROM pour_lines AS p
    INNER JOIN cup_contents AS s ON s.shop_id = p.shop_id AND s.mix_id = p.from_mix_id
    INNER JOIN wholes AS w ON w.shop_id = s.shop_id AND w.mix_id = s.mix_id
    INNER JOIN cup_contents AS c
        ON c.shop_id = p.shop_id AND c.mix_id = p.mix_id AND c.component_id = s.component_id
        AND c.on_date = s.on_date AND c.by_volume = s.by_volume AND c.product_on = s.product_on
        AND c.product_id IS NOT DISTINCT FROM s.product_id
    -- cups poured into each other in a circle keep their own pours alone
    WHERE c.mass_g <> 0 AND c.mass_g <> c.own_g
),
figures AS (
    SELECT
        h.*,
        v.product_id IS NOT NULL AS whole_volume,
        coalesce(f.density_g_per_ml, p.rts_density_g_per_ml) AS rho,
        h.m * f.voc_mass_fraction AS own_voc_g,
        p.rts_voc_g_per_l / 1000 AS voc_g_per_ml,
        coalesce(f.water_mass_fraction, p.rts_water_mass_fraction) AS w,
        coalesce(f.exempt_mass_fraction, p.rts_exempt_mass_fraction) AS x,
        f.exempt_density_g_per_ml AS rho_x,
        f.voc_eu_mass_fraction AS e,
        f.density_g_per_ml IS NULL OR f.voc_mass_fraction IS NULL OR f.water_mass_fraction IS NULL
        OR f.exempt_mass_fraction IS NULL AS from_product
    FROM held AS h
    INNER JOIN mixes AS u ON u.shop_id = h.shop_id AND u.mix_id = h.mix_id
    LEFT JOIN over_all_volume AS v ON v.product_id = u.product_id
    LEFT JOIN component_facts AS f
        ON f.component_id = h.component_id AND h.on_date >= f.from_on AND h.on_date < f.until_on
    LEFT JOIN product_versions AS p
        ON p.product_id = h.product_id AND h.product_on >= p.from_on AND h.product_on < p.until_on
),
amounts AS (
    SELECT
        *,
        m / rho AS ml,
        coalesce(own_voc_g, m / rho * voc_g_per_ml) AS voc_g,
        m * w / $water_density_g_per_ml AS water_ml,
        CASE WHEN x = 0 THEN 0.0 ELSE m * x / rho_x END AS exempt_ml
    FROM figures
)
SELECT
    shop_id,
    mix_id,
    row_number() OVER (
        PARTITION BY shop_id, mix_id ORDER BY pour_no, component_id, on_date, product_id, product_on, m
    ) AS line,
    pour_no,
    component_id,
    from_mix_id,
    m AS mass_g,
    rho AS density_g_per_ml,
    ml AS volume_ml,
    voc_g,
    m * w AS water_g,
    water_ml,
    m * x AS exempt_g,
    exempt_ml,
    ml - water_ml - exempt_ml AS regulatory_ml,
    coalesce(m * e, voc_g + m * x) AS voc_eu_g,
    CASE WHEN whole_volume THEN ml ELSE ml - water_ml END AS eu_ml,
    from_product,
    on_date,
    product_id,
    product_on,
    file,
    file_line
FROM amounts
ORDER BY shop_id, mix_id, line
