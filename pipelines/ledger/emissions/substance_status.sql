-- What each place says of a substance, by purpose and day; every statement that asks whether and how a substance counts asks here.
--   mass     exempt: left out of records and reports in kg           content   exempt: left out of limits on content, g/L
--   hap      listed: a hazardous air pollutant; class: metal, or the class it is tested in (glycol ethers); threshold: the
--            mass fraction from which 40 CFR 63.3941 counts it, that of carcinogens where it is one
--   metal    listed: a compound of a target metal (class) of 40 CFR 63 subpart HHHHHH in some form, with its threshold
-- A place without a list for a purpose has that of the place above it (us above us-xy). A substance that some place lists as exempt
-- and this one does not on that day counts as VOC; where a place has no list at all the register's word stands (no rows here).
-- Pollutants and metals are the United States' in every place; who must look at them its pack says. from_on is included,
-- until_on is not.
WITH wanted AS (
    SELECT DISTINCT jurisdiction FROM emission_places
),
lists AS (
    SELECT
        w.jurisdiction,
        e.purpose,
        max(e.jurisdiction) AS list_of  -- of us and us-xy the longer name is the greater: the nearest place above
    FROM wanted AS w
    INNER JOIN (SELECT DISTINCT jurisdiction, purpose FROM exempt_compounds) AS e
        ON strpos(concat(w.jurisdiction, '-'), concat(e.jurisdiction, '-')) = 1
    GROUP BY w.jurisdiction, e.purpose
),
substances AS (
    SELECT cas, min(substance) AS substance, min(density_g_per_ml) AS density_g_per_ml
    FROM exempt_compounds
    GROUP BY cas
),
thresholds AS (
    SELECT
        max(CASE WHEN figure = 'carcinogen_min' THEN value END) AS carcinogen_min,
        max(CASE WHEN figure = 'other_min' THEN value END) AS other_min
    FROM rule_figures
    WHERE jurisdiction = 'us' AND rule = 'hap_content'
),
metals AS (
    SELECT c.cas, c.metal, c.form, c.substance, m.threshold_mass_fraction, m.source
    FROM target_metal_compounds AS c
    INNER JOIN target_metals AS m ON m.metal = c.metal AND m.form = c.form
),
pollutants AS (
    SELECT
        h.cas,
        h.valid_from,
        h.valid_to,
        h.substance,
        CASE WHEN h.metal THEN 'metal' WHEN h."group" = 'glycol ethers' THEN h."group" END AS class,
        CASE WHEN h.metal THEN NULL WHEN h.carcinogen THEN t.carcinogen_min ELSE t.other_min END AS threshold_mass_fraction,
        h.source
    FROM hap AS h
    CROSS JOIN thresholds AS t
    UNION ALL
    SELECT m.cas, NULL AS valid_from, NULL AS valid_to, min(m.substance) AS substance, 'metal' AS class,
        NULL AS threshold_mass_fraction, min(m.source) AS source
    FROM metals AS m
    LEFT JOIN (SELECT DISTINCT cas FROM hap) AS h ON h.cas = m.cas
    WHERE h.cas IS NULL
    GROUP BY m.cas
)
SELECT
    l.jurisdiction,
    s.cas,
    CASE l.purpose WHEN 'reporting' THEN 'mass' ELSE l.purpose END AS purpose,
    CAST(NULL AS VARCHAR) AS class,
    coalesce(e.valid_from, DATE '0001-01-01') AS from_on,
    coalesce(e.valid_to, DATE '9999-12-31') AS until_on,
    CASE WHEN e.cas IS NULL THEN 'counts' ELSE 'exempt' END AS status,
    s.substance,
    s.density_g_per_ml,
    CAST(NULL AS VARCHAR) AS form,
    CAST(NULL AS DOUBLE) AS threshold_mass_fraction,
    CASE WHEN e.cas IS NULL THEN concat('not on the list of ', l.list_of) ELSE e.source END AS source
FROM lists AS l
CROSS JOIN substances AS s
LEFT JOIN exempt_compounds AS e
    ON e.jurisdiction = l.list_of AND e.cas = s.cas AND e.purpose = l.purpose
UNION ALL
SELECT
    w.jurisdiction,
    p.cas,
    'hap' AS purpose,
    p.class,
    coalesce(p.valid_from, DATE '0001-01-01') AS from_on,
    coalesce(p.valid_to, DATE '9999-12-31') AS until_on,
    'listed' AS status,
    p.substance,
    NULL AS density_g_per_ml,
    NULL AS form,
    p.threshold_mass_fraction,
    p.source
FROM wanted AS w
CROSS JOIN pollutants AS p
UNION ALL
SELECT
    w.jurisdiction,
    m.cas,
    'metal' AS purpose,
    m.metal AS class,
    DATE '0001-01-01' AS from_on,
    DATE '9999-12-31' AS until_on,
    'listed' AS status,
    m.substance,
    NULL AS density_g_per_ml,
    m.form,
    m.threshold_mass_fraction,
    m.source
FROM wanted AS w
CROSS JOIN metals AS m
ORDER BY jurisdiction, cas, purpose, class, from_on
