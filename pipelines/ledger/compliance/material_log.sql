-- The monthly log of materials, as 40 CFR 63.11177 and rules of districts ask for it, what was used of each:
--   product     the mixes of a product in one category: litres and kg poured, VOC as applied (over the whole volume) and as its
--               limit counts, the highest of its mixes and how many lie above the limit
--   component   what went into them, as supplied: litres, kg, share of the mix by volume and by mass, VOC as supplied
--   cleaning, surface_prep, unscaled     materials by what was issued or used, recovered and shipped
--   waste       what documents show shipped, by component where it is named
-- VOC in g/L and in pounds per US gallon, as the place counts it and by the register's rows of each day. colour: where all mixes of the row have the same. Figures without a base are null.
WITH pounds AS (
    SELECT g.factor / (p.factor * 1000) AS lb_per_gal
    FROM unit_factors AS p
    CROSS JOIN unit_factors AS g
    WHERE p.unit = 'lb' AND g.unit = 'gal_us'
),
colours AS (
    SELECT shop_id, mix_id, min(colour_id) AS colour_id
    FROM pours
    WHERE colour_id IS NOT NULL
    GROUP BY shop_id, mix_id
),
cups AS (
    SELECT
        u.shop_id,
        u.mix_id,
        u.month,
        u.product_id,
        coalesce(u.category, 'unmapped') AS category,
        u.rts_l,
        u.own_poured_g,
        u.own_poured_g * u.voc_mass_fraction AS voc_g,
        v.g_per_l,
        v.limit_g_per_l,
        v.over,
        c.colour_id
    FROM emission_cups AS u
    LEFT JOIN voc_content AS v ON v.shop_id = u.shop_id AND v.mix_id = u.mix_id AND v.rules AND v.kind = 'cup'
    LEFT JOIN colours AS c ON c.shop_id = u.shop_id AND c.mix_id = u.mix_id
    WHERE u.product_id IS NOT NULL
),
products_used AS (
    SELECT
        shop_id,
        month,
        product_id,
        category,
        CASE WHEN min(colour_id) = max(colour_id) AND count(colour_id) = count(*) THEN min(colour_id) END AS colour_id,
        CASE WHEN count(rts_l) = count(*) THEN sum(rts_l) END AS rts_l,
        sum(own_poured_g) / 1000 AS mass_kg,
        CASE WHEN count(rts_l) = count(*) AND count(voc_g) = count(*) AND sum(rts_l) > 0 THEN sum(voc_g) / sum(rts_l) END AS applied,
        max(g_per_l) AS regulatory,
        min(limit_g_per_l) AS limit_g_per_l,
        count(CASE WHEN over THEN 1 END) AS n_over,
        count(*) AS n
    FROM cups
    GROUP BY shop_id, month, product_id, category
),
components_used AS (
    SELECT
        c.shop_id,
        u.month,
        u.product_id,
        u.category,
        c.component_id,
        sum(c.own_g) AS mass_g,
        CASE WHEN count(m.density_g_per_ml) = count(*) THEN sum(c.own_g / m.density_g_per_ml) END AS ml,
        CASE WHEN count(m.voc_mass_fraction) = count(*) THEN sum(c.own_g * m.voc_mass_fraction) END AS voc_g
    FROM cup_contents AS c
    INNER JOIN cups AS u ON u.shop_id = c.shop_id AND u.mix_id = c.mix_id
    INNER JOIN emission_places AS p ON p.shop_id = c.shop_id
    INNER JOIN emission_materials AS m
        ON m.jurisdiction = p.jurisdiction AND m.component_id = c.component_id AND m.on_date = c.on_date
    WHERE c.own_g <> 0
    GROUP BY c.shop_id, u.month, u.product_id, u.category, c.component_id
),
others AS (
    SELECT
        e.shop_id,
        e.month,
        e.kind,
        e.component_id,
        sum(CASE WHEN e.kind = 'unscaled' THEN e.rts_l ELSE e.issued_l END) AS litres,
        sum(CASE WHEN e.kind = 'unscaled' THEN e.mass_g ELSE e.issued_g END) AS mass_g,
        CASE
            WHEN count(m.voc_mass_fraction) = count(*)
                THEN sum(CASE WHEN e.kind = 'unscaled' THEN e.mass_g ELSE e.issued_g END * m.voc_mass_fraction)
        END AS voc_g,
        sum(e.recovered_g) AS recovered_g,
        count(*) AS n
    FROM emission_uses AS e
    INNER JOIN emission_places AS p ON p.shop_id = e.shop_id
    LEFT JOIN emission_materials AS m
        ON m.jurisdiction = p.jurisdiction AND m.component_id = e.component_id AND m.on_date = e.on_date
    WHERE e.source <> 'mixes'
    GROUP BY e.shop_id, e.month, e.kind, e.component_id
),
shipped AS (
    SELECT
        shop_id,
        month,
        component_id,
        sum(mass_g) AS mass_g,
        array_to_string(list_sort(list(DISTINCT document_ref)), '; ') AS document_ref,
        count(*) AS n
    FROM emission_waste
    GROUP BY shop_id, month, component_id
),
lines AS (
    SELECT
        shop_id, month, 'product' AS kind, product_id, CAST(NULL AS VARCHAR) AS component_id, category, colour_id,
        rts_l AS litres, mass_kg, CAST(NULL AS DOUBLE) AS share_by_volume, CAST(NULL AS DOUBLE) AS share_by_mass,
        CAST(NULL AS DOUBLE) AS supplied_g_per_l, applied AS applied_g_per_l, regulatory AS regulatory_g_per_l, limit_g_per_l, n_over,
        CAST(NULL AS DOUBLE) AS recovered_kg, CAST(NULL AS DOUBLE) AS shipped_kg, CAST(NULL AS VARCHAR) AS document_ref, n
    FROM products_used
    UNION ALL
    SELECT
        c.shop_id, c.month, 'component' AS kind, c.product_id, c.component_id, c.category, NULL AS colour_id,
        c.ml / 1000 AS litres, c.mass_g / 1000 AS mass_kg,
        CASE WHEN p.rts_l > 0 THEN c.ml / 1000 / p.rts_l END AS share_by_volume,
        CASE WHEN p.mass_kg > 0 THEN c.mass_g / 1000 / p.mass_kg END AS share_by_mass,
        CASE WHEN c.ml > 0 THEN 1000 * c.voc_g / c.ml END AS supplied_g_per_l, NULL AS applied_g_per_l, NULL AS regulatory_g_per_l,
        NULL AS limit_g_per_l, NULL AS n_over, NULL AS recovered_kg, NULL AS shipped_kg, NULL AS document_ref, p.n
    FROM components_used AS c
    INNER JOIN products_used AS p
        ON p.shop_id = c.shop_id AND p.month = c.month AND p.product_id = c.product_id AND p.category = c.category
    UNION ALL
    SELECT
        o.shop_id, o.month, o.kind, NULL AS product_id, o.component_id, o.kind AS category, NULL AS colour_id,
        o.litres, o.mass_g / 1000 AS mass_kg, NULL AS share_by_volume, NULL AS share_by_mass,
        CASE WHEN o.litres > 0 THEN o.voc_g / o.litres END AS supplied_g_per_l, NULL AS applied_g_per_l, NULL AS regulatory_g_per_l,
        NULL AS limit_g_per_l, NULL AS n_over, o.recovered_g / 1000 AS recovered_kg, NULL AS shipped_kg, NULL AS document_ref, o.n
    FROM others AS o
    UNION ALL
    SELECT
        shop_id, month, 'waste' AS kind, NULL AS product_id, component_id, 'waste' AS category, NULL AS colour_id,
        NULL AS litres, NULL AS mass_kg, NULL AS share_by_volume, NULL AS share_by_mass, NULL AS supplied_g_per_l,
        NULL AS applied_g_per_l, NULL AS regulatory_g_per_l, NULL AS limit_g_per_l, NULL AS n_over, NULL AS recovered_kg,
        mass_g / 1000 AS shipped_kg, document_ref, n
    FROM shipped
)
SELECT
    l.*,
    coalesce(p.label, c.label) AS label,
    l.litres AS rts_l,
    l.supplied_g_per_l AS voc_g_per_l_supplied,
    l.supplied_g_per_l * u.lb_per_gal AS voc_lb_per_gal_supplied,
    l.applied_g_per_l AS voc_g_per_l_applied,
    l.applied_g_per_l * u.lb_per_gal AS voc_lb_per_gal_applied,
    l.regulatory_g_per_l AS voc_g_per_l_regulatory,
    l.regulatory_g_per_l * u.lb_per_gal AS voc_lb_per_gal_regulatory
FROM lines AS l
CROSS JOIN pounds AS u
LEFT JOIN (SELECT product_id, max(label) AS label FROM products GROUP BY product_id) AS p ON p.product_id = l.product_id
    AND l.kind = 'product'
LEFT JOIN (SELECT component_id, max(label) AS label FROM components GROUP BY component_id) AS c ON c.component_id = l.component_id
ORDER BY l.shop_id, l.month, l.kind, l.product_id, l.component_id, l.category
