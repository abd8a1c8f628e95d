-- The limits of permits in kg and L, "limit" x the unit's factor, with the days on which each version is in force: from_on is
-- included, until_on is not. amount is null where the unit cannot measure what is limited (a row that intake refuses).
SELECT
    l.*,
    coalesce(l.valid_from, DATE '0001-01-01') AS from_on,
    coalesce(
        lead(l.valid_from) OVER (
            PARTITION BY l.shop_id, l.measure, l.period ORDER BY coalesce(l.valid_from, DATE '0001-01-01')
        ),
        DATE '9999-12-31'
    ) AS until_on,
    l."limit" AS limit_stated,
    f.factor,
    l."limit" * f.factor AS amount
FROM permit_limits AS l
LEFT JOIN unit_factors AS f
    ON f.unit = l.unit AND f.quantity = CASE WHEN l.measure LIKE 'rts_l%' THEN 'volume' ELSE 'mass' END
ORDER BY l.shop_id, l.measure, l.period, from_on
