-- Which limits come closest, and when are they crossed at the present pace?
SELECT
    s.label AS shop, h.measure, h.period, h.month AS up_to, round(h.total, 1) AS total, round(h."limit", 1) AS the_limit,
    round(100 * h.share_of_limit, 1) AS percent_of_limit,
    CASE WHEN h.already THEN 'now' ELSE CAST(h.crossed_in AS VARCHAR) END AS crossed, h.complete
FROM permit_headroom AS h
LEFT JOIN shops AS s ON s.shop_id = h.shop_id
ORDER BY h.share_of_limit DESC NULLS LAST, h.shop_id, h.measure, h.period
