-- What each place says of a substance, by purpose and day; every statement that asks whether a substance counts asks here.
--   mass     exempt: left out of records and reports in kg           content   exempt: left out of limits on content, g/L
-- A place without a list for a purpose has that of the place above it (us above us-xy). A substance that some place lists and
-- this one does not on that day counts as VOC; where a place has no list at all the register's word stands (no rows here).
-- from_on is included, until_on is not.
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
)
SELECT
    l.jurisdiction,
    s.cas,
    CASE l.purpose WHEN 'reporting' THEN 'mass' ELSE l.purpose END AS purpose,
    coalesce(e.valid_from, DATE '0001-01-01') AS from_on,
    coalesce(e.valid_to, DATE '9999-12-31') AS until_on,
    CASE WHEN e.cas IS NULL THEN 'counts' ELSE 'exempt' END AS status,
    s.substance,
    s.density_g_per_ml,
    CASE WHEN e.cas IS NULL THEN concat('not on the list of ', l.list_of) ELSE e.source END AS source
FROM lists AS l
CROSS JOIN substances AS s
LEFT JOIN exempt_compounds AS e
    ON e.jurisdiction = l.list_of AND e.cas = s.cas AND e.purpose = l.purpose
ORDER BY l.jurisdiction, s.cas, purpose, from_on
