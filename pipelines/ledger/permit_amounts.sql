-- The limits of permits in kg and L: "limit" x the unit's factor; null where the unit cannot measure what is limited.
SELECT
    l.shop_id,
    l.measure,
    l.period,
    l."limit" AS limit_stated,
    l.unit,
    l.source,
    l."limit" * f.factor AS amount
FROM permit_limits AS l
LEFT JOIN unit_factors AS f
    ON f.unit = l.unit AND f.quantity = CASE WHEN l.measure LIKE 'rts_l%' THEN 'volume' ELSE 'mass' END
ORDER BY l.shop_id, l.measure, l.period
