-- Each gun as the register has it last: home, tip, cup, price of today. What an operation was sprayed with is in gun_versions.
SELECT *
FROM gun_versions
WHERE until_on = DATE '9999-12-31'
ORDER BY gun_id
