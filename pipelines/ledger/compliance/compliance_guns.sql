-- Which guns qualify under 40 CFR 63.11173(e)(3), and why, where the shop rules apply; and the 3.0 fl oz line of 63.11180: the
-- judgement of gun_rules for the shop where the register has the gun.
WITH ruled AS (
    SELECT p.shop_id
    FROM emission_places AS p
    INNER JOIN packs AS k ON k.jurisdiction = p.jurisdiction AND strpos(k.sections, 'shop_rules') > 0
)
SELECT
    g.*,
    r.qualifies,
    CASE r.qualifies
        WHEN 'yes' THEN 'named in the rule'
        WHEN 'review' THEN 'only as an approved equivalent: the papers must be on file'
        ELSE 'not named in the rule'
    END AS why,
    r.cup,
    r.cup_by_size,
    r.first_refilled_on,
    r.n_refilled
FROM guns_now AS g
INNER JOIN ruled AS p ON p.shop_id = g.shop_id
INNER JOIN gun_rules AS r ON r.shop_id = g.shop_id AND r.gun_id = g.gun_id
ORDER BY g.shop_id, g.gun_id
