-- The latest version of each component of the register.
SELECT c.* EXCLUDE (later)
FROM (
    SELECT *, row_number() OVER (PARTITION BY component_id ORDER BY valid_from DESC NULLS LAST) AS later FROM components
) AS c
WHERE c.later = 1
