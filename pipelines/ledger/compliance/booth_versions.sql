-- Each version of a row of the register booths with the days on which it is in force: from_on is included, until_on is not.
SELECT
    *,
    coalesce(valid_from, DATE '0001-01-01') AS from_on,
    coalesce(
        lead(valid_from) OVER (PARTITION BY booth_id ORDER BY coalesce(valid_from, DATE '0001-01-01')),
        DATE '9999-12-31'
    ) AS until_on
FROM booths
ORDER BY booth_id, valid_from
