-- Particulate of each cup and operation, g: overspray solids x (1 - filter capture of the booth on that day), on the day of
-- the operation. An upper figure, since floor and masking take part: where no booth or no capture is known nothing is held
-- back. The interval is that of the transfer efficiency; pm_own_g is what chance of this one operation makes of it (sd). Solids whose way is not known are listed, not counted: their
-- particulate is not known. Those that no operation took stand in the month of their cup's first pour.
SELECT
    l.shop_id,
    l.mix_id,
    l.job_id,
    l.operation_no,
    CAST(o.started_at AS DATE) AS on_date,
    strftime(o.started_at, '%Y-%m') AS month,
    b.filter_capture,
    CASE WHEN l.te IS NOT NULL THEN l.overspray_solids_g * (1 - coalesce(b.filter_capture, 0)) END AS pm_g,
    CASE WHEN l.te IS NOT NULL THEN l.overspray_solids_g_low * (1 - coalesce(b.filter_capture, 0)) END AS pm_g_low,
    CASE WHEN l.te IS NOT NULL THEN l.overspray_solids_g_high * (1 - coalesce(b.filter_capture, 0)) END AS pm_g_high,
    CASE
        WHEN l.te IS NOT NULL
            THEN
                (coalesce(l.useful_solids_g, 0) + coalesce(l.over_build_solids_g, 0)) * coalesce(e.event_rel_u, 0)
                * (1 - coalesce(b.filter_capture, 0))
    END AS pm_own_g,
    l.not_split_solids_g,
    l.grade,
    l.why_not_split
FROM material_ledger AS l
INNER JOIN operations AS o
    ON o.shop_id = l.shop_id AND o.job_id = l.job_id AND o.operation_no = l.operation_no
LEFT JOIN operation_te AS e
    ON e.shop_id = l.shop_id AND e.op_job_id = l.job_id AND e.operation_no = l.operation_no
LEFT JOIN booth_versions AS b
    ON b.booth_id = o.booth_id AND CAST(o.started_at AS DATE) >= b.from_on AND CAST(o.started_at AS DATE) < b.until_on
UNION ALL
SELECT
    l.shop_id,
    l.mix_id,
    NULL AS job_id,
    NULL AS operation_no,
    CAST(m.first_poured_at AS DATE) AS on_date,
    m.month,
    NULL AS filter_capture,
    NULL AS pm_g,
    NULL AS pm_g_low,
    NULL AS pm_g_high,
    NULL AS pm_own_g,
    l.not_split_solids_g,
    l.grade,
    l.why_not_split
FROM material_ledger AS l
INNER JOIN mixes AS m ON m.shop_id = l.shop_id AND m.mix_id = l.mix_id
WHERE l.job_id IS NULL AND l.why_not_split IS NOT NULL
ORDER BY shop_id, mix_id, job_id, operation_no
