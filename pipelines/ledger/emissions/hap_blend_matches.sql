-- Which default blend of 40 CFR 63 subpart MMMM stands behind a species that the register names only as a blend.
-- Table 3: name and CAS number both match: that entry; else one of them matches. Table 4 (aliphatic, aromatic) where nothing
-- of Table 3 does and the name says which. Several candidates on the same footing: `ambiguous`, and the one with most
-- hazardous pollutants is taken, so that nothing is reported smaller than it can be.
WITH names AS (
    SELECT component_id, cas, substance, lower(trim(substance)) AS name
    FROM component_species
),
entries AS (
    SELECT table_no, entry_no, min(blend) AS blend, lower(min(blend)) AS name, min(cas) AS cas, max(organic_hap_mass_fraction) AS organic
    FROM hap_blends
    GROUP BY table_no, entry_no
),
candidates AS (
    SELECT
        n.component_id,
        n.cas,
        n.substance,
        e.table_no,
        e.entry_no,
        e.blend,
        e.organic,
        CASE
            WHEN e.table_no = 4 THEN 3
            WHEN e.name = n.name AND e.cas = n.cas THEN 1
            ELSE 2
        END AS footing,
        CASE
            WHEN e.table_no = 4 THEN 'kind'
            WHEN e.name = n.name AND e.cas = n.cas THEN 'name and CAS number'
            WHEN e.name = n.name THEN 'name'
            ELSE 'CAS number'
        END AS matched_by
    FROM names AS n
    INNER JOIN entries AS e
        ON e.table_no = 3 AND (e.name = n.name OR e.cas = n.cas)
        OR e.table_no = 4 AND strpos(n.name, e.name) > 0
),
best AS (
    SELECT component_id, cas, min(footing) AS footing
    FROM candidates
    GROUP BY component_id, cas
),
ranked AS (
    SELECT
        c.*,
        count(*) OVER (PARTITION BY c.component_id, c.cas) AS n_candidates,
        row_number() OVER (PARTITION BY c.component_id, c.cas ORDER BY c.organic DESC, c.table_no, c.entry_no) AS choice
    FROM candidates AS c
    INNER JOIN best AS b ON b.component_id = c.component_id AND b.cas = c.cas AND b.footing = c.footing
)
SELECT
    *,
    organic AS organic_hap_mass_fraction,
    n_candidates > 1 AS ambiguous
FROM ranked
WHERE choice = 1
ORDER BY component_id, cas
