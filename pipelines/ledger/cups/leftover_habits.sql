-- How much is usually left: mean and spread of leftover / poured over weighed cups, by shop and role where at least five
-- cups were weighed. It stands in for a leftover nobody weighed (grade B), never for one that was.
WITH product_roles AS (
    SELECT product_id, min(role) AS role
    FROM products
    GROUP BY product_id
)
SELECT
    m.shop_id,
    r.role,
    count(*) AS n,
    avg(m.leftover_g / m.poured_g) AS leftover_share,
    stddev_samp(m.leftover_g / m.poured_g) AS leftover_share_sd
FROM mixes AS m
INNER JOIN product_roles AS r ON r.product_id = m.product_id
WHERE m.leftover_known AND m.complete AND m.poured_g > 0
GROUP BY m.shop_id, r.role
HAVING count(*) >= 5
ORDER BY m.shop_id, r.role
