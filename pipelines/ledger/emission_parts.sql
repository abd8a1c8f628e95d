-- What each component brings into its cup, as a part of the cup's mass, with the VOC and the exempt mass in it, g per g of
-- cup, as its shop reports them (content_voc: as limits on content see it); ml is its volume, limited_ml that volume less
-- water (and less exempt compounds but on the EU's basis), mL per g of cup. A component without a figure takes the
-- product's ready-to-spray one (VOC by its volume).
WITH wholes AS (
    SELECT shop_id, mix_id, sum(mass_g) AS mass_g
    FROM cup_contents
    GROUP BY shop_id, mix_id
),
parts AS (
    SELECT
        c.shop_id,
        c.mix_id,
        c.component_id,
        c.on_date,
        c.mass_g / w.mass_g AS part,
        p.basis,
        m.voc_mass_fraction,
        m.exempt_mass_fraction,
        m.voc_eu_mass_fraction,
        coalesce(m.plain_exempt_mass_fraction, v.rts_exempt_mass_fraction) AS x,
        coalesce(
            m.plain_voc_mass_fraction,
            v.rts_voc_g_per_l / 1000 / coalesce(m.density_g_per_ml, v.rts_density_g_per_ml)
        ) AS v,
        coalesce(m.density_g_per_ml, v.rts_density_g_per_ml) AS rho,
        coalesce(m.water_mass_fraction, v.rts_water_mass_fraction) AS w,
        m.exempt_density_g_per_ml AS rho_x
    FROM cup_contents AS c
    INNER JOIN wholes AS w ON w.shop_id = c.shop_id AND w.mix_id = c.mix_id
    INNER JOIN emission_places AS p ON p.shop_id = c.shop_id
    LEFT JOIN emission_materials AS m
        ON m.jurisdiction = p.jurisdiction AND m.component_id = c.component_id AND m.on_date = c.on_date
    LEFT JOIN product_versions AS v
        ON v.product_id = c.product_id AND c.product_on >= v.from_on AND c.product_on < v.until_on
    WHERE w.mass_g > 0 AND c.mass_g <> 0
),
amounts AS (
    SELECT
        shop_id,
        mix_id,
        component_id,
        on_date,
        part,
        CASE
            WHEN basis = 'eu' THEN part * coalesce(voc_eu_mass_fraction, voc_mass_fraction, v + x)
            ELSE part * coalesce(voc_mass_fraction, v)
        END AS voc,
        CASE WHEN basis = 'eu' THEN 0.0 ELSE part * coalesce(exempt_mass_fraction, x) END AS exempt,
        CASE WHEN basis = 'eu' THEN part * coalesce(voc_eu_mass_fraction, voc_mass_fraction, v + x) ELSE part * v END AS content_voc,
        part / rho AS ml,
        part / rho - part * w / $water_density_g_per_ml
        - CASE WHEN basis = 'eu' OR x = 0 THEN 0.0 ELSE part * x / rho_x END AS limited_ml
    FROM parts
)
-- A component stands more than once in a cup when some of it came with a leftover poured in, or by another way of measuring.
SELECT
    shop_id,
    mix_id,
    component_id,
    on_date,
    sum(part) AS part,
    CASE WHEN count(voc) = count(*) THEN sum(voc) END AS voc,
    CASE WHEN count(exempt) = count(*) THEN sum(exempt) END AS exempt,
    CASE WHEN count(content_voc) = count(*) THEN sum(content_voc) END AS content_voc,
    CASE WHEN count(ml) = count(*) THEN sum(ml) END AS ml,
    CASE WHEN count(limited_ml) = count(*) THEN sum(limited_ml) END AS limited_ml
FROM amounts
GROUP BY shop_id, mix_id, component_id, on_date
ORDER BY shop_id, mix_id, component_id, on_date
