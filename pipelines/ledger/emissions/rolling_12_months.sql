-- Sums over the last twelve calendar months and since 1 January, by measure, for every month from that of the shop's first record
-- (a pour, a cleaning or an unscaled use, refused ones too) to that of its last. months_present counts the months of the window inside the shop's first to last pour,
-- cleaning or unscaled use, refused ones too. What is not known never counts as 0: a sum of nothing known is null, any other a
-- lower bound, and complete is false. Measures: rts_l and rts_l:<category> (L); voc_kg (waste credits taken off), exempt_kg, pm_kg,
-- hap_kg (organic ones) and hap_kg:<cas>, and where the EU's definitions hold solvent_kg (solvent_lines). rts_l:cleaning and
-- rts_l:surface_prep are litres of solvent issued; rts_l is what was poured and used ready to spray.
-- limit: that of the permit over rolling_12_months on the last day of the month, in L or kg. complete, month_complete,
-- year_complete: of the twelve months, of the month alone, of the year so far.
WITH amounts AS (
    SELECT shop_id, month, 'rts_l' AS measure, rts_l AS amount, complete FROM emissions_monthly
    UNION ALL
    SELECT shop_id, month, concat('rts_l:', category) AS measure, rts_l AS amount, complete
    FROM emissions_monthly
    WHERE category NOT IN ('cleaning', 'surface_prep', 'waste')
    UNION ALL
    SELECT shop_id, month, concat('rts_l:', category) AS measure, issued_l AS amount, complete
    FROM emissions_monthly
    WHERE category IN ('cleaning', 'surface_prep')
    UNION ALL
    SELECT shop_id, month, 'voc_kg' AS measure, voc_kg AS amount, complete FROM emissions_monthly
    UNION ALL
    SELECT shop_id, month, 'exempt_kg' AS measure, exempt_kg AS amount, complete FROM emissions_monthly
    UNION ALL
    SELECT shop_id, month, 'pm_kg' AS measure, pm_kg AS amount, complete AND coalesce(not_split_solids_kg, 0) < 1e-9 AS complete
    FROM emissions_monthly
    UNION ALL
    SELECT shop_id, month, 'hap_kg' AS measure, kg AS amount, complete FROM hap_monthly WHERE NOT metal
    UNION ALL
    SELECT shop_id, month, concat('hap_kg:', cas) AS measure, kg AS amount, complete FROM hap_monthly
    UNION ALL
    SELECT shop_id, month, 'hap_kg' AS measure, NULL AS amount, FALSE AS complete FROM hap_gaps
    UNION ALL
    SELECT shop_id, month, 'solvent_kg' AS measure, kg AS amount, complete FROM solvent_lines
),
monthly AS (
    SELECT
        shop_id,
        measure,
        CAST(substr(month, 1, 4) AS INTEGER) * 12 + CAST(substr(month, 6, 2) AS INTEGER) - 1 AS m,
        sum(amount) AS amount,
        bool_and(complete AND amount IS NOT NULL) AS complete
    FROM amounts
    GROUP BY shop_id, measure, month
),
measures AS (
    SELECT DISTINCT shop_id, measure FROM monthly
    UNION
    SELECT DISTINCT shop_id, measure FROM permit_amounts
),
grid AS (
    SELECT r.shop_id, e.measure, r.month, r.month_no AS m, r.n_before, r.next_on
    FROM shop_months AS r
    INNER JOIN measures AS e ON e.shop_id = r.shop_id
),
sums AS (
    SELECT
        g.shop_id,
        g.measure,
        g.m,
        g.month,
        g.n_before,
        g.next_on,
        sum(a.amount) AS total,
        sum(CASE WHEN a.m = g.m THEN a.amount END) AS month_total,
        sum(CASE WHEN a.m >= g.m - g.m % 12 THEN a.amount END) AS year_to_date,
        count(CASE WHEN a.amount IS NULL THEN a.m END) > 0 AS unknown,
        count(CASE WHEN a.amount IS NULL AND a.m = g.m THEN a.m END) > 0 AS unknown_month,
        count(CASE WHEN a.amount IS NULL AND a.m >= g.m - g.m % 12 THEN a.m END) > 0 AS unknown_year,
        coalesce(bool_and(a.complete), TRUE) AS complete,
        coalesce(bool_and(a.complete OR a.m < g.m), TRUE) AS complete_month,
        coalesce(bool_and(a.complete OR a.m < g.m - g.m % 12), TRUE) AS complete_year
    FROM grid AS g
    LEFT JOIN monthly AS a ON a.shop_id = g.shop_id AND a.measure = g.measure AND a.m > g.m - 12 AND a.m <= g.m
    GROUP BY g.shop_id, g.measure, g.m, g.month, g.n_before, g.next_on
),
states AS (
    SELECT
        e.shop_id,
        CAST(substr(e.month, 1, 4) AS INTEGER) * 12 + CAST(substr(e.month, 6, 2) AS INTEGER) - 1 AS m,
        coalesce(bool_or(u.unread), FALSE) AS unread,
        sum(e.n_lines) = 0 AS blank,
        bool_and(e.complete OR e.category = 'waste') AND bool_and(h.month IS NULL) AS complete
    FROM emissions_monthly AS e
    LEFT JOIN emission_gaps AS u ON u.shop_id = e.shop_id AND u.month = e.month
    LEFT JOIN (SELECT DISTINCT shop_id, month FROM hap_gaps) AS h ON h.shop_id = e.shop_id AND h.month = e.month
    GROUP BY e.shop_id, e.month
),
-- A month with something unread in it may hold any measure; material without figures any pollutant.
windows AS (
    SELECT
        g.shop_id,
        g.m,
        bool_or(t.unread) AS unread,
        bool_or(t.unread AND t.m = g.m) AS unread_month,
        bool_or(t.unread AND t.m >= g.m - g.m % 12) AS unread_year,
        bool_and(t.blank) AS blank,
        bool_or(t.blank AND t.m = g.m) AS blank_month,
        bool_or(t.m >= g.m - g.m % 12) AND bool_and(t.blank OR t.m < g.m - g.m % 12) AS blank_year,
        bool_and(t.complete) AS complete,
        bool_and(t.complete OR t.m < g.m) AS complete_month,
        bool_and(t.complete OR t.m < g.m - g.m % 12) AS complete_year
    FROM (SELECT DISTINCT shop_id, m FROM grid) AS g
    INNER JOIN states AS t ON t.shop_id = g.shop_id AND t.m > g.m - 12 AND t.m <= g.m
    GROUP BY g.shop_id, g.m
),
told AS (
    SELECT
        s.shop_id,
        s.measure,
        s.month,
        s.n_before,
        s.next_on,
        coalesce(s.total, CASE WHEN NOT s.unknown AND NOT coalesce(w.blank, FALSE) THEN 0.0 END) AS total,
        coalesce(s.month_total, CASE WHEN NOT s.unknown_month AND NOT coalesce(w.blank_month, FALSE) THEN 0.0 END) AS month_total,
        coalesce(s.year_to_date, CASE WHEN NOT s.unknown_year AND NOT coalesce(w.blank_year, FALSE) THEN 0.0 END) AS year_to_date,
        s.complete AND NOT coalesce(w.unread, FALSE) AND (s.measure NOT LIKE 'hap_kg%' OR coalesce(w.complete, TRUE)) AS complete,
        s.complete_month AND NOT coalesce(w.unread_month, FALSE) AND (s.measure NOT LIKE 'hap_kg%' OR coalesce(w.complete_month, TRUE))
            AS month_complete,
        s.complete_year AND NOT coalesce(w.unread_year, FALSE) AND (s.measure NOT LIKE 'hap_kg%' OR coalesce(w.complete_year, TRUE))
            AS year_complete
    FROM sums AS s
    LEFT JOIN windows AS w ON w.shop_id = s.shop_id AND w.m = s.m
)
SELECT
    s.*,
    least(12, s.n_before + 1) AS months_present,
    l.amount AS "limit",
    CASE WHEN l.amount > 0 THEN s.total / l.amount END AS share_of_limit
FROM told AS s
LEFT JOIN permit_amounts AS l
    ON l.shop_id = s.shop_id AND l.measure = s.measure AND l.period = 'rolling_12_months'
    AND l.from_on < s.next_on AND l.until_on >= s.next_on
ORDER BY s.shop_id, s.month, s.measure
