-- Usage and emissions of a month by category: the sum of emission_lines (kg, L). Figures add up what is known; where a part
-- is not known, or a row of the month could not be read, complete is false and the figure a lower bound; null where nothing
-- is known, 0 where there is nothing of the kind. share_a, share_b, share_c: by mass gone (for waste: credited), by the evidence behind it.
-- pm_kg leaves out solids whose transfer is not known: not_split_solids_kg has them.
WITH unreadable AS (
    SELECT p.shop_id, i.month
    FROM incomplete AS i
    INNER JOIN emission_places AS p ON p.shop_id = i.shop_id OR i.shop_id IS NULL
    WHERE i.what = 'month' AND i.month IS NOT NULL
    GROUP BY p.shop_id, i.month
),
sums AS (
    SELECT
        shop_id,
        month,
        category,
        CASE WHEN bool_or(kind IN ('cup', 'unscaled')) THEN sum(rts_l) ELSE 0.0 END AS rts_l,
        CASE WHEN bool_or(kind IN ('cup', 'unscaled')) THEN sum(rts_kg) ELSE 0.0 END AS rts_kg,
        CASE WHEN bool_or(kind <> 'overspray') THEN sum(voc_kg) ELSE 0.0 END AS voc_kg,
        CASE WHEN bool_or(kind NOT IN ('overspray', 'waste')) THEN sum(exempt_kg) ELSE 0.0 END AS exempt_kg,
        CASE WHEN bool_or(kind IN ('overspray', 'cup')) THEN sum(pm_kg) ELSE 0.0 END AS pm_kg,
        CASE WHEN bool_or(kind IN ('overspray', 'cup')) THEN sum(pm_kg_low) ELSE 0.0 END AS pm_kg_low,
        CASE WHEN bool_or(kind IN ('overspray', 'cup')) THEN sum(pm_kg_high) ELSE 0.0 END AS pm_kg_high,
        CASE WHEN bool_or(kind = 'overspray') THEN sum(not_split_solids_kg) ELSE 0.0 END AS not_split_solids_kg,
        bool_and(complete) AS complete,
        count(*) AS n_lines,
        sum(mass_g) AS mass_g,
        sum(CASE WHEN grade = 'A' THEN mass_g ELSE 0.0 END) AS a_g,
        sum(CASE WHEN grade = 'B' THEN mass_g ELSE 0.0 END) AS b_g,
        sum(CASE WHEN grade = 'C' THEN mass_g ELSE 0.0 END) AS c_g
    FROM emission_lines
    GROUP BY shop_id, month, category
)
SELECT
    s.shop_id,
    s.month,
    s.category,
    s.rts_l,
    s.rts_kg,
    s.voc_kg,
    s.exempt_kg,
    s.pm_kg,
    s.pm_kg_low,
    s.pm_kg_high,
    s.complete AND u.month IS NULL AS complete,
    CASE WHEN s.mass_g > 0 THEN s.a_g / s.mass_g END AS share_a,
    CASE WHEN s.mass_g > 0 THEN s.b_g / s.mass_g END AS share_b,
    CASE WHEN s.mass_g > 0 THEN s.c_g / s.mass_g END AS share_c,
    s.not_split_solids_kg,
    s.n_lines
FROM sums AS s
LEFT JOIN unreadable AS u ON u.shop_id = s.shop_id AND u.month = s.month
ORDER BY s.shop_id, s.month, s.category
