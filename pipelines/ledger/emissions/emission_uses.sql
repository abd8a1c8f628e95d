-- What left as material, one row per contribution: cups by what shows their content gone (emission_flows), solvent evaporated in
-- cleaning (emission_cleaning; issued, recovered, and the flush that came back with it) and unscaled use, with VOC and exempt mass
-- where the shop reports, kg and L. emission_lines has these rows with waste and overspray.
WITH cups AS (
    SELECT
        f.*,
        coalesce(c.category, 'unmapped') AS category,
        'mixes' AS source,
        CASE WHEN f.kind = 'cup' THEN c.rts_l END AS rts_l,
        CASE WHEN f.kind = 'cup' THEN c.own_poured_g / 1000 END AS rts_kg,
        CASE WHEN f.mass_g = 0 THEN 0.0 ELSE f.mass_g * c.voc_mass_fraction / 1000 END AS voc_kg,
        CASE WHEN f.mass_g = 0 THEN 0.0 ELSE f.mass_g * c.exempt_mass_fraction / 1000 END AS exempt_kg,
        c.complete,
        CASE
            WHEN NOT c.complete OR c.voc_mass_fraction IS NULL OR c.grade IS NULL THEN 'C'
            WHEN c.grade <> 'A' OR NOT c.leftover_known OR f.kind IN ('unseen', 'found') THEN 'B'
            ELSE 'A'
        END AS grade,
        c.why_incomplete AS note
    FROM emission_flows AS f
    INNER JOIN emission_cups AS c ON c.shop_id = f.shop_id AND c.mix_id = f.mix_id
    WHERE f.kind <> 'kept'
)
SELECT
    shop_id,
    month,
    category,
    kind,
    source,
    on_date,
    mix_id,
    CAST(NULL AS VARCHAR) AS job_id,
    CAST(NULL AS VARCHAR) AS number,
    CAST(NULL AS VARCHAR) AS component_id,
    mass_g,
    rts_l,
    rts_kg,
    CAST(NULL AS DOUBLE) AS issued_l,
    CAST(NULL AS DOUBLE) AS issued_g,
    CAST(NULL AS DOUBLE) AS recovered_g,
    CAST(NULL AS DOUBLE) AS flush_g,
    voc_kg,
    exempt_kg,
    complete AND (kind <> 'cup' OR rts_l IS NOT NULL) AND voc_kg IS NOT NULL AND exempt_kg IS NOT NULL AS complete,
    grade,
    CASE
        WHEN note IS NOT NULL THEN note
        WHEN voc_kg IS NULL OR exempt_kg IS NULL THEN 'a component has no VOC or exempt figure'
        WHEN kind = 'cup' AND rts_l IS NULL THEN 'a component has no density'
    END AS note
FROM cups
UNION ALL
SELECT
    e.shop_id,
    e.month,
    e.category,
    e.category AS kind,
    'cleaning' AS source,
    e.on_date,
    NULL AS mix_id,
    NULL AS job_id,
    e.cleaning_no AS number,
    e.component_id,
    e.evaporated_g AS mass_g,
    NULL AS rts_l,
    NULL AS rts_kg,
    e.issued_g / m.density_g_per_ml / 1000 AS issued_l,
    e.issued_g,
    e.recovered_g,
    CASE WHEN e.solvent_recovered_g > 0 THEN e.solvent_flush_g * e.recovered_g / e.solvent_recovered_g ELSE 0.0 END AS flush_g,
    CASE WHEN e.evaporated_g = 0 THEN 0.0 ELSE e.evaporated_g * m.voc_mass_fraction / 1000 END AS voc_kg,
    CASE WHEN e.evaporated_g = 0 THEN 0.0 ELSE e.evaporated_g * m.exempt_mass_fraction / 1000 END AS exempt_kg,
    m.voc_mass_fraction IS NOT NULL AND m.exempt_mass_fraction IS NOT NULL AND m.density_g_per_ml IS NOT NULL AS complete,
    CASE WHEN m.voc_mass_fraction IS NULL THEN 'C' ELSE 'A' END AS grade,
    CASE
        WHEN m.voc_mass_fraction IS NULL OR m.exempt_mass_fraction IS NULL THEN 'the solvent has no VOC or exempt figure'
        WHEN m.density_g_per_ml IS NULL THEN 'the solvent has no density'
    END AS note
FROM emission_cleaning AS e
INNER JOIN emission_places AS p ON p.shop_id = e.shop_id
LEFT JOIN emission_materials AS m
    ON m.jurisdiction = p.jurisdiction AND m.component_id = e.component_id AND m.on_date = e.on_date
UNION ALL
SELECT
    u.shop_id,
    strftime(u.used_at, '%Y-%m') AS month,
    'unscaled' AS category,
    'unscaled' AS kind,
    'unscaled_use' AS source,
    CAST(u.used_at AS DATE) AS on_date,
    NULL AS mix_id,
    u.job_id,
    u.use_no AS number,
    u.component_id,
    u.mass_g,
    u.mass_g / m.density_g_per_ml / 1000 AS rts_l,
    u.mass_g / 1000 AS rts_kg,
    NULL AS issued_l,
    NULL AS issued_g,
    NULL AS recovered_g,
    NULL AS flush_g,
    u.mass_g * m.voc_mass_fraction / 1000 AS voc_kg,
    u.mass_g * m.exempt_mass_fraction / 1000 AS exempt_kg,
    m.voc_mass_fraction IS NOT NULL AND m.exempt_mass_fraction IS NOT NULL AND m.density_g_per_ml IS NOT NULL AS complete,
    CASE WHEN m.voc_mass_fraction IS NULL THEN 'C' ELSE 'B' END AS grade,
    CASE
        WHEN m.voc_mass_fraction IS NULL OR m.exempt_mass_fraction IS NULL THEN 'the material has no VOC or exempt figure'
        WHEN m.density_g_per_ml IS NULL THEN 'the material has no density'
    END AS note
FROM unscaled_use AS u
INNER JOIN emission_places AS p ON p.shop_id = u.shop_id
LEFT JOIN emission_materials AS m
    ON m.jurisdiction = p.jurisdiction AND m.component_id = u.component_id AND m.on_date = CAST(u.used_at AS DATE)
ORDER BY shop_id, month, kind, on_date, mix_id, number
