-- VOC content of each cup on the basis of its shop's jurisdiction against the limit of the most restrictive category of its
-- product there. Compared in g/L only; pounds per gallon in the rules are for information (40 CFR 59.111, footnote).
--   regulatory       less water and exempt compounds           eu, eu_whole_volume   2004/42/EC Annex II B, without or with water
-- over is null where the content or the limit is not known, where the cup is incomplete, and where the jurisdiction judges the
-- month's average (compliance_average); why_not says which, where there is a limit.
SELECT
    c.shop_id,
    c.mix_id,
    c.jurisdiction,
    c.category,
    CASE WHEN c.basis = 'eu' THEN m.voc_g_per_l_eu ELSE m.voc_g_per_l_regulatory END AS g_per_l,
    coalesce(c.limit_basis, c.basis) AS basis,
    c.limit_g_per_l,
    CASE
        WHEN c.complete AND c.averaging = 'each_mix'
            THEN CASE WHEN c.basis = 'eu' THEN m.voc_g_per_l_eu ELSE m.voc_g_per_l_regulatory END > c.limit_g_per_l
    END AS over,
    c.limit_source AS source,
    c.month,
    c.product_id,
    c.n_categories,
    CASE
        WHEN c.limit_g_per_l IS NULL THEN NULL
        WHEN c.averaging <> 'each_mix' THEN 'the average of the month is judged'
        WHEN NOT c.complete THEN 'the cup is incomplete'
        WHEN CASE WHEN c.basis = 'eu' THEN m.voc_g_per_l_eu ELSE m.voc_g_per_l_regulatory END IS NULL THEN 'its content is not known'
    END AS why_not
FROM emission_cups AS c
INNER JOIN mixes AS m ON m.shop_id = c.shop_id AND m.mix_id = c.mix_id
ORDER BY c.shop_id, c.mix_id, c.jurisdiction
