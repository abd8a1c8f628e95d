-- What each cup sent through each operation's gun: part = share x gone - flush loss; solids = part/rho x Q mL = part x S g.
-- One flush loss a gun at each change of cup: an operation pays when its gun's next operation shares no cup with it, or
-- there is none; taken from its cups pro rata to what left them, never more than left. Nothing is flushed from an
-- incomplete cup, whose way is not split. expected_ columns use the usual leftover where none was weighed; sprayed_ and
-- solids_ stay null there.
WITH gun_order AS (
    -- Each spray operation and the one that its gun sprayed next, in whichever shop: guns are lent and move.
    SELECT
        shop_id,
        job_id,
        operation_no,
        gun_id,
        started_at,
        lead(shop_id) OVER by_time AS next_shop_id,
        lead(job_id) OVER by_time AS next_job_id,
        lead(operation_no) OVER by_time AS next_operation_no
    FROM sprays
    WHERE gun_id IS NOT NULL
    WINDOW by_time AS (PARTITION BY gun_id ORDER BY started_at, shop_id, job_id, operation_no)
),
carried_on AS (
    SELECT DISTINCT g.shop_id, g.job_id, g.operation_no
    FROM gun_order AS g
    INNER JOIN cup_feeds AS f ON f.shop_id = g.shop_id AND f.job_id = g.job_id AND f.operation_no = g.operation_no
    INNER JOIN cup_feeds AS n
        ON n.shop_id = f.shop_id AND n.mix_id = f.mix_id
        AND n.shop_id = g.next_shop_id AND n.job_id = g.next_job_id AND n.operation_no = g.next_operation_no
),
flushes AS (
    SELECT
        g.shop_id,
        g.job_id,
        g.operation_no,
        coalesce(r.flush_loss_g, $flush_loss_g) AS flush_g,
        CASE WHEN r.flush_loss_g IS NULL THEN $flush_loss_sd_g ELSE $flush_loss_rel_sd * r.flush_loss_g END AS flush_sd_g
    FROM gun_order AS g
    LEFT JOIN carried_on AS c ON c.shop_id = g.shop_id AND c.job_id = g.job_id AND c.operation_no = g.operation_no
    LEFT JOIN gun_versions AS r
        ON r.gun_id = g.gun_id AND CAST(g.started_at AS DATE) >= r.from_on AND CAST(g.started_at AS DATE) < r.until_on
    WHERE c.job_id IS NULL
),
feeds AS (
    SELECT
        f.shop_id,
        f.mix_id,
        f.job_id,
        f.operation_no,
        f.share,
        f.share_known,
        f.why_not,
        f.gone_g,
        f.offered_g,
        m.leftover_known,
        m.complete,
        m.density_g_per_ml,
        m.solids_mass_fraction,
        m.solids_volume_fraction,
        m.grade AS mix_grade,
        h.leftover_share,
        h.leftover_share_sd,
        coalesce(f.gone_g, f.offered_g * (1 - h.leftover_share)) AS expected_gone_g,
        CASE WHEN m.complete THEN coalesce(f.gone_g, f.offered_g * (1 - h.leftover_share), f.offered_g, 0.0) ELSE 0.0 END AS base_g
    FROM cup_feeds AS f
    INNER JOIN mixes AS m ON m.shop_id = f.shop_id AND m.mix_id = f.mix_id
    LEFT JOIN sprays AS s ON s.shop_id = f.shop_id AND s.job_id = f.job_id AND s.operation_no = f.operation_no
    LEFT JOIN leftover_habits AS h ON h.shop_id = f.shop_id AND h.role = s.role
),
totals AS (
    SELECT shop_id, job_id, operation_no, sum(base_g) AS base_total_g
    FROM feeds
    GROUP BY shop_id, job_id, operation_no
),
flushed AS (
    SELECT
        f.*,
        t.base_total_g,
        coalesce(u.flush_g, 0) AS operation_flush_g,
        coalesce(u.flush_sd_g, 0) AS operation_flush_sd_g
    FROM feeds AS f
    INNER JOIN totals AS t ON t.shop_id = f.shop_id AND t.job_id = f.job_id AND t.operation_no = f.operation_no
    LEFT JOIN flushes AS u ON u.shop_id = f.shop_id AND u.job_id = f.job_id AND u.operation_no = f.operation_no
),
paid AS (
    SELECT
        *,
        -- Where the flush takes all that was left, each cup pays just what it gave: no residue of rounding passes as sprayed.
        CASE
            WHEN base_total_g <= 0 THEN 0.0
            WHEN operation_flush_g >= base_total_g THEN base_g
            ELSE operation_flush_g * base_g / base_total_g
        END AS flush_g,
        CASE WHEN base_total_g > 0 THEN operation_flush_sd_g * base_g / base_total_g ELSE 0.0 END AS flush_sd_g
    FROM flushed
)
SELECT
    *,
    gone_g - flush_g AS sprayed_g,
    (gone_g - flush_g) * solids_mass_fraction AS solids_g,
    (gone_g - flush_g) / density_g_per_ml * solids_volume_fraction AS solids_ml,
    CASE WHEN offered_g > flush_g THEN offered_g - flush_g WHEN offered_g <= flush_g THEN 0.0 END / density_g_per_ml
    * solids_volume_fraction AS offered_solids_ml,
    CASE WHEN expected_gone_g - flush_g > 0 AND NOT leftover_known
        THEN offered_g * leftover_share_sd / (expected_gone_g - flush_g) ELSE 0.0
    END AS leftover_rel_sd
FROM paid
ORDER BY shop_id, mix_id, job_id, operation_no
