-- Each version of a row of the register components with the days on which it is in force: from_on is included, until_on is not.
SELECT
    *,
    coalesce(valid_from, DATE '0001-01-01') AS from_on,
    coalesce(
        lead(valid_from) OVER (PARTITION BY component_id ORDER BY coalesce(valid_from, DATE '0001-01-01')),
        DATE '9999-12-31'
    ) AS until_on
FROM components
ORDER BY component_id, valid_from
