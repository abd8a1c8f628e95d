-- What landed on each face of each equation's panels, piece by piece: measured film, or film filled in from read panels with
-- the same operations. landed mL = area m2 x film um, exactly.
--   A face (or the part of its operations) nobody read is filled with the plain mean over the read panels of the same job
--   whose measured film is of just these operations; blends never give, and a panel with a refused reading is not unread. Inner faces and jambs take $inner_face_ratio of their own outer film, else
--   of that mean. Standard deviations: between panels as pooled over the workspace, 0.2 more on plastic and composite.
-- reason: why the face is not covered (null: it is).
WITH faces AS (
    SELECT
        e.equation,
        f.shop_id,
        f.job_id,
        f.panel_id,
        f.face,
        f.operation_no,
        f.area_m2,
        f.area_rel_sd,
        f.covered_fraction,
        f.covered_m2,
        f.substrate
    FROM operation_faces AS f
    INNER JOIN equations AS e ON e.shop_id = f.shop_id AND e.job_id = f.job_id AND e.operation_no = f.operation_no
),
measured AS (
    SELECT
        e.equation,
        p.shop_id,
        p.job_id,
        p.panel_id,
        p.piece,
        p.usable,
        max(p.why_not) AS why_not,
        array_to_string(list_sort(list(lpad(CAST(p.operation_no AS VARCHAR), 6, '0'))), '+') AS layer_set,
        count(*) AS n_layers,
        max(p.mean_um) AS um,
        max(p.area_m2) AS area_m2,
        max(p.area_rel_sd) AS area_rel_sd,
        bool_or(p.blend) AS blend,
        max(p.grade) AS grade,
        max(p.source) AS source,
        max(p.gain_u) AS gain_u,
        max(coalesce(s.s2_um2, power(w.cv * p.mean_um, 2)) / coalesce(p.n_effective, 1) + p.extra_var_um2) AS var_um2
    FROM film_pieces AS p
    INNER JOIN equations AS e ON e.shop_id = p.shop_id AND e.job_id = p.job_id AND e.operation_no = p.operation_no
    LEFT JOIN film_spreads AS s ON s.kind = p.kind AND s.blend = p.blend
    CROSS JOIN (SELECT coalesce(max(within_cv), 0.13) AS cv FROM film_spreads) AS w  -- a kind that was never read twice
    GROUP BY e.equation, p.shop_id, p.job_id, p.panel_id, p.piece, p.usable
),
covered AS (
    SELECT
        f.equation,
        f.shop_id,
        f.job_id,
        f.panel_id,
        f.face,
        f.operation_no,
        f.area_m2,
        f.area_rel_sd,
        f.covered_fraction,
        f.substrate,
        p.piece,
        p.usable,
        p.why_not
    FROM faces AS f
    LEFT JOIN film_pieces AS p
        ON f.face = 'outer' AND p.shop_id = f.shop_id AND p.job_id = f.job_id AND p.panel_id = f.panel_id
        AND p.operation_no = f.operation_no
),
unread AS (
    SELECT
        equation,
        shop_id,
        job_id,
        panel_id,
        face,
        array_to_string(list_sort(list(lpad(CAST(operation_no AS VARCHAR), 6, '0'))), '+') AS layer_set,
        count(*) AS n_layers,
        max(area_m2) AS area_m2,
        max(area_rel_sd) AS area_rel_sd,
        min(covered_fraction) AS least_fraction,
        max(covered_fraction) AS greatest_fraction,
        max(substrate) AS substrate
    FROM covered
    WHERE piece IS NULL
    GROUP BY equation, shop_id, job_id, panel_id, face
),
unread_layers AS (
    SELECT DISTINCT u.equation, u.shop_id, u.job_id, u.layer_set, u.n_layers, c.operation_no
    FROM unread AS u
    INNER JOIN covered AS c
        ON c.equation = u.equation AND c.shop_id = u.shop_id AND c.job_id = u.job_id AND c.panel_id = u.panel_id
        AND c.face = u.face AND c.piece IS NULL
),
fitting AS (
    -- Measured pieces that lie wholly inside a set of unread operations.
    SELECT
        u.equation, u.shop_id, u.job_id, u.layer_set, u.n_layers AS n_wanted,
        m.panel_id, m.piece, m.um, m.blend, m.n_layers
    FROM unread_layers AS u
    INNER JOIN film_pieces AS p
        ON p.shop_id = u.shop_id AND p.job_id = u.job_id AND p.operation_no = u.operation_no AND p.usable
    INNER JOIN measured AS m
        ON m.equation = u.equation AND m.shop_id = u.shop_id AND m.job_id = u.job_id AND m.panel_id = p.panel_id
        AND m.piece = p.piece AND m.usable
    GROUP BY
        u.equation, u.shop_id, u.job_id, u.layer_set, u.n_layers, m.panel_id, m.piece, m.um, m.blend, m.n_layers
    HAVING count(*) = m.n_layers
),
films AS (
    -- Film of just these operations on a read panel that is no blend.
    SELECT equation, shop_id, job_id, panel_id, layer_set, sum(um) AS um
    FROM fitting
    GROUP BY equation, shop_id, job_id, panel_id, layer_set, n_wanted
    HAVING sum(n_layers) = n_wanted AND NOT bool_or(blend)
),
donors AS (
    SELECT
        equation,
        shop_id,
        job_id,
        layer_set,
        avg(um) AS um,
        count(*) AS n,
        var_samp(um) AS between_um2
    FROM films
    GROUP BY equation, shop_id, job_id, layer_set
),
between_panels AS (
    -- a ratio of sums: a film of next to nothing between readings of old film would drown the mean of ratios
    SELECT coalesce(sum((n - 1) * between_um2) / sum((n - 1) * um * um), 0.0225) AS rel_var
    FROM donors
    WHERE n > 1 AND um > 0
),
refused_panels AS (
    -- A gauge that cannot see the panel's material has read nothing; any other refused reading was a reading.
    SELECT DISTINCT shop_id, job_id, panel_id
    FROM incomplete
    WHERE what = 'panel_stage' AND reason NOT LIKE '%gauge cannot read%'
),
filled AS (
    SELECT
        u.*,
        CASE WHEN u.face = 'outer' THEN d.um ELSE $inner_face_ratio * coalesce(o.um, d.um) END AS um,
        d.n AS n_donors,
        CASE
            WHEN r.panel_id IS NOT NULL AND u.face = 'outer' THEN 'a reading of its stages was refused'
            WHEN u.least_fraction < u.greatest_fraction THEN 'blend read at unknown place'
            WHEN u.face <> 'outer' AND o.um IS NOT NULL THEN NULL
            WHEN d.um IS NULL THEN 'unread panel with other layers'
        END AS reason
    FROM unread AS u
    LEFT JOIN donors AS d
        ON d.equation = u.equation AND d.shop_id = u.shop_id AND d.job_id = u.job_id AND d.layer_set = u.layer_set
    LEFT JOIN films AS o
        ON u.face <> 'outer' AND o.equation = u.equation AND o.shop_id = u.shop_id AND o.job_id = u.job_id
        AND o.panel_id = u.panel_id AND o.layer_set = u.layer_set
    LEFT JOIN refused_panels AS r ON r.shop_id = u.shop_id AND r.job_id = u.job_id AND r.panel_id = u.panel_id
),
together AS (
    SELECT
        m.equation,
        m.shop_id,
        m.job_id,
        m.panel_id,
        'outer' AS face,
        m.layer_set,
        m.n_layers,
        m.source,
        m.um,
        CASE WHEN m.source IN ('own', 'difference', 'strip') AND m.usable THEN m.area_m2 END AS area_m2,
        m.grade,
        m.gain_u,
        m.area_m2 * m.um AS landed_ml,
        m.area_m2 * m.area_m2 * m.var_um2 AS read_var_ml2,
        power(m.area_m2 * m.um * m.area_rel_sd, 2) AS area_var_ml2,
        m.area_m2 AS read_m2,
        CASE
            WHEN NOT m.usable THEN coalesce(m.why_not, 'increment not usable')
            WHEN m.area_m2 IS NULL THEN 'area of the panel is not known'
        END AS reason,
        m.usable
    FROM measured AS m
    UNION ALL
    SELECT
        f.equation,
        f.shop_id,
        f.job_id,
        f.panel_id,
        f.face,
        f.layer_set,
        f.n_layers,
        'filled' AS source,
        f.um,
        f.area_m2 * f.least_fraction AS area_m2,
        'B' AS grade,
        NULL AS gain_u,
        f.area_m2 * f.least_fraction * f.um AS landed_ml,
        power(f.area_m2 * f.least_fraction * f.um, 2) * (
            b.rel_var * (1 + 1.0 / coalesce(f.n_donors, 1))
            + CASE WHEN f.substrate IN ('plastic', 'composite') THEN 0.04 ELSE 0 END
            + CASE WHEN f.face <> 'outer' THEN power($inner_face_ratio_sd / $inner_face_ratio, 2) ELSE 0 END
        ) AS read_var_ml2,
        power(f.area_m2 * f.least_fraction * f.um * f.area_rel_sd, 2) AS area_var_ml2,
        0.0 AS read_m2,
        coalesce(f.reason, CASE WHEN f.area_m2 IS NULL THEN 'area of the panel is not known' END) AS reason,
        FALSE AS usable
    FROM filled AS f
    CROSS JOIN between_panels AS b
)
SELECT
    equation,
    shop_id,
    job_id,
    panel_id,
    face,
    layer_set,
    n_layers,
    source,
    um,
    area_m2,
    grade,
    gain_u,
    landed_ml,
    read_var_ml2,
    area_var_ml2,
    CASE WHEN usable THEN read_m2 ELSE 0.0 END AS read_m2,
    reason
FROM together
ORDER BY equation, shop_id, job_id, panel_id, face, layer_set, source
