-- Hazardous air pollutants of a month by CAS number, kg, as the material left: sum of hap_lines. kg counts all, at the upper
-- end of a stated range; kg_low to kg_high is that range. kg_63_3941 is by the truncation and thresholds of 40 CFR 63.3941,
-- organic ones only. complete: also of every material used the composition is known (hap_gaps). metal: compounds of the target metals of 63 subpart HHHHHH, as mass of the compound in the material used,
-- not as what leaves the stack. grade C: at least partly a default blend's figure; B: a stated range; A otherwise.
SELECT
    l.shop_id,
    l.month,
    l.cas,
    min(l.substance) AS substance,
    sum(l.kg) AS kg,
    sum(l.kg_low) AS kg_low,
    sum(l.kg_high) AS kg_high,
    sum(l.kg_63_3941) AS kg_63_3941,
    bool_or(l.metal) AS metal,
    bool_and(l.complete AND NOT coalesce(u.unread, FALSE) AND g.month IS NULL) AS complete,
    CASE WHEN bool_or(l.from_blend) THEN 'C' WHEN sum(l.kg_low) < sum(l.kg_high) THEN 'B' ELSE 'A' END AS grade
FROM hap_lines AS l
LEFT JOIN emission_gaps AS u ON u.shop_id = l.shop_id AND u.month = l.month
LEFT JOIN (SELECT DISTINCT shop_id, month FROM hap_gaps) AS g ON g.shop_id = l.shop_id AND g.month = l.month
GROUP BY l.shop_id, l.month, l.cas
ORDER BY l.shop_id, l.month, l.cas
