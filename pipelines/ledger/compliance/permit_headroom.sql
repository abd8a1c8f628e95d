-- limit_curve in the month of each shop's last pour, cleaning or unscaled use: what is left under each limit of the permits.
SELECT c.*
FROM limit_curve AS c
INNER JOIN emission_places AS p ON p.shop_id = c.shop_id AND p.last_month = c.month
ORDER BY c.shop_id, c.measure, c.period
