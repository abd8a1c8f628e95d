-- Film after sanding, um, of the operations whose window speaks of it (film_spans.sql), where it was read:
--   film = mean at the last stage read after the last sanding, before anything else came onto the panel
--        - mean at the last stage read before the first operation (0 where that stripped it to bare)
--        + film scuffed and polished off between that stage and the first operation
-- paired by place and with the gain as in film_increments. Film as applied is no film after sanding: where no sanding is on
-- record, or no reading right after it, there is no row. None either where something else lies between the two readings (another
-- film, hand work, a cut, an operation or a stage that could not be read), or where the face was covered in part and read all
-- over: nobody knows what the sanding took from the rest of it.
WITH spans AS (
    SELECT DISTINCT
        concat_ws('/', shop_id, job_id, panel_id, product_id, CAST(first_operation AS VARCHAR)) AS span,
        shop_id, job_id, panel_id, product_id, role, first_operation, last_operation, n_operations,
        least_fraction, greatest_fraction, substrate_known
    FROM film_spans
    WHERE film_basis = 'after_sanding' AND face = 'outer'
),
covered AS (
    SELECT s.span, min(w.operation_no) AS next_work
    FROM spans AS s
    INNER JOIN panel_work AS w
        ON w.shop_id = s.shop_id AND w.job_id = s.job_id AND w.panel_id = s.panel_id AND w.operation_no > s.last_operation
    WHERE w.unclear OR w.kind IN ('spray', 'hand') OR w.removal = 'strip'
    GROUP BY s.span
),
sanded AS (
    SELECT s.span, max(w.operation_no) AS last_sanding, min(c.next_work) AS next_work
    FROM spans AS s
    LEFT JOIN covered AS c ON c.span = s.span
    INNER JOIN panel_work AS w
        ON w.shop_id = s.shop_id AND w.job_id = s.job_id AND w.panel_id = s.panel_id AND w.operation_no > s.last_operation
        AND (c.next_work IS NULL OR w.operation_no < c.next_work)
    WHERE w.kind = 'sand'
    GROUP BY s.span
),
ends AS (
    SELECT
        s.span,
        max(CASE WHEN t.after_operation < s.first_operation THEN t.after_operation END) AS before_no,
        max(CASE WHEN t.after_operation >= d.last_sanding THEN t.after_operation END) AS after_no
    FROM spans AS s
    INNER JOIN sanded AS d ON d.span = s.span
    INNER JOIN stage_means AS t
        ON t.shop_id = s.shop_id AND t.job_id = s.job_id AND t.panel_id = s.panel_id
        AND (d.next_work IS NULL OR t.after_operation < d.next_work)
    GROUP BY s.span
),
between_ends AS (
    SELECT
        s.span,
        count(CASE WHEN w.kind = 'spray' THEN 1 END) AS n_layers,
        count(CASE WHEN w.unclear OR w.kind = 'hand' OR w.removal = 'strip' THEN 1 END)
        + count(CASE WHEN w.kind = 'sand' AND coalesce(w.removal, 'cut') = 'cut' AND w.operation_no < s.last_operation THEN 1 END)
            AS n_others,
        count(CASE WHEN (w.kind = 'polish' OR w.removal = 'scuff') AND w.operation_no < s.first_operation THEN 1 END) AS n_light,
        coalesce(sum(
            CASE WHEN (w.kind = 'polish' OR w.removal = 'scuff') AND w.operation_no < s.first_operation
                THEN coalesce(w.removed_um, $scuff_removed_um) END
        ), 0) AS removed_um
    FROM spans AS s
    INNER JOIN ends AS e ON e.span = s.span
    INNER JOIN panel_work AS w
        ON w.shop_id = s.shop_id AND w.job_id = s.job_id AND w.panel_id = s.panel_id
        AND w.operation_no > e.before_no AND w.operation_no <= e.after_no
    GROUP BY s.span
),
refused AS (
    SELECT DISTINCT e.span
    FROM ends AS e
    INNER JOIN spans AS s ON s.span = e.span
    INNER JOIN incomplete AS i
        ON i.what = 'panel_stage' AND i.shop_id = s.shop_id AND i.job_id = s.job_id AND i.panel_id = s.panel_id
        AND (i.after_operation IS NULL OR i.after_operation = e.before_no OR i.after_operation = e.after_no)
),
read_twice AS (
    SELECT
        s.*,
        e.before_no,
        e.after_no,
        w.n_light,
        w.removed_um,
        a.mean_um - b.mean_um AS difference_um,
        (a.raw_mean_um - b.raw_mean_um) / a.gain AS raw_difference_um,
        coalesce(a.first_gauge = a.last_gauge AND b.first_gauge = b.last_gauge AND a.first_gauge = b.first_gauge, FALSE)
            AS one_gauge,
        a.gain,
        a.places > 0 AND b.places > 0 AND a.n_places = a.n_values AND b.n_places = b.n_values AS marked,
        a.places = b.places AS same_places,
        a.n_places >= 5 AND (b.n_places >= 5 OR b.bare) AS over_the_whole_face,
        sqrt(a.var_um2 + CASE WHEN b.bare THEN 0 ELSE b.var_um2 END) AS sd_um,
        CASE WHEN b.bare THEN CAST(a.n_values AS DOUBLE) ELSE 2.0 / (1.0 / a.n_values + 1.0 / b.n_values) END AS n_effective,
        greatest(a.gain_u, b.gain_u) AS gain_u
    FROM ends AS e
    INNER JOIN spans AS s ON s.span = e.span
    INNER JOIN between_ends AS w ON w.span = e.span AND w.n_layers = s.n_operations AND w.n_others = 0
    INNER JOIN stage_means AS b
        ON b.shop_id = s.shop_id AND b.job_id = s.job_id AND b.panel_id = s.panel_id AND b.after_operation = e.before_no
    INNER JOIN stage_means AS a
        ON a.shop_id = s.shop_id AND a.job_id = s.job_id AND a.panel_id = s.panel_id AND a.after_operation = e.after_no
    LEFT JOIN refused AS r ON r.span = e.span
    WHERE r.span IS NULL AND s.least_fraction = s.greatest_fraction
),
paired_places AS (
    SELECT
        t.span,
        avg(CASE WHEN t.one_gauge THEN (a.raw_um - b.raw_um) / t.gain ELSE a.um - b.um END) AS mean_um,
        stddev_samp(CASE WHEN t.one_gauge THEN (a.raw_um - b.raw_um) / t.gain ELSE a.um - b.um END) AS sd_um,
        count(*) AS n_places
    FROM read_twice AS t
    INNER JOIN stage_positions AS a
        ON a.shop_id = t.shop_id AND a.job_id = t.job_id AND a.panel_id = t.panel_id AND a.after_operation = t.after_no
    INNER JOIN stage_positions AS b
        ON b.shop_id = t.shop_id AND b.job_id = t.job_id AND b.panel_id = t.panel_id AND b.after_operation = t.before_no
        AND b.row_no = a.row_no AND b.col_no = a.col_no
    WHERE t.marked
    GROUP BY t.span
    HAVING count(*) >= 5 OR bool_and(t.same_places)
)
SELECT
    t.shop_id,
    t.job_id,
    t.panel_id,
    t.product_id,
    t.first_operation,
    concat(t.role, '/sanded', CASE WHEN p.span IS NOT NULL THEN '/paired' ELSE '/unpaired' END) AS kind,
    coalesce(p.mean_um, CASE WHEN t.one_gauge THEN t.raw_difference_um ELSE t.difference_um END) + t.removed_um AS mean_um,
    CASE WHEN p.span IS NOT NULL THEN p.sd_um ELSE t.sd_um END AS sd_um,
    CASE WHEN p.span IS NOT NULL THEN CAST(p.n_places AS DOUBLE) ELSE t.n_effective END AS n_effective,
    t.n_light * power($scuff_removed_sd_um, 2) AS extra_var_um2,
    t.gain_u,
    CASE WHEN t.n_light > 0 OR NOT t.substrate_known THEN 'B' ELSE 'A' END AS grade
FROM read_twice AS t
LEFT JOIN paired_places AS p ON p.span = t.span
WHERE t.least_fraction = 1 OR NOT t.over_the_whole_face
ORDER BY t.shop_id, t.job_id, t.panel_id, t.product_id, t.first_operation
