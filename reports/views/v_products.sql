-- The latest version of each product of the register.
SELECT p.* EXCLUDE (later)
FROM (
    SELECT *, row_number() OVER (PARTITION BY product_id ORDER BY valid_from DESC NULLS LAST) AS later FROM products
) AS p
WHERE p.later = 1
