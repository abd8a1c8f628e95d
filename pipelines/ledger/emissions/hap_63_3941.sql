-- All organic HAP of a month by 40 CFR 63.3941 and 63.3951(e), kg: the sum of hap_material_lines. Waste is not taken off: it has
-- no analysis by substance.
SELECT shop_id, month, sum(kg) AS kg
FROM hap_material_lines
GROUP BY shop_id, month
ORDER BY shop_id, month
