-- One row per spray operation of each equation: what was sprayed, by whom, with what, on what.
--   sprayed_solids_ml  mL of solids that left the gun; null while a leftover is unknown
--   poured_solids_ml   its share of what was poured, less flush: the most it can have been
--   sprayed_rel_u      scale, flush and unstated solids figures together
WITH cups AS (
    SELECT
        shop_id,
        job_id,
        operation_no,
        CASE WHEN count(solids_ml) = count(*) THEN sum(solids_ml) END AS solids_ml,
        CASE WHEN count(solids_g) = count(*) THEN sum(solids_g) END AS solids_g,
        CASE WHEN count(offered_solids_ml) = count(*) THEN sum(offered_solids_ml) END AS offered_solids_ml,
        CASE WHEN count(sprayed_g) = count(*) THEN sum(sprayed_g) ELSE sum(offered_g) END AS mass_g,
        bool_and(leftover_known) AS leftover_known,
        bool_and(complete) AS complete,
        bool_and(share_known) AS share_known,
        max(why_not) AS why_not,
        max(mix_grade) AS mix_grade,
        sqrt(sum(flush_sd_g * flush_sd_g)) AS flush_sd_g
    FROM sprayed
    GROUP BY shop_id, job_id, operation_no
)
SELECT
    e.shop_id,
    e.first_job_id AS job_id,
    e.record_no,
    row_number() OVER (
        PARTITION BY e.equation ORDER BY e.job_id, e.operation_no
    ) AS position,
    e.equation,
    e.job_id AS op_job_id,
    e.operation_no,
    s.gun_id,
    s.technician_id,
    s.product_id,
    s.role,
    s.atomising,
    s.started_at,
    c.solids_ml AS sprayed_solids_ml,
    c.solids_g AS sprayed_solids_g,
    c.offered_solids_ml AS poured_solids_ml,
    sqrt(
        power(CASE WHEN c.mix_grade = 'A' THEN $scale_rel_u ELSE $volume_rel_u END, 2)
        + power(CASE WHEN c.mass_g > 1 THEN c.flush_sd_g / c.mass_g ELSE coalesce(c.flush_sd_g, 0) END, 2)
    ) AS sprayed_rel_u,
    coalesce(c.leftover_known, FALSE) AS leftover_known,
    coalesce(c.share_known, FALSE) AS share_known,
    c.mix_grade,
    s.covered_m2 AS area_m2,
    s.area_class,
    s.blended,
    s.plastic_share,
    s.n_faces,
    CASE
        WHEN s.why_incomplete IS NOT NULL THEN concat('incomplete operation ', e.job_id, '/', CAST(e.operation_no AS VARCHAR))
        WHEN c.job_id IS NULL THEN concat('no cup known for operation ', e.job_id, '/', CAST(e.operation_no AS VARCHAR))
        WHEN NOT c.complete THEN concat('incomplete cup behind operation ', e.job_id, '/', CAST(e.operation_no AS VARCHAR))
        WHEN c.offered_solids_ml IS NULL
            THEN concat('solids of the cup unknown for operation ', e.job_id, '/', CAST(e.operation_no AS VARCHAR))
        WHEN c.why_not IS NOT NULL THEN concat('operation ', e.job_id, '/', CAST(e.operation_no AS VARCHAR), ': ', c.why_not)
        WHEN c.solids_ml <= 0 THEN concat('nothing left the cup for operation ', e.job_id, '/', CAST(e.operation_no AS VARCHAR))
    END AS trouble
FROM equations AS e
INNER JOIN sprays AS s ON s.shop_id = e.shop_id AND s.job_id = e.job_id AND s.operation_no = e.operation_no
LEFT JOIN cups AS c ON c.shop_id = e.shop_id AND c.job_id = e.job_id AND c.operation_no = e.operation_no
ORDER BY e.shop_id, e.first_job_id, e.record_no, position
