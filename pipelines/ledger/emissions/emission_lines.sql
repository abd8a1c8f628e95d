-- Everything a month's figures are added from, one row per contribution; emissions_monthly is its sum. kind says what it is:
--   cup, drawn, weighed_back, discarded, unseen (emission_flows)      VOC = g gone x VOC by mass; the row `cup` also carries
--                                                                     what was poured, ready to spray (component pours only)
--   cleaning, surface_prep (emission_cleaning; issued_l: litres handed out); unscaled; waste (emission_waste, negative); overspray (emission_overspray)
-- source is the table to look in, its key in the columns beside. kg and L. A figure that is not known is null and complete is
-- false; one that such a line does not have is null. Grade: A weighed; B product sheet figures, volumes, leftovers not weighed back, kept and never seen again, unscaled
-- use, particulate by the transfer's own; C something unreadable or no VOC figure. mass_g is what the grade shares weigh.
WITH cups AS (
    SELECT
        f.shop_id,
        f.month,
        coalesce(c.category, 'unmapped') AS category,
        f.kind,
        'mixes' AS source,
        f.on_date,
        f.mix_id,
        f.mass_g,
        CASE WHEN f.kind = 'cup' THEN c.rts_l END AS rts_l,
        CASE WHEN f.kind = 'cup' THEN c.own_poured_g / 1000 END AS rts_kg,
        CASE WHEN f.mass_g = 0 THEN 0.0 ELSE f.mass_g * c.voc_mass_fraction / 1000 END AS voc_kg,
        CASE WHEN f.mass_g = 0 THEN 0.0 ELSE f.mass_g * c.exempt_mass_fraction / 1000 END AS exempt_kg,
        c.complete,
        CASE
            WHEN NOT c.complete OR c.voc_mass_fraction IS NULL OR c.grade IS NULL THEN 'C'
            WHEN c.grade <> 'A' OR NOT c.leftover_known OR f.kind = 'unseen' THEN 'B'
            ELSE 'A'
        END AS grade,
        c.why_incomplete AS note
    FROM emission_flows AS f
    INNER JOIN emission_cups AS c ON c.shop_id = f.shop_id AND c.mix_id = f.mix_id
    WHERE f.kind <> 'kept'
),
lines AS (
    SELECT
        shop_id,
        month,
        category,
        kind,
        source,
        on_date,
        mix_id,
        CAST(NULL AS VARCHAR) AS job_id,
        CAST(NULL AS BIGINT) AS operation_no,
        CAST(NULL AS VARCHAR) AS number,
        CAST(NULL AS BIGINT) AS document_line,
        CAST(NULL AS VARCHAR) AS component_id,
        mass_g,
        rts_l,
        rts_kg,
        CAST(NULL AS DOUBLE) AS issued_l,
        voc_kg,
        exempt_kg,
        CAST(NULL AS DOUBLE) AS pm_kg,
        CAST(NULL AS DOUBLE) AS pm_kg_low,
        CAST(NULL AS DOUBLE) AS pm_kg_high,
        CAST(NULL AS DOUBLE) AS not_split_solids_kg,
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
        NULL AS operation_no,
        e.cleaning_no AS number,
        NULL AS document_line,
        e.component_id,
        e.evaporated_g AS mass_g,
        NULL AS rts_l,
        NULL AS rts_kg,
        e.issued_g / m.density_g_per_ml / 1000 AS issued_l,
        CASE WHEN e.evaporated_g = 0 THEN 0.0 ELSE e.evaporated_g * m.voc_mass_fraction / 1000 END AS voc_kg,
        CASE WHEN e.evaporated_g = 0 THEN 0.0 ELSE e.evaporated_g * m.exempt_mass_fraction / 1000 END AS exempt_kg,
        NULL AS pm_kg,
        NULL AS pm_kg_low,
        NULL AS pm_kg_high,
        NULL AS not_split_solids_kg,
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
        NULL AS operation_no,
        u.use_no AS number,
        NULL AS document_line,
        u.component_id,
        u.mass_g,
        u.mass_g / m.density_g_per_ml / 1000 AS rts_l,
        u.mass_g / 1000 AS rts_kg,
        NULL AS issued_l,
        u.mass_g * m.voc_mass_fraction / 1000 AS voc_kg,
        u.mass_g * m.exempt_mass_fraction / 1000 AS exempt_kg,
        NULL AS pm_kg,
        NULL AS pm_kg_low,
        NULL AS pm_kg_high,
        NULL AS not_split_solids_kg,
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
    UNION ALL
    SELECT
        shop_id,
        month,
        'waste' AS category,
        'waste' AS kind,
        'stock' AS source,
        happened_on AS on_date,
        NULL AS mix_id,
        NULL AS job_id,
        NULL AS operation_no,
        document_no AS number,
        line_no AS document_line,
        component_id,
        CASE WHEN why_not IS NULL THEN mass_g ELSE 0.0 END AS mass_g,
        NULL AS rts_l,
        NULL AS rts_kg,
        NULL AS issued_l,
        0 - credit_g / 1000 AS voc_kg,
        NULL AS exempt_kg,
        NULL AS pm_kg,
        NULL AS pm_kg_low,
        NULL AS pm_kg_high,
        NULL AS not_split_solids_kg,
        TRUE AS complete,
        'A' AS grade,
        why_not AS note
    FROM emission_waste
    UNION ALL
    SELECT
        o.shop_id,
        o.month,
        coalesce(c.category, 'unmapped') AS category,
        'overspray' AS kind,
        'material_ledger' AS source,
        o.on_date,
        o.mix_id,
        o.job_id,
        o.operation_no,
        NULL AS number,
        NULL AS document_line,
        NULL AS component_id,
        NULL AS mass_g,
        NULL AS rts_l,
        NULL AS rts_kg,
        NULL AS issued_l,
        NULL AS voc_kg,
        NULL AS exempt_kg,
        o.pm_g / 1000 AS pm_kg,
        o.pm_g_low / 1000 AS pm_kg_low,
        o.pm_g_high / 1000 AS pm_kg_high,
        o.not_split_solids_g / 1000 AS not_split_solids_kg,
        coalesce(o.why_not_split, '') <> 'the operation is incomplete' AS complete,
        o.grade,
        CASE
            WHEN o.why_not_split IS NOT NULL THEN concat('particulate not known: ', o.why_not_split)
            WHEN o.filter_capture IS NULL THEN 'no filter capture known: nothing is taken as held back'
        END AS note
    FROM emission_overspray AS o
    INNER JOIN emission_cups AS c ON c.shop_id = o.shop_id AND c.mix_id = o.mix_id
)
SELECT
    *,
    row_number() OVER (
        PARTITION BY shop_id
        ORDER BY month, category, kind, on_date, mix_id, job_id, operation_no, number, document_line, component_id
    ) AS line
FROM lines
ORDER BY shop_id, line
