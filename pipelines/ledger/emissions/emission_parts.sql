-- What each component brings into its cup, as a part of the cup's mass, with the VOC and the exempt mass in it, g per g of
-- cup, as its shop reports them (content_voc: as limits on content see it); ml is its volume, limited_ml that volume less
-- water (and less exempt compounds but on the EU's basis), mL per g of cup: cup_figures over the cup's mass, with what the place
-- does not leave out on that day (of reports, of limits on content: restated) moved from exempt to VOC.
WITH wholes AS (
    SELECT shop_id, mix_id, sum(mass_g) AS mass_g
    FROM cup_figures
    GROUP BY shop_id, mix_id
),
placed AS (
    SELECT
        f.*,
        w.mass_g AS cup_g,
        p.basis = 'eu' AS eu,
        CASE WHEN f.exempt_g IS NULL THEN 0.0 ELSE least(f.mass_g * m.restated_mass_fraction, f.exempt_g) END AS restated_g,
        CASE WHEN f.exempt_g IS NULL THEN 0.0 ELSE least(f.mass_g * m.content_restated_mass_fraction, f.exempt_g) END AS content_restated_g,
        CASE WHEN f.exempt_ml IS NULL THEN 0.0 ELSE
            CASE WHEN f.mass_g * m.content_restated_ml_per_g < f.exempt_ml THEN f.mass_g * m.content_restated_ml_per_g
                WHEN m.content_restated_ml_per_g IS NOT NULL THEN f.exempt_ml END
        END AS content_restated_ml
    FROM cup_figures AS f
    INNER JOIN wholes AS w ON w.shop_id = f.shop_id AND w.mix_id = f.mix_id
    INNER JOIN emission_places AS p ON p.shop_id = f.shop_id
    INNER JOIN emission_materials AS m
        ON m.jurisdiction = p.jurisdiction AND m.component_id = f.component_id AND m.on_date = f.on_date
    WHERE w.mass_g > 0
),
amounts AS (
    SELECT
        shop_id,
        mix_id,
        component_id,
        on_date,
        mass_g / cup_g AS part,
        CASE WHEN eu THEN voc_eu_g ELSE voc_g + restated_g END / cup_g AS voc,
        CASE WHEN eu THEN 0.0 ELSE exempt_g - restated_g END / cup_g AS exempt,
        CASE WHEN eu THEN voc_eu_g ELSE voc_g + content_restated_g END / cup_g AS content_voc,
        ml / cup_g AS ml,
        (ml - water_ml - CASE WHEN eu THEN 0.0 ELSE exempt_ml - content_restated_ml END) / cup_g AS limited_ml,
        eu AND eu_substituted AS eu_substituted
    FROM placed
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
    CASE WHEN count(limited_ml) = count(*) THEN sum(limited_ml) END AS limited_ml,
    bool_or(eu_substituted) AS eu_substituted
FROM amounts
GROUP BY shop_id, mix_id, component_id, on_date
ORDER BY shop_id, mix_id, component_id, on_date
