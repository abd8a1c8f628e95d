-- VOC content of each cup on the basis of its shop's jurisdiction, a row for each category that it serves there, against that
-- category's limit (cup_categories; rules: the one that decides). A cup of no category has one row without. Compared in g/L only;
-- pounds per gallon in the rules are for information (40 CFR 59.111, footnote). over is null where the content or the limit is
-- not known, where the cup is incomplete, and where the jurisdiction judges the month's average (compliance_average); why_not says
-- which, where there is a limit. Materials for cleaning and surface preparation stand below them, use by use, where the place
-- limits them (cleaner_contents).
WITH judged AS (
    SELECT
        u.shop_id,
        u.mix_id,
        u.jurisdiction,
        c.category,
        CASE WHEN c.mix_id IS NOT NULL THEN c.g_per_l WHEN u.limited_ml_per_g > 0 THEN 1000 * u.content_voc_mass_fraction / u.limited_ml_per_g END
            AS g_per_l,
        coalesce(c.basis, u.basis) AS basis,
        c.limit_g_per_l,
        c.limit_source,
        u.month,
        u.product_id,
        u.complete,
        u.averaging,
        u.first_poured_at,
        coalesce(c.n_categories, 0) AS n_categories,
        coalesce(c.rules, TRUE) AS rules,
        coalesce(c.eu_substituted, FALSE) AS eu_substituted
    FROM emission_cups AS u
    LEFT JOIN cup_categories AS c ON c.shop_id = u.shop_id AND c.mix_id = u.mix_id
)
SELECT
    shop_id,
    mix_id,
    jurisdiction,
    category,
    g_per_l,
    basis,
    limit_g_per_l,
    CASE WHEN complete AND averaging = 'each_mix' THEN g_per_l > limit_g_per_l END AS over,
    limit_source AS source,
    month,
    product_id,
    CAST(NULL AS VARCHAR) AS component_id,
    'cup' AS kind,
    n_categories,
    CASE
        WHEN limit_g_per_l IS NULL THEN NULL
        WHEN averaging <> 'each_mix' THEN 'the average of the month is judged'
        WHEN NOT complete THEN 'the cup is incomplete'
        WHEN g_per_l IS NULL THEN 'its content is not known'
    END AS why_not,
    rules,
    eu_substituted,
    CAST(first_poured_at AS DATE) AS status_date
FROM judged
UNION ALL
SELECT
    shop_id,
    number AS mix_id,
    jurisdiction,
    category,
    g_per_l,
    basis,
    limit_g_per_l,
    CASE WHEN averaging = 'each_mix' THEN g_per_l > limit_g_per_l END AS over,
    source,
    month,
    NULL AS product_id,
    component_id,
    kind,
    1 AS n_categories,
    CASE
        WHEN averaging <> 'each_mix' THEN 'the average of the month is judged'
        WHEN g_per_l IS NULL THEN 'its content is not known'
    END AS why_not,
    TRUE AS rules,
    eu_substituted,
    on_date AS status_date
FROM cleaner_contents
ORDER BY shop_id, mix_id, jurisdiction, category, kind
