-- What left each weighed-back cup between its weigh-backs, g. The first interval is open at the left, the last at the right;
-- interval i ends at weigh-back i. Poured-on mass (into other cups) is no spraying and is kept apart.
--   gone_i = leftover_(i-1) + poured in i - poured on in i - leftover_i
-- kept_before: some weigh-back before it said kept; fate_before: what the one before it said.
WITH weighings AS (
    SELECT
        shop_id,
        mix_id,
        leftover_g AS held_g,
        weighed_at,
        fate,
        row_number() OVER (PARTITION BY shop_id, mix_id ORDER BY weigh_no) AS interval_no,
        count(*) OVER (PARTITION BY shop_id, mix_id) AS n_weighings,
        lag(leftover_g) OVER (PARTITION BY shop_id, mix_id ORDER BY weigh_no) AS leftover_before_g,
        lag(weighed_at) OVER (PARTITION BY shop_id, mix_id ORDER BY weigh_no) AS begins_at,
        lag(fate) OVER (PARTITION BY shop_id, mix_id ORDER BY weigh_no) AS fate_before,
        coalesce(
            max(CASE WHEN fate = 'kept' THEN 1 ELSE 0 END) OVER (
                PARTITION BY shop_id, mix_id ORDER BY weigh_no ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING
            ),
            0
        ) = 1 AS kept_before
    FROM leftovers
),
bounded AS (
    SELECT
        *,
        CASE WHEN interval_no = n_weighings THEN NULL ELSE weighed_at END AS ends_at
    FROM weighings
),
poured AS (
    SELECT b.shop_id, b.mix_id, b.interval_no, sum(p.weighed_g) AS g
    FROM bounded AS b
    INNER JOIN pours AS p ON p.shop_id = b.shop_id AND p.mix_id = b.mix_id
    WHERE (b.begins_at IS NULL OR p.poured_at >= b.begins_at) AND (b.ends_at IS NULL OR p.poured_at < b.ends_at)
    GROUP BY b.shop_id, b.mix_id, b.interval_no
),
poured_on AS (
    SELECT
        b.shop_id,
        b.mix_id,
        b.interval_no,
        sum(CASE WHEN p.poured_at < b.weighed_at THEN p.weighed_g ELSE 0 END) AS before_g,
        sum(CASE WHEN p.poured_at >= b.weighed_at THEN p.weighed_g ELSE 0 END) AS after_g
    FROM bounded AS b
    INNER JOIN pours AS p ON p.shop_id = b.shop_id AND p.from_mix_id = b.mix_id
    WHERE b.begins_at IS NULL OR p.poured_at >= b.begins_at
    GROUP BY b.shop_id, b.mix_id, b.interval_no
)
SELECT
    b.*,
    b.held_g - CASE WHEN b.ends_at IS NULL THEN coalesce(o.after_g, 0) ELSE 0 END AS leftover_g,
    coalesce(b.leftover_before_g, 0) + coalesce(p.g, 0) - coalesce(o.before_g, 0)
    - b.held_g AS gone_g
FROM bounded AS b
LEFT JOIN poured AS p ON p.shop_id = b.shop_id AND p.mix_id = b.mix_id AND p.interval_no = b.interval_no
LEFT JOIN poured_on AS o ON o.shop_id = b.shop_id AND o.mix_id = b.mix_id AND o.interval_no = b.interval_no
ORDER BY b.shop_id, b.mix_id, b.interval_no
