-- Which operation each cup fed, and which part of what left the cup it took.
-- Stated draws are taken as they are. A cup without any, but with a job, is drawn by that job's spray operations of its
-- product that started after its first pour; where that product is redone on the job, only until the job's next cup of it.
-- Shares: stated ones as stated; the missing ones split the rest by covered area x coats. In a cup weighed back more than
-- once, what left between two weigh-backs belongs to the draws started there, and shares are of that.
--   share        part of all that left the cup
--   gone_g       g that went this way, null while the leftover is unknown
--   offered_g    share x (poured - poured on): the most that can have gone this way
--   shared_with  operations with the same value hang together: only their sum is known
--   why_not      why such a sum carries no record: a part of it went where neither film nor transfer is known, or a cup that
--                was kept was drawn from again and not weighed after that, so that what left it is not known
WITH cup_jobs AS (
    SELECT DISTINCT p.shop_id, p.mix_id, p.job_id
    FROM pours AS p
    LEFT JOIN (SELECT DISTINCT shop_id, mix_id FROM draws) AS d ON d.shop_id = p.shop_id AND d.mix_id = p.mix_id
    WHERE p.job_id IS NOT NULL AND d.mix_id IS NULL
),
cups_of_jobs AS (
    SELECT c.shop_id, c.mix_id, c.job_id, m.product_id, m.first_poured_at
    FROM cup_jobs AS c
    INNER JOIN mixes AS m ON m.shop_id = c.shop_id AND m.mix_id = c.mix_id
),
first_uses AS (
    SELECT
        c.shop_id,
        c.mix_id,
        c.job_id,
        c.product_id,
        min(o.started_at) AS first_used_at,
        min(CASE WHEN o.redo_of IS NOT NULL AND w.operation_no IS NULL THEN o.started_at END) AS blind_redo_at,
        max(CASE WHEN o.redo_of IS NOT NULL THEN 1 ELSE 0 END) = 1 AS redo_follows
    FROM cups_of_jobs AS c
    INNER JOIN operations AS o
        ON o.shop_id = c.shop_id AND o.job_id = c.job_id AND o.product_id = c.product_id AND o.kind = 'spray'
        AND o.started_at > c.first_poured_at
    LEFT JOIN operations AS w
        ON w.shop_id = o.shop_id AND w.job_id = o.job_id AND w.operation_no = o.redo_of
    GROUP BY c.shop_id, c.mix_id, c.job_id, c.product_id
),
replaced AS (
    -- The job's next cup of the product is the first one poured after this one was first used: cups mixed together for one
    -- operation belong to it together. Where the repeated operation could not be read, a cup poured before its repeat's own
    -- cup is taken to have gone there.
    SELECT u.shop_id, u.mix_id, u.job_id, min(n.first_poured_at) AS replaced_at
    FROM first_uses AS u
    INNER JOIN cups_of_jobs AS c ON c.shop_id = u.shop_id AND c.mix_id = u.mix_id AND c.job_id = u.job_id
    INNER JOIN cups_of_jobs AS n
        ON n.shop_id = u.shop_id AND n.job_id = u.job_id AND n.product_id = u.product_id
        AND (
            n.first_poured_at >= u.first_used_at
            OR (u.blind_redo_at = u.first_used_at AND n.first_poured_at > c.first_poured_at)
        )
    WHERE u.redo_follows
    GROUP BY u.shop_id, u.mix_id, u.job_id
),
found AS (
    SELECT shop_id, mix_id, job_id, operation_no, share AS stated_share, FALSE AS derived
    FROM draws
    UNION ALL
    SELECT c.shop_id, c.mix_id, c.job_id, o.operation_no, CAST(NULL AS DOUBLE) AS stated_share, TRUE AS derived
    FROM cups_of_jobs AS c
    INNER JOIN operations AS o
        ON o.shop_id = c.shop_id AND o.job_id = c.job_id AND o.product_id = c.product_id AND o.kind = 'spray'
        AND o.started_at > c.first_poured_at
    LEFT JOIN replaced AS r ON r.shop_id = c.shop_id AND r.mix_id = c.mix_id AND r.job_id = c.job_id
    WHERE r.replaced_at IS NULL OR o.started_at <= r.replaced_at
),
unread_jobs AS (
    SELECT DISTINCT i.shop_id, i.job_id
    FROM incomplete AS i
    LEFT JOIN operations AS o
        ON o.shop_id = i.shop_id AND o.job_id = i.job_id AND o.operation_no = i.operation_no
    WHERE i.what = 'operation' AND o.operation_no IS NULL
),
last_weighings AS (
    SELECT shop_id, mix_id, weighed_at
    FROM (
        SELECT *, row_number() OVER (PARTITION BY shop_id, mix_id ORDER BY weigh_no DESC) AS back_no
        FROM leftovers
    ) AS numbered
    WHERE back_no = 1 AND fate = 'kept'
),
feeds AS (
    SELECT
        f.shop_id,
        f.mix_id,
        f.job_id,
        f.operation_no,
        f.stated_share,
        o.started_at > k.weighed_at AS drawn_again,
        f.derived AND u.job_id IS NOT NULL AS in_unread_job,
        o.started_at,
        CASE
            WHEN o.operation_no IS NULL THEN 'an operation that could not be read drew from its cup'
            WHEN o.kind <> 'spray' THEN 'its cup also fed hand work'
        END AS odd,
        s.covered_m2 * s.coats AS weight,
        coalesce(s.coats, 1) AS plain_weight,
        coalesce(i.n_weighings, 0) AS n_weighings
    FROM found AS f
    LEFT JOIN operations AS o ON o.shop_id = f.shop_id AND o.job_id = f.job_id AND o.operation_no = f.operation_no
    LEFT JOIN sprays AS s ON s.shop_id = f.shop_id AND s.job_id = f.job_id AND s.operation_no = f.operation_no
    LEFT JOIN unread_jobs AS u ON u.shop_id = f.shop_id AND u.job_id = f.job_id
    LEFT JOIN last_weighings AS k ON k.shop_id = f.shop_id AND k.mix_id = f.mix_id
    LEFT JOIN (SELECT shop_id, mix_id, max(n_weighings) AS n_weighings FROM cup_intervals GROUP BY shop_id, mix_id) AS i
        ON i.shop_id = f.shop_id AND i.mix_id = f.mix_id
),
placed AS (
    -- Which of several weigh-backs an operation sprayed before; a cup weighed back once, or never, is one interval.
    SELECT
        f.*,
        CASE WHEN f.n_weighings > 1 THEN i.interval_no ELSE 1 END AS interval_no
    FROM feeds AS f
    LEFT JOIN cup_intervals AS i
        ON f.n_weighings > 1
        AND i.shop_id = f.shop_id AND i.mix_id = f.mix_id
        AND (i.begins_at IS NULL OR f.started_at >= i.begins_at)
        AND (i.ends_at IS NULL OR f.started_at < i.ends_at)
),
gone AS (
    SELECT shop_id, mix_id, sum(gone_g) AS gone_g, sum(CASE WHEN gone_g > 0 THEN gone_g ELSE 0 END) AS positive_gone_g
    FROM cup_intervals
    GROUP BY shop_id, mix_id
),
intervals AS (
    SELECT
        shop_id,
        mix_id,
        interval_no,
        count(*) AS n_here,
        count(stated_share) AS n_stated_here,
        coalesce(sum(stated_share), 0) AS stated_here,
        count(CASE WHEN stated_share IS NULL AND weight IS NULL THEN 1 END) AS n_unknown_weight,
        sum(CASE WHEN stated_share IS NULL THEN weight END) AS weight_here,
        sum(CASE WHEN stated_share IS NULL THEN plain_weight END) AS plain_weight_here,
        max(CASE WHEN stated_share IS NULL THEN odd END) AS odd_here,
        -- An operation whose start is not known may have sprayed between any two weigh-backs.
        max(CASE WHEN interval_no IS NULL THEN odd END) AS odd_anywhere,
        max(CASE WHEN drawn_again THEN 'its cup was kept, drawn from again and not weighed after that' END) AS drawn_again
    FROM placed
    GROUP BY shop_id, mix_id, interval_no
),
oddities AS (
    SELECT shop_id, mix_id, max(odd_anywhere) AS odd_anywhere, max(drawn_again) AS cup_drawn_again
    FROM intervals
    GROUP BY shop_id, mix_id
),
counted AS (
    SELECT
        p.*,
        g.gone_g AS cup_gone_g,
        g.positive_gone_g,
        CASE WHEN p.n_weighings > 1 THEN i.gone_g ELSE g.gone_g END AS interval_gone_g,
        h.n_here,
        h.n_stated_here,
        h.stated_here,
        h.n_unknown_weight,
        h.weight_here,
        h.plain_weight_here,
        h.odd_here,
        c.odd_anywhere,
        c.cup_drawn_again
    FROM placed AS p
    INNER JOIN intervals AS h
        ON h.shop_id = p.shop_id AND h.mix_id = p.mix_id AND h.interval_no IS NOT DISTINCT FROM p.interval_no
    INNER JOIN oddities AS c ON c.shop_id = p.shop_id AND c.mix_id = p.mix_id
    LEFT JOIN gone AS g ON g.shop_id = p.shop_id AND g.mix_id = p.mix_id
    LEFT JOIN cup_intervals AS i
        ON p.n_weighings > 1 AND i.shop_id = p.shop_id AND i.mix_id = p.mix_id AND i.interval_no = p.interval_no
),
claimed AS (
    -- What the stated shares claim of this interval: between two weigh-backs all of it where every share is stated, else
    -- their part of all that left the cup, at most the whole interval.
    SELECT
        *,
        n_here - n_stated_here AS n_missing,
        CASE
            WHEN n_weighings <= 1 THEN stated_here
            WHEN n_stated_here = 0 THEN 0.0
            WHEN n_stated_here = n_here THEN 1.0
            WHEN interval_gone_g > 0 THEN least(1.0, stated_here * cup_gone_g / interval_gone_g)
            ELSE 0.0
        END AS claimed_here
    FROM counted
),
split AS (
    SELECT
        *,
        CASE
            WHEN stated_share IS NOT NULL THEN CASE WHEN stated_here > 0 THEN claimed_here * stated_share / stated_here ELSE 0.0 END
            WHEN n_missing = 1 THEN CASE WHEN claimed_here < 1 THEN 1 - claimed_here ELSE 0.0 END
            ELSE CASE WHEN claimed_here < 1 THEN 1 - claimed_here ELSE 0.0 END * CASE
                WHEN n_unknown_weight = 0 THEN weight / weight_here
                ELSE plain_weight / plain_weight_here
            END
        END AS part
    FROM claimed
),
sized AS (
    SELECT
        *,
        CASE WHEN interval_gone_g < 0 THEN 0.0 ELSE part * interval_gone_g END AS gone_g,
        CASE
            WHEN n_weighings <= 1 THEN part
            WHEN cup_gone_g > 0 AND interval_gone_g > 0 THEN part * interval_gone_g / positive_gone_g
            WHEN interval_no IS NOT NULL THEN 0.0
        END AS share
    FROM split
)
SELECT
    z.*,
    z.share * (m.poured_g - m.poured_on_g) AS offered_g,
    z.stated_share IS NOT NULL OR (z.n_missing = 1 AND z.n_stated_here = 0) AS share_known,
    CASE WHEN z.stated_share IS NULL AND z.n_missing > 1
        THEN concat_ws('/', z.shop_id, z.mix_id, CAST(z.interval_no AS VARCHAR))
    END AS shared_with,
    coalesce(
        CASE WHEN z.in_unread_job THEN 'an operation of its job could not be read and may have drawn from its cup' END,
        CASE WHEN z.stated_share IS NULL AND z.n_missing > 1 THEN z.odd_here END,
        CASE WHEN z.n_weighings > 1 THEN z.odd_anywhere END,
        CASE WHEN z.n_weighings = 1 OR z.interval_no = z.n_weighings THEN z.cup_drawn_again END
    ) AS why_not
FROM sized AS z
INNER JOIN mixes AS m ON m.shop_id = z.shop_id AND m.mix_id = z.mix_id
ORDER BY z.shop_id, z.mix_id, z.job_id, z.operation_no
