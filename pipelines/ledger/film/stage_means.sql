-- Every stage of reading of a panel or strip: its mean film, um, and how it scatters over the places that were read. Stripping to
-- bare, where nobody read after it, counts as a stage of film 0 (bare).
WITH read_stages AS (
    SELECT
        shop_id,
        job_id,
        panel_id,
        after_operation,
        max(witness_of) AS witness_of,
        sum(n) AS n_readings,
        sum(um * n) / sum(n) AS mean_um,
        sum(raw_um * n) / sum(n) AS raw_mean_um,
        avg(gain) AS gain,
        min(first_gauge) AS first_gauge,
        max(last_gauge) AS last_gauge,
        var_samp(um) AS var_um2,
        count(*) AS n_values,
        count(row_no) AS n_places,
        sum(CASE WHEN row_no IS NOT NULL THEN power(2, (row_no - 1) * 3 + col_no - 1) ELSE 0 END) AS places,
        max(gain_u) AS gain_u
    FROM stage_positions
    GROUP BY shop_id, job_id, panel_id, after_operation
),
stripped AS (
    SELECT w.shop_id, w.job_id, w.panel_id, w.operation_no AS after_operation, r.witness_of
    FROM panel_work AS w
    INNER JOIN (
        SELECT shop_id, job_id, panel_id, max(witness_of) AS witness_of
        FROM read_stages GROUP BY shop_id, job_id, panel_id
    ) AS r ON r.shop_id = w.shop_id AND r.job_id = w.job_id AND r.panel_id = w.panel_id
    LEFT JOIN read_stages AS s
        ON s.shop_id = w.shop_id AND s.job_id = w.job_id AND s.panel_id = w.panel_id
        AND s.after_operation = w.operation_no
    WHERE w.kind = 'sand' AND w.removal = 'strip' AND NOT w.unclear AND s.panel_id IS NULL AND r.witness_of IS NULL
)
SELECT *, FALSE AS bare FROM read_stages
UNION ALL
SELECT
    shop_id, job_id, panel_id, after_operation, witness_of,
    0 AS n_readings, 0.0 AS mean_um, 0.0 AS raw_mean_um, 1.0 AS gain, NULL AS first_gauge, NULL AS last_gauge, NULL AS var_um2,
    0 AS n_values, 0 AS n_places, 0 AS places, $gauge_gain_u AS gain_u, TRUE AS bare
FROM stripped
ORDER BY shop_id, job_id, panel_id, after_operation
