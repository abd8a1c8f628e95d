-- What the VOC content of each cup is a quotient of: one row per pour and component that the cup holds.
--   VOC actual      = 1000 sum voc_g / sum volume_ml
--   VOC regulatory  = 1000 sum voc_g / sum regulatory_ml         volume less water and exempt compounds, 40 CFR 59.104(a)(1)
--   VOC EU          = 1000 sum voc_eu_g / sum eu_ml              volume less water; preparatory and cleaning categories: all of it
--   content         = 1000 sum content_voc_g / sum content_ml    as the place compares it in the category that rules (voc_content)
-- A leftover poured in stands by component, w/M of what its cup of M g holds, at the pour that brought it. What was poured and
-- wholly taken out again is not in the cup and has no row. g and mL; null is not known, and then the quotient is not known.
-- on_date picks the version of the component's register row, product_on that of the product (whose figure the whole cup takes
-- where a component lacks it: from_product).
WITH over_all_volume AS (
    SELECT product_id
    FROM product_categories
    WHERE jurisdiction IN ('eu', 'uk')
    GROUP BY product_id
    HAVING count(*) = count(CASE WHEN category IN ('preparatory', 'pre_cleaner') THEN 1 END)
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
        p.line AS file_line,
        c.component_id,
        c.on_date,
        c.by_volume,
        p.weighed_g AS m
    FROM pours AS p
    INNER JOIN cup_pours AS o ON o.shop_id = p.shop_id AND o.mix_id = p.mix_id AND o.component_id = p.component_id
    INNER JOIN cup_contents AS c
        ON c.shop_id = p.shop_id AND c.mix_id = p.mix_id AND c.component_id = p.component_id
        AND c.on_date = o.on_date AND c.by_volume = o.by_volume
    WHERE c.mass_g <> 0
    UNION ALL
    SELECT
        p.shop_id,
        p.mix_id,
        p.pour_no,
        p.from_mix_id,
        p.file,
        p.line AS file_line,
        c.component_id,
        c.on_date,
        c.by_volume,
        CASE WHEN w.mass_g > 0 THEN p.weighed_g * s.mass_g / w.mass_g ELSE 0.0 END AS m
    FROM pours AS p
    INNER JOIN cup_contents AS s ON s.shop_id = p.shop_id AND s.mix_id = p.from_mix_id
    INNER JOIN wholes AS w ON w.shop_id = s.shop_id AND w.mix_id = s.mix_id
    INNER JOIN cup_contents AS c
        ON c.shop_id = p.shop_id AND c.mix_id = p.mix_id AND c.component_id = s.component_id
        AND c.on_date = s.on_date AND c.by_volume = s.by_volume
    -- cups poured into each other in a circle keep their own pours alone
    WHERE c.mass_g <> 0 AND c.mass_g <> c.own_g
),
amounts AS (
    SELECT
        h.*,
        u.product_id,
        CAST(u.first_poured_at AS DATE) AS product_on,
        v.product_id IS NOT NULL AS whole_volume,
        f.density_g_per_ml AS rho,
        h.m / f.mass_g * f.ml AS ml,
        h.m / f.mass_g * f.voc_g AS voc_g,
        h.m / f.mass_g * f.water_g AS water_g,
        h.m / f.mass_g * f.water_ml AS water_ml,
        h.m / f.mass_g * f.exempt_g AS exempt_g,
        h.m / f.mass_g * f.exempt_ml AS exempt_ml,
        h.m / f.mass_g * f.voc_eu_g AS voc_eu_g,
        h.m * e.content_voc / e.part AS content_voc_g,
        h.m * CASE WHEN c.basis = 'eu_whole_volume' THEN e.ml ELSE e.limited_ml END / e.part AS content_ml,
        f.density_from_sheet OR f.voc_from_sheet OR f.water_from_sheet OR f.exempt_from_sheet AS from_product
    FROM held AS h
    INNER JOIN mixes AS u ON u.shop_id = h.shop_id AND u.mix_id = h.mix_id
    LEFT JOIN over_all_volume AS v ON v.product_id = u.product_id
    INNER JOIN cup_figures AS f
        ON f.shop_id = h.shop_id AND f.mix_id = h.mix_id AND f.component_id = h.component_id AND f.on_date = h.on_date
        AND f.by_volume = h.by_volume
    LEFT JOIN emission_parts AS e
        ON e.shop_id = h.shop_id AND e.mix_id = h.mix_id AND e.component_id = h.component_id AND e.on_date = h.on_date
    LEFT JOIN cup_categories AS c ON c.shop_id = h.shop_id AND c.mix_id = h.mix_id AND c.rules
)
SELECT
    *,
    row_number() OVER (
        PARTITION BY shop_id, mix_id ORDER BY pour_no, component_id, on_date, m
    ) AS line,
    m AS mass_g,
    rho AS density_g_per_ml,
    ml AS volume_ml,
    ml - water_ml - exempt_ml AS regulatory_ml,
    CASE WHEN whole_volume THEN ml ELSE ml - water_ml END AS eu_ml
FROM amounts
ORDER BY shop_id, mix_id, line
