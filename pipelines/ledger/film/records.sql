-- Closed equations: landed = sum area x film over the faces of an equation = sum over its operations of sprayed x TE.
-- A whole-target weighing is an equation of its own on a mass basis (mL = g over the dry film's density, the ratio is of
-- masses); the film equation of such an operation is set aside, since its spray went at the targets.
-- rel_u: readings, areas and what was sprayed together, without what all records share (gauge gain: gain_rel_u).
WITH weighings AS (
    SELECT
        shop_id,
        job_id,
        operation_no,
        sum(after_g - before_g) AS landed_g,
        bool_and(whole) AS whole
    FROM target_weighings
    GROUP BY shop_id, job_id, operation_no
),
layers AS (
    SELECT
        shop_id,
        job_id,
        record_no,
        equation,
        count(*) AS n_layers,
        array_to_string(list_sort(list(concat(lpad(CAST(position AS VARCHAR), 6, '0'), ' ', coalesce(role, '?')))), '+') AS role_list,
        CASE WHEN count(sprayed_solids_ml) = count(*) THEN sum(sprayed_solids_ml) END AS sprayed_solids_ml,
        sqrt(sum(power(sprayed_rel_u * coalesce(sprayed_solids_ml, poured_solids_ml), 2)))
        / nullif(sum(coalesce(sprayed_solids_ml, poured_solids_ml)), 0) AS sprayed_rel_u,
        bool_and(leftover_known) AS leftover_known,
        bool_and(share_known) AS share_known,
        max(coalesce(mix_grade, 'B')) AS mix_grade,
        array_to_string(list_sort(list(DISTINCT trouble)), '; ') AS troubles,
        min(n_faces) AS least_faces,
        max(started_at) AS landed_at
    FROM record_layers
    GROUP BY shop_id, job_id, record_no, equation
),
faces AS (
    SELECT
        equation,
        sum(landed_ml) AS landed_ml,
        sum(read_var_ml2) AS read_var_ml2,
        sum(area_var_ml2) AS area_var_ml2,
        sum(read_m2 * n_layers) AS read_m2,
        sum(coalesce(area_m2, read_m2) * n_layers) AS total_m2,
        max(CASE WHEN source <> 'filled' THEN grade END) AS film_grade,
        count(CASE WHEN source <> 'filled' THEN 1 END) AS n_measured,
        -- by size: film that a difference found to be less than none would draw the mean out of the range of its parts
        sum(gain_u * abs(landed_ml)) / nullif(sum(CASE WHEN gain_u IS NOT NULL THEN abs(landed_ml) END), 0) AS gain_rel_u,
        array_to_string(list_sort(list(DISTINCT reason)), '; ') AS reasons,
        bool_and(kind_paired) AS paired
    FROM (
        SELECT f.*, k.kind_paired
        FROM record_faces AS f
        LEFT JOIN (
            SELECT DISTINCT e.equation, p.panel_id, p.job_id, p.shop_id, bool_and(p.kind LIKE '%/paired') AS kind_paired
            FROM film_pieces AS p
            INNER JOIN equations AS e ON e.shop_id = p.shop_id AND e.job_id = p.job_id AND e.operation_no = p.operation_no
            GROUP BY e.equation, p.panel_id, p.job_id, p.shop_id
        ) AS k ON k.equation = f.equation AND k.shop_id = f.shop_id AND k.job_id = f.job_id AND k.panel_id = f.panel_id
    ) AS with_pairing
    GROUP BY equation
),
weighed_layers AS (
    SELECT l.shop_id, l.job_id, l.record_no, TRUE AS any_weighed
    FROM record_layers AS l
    INNER JOIN weighings AS w
        ON w.shop_id = l.shop_id AND w.job_id = l.op_job_id AND w.operation_no = l.operation_no AND w.whole
    GROUP BY l.shop_id, l.job_id, l.record_no
),
refused_film AS (
    -- Panels that were read, and whose readings were refused: nobody should be told that they were not measured.
    SELECT
        e.equation,
        array_to_string(list_sort(list(DISTINCT concat('readings of ', i.panel_id, ' were refused'))), '; ') AS reason
    FROM equations AS e
    INNER JOIN operation_faces AS f ON f.shop_id = e.shop_id AND f.job_id = e.job_id AND f.operation_no = e.operation_no
    INNER JOIN incomplete AS i
        ON i.what = 'panel_stage' AND i.shop_id = f.shop_id AND i.job_id = f.job_id AND i.panel_id = f.panel_id
    GROUP BY e.equation
),
film AS (
    SELECT
        l.*,
        f.landed_ml,
        f.read_var_ml2,
        f.area_var_ml2,
        f.read_m2,
        f.total_m2,
        f.film_grade,
        f.gain_rel_u,
        coalesce(f.n_measured, 0) AS n_measured,
        coalesce(f.paired, FALSE) AS paired,
        concat_ws('; ',
            CASE WHEN coalesce(f.n_measured, 0) = 0 THEN concat_ws(': ', 'no film', z.reason) ELSE nullif(f.reasons, '') END,
            nullif(l.troubles, ''),
            CASE WHEN l.least_faces = 0 THEN 'an operation of it names no panel' END,
            CASE WHEN x.any_weighed THEN 'an operation of it was weighed on targets' END
        ) AS reasons
    FROM layers AS l
    LEFT JOIN faces AS f ON f.equation = l.equation
    LEFT JOIN refused_film AS z ON z.equation = l.equation
    LEFT JOIN weighed_layers AS x ON x.shop_id = l.shop_id AND x.job_id = l.job_id AND x.record_no = l.record_no
    WHERE NOT (x.any_weighed IS NOT NULL AND l.n_layers = 1)
),
mass AS (
    SELECT
        l.*,
        r.role,
        r.trouble,
        r.sprayed_solids_g,
        w.landed_g,
        r.sprayed_rel_u AS layer_rel_u,
        r.sprayed_solids_g / nullif(r.sprayed_solids_ml, 0) AS dry_density
    FROM layers AS l
    INNER JOIN record_layers AS r
        ON r.shop_id = l.shop_id AND r.job_id = l.job_id AND r.record_no = l.record_no
    INNER JOIN weighings AS w
        ON w.shop_id = r.shop_id AND w.job_id = r.op_job_id AND w.operation_no = r.operation_no AND w.whole
    WHERE l.n_layers = 1
)
SELECT
    shop_id,
    job_id,
    record_no,
    equation,
    concat(regexp_replace(role_list, '[0-9]+ ', '', 'g'), CASE WHEN paired THEN '/paired' ELSE '/unpaired' END) AS kind,
    'volume' AS basis,
    n_layers,
    CASE WHEN n_measured > 0 AND reasons = '' THEN landed_ml END AS landed_solids_ml,
    sprayed_solids_ml,
    CASE WHEN n_measured > 0 AND reasons = '' AND sprayed_solids_ml > 0 THEN landed_ml / sprayed_solids_ml END AS ratio,
    coalesce(read_var_ml2, 0) AS read_var_ml2,
    CASE WHEN landed_ml <> 0 THEN area_var_ml2 / (landed_ml * landed_ml) ELSE 0 END AS area_rel_var,
    sprayed_rel_u,
    CASE WHEN reasons = '' AND landed_ml > 0
        THEN sqrt((coalesce(read_var_ml2, 0) + area_var_ml2) / (landed_ml * landed_ml) + sprayed_rel_u * sprayed_rel_u)
    END AS rel_u,
    coalesce(gain_rel_u, $gauge_gain_u) AS gain_rel_u,
    CASE
        WHEN n_measured = 0 THEN 'C'
        WHEN n_layers = 1 AND leftover_known AND share_known AND film_grade = 'A' AND mix_grade = 'A'
            AND read_m2 >= 0.5 * total_m2 THEN 'A'
        ELSE 'B'
    END AS grade,
    reasons = '' AS usable,
    CASE WHEN reasons <> '' THEN reasons END AS why_not,
    leftover_known,
    landed_at
FROM film
UNION ALL
SELECT
    shop_id,
    job_id,
    record_no,
    equation,
    concat(role, '/mass') AS kind,
    'mass' AS basis,
    n_layers,
    landed_g / dry_density AS landed_solids_ml,
    sprayed_solids_ml,
    CASE WHEN trouble IS NULL AND sprayed_solids_g > 0 THEN landed_g / sprayed_solids_g END AS ratio,
    power(0.01 * landed_g / dry_density, 2) AS read_var_ml2,
    0.0 AS area_rel_var,
    layer_rel_u AS sprayed_rel_u,
    sqrt(0.0001 + layer_rel_u * layer_rel_u) AS rel_u,
    0.0 AS gain_rel_u,
    CASE WHEN leftover_known AND share_known AND mix_grade = 'A' THEN 'A' ELSE 'B' END AS grade,
    trouble IS NULL AND (dry_density IS NOT NULL OR NOT leftover_known) AS usable,
    CASE
        WHEN trouble IS NOT NULL THEN trouble
        WHEN dry_density IS NULL AND leftover_known THEN 'solids of the cup unknown'
    END AS why_not,
    leftover_known,
    landed_at
FROM mass
ORDER BY shop_id, job_id, record_no
