-- Hazardous air pollutants in one g of each component, by CAS number and span of days on which the number is listed (a
-- delisted substance never counts after its day). fraction is the upper end where the register gives a range, low and high
-- its ends. fraction_63_3941: 40 CFR 63.3941(a)(1): counted from 0.1 % by mass (carcinogens) or 1.0 %, cut off
-- (not rounded) to 4 decimals; organic ones only. A class (glycol ethers) is tested as a class: its members' fractions are added
-- before the threshold, the class's sum is cut off, and members share it pro rata. Species that are themselves listed stand as they are; others that name a
-- default blend bring its pollutants (grade C). What is listed, from when, in which class and from which content on: substance_status.
WITH listed AS (
    SELECT DISTINCT cas, from_on, until_on, substance, class, threshold_mass_fraction
    FROM substance_status
    WHERE purpose = 'hap'
),
decimals AS (
    SELECT power(10, max(value)) AS places FROM rule_figures WHERE rule = 'hap_content' AND figure = 'species_decimals'
),
given AS (
    SELECT
        s.component_id,
        s.cas AS named_cas,
        coalesce(s.mass_fraction_high, s.mass_fraction) AS high,
        coalesce(s.mass_fraction_low, s.mass_fraction, CASE WHEN s.mass_fraction_high IS NOT NULL THEN 0.0 END) AS low
    FROM component_species AS s
),
direct AS (
    SELECT g.component_id, g.named_cas AS cas, g.high, g.low, FALSE AS from_blend
    FROM given AS g
    INNER JOIN (SELECT DISTINCT cas FROM listed) AS l ON l.cas = g.named_cas
),
blended AS (
    SELECT g.component_id, b.hap_cas AS cas, g.high * b.hap_mass_fraction AS high, g.low * b.hap_mass_fraction AS low, TRUE AS from_blend
    FROM given AS g
    INNER JOIN hap_blend_matches AS m ON m.component_id = g.component_id AND m.cas = g.named_cas
    INNER JOIN hap_blends AS b ON b.table_no = m.table_no AND b.entry_no = m.entry_no AND b.hap_mass_fraction > 0
    LEFT JOIN (SELECT DISTINCT cas FROM listed) AS l ON l.cas = g.named_cas
    WHERE l.cas IS NULL
),
united AS (
    SELECT * FROM direct
    UNION ALL
    SELECT * FROM blended
),
summed AS (
    SELECT
        component_id,
        cas,
        CASE WHEN count(high) = count(*) THEN sum(high) END AS high,
        CASE WHEN count(low) = count(*) THEN sum(low) END AS low,
        bool_or(from_blend) AS from_blend
    FROM united
    GROUP BY component_id, cas
),
dated AS (
    SELECT
        s.*,
        l.from_on,
        l.until_on,
        l.substance,
        coalesce(l.class = 'metal', FALSE) AS metal,
        l.class,
        l.threshold_mass_fraction,
        -- the members of a class that are listed over the same days, together
        CASE
            WHEN l.class IS NULL THEN s.high ELSE sum(s.high) OVER (PARTITION BY s.component_id, l.class, l.from_on, l.until_on)
        END AS tested,
        d.places
    FROM summed AS s
    INNER JOIN listed AS l ON l.cas = s.cas
    CROSS JOIN decimals AS d
)
SELECT
    *,
    high AS fraction,
    low AS fraction_low,
    high AS fraction_high,
    CASE
        WHEN metal OR high IS NULL THEN NULL
        WHEN tested >= threshold_mass_fraction - 1e-12
            THEN floor(tested * places + 1e-7) / places * CASE WHEN class IS NULL THEN 1.0 ELSE high / tested END
        ELSE 0.0
    END AS fraction_63_3941
FROM dated
ORDER BY component_id, cas, from_on
