-- Which guns qualify under 40 CFR 63.11173(e)(3), and why, where the shop rules apply; and the 3.0 fl oz line of 63.11180:
--   qualifies   yes: HVLP, electrostatic, airless, air-assisted airless; review: reduced pressure (an approved equivalent needs
--               its papers); no: conventional
--   cup         outside: at most 87 mL; review: above it up to 90 mL (3.0 fl oz are 88.72 mL, the rule prints 89 cc and names
--               exactly 3.0 on both sides); review: refilled: a small cup that sprayed more than its volume in one operation;
--               inside: larger; missing: size not entered
WITH ruled AS (
    SELECT p.shop_id
    FROM emission_places AS p
    INNER JOIN packs AS k ON k.jurisdiction = p.jurisdiction AND strpos(k.sections, 'shop_rules') > 0
),
volumes AS (
    SELECT o.gun_id, o.shop_id, o.job_id, o.operation_no, sum((s.gone_g - s.flush_g) / m.density_g_per_ml) AS ml
    FROM sprayed AS s
    INNER JOIN operations AS o
        ON o.shop_id = s.shop_id AND o.job_id = s.job_id AND o.operation_no = s.operation_no
    INNER JOIN mixes AS m ON m.shop_id = s.shop_id AND m.mix_id = s.mix_id
    GROUP BY o.gun_id, o.shop_id, o.job_id, o.operation_no
),
refills AS (
    SELECT g.gun_id, count(*) AS n_refilled
    FROM guns AS g
    INNER JOIN volumes AS v ON v.gun_id = g.gun_id AND v.ml > g.cup_ml
    WHERE g.cup_ml <= 90
    GROUP BY g.gun_id
)
SELECT
    g.shop_id,
    g.gun_id,
    g.atomising,
    CASE
        WHEN g.atomising IN ('hvlp', 'electrostatic', 'airless', 'air_assisted_airless') THEN 'yes'
        WHEN g.atomising = 'reduced_pressure' THEN 'review'
        ELSE 'no'
    END AS qualifies,
    CASE
        WHEN g.atomising IN ('hvlp', 'electrostatic', 'airless', 'air_assisted_airless') THEN 'named in the rule'
        WHEN g.atomising = 'reduced_pressure' THEN 'only as an approved equivalent: the papers must be on file'
        ELSE 'not named in the rule'
    END AS why,
    g.cup_ml,
    CASE
        WHEN g.cup_ml IS NULL THEN 'missing'
        WHEN g.cup_ml > 90 THEN 'inside'
        WHEN coalesce(r.n_refilled, 0) > 0 THEN 'review: refilled'
        WHEN g.cup_ml > 87 THEN 'review'
        ELSE 'outside'
    END AS cup,
    coalesce(r.n_refilled, 0) AS n_refilled,
    g.in_service_on,
    g.retired_on
FROM guns AS g
INNER JOIN ruled AS p ON p.shop_id = g.shop_id
LEFT JOIN refills AS r ON r.gun_id = g.gun_id
ORDER BY g.shop_id, g.gun_id
