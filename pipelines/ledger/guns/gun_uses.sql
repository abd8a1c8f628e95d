-- How each gun is used, in whichever shop it was: the tip last written down for it, mm, and how many operations it sprayed of
-- primers (surfacer, sprayable filler) and of finish (base, mid coat, clear, single stage).
WITH tips AS (
    SELECT
        gun_id,
        tip_mm,
        row_number() OVER (PARTITION BY gun_id ORDER BY started_at DESC, shop_id, job_id, operation_no) AS newest
    FROM operations
    WHERE kind = 'spray' AND tip_mm IS NOT NULL
),
purposes AS (
    SELECT
        gun_id,
        sum(CASE WHEN role IN ('surfacer', 'sprayable_filler') THEN 1 ELSE 0 END) AS n_primer,
        sum(CASE WHEN role IN ('base', 'mid_coat', 'clear', 'single_stage') THEN 1 ELSE 0 END) AS n_finish
    FROM sprays
    WHERE gun_id IS NOT NULL
    GROUP BY gun_id
)
SELECT p.gun_id, t.tip_mm, p.n_primer, p.n_finish
FROM purposes AS p
LEFT JOIN tips AS t ON t.gun_id = p.gun_id AND t.newest = 1
ORDER BY p.gun_id
