-- The latest version of each gun of the register.
SELECT g.* EXCLUDE (later)
FROM (
    SELECT *, row_number() OVER (PARTITION BY gun_id ORDER BY valid_from DESC NULLS LAST) AS later FROM guns
) AS g
WHERE g.later = 1
