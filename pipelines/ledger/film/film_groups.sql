-- What is compared with a data sheet's window: the film of one product on one face, the operations of a span (film_spans.sql)
-- summed. Where the window speaks of the film after sanding, only film that was read after it counts (sanded_films.sql):
-- without such a reading it is not known (film_um null) and no over-build is claimed.
WITH sums AS (
    SELECT
        s.shop_id,
        s.job_id,
        s.panel_id,
        s.face,
        s.product_id,
        s.first_operation,
        s.last_operation,
        s.covered_m2,
        s.film_min_um,
        s.film_max_um,
        s.film_basis,
        CASE WHEN count(f.film_um) = count(*) THEN sum(f.film_um) END AS film_as_applied_um,
        sqrt(sum(f.se_um * f.se_um)) AS se_as_applied_um,
        sqrt(sum(f.within_um * f.within_um)) AS within_as_applied_um,
        max(f.grade) AS grade_as_applied
    FROM film_spans AS s
    INNER JOIN operation_films AS f
        ON f.shop_id = s.shop_id AND f.job_id = s.job_id AND f.panel_id = s.panel_id AND f.face = s.face
        AND f.operation_no = s.operation_no
    GROUP BY
        s.shop_id, s.job_id, s.panel_id, s.face, s.product_id, s.first_operation, s.last_operation, s.covered_m2,
        s.film_min_um, s.film_max_um, s.film_basis
),
within_faces AS (
    SELECT coalesce(max(within_cv), $within_face_cv) AS cv
    FROM film_spreads
),
sanded AS (
    SELECT
        d.*,
        sqrt(
            coalesce(p.s2_um2, power(c.cv * d.mean_um, 2)) / coalesce(d.n_effective, 1) + d.extra_var_um2
            + power(d.gain_u * d.mean_um, 2)
        ) AS se_um,
        -- only differences at the same places are free of what lay there before
        coalesce(CASE WHEN d.kind LIKE '%/paired' THEN sqrt(p.s2_um2) END, c.cv * abs(d.mean_um)) AS within_um
    FROM sanded_films AS d
    LEFT JOIN film_spreads AS p ON p.kind = d.kind
    CROSS JOIN within_faces AS c
)
SELECT
    g.*,
    CASE WHEN g.film_basis = 'after_sanding' THEN a.mean_um ELSE g.film_as_applied_um END AS film_um,
    CASE WHEN g.film_basis = 'after_sanding' THEN a.se_um ELSE g.se_as_applied_um END AS se_um,
    CASE WHEN g.film_basis = 'after_sanding' THEN a.within_um ELSE g.within_as_applied_um END AS within_um,
    CASE WHEN g.film_basis = 'after_sanding' THEN a.grade ELSE g.grade_as_applied END AS grade
FROM sums AS g
LEFT JOIN sanded AS a
    ON g.face = 'outer' AND a.shop_id = g.shop_id AND a.job_id = g.job_id AND a.panel_id = g.panel_id
    AND a.product_id = g.product_id AND a.first_operation = g.first_operation
ORDER BY g.shop_id, g.job_id, g.panel_id, g.face, g.product_id, g.first_operation
