-- Material cost of each job by the ledger's parts, and what repeating work cost.
--   part_cost = sum over the job's ledger rows of that part's cost       currency; null where a price is missing
-- A leftover belongs to no operation: it is given to the jobs that its cup fed, by what each took of the cup. What was poured
-- for no job is on no job here. rework_cost is the material (leftover apart) of operations that a later one repeats;
-- redo_labour_cost = hours of the repeating operations x labour_rate_per_hour (a setting), null where no rate is set.
WITH taken AS (
    SELECT shop_id, mix_id, job_id, sum(poured_solids_g) AS taken_g
    FROM material_ledger
    WHERE job_id IS NOT NULL
    GROUP BY shop_id, mix_id, job_id
),
taken_shares AS (
    SELECT
        shop_id,
        mix_id,
        job_id,
        CASE WHEN sum(taken_g) OVER (PARTITION BY shop_id, mix_id) > 0
            THEN taken_g / sum(taken_g) OVER (PARTITION BY shop_id, mix_id)
            ELSE 1.0 / count(*) OVER (PARTITION BY shop_id, mix_id)
        END AS share
    FROM taken
),
leftovers_of_jobs AS (
    SELECT
        s.shop_id,
        s.job_id,
        sum(s.share * r.leftover_cost) AS leftover_cost,
        sum(s.share * r.not_split_cost) AS not_split_cost,
        count(*) - count(r.poured_cost) AS n_without_price
    FROM taken_shares AS s
    INNER JOIN material_ledger AS r ON r.shop_id = s.shop_id AND r.mix_id = s.mix_id AND r.job_id IS NULL
    GROUP BY s.shop_id, s.job_id
),
operation_costs AS (
    SELECT
        shop_id,
        job_id,
        sum(flush_loss_cost) AS flush_loss_cost,
        sum(not_split_cost) AS not_split_cost,
        sum(overspray_cost) AS overspray_cost,
        sum(over_build_cost) AS over_build_cost,
        sum(useful_cost) AS useful_cost,
        sum(CASE WHEN rework THEN poured_cost ELSE 0.0 END) AS rework_cost,
        count(*) - count(poured_cost) AS n_without_price
    FROM material_ledger
    WHERE job_id IS NOT NULL
    GROUP BY shop_id, job_id
),
repeats AS (
    SELECT
        shop_id,
        job_id,
        sum(CASE WHEN ended_at IS NULL THEN NULL
            ELSE (epoch(ended_at) - epoch(started_at)) / 3600.0 END) AS redo_hours
    FROM operations
    WHERE redo_of IS NOT NULL
    GROUP BY shop_id, job_id
),
put_together AS (
    SELECT
        o.shop_id,
        o.job_id,
        coalesce(l.leftover_cost, 0.0) AS leftover_cost,
        o.flush_loss_cost,
        o.not_split_cost + coalesce(l.not_split_cost, 0.0) AS not_split_cost,
        o.overspray_cost,
        o.over_build_cost,
        o.useful_cost,
        o.rework_cost,
        o.n_without_price + coalesce(l.n_without_price, 0) > 0 AS price_missing,
        CASE WHEN $labour_rate_per_hour > 0 THEN coalesce(p.redo_hours, 0.0) * $labour_rate_per_hour END AS redo_labour_cost
    FROM operation_costs AS o
    LEFT JOIN leftovers_of_jobs AS l ON l.shop_id = o.shop_id AND l.job_id = o.job_id
    LEFT JOIN repeats AS p ON p.shop_id = o.shop_id AND p.job_id = o.job_id
)
SELECT
    shop_id,
    job_id,
    CASE WHEN NOT price_missing
        THEN leftover_cost + flush_loss_cost + not_split_cost + overspray_cost + over_build_cost + useful_cost
    END AS poured_cost,
    CASE WHEN NOT price_missing THEN leftover_cost END AS leftover_cost,
    CASE WHEN NOT price_missing THEN flush_loss_cost END AS flush_loss_cost,
    CASE WHEN NOT price_missing THEN not_split_cost END AS not_split_cost,
    CASE WHEN NOT price_missing THEN overspray_cost END AS overspray_cost,
    CASE WHEN NOT price_missing THEN over_build_cost END AS over_build_cost,
    CASE WHEN NOT price_missing THEN useful_cost END AS useful_cost,
    CASE WHEN NOT price_missing THEN rework_cost END AS rework_cost,
    redo_labour_cost
FROM put_together
ORDER BY shop_id, job_id
