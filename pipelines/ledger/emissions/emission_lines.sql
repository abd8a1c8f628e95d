-- Everything a month's figures are added from, one row per contribution; emissions_monthly is its sum. kind says what it is:
--   cup, drawn, weighed_back, discarded, unseen, found (emission_flows)   VOC = g gone x VOC by mass; the row `cup` also carries
--                                                                     what was poured, ready to spray (component pours only)
--   cleaning, surface_prep (emission_cleaning; issued_l: litres handed out); unscaled; waste (emission_waste, negative); overspray (emission_overspray)
-- source is the table to look in, its key in the columns beside. kg and L. A figure that is not known is null and complete is
-- false; one that such a line does not have is null. Grade: A weighed; B product sheet figures, volumes, leftovers not weighed back, kept and never seen again, unscaled
-- use, particulate by the transfer's own; C something unreadable or no VOC figure. mass_g is what the grade shares weigh, where it is above 0.
WITH lines AS (
    SELECT
        shop_id,
        month,
        category,
        kind,
        source,
        on_date,
        mix_id,
        job_id,
        CAST(NULL AS BIGINT) AS operation_no,
        number,
        CAST(NULL AS BIGINT) AS document_line,
        component_id,
        mass_g,
        rts_l,
        rts_kg,
        issued_l,
        issued_g,
        recovered_g,
        flush_g,
        voc_kg,
        exempt_kg,
        CAST(NULL AS DOUBLE) AS pm_kg,
        CAST(NULL AS DOUBLE) AS pm_kg_low,
        CAST(NULL AS DOUBLE) AS pm_kg_high,
        CAST(NULL AS DOUBLE) AS pm_own_kg,
        CAST(NULL AS DOUBLE) AS not_split_solids_kg,
        complete,
        grade,
        note
    FROM emission_uses
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
        CASE WHEN credit_g > 0 THEN coating_g ELSE 0.0 END AS mass_g,
        NULL AS rts_l,
        NULL AS rts_kg,
        NULL AS issued_l,
        NULL AS issued_g,
        NULL AS recovered_g,
        NULL AS flush_g,
        0 - credit_g / 1000 AS voc_kg,
        NULL AS exempt_kg,
        NULL AS pm_kg,
        NULL AS pm_kg_low,
        NULL AS pm_kg_high,
        NULL AS pm_own_kg,
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
        NULL AS issued_g,
        NULL AS recovered_g,
        NULL AS flush_g,
        NULL AS voc_kg,
        NULL AS exempt_kg,
        o.pm_g / 1000 AS pm_kg,
        o.pm_g_low / 1000 AS pm_kg_low,
        o.pm_g_high / 1000 AS pm_kg_high,
        o.pm_own_g / 1000 AS pm_own_kg,
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
    l.*,
    f.file,
    f.file_line,
    row_number() OVER (
        PARTITION BY l.shop_id
        ORDER BY
            l.month, l.category, l.kind, l.on_date, l.mix_id, l.job_id, l.operation_no, l.number, l.document_line, l.component_id
    ) AS line
FROM lines AS l
LEFT JOIN record_lines AS f
    ON f.shop_id = l.shop_id AND f.source = l.source AND f.number = l.number AND f.document_line = coalesce(l.document_line, 1)
ORDER BY l.shop_id, line
