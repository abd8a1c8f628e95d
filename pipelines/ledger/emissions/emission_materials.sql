-- What counts as VOC and what stands apart as exempt in one g of a component, on a day, where a shop reports:
--   regulatory basis   voc = v + r              exempt = x - r
--   EU basis           voc = e, else v + x      exempt = 0                     2004/42/EC knows no exempt solvents
-- v, x, e are the register's fractions by mass; r is the part of x whose species the place does not (yet, or any longer) leave out
-- of reports on that day, at most x; content_restated: the same of limits on content, with its volume (substance_status).
-- One row per jurisdiction, component and day that some cup, cleaning or unscaled use needs.
WITH wanted AS (
    SELECT p.jurisdiction, p.basis, c.component_id, c.on_date
    FROM cup_contents AS c
    INNER JOIN emission_places AS p ON p.shop_id = c.shop_id
    UNION
    SELECT p.jurisdiction, p.basis, c.component_id, CAST(c.used_at AS DATE) AS on_date
    FROM cleaning AS c
    INNER JOIN emission_places AS p ON p.shop_id = c.shop_id
    UNION
    SELECT p.jurisdiction, p.basis, u.component_id, CAST(u.used_at AS DATE) AS on_date
    FROM unscaled_use AS u
    INNER JOIN emission_places AS p ON p.shop_id = u.shop_id
),
-- Species that stand on some list of exempt compounds and count as VOC at this place on this day.
counted AS (
    SELECT w.jurisdiction, w.component_id, w.on_date, s.purpose, c.cas, coalesce(c.mass_fraction, c.mass_fraction_high) AS r, s.density_g_per_ml
    FROM wanted AS w
    INNER JOIN component_species AS c ON c.component_id = w.component_id
    INNER JOIN (
        SELECT DISTINCT jurisdiction, cas, purpose, density_g_per_ml FROM substance_status WHERE purpose IN ('mass', 'content')
    ) AS s
        ON s.jurisdiction = w.jurisdiction AND s.cas = c.cas
    LEFT JOIN substance_status AS e
        ON e.jurisdiction = w.jurisdiction AND e.cas = c.cas AND e.purpose = s.purpose AND e.status = 'exempt'
        AND w.on_date >= e.from_on AND w.on_date < e.until_on
    WHERE e.cas IS NULL
),
restated AS (
    SELECT
        jurisdiction,
        component_id,
        on_date,
        sum(CASE WHEN purpose = 'mass' THEN r ELSE 0.0 END) AS r,
        sum(CASE WHEN purpose = 'content' THEN r ELSE 0.0 END) AS r_content,
        CASE
            WHEN count(CASE WHEN purpose = 'content' AND r / density_g_per_ml IS NULL THEN 1 END) = 0
                THEN sum(CASE WHEN purpose = 'content' THEN r / density_g_per_ml ELSE 0.0 END)
        END AS r_content_ml
    FROM counted
    GROUP BY jurisdiction, component_id, on_date
)
SELECT
    w.jurisdiction,
    w.component_id,
    w.on_date,
    f.density_g_per_ml,
    CASE
        WHEN w.basis = 'eu' THEN coalesce(f.voc_eu_mass_fraction, f.voc_mass_fraction + f.exempt_mass_fraction)
        ELSE f.voc_mass_fraction + least(coalesce(r.r, 0), coalesce(f.exempt_mass_fraction, 0))
    END AS voc_mass_fraction,
    CASE
        WHEN w.basis = 'eu' THEN 0.0
        ELSE f.exempt_mass_fraction - least(coalesce(r.r, 0), f.exempt_mass_fraction)
    END AS exempt_mass_fraction,
    coalesce(r.r, 0) AS restated_mass_fraction,
    coalesce(r.r_content, 0) AS content_restated_mass_fraction,
    CASE
        WHEN coalesce(r.r_content, 0) = 0 THEN 0.0
        WHEN v.exempt_density_g_per_ml IS NOT NULL THEN r.r_content / v.exempt_density_g_per_ml
        ELSE r.r_content_ml
    END AS content_restated_ml_per_g
FROM wanted AS w
LEFT JOIN component_facts AS f
    ON f.component_id = w.component_id AND w.on_date >= f.from_on AND w.on_date < f.until_on
LEFT JOIN component_versions AS v ON v.component_id = f.component_id AND v.from_on = f.from_on
LEFT JOIN restated AS r
    ON r.jurisdiction = w.jurisdiction AND r.component_id = w.component_id AND r.on_date = w.on_date
ORDER BY w.jurisdiction, w.component_id, w.on_date
