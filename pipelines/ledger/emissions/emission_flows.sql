-- When what was in a cup counts as gone, g. The rows of a cup sum to poured - poured on into other cups.
--   cup             left the gun or was thrown away, no weigh-back before it says kept: the month of the first pour
--   drawn           kept before, and an operation drew from the cup since the weigh-back: the day of the first such draw
--   weighed_back    kept before, and the next weigh-back shows it gone: the day of that weigh-back
--   discarded       kept before, thrown away at a later weigh-back: that day
--   unseen          kept at the last weigh-back and neither drawn, weighed nor poured on since: that many days
--                   ($kept_unseen_days) after it was last seen (weighed back or poured on), once the shop's records reach
--                   that day
--   kept            still kept when the records end: counted in no month, listed here
-- Only the fate `kept` keeps; a weigh-back that does not say counts as thrown away. A cup never weighed back is all gone.
WITH weighings AS (
    SELECT
        shop_id,
        mix_id,
        weighed_at,
        fate,
        row_number() OVER (PARTITION BY shop_id, mix_id ORDER BY weigh_no) AS interval_no
    FROM leftovers
),
intervals AS (
    SELECT
        i.shop_id,
        i.mix_id,
        i.interval_no,
        i.n_weighings,
        i.gone_g,
        i.leftover_g,
        w.weighed_at,
        w.fate,
        lag(w.weighed_at) OVER (PARTITION BY i.shop_id, i.mix_id ORDER BY i.interval_no) AS before_at,
        lag(w.fate) OVER (PARTITION BY i.shop_id, i.mix_id ORDER BY i.interval_no) AS fate_before,
        coalesce(
            max(CASE WHEN w.fate = 'kept' THEN 1 ELSE 0 END) OVER (
                PARTITION BY i.shop_id, i.mix_id ORDER BY i.interval_no
                ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING
            ),
            0
        ) = 1 AS kept_before
    FROM cup_intervals AS i
    INNER JOIN weighings AS w
        ON w.shop_id = i.shop_id AND w.mix_id = i.mix_id AND w.interval_no = i.interval_no
),
draws_in AS (
    SELECT i.shop_id, i.mix_id, i.interval_no, min(o.started_at) AS drawn_at
    FROM intervals AS i
    INNER JOIN cup_feeds AS f ON f.shop_id = i.shop_id AND f.mix_id = i.mix_id
    INNER JOIN operations AS o
        ON o.shop_id = f.shop_id AND o.job_id = f.job_id AND o.operation_no = f.operation_no
        AND o.started_at > i.before_at AND o.started_at <= i.weighed_at
    WHERE i.kept_before
    GROUP BY i.shop_id, i.mix_id, i.interval_no
),
draws_after AS (
    SELECT i.shop_id, i.mix_id, min(o.started_at) AS drawn_at
    FROM intervals AS i
    INNER JOIN cup_feeds AS f ON f.shop_id = i.shop_id AND f.mix_id = i.mix_id
    INNER JOIN operations AS o
        ON o.shop_id = f.shop_id AND o.job_id = f.job_id AND o.operation_no = f.operation_no
        AND o.started_at > i.weighed_at
    WHERE i.interval_no = i.n_weighings
    GROUP BY i.shop_id, i.mix_id
),
poured_on AS (
    SELECT shop_id, from_mix_id AS mix_id, max(poured_at) AS last_at
    FROM pours
    WHERE from_mix_id IS NOT NULL
    GROUP BY shop_id, from_mix_id
),
gone AS (
    SELECT
        i.shop_id,
        i.mix_id,
        i.interval_no,
        greatest(i.gone_g, 0) AS mass_g,
        CASE
            WHEN NOT i.kept_before THEN 'cup'
            WHEN i.fate_before = 'discarded' THEN 'discarded'
            WHEN d.drawn_at IS NOT NULL THEN 'drawn'
            ELSE 'weighed_back'
        END AS kind,
        CASE
            WHEN NOT i.kept_before THEN NULL
            WHEN i.fate_before = 'discarded' THEN i.before_at
            ELSE coalesce(d.drawn_at, i.weighed_at)
        END AS shown_at
    FROM intervals AS i
    LEFT JOIN draws_in AS d ON d.shop_id = i.shop_id AND d.mix_id = i.mix_id AND d.interval_no = i.interval_no
),
remaining AS (
    SELECT
        i.shop_id,
        i.mix_id,
        greatest(i.leftover_g, 0) AS mass_g,
        i.fate,
        i.kept_before,
        i.weighed_at,
        d.drawn_at,
        CAST(greatest(i.weighed_at, coalesce(o.last_at, i.weighed_at)) AS DATE) + $kept_unseen_days AS unseen_on,
        p.last_on
    FROM intervals AS i
    INNER JOIN emission_places AS p ON p.shop_id = i.shop_id
    LEFT JOIN draws_after AS d ON d.shop_id = i.shop_id AND d.mix_id = i.mix_id
    LEFT JOIN poured_on AS o ON o.shop_id = i.shop_id AND o.mix_id = i.mix_id
    WHERE i.interval_no = i.n_weighings
),
left_over AS (
    SELECT
        shop_id,
        mix_id,
        mass_g,
        CASE
            WHEN coalesce(fate, 'discarded') <> 'kept' AND kept_before THEN 'discarded'
            WHEN coalesce(fate, 'discarded') <> 'kept' THEN 'cup'
            WHEN drawn_at IS NOT NULL THEN 'drawn'
            WHEN unseen_on <= last_on THEN 'unseen'
            ELSE 'kept'
        END AS kind,
        CASE
            WHEN coalesce(fate, 'discarded') <> 'kept' AND kept_before THEN CAST(weighed_at AS DATE)
            WHEN coalesce(fate, 'discarded') <> 'kept' THEN NULL
            WHEN drawn_at IS NOT NULL THEN CAST(drawn_at AS DATE)
            WHEN unseen_on <= last_on THEN unseen_on
        END AS shown_on
    FROM remaining
),
never_weighed AS (
    SELECT m.shop_id, m.mix_id, greatest(m.poured_g - m.poured_on_g, 0) AS mass_g
    FROM mixes AS m
    LEFT JOIN (SELECT DISTINCT shop_id, mix_id FROM cup_intervals) AS i ON i.shop_id = m.shop_id AND i.mix_id = m.mix_id
    WHERE i.mix_id IS NULL
),
flows AS (
    SELECT shop_id, mix_id, kind, CAST(shown_at AS DATE) AS shown_on, mass_g FROM gone
    UNION ALL
    SELECT shop_id, mix_id, kind, shown_on, mass_g FROM left_over
    UNION ALL
    SELECT shop_id, mix_id, 'cup' AS kind, CAST(NULL AS DATE) AS shown_on, mass_g FROM never_weighed
),
dated AS (
    SELECT
        f.shop_id,
        f.mix_id,
        f.kind,
        CASE WHEN f.kind = 'cup' THEN CAST(m.first_poured_at AS DATE) ELSE f.shown_on END AS on_date,
        sum(f.mass_g) AS mass_g
    FROM flows AS f
    INNER JOIN mixes AS m ON m.shop_id = f.shop_id AND m.mix_id = f.mix_id
    GROUP BY f.shop_id, f.mix_id, f.kind, CASE WHEN f.kind = 'cup' THEN CAST(m.first_poured_at AS DATE) ELSE f.shown_on END
)
SELECT shop_id, mix_id, kind, on_date, strftime(on_date, '%Y-%m') AS month, mass_g
FROM dated
WHERE kind = 'cup' OR mass_g > 0
ORDER BY shop_id, mix_id, on_date NULLS LAST, kind
