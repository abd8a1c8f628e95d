-- The figures of each month that a reader is given, one a row: what is kept when a month is closed (closed_figures) and held against
-- it afterwards (restatements). `of`: the category, CAS number, limit or stream that the figure is of.
WITH figures AS (
    SELECT shop_id, month, 'emissions_monthly' AS figure_table, category AS part, 'rts_l' AS figure, rts_l AS amount, NULL AS said FROM emissions_monthly
    UNION ALL
    SELECT shop_id, month, 'emissions_monthly' AS figure_table, category AS part, 'issued_l' AS figure, issued_l AS amount, NULL AS said
    FROM emissions_monthly
    UNION ALL
    SELECT shop_id, month, 'emissions_monthly' AS figure_table, category AS part, 'voc_kg' AS figure, voc_kg AS amount, NULL AS said FROM emissions_monthly
    UNION ALL
    SELECT shop_id, month, 'emissions_monthly' AS figure_table, category AS part, 'exempt_kg' AS figure, exempt_kg AS amount, NULL AS said
    FROM emissions_monthly
    UNION ALL
    SELECT shop_id, month, 'emissions_monthly' AS figure_table, category AS part, 'pm_kg' AS figure, pm_kg AS amount, NULL AS said FROM emissions_monthly
    UNION ALL
    SELECT
        shop_id, month, 'emissions_monthly' AS figure_table, category AS part, 'complete' AS figure, NULL AS amount,
        CASE WHEN complete THEN 'yes' ELSE 'no' END AS said
    FROM emissions_monthly
    UNION ALL
    SELECT shop_id, month, 'hap_monthly' AS figure_table, cas AS part, 'kg' AS figure, kg AS amount, NULL AS said FROM hap_monthly
    UNION ALL
    SELECT shop_id, month, 'hap_monthly' AS figure_table, cas AS part, 'kg_63_3941' AS figure, kg_63_3941 AS amount, NULL AS said FROM hap_monthly
    UNION ALL
    SELECT
        shop_id, "window" AS month, 'limit_windows' AS figure_table, concat(measure, ', ', period) AS part, 'total_metric' AS figure,
        total_metric AS amount, CASE WHEN breached THEN 'above the limit' WHEN NOT breached THEN 'within' ELSE 'cannot be told' END AS said
    FROM limit_windows
    WHERE period <> 'calendar_year'
    UNION ALL
    SELECT shop_id, month, 'waste_monthly' AS figure_table, 'drum' AS part, 'generated_kg' AS figure, generated_kg AS amount, NULL AS said
    FROM waste_monthly
    UNION ALL
    SELECT shop_id, month, 'waste_monthly' AS figure_table, 'drum' AS part, 'shipped_kg' AS figure, shipped_kg AS amount, NULL AS said
    FROM waste_monthly
)
SELECT shop_id, month, figure_table, part, figure, amount, said
FROM figures
ORDER BY shop_id, month, figure_table, part, figure
