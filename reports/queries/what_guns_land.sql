-- What does each gun land with clear coat, how sure is that, and what cannot be told apart from it?
SELECT
    shop, gun_id, atomising, tip_mm, round(100 * estimate, 1) AS te_percent, round(100 * low, 1) AS low,
    round(100 * high, 1) AS high, n AS records, grade, with_whom AS not_told_apart_from
FROM v_guns
WHERE role = 'clear' AND estimate IS NOT NULL
ORDER BY shop, gun_id
