-- Each version of a row of the register guns with the days on which it is in force: from_on is included, until_on is not.
SELECT
    *,
    coalesce(valid_from, DATE '0001-01-01') AS from_on,
    coalesce(
        lead(valid_from) OVER (PARTITION BY gun_id ORDER BY coalesce(valid_from, DATE '0001-01-01')),
        DATE '9999-12-31'
    ) AS until_on
FROM guns
ORDER BY gun_id, from_on
