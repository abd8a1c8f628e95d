-- How far the film of the same operations differs between panels of one job, over all shops: one row, its relative variance;
-- 0.0225 where no two panels were read alike (common practice, no published source).
WITH films AS (
    SELECT avg(um) AS um, count(*) AS n, var_samp(um) AS between_um2
    FROM face_films
    GROUP BY equation, shop_id, job_id, layer_set
)
-- a ratio of sums: a film of next to nothing between readings of old film would drown the mean of ratios. As decimals: see film_spreads
SELECT
    coalesce(
        CAST(sum(CAST((n - 1) * between_um2 AS DECIMAL(38, 18))) AS DOUBLE)
        / CAST(sum(CAST((n - 1) * um * um AS DECIMAL(38, 18))) AS DOUBLE),
        0.0225
    ) AS rel_var
FROM films
WHERE n > 1 AND um > 0
ORDER BY rel_var
