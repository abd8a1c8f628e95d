-- Usage and emissions of a month by category: the sum of emission_lines (kg, L). Figures add up what is known; where a part
-- is not known, or a row of the month could not be read, complete is false and the figure a lower bound; null where nothing
-- is known, 0 where there is nothing of the kind. A month of which nothing could be read stands as one row, `unmapped`, without
-- figures. n_refused: rows of the month that were refused, the same on each of its rows. share_a, share_b, share_c: by mass gone (for waste: credited), by the evidence behind it.
-- pm_kg leaves out solids whose transfer is not known: not_split_solids_kg has them. Its interval: chance of single operations
-- adds up in squares (pm_own_kg), the rest of each line's interval (its cell, the table of areas, gauges, cans) as it stands:
-- what operations of one month and category do not share of that makes it a little too wide, never too narrow.
WITH particulate AS (
    SELECT
        *,
        power($z95 * pm_own_kg, 2) AS own2,
        sqrt(greatest(power(pm_kg - pm_kg_low, 2) - power($z95 * pm_own_kg, 2), 0)) AS below,
        sqrt(greatest(power(pm_kg_high - pm_kg, 2) - power($z95 * pm_own_kg, 2), 0)) AS above
    FROM emission_lines
),
sums AS (
    SELECT
        shop_id,
        month,
        category,
        CASE WHEN bool_or(kind IN ('cup', 'unscaled')) THEN sum(rts_l) ELSE 0.0 END AS rts_l,
        CASE WHEN bool_or(kind IN ('cup', 'unscaled')) THEN sum(rts_kg) ELSE 0.0 END AS rts_kg,
        CASE WHEN bool_or(source = 'cleaning') THEN sum(issued_l) ELSE 0.0 END AS issued_l,
        CASE WHEN bool_or(kind <> 'overspray') THEN sum(voc_kg) ELSE 0.0 END AS voc_kg,
        CASE WHEN bool_or(kind NOT IN ('overspray', 'waste')) THEN sum(exempt_kg) ELSE 0.0 END AS exempt_kg,
        CASE WHEN bool_or(kind IN ('overspray', 'cup')) THEN sum(pm_kg) ELSE 0.0 END AS pm_kg,
        -- an end that one line does not tell is not told of their sum
        CASE
            WHEN NOT bool_or(kind IN ('overspray', 'cup')) THEN 0.0
            WHEN count(pm_kg_low) = count(pm_kg) THEN sum(pm_kg) - sqrt(sum(own2) + power(sum(below), 2))
        END AS pm_kg_low,
        CASE
            WHEN NOT bool_or(kind IN ('overspray', 'cup')) THEN 0.0
            WHEN count(pm_kg_high) = count(pm_kg) THEN sum(pm_kg) + sqrt(sum(own2) + power(sum(above), 2))
        END AS pm_kg_high,
        CASE WHEN bool_or(kind = 'overspray') THEN sum(not_split_solids_kg) ELSE 0.0 END AS not_split_solids_kg,
        bool_and(complete) AS complete,
        count(*) AS n_lines,
        sum(CASE WHEN mass_g > 0 THEN mass_g END) AS mass_g,
        sum(CASE WHEN grade = 'A' AND mass_g > 0 THEN mass_g ELSE 0.0 END) AS a_g,
        sum(CASE WHEN grade = 'B' AND mass_g > 0 THEN mass_g ELSE 0.0 END) AS b_g,
        sum(CASE WHEN grade = 'C' AND mass_g > 0 THEN mass_g ELSE 0.0 END) AS c_g
    FROM particulate
    GROUP BY shop_id, month, category
)
SELECT
    coalesce(s.shop_id, u.shop_id) AS shop_id,
    coalesce(s.month, u.month) AS month,
    coalesce(s.category, 'unmapped') AS category,
    s.rts_l,
    s.rts_kg,
    s.issued_l,
    s.voc_kg,
    s.exempt_kg,
    s.pm_kg,
    CASE WHEN s.pm_kg_low > 0 THEN s.pm_kg_low WHEN s.pm_kg_low <= 0 THEN 0.0 END AS pm_kg_low,
    s.pm_kg_high,
    s.complete AND NOT coalesce(u.unread, FALSE) AS complete,
    CASE WHEN s.mass_g > 0 THEN s.a_g / s.mass_g END AS share_a,
    CASE WHEN s.mass_g > 0 THEN s.b_g / s.mass_g END AS share_b,
    CASE WHEN s.mass_g > 0 THEN s.c_g / s.mass_g END AS share_c,
    s.not_split_solids_kg,
    coalesce(s.n_lines, 0) AS n_lines,
    coalesce(u.n_refused, 0) AS n_refused
FROM sums AS s
FULL JOIN emission_gaps AS u ON u.shop_id = s.shop_id AND u.month = s.month
WHERE s.shop_id IS NOT NULL OR u.unread
ORDER BY shop_id, month, category
