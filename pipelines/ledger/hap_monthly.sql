-- Hazardous air pollutants of a month by CAS number, kg, as the material left: sum of hap_lines. kg counts all, at the upper
-- end of a stated range; kg_low to kg_high is that range. kg_63_3941 is by the truncation and thresholds of 40 CFR 63.3941,
-- organic ones only. metal: compounds of the target metals of 63 subpart HHHHHH, as mass of the compound in the material used,
-- not as what leaves the stack. grade C: at least partly a default blend's figure; B: a stated range; A otherwise.
SELECT
    shop_id,
    month,
    cas,
    min(substance) AS substance,
    sum(kg) AS kg,
    sum(kg_low) AS kg_low,
    sum(kg_high) AS kg_high,
    sum(kg_63_3941) AS kg_63_3941,
    bool_or(metal) AS metal,
    bool_and(complete) AS complete,
    CASE WHEN bool_or(from_blend) THEN 'C' WHEN sum(kg_low) < sum(kg_high) THEN 'B' ELSE 'A' END AS grade
FROM hap_lines
GROUP BY shop_id, month, cas
ORDER BY shop_id, month, cas
