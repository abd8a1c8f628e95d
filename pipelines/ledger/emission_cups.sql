-- One row per cup as the environmental record sees it: its category, its limit, and what of its mass is VOC or exempt where
-- the shop reports. Of several categories of its product in the shop's jurisdiction the one with the lowest limit on the day
-- of the first pour rules (40 CFR 59.102(b): the most restrictive); one without a limit only where none has one; ties by
-- name. No category: null, `unmapped` in the sums. voc and exempt are null where a component has no figure.
WITH cups AS (
    SELECT m.*, p.jurisdiction, p.basis, p.averaging
    FROM mixes AS m
    INNER JOIN emission_places AS p ON p.shop_id = m.shop_id
),
candidates AS (
    SELECT
        u.shop_id,
        u.mix_id,
        c.category,
        l.label,
        l.limit_g_per_l,
        l.basis AS limit_basis,
        l.source AS limit_source,
        l.read AS limit_read,
        count(*) OVER (PARTITION BY u.shop_id, u.mix_id) AS n_categories,
        row_number() OVER (
            PARTITION BY u.shop_id, u.mix_id
            ORDER BY coalesce(l.limit_g_per_l, 1e300), c.category, l.valid_from DESC NULLS LAST
        ) AS choice
    FROM cups AS u
    INNER JOIN product_categories AS c ON c.product_id = u.product_id AND c.jurisdiction = u.jurisdiction
    LEFT JOIN voc_limits AS l
        ON l.jurisdiction = u.jurisdiction AND l.category = c.category
        AND CAST(u.first_poured_at AS DATE) >= coalesce(l.valid_from, DATE '0001-01-01')
        AND CAST(u.first_poured_at AS DATE) < coalesce(l.valid_to, DATE '9999-12-31')
),
contents AS (
    SELECT
        shop_id,
        mix_id,
        CASE WHEN count(voc) = count(*) THEN sum(voc) END AS voc,
        CASE WHEN count(exempt) = count(*) THEN sum(exempt) END AS exempt,
        CASE WHEN count(content_voc) = count(*) THEN sum(content_voc) END AS content_voc,
        CASE WHEN count(limited_ml) = count(*) THEN sum(limited_ml) END AS limited_ml
    FROM emission_parts
    GROUP BY shop_id, mix_id
)
SELECT
    u.shop_id,
    u.mix_id,
    u.product_id,
    u.month,
    u.first_poured_at,
    u.jurisdiction,
    c.category,
    c.label,
    coalesce(c.n_categories, 0) AS n_categories,
    c.limit_g_per_l,
    c.limit_basis,
    c.limit_source,
    c.limit_read,
    u.basis,
    u.averaging,
    u.poured_g,
    u.own_poured_g,
    u.rts_l,
    t.voc AS voc_mass_fraction,
    t.exempt AS exempt_mass_fraction,
    t.content_voc AS content_voc_mass_fraction,
    t.limited_ml AS limited_ml_per_g,
    u.complete,
    u.why_incomplete,
    u.leftover_known,
    u.grade
FROM cups AS u
LEFT JOIN candidates AS c ON c.shop_id = u.shop_id AND c.mix_id = u.mix_id AND c.choice = 1
LEFT JOIN contents AS t ON t.shop_id = u.shop_id AND t.mix_id = u.mix_id
ORDER BY u.shop_id, u.mix_id
