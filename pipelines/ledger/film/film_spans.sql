-- Which spray operations are held against a data sheet's window together, and that window: those of one product on one face
-- with no cut, no strip and no sanding of unstated removal between them (it may have been a cut). A row for each operation.
WITH listed AS (
    SELECT DISTINCT shop_id, job_id, operation_no, panel_id
    FROM operation_panels
),
with_list AS (
    SELECT DISTINCT shop_id, job_id, operation_no
    FROM listed
),
cuts AS (
    -- an operation that lists no panel concerns every panel of the job: panel_id null
    SELECT o.shop_id, o.job_id, o.operation_no, p.panel_id
    FROM operations AS o
    LEFT JOIN listed AS p ON p.shop_id = o.shop_id AND p.job_id = o.job_id AND p.operation_no = o.operation_no
    WHERE o.kind = 'sand' AND (o.removal IN ('cut', 'strip') OR o.removal IS NULL)
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
        count(c.operation_no) AS n_cuts_before
    FROM operation_faces AS f
    INNER JOIN sprays AS s ON s.shop_id = f.shop_id AND s.job_id = f.job_id AND s.operation_no = f.operation_no
    LEFT JOIN product_versions AS p
        ON p.product_id = s.product_id
        AND CAST(s.started_at AS DATE) >= p.from_on AND CAST(s.started_at AS DATE) < p.until_on
    LEFT JOIN cuts AS c
        ON c.shop_id = f.shop_id AND c.job_id = f.job_id AND c.operation_no < f.operation_no
        AND (c.panel_id IS NULL OR c.panel_id = f.panel_id)
    GROUP BY
        f.shop_id, f.job_id, f.panel_id, f.face, f.operation_no, f.covered_fraction, f.covered_m2, f.substrate,
        s.product_id, s.role, p.film_min_um, p.film_max_um, p.film_basis
)
SELECT
    shop_id,
    job_id,
    panel_id,
    face,
    operation_no,
    product_id,
    role,
    n_cuts_before,
    min(operation_no) OVER span AS first_operation,
    max(operation_no) OVER span AS last_operation,
    count(*) OVER span AS n_operations,
    min(covered_fraction) OVER span AS least_fraction,
    max(covered_fraction) OVER span AS greatest_fraction,
    max(covered_m2) OVER span AS covered_m2,
    min(CASE WHEN substrate = 'unknown' THEN 0 ELSE 1 END) OVER span = 1 AS substrate_known,
    max(film_min_um) OVER span AS film_min_um,
    max(film_max_um) OVER span AS film_max_um,
    min(film_basis) OVER span AS film_basis  -- after_sanding, where one version says so
FROM members
WINDOW span AS (PARTITION BY shop_id, job_id, panel_id, face, product_id, n_cuts_before)
ORDER BY shop_id, job_id, panel_id, face, operation_no, product_id
