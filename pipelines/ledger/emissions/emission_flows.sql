-- When what was in a cup counts as gone, g. The rows of a cup sum to poured - poured on into other cups.
--   cup             left the gun or was thrown away, no weigh-back before it says kept: the month of the first pour
--   drawn           kept before, and an operation drew from the cup since the weigh-back: the day of the first such draw
--   weighed_back    kept before, and the next weigh-back shows it gone: the day of that weigh-back
--   discarded       kept before, thrown away at a later weigh-back: that day
--   unseen          kept, and neither drawn, weighed nor poured on for so many days ($kept_unseen_days): all that the cup holds, on
--                   that day, once the shop's records reach it. What is found of it later changes no month that was told: it counts
--                   no more; what is poured into such a cup counts on its day
--   found           what was poured on from an unseen cup, taken off on that day: it counts with the cup that it went into
--   kept            still kept when the records end: counted in no month, listed here
-- Only the fate `kept` keeps; a weigh-back that does not say counts as thrown away. A cup never weighed back is all gone.
WITH stretches AS (
    SELECT
        shop_id,
        mix_id,
        interval_no,
        weighed_at,
        fate,
        lead(weighed_at) OVER (PARTITION BY shop_id, mix_id ORDER BY interval_no) AS next_at
    FROM cup_intervals
),
draws_in AS (
    SELECT s.shop_id, s.mix_id, s.interval_no, min(o.started_at) AS drawn_at
    FROM stretches AS s
    INNER JOIN cup_feeds AS f ON f.shop_id = s.shop_id AND f.mix_id = s.mix_id
    INNER JOIN operations AS o
        ON o.shop_id = f.shop_id AND o.job_id = f.job_id AND o.operation_no = f.operation_no
        AND o.started_at > s.weighed_at AND (s.next_at IS NULL OR o.started_at <= s.next_at)
    GROUP BY s.shop_id, s.mix_id, s.interval_no
),
kept AS (
    SELECT s.shop_id, s.mix_id, s.interval_no, s.weighed_at, coalesce(d.drawn_at, s.next_at) AS shown_at
    FROM stretches AS s
    LEFT JOIN draws_in AS d ON d.shop_id = s.shop_id AND d.mix_id = s.mix_id AND d.interval_no = s.interval_no
    WHERE s.fate = 'kept'
),
sightings AS (
    SELECT shop_id, mix_id, interval_no, weighed_at AS seen_at, shown_at FROM kept
    UNION ALL
    SELECT k.shop_id, k.mix_id, k.interval_no, p.poured_at AS seen_at, k.shown_at
    FROM kept AS k
    INNER JOIN pours AS p
        ON p.shop_id = k.shop_id AND p.from_mix_id = k.mix_id AND p.poured_at >= k.weighed_at
        AND (k.shown_at IS NULL OR p.poured_at < k.shown_at)
),
pauses AS (
    SELECT
        shop_id,
        mix_id,
        interval_no,
        CAST(seen_at AS DATE) + $kept_unseen_days AS unseen_on,
        CAST(coalesce(lead(seen_at) OVER (PARTITION BY shop_id, mix_id, interval_no ORDER BY seen_at), shown_at) AS DATE) AS next_on
    FROM sightings
),
unseen AS (
    SELECT w.shop_id, w.mix_id, min(w.interval_no) AS interval_no, min(w.unseen_on) AS unseen_on
    FROM pauses AS w
    INNER JOIN emission_places AS p ON p.shop_id = w.shop_id
    WHERE CASE WHEN w.next_on IS NULL THEN w.unseen_on <= p.last_on ELSE w.unseen_on < w.next_on END
    GROUP BY w.shop_id, w.mix_id
),
gone AS (
    SELECT
        i.shop_id,
        i.mix_id,
        greatest(i.gone_g, 0) AS mass_g,
        CASE
            WHEN NOT i.kept_before THEN 'cup'
            WHEN i.fate_before = 'discarded' THEN 'discarded'
            WHEN d.drawn_at IS NOT NULL THEN 'drawn'
            ELSE 'weighed_back'
        END AS kind,
        CASE
            WHEN NOT i.kept_before THEN NULL
            WHEN i.fate_before = 'discarded' THEN i.begins_at
            ELSE coalesce(d.drawn_at, i.weighed_at)
        END AS shown_at
    FROM cup_intervals AS i
    LEFT JOIN unseen AS u ON u.shop_id = i.shop_id AND u.mix_id = i.mix_id
    LEFT JOIN draws_in AS d ON d.shop_id = i.shop_id AND d.mix_id = i.mix_id AND d.interval_no = i.interval_no - 1
    WHERE u.interval_no IS NULL OR i.interval_no <= u.interval_no
),
left_over AS (
    SELECT
        i.shop_id,
        i.mix_id,
        greatest(i.leftover_g, 0) AS mass_g,
        CASE
            WHEN coalesce(i.fate, 'discarded') <> 'kept' AND i.kept_before THEN 'discarded'
            WHEN coalesce(i.fate, 'discarded') <> 'kept' THEN 'cup'
            WHEN d.drawn_at IS NOT NULL THEN 'drawn'
            ELSE 'kept'
        END AS kind,
        CASE
            WHEN coalesce(i.fate, 'discarded') <> 'kept' AND i.kept_before THEN i.weighed_at
            WHEN coalesce(i.fate, 'discarded') = 'kept' THEN d.drawn_at
        END AS shown_at
    FROM cup_intervals AS i
    LEFT JOIN unseen AS u ON u.shop_id = i.shop_id AND u.mix_id = i.mix_id
    LEFT JOIN draws_in AS d ON d.shop_id = i.shop_id AND d.mix_id = i.mix_id AND d.interval_no = i.interval_no
    WHERE i.interval_no = i.n_weighings AND u.mix_id IS NULL
),
poured_later AS (
    SELECT u.shop_id, u.mix_id, 'unseen' AS kind, CAST(p.poured_at AS DATE) AS on_date, p.weighed_g AS mass_g
    FROM unseen AS u
    INNER JOIN pours AS p ON p.shop_id = u.shop_id AND p.mix_id = u.mix_id
    WHERE CAST(p.poured_at AS DATE) > u.unseen_on
    UNION ALL
    SELECT u.shop_id, u.mix_id, 'found' AS kind, CAST(p.poured_at AS DATE) AS on_date, 0 - p.weighed_g AS mass_g
    FROM unseen AS u
    INNER JOIN pours AS p ON p.shop_id = u.shop_id AND p.from_mix_id = u.mix_id
    WHERE CAST(p.poured_at AS DATE) > u.unseen_on
),
held AS (
    SELECT
        u.shop_id,
        u.mix_id,
        u.unseen_on,
        m.poured_g - m.poured_on_g - coalesce(g.mass_g, 0) - coalesce(l.mass_g, 0) AS mass_g
    FROM unseen AS u
    INNER JOIN mixes AS m ON m.shop_id = u.shop_id AND m.mix_id = u.mix_id
    LEFT JOIN (SELECT shop_id, mix_id, sum(mass_g) AS mass_g FROM gone GROUP BY shop_id, mix_id) AS g
        ON g.shop_id = u.shop_id AND g.mix_id = u.mix_id
    LEFT JOIN (SELECT shop_id, mix_id, sum(mass_g) AS mass_g FROM poured_later GROUP BY shop_id, mix_id) AS l
        ON l.shop_id = u.shop_id AND l.mix_id = u.mix_id
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
    SELECT shop_id, mix_id, kind, CAST(shown_at AS DATE) AS shown_on, mass_g FROM left_over
    UNION ALL
    SELECT shop_id, mix_id, 'unseen' AS kind, unseen_on AS shown_on, greatest(mass_g, 0) AS mass_g FROM held
    UNION ALL
    SELECT shop_id, mix_id, kind, on_date AS shown_on, mass_g FROM poured_later
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
WHERE kind = 'cup' OR mass_g <> 0
ORDER BY shop_id, mix_id, kind, on_date
