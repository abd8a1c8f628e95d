-- VOC content of what was handed out for cleaning or used without a scale, use by use, where the place limits it: the category is
-- that of component_categories, else by purpose: surfaces take the place's pre-cleaner or surface cleaner, guns and booths its
-- preparatory products (EU) or its solvent for clean-up. g/L by the limit's own basis:
--   regulatory        VOC / (V - V_water - V_exempt)      eu      VOC / (V - V_water)      eu_whole_volume, whole_volume    VOC / V
WITH uses AS (
    SELECT shop_id, cleaning_no AS number, 'cleaning' AS kind, purpose, component_id, CAST(used_at AS DATE) AS on_date, issued_g AS mass_g
    FROM cleaning
    UNION ALL
    SELECT shop_id, use_no AS number, 'unscaled' AS kind, NULL AS purpose, component_id, CAST(used_at AS DATE) AS on_date, mass_g
    FROM unscaled_use
),
placed AS (
    SELECT u.*, p.jurisdiction, p.basis AS place_basis, p.averaging
    FROM uses AS u
    INNER JOIN emission_places AS p ON p.shop_id = u.shop_id
),
by_purpose AS (
    SELECT * FROM (
        VALUES
        ('surface', 'pre_cleaner'), ('surface', 'surface_cleaner'), ('gun', 'preparatory'), ('booth', 'preparatory'),
        ('gun', 'cleanup_solvent'), ('booth', 'cleanup_solvent')
    ) AS d (purpose, category)
),
named AS (
    SELECT u.*, c.category
    FROM placed AS u
    INNER JOIN component_categories AS c ON c.component_id = u.component_id AND c.jurisdiction = u.jurisdiction
    UNION ALL
    SELECT u.*, d.category
    FROM placed AS u
    INNER JOIN by_purpose AS d ON d.purpose = u.purpose
    LEFT JOIN (SELECT DISTINCT component_id, jurisdiction FROM component_categories) AS c
        ON c.component_id = u.component_id AND c.jurisdiction = u.jurisdiction
    WHERE c.component_id IS NULL
),
contents AS (
    SELECT
        n.*,
        coalesce(l.basis, n.place_basis) AS basis,
        l.limit_g_per_l,
        l.source,
        coalesce(n.place_basis = 'eu' AND f.voc_eu_mass_fraction IS NULL AND f.voc_mass_fraction IS NOT NULL, FALSE)
            AS eu_substituted,
        CASE
            WHEN n.place_basis = 'eu' THEN m.voc_mass_fraction
            ELSE f.voc_mass_fraction + least(m.content_restated_mass_fraction, coalesce(f.exempt_mass_fraction, 0))
        END AS voc,
        1 / f.density_g_per_ml AS ml,
        f.water_mass_fraction / $water_density_g_per_ml AS water_ml,
        CASE
            WHEN f.exempt_mass_fraction = 0 THEN 0.0
            ELSE f.exempt_mass_fraction / f.exempt_density_g_per_ml - m.content_restated_ml_per_g
        END AS exempt_ml
    FROM named AS n
    INNER JOIN voc_limits AS l
        ON l.jurisdiction = n.jurisdiction AND l.category = n.category
        AND n.on_date >= coalesce(l.valid_from, DATE '0001-01-01') AND n.on_date < coalesce(l.valid_to, DATE '9999-12-31')
    LEFT JOIN component_facts AS f
        ON f.component_id = n.component_id AND n.on_date >= f.from_on AND n.on_date < f.until_on
    LEFT JOIN emission_materials AS m
        ON m.jurisdiction = n.jurisdiction AND m.component_id = n.component_id AND m.on_date = n.on_date
),
volumes AS (
    SELECT
        *,
        CASE
            WHEN basis IN ('eu_whole_volume', 'whole_volume') THEN ml
            WHEN basis = 'eu' THEN ml - water_ml
            ELSE ml - water_ml - CASE WHEN exempt_ml > 0 THEN exempt_ml WHEN exempt_ml IS NOT NULL THEN 0.0 END
        END AS limited_ml
    FROM contents
)
SELECT
    *,
    strftime(on_date, '%Y-%m') AS month,
    voc AS voc_mass_fraction,
    limited_ml AS limited_ml_per_g,
    CASE WHEN limited_ml > 0 THEN 1000 * voc / limited_ml END AS g_per_l
FROM volumes
ORDER BY shop_id, number, kind, category
