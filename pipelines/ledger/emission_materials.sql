-- What counts as VOC and what stands apart as exempt in one g of a component, on a day, where a shop reports:
--   regulatory basis   voc = v + r              exempt = x - r
--   EU basis           voc = e, else v + x      exempt = 0                     2004/42/EC knows no exempt solvents
-- v, x, e are the register's fractions by mass; r is the part of x whose species the jurisdiction does not (yet, or any
-- longer) leave out of reports on that day: exempt_compounds with purpose reporting, by valid_from and valid_to; at most x.
-- Only species that some jurisdiction lists are looked at. A local jurisdiction (us-xy) without a list has that of the one
-- above it (us); where there is no list at all the register's word stands.
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
listed_anywhere AS (
    SELECT DISTINCT cas FROM exempt_compounds
),
lists AS (
    SELECT w.jurisdiction, max(e.jurisdiction) AS list_of  -- of us and us-xy the longer name is the greater
    FROM (SELECT DISTINCT jurisdiction FROM wanted) AS w
    INNER JOIN (SELECT DISTINCT jurisdiction FROM exempt_compounds) AS e
        ON e.jurisdiction = w.jurisdiction OR e.jurisdiction = split_part(w.jurisdiction, '-', 1)
    GROUP BY w.jurisdiction
),
restated AS (
    SELECT w.jurisdiction, w.component_id, w.on_date, sum(coalesce(s.mass_fraction, s.mass_fraction_high)) AS r
    FROM wanted AS w
    INNER JOIN lists AS l ON l.jurisdiction = w.jurisdiction
    INNER JOIN component_species AS s ON s.component_id = w.component_id
    INNER JOIN listed_anywhere AS a ON a.cas = s.cas
    LEFT JOIN exempt_compounds AS e
        ON e.jurisdiction = l.list_of AND e.cas = s.cas AND e.purpose = 'reporting'
        AND w.on_date >= coalesce(e.valid_from, DATE '0001-01-01')
        AND w.on_date < coalesce(e.valid_to, DATE '9999-12-31')
    WHERE e.cas IS NULL
    GROUP BY w.jurisdiction, w.component_id, w.on_date
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
    coalesce(r.r, 0) AS restated_mass_fraction
FROM wanted AS w
LEFT JOIN component_facts AS f
    ON f.component_id = w.component_id AND w.on_date >= f.from_on AND w.on_date < f.until_on
LEFT JOIN restated AS r
    ON r.jurisdiction = w.jurisdiction AND r.component_id = w.component_id AND r.on_date = w.on_date
ORDER BY w.jurisdiction, w.component_id, w.on_date
