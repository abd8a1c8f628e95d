-- limit_curve in the month of each shop's last pour, cleaning or unscaled use: what is left under each limit of the permits.
SELECT
    c.shop_id,
    c.measure,
    c.period,
    c.month,
    c.total,
    c."limit",
    c.headroom,
    c.share_of_limit,
    c.pace_per_month,
    c.already,
    c.crossed_in,
    c.months_present,
    c.complete,
    c.limit_stated,
    c.total_stated,
    c.headroom_stated,
    c.pace_stated,
    c.unit,
    c.unit_fits,
    c.source
FROM limit_curve AS c
INNER JOIN emission_places AS p ON p.shop_id = c.shop_id AND p.last_month = c.month
ORDER BY c.shop_id, c.measure, c.period
