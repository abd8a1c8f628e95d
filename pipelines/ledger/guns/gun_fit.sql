-- Which gun and tip fits which product, for every gun of a shop and every product that the shop sprayed.
--   tip_fits       tip_min_mm <= tip <= tip_max_mm                mm; the tip last written down for that gun, else the register's
--   pressure_fits  highest inlet pressure written down for the pair <= inlet_max_kpa      kPa; null where none was written
--                  down; `why` says in how many of the operations it lay above
--   cup_rule       gun_rules: below, above or at (review) the 3 fl oz of 40 CFR 63 subpart HHHHHH, a refilled small cup too
--   atomising_allowed  where the place's pack has the section shop_rules: what gun_rules says qualifies; anything else needs an
--                  approval that this table cannot see: conventional guns are not allowed, reduced pressure is unknown. A cup
--                  below the line is outside. Elsewhere no rule is known: allowed.
--   cross_use      a primer gun (more surfacer or sprayable filler than base, mid coat, clear and single stage) sprayed finish,
--                  or the reverse: the two are kept apart (common practice, no published source)
--   reads          area-weighted mean film of the pair's operations against the window, where its 95 % interval lies outside
WITH product_now AS (
    SELECT * FROM product_versions WHERE until_on = DATE '9999-12-31'
),
pairs_used AS (
    SELECT
        p.shop_id,
        p.gun_id,
        p.product_id,
        count(*) AS n_operations,
        max(o.inlet_kpa) AS inlet_kpa,
        count(o.inlet_kpa) AS n_pressures,
        sum(CASE WHEN o.inlet_kpa > w.inlet_max_kpa + 1e-9 THEN 1 ELSE 0 END) AS n_too_high
    FROM sprays AS p
    INNER JOIN operations AS o
        ON o.shop_id = p.shop_id AND o.job_id = p.job_id AND o.operation_no = p.operation_no
    LEFT JOIN product_now AS w ON w.product_id = p.product_id
    GROUP BY p.shop_id, p.gun_id, p.product_id
),
places AS (
    SELECT
        s.shop_id,
        coalesce(p.sections LIKE '%shop_rules%', FALSE) AS rule_of_guns
    FROM shops AS s
    LEFT JOIN packs AS p ON p.jurisdiction = coalesce(s.jurisdiction, $jurisdiction)
),
candidates AS (
    SELECT g.shop_id, g.gun_id, u.product_id
    FROM guns_now AS g
    INNER JOIN (SELECT DISTINCT shop_id, product_id FROM pairs_used) AS u ON u.shop_id = g.shop_id
    WHERE g.retired_on IS NULL
    UNION
    SELECT shop_id, gun_id, product_id
    FROM pairs_used
),
films AS (
    SELECT
        shop_id,
        gun_id,
        product_id,
        sum(film_um * covered_m2) / sum(covered_m2) AS film_um,
        sqrt(sum((film_um - film_mean_um) * (film_um - film_mean_um)) / count(*) / greatest(count(*) - 1, 1)) AS se_um,
        count(*) AS n_films,
        max(film_min_um) AS film_min_um,
        max(film_max_um) AS film_max_um
    FROM (
        SELECT
            *,
            avg(film_um) OVER (PARTITION BY shop_id, gun_id, product_id) AS film_mean_um
        FROM film_build
        WHERE film_um IS NOT NULL AND covered_m2 > 0 AND gun_id IS NOT NULL AND source IN ('read', 'shared')
    ) AS each_film
    GROUP BY shop_id, gun_id, product_id
),
facts AS (
    SELECT
        c.*,
        v.role,
        coalesce(u.n_operations, 0) AS n_operations,
        coalesce(w.tip_mm, g.tip_mm) AS tip_mm,
        v.tip_min_mm,
        v.tip_max_mm,
        u.inlet_kpa,
        u.n_pressures,
        CAST(u.n_too_high AS BIGINT) AS n_too_high,
        v.inlet_max_kpa,
        coalesce(w.tip_mm, g.tip_mm) >= v.tip_min_mm - 1e-9 AND coalesce(w.tip_mm, g.tip_mm) <= v.tip_max_mm + 1e-9 AS tip_fits,
        u.inlet_kpa <= v.inlet_max_kpa + 1e-9 AS pressure_fits,
        CASE r.cup WHEN 'inside' THEN 'above' WHEN 'outside' THEN 'below' WHEN 'missing' THEN 'unknown' ELSE 'review' END
            AS cup_rule,
        coalesce(r.cup = 'review: refilled', FALSE) AS refilled,
        r.qualifies,
        g.atomising,
        coalesce(l.rule_of_guns, FALSE) AS rule_of_guns,
        coalesce(u.n_operations, 0) > 0 AND (
            (v.role IN ('surfacer', 'sprayable_filler') AND w.n_finish > w.n_primer)
            OR (v.role IN ('base', 'mid_coat', 'clear', 'single_stage') AND w.n_primer > w.n_finish)
        ) AS cross_use,
        f.film_um,
        CASE
            WHEN f.n_films < 3 OR f.film_min_um IS NULL OR f.film_max_um IS NULL THEN NULL
            WHEN f.film_um + $z95 * f.se_um < f.film_min_um THEN 'thin'
            WHEN f.film_um - $z95 * f.se_um > f.film_max_um THEN 'thick'
            ELSE 'in the window'
        END AS reads
    FROM candidates AS c
    LEFT JOIN guns_now AS g ON g.gun_id = c.gun_id
    LEFT JOIN gun_rules AS r ON r.shop_id = c.shop_id AND r.gun_id = c.gun_id
    LEFT JOIN product_now AS v ON v.product_id = c.product_id
    LEFT JOIN pairs_used AS u ON u.shop_id = c.shop_id AND u.gun_id = c.gun_id AND u.product_id = c.product_id
    LEFT JOIN gun_uses AS w ON w.gun_id = c.gun_id
    LEFT JOIN places AS l ON l.shop_id = c.shop_id
    LEFT JOIN films AS f ON f.shop_id = c.shop_id AND f.gun_id = c.gun_id AND f.product_id = c.product_id
),
ruled AS (
    SELECT
        *,
        CASE
            WHEN NOT rule_of_guns THEN TRUE
            WHEN qualifies = 'yes' THEN TRUE
            WHEN atomising IS NULL OR cup_rule IN ('review', 'unknown') THEN NULL
            WHEN cup_rule = 'below' THEN TRUE
            WHEN qualifies = 'no' THEN FALSE
        END AS atomising_allowed
    FROM facts
)
SELECT
    *,
    CASE
        WHEN atomising_allowed = FALSE THEN 'not_allowed'
        WHEN tip_fits = FALSE OR pressure_fits = FALSE OR cross_use THEN 'misfit'
        WHEN tip_fits IS NULL OR atomising_allowed IS NULL THEN 'unknown'
        ELSE 'fits'
    END AS verdict,
    nullif(concat_ws('; ',
        CASE WHEN atomising_allowed = FALSE
            THEN 'a conventional gun with a cup above 3 fl oz is not among the guns of 40 CFR 63.11173(e)(3)' END,
        CASE WHEN atomising_allowed IS NULL AND atomising IS NOT NULL AND cup_rule <> 'review'
            THEN 'review: allowed only with an approval as equivalent (40 CFR 63.11173(e)(3))' END,
        CASE WHEN cup_rule = 'review' AND rule_of_guns AND NOT refilled
            THEN 'review: the cup lies at the line of 3 fl oz' END,
        CASE WHEN cup_rule = 'review' AND rule_of_guns AND refilled
            THEN 'review: refilled, one operation sprayed more than the small cup holds' END,
        CASE WHEN tip_fits = FALSE AND tip_mm < tip_min_mm
            THEN 'the tip of ' || CAST(tip_mm AS VARCHAR) || ' mm is below the sheet''s ' || CAST(tip_min_mm AS VARCHAR) || '-'
                || CAST(tip_max_mm AS VARCHAR) || ' mm: each coat comes out thin' END,
        CASE WHEN tip_fits = FALSE AND tip_mm > tip_max_mm
            THEN 'the tip of ' || CAST(tip_mm AS VARCHAR) || ' mm is above the sheet''s ' || CAST(tip_min_mm AS VARCHAR) || '-'
                || CAST(tip_max_mm AS VARCHAR) || ' mm: each coat comes out thick and may hold solvent' END,
        CASE WHEN tip_fits IS NULL THEN 'no tip is known for the gun or the product' END,
        CASE WHEN pressure_fits = FALSE
            THEN 'inlet pressure above the sheet''s ' || CAST(CAST(round(inlet_max_kpa) AS BIGINT) AS VARCHAR) || ' kPa in '
                || CAST(n_too_high AS VARCHAR) || ' of ' || CAST(n_pressures AS VARCHAR) || ' operations that say it, up to '
                || CAST(CAST(round(inlet_kpa) AS BIGINT) AS VARCHAR) || ' kPa' END,
        CASE WHEN cross_use THEN 'primer guns and finish guns are kept apart' END,
        CASE WHEN reads = 'thin' THEN 'its film reads below the window' END,
        CASE WHEN reads = 'thick' THEN 'its film reads above the window' END
    ), '') AS why
FROM ruled
WHERE role IS NOT NULL
ORDER BY shop_id, gun_id, product_id
