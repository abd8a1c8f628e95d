-- The measured film of each panel's layers after the witness strips have had their say; one row per piece and layer.
-- A strip stands for its panel where it saw fewer layers than the panel's own increment (the panel keeps the rest, by
-- difference, grade B) or where the panel has no usable increment with those layers. The panel's own readings win for the
-- same layers. Several strips that saw the same layers count by their mean; of several inside one increment the earlier
-- ones are used as long as a layer is left for the panel.
-- um2_per_kind: the readings' spread is pooled later by kind = roles of the layers and how they were read.
WITH roles AS (
    SELECT
        l.shop_id,
        l.job_id,
        l.panel_id,
        l.from_operation,
        l.to_operation,
        count(*) AS n_layers,
        min(l.operation_no) AS first_layer,
        array_to_string(list_sort(list(concat(lpad(CAST(l.operation_no AS VARCHAR), 6, '0'), ' ', coalesce(s.role, '?')))), '+')
            AS role_list
    FROM increment_layers AS l
    LEFT JOIN sprays AS s ON s.shop_id = l.shop_id AND s.job_id = l.job_id AND s.operation_no = l.operation_no
    GROUP BY l.shop_id, l.job_id, l.panel_id, l.from_operation, l.to_operation
),
increments AS (
    SELECT
        i.*,
        coalesce(i.witness_of, i.panel_id) AS stands_for,
        concat(regexp_replace(r.role_list, '[0-9]+ ', '', 'g'), CASE WHEN i.paired THEN '/paired' ELSE '/unpaired' END) AS kind
    FROM film_increments AS i
    INNER JOIN roles AS r
        ON r.shop_id = i.shop_id AND r.job_id = i.job_id AND r.panel_id = i.panel_id
        AND r.from_operation = i.from_operation AND r.to_operation = i.to_operation
),
own AS (
    SELECT * FROM increments WHERE witness_of IS NULL
),
strip_sets AS (
    SELECT
        i.*,
        array_to_string(i.layers, '+') AS layer_set,
        row_number() OVER (
            PARTITION BY i.shop_id, i.job_id, i.stands_for, array_to_string(i.layers, '+')
            ORDER BY i.from_operation, i.to_operation, i.panel_id
        ) AS strip_no
    FROM increments AS i
    WHERE i.witness_of IS NOT NULL AND i.usable
),
strip_means AS (
    SELECT
        shop_id,
        job_id,
        stands_for,
        layer_set,
        count(*) AS n_strips,
        avg(mean_um) AS mean_um,
        sqrt(avg(sd_um * sd_um)) AS sd_um,
        sum(n_effective) AS n_effective,
        max(grade) AS grade,
        max(n_light) AS n_light
    FROM strip_sets
    GROUP BY shop_id, job_id, stands_for, layer_set
),
strips AS (
    SELECT
        s.shop_id, s.job_id, s.panel_id, s.stands_for, s.from_operation, s.to_operation, s.layers, s.n_layers, s.kind,
        m.mean_um, m.sd_um, m.n_effective, m.n_strips, m.grade, m.n_light,
        s.area_m2, s.area_rel_sd, s.blend, s.gain_u, s.usable, s.why_not
    FROM strip_sets AS s
    INNER JOIN strip_means AS m
        ON m.shop_id = s.shop_id AND m.job_id = s.job_id AND m.stands_for = s.stands_for AND m.layer_set = s.layer_set
    WHERE s.strip_no = 1
),
shared_layers AS (
    SELECT
        s.shop_id,
        s.job_id,
        s.panel_id AS strip_id,
        s.stands_for,
        s.from_operation AS strip_from,
        s.to_operation AS strip_to,
        s.n_layers AS strip_layers,
        o.from_operation,
        o.to_operation,
        o.n_layers AS own_layers,
        count(*) AS n_common
    FROM strips AS s
    INNER JOIN increment_layers AS sl
        ON sl.shop_id = s.shop_id AND sl.job_id = s.job_id AND sl.panel_id = s.panel_id
        AND sl.from_operation = s.from_operation AND sl.to_operation = s.to_operation
    INNER JOIN increment_layers AS ol
        ON ol.shop_id = s.shop_id AND ol.job_id = s.job_id AND ol.panel_id = s.stands_for
        AND ol.operation_no = sl.operation_no
    INNER JOIN own AS o
        ON o.shop_id = ol.shop_id AND o.job_id = ol.job_id AND o.panel_id = ol.panel_id
        AND o.from_operation = ol.from_operation AND o.to_operation = ol.to_operation AND o.usable
    GROUP BY
        s.shop_id, s.job_id, s.panel_id, s.stands_for, s.from_operation, s.to_operation, s.n_layers,
        o.from_operation, o.to_operation, o.n_layers
),
inside AS (
    SELECT
        *,
        sum(strip_layers) OVER (
            PARTITION BY shop_id, job_id, stands_for, from_operation, to_operation
            ORDER BY strip_from, strip_to, strip_id ROWS UNBOUNDED PRECEDING
        ) AS layers_so_far
    FROM shared_layers
    WHERE n_common = strip_layers AND strip_layers < own_layers
),
used_inside AS (
    SELECT i.*
    FROM inside AS i
    WHERE i.layers_so_far < i.own_layers
    AND NOT EXISTS (
        SELECT 1 FROM inside AS e
        INNER JOIN increment_layers AS a
            ON a.shop_id = e.shop_id AND a.job_id = e.job_id AND a.panel_id = e.strip_id
            AND a.from_operation = e.strip_from AND a.to_operation = e.strip_to
        INNER JOIN increment_layers AS b
            ON b.shop_id = i.shop_id AND b.job_id = i.job_id AND b.panel_id = i.strip_id
            AND b.from_operation = i.strip_from AND b.to_operation = i.strip_to AND b.operation_no = a.operation_no
        WHERE e.shop_id = i.shop_id AND e.job_id = i.job_id AND e.stands_for = i.stands_for
        AND (e.strip_from, e.strip_to, e.strip_id) < (i.strip_from, i.strip_to, i.strip_id)
    )
),
alone_ranked AS (
    SELECT s.*
    FROM strips AS s
    WHERE NOT EXISTS (
        SELECT 1 FROM shared_layers AS o
        WHERE o.shop_id = s.shop_id AND o.job_id = s.job_id AND o.strip_id = s.panel_id AND o.strip_from = s.from_operation
    )
),
alone AS (
    SELECT s.*
    FROM alone_ranked AS s
    WHERE NOT EXISTS (
        SELECT 1 FROM alone_ranked AS e
        INNER JOIN increment_layers AS a
            ON a.shop_id = e.shop_id AND a.job_id = e.job_id AND a.panel_id = e.panel_id
            AND a.from_operation = e.from_operation AND a.to_operation = e.to_operation
        INNER JOIN increment_layers AS b
            ON b.shop_id = s.shop_id AND b.job_id = s.job_id AND b.panel_id = s.panel_id
            AND b.from_operation = s.from_operation AND b.to_operation = s.to_operation
            AND b.operation_no = a.operation_no
        WHERE e.shop_id = s.shop_id AND e.job_id = s.job_id AND e.stands_for = s.stands_for
        AND (e.from_operation, e.to_operation, e.panel_id) < (s.from_operation, s.to_operation, s.panel_id)
    )
),
used_strips AS (
    SELECT s.*
    FROM strips AS s
    INNER JOIN used_inside AS u
        ON u.shop_id = s.shop_id AND u.job_id = s.job_id AND u.strip_id = s.panel_id
        AND u.strip_from = s.from_operation AND u.strip_to = s.to_operation
    UNION ALL
    SELECT * FROM alone
),
taken_by_strips AS (
    SELECT u.shop_id, u.job_id, u.stands_for, l.operation_no
    FROM used_strips AS u
    INNER JOIN increment_layers AS l
        ON l.shop_id = u.shop_id AND l.job_id = u.job_id AND l.panel_id = u.panel_id
        AND l.from_operation = u.from_operation AND l.to_operation = u.to_operation
),
strip_totals AS (
    SELECT
        u.shop_id,
        u.job_id,
        u.stands_for,
        u.from_operation,
        u.to_operation,
        sum(s.mean_um) AS mean_um,
        sum(power(0.1 * s.mean_um, 2) / s.n_strips + coalesce(power(s.sd_um, 2) / s.n_effective, 0)) AS var_um2
    FROM used_inside AS u
    INNER JOIN strips AS s
        ON s.shop_id = u.shop_id AND s.job_id = u.job_id AND s.panel_id = u.strip_id
        AND s.from_operation = u.strip_from AND s.to_operation = u.strip_to
    GROUP BY u.shop_id, u.job_id, u.stands_for, u.from_operation, u.to_operation
),
pieces AS (
    SELECT
        o.shop_id, o.job_id, o.panel_id AS source_id, o.panel_id, o.from_operation, o.to_operation,
        o.mean_um - coalesce(t.mean_um, 0) AS mean_um,
        o.sd_um, o.n_effective, o.kind, o.area_m2, o.area_rel_sd, o.blend, o.gain_u,
        coalesce(t.var_um2, 0) + o.n_light * power($scuff_removed_sd_um, 2) AS extra_var_um2,
        CASE WHEN t.mean_um IS NULL THEN 'own' ELSE 'difference' END AS source,
        CASE WHEN t.mean_um IS NOT NULL THEN 'B' ELSE o.grade END AS grade,
        o.usable, o.why_not
    FROM own AS o
    LEFT JOIN strip_totals AS t
        ON t.shop_id = o.shop_id AND t.job_id = o.job_id AND t.stands_for = o.panel_id
        AND t.from_operation = o.from_operation AND t.to_operation = o.to_operation
    UNION ALL
    SELECT
        s.shop_id, s.job_id, s.panel_id AS source_id, s.stands_for AS panel_id, s.from_operation, s.to_operation,
        s.mean_um, s.sd_um, s.n_effective, s.kind, s.area_m2, s.area_rel_sd, s.blend, s.gain_u,
        power(0.1 * s.mean_um, 2) / s.n_strips + s.n_light * power($scuff_removed_sd_um, 2) AS extra_var_um2,
        'strip' AS source,
        s.grade,
        s.usable, s.why_not
    FROM used_strips AS s
)
SELECT
    p.shop_id,
    p.job_id,
    p.panel_id,
    p.source_id,
    p.from_operation,
    p.to_operation,
    l.operation_no,
    concat_ws('/', p.shop_id, p.job_id, p.source_id, CAST(p.from_operation AS VARCHAR)) AS piece,
    p.mean_um,
    p.sd_um,
    p.n_effective,
    p.kind,
    p.area_m2,
    p.area_rel_sd,
    p.blend,
    p.gain_u,
    p.extra_var_um2,
    p.source,
    p.grade,
    p.usable,
    p.why_not
FROM pieces AS p
INNER JOIN increment_layers AS l
    ON l.shop_id = p.shop_id AND l.job_id = p.job_id AND l.panel_id = p.source_id
    AND l.from_operation = p.from_operation AND l.to_operation = p.to_operation
LEFT JOIN taken_by_strips AS t
    ON t.shop_id = p.shop_id AND t.job_id = p.job_id AND t.stands_for = p.panel_id AND t.operation_no = l.operation_no
WHERE p.source = 'strip' OR t.operation_no IS NULL
ORDER BY p.shop_id, p.job_id, p.panel_id, p.from_operation, p.source_id, l.operation_no
