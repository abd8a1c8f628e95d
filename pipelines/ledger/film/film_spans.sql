-- Which spray operations are held against a data sheet's window together, and that window: those of one product on one face
-- with no cut, no strip and no sanding of unstated removal between them (it may have been a cut). A row for each operation.
WITH listed AS (
    SELECT DISTINCT shop_id, job_id, operation_no, panel_id
    FROM operation_panels
),
cuts AS (
    -- an operation that lists no panel concerns every panel of the job: panel_id null
    SELECT o.shop_id, o.job_id, o.operation_no, p.panel_id
    FROM operations AS o
    LEFT JOIN listed AS p ON p.shop_id = o.shop_id AND p.job_id = o.job_id AND p.operation_no = o.operation_no
    WHERE o.kind = 'sand' AND (o.removal IN ('cut', 'strip') OR o.removal IS NULL)
),
cuts_before AS (
    SELECT f.shop_id, f.job_id, f.panel_id, f.face, f.operation_no, count(*) AS n_cuts_before
    FROM operation_faces AS f
    INNER JOIN cuts AS c
        ON c.shop_id = f.shop_id AND c.job_id = f.job_id AND c.operation_no < f.operation_no
        AND (c.panel_id IS NULL OR c.panel_id = f.panel_id)
    GROUP BY f.shop_id, f.job_id, f.panel_id, f.face, f.operation_no
),
members AS (
    SELECT
        f.shop_id,
        f.job_id,
        f.panel_id,
        f.face,
        f.operation_no,
        f.covered_fraction,
        f.covered_m2,
        f.substrate,
        s.product_id,
        s.role,
        p.film_min_um,
        p.film_max_um,
        p.film_basis,
        coalesce(c.n_cuts_before, 0) AS n_cuts_before
    FROM operation_faces AS f
    INNER JOIN sprays AS s ON s.shop_id = f.shop_id AND s.job_id = f.job_id AND s.operation_no = f.operation_no
    LEFT JOIN product_versions AS p
        ON p.product_id = s.product_id
        AND CAST(s.started_at AS DATE) >= p.from_on AND CAST(s.started_at AS DATE) < p.until_on
    LEFT JOIN cuts_before AS c
        ON c.shop_id = f.shop_id AND c.job_id = f.job_id AND c.panel_id = f.panel_id AND c.face = f.face
        AND c.operation_no = f.operation_no
),
spans AS (
    SELECT
        shop_id,
        job_id,
        panel_id,
        face,
        product_id,
        n_cuts_before,
        min(operation_no) AS first_operation,
        max(operation_no) AS last_operation,
        count(*) AS n_operations,
        min(covered_fraction) AS least_fraction,
        max(covered_fraction) AS greatest_fraction,
        max(covered_m2) AS covered_m2,
        min(CASE WHEN substrate = 'unknown' THEN 0 ELSE 1 END) = 1 AS substrate_known,
        max(film_min_um) AS film_min_um,
        max(film_max_um) AS film_max_um,
        min(film_basis) AS film_basis  -- after_sanding, where one version says so
    FROM members
    GROUP BY shop_id, job_id, panel_id, face, product_id, n_cuts_before
)
SELECT s.*, m.operation_no, m.role
FROM members AS m
INNER JOIN spans AS s
    ON s.shop_id = m.shop_id AND s.job_id = m.job_id AND s.panel_id = m.panel_id AND s.face = m.face
    AND s.product_id = m.product_id AND s.n_cuts_before = m.n_cuts_before
ORDER BY s.shop_id, s.job_id, s.panel_id, s.face, m.operation_no, s.product_id
