-- What of a cup's mass is VOC or exempt where the shop reports, g per g, and what limits on content compare: VOC g, volume mL and
-- volume less water (and exempt compounds) mL per g of cup. Sums of emission_parts; null where a component has no figure.
SELECT
    shop_id,
    mix_id,
    CASE WHEN count(voc) = count(*) THEN sum(voc) END AS voc,
    CASE WHEN count(exempt) = count(*) THEN sum(exempt) END AS exempt,
    CASE WHEN count(content_voc) = count(*) THEN sum(content_voc) END AS content_voc,
    CASE WHEN count(ml) = count(*) THEN sum(ml) END AS ml,
    CASE WHEN count(limited_ml) = count(*) THEN sum(limited_ml) END AS limited_ml,
    bool_or(eu_substituted) AS eu_substituted
FROM emission_parts
GROUP BY shop_id, mix_id
ORDER BY shop_id, mix_id
