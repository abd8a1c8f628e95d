-- What landed on each face of each equation's panels, piece by piece: measured film, or film filled in from read panels with
-- the same operations. landed mL = area m2 x film um, exactly.
--   A face (or the part of its operations) nobody read is filled with the plain mean over the read panels of the same job
--   whose measured film is of just these operations; blends never give, and a panel with a refused reading is not unread. Inner faces and jambs take $inner_face_ratio of their own outer film, else
--   of that mean. Standard deviations: between panels as pooled over the workspace, 0.2 more on plastic and composite.
-- reason: why the face is not covered (null: it is).
WITH variances AS (
    SELECT
        p.shop_id,
        p.job_id,
        p.piece,
        max(coalesce(s.s2_um2, power(w.cv * p.mean_um, 2)) / coalesce(p.n_effective, 1) + p.extra_var_um2) AS var_um2
    FROM film_pieces AS p
    LEFT JOIN film_spreads AS s ON s.kind = p.kind AND s.blend = p.blend
    CROSS JOIN (SELECT coalesce(max(within_cv), $within_face_cv) AS cv FROM film_spreads) AS w  -- a kind that was never read twice
    GROUP BY p.shop_id, p.job_id, p.piece
),
unread AS (
    SELECT
        equation,
        shop_id,
        job_id,
        panel_id,
        face,
        layer_set,
        n_layers,
        max(area_m2) AS area_m2,
        max(area_rel_sd) AS area_rel_sd,
        min(covered_fraction) AS least_fraction,
        max(covered_fraction) AS greatest_fraction,
        max(substrate) AS substrate
    FROM unread_faces
    GROUP BY equation, shop_id, job_id, panel_id, face, layer_set, n_layers
),
donors AS (
    SELECT equation, shop_id, job_id, layer_set, avg(um) AS um, count(*) AS n
    FROM face_films
    GROUP BY equation, shop_id, job_id, layer_set
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
    LEFT JOIN face_films AS o
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
        m.area_m2 * m.area_m2 * v.var_um2 AS read_var_ml2,
        power(m.area_m2 * m.um * m.area_rel_sd, 2) AS area_var_ml2,
        CASE WHEN m.usable THEN m.area_m2 ELSE 0.0 END AS read_m2,
        CASE
            WHEN NOT m.usable THEN coalesce(m.why_not, 'increment not usable')
            WHEN m.area_m2 IS NULL THEN 'area of the panel is not known'
        END AS reason
    FROM piece_films AS m
    INNER JOIN variances AS v ON v.shop_id = m.shop_id AND v.job_id = m.job_id AND v.piece = m.piece
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
        coalesce(f.reason, CASE WHEN f.area_m2 IS NULL THEN 'area of the panel is not known' END) AS reason
    FROM filled AS f
    CROSS JOIN panel_spread AS b
)
SELECT *
FROM together
ORDER BY equation, shop_id, job_id, panel_id, face, layer_set, source
