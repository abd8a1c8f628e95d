-- What is compared with a data sheet's window: the film of one product on one face, operations with no cut or strip between
-- them summed. Where the window speaks of the film after sanding and a cut follows, only a film read after that cut counts;
-- without one the film after sanding is not known (film_um null) and no over-build is claimed.
WITH listed AS (
    SELECT DISTINCT shop_id, job_id, operation_no
    FROM operation_panels
),
levelled AS (
    SELECT f.shop_id, f.job_id, f.panel_id, f.face, f.operation_no, count(o.operation_no) AS n_cuts_before
    FROM operation_films AS f
    LEFT JOIN (
        SELECT o.shop_id, o.job_id, o.operation_no, p.panel_id, l.operation_no IS NULL AS everywhere
        FROM operations AS o
        LEFT JOIN listed AS l ON l.shop_id = o.shop_id AND l.job_id = o.job_id AND l.operation_no = o.operation_no
        LEFT JOIN (SELECT DISTINCT shop_id, job_id, operation_no, panel_id FROM operation_panels) AS p
            ON p.shop_id = o.shop_id AND p.job_id = o.job_id AND p.operation_no = o.operation_no
        WHERE o.kind = 'sand' AND o.removal IN ('cut', 'strip')
    ) AS o
        ON o.shop_id = f.shop_id AND o.job_id = f.job_id AND o.operation_no < f.operation_no
        AND (o.everywhere OR o.panel_id = f.panel_id)
    GROUP BY f.shop_id, f.job_id, f.panel_id, f.face, f.operation_no
),
cuts AS (
    SELECT o.shop_id, o.job_id, o.operation_no, p.panel_id, l.operation_no IS NULL AS everywhere
    FROM operations AS o
    LEFT JOIN listed AS l ON l.shop_id = o.shop_id AND l.job_id = o.job_id AND l.operation_no = o.operation_no
    LEFT JOIN (SELECT DISTINCT shop_id, job_id, operation_no, panel_id FROM operation_panels) AS p
        ON p.shop_id = o.shop_id AND p.job_id = o.job_id AND p.operation_no = o.operation_no
    WHERE o.kind = 'sand' AND o.removal = 'cut'
),
members AS (
    SELECT
        f.shop_id,
        f.job_id,
        f.panel_id,
        f.face,
        f.operation_no,
        s.product_id,
        v.n_cuts_before,
        f.film_um,
        f.se_um,
        f.within_um,
        f.covered_m2,
        f.grade,
        p.film_min_um,
        p.film_max_um,
        p.film_basis
    FROM operation_films AS f
    INNER JOIN sprays AS s ON s.shop_id = f.shop_id AND s.job_id = f.job_id AND s.operation_no = f.operation_no
    INNER JOIN levelled AS v
        ON v.shop_id = f.shop_id AND v.job_id = f.job_id AND v.panel_id = f.panel_id AND v.face = f.face
        AND v.operation_no = f.operation_no
    LEFT JOIN product_versions AS p
        ON p.product_id = s.product_id
        AND CAST(s.started_at AS DATE) >= p.from_on AND CAST(s.started_at AS DATE) < p.until_on
),
sums AS (
    SELECT
        shop_id,
        job_id,
        panel_id,
        face,
        product_id,
        n_cuts_before,
        min(operation_no) AS first_operation,
        max(operation_no) AS last_operation,
        CASE WHEN count(film_um) = count(*) THEN sum(film_um) END AS film_um,
        sqrt(sum(se_um * se_um)) AS se_um,
        sqrt(sum(within_um * within_um)) AS within_um,
        max(covered_m2) AS covered_m2,
        max(grade) AS grade,
        max(film_min_um) AS film_min_um,
        max(film_max_um) AS film_max_um,
        max(film_basis) AS film_basis
    FROM members
    GROUP BY shop_id, job_id, panel_id, face, product_id, n_cuts_before
),
next_cut AS (
    SELECT g.shop_id, g.job_id, g.panel_id, g.face, g.product_id, g.n_cuts_before, min(c.operation_no) AS cut_no
    FROM sums AS g
    INNER JOIN cuts AS c
        ON c.shop_id = g.shop_id AND c.job_id = g.job_id AND c.operation_no > g.last_operation
        AND (c.everywhere OR c.panel_id = g.panel_id)
    GROUP BY g.shop_id, g.job_id, g.panel_id, g.face, g.product_id, g.n_cuts_before
),
after_sanding AS (
    SELECT
        i.shop_id,
        i.job_id,
        i.panel_id,
        i.from_operation,
        i.to_operation,
        i.mean_um,
        i.sd_um,
        i.n_effective
    FROM film_increments AS i
    WHERE i.witness_of IS NULL AND i.why_not = 'cut between the readings'
)
SELECT
    g.shop_id,
    g.job_id,
    g.panel_id,
    g.face,
    g.product_id,
    g.first_operation,
    g.last_operation,
    g.covered_m2,
    g.film_um AS film_as_applied_um,
    CASE WHEN g.film_basis = 'after_sanding' AND c.cut_no IS NOT NULL THEN a.mean_um ELSE g.film_um END AS film_um,
    CASE WHEN g.film_basis = 'after_sanding' AND c.cut_no IS NOT NULL
        THEN coalesce(a.sd_um / sqrt(a.n_effective), g.se_um) ELSE g.se_um END AS se_um,
    CASE WHEN g.film_basis = 'after_sanding' AND c.cut_no IS NOT NULL THEN coalesce(a.sd_um, g.within_um) ELSE g.within_um END
        AS within_um,
    g.film_min_um,
    g.film_max_um,
    g.film_basis,
    g.grade
FROM sums AS g
LEFT JOIN next_cut AS c
    ON c.shop_id = g.shop_id AND c.job_id = g.job_id AND c.panel_id = g.panel_id AND c.face = g.face
    AND c.product_id = g.product_id AND c.n_cuts_before = g.n_cuts_before
LEFT JOIN after_sanding AS a
    ON g.face = 'outer' AND a.shop_id = g.shop_id AND a.job_id = g.job_id AND a.panel_id = g.panel_id
    AND a.from_operation < g.first_operation AND a.to_operation >= c.cut_no
ORDER BY g.shop_id, g.job_id, g.panel_id, g.face, g.first_operation, g.product_id
