-- What the ledger takes as left in a cup that nobody weighed back, by shop and role: the mean of the weighed ones
-- (leftover_habits), moved by the transfer model's finding where it is one (|z| > 3). Film then shows that cups not weighed
-- back sprayed another part of what was in them: 1 - share = (1 - share of the weighed) x factor; never below nothing.
WITH finding AS (
    SELECT coalesce(max(CASE WHEN note IS NOT NULL THEN value END), 1.0) AS factor
    FROM transfer_model
    WHERE term = 'unweighed'
)
SELECT
    h.shop_id,
    h.role,
    CASE WHEN (1 - h.leftover_share) * f.factor < 1 THEN 1 - (1 - h.leftover_share) * f.factor ELSE 0.0 END AS leftover_share
FROM leftover_habits AS h
CROSS JOIN finding AS f
ORDER BY h.shop_id, h.role
