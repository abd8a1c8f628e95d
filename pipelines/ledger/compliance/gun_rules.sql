-- What 40 CFR 63 subpart HHHHHH says of each gun in each shop that has or had it; the place decides whether it applies:
--   qualifies   yes: HVLP, electrostatic, airless, air-assisted airless (63.11173(e)(3)); review: reduced pressure (an approved
--               equivalent needs its papers) or not entered; no: conventional
--   cup         outside: at most 87 mL; review: above it up to 90 mL (3.0 fl oz are 88.72 mL, the rule prints 89 cc and names
--               exactly 3.0 on both sides, 63.11180); review: refilled: a cup of at most 90 mL that sprayed more than its volume
--               in one operation; inside: larger; missing: size not entered
WITH places AS (
    SELECT shop_id, gun_id FROM guns
    UNION
    SELECT shop_id, gun_id FROM sprays WHERE gun_id IS NOT NULL
),
volumes AS (
    SELECT
        o.shop_id,
        o.gun_id,
        s.job_id,
        s.operation_no,
        min(CAST(o.started_at AS DATE)) AS on_date,
        sum(s.sprayed_g / m.density_g_per_ml) AS ml
    FROM sprayed AS s
    INNER JOIN operations AS o
        ON o.shop_id = s.shop_id AND o.job_id = s.job_id AND o.operation_no = s.operation_no
    INNER JOIN mixes AS m ON m.shop_id = s.shop_id AND m.mix_id = s.mix_id
    GROUP BY o.shop_id, o.gun_id, s.job_id, s.operation_no
),
refills AS (
    SELECT v.shop_id, v.gun_id, count(*) AS n_refilled, min(v.on_date) AS first_refilled_on
    FROM volumes AS v
    INNER JOIN guns_now AS g ON g.gun_id = v.gun_id AND v.ml > g.cup_ml
    WHERE g.cup_ml <= 90
    GROUP BY v.shop_id, v.gun_id
)
SELECT
    p.shop_id,
    p.gun_id,
    CASE
        WHEN g.atomising IN ('hvlp', 'electrostatic', 'airless', 'air_assisted_airless') THEN 'yes'
        WHEN g.atomising = 'conventional' THEN 'no'
        ELSE 'review'
    END AS qualifies,
    CASE
        WHEN g.cup_ml IS NULL THEN 'missing'
        WHEN g.cup_ml > 90 THEN 'inside'
        WHEN coalesce(r.n_refilled, 0) > 0 THEN 'review: refilled'
        WHEN g.cup_ml > 87 THEN 'review'
        ELSE 'outside'
    END AS cup,
    CASE
        WHEN g.cup_ml IS NULL THEN 'missing'
        WHEN g.cup_ml > 90 THEN 'inside'
        WHEN g.cup_ml > 87 THEN 'review'
        ELSE 'outside'
    END AS cup_by_size,
    r.first_refilled_on,
    coalesce(r.n_refilled, 0) AS n_refilled
FROM places AS p
INNER JOIN guns_now AS g ON g.gun_id = p.gun_id
LEFT JOIN refills AS r ON r.shop_id = p.shop_id AND r.gun_id = p.gun_id
ORDER BY p.shop_id, p.gun_id
